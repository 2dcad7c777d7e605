"""The one door: a drawing checked from its bytes to a verdict.

Reads like the path of a drawing: picture, paper, ink, outlines, islands, widths, flaps, margins,
report. The report is a pure function of the file, the recipe and the limits; its name and seconds
stand outside of that.
"""

import os
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from geometry.crowding import find_crowding
from geometry.drawing_picture import drawing_jpg
from geometry.errors import UnreadableError
from geometry.findings import Finding, is_rejected, number, to_json, with_crumbs_counted
from geometry.flaps import find_flaps
from geometry.ink import Ink, Loops, find_ink, stroke_boxes, with_strokes
from geometry.islands import find_islands
from geometry.limits import Limits, default_limits
from geometry.margins import find_margin_faults
from geometry.outlines import Outline, trace
from geometry.paper import Page, Straight, find_page, straighten
from geometry.picture import Picture, ReadLimits, read_picture
from geometry.recipe import Placement, PointMm, Recipe, Stroke
from geometry.stencil import Stencil, build_stencil
from geometry.uneven import find_uneven
from geometry.units import same_size
from geometry.widths import Widths, measure_widths, thin_findings

SCHEMA: Final = 1
MOST_SHAPES: Final = 8000  # edges of a drawing; a crowded 300 mm one has some hundreds

Timer = Callable[[str], AbstractContextManager[Any]]
"""Gives a context for a named stage; its `seconds`, a dict, go into the report."""


@dataclass(frozen=True)
class Before:
    """What a check can start from: its ink, edges and widths with the first `strokes` strokes."""

    strokes: int
    ink: Ink
    outlines: list[Outline]
    widths: Widths

    @property
    def edges(self) -> tuple[Loops, list[Outline]]:
        """The edges of the ink with their outlines."""
        return self.ink.loops, self.outlines


@dataclass(frozen=True)
class Checked:
    """What a check found. report: the JSON object. The rest is None for an unreadable drawing.

    ink and straight are in the paper's frame, placement takes it to the blank's; findings and
    stencil are in the blank's frame.
    """

    report: dict[str, Any]
    blank_mm: tuple[float, float]
    stencil: Stencil | None = None
    findings: tuple[Finding, ...] = ()
    outlines: tuple[Outline, ...] = field(default=(), repr=False)
    page: Page | None = None
    straight: Straight | None = field(default=None, repr=False)
    ink: Ink | None = field(default=None, repr=False)
    widths: Widths | None = field(default=None, repr=False)
    placement: Placement = field(default_factory=Placement)

    @property
    def verdict(self) -> str:
        """ "passed", "rejected" or "unreadable"."""
        return str(self.report["verdict"])

    @cached_property
    def film_png(self) -> bytes | None:
        """The film as it will be cut, white, openings black, in the blank's frame; or None."""
        from geometry.overlay import film_png  # loaded only when a picture is asked for

        return film_png(self.ink, self.placement, self.blank_mm) if self.ink else None

    @cached_property
    def drawing_jpg(self) -> bytes | None:
        """The artist's drawing, straightened, in the blank's frame; or None."""
        if self.straight is None:
            return None
        return drawing_jpg(self.straight, self.placement, self.blank_mm)

    @cached_property
    def overlay_png(self) -> bytes | None:
        """The film with its findings numbered on it, framed, with a key to the marks; or None."""
        from geometry.overlay import draw_overlay

        if self.ink is None:
            return None
        return draw_overlay(self.ink, self.placement, self.findings, self.blank_mm)


def check(
    path: str | os.PathLike[str],
    recipe: Recipe | None = None,
    limits: Limits | None = None,
    *,
    name: str | None = None,
    timer: Timer | None = None,
    read_limits: ReadLimits | None = None,
    lift: bool = False,
) -> Checked:
    """Return the check of a file by a recipe and limits (default: those of the recipe's blank).

    An unreadable drawing gives a report of verdict "unreadable", never an exception.
    name: what the report calls the file. timer: called with each stage's name, see Timer.
    lift: also estimate where film lifts, after all that the verdict needs.
    """
    recipe = recipe or Recipe()
    limits = limits or default_limits(recipe.blank_size_mm)
    timer = timer or untimed
    name = Path(path).name if name is None else name
    with timer("total"):
        try:
            with timer("picture"):
                picture = read_picture(path, limits=read_limits)
        except UnreadableError as error:
            checked = unreadable(error, recipe, limits, name=name)
        else:
            checked = _check_picture(picture, recipe, limits, name=name, timer=timer)
        if lift:
            with timer("lift"):
                checked = with_lift(checked, recipe, limits)
    checked.report["seconds"] = rounded_seconds(timer)
    return checked


