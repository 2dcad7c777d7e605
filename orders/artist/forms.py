"""What artists fill in."""

from __future__ import annotations

from typing import Any

from django import forms
from django.urls import reverse

from geometry.limits import BLANKS, DEFAULT_BLANK, DEFAULT_FILM_MM
from geometry.units import NAMED_SIZES_MM, describe_size, same_size
from orders.drawings import TITLE_LENGTH, one_line
from orders.models import Film, Order, OrderLine, Person, Version
from orders.models.orders import LARGEST_QUANTITY
from orders.words import counted
from pricing.models import PriceSheet, RushRow
from pricing.money import format_percent

SAME_AS_BLANK = "same"


def _words(size_mm: tuple[float, float]) -> str:
    words = describe_size(size_mm).replace(" x ", " × ")
    in_mm = " × ".join(dict.fromkeys(f"{side:g}" for side in size_mm))
    return words if words.endswith("mm") else f"{words} ({in_mm} mm)"


BLANK_CHOICES = [(code, _words(blank.size_mm)) for code, blank in BLANKS.items()]

# Paper in the picture: every blank's size, and the office papers that are no blank.
PAPERS_MM: dict[str, tuple[float, float]] = {
    **{code: blank.size_mm for code, blank in BLANKS.items()},
    **{name: size for name, size in NAMED_SIZES_MM.items() if name not in BLANKS},
}
_OFFICE = {name: name.upper() if name[0] == "a" else name.capitalize() for name in NAMED_SIZES_MM}


def _paper_words(name: str) -> str:
    words = _words(PAPERS_MM[name])
    return words if name not in _OFFICE or words.startswith("A") else f"{_OFFICE[name]}, {words}"


PAPER_CHOICES = [
    (SAME_AS_BLANK, "The same as the stencil"),
    *((name, _paper_words(name)) for name in PAPERS_MM),
]


def sizes_of(version: Version) -> dict[str, str]:
    """Return the choices of SizeForm that a version was read by."""
    paper_mm = version.recipe.get("paper_mm")
    code = SAME_AS_BLANK
    if paper_mm and not same_size(tuple(paper_mm), version.blank.size_mm):
        known = (name for name, size_mm in PAPERS_MM.items() if same_size(size_mm, tuple(paper_mm)))
        code = next(known, SAME_AS_BLANK)
    return {"blank": version.blank_code, "paper": code}


class SizeForm(forms.Form):
    """How large the stencil is, and the sheet of paper in the picture."""

    blank = forms.ChoiceField(
        label="Size of the stencil", choices=BLANK_CHOICES, initial=DEFAULT_BLANK.code
    )
    paper = forms.ChoiceField(
        label="Paper in the picture",
        choices=PAPER_CHOICES,
        initial=SAME_AS_BLANK,
        help_text="The whole sheet that you drew on.",
    )

    @property
    def paper_mm(self) -> tuple[float, float]:
        """(width, height) of the paper in mm, after validation."""
        chosen = self.cleaned_data["paper"]
        blank: tuple[float, float] = BLANKS[self.cleaned_data["blank"]].size_mm
        return blank if chosen == SAME_AS_BLANK else PAPERS_MM[chosen]


class TitleForm(forms.Form):
    """The name of a drawing."""

    title = forms.CharField(
        label="Name of the drawing",
        max_length=TITLE_LENGTH,
        error_messages={"required": "Give the drawing a name."},
    )

    def clean_title(self) -> str:
        """Keep to one line: the name stands in the subjects of letters."""
        title = one_line(self.cleaned_data["title"])
        if not title:
            raise forms.ValidationError("Give the drawing a name.")
        if len(title) > TITLE_LENGTH:  # composed (NFC), some letters become two
            raise forms.ValidationError(f"A name has up to {TITLE_LENGTH} letters; shorten it.")
        return title


# so many stencils of one line: what every form that asks for them takes
PIECES: dict[str, Any] = {
    "min_value": 1,
    "max_value": LARGEST_QUANTITY,
    "initial": 1,
    "error_messages": {
        "required": "Say how many.",
        "invalid": "Write a whole number from 1 to 999.",
        "min_value": "One is the fewest that can be cut.",
        "max_value": "999 is the most in one line.",
    },
}


