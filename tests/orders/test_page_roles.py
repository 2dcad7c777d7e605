"""Every page walked by every role: a page without a row fails, and so does one that lets in more.

Codes: IN the page answers (or acts and leads on), 404 as if it did not exist, 403 the wrong role,
SIGN led to the sign-in page.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.db import transaction
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from orders import invoices, payments, privacy, quoting, shelf_money, workflow
from orders.dates import today
from orders.models import (
    Event,
    Mail,
    Offcut,
    Person,
    ShareLine,
    SharePayout,
    ShelfOffer,
    Version,
)
from orders.workflow import Actor, Place
from pricing.models import PriceSheet
from tests import factories

BACKEND = "allauth.account.auth_backends.AuthenticationBackend"
IN, SIGN = "in", "sign in"
STRANGER, OWNER, OTHER, CUTTER = "stranger", "owner", "other artist", "cutter"
Codes = dict[str, Any]
EVERYBODY: Codes = {STRANGER: IN, OWNER: IN, OTHER: IN, CUTTER: IN}
# A drawing is its owner's, and the workshop looks at it; only its owner changes or orders it.
OWN: Codes = {STRANGER: 404, OWNER: IN, OTHER: 404, CUTTER: IN}
OWN_CHANGE: Codes = {**OWN, CUTTER: 403}
OWN_ALONE: Codes = {**OWN, CUTTER: 404}
# Whoever holds an order's link writes as its artist; the workshop has pages of its own for that.
TALK: Codes = {**EVERYBODY, CUTTER: 403}
SHOP: Codes = {STRANGER: SIGN, OWNER: 403, OTHER: 403, CUTTER: IN}


@dataclass(frozen=True)
class Row:
    """One address: how it is built from the world, its method, and who gets what."""

    name: str
    method: str
    codes: Codes
    args: tuple[str, ...] = ()


ROWS: tuple[Row, ...] = (
    *(Row(n, "get", EVERYBODY) for n in ("landing", "mine", "prices", "guide", "healthz")),
    *(Row(n, "get", EVERYBODY) for n in ("readyz", "privacy")),
    Row("sheets", "get", EVERYBODY),
    Row("sheet-print", "get", EVERYBODY, ("blank", "letter")),
    *(Row(n, "get", EVERYBODY) for n in ("sign-in", "account_login", "basket")),
    *(Row(n, "get", EVERYBODY) for n in ("account_request_login_code",)),
    *(Row(n, "get", EVERYBODY) for n in ("sign-in-code", "account_confirm_login_code")),
    Row("demo-letters", "get", dict.fromkeys(EVERYBODY, 404)),
    Row("sign-out", "post", EVERYBODY),
    Row("upload", "post", EVERYBODY),
    *(Row(f"basket-{n}", "post", EVERYBODY) for n in ("change", "remove", "place")),
    # basket-add names a version in its form, which is reached like a drawing (see below)
    Row("basket-add", "post", OWN_ALONE),
    *(Row(n, "get", EVERYBODY) for n in ("mine-orders", "mine-data", "mine-download")),
    Row("mine-erase", "post", EVERYBODY),
    # the workshop looks at a drawing on its own pages; names and notes are its owner's alone
    Row("mine-drawing", "get", OWN_ALONE, ("design",)),
    *(Row(f"mine-{n}", "post", OWN_ALONE, ("design",)) for n in ("note", "copy", "remove")),
    Row("mine-restore", "post", OWN_ALONE, ("gone",)),
    Row("mine-order-again", "post", OWN_ALONE, ("order",)),
    Row("drawing", "get", OWN, ("design",)),
    Row("drawing-state", "get", OWN, ("design",)),
    *(
        Row(f"drawing-{n}", "post", OWN_CHANGE, ("design",))
        for n in ("mend", "mode", "size", "answer", "back")
    ),
    *(Row(f"drawing-{n}", "post", OWN_ALONE, ("design",)) for n in ("rename", "remove")),
    Row("sent", "get", EVERYBODY),
    Row("sent-state", "get", EVERYBODY),
    Row("straighten", "get", OWN_CHANGE, ("design",)),
    Row("straighten-save", "post", OWN_CHANGE, ("design",)),
    *(Row(f"straighten-{n}", "get", OWN, ("design",)) for n in ("measure", "paper", "source")),
    Row("compare", "get", OWN, ("design",)),
    Row("compare-difference", "get", OWN, ("design",)),
    *(Row(n, "get", OWN, ("design",)) for n in ("drawing-pens", "pens-film", "pens-state")),
    *(
        Row(f"pens-{n}", "post", OWN_CHANGE, ("design",))
        for n in ("strokes", "propose", "bridges", "save", "discard")
    ),
    Row("drawing-mends", "get", OWN, ("design",)),
    Row("drawing-mend-all", "get", OWN_CHANGE, ("design",)),
    *(
        Row(f"drawing-{n}", "post", OWN_CHANGE, ("design",))
        for n in ("mend-here", "mend-all-do", "keep")
    ),
    Row("drawing-mend-picture", "get", OWN, ("design", "one", "one", "before")),
    Row("unit", "post", EVERYBODY),
    # a camera notes where it was: the file itself is for whoever put it in
    Row("drawing-original", "get", OWN_ALONE, ("design", "one")),
    Row("drawing-picture", "get", OWN, ("design", "one", "film")),
    Row("drawing-hold", "get", OWN, ("design",)),
    Row("drawing-real-size", "get", OWN, ("design",)),
    Row("drawing-see", "get", OWN, ("design", "one", "part")),
    Row("drawing-proof", "get", OWN, ("design", "one", "letter")),
    # the shelf is for everybody; what is one's own of it needs the sign-in that is paid
    Row("shelf", "get", EVERYBODY),
    Row("shelf-design", "get", EVERYBODY, ("offer",)),
    Row("shelf-picture", "get", EVERYBODY, ("offer", "offered", "paint")),
    Row("shelf-add", "post", EVERYBODY, ("offer",)),
    Row("shelf-offer", "get", OWN_ALONE, ("design",)),
    Row("mine-shelf", "get", EVERYBODY),
    Row("mine-shelf-payee", "post", OWN_ALONE),
    *(Row(f"mine-shelf-{n}", "post", OWN_ALONE, ("offer",)) for n in ("withdraw", "undo")),
    *(Row(f"mine-shares{n}", "get", OWN_ALONE, ("month",)) for n in ("", "-csv", "-pdf")),
    # what hangs on an unguessable token of its own is open to whoever holds it
    Row("quote", "get", EVERYBODY, ("quote",)),
    Row("quote-pdf", "get", EVERYBODY, ("quote",)),
    Row("quote-accept", "post", EVERYBODY, ("quote",)),
    Row("quote-refuse", "post", EVERYBODY, ("quote",)),
    Row("quote-change", "post", EVERYBODY, ("quote",)),
    Row("quote-renew", "post", EVERYBODY, ("quote",)),
    Row("order", "get", EVERYBODY, ("link",)),
    Row("order-state", "get", EVERYBODY, ("link",)),
    Row("order-again", "post", EVERYBODY, ("link",)),
    Row("order-invoice", "get", EVERYBODY, ("link", "invoice")),
    Row("order-receipt", "get", EVERYBODY, ("link", "receipt")),
    Row("order-slip", "get", EVERYBODY, ("link",)),
    Row("order-talk", "get", EVERYBODY, ("link",)),
    Row("order-write", "post", TALK, ("link",)),
    Row("message-change", "post", TALK, ("link", "message")),
    Row("message-undo", "post", TALK, ("link", "message")),
    Row("message-photo", "get", EVERYBODY, ("link", "message")),
    Row("message-drawing", "get", EVERYBODY, ("link", "message")),
    Row("order-picture", "get", EVERYBODY, ("link", "job")),
    Row("order-photo", "get", EVERYBODY, ("link", "job", "photo")),
    Row("proposal-picture", "get", EVERYBODY, ("link", "job", "proposal")),
    Row("proposal-accept", "post", EVERYBODY, ("link", "job", "proposal")),
    Row("proposal-refuse", "post", EVERYBODY, ("link", "job", "proposal")),
    Row("job-cancel", "post", EVERYBODY, ("link", "job")),
    Row("parcel", "get", EVERYBODY, ("parcel",)),
    Row("parcel-picture", "get", EVERYBODY, ("parcel", "job")),
    Row("workshop-sign-in", "get", EVERYBODY),
    Row("workshop-sign-out", "post", EVERYBODY),
    Row("workshop-second-step", "get", EVERYBODY),
    Row("workshop-my-sign-in", "get", SHOP),
    *(Row(f"workshop-second-step-{n}", "post", SHOP) for n in ("on", "off")),
    Row("workshop-password", "post", SHOP),
    Row("workshop-spare-codes", "post", SHOP),
    # the codes are handed out for ten minutes after they were made
    Row("workshop-spare-codes-file", "get", {**SHOP, CUTTER: 404}),
    Row("order-new-link", "post", TALK, ("link",)),
    Row("workshop-order-new-link", "post", SHOP, ("order",)),
    *(
        Row(f"workshop-{n}", "get", SHOP)
        for n in [
            "today",
            "queue",
            "sheets",
            "post",
            "mail",
            "films",
            "settings",
            "prices",
            "film-new",
            "well",
        ]
    ),
    Row("workshop-queue-selected", "post", SHOP),
    Row("workshop-sheet-new", "get", SHOP),
    Row("workshop-order", "get", SHOP, ("order",)),
    Row("workshop-order-talk", "get", SHOP, ("order",)),
    Row("workshop-order-write", "post", SHOP, ("order",)),
    Row("workshop-message-change", "post", SHOP, ("order", "message")),
    Row("workshop-message-undo", "post", SHOP, ("order", "message")),
    Row("workshop-message-photo", "get", SHOP, ("order", "message")),
    Row("workshop-message-drawing", "get", SHOP, ("order", "message")),
    Row("workshop-order-ship", "post", SHOP, ("order",)),
    Row("workshop-order-slip", "get", SHOP, ("order",)),
    Row("workshop-address-label", "get", SHOP, ("order",)),
    Row("workshop-parcel-tracking", "post", SHOP, ("order", "sent_parcel")),
    *(Row(f"workshop-{n}", "get", SHOP) for n in ("pack", "scan", "packagings", "letters")),
    *(Row(f"workshop-{n}", "get", SHOP) for n in ("day", "day-csv", "parcels-csv", "tickets")),
    Row("workshop-parcels-csv-in", "post", SHOP),
    Row("workshop-pack-order", "get", SHOP, ("order",)),
    Row("workshop-bag-labels", "get", SHOP, ("order",)),
    Row("workshop-pack-tick", "post", SHOP, ("order", "job")),
    Row("workshop-pack-step", "post", SHOP, ("order", "job", "unpack")),
    # a code on a bag or a ticket asks for the sign-in, whoever scans it
    Row("workshop-scan-code", "get", SHOP, ("job",)),
    Row("workshop-letter", "get", SHOP, ("shipped",)),
    Row("workshop-letter-back", "post", SHOP, ("shipped",)),
    Row("workshop-job-ticket", "get", SHOP, ("job",)),
    Row("workshop-job", "get", SHOP, ("job",)),
    Row("workshop-job-step", "post", SHOP, ("job", "hold")),
    Row("workshop-job-override", "post", SHOP, ("job",)),
    Row("workshop-job-photo-add", "post", SHOP, ("job",)),
    Row("workshop-job-photo", "get", SHOP, ("job", "photo")),
    Row("workshop-job-propose", "get", SHOP, ("job",)),
    Row("workshop-job-cut-file", "get", SHOP, ("job",)),
    Row("workshop-job-original", "get", SHOP, ("job",)),
    Row("workshop-job-picture", "get", SHOP, ("job", "one")),
    Row("workshop-job-drawing", "get", SHOP, ("job", "one")),
    Row("workshop-job-hold", "get", SHOP, ("job", "one")),
    Row("workshop-sheet", "get", SHOP, ("run",)),
    *(
        Row(f"workshop-sheet-{n}", "post", SHOP, ("run",))
        for n in ("arrange", "nest", "add", "all-good")
    ),
    Row("workshop-sheet-step", "post", SHOP, ("run", "start")),
    Row("workshop-sheet-piece", "post", SHOP, ("run", "piece")),
    Row("workshop-sheet-cut-file", "get", SHOP, ("run",)),
    Row("workshop-sheet-placement", "get", SHOP, ("run",)),
    Row("workshop-mail-text", "get", SHOP, ("mail",)),
    Row("workshop-mail-again", "post", SHOP, ("mail",)),
    Row("workshop-mail-arrived", "post", SHOP, ("mail",)),
    Row("workshop-film", "get", SHOP, ("film_code",)),
    *(Row(f"workshop-dab{n}", "get", SHOP, ("film_code",)) for n in ("", "-cut-file", "-form")),
    Row("workshop-dab-forget", "post", SHOP, ("film_code",)),
    *(Row(f"workshop-price-{n}", "get", SHOP, ("draft",)) for n in ("sheet", "csv", "preview")),
    *(Row(f"workshop-kerf{n}", "get", SHOP, ("film_code",)) for n in ("", "-cut-file", "-form")),
    *(Row(f"workshop-kerf-{n}", "post", SHOP, ("film_code",)) for n in ("apply", "forget")),
    Row("workshop-stock", "get", SHOP, ("film_code",)),
    Row("workshop-stock-change", "post", SHOP, ("film_code", "bought")),
    Row("workshop-offcut-gone", "post", SHOP, ("offcut",)),
    Row("workshop-offcut-label", "get", SHOP, ("offcut",)),
    Row("workshop-sheet-offcuts", "post", SHOP, ("run",)),
    # fill names a film in its address (see outcome)
    Row("workshop-sheet-fill", "get", SHOP),
    Row("workshop-machine", "get", SHOP),
    *(Row(f"workshop-sheet-{n}", "post", SHOP, ("run",)) for n in ("stopped", "took")),
    *(Row(f"workshop-sheet-{n}", "get", SHOP, ("run",)) for n in ("order", "order-picture")),
    *(Row(f"workshop-{n}", "get", SHOP) for n in ("money", "books", "books-csv", "payments-csv")),
    *(Row(f"workshop-{n}", "get", SHOP) for n in ("shelf", "shares", "shares-csv")),
    *(Row(f"workshop-shelf-{n}", "post", SHOP, ("offer",)) for n in ("down", "undo")),
    Row("workshop-share-month", "get", SHOP, ("owner", "month")),
    Row("workshop-share-month-pdf", "get", SHOP, ("owner", "month")),
    Row("workshop-share-pay", "post", SHOP, ("owner", "month")),
    Row("workshop-share-unpay", "post", SHOP, ("mark",)),
    Row("workshop-share-back", "post", SHOP, ("share",)),
    Row("workshop-order-money", "get", SHOP, ("order",)),
    *(Row(f"workshop-order-{n}", "post", SHOP, ("order",)) for n in ("pay", "invoice", "credit")),
    Row("workshop-order-correct", "post", SHOP, ("order", "receipt")),
    Row("workshop-invoice-pdf", "get", SHOP, ("order", "invoice")),
    Row("workshop-receipt-pdf", "get", SHOP, ("order", "receipt")),
    Row("workshop-price-new", "post", SHOP),
    *(
        Row(f"workshop-price-{n}", "post", SHOP, ("draft",))
        for n in ("save", "csv-in", "publish", "remove")
    ),
)


@pytest.fixture
def world() -> dict[str, Any]:
    """One artist's drawing, order, job, photo, sheet and letter."""
    factories.price_sheet()
    factories.workshop()
    return world_of(factories.artist_person())


