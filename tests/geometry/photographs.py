"""Photographs of a drawn paper on a table, made by perspective, with the true corners known."""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Grey = NDArray[np.uint8]
Colour = NDArray[np.uint8]


@dataclass(frozen=True)
class Scene:
    """How one photograph is taken. fill: share of the picture that the paper covers."""

    table: str = "wood"
    fill: float = 0.6
    tilt_deg: float = 10.0
    tilt_towards_deg: float = 40.0
    turn_deg: float = 4.0
    size_px: tuple[int, int] = (2400, 1800)
    shadow: float = 0.35
    clutter: int = 5
    blur_px: float = 0.8
    noise: float = 3.0
    seed: int = 1


def photograph(
    paper: Grey, paper_mm: tuple[float, float], scene: Scene
) -> tuple[Colour, NDArray[np.float64]]:
    """Return (RGB picture (h, w, 3), the paper's true corners (4, 2) TL TR BR BL in pixels)."""
    random = np.random.default_rng(scene.seed)
    corners = _corners(paper_mm, scene)
    picture = _table(scene, random).astype(np.float32)
    _clutter(picture, corners, scene, random)
    _drop_shadow(picture, corners)
    _lay_paper(picture, paper, corners)
    picture *= _light(scene, random)[..., None]
    if scene.blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), scene.blur_px)
    picture += random.normal(0, scene.noise, picture.shape).astype(np.float32)
    return np.clip(picture, 0, 255).astype(np.uint8), corners


def _corners(paper_mm: tuple[float, float], scene: Scene) -> NDArray[np.float64]:
    """Return where a pinhole camera of 28 mm (equivalent) sees the corners of the tilted paper."""
    half = np.array(paper_mm) / 2
    flat = np.array([(-1, -1, 0), (1, -1, 0), (1, 1, 0), (-1, 1, 0)]) * [*half, 0]
    turned = flat @ _turn("z", scene.turn_deg).T
    towards = _turn("z", scene.tilt_towards_deg)
    tilted = turned @ (towards @ _turn("x", scene.tilt_deg) @ towards.T).T
    width, height = scene.size_px
    focal = 0.78 * max(scene.size_px)
    near, far = 50.0, 5000.0
    for _ in range(60):
        distance = math.sqrt(near * far)
        depth = tilted[:, 2:] + distance
        seen = tilted[:, :2] / depth * focal
        seen += np.array([width, height]) / 2 - (seen.max(axis=0) + seen.min(axis=0)) / 2
        if abs(cv2.contourArea(seen.astype(np.float32))) > scene.fill * width * height:
            near = distance
        else:
            far = distance
    return seen


def _turn(axis: str, angle_deg: float) -> NDArray[np.float64]:
    """Return a rotation matrix about x or z."""
    cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    if axis == "x":
        return np.array([[1, 0, 0], [0, cos, -sin], [0, sin, cos]])
    return np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1]])