def check_picture(
    picture: Picture,
    recipe: Recipe | None = None,
    limits: Limits | None = None,
    *,
    name: str = "",
    timer: Timer | None = None,
) -> Checked:
    """Return the check of a picture that has been read already; otherwise as `check`."""
    recipe = recipe or Recipe()
    limits = limits or default_limits(recipe.blank_size_mm)
    timer = timer or untimed
    with timer("total"):
        checked = _check_picture(picture, recipe, limits, name=name, timer=timer)
    checked.report["seconds"] = rounded_seconds(timer)
    return checked


def _check_picture(
    picture: Picture, recipe: Recipe, limits: Limits, *, name: str, timer: Timer
) -> Checked:
    """Return the check of a picture, whether it can be read as a drawing or not."""
    page = None
    try:
        with timer("paper"):
            page = find_page(picture, recipe)
            refuse_coarse(page, limits)
            straight = straighten(picture, page)
        return _check_straight(picture, page, straight, recipe, limits, name=name, timer=timer)
    except UnreadableError as error:
        return unreadable(error, recipe, limits, name=name, sha256=picture.sha256, page=page)


def _check_straight(
    picture: Picture,
    page: Page,
    straight: Straight,
    recipe: Recipe,
    limits: Limits,
    *,
    name: str,
    timer: Timer,
) -> Checked:
    """Return the check of a straightened drawing. Raises UnreadableError for no drawing."""
    with timer("ink"):
        bare_ink = find_bare_ink(straight, recipe, limits)
    sha256 = picture.sha256
    checked = judge(bare_ink, page, recipe, limits, name=name, sha256=sha256, timer=timer)
    return replace(checked, straight=straight)


def find_bare_ink(straight: Straight, recipe: Recipe, limits: Limits) -> Ink:
    """Return the ink as it is on paper, before any stroke. Raises UnreadableError."""
    return find_ink(
        straight.grey,
        straight.px_per_mm,
        ink_level=recipe.ink_level,
        speck_mm2=limits.speck_mm2 / recipe.scale**2,
        speck_length_mm=limits.speck_length_mm / recipe.scale,
    )


def judge(
    bare_ink: Ink,
    page: Page,
    recipe: Recipe,
    limits: Limits,
    *,
    name: str,
    sha256: str | None,
    timer: Timer,
    flaps: bool = True,
    uneven: bool = True,
    before: Before | None = None,
) -> Checked:
    """Return the check of ink found on paper, the recipe's strokes drawn over it.

    All that a stroke can change happens here, so a re-check is this on ink that was kept. Without
    flaps, those and the notes of uneven lines are left for later; without uneven, only the notes.
    before: a check of the same with the first of the strokes; what the others cannot change is
    taken from it. Raises UnreadableError where nothing is left.
    """
    blank_mm = recipe.blank_size_mm
    with timer("ink"):
        placement = place(bare_ink, page, recipe)
        ink, changed_px = _drawn_over(bare_ink, recipe.strokes, placement, before)
        before = before if changed_px is not None else None
        _refuse_shapes(len(ink.loops))
    with timer("outlines"):
        outlines = trace(ink, placement, blank_mm, before=before.edges if before else None)
        stencil = build_stencil(outlines, blank_mm, recipe.mode)
    with timer("islands"):
        found = find_islands(outlines, ink, placement, blank_mm, limits, mode=recipe.mode)
    with timer("widths"):
        widths = measure_widths(
            ink,
            placement,
            limits,
            mode=recipe.mode,
            before=before.widths if before else None,
            changed_px=changed_px,
        )
        found += thin_findings(widths, ink, placement, limits)
    if flaps:
        with timer("flaps"):
            found += find_flaps(ink, placement, limits, mode=recipe.mode)
            if uneven:
                found += find_uneven(ink, placement, limits)
    with timer("margins"):
        found += find_margin_faults(outlines, blank_mm, limits)
        found += find_crowding(outlines, blank_mm, limits)
        found += _findings_of_ink(ink, placement, limits, recipe.strokes)
        found += _coarse(page, recipe, limits)
    findings = number(with_crumbs_counted(found), blank_mm)
    report = _report(
        name=name,
        sha256=sha256,
        verdict="rejected" if is_rejected(findings) else "passed",
        page=page,
        stencil=_stencil_json(stencil, findings, limits),
        limits=limits,
        findings=_findings_json(findings, recipe),
    )
    return Checked(
        report=report,
        blank_mm=blank_mm,
        stencil=stencil,
        findings=tuple(findings),
        outlines=tuple(outlines),
        page=page,
        ink=ink,
        widths=widths,
        placement=placement,
    )