def world_of(owner: Person, number: int = 7) -> dict[str, Any]:
    """Everything of one artist that an address can name; ``number`` differs between artists."""
    version = factories.make_version(owner=owner, findings=[factories.THIN_WEB])
    factories.make_closer(version)
    order = factories.make_order(artist=owner)
    factories.make_line(order, version, quantity=2)
    artist = Actor(Event.Role.ARTIST, owner)
    quote = quoting.make_quote(order, artist)
    workflow.accept(quote, artist)
    job = order.jobs.get()
    cutter = Actor(Event.Role.WORKSHOP, factories.workshop_person())
    workflow.queue(job, cutter)
    blanks = factories.make_job(order, film=factories.make_blank_film())
    run = workflow.plan_run(blanks.film, [Place(blanks, 0, 0)], cutter)
    photo = job.photos.create(by=cutter.person)
    photo.file.save("p.jpg", ContentFile(factories.picture_png()))
    proposal = factories.make_version(
        version.design,
        proposal="offered",
        origin=Version.Origin.PROPOSAL,
        proposed_for=job,
    )
    message = order.messages.create(
        role=Event.Role.ARTIST,
        by=owner,
        job=job,
        version=job.version,
        text="Here.",
        press="p",
        pin_x_mm=40,
        pin_y_mm=30,
    )
    message.photo.save("p.jpg", ContentFile(factories.picture_png()))
    gone = factories.make_version(owner=owner).design
    privacy.remove_design(gone, artist)
    mail = Mail.objects.filter(order=order).first()
    assert mail is not None
    invoice = invoices.issue(order, cutter, press=f"world {number}")
    receipt = payments.pay(
        order,
        quote.total,
        cutter,
        kind="payment",
        method="cash",
        paid_on=today(),
        press=f"world {number}",
    )
    offcut = Offcut.objects.create(
        number=number, film=job.film, width_mm=100, height_mm=100, came_from=run
    )
    draft = PriceSheet.current(today()).copy_as_draft(f"Neap tide {number}", today())
    offer, share, mark = _sold_from_shelf(owner, cutter, number)
    return {
        "offer": offer.code,
        "offered": offer.sizes.get().version_id,
        "paint": "paint.png",
        "owner": owner.pk,
        "month": f"{today():%Y-%m}",
        "share": share.pk,
        "mark": mark.pk,
        "design": version.design.token,
        "gone": gone.token,
        "message": message.pk,
        "film_pk": job.film.pk,
        "one": 1,
        "film": "film.png",
        "part": "film",
        "before": "before",
        "film_code": job.film.code,
        "quote": quote.token,
        "link": order.link_token,
        "parcel": order.parcel_token,
        "order": order.code,
        "job": job.code,
        "photo": photo.pk,
        "proposal": proposal.number,
        "run": run.code,
        "piece": run.pieces.get().pk,
        "mail": mail.pk,
        "hold": "hold",
        "unpack": "unpack",
        "shipped": "shipped",
        "sent_parcel": order.parcels.create(carrier="Harbour Mail").pk,
        "blank": "6x6in",
        "letter": "letter",
        "start": "start",
        "bought": "bought",
        "offcut": offcut.number,
        "draft": draft.pk,
        "invoice": invoice.number,
        "receipt": receipt.number,
        "line": order.lines.get().pk,
    }