class LineForm(forms.ModelForm):
    """So many of one version on one film; ids carry the prefix, so that focus survives a swap."""

    quantity = forms.IntegerField(
        label="How many",
        **PIECES,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
    )
    with_cut_outs = forms.BooleanField(label="Send me the cut-outs too", required=False)

    class Meta:
        model = OrderLine
        fields = ("quantity", "film", "with_cut_outs")

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        blank_code = self.instance.version.blank_code
        active = Film.objects.filter(is_active=True)
        fitting = [film for film in active if film.takes(blank_code)]
        films: Any = self.fields["film"]
        films.queryset = Film.objects.filter(pk__in=[film.pk for film in fitting])
        films.empty_label = None
        if not self.instance.pk:
            self.initial["film"] = usual_film(fitting)
        if self.instance.version.mode == "mask" or not self.instance.version.cut_outs:
            # A mask's pieces are the product; where nothing falls out there is nothing to send.
            del self.fields["with_cut_outs"]


class QuoteLineForm(LineForm):
    """A line of a quote to be changed: another number, film or version, or taken out."""

    take_out = forms.BooleanField(label="Take it out", required=False)

    class Meta:
        model = OrderLine
        fields = ("quantity", "version", "film", "with_cut_outs")

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        version = self.instance.version
        drawn = version.design.versions.filter(
            status__in=(Version.Status.PASSED, Version.Status.REJECTED),
            proposal=Version.Proposal.NONE,
        )
        choices: Any = self.fields["version"]
        choices.queryset = Version.objects.filter(
            pk__in=[version.pk, *drawn.values_list("pk", flat=True)]
        ).defer("report", "limits")
        choices.empty_label = None
        choices.label_from_instance = version_words
        # a film that fits another version's size may be chosen along with it
        films: Any = self.fields["film"]
        films.queryset = Film.objects.filter(is_active=True)
        if self.instance.shelf_offer_id:
            # another artist's drawing: it comes as it is offered, its other versions are not shown
            del self.fields["version"]

    def clean(self) -> dict[str, Any]:
        """The film must take the size, whichever version was chosen."""
        data = super().clean() or self.cleaned_data
        film, version = data.get("film"), data.get("version")
        if "version" not in self.fields:
            version = self.instance.version
        if film and version and not film.takes(version.blank_code):
            self.add_error("film", f"{film} does not come as {version.blank.name}; choose another.")
        return data


class RushForm(forms.Form):
    """How soon the order is wanted, as the price sheet offers it; no choices, no field."""

    rush_days = forms.TypedChoiceField(
        label="How soon", required=False, coerce=int, empty_value=None
    )

    def __init__(self, *args: Any, sheet: PriceSheet, **options: Any) -> None:
        super().__init__(*args, **options)
        offered = sheet.rush_prices.all()
        if not offered:
            del self.fields["rush_days"]
            return
        choices: Any = self.fields["rush_days"]
        choices.choices = [("", "In the usual time"), *(_rush_choice(row) for row in offered)]


def _rush_choice(row: RushRow) -> tuple[int, str]:
    within = f"Within {counted(row.within_days, 'working day')}"
    return row.within_days, f"{within}, {format_percent(row.percent)} more"


def version_words(version: Version) -> str:
    """Name a version in a list: its number, size and kind, and whether it holds."""
    kind = ", as a mask" if version.mode == "mask" else ""
    size = version.blank.name.replace(" x ", " × ")
    holds = "" if version.status == Version.Status.PASSED else ", does not hold yet"
    return f"version {version.number}, {size}{kind}{holds}"


def usual_film(films: list[Film]) -> Film | None:
    """Return the film of the usual thickness, as sheets where there are any, else the first."""
    usual = [film for film in films if abs(float(film.thickness_mm) - DEFAULT_FILM_MM) < 0.001]
    sheets = [film for film in usual if film.form == Film.Form.SHEET]
    return next(iter(sheets or usual or films), None)


ALL_SHELF = "I know that I order stencils to paint with; the drawings stay their artists’."
SOME_SHELF = (
    "My own drawings are mine, or I have a licence to have them cut; those from the shelf stay "
    "their artists’."
)
# a letter that greets by a web address would carry it to anybody's letter box
ADDRESS_SIGNS = ("://", "www.")
REQUIRED_FOR_POST = ("ship_line1", "ship_city", "ship_postcode", "ship_country")


