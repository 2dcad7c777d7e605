"""The proof of a stored version: its stencil, its findings and where its film lifts, in words."""

from __future__ import annotations

from django.utils import timezone

from geometry.stencil import Stencil
from orders.models import Closer, Version
from orders.round_trip import address_of

from .proof import Printed, render


def proof_of(version: Version, *, paper: str, workshop_name: str = "") -> bytes:
    """Return a version's proof as a PDF. Raises RefusedError for a paper that is not known."""
    with version.stencil.open("rb") as stored:
        stencil = Stencil.from_bytes(stored.read())
    closer = Closer.objects.filter(version=version, status=Closer.Status.DONE).first()
    made = timezone.localtime(version.created_at)
    printed = Printed(
        title=version.design.title,
        version_words=f"version {version.number} of {made:%a} {made.day} {made:%b %Y}",
        blank=version.blank,
        stencil=stencil,
        findings=[*version.findings, *(closer.findings if closer else [])],
        address=address_of(version),
        workshop_name=workshop_name,
    )
    return render(printed, paper=paper)