def _sold_from_shelf(
    owner: Person, cutter: Actor, number: int
) -> tuple[ShelfOffer, ShareLine, SharePayout]:
    """Another drawing of the owner's on the shelf, sold to somebody else, its share paid."""
    offer = factories.make_offer(factories.make_version(owner=owner))
    job = factories.sell(offer, cutter)
    factories.send(job, cutter)
    mark = shelf_money.pay(
        owner, today().replace(day=1), "USD", cutter, reference="by hand", press=f"share {number}"
    )
    return offer, ShareLine.objects.get(sale__offer=offer), mark


def client_for(role: str) -> Client:
    client = Client()
    if role == OWNER:
        client.force_login(factories.artist_person(), BACKEND)
    elif role == OTHER:
        other = factories.artist_person("moss@harbour.example", "Moss Breakwater")
        client.force_login(other, BACKEND)
    elif role == CUTTER:
        client.force_login(factories.workshop_person(), BACKEND)
    return client


def address_of(row: Row, world: dict[str, Any]) -> str:
    return reverse(row.name, args=[world[arg] for arg in row.args])


def let_go(response: Any) -> None:
    """Close a file that was handed out, without the end of the request, which ends the database."""
    for close in getattr(response, "_resource_closers", []):
        close()


def outcome(client: Client, row: Row, world: dict[str, Any]) -> Any:
    form = {"drawing": world["design"], "version": 1, "film": world["film_pk"], "quantity": 1}
    data = {
        "basket-add": form,
        "workshop-sheet-fill": {"film": world["film_code"]},
    }.get(row.name, {})
    response = getattr(client, row.method)(address_of(row, world), data)
    let_go(response)
    code = response.status_code
    if code == 302 and "/sign-in/?next=" in response["Location"]:
        return SIGN
    return IN if code in (200, 204, 286, 302, 400, 409, 422) else code


