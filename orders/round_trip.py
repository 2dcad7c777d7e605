"""Round trip over paper: a printed proof, mended by hand, comes back as the drawing's next version.

The worker reads the code below the printed blank. What it says is only ever compared with the
form of this site's own addresses, and then with what the uploader may change; anything else is
ignored, and the picture stays what it was put in as.
"""

from __future__ import annotations

import logging
import re
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.db import transaction
from django.db.models import Max
from django.urls import reverse

from geometry.recipe import Recipe

from . import workflow
from .files import local_path
from .models import Design, Event, RoundTrip, Version
from .workflow import Actor

if TYPE_CHECKING:
    from geometry.check import Checked
    from geometry.stencil import Stencil

logger = logging.getLogger(__name__)

# The host is not looked at: a site may move, and nothing is fetched from it.
_PRINTED = re.compile(
    r"https?://[A-Za-z0-9.:\[\]-]{1,255}/drawing/(?P<token>[A-Za-z0-9_-]{10,40})/"
    r"\?v=(?P<number>[0-9]{1,5})"
)


def address_of(version: Version) -> str:
    """Return the address that a proof's code holds: the drawing's page at this version."""
    path = reverse("drawing", args=[version.design.token])
    return f"{str(settings.PUBLIC_ADDRESS).rstrip('/')}{path}?v={version.number}"


def named_by(text: str) -> tuple[str, int] | None:
    """Return (token, version number) that a code's text names, None for any other text."""
    found = _PRINTED.fullmatch(text)
    return (found["token"], int(found["number"])) if found else None


def printed_version(version: Version, checked: Checked) -> Version | None:
    """Return the version whose printed proof this picture shows, if its uploader may change it."""
    page = checked.page
    if page is None or page.sheet is None or not _may_come_back(version):
        return None
    text = _code_in(version, checked)
    named = named_by(text) if text else None
    if named is None:
        return None
    printed = (
        Version.objects.select_related("design")
        .filter(design__token=named[0], design__removed_at=None, number=named[1])
        .first()
    )
    if printed is None or not printed.stencil or printed.blank_code != page.sheet.code:
        return None
    return printed if _may_change(version.design, printed.design) else None


def take_back(version: Version, attempt: int, printed: Version) -> Version | None:
    """Make a version that is being checked the next one of the drawing it was printed from.

    It is read as the printed version was: same blank, same mode; what was told about the old
    picture is not carried over. The drawing under which it was put in is gone afterwards, and its
    address leads on. Returns None, and changes nothing, where the check was lost to another or the
    drawing has been used otherwise meanwhile.
    """
    first = version.design
    with transaction.atomic():
        # both in one order, so that two checks never wait for each other
        ids = sorted({first.pk, printed.design_id})
        locked = list(Design.objects.select_for_update().filter(pk__in=ids).order_by("pk"))
        moves = first.pk != printed.design_id
        if len(locked) != len(ids) or (moves and first.versions.count() != 1):
            return None
        changed: dict[str, Any] = {
            "origin": Version.Origin.PROOF,
            "blank_code": printed.blank_code,
            "limits": printed.limits,
            "recipe": _recipe_of(printed).to_json(),
        }
        if moves:
            last = printed.design.versions.aggregate(last=Max("number"))["last"] or 0
            changed |= {"design": printed.design_id, "number": last + 1}
        checking = Version.objects.filter(
            pk=version.pk, status=Version.Status.CHECKING, attempt=attempt
        )
        if not checking.update(**changed):
            return None
        RoundTrip.objects.get_or_create(
            version_id=version.pk,
            defaults={"printed": printed, "first_token": first.token if moves else ""},
        )
        back = Version.objects.select_related("upload", "design").get(pk=version.pk)
        if moves:
            back.upload.design = printed.design
            back.upload.save(update_fields=["design"])
            first.delete()
        actor = Actor(Event.Role.ARTIST, version.made_by)
        workflow.record("version", "came back", actor, status=back.status, version=back)
    return back


def note_changes(version: Version, stencil: Stencil | None) -> None:
    """Store what changed on paper between the printed version and what came back."""
    from geometry.changes import find_changes

    from .checking import stencil_of

    trip = RoundTrip.objects.select_related("printed").get(version=version)
    try:
        if stencil is not None:
            trip.changes = find_changes(stencil_of(trip.printed), stencil).to_json()
            trip.save(update_fields=["changes"])
    except (OSError, ValueError):
        # the verdict matters more than the comparison
        logger.exception("no comparison of %s with its print", version)


def _recipe_of(printed: Version) -> Recipe:
    size_mm = printed.blank.size_mm
    return Recipe(mode=printed.mode, paper_mm=size_mm, blank_mm=size_mm)


def _may_come_back(version: Version) -> bool:
    """Whether a version was put in as a picture of its own, or as a mended drawing."""
    return version.origin in (Version.Origin.UPLOAD, Version.Origin.MENDED)


def _may_change(uploaded: Design, printed: Design) -> bool:
    """Whether who put the one in may change the other: one artist, or one browser.

    A picture put in on the page of a drawing stays with it, whatever the paper says.
    """
    if uploaded.pk == printed.pk:
        return True
    if uploaded.versions.exclude(origin=Version.Origin.UPLOAD).exists():
        return False
    same_browser = bool(uploaded.visitor) and uploaded.visitor == printed.visitor
    same_artist = uploaded.owner_id is not None and uploaded.owner_id == printed.owner_id
    return same_browser or same_artist


def _code_in(version: Version, checked: Checked) -> str | None:
    """Return what the code below the printed blank says."""
    from geometry.errors import UnreadableError
    from geometry.picture import read_picture
    from geometry.printed_code import read_printed_code

    if checked.page is None or checked.page.sheet is None:
        return None
    try:
        with local_path(version.upload) as path:
            picture = read_picture(path)
    except UnreadableError:
        return None
    corners = picture.from_displayed(checked.page.corners_px)
    return read_printed_code(picture.grey, corners, checked.page.sheet)
