"""The pens: strokes on a version that is no new version yet, kept as they are drawn.

A browser sends operations, each with the id of its stroke and a running number `seq`. An operation
counts where its number is higher than that of what is known of the stroke, so a repeat or a late
arrival changes nothing, and two windows that draw on one version both keep all their strokes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from django.db import transaction
from django.db.models import F
from django.utils import timezone

from geometry.errors import RecipeError, UnreadableError
from geometry.recipe import Stroke

from . import drawings
from .errors import NotNowError, RefusedError, StaleError
from .models import Design, Person, Version, Working
from .prepared import prepared_for

if TYPE_CHECKING:
    from geometry.bridges import Proposal
    from geometry.check import Checked

MOST_STROKES = 300
MOST_POINTS = 500
MOST_OPERATIONS = 500
MOST_DROPPED = 2000
LARGEST_BODY_BYTES = 1_000_000
LARGE_MM2 = 45_000.0  # 8 x 8 in has 41,290
STYLES = ("usual", "fewer", "more")
_TRIES = 60
_ID = re.compile(r"[A-Za-z0-9-]{1,40}")

NOT_READ = "The strokes could not be read. Load the page again; what is kept stays."
TOO_MANY = f"{MOST_STROKES} strokes are the most. Take some away, or save and go on from there."


@dataclass(frozen=True)
class Operation:
    """One change: `stroke` put in place of the one of its id, or None for taking it away."""

    id: str
    seq: int
    stroke: Stroke | None = None
    is_to_snap: bool = False


@dataclass(frozen=True)
class Merged:
    """The working strokes after a batch. refused: {id, seq, why}; unsnapped: ids left as drawn."""

    working: Working
    refused: list[dict[str, Any]] = field(default_factory=list)
    unsnapped: list[str] = field(default_factory=list)


def read_operations(body: bytes) -> tuple[list[Operation], list[dict[str, Any]]]:
    """Return the operations of a request's body, and those refused one by one with the reason.

    Raises RefusedError where the body as a whole is no list of operations.
    """
    data = _read_json(body)
    given = data.get("ops", [])
    if not isinstance(given, list) or len(given) > MOST_OPERATIONS:
        raise RefusedError(NOT_READ)
    operations, refused = [], []
    for one in given:
        try:
            operations.append(_operation(one))
        except RecipeError as error:
            refused.append({"id": str(one["stroke"]["id"]), "seq": one["seq"], "why": str(error)})
    return operations, refused


def working_of(version: Version) -> Working:
    """Return what is drawn on a version; the version's own strokes where nothing is (no row)."""
    known = Working.objects.filter(version=version).first()
    return known or Working(version=version, strokes=own_strokes(version))


def own_strokes(version: Version, seq: int = 0) -> list[dict[str, Any]]:
    """Return the strokes of a version's recipe as working strokes: ids r1, r2, ..."""
    strokes = version.recipe.get("strokes", [])
    return [{**stroke, "id": f"r{at}", "seq": seq} for at, stroke in enumerate(strokes, 1)]