def _drawn_over(
    bare_ink: Ink, strokes: Sequence[Stroke], placement: Placement, before: Before | None
) -> tuple[Ink, NDArray[np.float64] | None]:
    """Return the ink with the strokes over it, and the boxes (n, 4) in which it is not as before.

    None instead of those where there is no before, or where the field has grown since.
    """
    if before is None:
        return with_strokes(bare_ink, strokes, placement) if strokes else bare_ink, None
    more = strokes[before.strokes :]
    ink = with_strokes(before.ink, more, placement) if more else before.ink
    if ink.f.shape != before.ink.f.shape or ink.origin_px != before.ink.origin_px:
        return ink, None
    return ink, stroke_boxes(ink, more, placement)


def with_lift(checked: Checked, recipe: Recipe, limits: Limits) -> Checked:
    """Return the check with its lift findings, numbered anew; the verdict is never changed."""
    from geometry.lift import find_lift  # loaded only when asked for

    if checked.ink is None:
        return checked
    lifts = find_lift(checked.ink, checked.placement, checked.blank_mm, limits, mode=recipe.mode)
    findings = number([*checked.findings, *lifts], checked.blank_mm)
    report = checked.report | {"findings": _findings_json(findings, recipe)}
    return replace(checked, report=report, findings=tuple(findings))


def _refuse_shapes(count: int) -> None:
    """Raise UnreadableError where nothing is left of the drawing, or it is no drawing but a grain.

    A limit on shapes bounds the time of all that follows.
    """
    if count == 0:
        raise UnreadableError("blank", "The white strokes cover all that is drawn.")
    if count > MOST_SHAPES:
        raise UnreadableError(
            "solid",
            f"This picture falls into {count} separate shapes, more than any stencil holds. "
            "Check that the right file was sent, or scan the drawing again without a pattern.",
        )


def place(ink: Ink, page: Page, recipe: Recipe) -> Placement:
    """Return where the drawing goes on the blank.

    Paper of the blank's size, its edges known: its frame is the blank's. Otherwise the ink's
    bounding box is centred on the blank at true size. The recipe's place, scale and turn come on
    top, about the centre of the ink; only what was drawn on paper counts for it, not the strokes.
    """
    same_frame = page.framed and same_size(page.paper_mm, recipe.blank_size_mm)
    if same_frame and recipe.place_mm is None and recipe.scale == 1 and recipe.turn_deg == 0:
        return Placement()
    boxes = ink.loops.box_px[~ink.loops.is_hole]
    corners = np.array([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)])
    middle = ink.to_mm(corners).mean(axis=0)
    centre: PointMm = (float(middle[0]), float(middle[1]))
    blank_mm = recipe.blank_size_mm
    lands_at = recipe.place_mm or (centre if same_frame else (blank_mm[0] / 2, blank_mm[1] / 2))
    return Placement.about(centre, lands_at, scale=recipe.scale, turn_deg=recipe.turn_deg)


def refuse_coarse(page: Page, limits: Limits) -> None:
    """Raise UnreadableError for a picture with too few pixels for its size."""
    # A picture has whole pixels: 457 of them on 152.4 mm are meant to be 3 per mm.
    if round(page.px_per_mm, 2) < limits.unreadable_px_per_mm:
        few = f"only {page.px_per_mm:.1f}" if page.px_per_mm >= 0.1 else "fewer than 0.1"
        raise UnreadableError(
            "low-resolution",
            f"This picture has {few} dots per mm of paper, too few to measure "
            f"lines; {limits.unreadable_px_per_mm:g} are the least. Scan it at 300 dpi, or "
            "photograph it closer so that the paper fills the picture.",
        )


def _coarse(page: Page, recipe: Recipe, limits: Limits) -> list[Finding]:
    """Return a low-resolution finding where the picture is coarse at the size it is cut."""
    px_per_mm = page.px_per_mm / recipe.scale
    if round(px_per_mm, 2) >= limits.resolution_px_per_mm:
        return []
    width_mm, height_mm = recipe.blank_size_mm
    return [
        Finding(
            kind="low-resolution",
            at_mm=(width_mm / 2, height_mm / 2),
            px_per_mm=px_per_mm,
            limit_px_per_mm=limits.resolution_px_per_mm,
        )
    ]


