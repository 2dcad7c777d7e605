"""Flaps: film that hangs on one side only, so that it may lift under the sponge.

The middle lines of all the film make a graph whose root is the frame. A link whose loss would cut
something off (a bridge of the graph) is the only way to what lies beyond it; two links that hold
the same film side by side are none. Along such links the neck is sought that holds most on least.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry.bands import BLOCK_PX
from geometry.caliper import measure
from geometry.findings import Finding
from geometry.graph_kernels import hanging_links, ways_from_chord, ways_within
from geometry.ink import Ink
from geometry.limits import Limits
from geometry.recipe import Placement
from geometry.skeleton import (
    FREE,
    JOINT,
    WIDE,
    Blocks,
    Chains,
    block_px,
    blocks_around,
    film_skeleton,
    rasterise,
)

FINEST_PX_PER_MM: Final = 6.0
"""Film is followed on about this raster; a cut of kerf's width is still whole on it."""
RIM_MM: Final = 1.7
"""Film kept around all ink: the frame."""
LEAST_POCKET_MM2: Final = 0.5
"""Ink that is convex but for so much has no flap in it: 12 mm of film are never so thin."""
STEP: Final = 1.3
"""A neck inside a flap is one of its own where the film is this many times wider on both sides."""
NARROWER: Final = 0.6
"""It must also be narrower than this share of the neck that the flap hangs on. Judgement."""
_SHORTEST: Final = 0.95
"""Ways along middle lines are longer than the straightest, so what falls short of this is short."""


@dataclass(frozen=True)
class _Neck:
    """A place along one link, on the grid, and how far the film beyond it reaches.

    path: (n, 2) pixels about it, the outermost first. inner: a pixel well beyond it. turns: what
    hangs beyond, as turns of the search. is_throat: the film is wider on both sides.
    """

    chain: int
    path: NDArray[np.int32]
    inner: NDArray[np.float64]
    width: float
    reach: float
    turns: tuple[int, int]
    is_throat: bool

    @property
    def score(self) -> float:
        """How readily it lifts, for choosing among places: a beam's way to give."""
        return self.reach**3 / self.width


def find_flaps(
    ink: Ink, placement: Placement, limits: Limits, *, mode: str = "stencil"
) -> list[Finding]:
    """Return a flap finding for each part of the film that one neck alone holds and that is long.

    width_mm is the neck's least width, by caliper on the full field. reach_mm is the way from the
    neck to the farthest film beyond it, along the film (1 % too long at most where it goes round
    corners); area_mm2 is all the film beyond the neck. A flap is one where the reach is above
    limits.flap_reach_mm and limits.flap_necks times the neck. A mask has none, as its film is not
    kept whole; nor has a loose part, which is an island.
    """
    if mode == "mask" or not len(ink.loops):
        return []
    factor = block_px(ink.px_per_mm, FINEST_PX_PER_MM)
    rim = round(RIM_MM * ink.px_per_mm / factor)
    blocks = blocks_around(ink.loops.around_px, factor, rim)
    mm = placement.scale / ink.px_per_mm
    zone = _pockets(ink, blocks, factor, limits.flap_reach_mm / mm)
    if not zone.any():
        return []
    chains = film_skeleton(rasterise(ink.f, factor, blocks), zone)
    if not len(chains):
        return []
    grid_mm = mm * chains.factor
    film = (chains.mask > 0).astype(np.uint8)
    found = []
    for neck in _chosen(_necks(chains, limits, grid_mm), limits.flap_reach_mm / grid_mm):
        found += _finding(neck, chains, film, ink, placement, limits)
    return found


