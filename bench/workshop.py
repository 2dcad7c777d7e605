"""The pages with lists at twenty thousand orders: processor time and queries; and nesting.

A throw-away database is filled by bulk inserts with two years of orders, most of them sent, and
fifteen hundred jobs open, with quotes, invoices, payments, letters, messages and a shelf. Each page
is fetched through Django's own test client (middleware, session, template included; no network),
once to warm up and then `rounds` times; the median of the processor time of this process is
printed, which other work on the machine does not lengthen as it does a clock.
"""

from __future__ import annotations

import os
import random
import statistics
import tempfile
import time
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

from bench.workshop_books import fill_books

ORDERS = 20_000
JOBS = 30_000
OPEN = 1_500
LIMIT_MS = 100
NEST_S = 1.0
PAGES = (
    ("today", "/workshop/"),
    ("queue", "/workshop/queue/"),
    ("queue, open", "/workshop/queue/?state=open"),
    ("queue, late", "/workshop/queue/?due=late"),
    ("queue, closed", "/workshop/queue/?state=over"),
    ("queue, found", "/workshop/queue/?q=crab+77"),
    ("pack", "/workshop/pack/"),
    ("pack, whole", "/workshop/pack/?ready=whole"),
    ("pack, part", "/workshop/pack/?ready=part"),
    ("post", "/workshop/post/"),
    ("sheets", "/workshop/sheets/"),
    ("day", "/workshop/day/"),
    ("day, weeks", "/workshop/day/?by=week"),
    ("day, months", "/workshop/day/?by=month"),
    ("an order", "/workshop/order/B19990/"),
    ("a job", "/workshop/job/B19990-1/"),
    ("money", "/workshop/money/"),
    ("books", "/workshop/books/"),
    ("books, all years", "/workshop/books/?year=all"),
    ("an order's money", "/workshop/money/B00010/"),
    ("mail", "/workshop/mail/"),
    ("mail, failed", "/workshop/mail/?state=failed"),
    ("shelf", "/workshop/shelf/"),
    ("shares", "/workshop/shares/"),
    ("films", "/workshop/films/"),
    ("machine", "/workshop/machine/"),
)
OF_AN_ARTIST = (
    ("shelf, public", "/shelf/"),
    ("landing", "/"),
    ("mine, drawings", "/mine/"),
    ("mine, orders", "/mine/orders/"),
    ("mine, shelf", "/mine/shelf/"),
)


def main(rounds: int) -> int:
    """Print the tables; return 1 where a page or an order takes longer than its limit."""
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder:
        os.environ["HOLDFAST_VAR"] = folder
        os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
        import django

        django.setup()
        from django.core.management import call_command

        from orders.models import Order

        call_command("migrate", verbosity=0)
        started = time.monotonic()
        cutter = fill(JOBS, OPEN)
        print(f"{ORDERS} orders of {JOBS} jobs made in {time.monotonic() - started:.0f} s")
        artist = Order.objects.get(code="B00010").artist
        pages = [(*page, cutter) for page in PAGES] + [(*page, artist) for page in OF_AN_ARTIST]
        slow = [name for name, path, who in pages if not _measured(name, path, who, rounds)]
    print(f"slower than {LIMIT_MS} ms: {', '.join(slow) or 'none'}")
    is_good = _nesting()
    return int(bool(slow) or not is_good)


def _nesting() -> bool:
    """Print how far nested orders are from a proven bound, and how long they take."""
    from bench.nesting import ORDERS, random_order

    seconds, over = [], []
    for number in range(ORDERS):
        order = random_order(number)
        began = time.process_time()
        nested = order.nested()
        seconds.append(time.process_time() - began)
        over.append(len(nested.sheets) - nested.lower_bound)
    print(
        f"nesting: {ORDERS} orders of up to 60 blanks, {over.count(0)} on the fewest by bound, "
        f"{over.count(1)} one over, {sum(one > 1 for one in over)} more; "
        f"median {statistics.median(seconds):.2f} s, slowest {max(seconds):.2f} s of {NEST_S:g}"
    )
    return max(over) <= 1 and max(seconds) <= NEST_S


def fill(jobs: int, still_open: int) -> Any:
    """Fill an empty database; return the cutter. `still_open` jobs are not sent yet."""
    from django.db import transaction

    with transaction.atomic():
        return _fill(jobs, still_open)


