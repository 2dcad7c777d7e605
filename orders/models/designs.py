"""Drawings: what was uploaded, how it is read, and what the check said."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.utils import timezone

from geometry.limits import BLANKS, Blank
from orders.codes import new_token

from .people import Person


def upload_path(upload: Upload, filename: str) -> str:
    """Uploads lie under a random name; the artist's file name is only ever text in a row."""
    return f"uploads/{new_token()}"


class Design(models.Model):
    """One drawing of an artist, in all its versions."""

    token = models.CharField(max_length=40, unique=True, default=new_token)
    title = models.CharField(max_length=120)
    visitor = models.CharField(max_length=40, blank=True, db_index=True)
    # the mark of the network address it came from (limits.py), for turns among those who wait
    sent_from = models.CharField(max_length=24, blank=True, db_index=True)
    owner = models.ForeignKey(
        Person, null=True, blank=True, on_delete=models.PROTECT, related_name="designs"
    )
    created_at = models.DateTimeField(default=timezone.now)
    # Taken away by its artist; erased a day later. Until then it can be brought back.
    removed_at = models.DateTimeField(null=True, blank=True)
    # An order needs it until then, so it is erased later; looked at anew on that day.
    kept_until = models.DateField(null=True, blank=True)
    # Its files are gone for good; a row stays only where an order's record names it.
    erased_at = models.DateTimeField(null=True, blank=True)
    # The artist's own; the workshop does not read it.
    note = models.TextField(blank=True, max_length=2000)
    # The version of another drawing that this one repeats at another size.
    made_from = models.ForeignKey(
        "orders.Version", null=True, blank=True, on_delete=models.SET_NULL, related_name="copies"
    )

    class Meta:
        ordering = ("-created_at", "-id")

    def __str__(self) -> str:
        return self.title

    @property
    def latest(self) -> Version:
        return self.versions.order_by("-number")[:1].get()


class Upload(models.Model):
    """A file as it came, stored untouched."""

    design = models.ForeignKey(Design, on_delete=models.CASCADE, related_name="uploads")
    file = models.FileField(upload_to=upload_path, max_length=120)
    name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    size_bytes = models.BigIntegerField()
    # Made with the form: the same sending twice, its answer lost, is one upload.
    sending = models.CharField(max_length=64, null=True, unique=True)
    created_at = models.DateTimeField(default=timezone.now)

    def __str__(self) -> str:
        return self.name


class Version(models.Model):
    """An uploaded file plus a recipe; neither ever changes. The check fills in the rest."""

    class Status(models.TextChoices):
        WAITING = "waiting", "waiting to be looked at"
        CHECKING = "checking", "being looked at"
        PASSED = "passed", "will hold"
        REJECTED = "rejected", "needs mending"
        UNREADABLE = "unreadable", "could not be read"

    class Origin(models.TextChoices):
        UPLOAD = "upload", "first drawing"
        MENDED = "mended", "mended drawing"
        PENS = "pens", "mended with the pens"
        MASK = "mask", "as a mask"
        STENCIL = "stencil", "as a stencil"
        SIZE = "size", "read again at another size"
        STRAIGHT = "straight", "straightened and placed"
        BACK = "back", "gone back to"
        HERE = "here", "mended here"
        PROPOSAL = "proposal", "the workshop's proposal"
        PROOF = "proof", "mended on paper"

    class Proposal(models.TextChoices):
        NONE = "", "not a proposal"
        OFFERED = "offered", "waiting for the artist"
        ACCEPTED = "accepted", "accepted"
        REFUSED = "refused", "refused"

    design = models.ForeignKey(Design, on_delete=models.CASCADE, related_name="versions")
    upload = models.ForeignKey(Upload, on_delete=models.PROTECT, related_name="versions")
    number = models.PositiveIntegerField()
    recipe = models.JSONField()
    blank_code = models.CharField(max_length=20)
    limits = models.JSONField()
    origin = models.CharField(max_length=10, choices=Origin.choices, default=Origin.UPLOAD)
    made_by = models.ForeignKey(Person, null=True, blank=True, on_delete=models.PROTECT)
    created_at = models.DateTimeField(default=timezone.now)

    proposal = models.CharField(max_length=10, choices=Proposal.choices, blank=True)
    proposal_reason = models.TextField(blank=True)
    proposed_for = models.ForeignKey(
        "orders.Job", null=True, blank=True, on_delete=models.PROTECT, related_name="proposals"
    )

    status = models.CharField(
        max_length=12, choices=Status.choices, default=Status.WAITING, db_index=True
    )
    attempt = models.PositiveIntegerField(default=0)
    lease_until = models.DateTimeField(null=True, blank=True)
    nudged_at = models.DateTimeField(default=timezone.now)
    step = models.CharField(max_length=20, blank=True)
    checked_at = models.DateTimeField(null=True, blank=True)
    report = models.JSONField(null=True, blank=True)
    film_picture = models.FileField(blank=True, max_length=120)
    drawing_picture = models.FileField(blank=True, max_length=120)
    stencil = models.FileField(blank=True, max_length=120)

    class Meta:
        ordering = ("number",)
        constraints = (
            models.UniqueConstraint(fields=("design", "number"), name="version_number_once"),
        )

    def __str__(self) -> str:
        return f"{self.design.title}, version {self.number}"

    @property
    def mode(self) -> str:
        return str(self.recipe.get("mode", "stencil"))

    @property
    def blank(self) -> Blank:
        return BLANKS[self.blank_code]

    @property
    def is_settled(self) -> bool:
        return self.status not in (self.Status.WAITING, self.Status.CHECKING)

    @property
    def findings(self) -> list[dict[str, Any]]:
        return list((self.report or {}).get("findings", []))

    @property
    def unsettled_rejects(self) -> list[dict[str, Any]]:
        """Findings that reject and that the cutter has not overridden."""
        overridden = {override.finding_key for override in self.overrides.all()}
        return [
            finding
            for finding in self.findings
            if finding["severity"] == "reject" and finding["key"] not in overridden
        ]

    @property
    def may_be_cut(self) -> bool:
        """Whether the file may go to the laser: it passed, or every reject is overridden."""
        if self.proposal in (self.Proposal.OFFERED, self.Proposal.REFUSED):
            return False
        if self.status == self.Status.PASSED:
            return True
        return self.status == self.Status.REJECTED and not self.unsettled_rejects

    @property
    def cut_outs(self) -> int:
        """Cut-outs of one piece that are large enough to count."""
        return int(((self.report or {}).get("stencil") or {}).get("cut_outs", 0))


class Override(models.Model):
    """A finding that the cutter takes upon herself, with the reason kept beside it."""

    version = models.ForeignKey(Version, on_delete=models.CASCADE, related_name="overrides")
    finding_key = models.CharField(max_length=80)
    kind = models.CharField(max_length=40)
    reason = models.TextField()
    by = models.ForeignKey(Person, on_delete=models.PROTECT)
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = (
            models.UniqueConstraint(fields=("version", "finding_key"), name="override_once"),
        )

    def __str__(self) -> str:
        return f"{self.kind} overridden: {self.reason}"
