"""CPU time of a quote for fifty designs, the nesting of its film included.

Rows are made in a transaction that is taken back at the end, so that nothing is left behind.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from statistics import median
from typing import Any


def main(rounds: int) -> int:
    """Print the CPU milliseconds of pricing and of making a quote; first the pure arithmetic."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.db import transaction

    from orders import quoting
    from orders.begin import begin
    from orders.models import Event, Film, Order, OrderLine, Person
    from orders.workflow import Actor
    from tests import factories

    with transaction.atomic():
        begin()
        artist = Person.objects.for_email("bench@harbour.example")
        order = Order.objects.create(artist=artist, delivery=Order.Delivery.COLLECT)
        film = Film.objects.get(code="pet-0.1905")
        sizes = ("6x6in", "4x4in", "2.5x3.5in", "5x7in", "8x8in")
        for number in range(50):
            version = factories.make_version(blank_code=sizes[number % 5], owner=artist)
            OrderLine.objects.create(
                order=order, version=version, film=film, quantity=number % 7 + 1
            )
        quoting.priced(order)  # measures are copied from the reports once
        actor = Actor(Event.Role.ARTIST, artist)
        asked = _median_ms(lambda: quoting.priced(order), rounds)
        made = _median_ms(lambda: quoting.make_quote(order, actor), rounds)
        print(f"price of 50 designs: {asked:.0f} ms CPU")
        print(f"their quote made and offered: {made:.0f} ms CPU")
        transaction.set_rollback(True)
    return 0


def _median_ms(call: Callable[[], Any], times: int) -> float:
    from orders import quoting

    taken = []
    for _ in range(times):
        quoting.sheets_needed.cache_clear()  # as for an order never priced before
        start = time.process_time()
        call()
        taken.append((time.process_time() - start) * 1000)
    return median(taken)