def each(rows: Iterable[Row]) -> Iterator[Row]:
    """Give rows one by one; what the visit of one changed is rolled back before the next."""
    for row in rows:
        with transaction.atomic():
            yield row
            transaction.set_rollback(True)


@pytest.mark.django_db
@pytest.mark.parametrize("role", [STRANGER, OWNER, OTHER, CUTTER])
def test_a_page_lets_in_whom_its_row_says(role: str, world: dict[str, Any]) -> None:
    got = {row.name: outcome(client_for(role), row, world) for row in each(ROWS)}
    assert len(got) == len(ROWS) > 150
    wanted = {row.name: row.codes[role] for row in ROWS}
    assert {name: code for name, code in got.items() if code != wanted[name]} == {}


@pytest.mark.django_db
def test_a_change_is_never_made_by_a_link(world: dict[str, Any]) -> None:
    for row in each(row for row in ROWS if row.method == "post"):
        assert client_for(CUTTER).get(address_of(row, world)).status_code == 405, row


@pytest.mark.django_db
def test_a_form_from_elsewhere_is_refused(world: dict[str, Any]) -> None:
    for row in each(row for row in ROWS if row.method == "post"):
        client = Client(enforce_csrf_checks=True)
        assert client.post(address_of(row, world)).status_code == 403, row


@pytest.mark.django_db
def test_ids_of_others_in_an_address_lead_nowhere(world: dict[str, Any]) -> None:
    stranger = factories.make_job()
    client = client_for(CUTTER)
    for name, args in (
        ("order-picture", (world["link"], stranger.code)),
        ("parcel-picture", (world["parcel"], stranger.code)),
        ("proposal-picture", (world["link"], stranger.code, world["proposal"])),
        ("order-photo", (world["link"], stranger.code, world["photo"])),
        ("workshop-job-photo", (stranger.code, world["photo"])),
        ("message-photo", (stranger.order.link_token, world["message"])),
        ("message-drawing", (stranger.order.link_token, world["message"])),
        ("workshop-message-photo", (stranger.order.code, world["message"])),
    ):
        assert client.get(reverse(name, args=args)).status_code == 404, name


def test_every_address_has_a_row() -> None:
    names = {pattern.name for pattern in _patterns(get_resolver().url_patterns)}
    assert names == {row.name for row in ROWS}


def _patterns(patterns: list[Any]) -> list[URLPattern]:
    found: list[URLPattern] = []
    for pattern in patterns:
        if isinstance(pattern, URLResolver):
            found += _patterns(pattern.url_patterns)
        else:
            found.append(pattern)
    return found