def _fill(count: int, still_open: int) -> Any:
    from orders.dates import today
    from orders.models import Event, Job, Order, Parcel, ParcelLine, Person, Tally
    from tests import factories

    dice = random.Random(7)
    on = today()
    cutter = factories.workshop_person()
    film = factories.make_film()
    pattern = factories.make_version()
    people = Person.objects.bulk_create(
        Person(email=f"artist-{n}@reef.example", name=f"Artist {n}", password="!")
        for n in range(400)
    )
    versions = _versions(pattern, people)
    orders = Order.objects.bulk_create(
        (_order(n, dice, people, on) for n in range(2 * count // 3)),
        batch_size=500,
    )
    closed = count - still_open
    made = Job.objects.bulk_create(
        (
            _job(n, dice, orders[2 * n // 3], versions[n % len(versions)], film, on, closed)
            for n in range(count)
        ),
        batch_size=500,
    )
    sent = [job for job in made if job.status == "shipped"]
    parcels = Parcel.objects.bulk_create(
        (
            Parcel(
                order_id=job.order_id,
                carrier="Harbour Mail",
                tracking=f"HM {job.pk}",
                sent_on=job.promise_on + timedelta(days=dice.choice((-2, -1, 0, 0, 1))),
            )
            for job in sent
        ),
        batch_size=500,
    )
    lines = ParcelLine.objects.bulk_create(
        (
            ParcelLine(parcel=parcel, job=job, count=job.quantity)
            for parcel, job in zip(parcels, sent, strict=True)
        ),
        batch_size=500,
    )
    events = Event.objects.bulk_create(_events(made, cutter), batch_size=500)
    counts = [event for event in events if event.action == "count"]
    Tally.objects.bulk_create(
        (
            Tally(
                event=event,
                job_id=event.job_id,
                on=on - timedelta(days=number * 730 // len(counts)),
                **dice.choice(({"good": 3}, {"good": 2}, {"spoiled": 1, "reason": "melted"})),
                seconds=300.0,
            )
            for number, event in enumerate(reversed(counts))
        ),
        batch_size=500,
    )
    _sheets(made, film, on)
    fill_books(orders, made, lines, on, cutter)
    return cutter


def _versions(pattern: Any, people: list[Any]) -> list[Any]:
    from orders.models import Design, Version

    titles = ("Shore crab", "Carrick knot", "Limpet", "Ferry sign")
    designs = Design.objects.bulk_create(
        Design(title=f"{titles[n % 4]} {n}", owner=people[n % len(people)]) for n in range(4000)
    )
    return Version.objects.bulk_create(
        (
            Version(
                design=design,
                upload=pattern.upload,
                number=1,
                recipe=pattern.recipe,
                blank_code=("6x6in", "4x4in", "2.5x3.5in")[n % 3],
                limits=pattern.limits,
                status="passed",
                report=pattern.report,
                film_picture=pattern.film_picture.name,
            )
            for n, design in enumerate(designs)
        ),
        batch_size=500,
    )


def _order(n: int, dice: random.Random, people: list[Any], on: Any) -> Any:
    from django.utils import timezone

    from orders.models import Order

    return Order(
        code=f"B{n:05d}",
        artist=people[n % len(people)],
        placed_at=timezone.now(),
        accepted_at=timezone.now(),
        promise_on=on,
        rush_days=3 if dice.random() < 0.05 else None,
        ship_name=f"Artist {n % len(people)}",
        ship_line1="3 Quay Steps",
        ship_city="Tidehaven",
        ship_postcode="TH 1",
        ship_country="Harbourland",
    )


OPEN_STATUSES = ("received",) * 2 + ("queued",) * 6 + ("cutting", "cut", "cut", "packed", "on-hold")


def _job(
    n: int, dice: random.Random, order: Any, version: Any, film: Any, on: Any, closed: int
) -> Any:
    from orders.models import Job

    quantity = dice.randint(1, 6)
    if n < closed:
        status, days = "shipped", -round(730 * (closed - n) / closed)
    else:
        status, days = dice.choice(OPEN_STATUSES), dice.randint(-3, 20)
    done = {"shipped": 3, "packed": 2, "cut": 1}.get(status, 0)
    part = quantity - 1 if status == "queued" and dice.random() < 0.2 else 0
    return Job(
        code=f"{order.code}-{2 if n % 3 == 1 else 1}",  # of two orders one has two jobs
        order=order,
        version=version,
        film=film,
        quantity=quantity,
        status=status,
        promise_on=on + timedelta(days=days),
        cut=quantity if done >= 1 else part,
        packed=quantity if done >= 2 else 0,
        shipped=quantity if done >= 3 else 0,
        cut_outs_expected=4 * quantity,
    )


def _events(jobs: list[Any], cutter: Any) -> Iterator[Any]:
    from orders.models import Event

    for job in jobs:
        for action in ("receive", "queue", "start", "count", "pack"):
            yield Event(
                life="job",
                action=action,
                role="workshop",
                by=cutter,
                job=job,
                order_id=job.order_id,
                to_status=job.status,
            )


def _sheets(jobs: list[Any], film: Any, on: Any) -> None:
    """Lay eight pieces on a sheet each, most sheets done."""
    from orders.models import Piece, SheetRun, SheetTally

    groups = [jobs[n : n + 8] for n in range(0, len(jobs), 8)]
    runs = SheetRun.objects.bulk_create(
        (
            SheetRun(
                code=f"S{n:05d}", film=film, status="done" if n < len(groups) - 40 else "planned"
            )
            for n in range(len(groups))
        ),
        batch_size=500,
    )
    Piece.objects.bulk_create(
        (
            Piece(run=run, job=job, x_mm=0, y_mm=0, result="good" if run.status == "done" else "")
            for run, group in zip(runs, groups, strict=True)
            for job in group
        ),
        batch_size=500,
    )
    SheetTally.objects.bulk_create(
        (
            SheetTally(
                run=run,
                on=on - timedelta(days=(len(runs) - n) * 730 // len(runs)),
                film_mm2=185806.0,
                good_mm2=150000.0,
            )
            for n, run in enumerate(runs)
            if run.status == "done"
        ),
        batch_size=500,
    )


def _measured(name: str, path: str, who: Any, rounds: int) -> bool:
    """Print a page's figures; return whether it keeps to the limit."""
    from django.db import connection
    from django.test import Client

    client = Client(HTTP_HOST="localhost")
    client.force_login(who, "allauth.account.auth_backends.AuthenticationBackend")
    client.get(path)
    asked: list[str] = []

    def count(execute: Any, sql: str, *rest: Any) -> Any:
        asked.append(sql)
        return execute(sql, *rest)

    with connection.execute_wrapper(count):
        response = client.get(path)
    assert response.status_code == 200, (path, response.status_code)
    times = []
    for _ in range(rounds):
        started = time.process_time()
        client.get(path)
        times.append(1000 * (time.process_time() - started))
    middle = statistics.median(times)
    size = len(response.content) // 1024
    print(f"{name:16} {middle:6.0f} ms  {len(asked):3d} queries  {size:4d} kB", flush=True)
    return middle <= LIMIT_MS