def _pockets(ink: Ink, blocks: Blocks, factor: int, reach_px: float) -> NDArray[np.uint8]:
    """Return where a flap can be, as 1, in cells of BLOCK_PX blocks.

    What hangs on one neck is enclosed by one piece of ink and the neck, so it lies within the
    convex hull of that ink, which is farther across than the flap reaches.
    """
    loops = ink.loops
    left, top, right, low = blocks
    zone = np.zeros(((low - top) // BLOCK_PX, (right - left) // BLOCK_PX), np.uint8)
    sides = loops.box_px[:, 2:] - loops.box_px[:, :2]
    for loop in np.flatnonzero(~loops.is_hole & (np.hypot(*sides.T) >= reach_px)):
        points = loops.points[loops.starts[loop] : loops.starts[loop + 1] : 4]
        hull = cv2.convexHull(np.ascontiguousarray(points))[:, 0]
        if cv2.contourArea(hull) - loops.area_px2[loop] < LEAST_POCKET_MM2 * ink.px_per_mm**2:
            continue
        cells = (hull / factor - np.array([left, top], np.float32)) / BLOCK_PX
        cv2.fillConvexPoly(zone, np.rint(cells).astype(np.int32), 1)
    return np.asarray(cv2.dilate(zone, np.ones((5, 5), np.uint8)), np.uint8)


def _necks(chains: Chains, limits: Limits, grid_mm: float) -> list[_Neck]:
    """Return, per link that alone holds what lies beyond, the places that may be a flap's neck."""
    joints = len(chains.joint_radius)
    nodes = np.where(chains.ends == WIDE, 0, chains.joint + 1)
    free = chains.ends == FREE
    nodes[free] = 1 + joints + np.arange(np.count_nonzero(free))
    count = 1 + joints + int(np.count_nonzero(free))
    ways, lengths = _ways(chains)
    is_bridge, into, entered, left, away = hanging_links(
        np.ascontiguousarray(nodes, np.int64), lengths, count
    )
    # How far the film goes at each node beyond the way to it: to the edge around it.
    beyond = np.zeros(count, np.float64)
    beyond[1 : 1 + joints] = chains.joint_radius
    ends = np.stack([chains.radius[chains.starts[:-1]], chains.radius[chains.starts[1:] - 1]], 1)
    beyond[nodes[free]] = ends[free]
    reached = entered >= 0
    by_turn = np.zeros(int(entered.max()) + 1)
    by_turn[entered[reached]] = away[reached] + beyond[reached]
    # The farthest place of a link that both ends lead to lies between them, at its deeper end.
    both = entered[nodes].min(axis=1) >= 0
    deeper = entered[nodes[both]].max(axis=1)
    farthest = (away[nodes[both]].sum(axis=1) + lengths[both]) / 2
    widest = np.maximum.reduceat(chains.radius, chains.starts[:-1])[both]
    np.maximum.at(by_turn, deeper, farthest + np.where(is_bridge[both], 0, widest))
    least = _SHORTEST * limits.flap_reach_mm / grid_mm
    found: list[_Neck] = []
    for chain in np.flatnonzero(is_bridge):
        node = int(into[chain])
        turns = (int(entered[node]), int(left[node]))
        rest = float(by_turn[turns[0] : turns[1] + 1].max()) - float(away[node])
        if rest + lengths[chain] >= least:
            forward = bool(nodes[chain, 1] == node)
            found += _necks_on(chains, int(chain), forward, ways, rest, turns, least, limits)
    return found


def _ways(chains: Chains) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the way (n) along its chain at each pixel from the first end, and the lengths (m)."""
    pixels = chains.pixels.astype(np.float64)
    steps = np.zeros(len(pixels))
    steps[1:] = np.hypot(*(pixels[1:] - pixels[:-1]).T)
    firsts = chains.starts[:-1]
    lasts = chains.starts[1:] - 1
    steps[firsts] = np.hypot(*(chains.beyond[:, :2] - pixels[firsts]).T)
    total = np.cumsum(steps)
    ways = total - np.repeat(total[firsts] - steps[firsts], np.diff(chains.starts))
    return ways, ways[lasts] + np.hypot(*(chains.beyond[:, 2:] - pixels[lasts]).T)


def _necks_on(
    chains: Chains,
    chain: int,
    forward: bool,
    ways: NDArray[np.float64],
    rest: float,
    turns: tuple[int, int],
    least: float,
    limits: Limits,
) -> list[_Neck]:
    """Return the best place of one link and its narrowest, where those are long enough."""
    span = slice(int(chains.starts[chain]), int(chains.starts[chain + 1]))
    pixels, radius, way = chains.pixels[span], chains.radius[span].astype(float), ways[span]
    near_end = 0 if forward else 1
    if not forward:
        pixels, radius, way = pixels[::-1], radius[::-1], way[-1] - way[::-1]
    reach = way[-1] - way + rest
    fits = (reach >= least) & (reach >= _SHORTEST * limits.flap_necks * 2 * radius)
    if not fits.any():
        return []
    score = np.where(fits, reach**3 / np.maximum(radius, 0.5), -1.0)
    joint = int(chains.joint[chain, near_end])
    outside = np.inf if chains.ends[chain, near_end] != JOINT else chains.joint_radius[joint]
    found = []
    for index in dict.fromkeys((int(score.argmax()), int(np.where(fits, radius, np.inf).argmin()))):
        wide_inside = float(radius[index:].max()) >= STEP * radius[index]
        wide_outside = max(float(outside), float(radius[: index + 1].max())) >= STEP * radius[index]
        about = np.abs(way - way[index]) <= radius[index] + 2
        inner = pixels[min(int(np.flatnonzero(about)[-1]) + 4, len(pixels) - 1)]
        if about[-1]:
            inner = chains.beyond[chain, 2:] if forward else chains.beyond[chain, :2]
        found.append(
            _Neck(
                chain,
                pixels[about],
                inner.astype(np.float64),
                2 * float(radius[index]),
                float(reach[index]),
                turns,
                wide_outside and (wide_inside or joint >= 0),
            )
        )
    return found


def _chosen(necks: Sequence[_Neck], least_reach: float) -> list[_Neck]:
    """Return the necks to tell of: the best of each part, and clear necks inside a larger flap."""
    kept: list[_Neck] = []
    for neck in sorted(necks, key=lambda one: -one.score):
        related = [
            (neck, other) if _holds(neck, other) else (other, neck)
            for other in kept
            if _holds(neck, other) or _holds(other, neck)
        ]
        if all(
            inner.is_throat
            and inner.width <= NARROWER * outer.width
            and outer.reach - inner.reach >= max(least_reach, outer.width)
            for outer, inner in related
        ):
            kept.append(neck)
    return kept


def _holds(outer: _Neck, inner: _Neck) -> bool:
    """Tell whether a neck lies on the way from the frame to another."""
    if outer.chain == inner.chain:
        return outer.reach >= inner.reach
    return outer.turns[0] <= inner.turns[0] <= inner.turns[1] <= outer.turns[1]


def _finding(
    neck: _Neck,
    chains: Chains,
    film: NDArray[np.uint8],
    ink: Ink,
    placement: Placement,
    limits: Limits,
) -> list[Finding]:
    """Return [the flap beyond a neck], measured, or [] where that is within the limits."""
    mm = placement.scale / ink.px_per_mm
    grid_mm = mm * chains.factor
    longest = (1.3 * neck.width + 4) * chains.factor
    points, clear = chains.to_field(neck.path), chains.clear_px(neck.path)
    calipers = measure(ink.f, points, 1, longest, chains.factor, clear)
    calipers = calipers[(calipers[:, 0] > 0) & (calipers[:, 0] < longest)]
    if not len(calipers):
        return []
    # Of places as narrow as the narrowest, the outermost.
    caliper = calipers[np.argmax(calipers[:, 0] <= 1.01 * calipers[:, 0].min() + 0.2)]
    neck_mm = float(caliper[0]) * mm
    if neck.reach * grid_mm < _SHORTEST * limits.flap_necks * neck_mm:
        return []
    half = caliper[0] / 2
    ends_px = np.stack([caliper[1:3] + side * half * caliper[3:5] for side in (-1, 1)])
    ends = (ends_px + 0.5) / chains.factor - 0.5 + chains.pad_px
    region, corner = _region(neck, film, ends)
    if region is None:
        return []
    reach_mm = _reach(region, ends - corner) * grid_mm
    if not (reach_mm > limits.flap_reach_mm and reach_mm > limits.flap_necks * neck_mm):
        return []
    area_mm2 = _film_px(region, corner, chains, ink) * mm**2
    middle_mm = placement.to_blank(ink.to_mm(caliper[None, 1:3]))[0]
    edge, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    border = cv2.approxPolyDP(max(edge, key=len), 0.7, True)[:, 0]
    border_mm = placement.to_blank(ink.to_mm(chains.to_field(border + corner)))
    neck_line = placement.to_blank(ink.to_mm(ends_px))
    return [
        Finding(
            kind="flap",
            at_mm=(float(middle_mm[0]), float(middle_mm[1])),
            outline_mm=tuple((float(x), float(y)) for x, y in border_mm),
            others_mm=(tuple((float(x), float(y)) for x, y in neck_line),),
            neck_mm=neck_mm,
            reach_mm=reach_mm,
            area_mm2=area_mm2,
            limit_mm=limits.flap_reach_mm,
            remedy_mm=limits.bridge_proposed_mm,
        )
    ]


def _region(
    neck: _Neck, film: NDArray[np.uint8], ends: NDArray[np.float64]
) -> tuple[NDArray[np.uint8] | None, NDArray[np.int64]]:
    """Return the film (h, w) beyond a neck with a rim of two pixels, and its corner on the grid.

    None where the neck's chord does not part it from the frame. film: 0 and 1; used and put back.
    """
    along = ends[1] - ends[0]
    along = along / max(float(np.hypot(*along)), 1e-9)
    first, last = ends[0] - 1.5 * along, ends[1] + 1.5 * along
    low = np.maximum(np.floor(np.minimum(first, last)).astype(int) - 3, 0)
    high = np.ceil(np.maximum(first, last)).astype(int) + 4
    about = np.s_[low[1] : high[1], low[0] : high[0]]
    before = film[about].copy()
    one, other = (tuple(np.rint(16 * end).astype(int).tolist()) for end in (first, last))
    cv2.line(film, one, other, 0, 1, cv2.LINE_4, 4)
    seed = _film_near(film, neck, ends.mean(axis=0), along)
    nothing = np.zeros(2, np.int64)
    box = (0, 0, 0, 0) if seed is None else cv2.floodFill(film, None, seed, 2, flags=4)[3]
    x, y, width, height = box
    inner = film[y : y + height, x : x + width]
    region = np.zeros((height + 4, width + 4), np.uint8)
    region[2:-2, 2:-2] = inner == 2
    np.minimum(inner, 1, out=inner)
    film[about] = before
    if x <= 0 or y <= 0 or x + width >= film.shape[1] or y + height >= film.shape[0]:
        return None, nothing
    return region, np.array([x - 2, y - 2])


def _film_px(region: NDArray[np.uint8], corner: NDArray[np.int64], chains: Chains, ink: Ink) -> int:
    """Return how many pixels of the field are film in a region of the grid and along its edge."""
    height, width = region.shape
    x, y = (int(value) for value in corner)
    around = chains.mask[max(y, 0) : y + height, max(x, 0) : x + width]
    lacks = ((max(-y, 0), height - around.shape[0] - max(-y, 0)), (max(-x, 0), 0))
    lacks = (lacks[0], (lacks[1][0], width - around.shape[1] - lacks[1][0]))
    edge = cv2.dilate(region, np.ones((3, 3), np.uint8)) & (np.pad(around, lacks) == 0)
    blocks = np.repeat(np.repeat(region | edge, chains.factor, 0), chains.factor, 1)
    left, top = (int(value) for value in (corner - chains.pad_px) * chains.factor)
    field = ink.f[max(top, 0) : top + blocks.shape[0], max(left, 0) : left + blocks.shape[1]]
    blocks = blocks[max(-top, 0) :, max(-left, 0) :][: field.shape[0], : field.shape[1]]
    return int(np.count_nonzero((field >= 0) & (blocks > 0)))


def _film_near(
    film: NDArray[np.uint8],
    neck: _Neck,
    middle: NDArray[np.float64],
    along: NDArray[np.float64],
) -> tuple[int, int] | None:
    """Return a pixel of film on the far side of a neck, close to it."""
    across = np.array([-along[1], along[0]])
    if across @ (neck.inner - middle) < 0:
        across = -across
    for step in (2.0, 1.5, 3.0, 4.0):
        x, y = (int(value) for value in np.rint(middle + step * across))
        if 0 <= y < film.shape[0] and 0 <= x < film.shape[1] and film[y, x]:
            return x, y
    return None


def _reach(region: NDArray[np.uint8], ends: NDArray[np.float64]) -> float:
    """Return the way from a chord to the farthest pixel of the region beyond it, px.

    Where all the way is straight it is exact; steps round corners are 1 % long at most.
    """
    straight = ways_from_chord(region, ends)
    start = np.where(straight < 2.5, straight, np.float32(np.inf))
    ways = ways_within(region, start)
    inside = np.isfinite(ways)
    if not inside.any():
        return 0.0
    open_way = inside & (ways <= 1.028 * straight + 1)
    farthest = float(ways[inside].max()) * 0.987
    straight_most = float(straight[open_way].max()) if open_way.any() else 0.0
    return max(farthest, straight_most) + 0.5
