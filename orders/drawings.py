"""Take in drawings and make their versions. What is stored never changes afterwards."""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Callable, Sequence
from typing import Any

from django.core.files import File
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import UploadedFile
from django.db import IntegrityError, transaction
from django.db.models import Max

from geometry.errors import RecipeError
from geometry.limits import BLANKS
from geometry.recipe import Recipe
from geometry.units import same_size

from . import tasks, workflow
from .errors import NotNowError, RefusedError
from .models import Design, Event, Job, Person, Upload, Version, limits_of_shop
from .models.designs import upload_path
from .workflow import Actor

LARGEST_UPLOAD_BYTES = 60 * 1000 * 1000
TITLE_LENGTH = 80
JOINERS = "\u200c\u200d"  # unseen, but Persian words and joined signs are spelt with them


def receive_drawing(
    file: UploadedFile,
    *,
    visitor: str,
    owner: Person | None,
    blank_code: str,
    paper_mm: tuple[float, float] | None,
    mode: str = "stencil",
    sent_from: str = "",
    sending: str = "",
) -> Version:
    """Store an uploaded file untouched as a new drawing and have it looked at.

    ``sending`` is a random name made with the form: the same file sent again under it, because
    the answer got lost, gives the drawing of the first time, to whichever visitor sends it.
    Raises RefusedError with one sentence when the file is empty or too large; nothing is stored.
    """
    _check_size(file)
    recipe = _recipe(blank_code, paper_mm, mode)

    def add(upload: Upload) -> Version:
        upload.design = Design.objects.create(
            title=title_from(file.name or ""), visitor=visitor, owner=owner, sent_from=sent_from
        )
        upload.save()
        return _add_version(upload.design, upload, recipe, blank_code, origin, owner)

    origin = Version.Origin.UPLOAD
    version = _store_once(file, _sending_key(sending, recipe, blank_code), add)
    if owner is None and version.design.visitor != visitor:
        # the first answer got lost together with the session that it brought
        Design.objects.filter(pk=version.design_id, owner=None).update(visitor=visitor)
    return version


def receive_mended(
    design: Design, file: UploadedFile, *, base: Version, by: Person | None, sending: str = ""
) -> Version:
    """Store a mended drawing as the next version, read in the same way as ``base``.

    What was told about the picture itself (corners, ink level, strokes) belongs to the old file
    and is not carried over.
    """
    _check_size(file)
    paper = Recipe.from_json(base.recipe).paper_mm
    recipe = _recipe(base.blank_code, paper, base.mode)

    def add(upload: Upload) -> Version:
        upload.design = design
        upload.save()
        return _add_version(design, upload, recipe, base.blank_code, Version.Origin.MENDED, by)

    return _store_once(file, _sending_key(sending, recipe, f"{design.pk} {base.pk}"), add)


def as_mode(version: Version, mode: str, *, by: Person | None) -> Version:
    """Return the version of the same file meant as a mask (or stencil), made when there is none."""
    recipe = {**version.recipe, "mode": mode}
    recipe.pop("accepted", None)
    origin = Version.Origin.MASK if mode == "mask" else Version.Origin.STENCIL
    return _same_file(version, Recipe.from_json(recipe), version.blank_code, origin, by)


def with_strokes(version: Version, strokes: list[dict[str, Any]], *, by: Person | None) -> Version:
    """Make the next version: the same file, with these strokes in place of the version's own."""
    recipe = {**version.recipe, "strokes": strokes}
    return _add_version(
        version.design,
        version.upload,
        _parsed(recipe),
        version.blank_code,
        Version.Origin.PENS,
        by,
    )


def at_size(
    version: Version,
    blank_code: str,
    paper_mm: tuple[float, float] | None,
    *,
    by: Person | None,
    scale: float = 1.0,
) -> Version:
    """Return the version of the same file read at another paper or blank size."""
    if blank_code not in BLANKS:
        raise RefusedError("Choose one of the sizes in the list.")
    recipe: dict[str, Any] = {
        **version.recipe,
        "blank_mm": list(BLANKS[blank_code].size_mm),
        "scale": scale,
    }
    recipe.pop("place_mm", None)
    if paper_mm is not None:
        recipe["paper_mm"] = list(paper_mm)
    return _same_file(version, _parsed(recipe), blank_code, Version.Origin.SIZE, by)


