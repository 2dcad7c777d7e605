"""What a reader types to find and keep a drawing of their own."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlencode

from django import forms
from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery

from geometry.limits import BLANKS
from orders.models import Design, Job, Version

from .forms import BLANK_CHOICES, TitleForm


class NoteForm(TitleForm, forms.ModelForm):
    """A drawing's name, and a note that only its artist reads."""

    note = forms.CharField(
        label="A note to yourself",
        required=False,
        max_length=2000,
        help_text="Only you read it; the workshop does not.",
        widget=forms.Textarea(attrs={"rows": 3}),
    )

    class Meta:
        model = Design
        fields = ("title", "note")


ABOUT_STATES: dict[str, tuple[str, Q]] = {
    "": ("all of them", Q()),
    "holds": ("will hold", Q(latest_status="passed")),
    "mend": ("to be mended", Q(latest_status="rejected")),
    "ordered": ("ordered before", Q(is_ordered=True)),
    "new": ("never ordered", Q(is_ordered=False)),
    "noted": ("with a note", ~Q(note="")),
}


@dataclass(frozen=True)
class Found:
    """What the address of the list asks for; unknown values fall back to all of them."""

    search: str
    state: str
    blank: str

    @property
    def is_any(self) -> bool:
        """Whether anything narrows the list."""
        return bool(self.search or self.state or self.blank)

    def narrow(self, designs: QuerySet[Design]) -> QuerySet[Design]:
        """Return the drawings that are asked for, the newest first."""
        if self.search:
            found = Q(title__icontains=self.search) | Q(note__icontains=self.search)
            designs = designs.filter(found)
        latest = Version.objects.filter(design=OuterRef("pk")).order_by("-number")
        # only what is asked for: each of these looks into another table for every drawing
        if self.state in ("holds", "mend"):
            designs = designs.annotate(latest_status=Subquery(latest.values("status")[:1]))
        if self.state in ("ordered", "new"):
            jobs = Job.objects.filter(version__design=OuterRef("pk"))
            designs = designs.annotate(is_ordered=Exists(jobs))
        designs = designs.filter(ABOUT_STATES[self.state][1])
        if not self.blank:
            return designs
        blank = Subquery(latest.values("blank_code")[:1])
        return designs.alias(latest_blank=blank).filter(latest_blank=self.blank)

    def query(self, **changed: str) -> str:
        """Return the address's query with some of this changed."""
        values = {"q": self.search, "state": self.state, "blank": self.blank} | changed
        kept = {key: value for key, value in values.items() if value}
        return f"?{urlencode(kept)}" if kept else ""


class FindForm(forms.Form):
    """Search and filters of one's own drawings."""

    q = forms.CharField(label="Name or note", required=False, max_length=80)
    state = forms.ChoiceField(
        label="Show",
        required=False,
        choices=[(code, words) for code, (words, _) in ABOUT_STATES.items()],
    )
    blank = forms.ChoiceField(
        label="Size", required=False, choices=[("", "any size"), *BLANK_CHOICES]
    )

    def choice(self) -> Found:
        """Return what is asked for, whatever stands in the address."""
        get = self.data.get
        state, blank = get("state", ""), get("blank", "")
        return Found(
            search=str(get("q", "")).strip()[:80],
            state=state if state in ABOUT_STATES else "",
            blank=blank if blank in BLANKS else "",
        )