def _table(scene: Scene, random: np.random.Generator) -> Colour:
    """Return the table: dark, wood, tiles or check (patterns), cloth (colour), light or white."""
    width, height = scene.size_px
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    if scene.table == "dark":
        colour = np.full((height, width, 3), (48, 46, 50), np.float32)
    elif scene.table == "cloth":
        colour = np.full((height, width, 3), (40, 110, 150), np.float32)
        colour += (8 * np.sin(x / 3) * np.sin(y / 3))[..., None]
    elif scene.table == "light":
        colour = np.full((height, width, 3), (205, 200, 192), np.float32)
    elif scene.table == "white":
        colour = np.full((height, width, 3), (224, 221, 216), np.float32)
    elif scene.table == "tiles":
        joint = (((x + 110) % 250) < 9) | (((y + 110) % 250) < 9)
        colour = np.where(joint[..., None], (210, 205, 195), (120, 90, 75)).astype(np.float32)
    elif scene.table == "check":
        a, b = (x // 96) % 2, (y // 96) % 2
        colour = (235 - 70 * a - 70 * b)[..., None] * np.array([1.0, 0.72, 0.7], np.float32)
    else:
        grain = cv2.resize(
            random.normal(0, 1, (height // 4, 40)).astype(np.float32), (width, height)
        )
        plank = (x // 420) % 2
        colour = np.array([150, 105, 65], np.float32) + (14 * grain + 16 * plank)[..., None]
        colour[(x % 420) < 5] = (70, 45, 25)
    colour = colour + random.normal(0, 2, (height, width, 1))
    return np.clip(colour, 0, 255)


def _clutter(
    picture: Colour, corners: NDArray[np.float64], scene: Scene, random: np.random.Generator
) -> None:
    """Lay pens, coins and scraps of paper round the sheet; the sheet lies on top of them."""
    width, height = scene.size_px
    for index in range(scene.clutter):
        at = random.uniform((0, 0), (width, height))
        shade = [int(v) for v in random.uniform(0, 255, 3)]
        if index % 3 == 0:
            reach = random.uniform(120, 420)
            angle = random.uniform(0, 2 * np.pi)
            end = at + reach * np.array([np.cos(angle), np.sin(angle)])
            cv2.line(picture, _px(at), _px(end), shade, int(random.uniform(15, 36)), cv2.LINE_AA)
        elif index % 3 == 1:
            cv2.circle(picture, _px(at), int(random.uniform(30, 72)), shade, -1, cv2.LINE_AA)
        else:
            box = cv2.boxPoints((tuple(at), (300.0, 180.0), float(random.uniform(0, 90))))
            cv2.fillConvexPoly(picture, box.astype(np.int32), (238, 236, 230), cv2.LINE_AA)


def _px(at: NDArray[np.float64]) -> tuple[int, int]:
    """Return a point as whole pixels."""
    return int(at[0]), int(at[1])


def _drop_shadow(picture: Colour, corners: NDArray[np.float64]) -> None:
    """Darken the table beside the sheet, more on the side away from the light."""
    shade = np.zeros(picture.shape[:2], np.float32)
    cv2.fillConvexPoly(shade, (corners + np.array([5, 7])).astype(np.int32), 1.0)
    shade = cv2.GaussianBlur(shade, (0, 0), 6)
    picture *= 1 - 0.35 * shade[..., None]


def _lay_paper(picture: Colour, paper: Grey, corners: NDArray[np.float64]) -> None:
    """Put the sheet into the picture; its edge is the half-way crossing at the true corners."""
    height, width = paper.shape
    source = np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float32) - 0.5
    shrink = max(1.0, width / np.linalg.norm(corners[1] - corners[0]))
    soft = cv2.GaussianBlur(paper, (0, 0), 0.4 * shrink) if shrink > 1.05 else paper
    warp = cv2.getPerspectiveTransform(source, corners.astype(np.float32))
    size = (picture.shape[1], picture.shape[0])
    ink = cv2.warpPerspective(soft, warp, size, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
    cover = cv2.warpPerspective(np.full_like(paper, 255), warp, size)
    part = (cover.astype(np.float32) / 255)[..., None]
    white = np.array([1.0, 0.99, 0.965], np.float32)
    picture[:] = picture * (1 - part) + ink[..., None] * white * part


def _light(scene: Scene, random: np.random.Generator) -> NDArray[np.float32]:
    """Return the light (h, w): a slope across the table and one soft shadow of a hand."""
    width, height = scene.size_px
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    angle = random.uniform(0, 2 * np.pi)
    slope = 0.9 + 0.12 * ((x / width - 0.5) * np.cos(angle) + (y / height - 0.5) * np.sin(angle))
    centre = random.uniform((0.2 * width, 0.2 * height), (0.8 * width, 0.8 * height))
    shade = np.zeros((height // 8, width // 8), np.float32)
    axes = (width // 30, height // 12)
    place = (int(centre[0] / 8), int(centre[1] / 8))
    cv2.ellipse(shade, place, axes, float(random.uniform(0, 180)), 0, 360, 1.0, -1)
    shade = cv2.resize(cv2.GaussianBlur(shade, (0, 0), 12), (width, height))
    return slope * (1 - scene.shadow * shade)


# Ten scenes: every table, the paper from 40 to 95 % of the picture, tilts up to 20 degrees.
SCENES: tuple[Scene, ...] = (
    Scene("dark", 0.40, tilt_deg=20, tilt_towards_deg=10, turn_deg=3, seed=1),
    Scene("wood", 0.48, tilt_deg=15, tilt_towards_deg=70, turn_deg=-12, seed=2),
    Scene("tiles", 0.40, tilt_deg=20, tilt_towards_deg=130, turn_deg=20, seed=3),
    Scene("cloth", 0.60, tilt_deg=8, tilt_towards_deg=200, turn_deg=-2, seed=4),
    Scene("check", 0.45, tilt_deg=12, tilt_towards_deg=250, turn_deg=6, seed=5),
    Scene("wood", 0.95, tilt_deg=0.5, turn_deg=0.3, size_px=(1860, 1800), seed=6),
    Scene("dark", 0.85, tilt_deg=4, tilt_towards_deg=310, turn_deg=1, size_px=(1920, 1860), seed=7),
    Scene("wood", 0.42, tilt_deg=20, turn_deg=40, size_px=(2040, 2040), shadow=0.5, clutter=9),
    Scene("cloth", 0.50, tilt_deg=18, tilt_towards_deg=0, turn_deg=0, size_px=(1800, 2400), seed=9),
    Scene("tiles", 0.70, tilt_deg=6, tilt_towards_deg=90, size_px=(2040, 1800), seed=10),
)
