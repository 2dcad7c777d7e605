"""Signing in to the workshop: the password, the second step, and the page "My sign-in"."""

from __future__ import annotations

import time
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import login, logout, update_session_auth_hash
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.password_validation import validate_password
from django.contrib.auth.views import LoginView
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from orders import limits, second_step, sign_in_letters
from orders.access import workshop_person, workshop_to_set_up
from orders.errors import RefusedError
from orders.models import Person, Workshop

PENDING, SECRET, SHOWN = "second_step_of", "second_step_secret", "spare_codes_until"
PENDING_S = 5 * 60
SHOWN_S = 10 * 60
TOO_LATE = "That took more than five minutes. Sign in again from the beginning."
NOT_YOURS = "That is not your password, so nothing was changed. Type it again."


class WorkshopSignInForm(AuthenticationForm):
    """Email and password of somebody of the workshop; artists sign in by a mailed code."""

    error_messages = {
        "invalid_login": "That address and password do not belong together. "
        "Look at both and try again.",
        "inactive": "This sign-in is closed.",
    }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].label = "Email address"
        self.fields["username"].widget.attrs |= {"inputmode": "email", "autocomplete": "username"}

    def confirm_login_allowed(self, user: Any) -> None:
        super().confirm_login_allowed(user)
        if not user.is_workshop:
            raise ValidationError(self.error_messages["invalid_login"], code="invalid_login")


class SignIn(LoginView):
    template_name = "workshop/sign_in.html"
    authentication_form = WorkshopSignInForm
    next_page = "workshop-today"

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        return super().get_context_data(workshop=Workshop.current(), **kwargs)

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """Count a try before the password is compared."""
        limits.count_password(request)
        return super().post(request, *args, **kwargs)

    def form_valid(self, form: Any) -> HttpResponse:
        """Sign in, or where the second step is set up, go on to it: nobody is signed in yet."""
        person = form.get_user()
        if not second_step.is_set(person):
            response = super().form_valid(form)
            self.request.session.set_expiry(settings.WORKSHOP_SIGN_IN_AGE)
            return response
        self.request.session[PENDING] = {
            "person": person.pk,
            "backend": person.backend,
            "password": person.get_session_auth_hash(),
            "until": time.time() + PENDING_S,
            "next": self.get_success_url(),
        }
        return redirect("workshop-second-step")


sign_in = require_http_methods(["GET", "HEAD", "POST"])(SignIn.as_view())


@never_cache
@sensitive_post_parameters("code")
@require_http_methods(["GET", "HEAD", "POST"])
def step(request: HttpRequest) -> HttpResponse:
    """Ask for the code from the phone, after the password was right."""
    pending = request.session.get(PENDING) or {}
    person = Person.objects.filter(pk=pending.get("person", 0), is_active=True).first()
    is_late = time.time() > pending.get("until", 0)
    if person is None or is_late or pending["password"] != person.get_session_auth_hash():
        request.session.pop(PENDING, None)
        if pending:
            messages.error(request, TOO_LATE)
        return redirect("workshop-sign-in")
    if request.method != "POST":
        return _ask(request)
    try:
        limits.count(request, "second-step", person=f"second step {person.pk}")
    except limits.TooOftenError as error:
        if limits.is_within("wrong-codes-letter", f"person {person.pk}"):
            sign_in_letters.tell(person, "wrong-codes")
        return _ask(request, error.sentence, 429)
    if not second_step.is_right(person, request.POST.get("code", "")):
        return _ask(request, second_step.WRONG, 422)
    del request.session[PENDING]
    login(request, person, backend=pending["backend"])
    request.session.set_expiry(settings.WORKSHOP_SIGN_IN_AGE)
    left = len(second_step.spare_codes(person))
    if left < 3:
        messages.warning(request, f"You have {left} spare codes left. Make new ones in My sign-in.")
    return redirect(pending["next"])


def _ask(request: HttpRequest, error: str = "", status: int = 200) -> HttpResponse:
    context = {"error": error, "workshop": Workshop.current()}
    return render(request, "workshop/second_step.html", context, status=status)


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    logout(request)
    return redirect("workshop-sign-in")


@require_safe
@workshop_to_set_up
def mine(request: HttpRequest) -> HttpResponse:
    """Show how one signs in, and how the second step is set up or taken away."""
    return _mine(request)


@sensitive_post_parameters("password", "code")
@require_POST
@workshop_to_set_up
def turn_on(request: HttpRequest) -> HttpResponse:
    """Turn the second step on with a first code, and show the spare codes this once.

    The password is asked for again: at a browser left signed in somebody else could set up their
    own phone, and keep its owner out.
    """
    person = workshop_person(request)
    if not second_step.is_set(person) and (wrong := _not_proved(request, person, "again-on")):
        return wrong
    secret = request.session.get(SECRET, "")
    try:
        limits.count(request, "second-step", person=f"second step {person.pk}")
        if not secret:
            raise RefusedError("The picture was too old. Scan the one below.")
        codes = second_step.set_up(person, secret, request.POST.get("code", ""))
    except RefusedError as error:
        return _mine(request, error=error.sentence, status=422)
    del request.session[SECRET]
    update_session_auth_hash(request, person)  # this browser stays in, alone of all
    return _show(request, codes)


