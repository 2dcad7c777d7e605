"""Fill an empty installation with the harbour workshop, through the same doors as everybody."""

from __future__ import annotations

import secrets
from dataclasses import dataclass

from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.utils import timezone

from geometry.limits import BLANKS
from orders import checking, drawings, quoting, shelf, shelf_money, workflow
from orders.begin import begin
from orders.dates import today
from orders.models import (
    Design,
    Event,
    Film,
    Order,
    OrderLine,
    Person,
    ShelfOffer,
    Version,
    Workshop,
)
from orders.workflow import Actor

from .drawings import DRAWINGS

CUTTER_EMAIL = "cutter@harbour.example"
ARTIST_EMAIL = "wren@harbour.example"
SECOND_ARTIST_EMAIL = "moss@harbour.example"
BUYER_EMAIL = "tern@harbour.example"
SHEET_FILM = "pet-0.1905"


@dataclass(frozen=True)
class SignIns:
    """The two demo sign-ins; the password is None when it was made on an earlier day."""

    cutter: str
    password: str | None
    artist: str


@transaction.atomic  # an interrupted demo is none: its password would be lost
def make_demo(password: str | None = None) -> SignIns:
    """Make the demo the first time; later calls only say who can sign in."""
    if Design.objects.exists() or Person.objects.exists():
        return SignIns(CUTTER_EMAIL, None, ARTIST_EMAIL)
    begin()
    Workshop.objects.update(
        name="Slipway Cutting Shed",
        email=CUTTER_EMAIL,
        address="Slipway Cutting Shed\n1 Ropewalk\nTidehaven TH 2\nHarbourland",
        collect_note="Ring the bell at the shed, Monday to Friday, 9 to 17.",
        is_demo=True,
    )
    password = password or secrets.token_urlsafe(9)
    cutter = Person.objects.create_workshop(CUTTER_EMAIL, password, "Ebb Slipway")
    wren = Person.objects.for_email(ARTIST_EMAIL, "Wren Saltmarsh")
    moss = Person.objects.for_email(SECOND_ARTIST_EMAIL, "Moss Breakwater")
    _make_orders(wren, moss, Actor(Event.Role.WORKSHOP, cutter))
    return SignIns(CUTTER_EMAIL, password, ARTIST_EMAIL)


def _make_orders(wren: Person, moss: Person, cutter: Actor) -> None:
    crab, knot = _drawing("crab", wren), _drawing("knot", wren)
    _drawing("sign", wren)
    limpet, starfish = _drawing("limpet", moss), _drawing("starfish", moss)

    first = _order(wren, [(crab, 3), (knot, 6)])
    for job in first.jobs.all():
        workflow.queue(job, cutter)
    second = _order(moss, [(starfish, 12), (limpet, 2)], note="For the regatta, if you can.")
    workflow.queue(second.jobs.all()[0], cutter)
    mask = drawings.as_mode(crab, "mask", by=wren)
    checking.look_at(mask.pk)
    third = _order(wren, [(mask, 2)], collect=True)
    job = third.jobs.get()
    workflow.queue(job, cutter)
    workflow.start(job, cutter)
    workflow.count(job, cutter, good=2, spoiled=1, why="The first one shifted.")
    _order(moss, [(limpet, 1)], accepted=False)
    _fill_shelf(_offer(wren, [knot, _at_size(knot, "6x6in")], "Wren"), knot, limpet, cutter)
    _offer(moss, [starfish], "Moss of the Breakwater")


def _fill_shelf(rope: ShelfOffer, knot: Version, limpet: Version, cutter: Actor) -> None:
    """Two designs sold and sent; of one artist the month is marked as paid."""
    moss = limpet.design.owner
    if moss is None:
        return
    shells = _offer(moss, [limpet], "Moss of the Breakwater")
    tern = Person.objects.for_email(BUYER_EMAIL, "Tern Ropewalk")
    bought = _order(tern, [(knot, 4), (limpet, 2)], offers={knot: rope, limpet: shells})
    for job in bought.jobs.all():
        workflow.queue(job, cutter, unpaid=True)
        workflow.start(job, cutter)
        workflow.count(job, cutter, good=job.quantity)
        workflow.pack(job, cutter, cut_outs_bagged=job.cut_outs_expected)
    workflow.ship(bought, cutter, bought.jobs.all(), carrier="Harbour Mail", tracking="HM 2207")
    month = today().replace(day=1)
    shelf_money.pay(rope.artist, month, "USD", cutter, reference="bank transfer 31", press="demo")


def _at_size(version: Version, blank_code: str) -> Version:
    copy = drawings.copy_at_size(version, blank_code, owner=version.design, by=version.design.owner)
    checking.look_at(copy.pk)
    copy.refresh_from_db()
    return copy


def _offer(artist: Person, versions: list[Version], shown_name: str) -> ShelfOffer:
    return shelf.offer(
        versions[0].design,
        Actor(Event.Role.ARTIST, artist),
        versions,
        shown_name=shown_name,
        payee_name=artist.name,
        pay_to="I collect it at the shed",
        agreed_percent=Workshop.current().shelf_share_percent,
    )


def _drawing(key: str, owner: Person) -> Version:
    title, blank_code, draw = DRAWINGS[key]
    version = drawings.receive_drawing(
        SimpleUploadedFile(f"{title}.png", draw(), "image/png"),
        visitor="",
        owner=owner,
        blank_code=blank_code,
        paper_mm=BLANKS[blank_code].size_mm,
    )
    checking.look_at(version.pk)
    version.refresh_from_db()
    return version


def _order(
    artist: Person,
    wanted: list[tuple[Version, int]],
    *,
    accepted: bool = True,
    collect: bool = False,
    note: str = "",
    offers: dict[Version, ShelfOffer] | None = None,
) -> Order:
    film = Film.objects.get(code=SHEET_FILM)
    order = Order.objects.create(
        artist=artist,
        note=note,
        delivery=Order.Delivery.COLLECT if collect else Order.Delivery.POST,
        ship_name=artist.name,
        ship_line1="3 Quay Steps",
        ship_city="Tidehaven",
        ship_postcode="TH 1",
        ship_country="Harbourland",
        created_at=timezone.now(),
    )
    for version, quantity in wanted:
        OrderLine.objects.create(
            order=order,
            version=version,
            film=film,
            quantity=quantity,
            shelf_offer=(offers or {}).get(version),
        )
    actor = Actor(Event.Role.ARTIST, artist)
    quote = quoting.place_order(order, artist, actor, rights_confirmed=True)
    if accepted:
        workflow.accept(quote, actor)
    order.refresh_from_db()
    return order