def _findings_of_ink(
    ink: Ink, placement: Placement, limits: Limits, strokes: Sequence[Stroke]
) -> list[Finding]:
    """Return what was seen while the ink was found: dust and half-covered marks.

    What a stroke lies over is settled by it: white leaves film, black cuts.
    """
    area = placement.scale**2
    found = []
    for speck in ink.specks:
        at_mm = _point(placement, speck.x_mm, speck.y_mm)
        size_mm2 = speck.area_mm2 * area
        found.append(Finding("speck", at_mm, area_mm2=size_mm2, limit_mm2=limits.speck_mm2))
    for x_mm, y_mm, area_mm2 in ink.half_covered:
        at_mm = _point(placement, x_mm, y_mm)
        found.append(Finding("half-covered", at_mm, area_mm2=area_mm2 * area))
    if not (found and strokes):
        return found
    return [one for one in found if not any(_covers(stroke, one.at_mm) for stroke in strokes)]


def _covers(stroke: Stroke, point_mm: PointMm) -> bool:
    """Tell whether a stroke lies over a point of the blank."""
    line = np.array(stroke.points_mm, float)
    after = line[1:] if len(line) > 1 else line
    along = after - line[: len(after)]
    off = np.asarray(point_mm, float) - line[: len(after)]
    share = (along * off).sum(axis=1) / np.maximum((along * along).sum(axis=1), 1e-12)
    away = off - np.clip(share, 0, 1)[:, None] * along
    return bool(np.hypot(*away.T).min() <= stroke.width_mm / 2)


def _point(placement: Placement, x_mm: float, y_mm: float) -> PointMm:
    """Return a point of the paper on the blank."""
    x, y = placement.to_blank([(x_mm, y_mm)])[0]
    return float(x), float(y)


def unreadable(
    error: UnreadableError,
    recipe: Recipe,
    limits: Limits,
    *,
    name: str,
    sha256: str | None = None,
    page: Page | None = None,
) -> Checked:
    """Return the check of a drawing that cannot be read."""
    report = _report(
        name=name, sha256=sha256, verdict="unreadable", limits=limits, error=error, page=page
    )
    return Checked(report=report, blank_mm=recipe.blank_size_mm, page=page)


def _report(
    *,
    name: str,
    sha256: str | None,
    verdict: str,
    limits: Limits,
    error: UnreadableError | None = None,
    page: Page | None = None,
    stencil: dict[str, Any] | None = None,
    findings: list[dict[str, Any]] | None = None,
) -> dict[str, Any]:
    """Return the report as a JSON object, its keys in the documented order."""
    return {
        "schema": SCHEMA,
        "file": name,
        "sha256": sha256,
        "verdict": verdict,
        "error": error and {"code": error.code, "message": error.message},
        "page": page and _page_json(page),
        "stencil": stencil,
        "limits": limits.to_json(),
        "findings": findings or [],
        "seconds": {},
    }


def _page_json(page: Page) -> dict[str, Any]:
    """Return where the paper was found as a JSON object."""
    return {
        "corners_px": [[round(float(value), 2) for value in corner] for corner in page.corners_px],
        "px_per_mm": round(page.px_per_mm, 4),
        "found": page.found,
    }


def _stencil_json(stencil: Stencil, findings: Iterable[Finding], limits: Limits) -> dict[str, Any]:
    """Return the stencil's measures as a JSON object.

    The least widths are those of the findings; null where nothing is narrower than its limit.
    """
    return {
        "blank_mm": list(stencil.blank_mm),
        "openings": len(stencil.openings),
        "outline_mm": round(stencil.outline_mm, 2),
        "opening_area_mm2": round(stencil.opening_area_mm2, 2),
        "min_opening_mm": _least_width(findings, ("line-below-kerf", "thin-line")),
        "min_web_mm": _least_width(findings, ("thin-web", "thin-bridge")),
        "cut_outs": stencil.loose_pieces(limits.cut_out_mm),
    }


def _least_width(findings: Iterable[Finding], kinds: tuple[str, ...]) -> float | None:
    """Return the least width among findings of some kinds, mm, or None."""
    widths = [f.width_mm for f in findings if f.kind in kinds and f.width_mm is not None]
    return round(min(widths), 4) if widths else None


def _findings_json(findings: Iterable[Finding], recipe: Recipe) -> list[dict[str, Any]]:
    """Return the findings as JSON objects; those kept on purpose by the recipe say so."""
    kept = set(recipe.accepted)
    return [
        to_json(finding) | ({"accepted": True} if finding.key in kept else {})
        for finding in findings
    ]


def untimed(_stage: str) -> AbstractContextManager[None]:
    """Time nothing: geometry has no clock of its own."""
    return nullcontext()


def rounded_seconds(timer: Timer) -> dict[str, float]:
    """Return the seconds of each stage that a timer has kept."""
    seconds: dict[str, float] = getattr(timer, "seconds", {})
    return {stage: round(spent, 4) for stage, spent in seconds.items()}
