"""Signing in by a code sent by mail: allauth's own machinery behind pages of ours.

Nobody learns here whether an address is known: both cases show the same page with the same words,
and an unknown address gets no mail. The workshop signs in elsewhere, by password; its addresses
are treated like unknown ones, so that a mailbox alone never opens the bench.
"""

from __future__ import annotations

import time
import unicodedata
from typing import Any

from allauth.account.forms import ConfirmLoginCodeForm, RequestLoginCodeForm
from allauth.account.internal.userkit import filter_users_by_email, user_id_to_str
from allauth.account.views import ConfirmLoginCodeView, RequestLoginCodeView
from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import logout
from django.contrib.auth.signals import user_logged_in
from django.dispatch import receiver
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from orders import access, limits, mail_away
from orders.models import Person
from orders.models.people import tidy_email

WRONG_CODE = "That is not the code in the mail. Look again; after three tries a new one is needed."
EXPIRED = (
    "That code cannot be used any more: it is over 15 minutes old, or was tried too often. "
    "Write your address, and a new one comes."
)
TOO_SOON = "The first mail may still be on its way. Wait half a minute, then ask for another."
# in the same words whether the address is known or not
SENT_AGAIN = "A new code is on its way. The one before it no longer works."
RESEND_AFTER_SECONDS = 30


