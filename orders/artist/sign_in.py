"""Signing in by a code sent by mail: allauth's own machinery behind pages of ours.

Nobody learns here whether an address is known: both cases show the same page with the same words,
and an unknown address gets no mail. The workshop signs in elsewhere, by password; its addresses
are treated like unknown ones, so that a mailbox alone never opens the bench.
"""

from __future__ import annotations

from typing import Any

from allauth.account.forms import ConfirmLoginCodeForm, RequestLoginCodeForm
from allauth.account.views import ConfirmLoginCodeView, RequestLoginCodeView
from django import forms
from django.contrib.auth import logout
from django.contrib.auth.signals import user_logged_in
from django.dispatch import receiver
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from orders import access
from orders.models import Person

WRONG_CODE = "That is not the code in the mail. Look again; after three tries a new one is needed."


class AddressForm(RequestLoginCodeForm):
    """The address that the code is sent to."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        field = self.fields["email"]
        field.label = "Your email address"
        field.help_text = "The one that you ordered with."
        field.widget.attrs = {"autocomplete": "email"}
        field.error_messages |= {
            "required": "Write your email address.",
            "invalid": "That is not an email address; it looks like name@harbour.example.",
        }

    def clean_email(self) -> str:
        """Look the address up; a workshop's address counts as unknown here."""
        email = str(super().clean_email())
        person = getattr(self, "_user", None)
        if isinstance(person, Person) and person.is_workshop:
            self._user = None
        return email


class CodeForm(ConfirmLoginCodeForm):
    """The code from the mail."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        field = self.fields["code"]
        field.label = "The code in the mail"
        field.widget.attrs = {
            "autocomplete": "one-time-code",
            "autocapitalize": "characters",
            "spellcheck": "false",
        }
        field.error_messages["required"] = "Write the code from the mail."

    def clean_code(self) -> str:
        """Compare with the code that was sent."""
        try:
            return str(super().clean_code())
        except forms.ValidationError:
            raise forms.ValidationError(WRONG_CODE) from None


class AskView(RequestLoginCodeView):
    """Ask for the address."""

    template_name = "account/sign_in.html"

    def get_form_class(self) -> type[AddressForm]:
        return AddressForm

    def _redirect_to_pending_stage(self, request: HttpRequest, stage: Any) -> None:
        """Let a mistyped address be written again; by default only the code page would open."""


class ConfirmView(ConfirmLoginCodeView):
    """Ask for the code."""

    template_name = "account/sign_in_code.html"

    def get_form_class(self) -> Any:
        resend = self._action == "resend"
        return super().get_form_class() if resend else CodeForm


ask = AskView.as_view()
confirm = ConfirmView.as_view()


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    """Sign out; nothing is deleted."""
    logout(request)
    return redirect("landing")


@receiver(user_logged_in)
def _hand_over(sender: Any, request: HttpRequest, user: Any, **more: Any) -> None:
    """What this browser put in before signing in becomes the person's own."""
    if isinstance(user, Person) and not user.is_workshop:
        access.adopt(request, user)