def read_anew(version: Version, recipe: Recipe, blank_code: str, *, by: Person | None) -> Version:
    """Make the next version of the same file, straightened and placed by another recipe."""
    return _next(version, recipe, blank_code, Version.Origin.STRAIGHT, by)


def go_back(version: Version, *, by: Person | None) -> Version:
    """Make a version the latest again: a next one of the same file and recipe."""
    if version.proposal in (Version.Proposal.OFFERED, Version.Proposal.REFUSED):
        raise NotNowError("That is the workshop’s proposal, which was not taken, so it stays.")
    recipe = Recipe.from_json(version.recipe)
    return _next(version, recipe, version.blank_code, Version.Origin.BACK, by)


def mended_here(version: Version, recipe: Recipe, *, by: Person | None) -> Version:
    """Return the version of the same file with mends in its recipe, made when there is none."""
    return _same_file(version, recipe, version.blank_code, Version.Origin.HERE, by)


def propose_version(
    job: Job, actor: Actor, changes: dict[str, Any], *, reason: str, seen: int | None = None
) -> Version:
    """Make the workshop's version of a job's drawing and offer it to the artist.

    ``changes`` are recipe keys (scale, turn_deg, place_mm, ink_level, strokes).
    """
    if not reason.strip():
        raise RefusedError("Say why, in a sentence; the artist reads it.")
    base = job.version
    recipe = _parsed({**base.recipe, **changes})
    if recipe == Recipe.from_json(base.recipe):
        raise RefusedError("Nothing differs from the artist's version. Change something first.")
    with transaction.atomic():
        version = _add_version(
            base.design,
            base.upload,
            recipe,
            base.blank_code,
            Version.Origin.PROPOSAL,
            actor.person,
            proposal=Version.Proposal.OFFERED,
            proposal_reason=reason.strip(),
            proposed_for=job,
        )
        workflow.propose(job, version, actor, seen=seen)
    return version


def copy_at_size(version: Version, blank_code: str, *, owner: Design, by: Person | None) -> Version:
    """Return the first version of a new drawing: the same file at another size of blank.

    ``owner`` is the drawing whose visitor and owner the new one gets. The drawing is made larger
    or smaller with its blank, by the side that fits; place and strokes go with it. The old one
    stays as it is. The same copy is made once.
    """
    if blank_code not in BLANKS:
        raise RefusedError("Choose one of the sizes in the list.")
    if blank_code == version.blank_code:
        raise RefusedError("It has that size already. Choose another one.")
    recipe = _parsed(resized(version, BLANKS[blank_code].size_mm))
    with transaction.atomic():
        Design.objects.select_for_update().get(pk=version.design_id)
        known = Design.objects.filter(made_from=version, removed_at=None, owner=owner.owner)
        if owner.owner is None:  # one made before the drawing was handed over is not its owner's
            known = known.filter(visitor=owner.visitor)
        for design in known.order_by("id"):
            first = design.versions.filter(number=1, blank_code=blank_code).first()
            if first is not None:
                return first
        name = BLANKS[blank_code].name
        title = owner.title[: TITLE_LENGTH - len(name) - 4].rstrip()
        design = Design.objects.create(
            title=f"{title} at {name}",
            visitor=owner.visitor,
            owner=owner.owner,
            sent_from=owner.sent_from,
            made_from=version,
        )
        upload = _store_again(design, version.upload)
        return _add_version(design, upload, recipe, blank_code, Version.Origin.SIZE, by)