class AddressForm(RequestLoginCodeForm):
    """The address that the code is sent to."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        field = self.fields["email"]
        field.label = "Your email address"
        field.help_text = "The one that you ordered with."
        field.widget.attrs = {"autocomplete": "email", "autofocus": True}
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
        field.help_text = "Six figures, or nine; gaps between them do no harm."
        field.widget.attrs = {
            "autocomplete": "one-time-code",
            "inputmode": "numeric",
            "pattern": "[0-9 -]*",
            "spellcheck": "false",
            "autofocus": True,
            "class": "code-field",
        }
        field.error_messages["required"] = "Write the code from the mail."

    def clean_code(self) -> str:
        """Compare with the code that was sent; however it was pasted, only its figures count."""
        given = unicodedata.normalize("NFKC", str(self.cleaned_data.get("code", "")))
        self.cleaned_data["code"] = "".join(sign for sign in given if sign.isdecimal())
        try:
            return str(super().clean_code())
        except forms.ValidationError:
            raise forms.ValidationError(WRONG_CODE) from None


def _person_to_mail(email: str) -> Person | None:
    """Return whom a code for this address goes to, None for nobody and for the workshop."""
    found = filter_users_by_email(email, is_active=True, prefer_verified=True, for_login=True)
    person = found[0] if found else None
    return person if isinstance(person, Person) and not person.is_workshop else None


def _mailbox(email: str) -> str:
    """Return what a mailbox is counted by, however its address was typed."""
    return tidy_email(unicodedata.normalize("NFKC", email))


def _may_mail(request: HttpRequest, email: str) -> bool:
    """Count a code that is asked for; return whether the mailbox may get one more.

    Who asks is counted by mail address and network address together: by the mail address alone a
    stranger could use its owner's up. A mailbox that gets very many, whoever asks, gets one each
    five minutes; the page says the same then. Raises TooOftenError.
    """
    box = _mailbox(email)
    limits.count(request, "sign-in-mail", person=f"{box} {limits.address_of(request)}")
    if not limits.may_be_short(box):
        setattr(request, limits.WANTS_LONG_CODE, True)  # read where the code is made
    return limits.is_within("sign-in-box", box) or limits.is_within("sign-in-box-more", box)


class AskView(RequestLoginCodeView):
    """Ask for the address."""

    template_name = "account/sign_in.html"

    def get_form_class(self) -> type[AddressForm]:
        return AddressForm

    def form_valid(self, form: Any) -> HttpResponse:
        """Count the asking, known address or not, so that both are refused alike."""
        try:
            may_mail = _may_mail(self.request, form.cleaned_data["email"])
        except limits.TooOftenError as error:
            form.add_error(None, error.sentence)
            response = self.form_invalid(form)
            response.status_code = 429
            return response
        if not may_mail:
            form._user = None  # the page of an unknown address: no mail, and no code to guess
        return super().form_valid(form)

    def _redirect_to_pending_stage(self, request: HttpRequest, stage: Any) -> None:
        """Let a mistyped address be written again; by default only the code page would open."""


class ConfirmView(ConfirmLoginCodeView):
    """Ask for the code; another is sent when it is asked for, after half a minute."""

    template_name = "account/sign_in_code.html"

    def dispatch(self, request: HttpRequest, *args: Any, **options: Any) -> HttpResponseBase:
        """Say why, where no code is waited for any more; by default the page only changes."""
        response = super().dispatch(request, *args, **options)
        is_waiting = getattr(self, "_process", None) is not None
        if not is_waiting and not request.user.is_authenticated:
            messages.error(request, EXPIRED)
        return response

    def get_form_class(self) -> Any:
        resend = self._action == "resend"
        return super().get_form_class() if resend else CodeForm

    def post(self, request: HttpRequest, *args: Any, **options: Any) -> HttpResponseBase:
        """Count a try before it is compared, by a row: the session's count is read by requests
        that come at the same moment before any of them has raised it."""
        is_try = self._action != "resend" and request.POST.get("code", "").strip()
        login = self.stage.login
        which = f"{self._process.state.get('email')} {login.initiated_at}"
        if is_try and not (self._is_still_theirs() and limits.is_within("sign-in-try", which)):
            self._process.abort()
            messages.error(request, EXPIRED)
            return redirect("sign-in")
        return super().post(request, *args, **options)

    def _is_still_theirs(self) -> bool:
        """Whether the person whom the code was mailed to may still sign in by it: since then the
        account may have been erased, or have become the workshop's, which needs its password."""
        process = self._process
        return process.user is None or process.user == _person_to_mail(process.state["email"])

    def form_invalid(self, form: Any) -> HttpResponse:
        """An empty field is no try: it is told and costs nothing."""
        if "code" in form.errors.as_data() and form.errors.as_data()["code"][0].code == "required":
            return self.render_to_response(self.get_context_data(form=form))
        limits.count_wrong_code(_mailbox(self._process.state["email"]))
        return super().form_invalid(form)

    def _resend_form_valid(self, form: Any) -> HttpResponse:
        if time.time() - self._sent_at() < RESEND_AFTER_SECONDS:
            messages.info(self.request, TOO_SOON)
            return redirect(self.passthrough_next_url(reverse("sign-in-code")))
        try:
            if _may_mail(self.request, self._process.state["email"]):
                self._send_again()
            else:  # told alike; the code before goes on until its own fifteen minutes are over
                self._process.record_resend()
                self._process.persist()
        except limits.TooOftenError as error:
            messages.error(self.request, error.sentence)
        else:
            messages.success(self.request, SENT_AGAIN)
        return redirect(self.passthrough_next_url(reverse("sign-in-code")))

    def _send_again(self) -> None:
        process = self._process
        if process.user is None:  # unknown, or the mailbox had too many when it was asked for
            process._user = self.stage.login.user = _person_to_mail(process.state["email"])
        if process.user is not None:
            process.state["user_id"] = user_id_to_str(process.user)
            process.resend()
        else:
            process.record_resend()  # nobody to mail: a code that nobody has is not made either
        process.state["at"] = time.time()  # the new code has its fifteen minutes
        process.persist()

    def _sent_at(self) -> float:
        return float(self._process.state.get("at", 0))

    def get_context_data(self, **options: Any) -> dict[str, Any]:
        minutes = settings.ACCOUNT_LOGIN_BY_CODE_TIMEOUT // 60
        more = {"minutes": minutes, "mail_is_away": mail_away.is_away()}
        return super().get_context_data(**options) | more


only_forms = require_http_methods(["GET", "HEAD", "POST"])
ask = only_forms(AskView.as_view())
confirm = only_forms(ConfirmView.as_view())


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
