"""The sheet of paper in a picture: where it lies, how large a pixel is, and the sheet straightened.

Scale comes, in order, from corners given, the markers of a drawing sheet, the paper's edges, the
dpi tag where the page it implies holds the paper, and the whole picture where its shape is the
paper's. Otherwise it is asked for.
"""

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry import markers
from geometry.errors import UnreadableError
from geometry.limits import Blank
from geometry.paper_cut_off import corner_cut_off
from geometry.paper_edges import find_edges
from geometry.paper_lines import Overview
from geometry.picture import Picture
from geometry.recipe import Recipe
from geometry.units import MM_PER_INCH, NAMED_SIZES_MM, describe_size

Floats = NDArray[np.float64]
Grey = NDArray[Any]  # uint8

MOST_PX_PER_MM: Final = 24.0  # 600 dpi and a little; finer pictures are reduced to it
SAME_SHAPE: Final = 0.02  # how far the whole picture's shape may be from the paper's
SAME_PAGE: Final = 0.02  # how far the page that a dpi tag implies may be from the paper's size
LARGEST_PAGE_MM: Final = 460.0  # of a scanner; a larger page means that the tag is made up
SCREEN_DPI: Final = (72.0, 96.0)  # tags that programs write without knowing
CROP_MM: Final = 4.0  # clear paper kept round the ink of a cropped scan
INK_SHARE: Final = 0.75  # darker than this share of the page's level is ink, for cropping only
RIM_MM: Final = 0.4  # how much of the paper's own edge is not looked at
_RIMMED: Final = {"paper-edges": RIM_MM, "markers": markers.RIM_MM}
STRAIGHT_PX: Final = 0.25  # corners nearer than this to an upright crop need no resampling


@dataclass(frozen=True)
class Page:
    """Where the paper lies in a picture.

    corners_px: (4, 2) x, y TL TR BR BL in the displayed picture, pixel centres at integers.
    size_mm: what they enclose: the paper, or a part cropped to its ink. px_per_mm: displayed
    pixels. found: "given", "markers", "paper-edges", "dpi" or "whole-image". framed: True where the
    corners are the paper's own, so that the paper's frame is known; False for a crop. sheet: the
    blank of a printed drawing sheet, whose frame is the paper; its size comes before the recipe's.
    """

    corners_px: Floats
    paper_mm: tuple[float, float]
    size_mm: tuple[float, float]
    px_per_mm: float
    found: str
    framed: bool = True
    sheet: Blank | None = None


@dataclass(frozen=True)
class Straight:
    """The paper seen straight from above.

    grey: (h, w) uint8 in the paper's frame; the centre of pixel (row, column) lies at
    x_mm = (column + 0.5) / px_per_mm, y_mm = (row + 0.5) / px_per_mm. size_mm: (width, height).
    """

    grey: Grey
    px_per_mm: float
    size_mm: tuple[float, float]


def find_page(picture: Picture, recipe: Recipe) -> Page:
    """Return where the paper lies. Raises UnreadableError("no-page") where its size cannot be told.

    An oblong paper is taken either way round; lying across, it is turned a quarter to stand as
    asked, which changes nothing of the film. Edges are good to about 0.2 px on flat paper; lens
    distortion is not corrected.
    """
    paper_mm = recipe.paper_size_mm
    if recipe.corners_px is not None:
        corners = np.array(recipe.corners_px, float)
        return _framed(picture, picture.from_displayed(corners), paper_mm, "given", turn=False)
    overview = Overview(picture.grey)
    sheet = markers.find_sheet(overview)
    if sheet is not None:
        size_mm = sheet.blank.size_mm
        page = _framed(picture, sheet.corners_px, size_mm, "markers", turn=False)
        return replace(page, sheet=sheet.blank)
    dpi = _trusted_dpi(picture, paper_mm)
    edges = _edges(picture, overview, paper_mm, dpi)
    if edges is not None:
        return _framed(picture, edges, paper_mm, "paper-edges")
    if dpi is not None:
        return _page_by_dpi(picture, overview, paper_mm, dpi)
    height, width = picture.grey.shape
    if _same_shape((width, height), paper_mm):
        return _framed(picture, _border(width, height), paper_mm, "whole-image")
    cut_off = None if picture.drawn else corner_cut_off(overview, paper_mm)
    if cut_off is not None:
        raise UnreadableError(
            "no-page",
            f"The {cut_off} corner of the paper is out of the picture. Take the picture again with "
            "all four corners in view.",
        )
    raise UnreadableError(
        "no-page",
        f"The edges of the {describe_size(paper_mm)} paper cannot be seen in this picture, so its "
        "size is unknown. Choose the paper's real size; or lay the paper on a darker table and "
        "take the picture from straight above with all four corners in view, or scan it.",
    )