def resized(version: Version, blank_mm: tuple[float, float]) -> dict[str, Any]:
    """Return a version's recipe for a blank of another size, everything in proportion.

    Lengths grow by the ratio of the sides, the smaller one where they differ; what was in the
    middle of the blank stays there. Findings that were accepted are asked about again.
    """
    recipe = Recipe.from_json(version.recipe)
    old_mm = recipe.blank_size_mm
    ratio = min(blank_mm[0] / old_mm[0], blank_mm[1] / old_mm[1])

    def moved(point: Sequence[float]) -> list[float]:
        return [
            round(new / 2 + (at - old / 2) * ratio, 3)
            for at, old, new in zip(point, old_mm, blank_mm, strict=True)
        ]

    changed: dict[str, Any] = {**version.recipe, "blank_mm": list(blank_mm)}
    changed.pop("accepted", None)
    changed["scale"] = recipe.scale * ratio
    changed["place_mm"] = moved(recipe.place_mm or _middle_of_drawing(version, recipe))
    if recipe.strokes:
        changed["strokes"] = [
            {
                **stroke.to_json(),
                "points_mm": [moved(point) for point in stroke.points_mm],
                "width_mm": stroke.width_mm * ratio,
            }
            for stroke in recipe.strokes
        ]
    return changed


def _middle_of_drawing(version: Version, recipe: Recipe) -> tuple[float, float]:
    """Return where the middle of what was drawn lies on the blank, mm.

    On paper of another size than the blank the check centres it. On paper of the blank's own size
    it lies where it was drawn: the middle of the openings, strokes left out, as the check has it.
    """
    from .checking import stencil_of

    width_mm, height_mm = recipe.blank_size_mm
    middle = (width_mm / 2, height_mm / 2)
    page = (version.report or {}).get("page") or {}
    if not same_size(recipe.paper_size_mm, recipe.blank_size_mm) or page.get("found") == "dpi":
        return middle
    same_file = version.design.versions.filter(upload=version.upload, blank_code=version.blank_code)
    moved = {"strokes", "place_mm", "turn_deg", "scale"}
    bare = (other for other in same_file if other.stencil and not moved & set(other.recipe))
    drawn = next(bare, version)
    try:
        openings = stencil_of(drawn).openings
    except (FileNotFoundError, ValueError):
        return middle
    if not openings:
        return middle
    bounds = [opening.bounds for opening in openings]
    left, top = min(b[0] for b in bounds), min(b[1] for b in bounds)
    right, bottom = max(b[2] for b in bounds), max(b[3] for b in bounds)
    return (left + right) / 2, (top + bottom) / 2


def _store_again(design: Design, upload: Upload) -> Upload:
    """Store the same file once more: each drawing owns its files and is erased alone."""
    again = Upload(
        design=design, name=upload.name, sha256=upload.sha256, size_bytes=upload.size_bytes
    )
    with upload.file.open("rb") as stored:
        again.file.save("upload", File(stored), save=False)
    again.save()
    return again


def title_from(file_name: str) -> str:
    """Return a readable title from a file name, whatever was in it."""
    name = one_line(file_name.replace("\\", "/").split("/")[-1])
    name = re.sub(r"\.[A-Za-z0-9]{1,5}$", "", name)
    name = re.sub(r"[_\s]+", " ", name).strip(" .-")
    return name[:TITLE_LENGTH] or "Untitled drawing"


def one_line(text: str) -> str:
    """Return a text without signs that break a line or cannot be seen, blanks single."""
    text = unicodedata.normalize("NFC", text)
    plain = "".join(
        c if unicodedata.category(c)[0] not in "CZ" or c in JOINERS else " " for c in text
    )
    return " ".join(plain.split())


def _check_size(file: UploadedFile) -> None:
    if not file.size:
        raise RefusedError("That file is empty. Choose the picture again, or take a new one.")
    if file.size > LARGEST_UPLOAD_BYTES:
        raise RefusedError(
            f"That file is {file.size / 1e6:.0f} MB, and 60 MB is the most that is taken. "
            "Save it as JPEG, or scan at 300 dpi."
        )


def _recipe(blank_code: str, paper_mm: tuple[float, float] | None, mode: str) -> Recipe:
    if blank_code not in BLANKS:
        raise RefusedError("Choose one of the sizes in the list.")
    return Recipe(mode=mode, paper_mm=paper_mm, blank_mm=BLANKS[blank_code].size_mm)