def plain(strokes: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return working strokes as a recipe holds them."""
    return [{key: one[key] for key in ("pen", "points_mm", "width_mm", "from")} for one in strokes]


def unkept(version: Version) -> int:
    """Return how many strokes were drawn, changed or taken away since the version was made."""
    working = Working.objects.filter(version=version).first()
    if working is None:
        return 0
    own = dict(zip(_ids(own_strokes(version)), plain(own_strokes(version)), strict=True))
    now = dict(zip(_ids(working.strokes), plain(working.strokes), strict=True))
    return sum(own.get(key) != now.get(key) for key in own.keys() | now.keys())


def draw(version: Version, operations: Sequence[Operation]) -> Merged:
    """Take operations into the working strokes of a version. Raises NotNowError."""
    must_be_drawable(version)
    operations, unsnapped = _snapped(version, operations)
    for _ in range(_TRIES):
        working = _row(version)
        strokes, dropped, refused = _applied(working, operations)
        if strokes == working.strokes and dropped == working.dropped:
            return Merged(working, refused, unsnapped)
        if _write(working, strokes=strokes, dropped=dropped):
            working.strokes, working.dropped = strokes, dropped
            working.revision += 1
            return Merged(working, refused, unsnapped)
    raise NotNowError("Too many windows draw on this at once. It is tried again by itself.")


def save(version: Version, revision: int, *, by: Person | None) -> Version:
    """Make the next version of the working strokes, once however often it is asked for."""
    must_be_drawable(version)
    with transaction.atomic():
        Design.objects.select_for_update().get(pk=version.design_id)
        working = working_of(version)
        if working.saved is not None and working.saved_revision == revision:
            return working.saved
        if not unkept(version):
            raise RefusedError("Nothing is drawn yet that is not kept already.")
        if working.revision != revision:
            raise StaleError(
                "Strokes were drawn in another window meanwhile. They are shown now: "
                "look at them, and save again."
            )
        made = drawings.with_strokes(version, plain(working.strokes), by=by)
        if not _empty(working, version, saved=made, saved_revision=revision):
            raise StaleError("A stroke came in at this moment. Look at it, and save again.")
    return made


def discard(version: Version) -> None:
    """Take away what was drawn on a version since it was made."""
    for _ in range(_TRIES):
        working = working_of(version)
        if working.pk is None or _empty(working, version):
            return


def look(version: Version, strokes: Sequence[dict[str, Any]], *, uneven: bool = True) -> Checked:
    """Return the re-check of a version with working strokes. Raises geometry's UnreadableError.

    uneven=False leaves the notes of uneven lines for a later look;
    on a large blank also the flaps, which only warn: the verdict is right at once.
    """
    from geometry.recheck import recheck

    prepared = prepared_for(version)
    accepted = version.recipe.get("accepted", ())
    drawn = tuple(Stroke.from_json(stroke) for stroke in plain(strokes))
    name = version.upload.name
    width_mm, height_mm = version.blank.size_mm
    flaps = uneven or width_mm * height_mm <= LARGE_MM2
    return recheck(prepared, drawn, accepted=accepted, flaps=flaps, uneven=uneven, name=name)


def propose(version: Version, strokes: Sequence[dict[str, Any]], body: bytes) -> Proposal:
    """Return bridges for a version with working strokes. body: {"style", "locked": [strokes]}.

    Raises RefusedError for a body that cannot be read or a drawing with nothing left.
    """
    from geometry.bridges import Site

    data = _read_json(body) if body else {}
    style, locked = data.get("style", "usual"), data.get("locked", [])
    if style not in STYLES or not isinstance(locked, list) or len(locked) > MOST_STROKES:
        raise RefusedError(NOT_READ)
    try:
        kept = [Stroke.from_json({"pen": "white", **dict(one)}) for one in locked]
    except (RecipeError, TypeError, ValueError) as error:
        raise RefusedError(NOT_READ) from error
    sites = [Site(one.points_mm[0], one.points_mm[-1], one.width_mm) for one in kept]
    return bridges_for(version, strokes, style=style, locked=sites)


def bridges_for(
    version: Version, strokes: Sequence[dict[str, Any]], *, style: str = "usual", locked: Any = ()
) -> Proposal:
    """Return the bridges that geometry proposes for a version with strokes. Raises RefusedError."""
    from geometry.bridges import propose_bridges

    drawn = tuple(Stroke.from_json(stroke) for stroke in plain(strokes))
    try:
        prepared = prepared_for(version)
        return propose_bridges(prepared, drawn, locked=locked, style=style)
    except UnreadableError as error:
        raise RefusedError(error.message) from error


def must_be_drawable(version: Version) -> None:
    """Raise NotNowError for a version that no stroke can be drawn on."""
    if version.proposal:
        raise NotNowError("This version is the workshop’s proposal. Draw on one of your own.")
    if version.status not in (Version.Status.PASSED, Version.Status.REJECTED):
        raise NotNowError("The pens are ready once this drawing has been looked at.")


def _read_json(body: bytes) -> dict[str, Any]:
    if len(body) > LARGEST_BODY_BYTES:
        raise RefusedError(NOT_READ)
    try:
        data = json.loads(body)
    except (ValueError, RecursionError) as error:
        raise RefusedError(NOT_READ) from error
    if not isinstance(data, dict):
        raise RefusedError(NOT_READ)
    return data


def _operation(data: Any) -> Operation:
    """Return one operation. Raises RefusedError for none, RecipeError for a wrong stroke."""
    if not isinstance(data, dict) or data.get("op") not in ("put", "drop"):
        raise RefusedError(NOT_READ)
    stroke = data.get("stroke") if data["op"] == "put" else data
    if not isinstance(stroke, dict):
        raise RefusedError(NOT_READ)
    number, seq = stroke.get("id"), data.get("seq")
    if not isinstance(number, str) or not _ID.fullmatch(number):
        raise RefusedError(NOT_READ)
    if type(seq) is not int or not 0 < seq < 2**53:
        raise RefusedError(NOT_READ)
    if data["op"] == "drop":
        return Operation(number, seq)
    known = ("pen", "points_mm", "width_mm", "from")
    read = Stroke.from_json({key: stroke[key] for key in known if key in stroke})
    if len(read.points_mm) > MOST_POINTS:
        raise RecipeError(f"A stroke has up to {MOST_POINTS} points; draw it in parts.")
    return Operation(number, seq, _rounded(read), data.get("snap") is True)


def _rounded(stroke: Stroke) -> Stroke:
    """Return a stroke to a thousandth of a mm."""
    points = tuple((round(x, 3), round(y, 3)) for x, y in stroke.points_mm)
    return replace(stroke, points_mm=points, width_mm=max(round(stroke.width_mm, 3), 0.001))


def _snapped(
    version: Version, operations: Sequence[Operation]
) -> tuple[list[Operation], list[str]]:
    """Return the operations with strokes to snap laid square, and the ids of those left as drawn.

    Without a picture to look at they stay as drawn: keeping them matters more.
    """
    done, unsnapped = [], []
    for one in operations:
        if one.stroke is None or not one.is_to_snap:
            done.append(one)
            continue
        from geometry.snapping import snap_stroke

        working = working_of(version)
        if one.seq <= _seq_of(working.strokes, working.dropped).get(one.id, 0):
            done.append(one)  # a repeat, which changes nothing
            continue
        others = [stroke for stroke in working.strokes if stroke["id"] != one.id]
        beside = [Stroke.from_json(stroke) for stroke in plain(others)]
        beside += [other.stroke for other in done if other.stroke and other.id != one.id]
        try:
            snapped = snap_stroke(prepared_for(version), one.stroke, beside)
        except UnreadableError:
            snapped = None
        if snapped is None:
            unsnapped.append(one.id)
        done.append(replace(one, stroke=_rounded(snapped or one.stroke)))
    return done, unsnapped


def _applied(
    working: Working, operations: Sequence[Operation]
) -> tuple[list[dict[str, Any]], dict[str, int], list[dict[str, Any]]]:
    """Return strokes, dropped ones and refusals after the operations; the row is not changed."""
    strokes, dropped = list(working.strokes), dict(working.dropped)
    refused: list[dict[str, Any]] = []
    for one in operations:
        if one.seq <= _seq_of(strokes, dropped).get(one.id, 0):
            continue
        at = next((at for at, known in enumerate(strokes) if known["id"] == one.id), None)
        if one.stroke is None:
            if at is not None:
                strokes.pop(at)
            dropped[one.id] = one.seq
        elif at is None and len(strokes) >= MOST_STROKES:
            refused.append({"id": one.id, "seq": one.seq, "why": TOO_MANY})
        else:
            row = {**one.stroke.to_json(), "id": one.id, "seq": one.seq}
            dropped.pop(one.id, None)
            if at is None:
                strokes.append(row)
            else:
                strokes[at] = row
    newest = sorted(dropped.items(), key=lambda item: item[1])[-MOST_DROPPED:]
    return strokes, dict(newest), refused


def _seq_of(strokes: Sequence[dict[str, Any]], dropped: dict[str, int]) -> dict[str, int]:
    return dropped | {stroke["id"]: int(stroke["seq"]) for stroke in strokes}


def _ids(strokes: Sequence[dict[str, Any]]) -> list[str]:
    return [str(stroke["id"]) for stroke in strokes]


def _row(version: Version) -> Working:
    return Working.objects.get_or_create(
        version=version, defaults={"strokes": own_strokes(version)}
    )[0]


def _write(working: Working, **values: Any) -> bool:
    """Write a row unless another process has written it since it was read."""
    rows = Working.objects.filter(pk=working.pk, revision=working.revision)
    values |= {"revision": F("revision") + 1, "updated_at": timezone.now()}
    return bool(rows.update(**values))


def _empty(working: Working, version: Version, **values: Any) -> bool:
    """Put the version's own strokes in place of what was drawn; late repeats bring none back."""
    seqs = _seq_of(working.strokes, working.dropped)
    top = max([*seqs.values(), 0])
    own = own_strokes(version, top)
    dropped = {key: seq for key, seq in seqs.items() if key not in _ids(own)}
    return _write(working, strokes=own, dropped=dropped, **values)