@sensitive_post_parameters("password", "code")
@require_POST
@workshop_to_set_up
def turn_off(request: HttpRequest) -> HttpResponse:
    """Take the second step away; the password and a code are asked for again."""
    person = workshop_person(request)
    if wrong := _not_proved(request, person, "again-off"):
        return wrong
    if second_step.turn_off(person):
        update_session_auth_hash(request, person)
        messages.success(request, "The second step is off. Your password alone signs you in.")
    return redirect("workshop-my-sign-in")


@sensitive_post_parameters("password", "code")
@require_POST
@workshop_to_set_up
def spare(request: HttpRequest) -> HttpResponse:
    """Make new spare codes, shown this once; the password and a code are asked for again."""
    person = workshop_person(request)
    if wrong := _not_proved(request, person, "again-spare"):
        return wrong
    if not second_step.is_set(person):
        return redirect("workshop-my-sign-in")
    return _show(request, second_step.new_spare_codes(person))


@sensitive_post_parameters("password", "code", "new", "again")
@require_POST
@workshop_to_set_up
def password(request: HttpRequest) -> HttpResponse:
    """Change one's password; the old one, and a code where there are any, are asked for again.

    Every other session ends with the old password, one that begins at this moment too.
    """
    person = workshop_person(request)
    new = request.POST.get("new", "")
    if sentence := _wrong_with(new, request.POST, person):
        return _mine(request, wrong="again-password", new_error=sentence, status=422)
    if wrong := _not_proved(request, person, "again-password"):
        return wrong
    if not _put_password(person, new):
        return _mine(request, wrong="again-password", password_error=NOT_YOURS, status=422)
    update_session_auth_hash(request, person)
    messages.success(request, "Your password is changed. Other browsers are signed out.")
    return redirect("workshop-my-sign-in")


def _wrong_with(new: str, form: QueryDict, person: Person) -> str:
    """Return what is wrong with a new password, "" where nothing is.

    It is compared with what was typed, never with the password itself: that would be a way to
    guess it uncounted.
    """
    if new != form.get("again", ""):
        return "The two are not the same. Type the new password twice."
    if new and new == form.get("password", ""):
        return "That is the password you have. Think of another one."
    try:
        validate_password(new, person)
    except ValidationError as error:
        return " ".join(error.messages)
    return ""


def _put_password(person: Person, new: str) -> bool:
    """Change a password and write the person of it; False where it is another one by now."""
    old = person.password
    person.set_password(new)
    with transaction.atomic():
        mine = Person.objects.filter(pk=person.pk, password=old)
        if mine.update(password=person.password):
            sign_in_letters.tell(person, "password")
            return True
    person.refresh_from_db()
    return False


@require_safe
@workshop_to_set_up
def spare_file(request: HttpRequest) -> HttpResponse:
    """Hand the spare codes out as a text file, for ten minutes after they were made."""
    if time.time() > request.session.get(SHOWN, 0):
        raise Http404
    person = workshop_person(request)
    lines = [f"Spare codes for {person.email}, each works once:", "", *_spaced(person), ""]
    response = HttpResponse("\r\n".join(lines), content_type="text/plain; charset=utf-8")
    response["Content-Disposition"] = 'attachment; filename="spare-codes.txt"'
    response["Cache-Control"] = "private, no-store"
    return response


def _spaced(person: Person) -> list[str]:
    return [f"{code[:4]} {code[4:]}" for code in second_step.spare_codes(person)]


def _not_proved(request: HttpRequest, person: Person, form: str) -> HttpResponse | None:
    """Return the page with a sentence where password or code typed again is not the person's."""
    try:
        limits.count(request, "second-step", person=f"password again {person.pk}")
    except limits.TooOftenError as error:
        return _mine(request, wrong=form, password_error=error.sentence, status=429)
    if not person.check_password(request.POST.get("password", "")):
        return _mine(request, wrong=form, password_error=NOT_YOURS, status=422)
    code = request.POST.get("code", "")
    if second_step.is_set(person) and not second_step.is_right(person, code):
        return _mine(request, wrong=form, code_error=second_step.WRONG, status=422)
    return None


def _show(request: HttpRequest, codes: list[str]) -> HttpResponse:
    request.session[SHOWN] = time.time() + SHOWN_S
    spaced = [f"{code[:4]} {code[4:]}" for code in codes]
    return render(request, "workshop/spare_codes.html", {"codes": spaced})


def _mine(request: HttpRequest, *, status: int = 200, **told: str) -> HttpResponse:
    person = workshop_person(request)
    context: dict[str, Any] = {"person": person, "is_set": second_step.is_set(person), **told}
    context["is_required"] = settings.SECOND_STEP == "required"
    if context["is_set"]:
        context["codes_left"] = len(second_step.spare_codes(person))
    else:
        secret = request.session.get(SECRET) or second_step.new_secret()
        request.session[SECRET] = secret
        address = second_step.address_for_app(person, secret)
        context["side"], context["path"] = second_step.picture_of(address)
        context["secret"] = " ".join(secret[at : at + 4] for at in range(0, len(secret), 4))
        context["address"] = address
    return render(request, "workshop/my_sign_in.html", context, status=status)
