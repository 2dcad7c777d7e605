"""What the cutter types: each form's fields are the arguments of the function it leads to."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms
from django.core.validators import MaxValueValidator, MinValueValidator

from geometry.limits import BLANKS
from orders.codes import new_token
from orders.models import Film, Job, Packaging, Piece, Workshop

LARGEST_COUNT = 999


class SeenForm(forms.Form):
    """``seen`` is the revision of the job or sheet on the page where the button was pressed."""

    seen = forms.IntegerField(required=False, widget=forms.HiddenInput)


class ReasonForm(SeenForm):
    why = forms.CharField(
        label="Reason",
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": "Write a reason; it stays in the job's history."},
    )


class QueueForm(SeenForm):
    """Into the queue; ``unpaid`` is the cutter's word that it may wait for its money."""

    unpaid = forms.BooleanField(required=False, widget=forms.HiddenInput)
    why = forms.CharField(label="Why it is queued unpaid", max_length=300, required=False)


class CountForm(SeenForm):
    """Pieces cut well and spoiled since the last count."""

    good = forms.IntegerField(
        label="cut well, pieces", min_value=0, max_value=LARGEST_COUNT, initial=0
    )
    spoiled = forms.IntegerField(
        label="spoiled, pieces", min_value=0, max_value=LARGEST_COUNT, initial=0
    )
    why = forms.ChoiceField(
        label="What spoiled them",
        required=False,
        choices=[("", "nothing was spoiled"), *Piece.Reason.choices],
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("spoiled") and not data.get("why"):
            self.add_error("why", "Say what spoiled the pieces.")
        if data.get("why"):
            data["why"] = "spoiled: " + Piece.Reason(data["why"]).label
        return data


class FoundSpoiledForm(SeenForm):
    """Pieces counted as good that turn out spoiled: they are to be cut again."""

    pieces = forms.IntegerField(label="spoiled, pieces", min_value=1, max_value=LARGEST_COUNT)
    reason = forms.ChoiceField(label="What spoiled them", choices=Piece.Reason.choices)


class PackForm(SeenForm):
    """The cut-outs in the bag, or what became of declined ones."""

    cut_outs_bagged = forms.IntegerField(
        label="Cut-outs in the bag, pieces", required=False, min_value=0, max_value=99999
    )
    # the number that was asked about, and is meant when it comes again
    sure = forms.IntegerField(required=False, widget=forms.HiddenInput)
    fate = forms.ChoiceField(
        label="The cut-outs that the artist declined are",
        required=False,
        widget=forms.RadioSelect,
        choices=[
            (Job.Fate.RECYCLED.value, "recycled"),
            (Job.Fate.KEPT.value, "kept by the workshop"),
        ],
    )


class PackPartForm(PackForm):
    """Some of a job's pieces, packed ahead of the rest."""

    pieces = forms.IntegerField(label="Pieces to pack now", min_value=1, max_value=LARGEST_COUNT)


class OverrideForm(forms.Form):
    key = forms.CharField(max_length=80)
    why = forms.CharField(
        max_length=1000,
        error_messages={"required": "Write a reason; it stays with the drawing."},
    )


class PhotoForm(forms.Form):
    photo = forms.FileField(
        label="Photo of a cut piece",
        help_text="JPEG, PNG, WebP or HEIC up to 30 MB. Place and camera data are left out.",
        widget=forms.ClearableFileInput(attrs={"accept": "image/*,.heic"}),
        error_messages={"required": "Choose a photo first, or take one."},
    )
    # new on every page, so that pressing twice adds one photo
    press = forms.CharField(
        max_length=40, required=False, widget=forms.HiddenInput, initial=new_token
    )


class ShipForm(forms.Form):
    """One parcel: which jobs, and who carries it."""

    carrier = forms.CharField(label="Carried by", max_length=60, required=False)
    tracking = forms.CharField(label="Tracking number", max_length=80, required=False)
    packaging = forms.ModelChoiceField(
        Packaging.objects.filter(is_active=True), label="Packaging", required=False
    )
    weight_g = forms.DecimalField(
        label="Weight on the scale, g",
        required=False,
        min_value=Decimal("0.1"),
        max_value=Decimal(100000),
        max_digits=8,
        decimal_places=1,
    )


class TrackingForm(forms.Form):
    """Carrier and number of a parcel that left, put in or put right later."""

    carrier = forms.CharField(label="Carried by", max_length=60)
    tracking = forms.CharField(label="Tracking number", max_length=80, required=False)


class PackagingForm(forms.ModelForm):
    class Meta:
        model = Packaging
        fields = ("name", "weight_g", "is_active")
        labels = {"name": "Name", "weight_g": "Weight empty, g", "is_active": "In use"}


class PieceResultForm(forms.Form):
    result = forms.ChoiceField(
        required=False, choices=[(value, value) for value in Piece.Result.values if value]
    )
    why = forms.ChoiceField(required=False, choices=[("", ""), *Piece.Reason.choices])


class FilmForm(forms.ModelForm):
    """One film in stock. Lengths in mm."""

    class Meta:
        model = Film
        fields = (
            "name",
            "thickness_mm",
            "form",
            "sheet_width_mm",
            "sheet_height_mm",
            "blank_code",
            "edge_mm",
            "gap_mm",
            "kerf_mm",
            "cut_mm_per_s",
            "data_sheet_note",
            "is_active",
        )
        labels = {
            "name": "Name",
            "thickness_mm": "Thickness, mm",
            "form": "Comes as",
            "sheet_width_mm": "Sheet width, mm",
            "sheet_height_mm": "Sheet height, mm",
            "blank_code": "Blanks cut to",
            "edge_mm": "Kept free at the sheet's edge, mm",
            "gap_mm": "Gap between blanks, mm",
            "kerf_mm": "Kerf, mm",
            "cut_mm_per_s": "Cutting speed, mm/s",
            "data_sheet_note": "What the maker's data sheet says",
            "is_active": "Artists can order it",
        }
        help_texts = {
            "thickness_mm": "5 mil is 0.127 mm, 7.5 mil 0.1905 mm, 10 mil 0.254 mm.",
            "edge_mm": "0 lets blanks share the sheet's own edge.",
            "gap_mm": "0 lets two blanks share one cut.",
            "kerf_mm": "Width the beam removes. Cut files are drawn with it already taken.",
            "cut_mm_per_s": "Empty: as fast as the laser usually cuts.",
            "data_sheet_note": "Laser cutting allowed? Which fumes? Nothing is cut without it.",
            "blank_code": "Only for blanks cut to size.",
        }
        widgets = {"data_sheet_note": forms.Textarea(attrs={"rows": 3})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        sizes = [(blank.code, blank.name) for blank in BLANKS.values()]
        self.fields["blank_code"] = forms.ChoiceField(
            label=self.fields["blank_code"].label,
            help_text=self.fields["blank_code"].help_text,
            required=False,
            choices=[("", "—"), *sizes],
        )
        for name, least, most in (
            ("thickness_mm", 0.01, 2),
            ("sheet_width_mm", 10, 3000),
            ("sheet_height_mm", 10, 3000),
            ("edge_mm", 0, 200),
            ("gap_mm", 0, 200),
            ("kerf_mm", 0, 2),
            ("cut_mm_per_s", 0.1, 1000),
        ):
            field = self.fields[name]
            if isinstance(field, forms.FloatField | forms.DecimalField):
                field.validators += [MinValueValidator(least), MaxValueValidator(most)]
                field.widget.attrs |= {"min": least, "max": most, "step": "any"}
                if self.initial.get(name) is not None:
                    self.initial[name] = f"{float(self.initial[name]):.7g}"


NUMBERS = (
    "machine_hours_per_week",
    "pay_within_days",
    "paid_before_queue_percent",
    "shelf_share_percent",
)


class WorkshopForm(forms.ModelForm):
    class Meta:
        model = Workshop
        fields = (
            "name",
            "email",
            "address",
            "country",
            "collect_note",
            "machine_hours_per_week",
            "tax_number",
            "pay_to",
            "pay_within_days",
            "paid_before_queue_percent",
            "hold_unpaid",
            "shelf_share_percent",
        )
        labels = {
            "machine_hours_per_week": "Hours that the laser runs in a week",
            "tax_number": "Tax number",
            "pay_to": "How artists pay",
            "pay_within_days": "Invoices are due within, days",
            "paid_before_queue_percent": "Paid before a job is queued, percent",
            "hold_unpaid": "Hold unpaid jobs back until I say otherwise, with a reason",
            "shelf_share_percent": "An artist’s share of what is sold from the shelf, percent",
            "name": "Name",
            "email": "Email address",
            "address": "Address",
            "country": "Country you post from",
            "collect_note": "When artists can collect",
        }
        help_texts = {
            "name": "As artists read it in mails and on the packing slip.",
            "email": "New orders and answers are mailed here.",
            "address": "The sender on slips and labels.",
            "country": "A parcel to another country gets a line for customs.",
            "tax_number": "Printed on invoices.",
            "pay_to": "Printed on invoices: bank account, or the address of your own payment page.",
            "paid_before_queue_percent": "100 is all of it, less is a deposit, 0 asks for nothing.",
            "hold_unpaid": "Without it an unpaid job can be queued; that is written down.",
            "shelf_share_percent": "Of the stencil’s price without tax. Drawings that are on the "
            "shelf keep the share their artists agreed to.",
            "machine_hours_per_week": "Lead times in quotes grow with what waits for it.",
            "collect_note": "For example: Tuesday to Friday, 10 to 17, round the back.",
        }
        widgets = {
            "address": forms.Textarea(attrs={"rows": 4}),
            "pay_to": forms.Textarea(attrs={"rows": 3}),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.stored = {name: getattr(self.instance, name) for name in NUMBERS}
        for name in NUMBERS:
            self.fields[name].required = False

    def clean(self) -> dict[str, Any]:
        """A number left empty stays what it was."""
        data = super().clean() or self.cleaned_data
        for name in NUMBERS:
            if name not in self.errors and data.get(name) is None:
                data[name] = self.stored[name]
        return data