def straighten(picture: Picture, page: Page) -> Straight:
    """Return the paper straightened, at the resolution of its source and at most 24 px per mm.

    An upright paper is cropped without resampling; anything else is warped with a cubic filter.
    """
    corners = picture.from_displayed(page.corners_px)
    source = page.px_per_mm / picture.reduction
    upright = _upright_crop(picture.grey, corners, page.size_mm)
    if upright is not None and page.found not in _RIMMED:
        return _reduced(upright, page.size_mm)
    grey: Grey = picture.grey
    if source > 1.25 * MOST_PX_PER_MM:
        smaller = MOST_PX_PER_MM / source
        shape = (round(grey.shape[1] * smaller), round(grey.shape[0] * smaller))
        scale = np.array(shape) / grey.shape[::-1]
        grey = cv2.resize(grey, shape, interpolation=cv2.INTER_AREA)
        corners, source = (corners + 0.5) * scale - 0.5, MOST_PX_PER_MM
    px_per_mm = min(source, MOST_PX_PER_MM)
    size = (max(1, round(page.size_mm[0] * px_per_mm)), max(1, round(page.size_mm[1] * px_per_mm)))
    width, height = (side * px_per_mm for side in page.size_mm)
    target = np.array([(0, 0), (width, 0), (width, height), (0, height)]) - 0.5
    warp = cv2.getPerspectiveTransform(corners.astype(np.float32), target.astype(np.float32))
    straight = cv2.warpPerspective(
        grey, warp, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    if page.sheet is not None:
        straight = markers.clear_printed_lines(straight, px_per_mm, page.sheet)
    if page.found in _RIMMED:
        straight = _without_rim(straight, max(1, round(_RIMMED[page.found] * px_per_mm)))
    return Straight(straight, px_per_mm, page.size_mm)


def _without_rim(grey: Grey, rim_px: int) -> Grey:
    """Return a picture whose outermost pixels go on as those just inside.

    The very edge of a sheet is mixed with the dark table and would pass for ink; a line that runs
    off the paper still does.
    """
    inside = grey[rim_px:-rim_px, rim_px:-rim_px]
    if min(inside.shape) < 1:
        return grey
    return cv2.copyMakeBorder(inside, rim_px, rim_px, rim_px, rim_px, cv2.BORDER_REPLICATE)


def _framed(
    picture: Picture,
    corners: Floats,
    paper_mm: tuple[float, float],
    found: str,
    *,
    turn: bool = True,
) -> Page:
    """Return a page whose corners (in `grey`, clockwise) are the paper's own."""
    if turn:
        corners = _ordered(corners, paper_mm)
    displayed = picture.to_displayed(corners)
    after = np.roll(displayed, -1, axis=0)
    area = abs(float((displayed[:, 0] * after[:, 1] - displayed[:, 1] * after[:, 0]).sum())) / 2
    px_per_mm = math.sqrt(area / (paper_mm[0] * paper_mm[1]))
    return Page(displayed, paper_mm, paper_mm, px_per_mm, found)


def _ordered(corners: Floats, paper_mm: tuple[float, float]) -> Floats:
    """Return clockwise corners from the paper's top left on, its long side where it is asked."""
    middle = corners.mean(axis=0)
    angles = np.arctan2(*(corners - middle).T[::-1])
    corners = corners[np.argsort(angles)]
    tops = np.roll(corners, -1, axis=0) - corners
    lean = np.abs(np.degrees(np.arctan2(tops[:, 1], tops[:, 0])))
    corners = np.roll(corners, -int(lean.argmin()), axis=0)
    side = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    seen = math.log((side[0] + side[2]) / (side[1] + side[3]))
    asked = math.log(paper_mm[0] / paper_mm[1])
    across = abs(seen + asked) + 0.02 < abs(seen - asked)
    return np.roll(corners, 1, axis=0) if across else corners


def _border(width: int, height: int) -> Floats:
    """Return the outer corners of a whole picture."""
    return np.array([(0, 0), (width, 0), (width, height), (0, height)], float) - 0.5


def _same_shape(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Tell whether two sizes have one shape within SAME_SHAPE, either way round."""
    shape = math.log(one[0] / one[1])
    asked = math.log(other[0] / other[1])
    return min(abs(shape - asked), abs(shape + asked)) <= math.log(1 + SAME_SHAPE)


def _trusted_dpi(picture: Picture, paper_mm: tuple[float, float]) -> tuple[float, float] | None:
    """Return the dpi of `grey` where the tag is worth trust and its page holds the paper."""
    if picture.dpi is None:
        return None
    page_mm = _page_mm(picture, picture.dpi)
    fits = all(
        side <= room * (1 + SAME_PAGE)
        for side, room in zip(sorted(paper_mm), sorted(page_mm), strict=True)
    )
    if not fits or max(page_mm) > LARGEST_PAGE_MM:
        return None
    tag = picture.dpi[0] * picture.reduction
    if not picture.drawn and any(abs(tag - screen) < 0.6 for screen in SCREEN_DPI):
        usual = (paper_mm, *NAMED_SIZES_MM.values())
        return picture.dpi if any(_same_page(page_mm, size) for size in usual) else None
    return picture.dpi


def _page_mm(picture: Picture, dpi: tuple[float, float]) -> tuple[float, float]:
    """Return the size of the whole picture at a dpi, mm."""
    height, width = picture.grey.shape
    return width / dpi[0] * MM_PER_INCH, height / dpi[1] * MM_PER_INCH


def _same_page(one_mm: tuple[float, float], other_mm: tuple[float, float]) -> bool:
    """Tell whether two sizes agree within SAME_PAGE, either way round."""
    return any(
        all(
            abs(math.log(a / b)) <= math.log(1 + SAME_PAGE)
            for a, b in zip(one_mm, size, strict=True)
        )
        for size in (other_mm, other_mm[::-1])
    )


def _edges(
    picture: Picture,
    overview: Overview,
    paper_mm: tuple[float, float],
    dpi: tuple[float, float] | None,
) -> Floats | None:
    """Return the paper's corners in `grey` where its edges can be seen, or None.

    With a dpi tag the sheet must have its true size, so that a drawn frame is never taken for it;
    unless it is seen at a slant, which no scanner does: then the tag is not a scanner's.
    """
    if dpi is None:
        corners = find_edges(overview, paper_mm)
        return None if corners is None or _is_drawn_border(picture, paper_mm, corners) else corners
    whole = _same_page(_page_mm(picture, dpi), paper_mm)
    if picture.drawn and whole:
        return None  # the page is the paper, whatever is drawn on it
    px_per_mm = math.sqrt(dpi[0] * dpi[1]) / MM_PER_INCH
    corners = find_edges(overview, paper_mm, scan_px_per_mm=px_per_mm, may_touch=not whole)
    if corners is None and not picture.drawn:
        corners = find_edges(overview, paper_mm)
        if corners is not None and not _is_slanted(corners):
            return None
    return corners


def _is_slanted(corners: Floats) -> bool:
    """Tell whether a quadrilateral is no rectangle: facing sides 1 % or corners 0.7 degrees off."""
    sides = np.roll(corners, -1, axis=0) - corners
    length = np.linalg.norm(sides, axis=1)
    cosine = np.abs((sides * np.roll(sides, -1, axis=0)).sum(axis=1)) / (
        length * np.roll(length, -1)
    )
    unequal = np.abs(np.log(length[:2] / length[2:])).max()
    return bool(unequal > 0.01 or cosine.max() > math.sin(math.radians(0.7)))


def _is_drawn_border(picture: Picture, paper_mm: tuple[float, float], corners: Floats) -> bool:
    """Tell whether "edges" are the inside of a black border drawn to the picture's own border.

    Upright to a pixel and equally wide all round, in a picture of the paper's shape: by hand no
    photograph is taken like that.
    """
    height, width = picture.grey.shape
    if not _same_shape((width, height), paper_mm):
        return False
    low, high = corners.min(axis=0), corners.max(axis=0)
    rims = np.array([*low, width - 1 - high[0], height - 1 - high[1]])
    upright = np.abs(np.sort(corners[:, 0])[[0, 2]] - np.sort(corners[:, 0])[[1, 3]]).max() < 2
    upright &= np.abs(np.sort(corners[:, 1])[[0, 2]] - np.sort(corners[:, 1])[[1, 3]]).max() < 2
    return bool(upright and np.ptp(rims) < 0.01 * width)


def _page_by_dpi(
    picture: Picture,
    overview: Overview,
    paper_mm: tuple[float, float],
    dpi: tuple[float, float],
) -> Page:
    """Return the page of a scan at a known dpi: the whole picture, or a crop to its ink."""
    height, width = picture.grey.shape
    page_mm = _page_mm(picture, dpi)
    px_per_mm = math.sqrt(dpi[0] * dpi[1]) / MM_PER_INCH * picture.reduction
    if _same_page(page_mm, paper_mm):
        corners = _border(width, height)
        if abs(math.log(page_mm[0] / paper_mm[0])) > 2 * SAME_PAGE:
            corners, page_mm = np.roll(corners, 1, axis=0), page_mm[::-1]
        return Page(picture.to_displayed(corners), paper_mm, page_mm, px_per_mm, "dpi")
    left, top, right, bottom = _ink_box(overview, dpi, paper_mm)
    corners = np.array([(left, top), (right, top), (right, bottom), (left, bottom)], float) - 0.5
    size_mm = ((right - left) / dpi[0] * MM_PER_INCH, (bottom - top) / dpi[1] * MM_PER_INCH)
    displayed = picture.to_displayed(corners)
    return Page(displayed, paper_mm, size_mm, px_per_mm, "dpi", framed=False)


def _ink_box(
    overview: Overview, dpi: tuple[float, float], paper_mm: tuple[float, float]
) -> tuple[int, int, int, int]:
    """Return (left, top, right, bottom) px round the drawing on a scan, with CROP_MM of paper.

    Dust and what touches the border (the shadow of the lid) do not count.
    """
    height, width = overview.grey.shape
    coarse, factor = overview.shrunk(1500)
    level = float(np.percentile(coarse[::4, ::4], 90))
    mask = (coarse < INK_SHARE * level).astype(np.uint8)
    per_mm = np.array(dpi) / MM_PER_INCH / factor
    boxes = _ink_parts(mask, per_mm)
    if not len(boxes):
        raise UnreadableError(
            "blank",
            "Nothing is drawn on this scan. Draw in black on white paper and scan it again.",
        )
    box = np.array([*boxes[:, :2].min(axis=0), *boxes[:, 2:].max(axis=0)])
    drawn_mm = (box[2:] - box[:2]) / per_mm
    slack = 1.02
    if not all(a <= b * slack for a, b in zip(sorted(drawn_mm), sorted(paper_mm), strict=True)):
        raise UnreadableError(
            "no-page",
            f"The drawing on this scan is {drawn_mm[0]:.0f} x {drawn_mm[1]:.0f} mm, larger than "
            f"the {describe_size(paper_mm)} paper. Choose the paper's real size.",
        )
    box = (box + np.array([-1, -1, 1, 1]) * np.tile(CROP_MM * per_mm, 2)) * np.tile(factor, 2)
    left, top = np.maximum(np.floor(box[:2]), 0).astype(int)
    right, bottom = np.minimum(np.ceil(box[2:]), (width, height)).astype(int)
    return int(left), int(top), int(right), int(bottom)


def _ink_parts(mask: Grey, per_mm: Floats) -> NDArray[np.int64]:
    """Return boxes (n, 4) left, top, right, bottom of ink, without dust and lid shadows."""
    height, width = mask.shape
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    left, top, wide, high, area = stats[1:].T
    clear = (left > 0) & (top > 0) & (left + wide < width) & (top + high < height)
    large = area / (per_mm[0] * per_mm[1]) >= 0.5
    long = np.maximum(wide / per_mm[0], high / per_mm[1]) > 2.0
    keep = clear & (large | long)
    if not keep.any():
        keep = clear
    return np.stack([left, top, left + wide, top + high], axis=1)[keep].astype(np.int64)


def _upright_crop(grey: Grey, corners: Floats, size_mm: tuple[float, float]) -> Grey | None:
    """Return the part of a picture inside upright corners, or None if they are not upright.

    Corners must lie on whole pixels within STRAIGHT_PX and the pixels be square.
    """
    edges = corners + 0.5
    whole = np.round(edges)
    width, height = whole[2] - whole[0]
    if np.abs(edges - whole).max() > STRAIGHT_PX or width < 1 or height < 1:
        return None
    box = np.array([(0, 0), (width, 0), (width, height), (0, height)])
    if not np.array_equal(whole - whole[0], box):
        return None
    if abs(math.log(width / size_mm[0] / (height / size_mm[1]))) > 0.001:
        return None
    left, top = (int(value) for value in whole[0])
    right, bottom = left + int(width), top + int(height)
    inside = left >= 0 and top >= 0 and right <= grey.shape[1] and bottom <= grey.shape[0]
    return grey[top:bottom, left:right] if inside else None


def _reduced(grey: Grey, size_mm: tuple[float, float]) -> Straight:
    """Return a crop as Straight, reduced where it is finer than is kept."""
    height, width = grey.shape
    px_per_mm = math.sqrt(width * height / (size_mm[0] * size_mm[1]))
    if px_per_mm > 1.02 * MOST_PX_PER_MM:
        px_per_mm = MOST_PX_PER_MM
        size = (round(size_mm[0] * px_per_mm), round(size_mm[1] * px_per_mm))
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    return Straight(np.ascontiguousarray(grey), px_per_mm, size_mm)