def _parsed(recipe: dict[str, Any]) -> Recipe:
    try:
        return Recipe.from_json(recipe)
    except RecipeError as error:
        raise RefusedError(str(error)) from error


def _sending_key(sending: str, recipe: Recipe, where: str) -> str:
    """Return what a sending is known again by, "" for one without a name."""
    return f"{sending}\n{where}\n{json.dumps(recipe.to_json())}" if sending else ""


def _store_once(file: UploadedFile, key: str, add: Callable[[Upload], Version]) -> Version:
    """Store a file and have ``add`` make its rows; a sending known by its key and file is not new.

    The file is stored before the transaction, which would hold up every other writer, and taken
    away again when that fails; orders/orphans.py sees to a process that dies in between.
    """
    digest = hashlib.sha256()
    for chunk in file.chunks():
        digest.update(chunk)
    file.seek(0)
    sha256 = digest.hexdigest()
    sending = hashlib.sha256(f"{key}\n{sha256}".encode()).hexdigest() if key else None
    known = _sent_before(sending)
    if known is not None:
        return known
    upload = Upload(
        name=_shown_name(file.name or ""),
        sha256=sha256,
        size_bytes=file.size or 0,
        sending=sending,
    )
    upload.file.name = upload_path(upload, "")
    try:
        upload.file.name = default_storage.save(str(upload.file.name), file)
        with transaction.atomic():
            return add(upload)
    except BaseException as error:
        default_storage.delete(str(upload.file.name))  # half of it where the disk is full
        known = _sent_before(sending) if isinstance(error, IntegrityError) else None
        if known is None:
            raise
        return known  # the same press at the same moment was first


def _sent_before(sending: str | None) -> Version | None:
    if sending is None:
        return None
    versions = Version.objects.select_related("design")
    return versions.filter(upload__sending=sending).order_by("pk").first()


def _shown_name(file_name: str) -> str:
    name = file_name.replace("\\", "/").split("/")[-1]
    name = "".join(c for c in name if unicodedata.category(c)[0] != "C")
    return name[:200] or "drawing"


def _same_file(
    version: Version, recipe: Recipe, blank_code: str, origin: str, by: Person | None
) -> Version:
    wanted = recipe.to_json()
    with transaction.atomic():
        Design.objects.select_for_update().get(pk=version.design_id)
        for other in version.design.versions.filter(
            upload=version.upload, proposal="", blank_code=blank_code
        ):
            if Recipe.from_json(other.recipe).to_json() == wanted:
                return other
        return _add_version(version.design, version.upload, recipe, blank_code, origin, by)


def _next(
    version: Version, recipe: Recipe, blank_code: str, origin: str, by: Person | None
) -> Version:
    """Add a version, unless the latest is just that: then a press was repeated."""
    wanted = (version.upload_id, blank_code, recipe.to_json())
    with transaction.atomic():
        Design.objects.select_for_update().get(pk=version.design_id)
        latest = version.design.latest
        there = Recipe.from_json(latest.recipe).to_json()
        if (latest.upload_id, latest.blank_code, there) == wanted and not latest.proposal:
            return latest
        return _add_version(version.design, version.upload, recipe, blank_code, origin, by)


def _add_version(
    design: Design,
    upload: Upload,
    recipe: Recipe,
    blank_code: str,
    origin: str,
    by: Person | None,
    **extra: Any,
) -> Version:
    with transaction.atomic():
        Design.objects.select_for_update().get(pk=design.pk)
        last = design.versions.aggregate(last=Max("number"))["last"] or 0
        version = Version.objects.create(
            design=design,
            upload=upload,
            number=last + 1,
            recipe=recipe.to_json(),
            blank_code=blank_code,
            limits=limits_of_shop(blank_code).to_json(),
            origin=origin,
            made_by=by,
            **extra,
        )
        role = Event.Role.WORKSHOP if origin == Version.Origin.PROPOSAL else Event.Role.ARTIST
        workflow.record("version", "make", Actor(role, by), status=version.status, version=version)
        tasks.nudge(version.pk)
    return version
