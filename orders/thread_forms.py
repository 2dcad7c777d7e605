"""What is typed into a thread, on either side, and where it goes."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpRequest

from . import messages
from .codes import new_token
from .models import Job, Message, Order
from .order_rows import read_jobs
from .workflow import Actor

WHOLE_ORDER = "The whole order"


class MessageForm(forms.Form):
    """A message, perhaps about one job, with a pin on its drawing and a picture."""

    press = forms.CharField(required=False, max_length=40, widget=forms.HiddenInput)
    text = forms.CharField(
        label="Your message",
        required=False,
        strip=False,
        widget=forms.Textarea(attrs={"rows": 3, "maxlength": messages.MOST_SIGNS}),
    )
    about = forms.ChoiceField(label="About", required=False)
    x_mm = forms.FloatField(
        label="Pin from the left, mm",
        required=False,
        error_messages={"invalid": "Write the pin’s place as a number of mm, for example 40.5."},
        widget=forms.NumberInput(attrs={"step": "any", "inputmode": "decimal"}),
    )
    y_mm = forms.FloatField(
        label="Pin from the top, mm",
        required=False,
        error_messages={"invalid": "Write the pin’s place as a number of mm, for example 40.5."},
        widget=forms.NumberInput(attrs={"step": "any", "inputmode": "decimal"}),
    )
    picture = forms.FileField(
        label="A picture",
        required=False,
        help_text="JPEG, PNG, WebP or HEIC up to 30 MB. Place and camera data are left out.",
        widget=forms.ClearableFileInput(attrs={"accept": "image/*,.heic"}),
    )

    def __init__(self, *args: Any, jobs: list[Job], about: str = "", **options: Any) -> None:
        options.setdefault("auto_id", "talk-%s")
        options.setdefault("initial", {"press": new_token(), "about": about})
        super().__init__(*args, **options)
        self.jobs = {job.code: job for job in jobs}
        choice = self.fields["about"]
        if isinstance(choice, forms.ChoiceField):
            choice.choices = [
                ("", WHOLE_ORDER),
                *((job.code, f"{job.version.design.title} ({job.code})") for job in jobs),
            ]

    def clean(self) -> dict[str, Any]:
        """A pin has two figures and a drawing; with one drawing in the order it is that one."""
        data = super().clean() or self.cleaned_data
        x_mm, y_mm = data.get("x_mm"), data.get("y_mm")
        if (x_mm is None) != (y_mm is None) and not {"x_mm", "y_mm"} & set(self.errors):
            self.add_error("x_mm", "A pin needs both figures: from the left and from the top.")
        if x_mm is not None and not data.get("about") and len(self.jobs) == 1:
            data["about"] = next(iter(self.jobs))
        return data

    def send(self, order: Order, actor: Actor) -> Message:
        """Write the message. Raises RefusedError with a sentence."""
        data = self.cleaned_data
        x_mm, y_mm = data.get("x_mm"), data.get("y_mm")
        return messages.write(
            order,
            actor,
            data["text"],
            press=data["press"],
            job=self.jobs.get(data["about"]),
            pin=None if x_mm is None or y_mm is None else messages.Pin(x_mm, y_mm),
            picture=data["picture"],
        )


def form_for(order: Order, request: HttpRequest | None = None, *, about: str = "") -> MessageForm:
    """Return the form of an order's thread, filled in with what a request brings."""
    jobs = read_jobs(order)
    if request is None:
        return MessageForm(jobs=jobs, about=about)
    return MessageForm(request.POST, request.FILES, jobs=jobs)