class CheckoutForm(forms.ModelForm):
    """Who orders, where to, and that the drawings are theirs."""

    email = forms.EmailField(
        label="Your email address",
        max_length=254,
        help_text="The quote and each step of the order come here.",
        widget=forms.EmailInput(attrs={"autocomplete": "email"}),
        error_messages={
            "required": "Write your email address.",
            "invalid": "That is not an email address; it looks like name@harbour.example.",
        },
    )
    field_order = ("email", "delivery")
    rights = forms.BooleanField(
        label="The drawings are mine, or I have a licence to have them cut.",
        error_messages={"required": "Confirm this before anything is cut."},
    )

    class Meta:
        model = Order
        fields = (
            "delivery",
            "ship_name",
            "ship_line1",
            "ship_line2",
            "ship_postcode",
            "ship_city",
            "ship_region",
            "ship_country",
            "note",
        )
        labels = {
            "delivery": "How it comes to you",
            "ship_name": "Name",
            "ship_line1": "Street and number",
            "ship_line2": "Flat or building",
            "ship_postcode": "Postcode",
            "ship_city": "Town",
            "ship_region": "State or county",
            "ship_country": "Country",
            "note": "A note to the workshop",
        }
        widgets = {
            "delivery": forms.RadioSelect,
            "note": forms.Textarea(attrs={"rows": 3}),
            **{
                field: forms.TextInput(attrs={"autocomplete": f"shipping {hint}"})
                for field, hint in (
                    ("ship_name", "name"),
                    ("ship_line1", "address-line1"),
                    ("ship_line2", "address-line2"),
                    ("ship_postcode", "postal-code"),
                    ("ship_city", "address-level2"),
                    ("ship_region", "address-level1"),
                    ("ship_country", "country-name"),
                )
            },
        }

    def __init__(self, *args: Any, person: Person | None = None, **options: Any) -> None:
        super().__init__(*args, **options)
        self.person = person
        lines = self.instance.lines.all() if self.instance.pk else []
        of_shelf = [bool(line.shelf_offer_id) for line in lines]
        if any(of_shelf):
            self.fields["rights"].label = ALL_SHELF if all(of_shelf) else SOME_SHELF
        # the postage follows the country, where it is sent by zones
        self.fields["ship_country"].widget.attrs |= {
            "hx-post": reverse("basket-change"),
            "hx-target": "#basket-lines",
            "hx-swap": "outerHTML",
            "hx-params": "ship_country,csrfmiddlewaretoken",
            "hx-trigger": "change",
        }
        self.fields["ship_name"].required = True
        self.fields["ship_name"].error_messages["required"] = "Write the name for the parcel."
        if person is not None:
            del self.fields["email"]

    def clean_email(self) -> str:
        """Addresses are kept in small letters."""
        return str(self.cleaned_data["email"]).strip().lower()

    @property
    def mailed_to(self) -> str:
        """Where the quote goes, after validation."""
        return self.person.email if self.person else str(self.cleaned_data["email"])

    def refuse_workshop(self) -> None:
        """Refuse the workshop's own addresses: their orders are entered signed in.

        Apart from validation, since it tells which addresses are the workshop's: count first.
        """
        named = Person.objects.filter(email=self.mailed_to, is_workshop=True)
        if self.person is None and named.exists():
            self.add_error("email", "That is an address of the workshop; use your own.")

    def clean(self) -> dict[str, Any]:
        """An address is needed only for what goes by post."""
        data = super().clean() or self.cleaned_data
        for field in [name for name in data if name.startswith("ship_")]:
            data[field] = one_line(data[field])  # the name stands in letters to any address
        if any(sign in data.get("ship_name", "").lower() for sign in ADDRESS_SIGNS):
            self.add_error("ship_name", "That looks like a web address; write the name alone.")
        if data.get("delivery") == Order.Delivery.POST:
            for field in REQUIRED_FOR_POST:
                if field not in self.errors and not data.get(field):
                    label = str(self.fields[field].label).lower()
                    self.add_error(field, f"Write the {label}, so that the parcel arrives.")
        return data
