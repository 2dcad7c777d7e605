"""How people sign in: by a code sent to an address that the workshop already knows."""

from allauth.account.adapter import DefaultAccountAdapter
from django.http import HttpRequest


class SignInAdapter(DefaultAccountAdapter):
    """Nobody signs up: an artist's account begins with an order, a cutter's by the workshop."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False
