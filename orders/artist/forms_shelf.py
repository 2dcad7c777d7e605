"""What is filled in at the shelf: an order of one design, a consent, where a share is sent."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms

from orders.artist.forms import PIECES, usual_film
from orders.drawings import one_line
from orders.models import Film, Version
from orders.templatetags.holdfast import size_words

PAY_HELP = "For example the number of your bank account, or “I collect it”. Never a card number."


class ShelfForm(forms.Form):
    """So many of one size of a design, on one film."""

    size = forms.TypedChoiceField(
        label="Size",
        coerce=int,
        widget=forms.RadioSelect,
        error_messages={
            "required": "Choose a size.",
            "invalid_choice": "That size is not offered any more; choose another.",
        },
    )
    quantity = forms.IntegerField(
        label="How many",
        **PIECES,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
    )
    film = forms.ModelChoiceField(
        Film.objects.none(),
        label="Film",
        empty_label=None,
        error_messages={"required": "Choose a film."},
    )
    with_cut_outs = forms.BooleanField(label="Send me the cut-outs too", required=False)

    def __init__(self, *args: Any, versions: list[Version], **options: Any) -> None:
        options.setdefault("initial", {"with_cut_outs": True})
        super().__init__(*args, **options)
        self.versions = {version.pk: version for version in versions}
        size: Any = self.fields["size"]
        size.choices = [(version.pk, size_choice(version)) for version in versions]
        size.initial = versions[0].pk if versions else None
        active = list(Film.objects.filter(is_active=True))
        fitting = [f for f in active if any(f.takes(v.blank_code) for v in versions)]
        film: Any = self.fields["film"]
        film.queryset = Film.objects.filter(pk__in=[f.pk for f in fitting])
        every = [f for f in fitting if all(f.takes(v.blank_code) for v in versions)]
        film.initial = usual_film(every or fitting)

    @property
    def version(self) -> Version:
        """The version that was chosen, after validation."""
        return self.versions[self.cleaned_data["size"]]

    def clean(self) -> dict[str, Any]:
        """The film must take the size."""
        data = super().clean() or self.cleaned_data
        film, size = data.get("film"), data.get("size")
        if film and size and not film.takes(self.versions[size].blank_code):
            words = size_words(self.versions[size].blank)
            self.add_error("film", f"{film} does not come as {words}; choose another film.")
        return data


class PayeeForm(forms.Form):
    """Who is paid, and how it reaches them."""

    payee_name = forms.CharField(
        label="Your name, for the payment",
        max_length=120,
        help_text="Only the workshop reads it.",
        widget=forms.TextInput(attrs={"autocomplete": "name"}),
        error_messages={"required": "Write the name that the payment is made out to."},
    )
    pay_to = forms.CharField(
        label="How your share reaches you",
        max_length=300,
        help_text=PAY_HELP,
        error_messages={"required": "Say how your share reaches you."},
    )

    def clean_payee_name(self) -> str:
        return one_line(self.cleaned_data["payee_name"])

    def clean_pay_to(self) -> str:
        return one_line(self.cleaned_data["pay_to"])


class OfferForm(PayeeForm):
    """A consent: which sizes, under which name, and the tick."""

    sizes = forms.TypedMultipleChoiceField(
        coerce=int,
        error_messages={
            "required": "Tick at least one size.",
            "invalid_choice": "One of those sizes cannot be offered any more; look again.",
        },
    )
    shown_name = forms.CharField(
        label="The name that buyers read",
        max_length=80,
        help_text="Your own, or one that you sign with. Your address is never shown.",
        error_messages={"required": "Write the name that buyers read."},
    )
    percent = forms.DecimalField(max_digits=5, decimal_places=2, widget=forms.HiddenInput)
    agree = forms.BooleanField(
        label="I have read this and agree to it.",
        error_messages={"required": "Tick this to put the drawing on the shelf."},
    )
    field_order = ("sizes", "shown_name", "payee_name", "pay_to", "percent", "agree")

    def __init__(
        self, *args: Any, versions: list[Version], share_percent: Decimal, **options: Any
    ) -> None:
        super().__init__(*args, **options)
        self.versions = {version.pk: version for version in versions}
        sizes: Any = self.fields["sizes"]
        sizes.choices = [(version.pk, size_choice(version)) for version in versions]
        self.fields["percent"].initial = share_percent

    def clean_shown_name(self) -> str:
        """Keep to one line that says something."""
        name = one_line(self.cleaned_data["shown_name"])
        if not name:
            raise forms.ValidationError("Write the name that buyers read.")
        return name

    @property
    def chosen(self) -> list[Version]:
        """The versions that were ticked, in the order in which they were shown."""
        ticked = set(self.cleaned_data["sizes"])
        return [version for pk, version in self.versions.items() if pk in ticked]


def size_choice(version: Version) -> str:
    """Name a size in a list, and that it is a mask where it is one."""
    return size_words(version.blank) + (", as a mask" if version.mode == "mask" else "")
