"""Shares against examples worked by hand, and against sums over any history of sales."""

from __future__ import annotations

import csv
from collections import defaultdict
from decimal import Decimal
from io import StringIO
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from orders import shelf_money, shelf_sales, workflow
from orders.dates import today
from orders.errors import RefusedError
from orders.models import (
    Event,
    Job,
    Mail,
    Order,
    OrderLine,
    ShareLine,
    SharePayout,
    ShelfOffer,
    Workshop,
)
from orders.workflow import Actor
from pricing.models import PriceSheet
from tests import factories
from tests.prints.reading import page_sizes_mm, texts

BACKEND = "allauth.account.auth_backends.AuthenticationBackend"
ADDRESS = {
    "delivery": "post",
    "ship_name": "Wren Saltmarsh",
    "ship_line1": "3 Quay Steps",
    "ship_city": "Tidehaven",
    "ship_postcode": "TH 1",
    "ship_country": "Harbourland",
    "rights": "on",
}


def new_prices(**changes: Any) -> PriceSheet:
    """The first sheet with some fields changed, published today."""
    sheet = factories.price_sheet().copy_as_draft("Changed", today())
    for name, value in changes.items():
        setattr(sheet, name, value)
    sheet.save()
    from django.utils import timezone

    sheet.publish(timezone.now())
    return sheet


def offer_of(blank_code: str = "6x6in", percent: str = "15") -> ShelfOffer:
    factories.workshop()
    Workshop.objects.update(shelf_share_percent=Decimal(percent))
    owner = factories.artist_person()
    return factories.make_offer(factories.make_version(owner=owner, blank_code=blank_code))


@pytest.mark.parametrize(
    ("unit_price", "percent", "tax_percent", "currency", "share"),
    [
        # 8.00 x 15 / 100 = 1.2
        ("8.00", "15", "0", "USD", "1.20"),
        # 5.50 x 15 / 100 = 0.825: half up
        ("5.50", "15", "0", "USD", "0.83"),
        # 0.125 x 15 / 100 = 0.01875
        ("0.125", "15", "0", "USD", "0.02"),
        # prices that hold 20 % tax: 8.00 / 1.2 = 6.6667 without; x 15 % = 1.0000
        ("8.00", "15", "20", "EUR", "1.00"),
        # 9.00 x 12.5 / 107.25 = 1.048951...
        ("9.00", "12.5", "7.25", "USD", "1.05"),
        # yen have no smaller coin: 870 x 15 / 100 = 130.5: half up
        ("870", "15", "0", "JPY", "131"),
        # dinars have three decimals: 2.450 x 15 / 100 = 0.3675: half up
        ("2.450", "15", "0", "KWD", "0.368"),
        ("8.00", "0", "0", "USD", "0.00"),
        ("8.00", "100", "0", "USD", "8.00"),
    ],
)
def test_the_share_of_one_piece(
    unit_price: str, percent: str, tax_percent: str, currency: str, share: str
) -> None:
    got = shelf_sales.share_each(
        Decimal(unit_price), Decimal(percent), currency, tax_percent=Decimal(tax_percent)
    )
    assert f"{got:f}" == share


@pytest.mark.django_db
class TestBooked:
    def test_a_share_is_frozen_with_the_quote_and_booked_when_pieces_are_sent(
        self, cutter: Actor
    ) -> None:
        """2 of 6 x 6 in at 8.00: 15 % of 8.00 is 1.20 each, 2.40 in all."""
        factories.price_sheet()
        offer = offer_of()
        job = factories.sell(offer, cutter)
        sale = job.shelf_sale
        assert (sale.unit_price, sale.share_each) == (Decimal("8.00"), Decimal("1.20"))
        assert not ShareLine.objects.exists()  # accepted and queued, not sent
        factories.send(job, cutter)
        line = ShareLine.objects.get()
        assert (line.pieces, line.amount, line.currency) == (2, Decimal("2.40"), "USD")
        assert line.booked_on == today()

    def test_the_price_of_the_quantity_break_counts(self, cutter: Actor) -> None:
        """From 5 pieces 6.80: 6.80 x 15 % = 1.02 each; 5 x 1.02 = 5.10."""
        factories.price_sheet()
        job = factories.sell(offer_of(), cutter, quantity=5)
        factories.send(job, cutter)
        assert ShareLine.objects.get().amount == Decimal("5.10")

    def test_prices_that_hold_tax_are_taken_without_it(self, cutter: Actor) -> None:
        """8.00 with 20 % in it is 6.67 without; 15 % of 8.00 / 1.2 = 1.00 each; 3 pieces 3.00."""
        new_prices(tax_name="VAT", tax_rate=Decimal(20), tax_inclusive=True)
        job = factories.sell(offer_of(), cutter, quantity=3)
        factories.send(job, cutter)
        assert ShareLine.objects.get().amount == Decimal("3.00")

    def test_parcels_of_a_part_come_to_the_same_sum(self, cutter: Actor) -> None:
        """4 x 4 in at 5.50: 0.825 is 0.83 each, however they are split: 1 + 2 + 1 = 4 x 0.83."""
        factories.price_sheet()
        job = factories.sell(offer_of("4x4in"), cutter, quantity=4)
        for pieces in (1, 2, 1):
            factories.send(job, cutter, pieces)
        amounts = [line.amount for line in ShareLine.objects.all()]
        assert amounts == [Decimal("0.83"), Decimal("1.66"), Decimal("0.83")]
        assert sum(amounts) == Decimal("3.32")

    def test_a_parcel_taken_back_takes_its_shares_back_by_lines_of_their_own(
        self, cutter: Actor
    ) -> None:
        """2 sent: 2.40; undone: -2.40; sent again: 2.40. In all 2.40."""
        factories.price_sheet()
        job = factories.sell(offer_of(), cutter)
        factories.send(job, cutter)
        workflow.undo(job, cutter)
        job.refresh_from_db()
        workflow.ship(job.order, cutter, [job], carrier="Harbour Mail")
        told = [(row.kind, row.pieces, row.amount) for row in ShareLine.objects.all()]
        assert told == [
            ("booked", 2, Decimal("2.40")),
            ("back", -2, Decimal("-2.40")),
            ("booked", 2, Decimal("2.40")),
        ]

    def test_refunded_pieces_are_taken_back_once_and_never_more_than_there_are(
        self, cutter: Actor
    ) -> None:
        factories.price_sheet()
        job = factories.sell(offer_of(), cutter, quantity=3)
        factories.send(job, cutter)
        line = ShareLine.objects.get()
        for _ in range(2):  # the same form pressed twice
            shelf_money.take_back_by_hand(line, 1, cutter, why="Torn in the post.", press="p")
        assert ShareLine.objects.count() == 2
        assert ShareLine.objects.last().amount == Decimal("-1.20")  # type: ignore[union-attr]
        with pytest.raises(RefusedError, match="2 are left to take back"):
            shelf_money.take_back_by_hand(line, 3, cutter, why="All.", press="q")
        workflow.undo(job, cutter)  # the rest goes back with the parcel
        assert sum(row.pieces for row in ShareLine.objects.all()) == 0

    def test_rows_of_shares_are_never_altered(self, cutter: Actor) -> None:
        factories.price_sheet()
        job = factories.sell(offer_of(), cutter)
        factories.send(job, cutter)
        line = ShareLine.objects.get()
        line.amount = Decimal(1)
        for change in (line.save, line.delete, ShareLine.objects.all().delete):
            with pytest.raises(RefusedError):
                change()

    def test_called_off_before_it_was_sent_nothing_is_owed(self, cutter: Actor) -> None:
        factories.price_sheet()
        job = factories.sell(offer_of(), cutter)
        workflow.cancel(job, cutter, why="The buyer changed their mind.")
        assert not ShareLine.objects.exists()

    def test_ones_own_order_of_a_drawing_books_nothing(self, cutter: Actor) -> None:
        factories.price_sheet()
        offer = offer_of()
        client = Client()
        client.force_login(offer.artist, BACKEND)
        version = offer.sizes.get().version
        form = {"size": version.pk, "quantity": 1, "film": factories.make_film().pk}
        client.post(reverse("shelf-add", args=[offer.code]), form)
        line = offer.artist.orders.get(placed_at=None).lines.get()
        assert line.shelf_offer is None

    @pytest.mark.parametrize("signs_in", [False, True])
    def test_nobody_owes_artists_a_share_of_what_they_bought_themselves(
        self, cutter: Actor, signs_in: bool
    ) -> None:
        """Signed in, that is: by typing the artist's address a buyer takes no share away."""
        factories.price_sheet()
        offer = offer_of()
        version, client = offer.sizes.get().version, Client()
        form = {"size": version.pk, "quantity": 2, "film": factories.make_film().pk}
        client.post(reverse("shelf-add", args=[offer.code]), form | {"with_cut_outs": "on"})
        assert OrderLine.objects.get().shelf_offer == offer  # nobody knows yet who it is
        if signs_in:
            basket = Order.objects.get()
            client.force_login(offer.artist, BACKEND)
            Order.objects.filter(pk=basket.pk).update(artist=offer.artist)
        client.post(reverse("basket-place"), ADDRESS | {"email": offer.artist.email})
        order = offer.artist.orders.get()
        quote = order.quotes.get()
        share = Decimal(0) if signs_in else Decimal("1.20")
        assert Decimal(quote.request[0]["shelf"]["share_each"]) == share
        workflow.accept(quote, Actor(Event.Role.ARTIST, offer.artist))
        job = order.jobs.get()
        assert job.shelf_sale.share_each == share
        workflow.queue(job, cutter)
        factories.send(job, cutter)
        assert [line.amount for line in ShareLine.objects.all()] == [2 * share] * (not signs_in)
        again = client.post(
            reverse("order-again", args=[order.link_token]),
            {f"again-{job.code}-pieces": 2},
        )
        anew = Order.objects.latest("pk").quotes.get()
        assert again["Location"] == reverse("quote", args=[anew.token])
        assert anew.order.pk != order.pk
        assert Decimal(anew.request[0]["shelf"]["share_each"]) == share

    def test_an_order_under_the_artists_address_opens_nothing_of_the_drawing(
        self, cutter: Actor
    ) -> None:
        """Whoever typed the address has not shown that it is theirs."""
        factories.price_sheet()
        offer = offer_of()
        version, client = offer.sizes.get().version, Client()
        form = {"size": version.pk, "quantity": 2, "film": factories.make_film().pk}
        client.post(reverse("shelf-add", args=[offer.code]), form)
        client.post(reverse("basket-place"), ADDRESS | {"email": offer.artist.email})
        quote = offer.artist.orders.get().quotes.get()
        client.post(reverse("quote-accept", args=[quote.token]))
        client.get(reverse("order", args=[quote.order.link_token]))
        assert quote.order.jobs.count() == 1
        assert client.get(reverse("drawing", args=[version.design.token])).status_code == 404

    def test_a_sale_frozen_to_the_artist_themselves_before_is_not_booked(
        self, cutter: Actor
    ) -> None:
        factories.price_sheet()
        job = factories.sell(offer_of(), cutter)
        artist = job.shelf_sale.offer.artist
        Order.objects.filter(pk=job.order_id).update(artist=artist)
        Event.objects.filter(order=job.order, action="place").update(by=artist)
        factories.send(Job.objects.get(pk=job.pk), cutter)
        assert not ShareLine.objects.exists()


@pytest.mark.django_db
class TestPaid:
    @pytest.fixture
    def sold(self, cutter: Actor) -> Job:
        factories.price_sheet()
        job = factories.sell(offer_of(), cutter)
        factories.send(job, cutter)
        return job

    def pay(self, sold: Job, cutter: Actor, press: str = "p", **values: Any) -> SharePayout:
        artist = sold.shelf_sale.offer.artist
        usual = {"reference": "by hand"} | values
        return shelf_money.pay(artist, today().replace(day=1), "USD", cutter, press=press, **usual)

    def test_a_month_is_marked_once_mailed_and_taken_back(self, sold: Job, cutter: Actor) -> None:
        assert self.pay(sold, cutter) == self.pay(sold, cutter)
        payout = SharePayout.objects.get()
        assert payout.amount == Decimal("2.40")
        letter = Mail.objects.get(kind="shelf-paid")
        assert "USD 2.40" in letter.body
        assert letter.to == "wren@harbour.example"
        with pytest.raises(RefusedError, match="Nothing is owed"):
            self.pay(sold, cutter, press="another form")
        assert shelf_money.unpay(payout, cutter) == shelf_money.unpay(payout, cutter)
        letter.refresh_from_db()
        assert letter.status == Mail.Status.WITHDRAWN
        assert [row.amount for row in SharePayout.objects.all()] == [
            Decimal("2.40"),
            Decimal("-2.40"),
        ]
        assert shelf_money.owed_today() == {"USD": Decimal("2.40")}

    def test_what_is_taken_back_after_it_was_paid_is_set_off(
        self, sold: Job, cutter: Actor
    ) -> None:
        """Paid 2.40; one piece refunded, -1.20: -1.20 owed; set off: nothing owed."""
        self.pay(sold, cutter)
        line = ShareLine.objects.get()
        shelf_money.take_back_by_hand(line, 1, cutter, why="Refunded.", press="b")
        assert shelf_money.owed_today() == {"USD": Decimal("-1.20")}
        mails = Mail.objects.filter(kind="shelf-paid").count()
        self.pay(sold, cutter, press="set off")
        assert shelf_money.owed_today() == {"USD": Decimal(0)}
        assert Mail.objects.filter(kind="shelf-paid").count() == mails  # no money on its way

    def test_a_reference_is_no_card(self, sold: Job, cutter: Actor) -> None:
        with pytest.raises(RefusedError, match="number of a card"):
            self.pay(sold, cutter, reference="4111 1111 1111 1111")  # a test number

    def test_the_artists_statement_says_nothing_of_who_bought(
        self, sold: Job, cutter: Actor
    ) -> None:
        client = Client()
        client.force_login(sold.shelf_sale.offer.artist, BACKEND)
        month = f"{today():%Y-%m}"
        page = client.get(reverse("mine-shares", args=[month])).content.decode()
        table = client.get(reverse("mine-shares-csv", args=[month])).content.decode()
        mine = client.get(reverse("mine-shelf")).content.decode()
        for text in (page, table, mine):
            for secret in ("Tern", "tern@", "Quay Steps", sold.code, sold.order.code):
                assert secret not in text, secret
        row = next(csv.DictReader(StringIO(table)))
        assert (row["pieces"], row["share_each"], row["amount"]) == ("2", "1.20", "2.40")

    def test_the_statement_on_paper_is_the_same_for_both_sides_and_tells_no_buyer(
        self, sold: Job, cutter: Actor
    ) -> None:
        """2 sold and 1 taken back, 1.20 each, 2.40 paid: -1.20 to be set off."""
        artist = sold.shelf_sale.offer.artist
        self.pay(sold, cutter, reference="bank line 7")
        line = ShareLine.objects.get()
        shelf_money.take_back_by_hand(line, 1, cutter, why="Refunded.", press="b")
        month = f"{today():%Y-%m}"
        own, shop = Client(), Client()
        own.force_login(artist, BACKEND)
        shop.force_login(cutter.person, BACKEND)
        answer = own.get(reverse("mine-shares-pdf", args=[month]))
        assert answer["Content-Type"] == "application/pdf"
        assert answer["Content-Disposition"] == f'inline; filename="shares-{month}.pdf"'
        same = shop.get(reverse("workshop-share-month-pdf", args=[artist.pk, month]))
        assert same.content == answer.content
        (text,) = texts(answer.content)
        for told in (
            f"Shares of {today():%B %Y}",
            f"2 × {sold.version.design.title}, 6 × 6 in",
            "USD 2.40",
            "taken back",
            "Refunded.",
            "In all, 1 piece",
            "bank line 7",
            "Set off against other months",
        ):
            assert told in text, told
        for secret in ("Tern", "tern@", "Quay Steps", sold.code, sold.order.code):
            assert secret not in text, secret
        letter = own.get(reverse("mine-shares-pdf", args=[month]), {"paper": "letter"})
        assert page_sizes_mm(letter.content)[0] == pytest.approx((215.9, 279.4), abs=0.1)
        page = own.get(reverse("mine-shares", args=[month])).content.decode()
        assert reverse("mine-shares-pdf", args=[month]) in page
        assert own.get(reverse("mine-shares-pdf", args=["1999-01"])).status_code == 404

    def test_the_workshops_csv_adds_up_and_holds_no_formula(self, sold: Job, cutter: Actor) -> None:
        sold.version.design.title = "=1+1"
        sold.version.design.save()
        client = Client()
        client.force_login(cutter.person, BACKEND)
        text = client.get(reverse("workshop-shares-csv")).content.decode()
        rows = list(csv.DictReader(StringIO(text)))
        assert sum(Decimal(row["amount"]) for row in rows) == Decimal("2.40")
        assert rows[0]["drawing"] == "'=1+1"
        assert rows[0]["job"] == sold.code

    def test_the_books_tell_what_is_owed(self, sold: Job, cutter: Actor) -> None:
        client = Client()
        client.force_login(cutter.person, BACKEND)
        page = client.get(reverse("workshop-books")).content.decode()
        assert "Owed to artists of the shelf" in page
        assert "USD 2.40" in page


STEPS = st.lists(
    st.tuples(
        st.sampled_from(["sell", "send", "undo", "call-off", "back", "pay", "unpay"]),
        st.integers(0, 7),
        st.integers(1, 4),
    ),
    max_size=14,
)


class TestAnyHistory(TestCase):
    """Statements against sums over the rows, whatever was sold, undone, refunded and paid."""

    @settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
    @given(steps=STEPS)
    def test_a_statement_is_the_sum_of_its_lines(self, steps: list[tuple[str, int, int]]) -> None:
        factories.price_sheet()
        cutter = Actor(Event.Role.WORKSHOP, factories.workshop_person())
        offers = [offer_of(blank) for blank in ("6x6in", "4x4in")]
        jobs: list[Job] = []
        for number, (step, which, pieces) in enumerate(steps):
            self.take(step, which, pieces, number, offers, jobs, cutter)
        self.look()

    def take(
        self,
        step: str,
        which: int,
        pieces: int,
        number: int,
        offers: list[ShelfOffer],
        jobs: list[Job],
        cutter: Actor,
    ) -> None:
        """Take a step as far as it applies; what does not is refused and changes nothing."""
        if step == "sell":
            jobs.append(factories.sell(offers[which % 2], cutter, quantity=pieces))
            return
        job = jobs[which % len(jobs)] if jobs else None
        if job is not None:
            job.refresh_from_db()
        lines = list(ShareLine.objects.filter(kind="booked"))
        artist, month = offers[0].artist, today().replace(day=1)
        if step == "send" and job and not job.is_over and job.shipped < job.quantity:
            factories.send(job, cutter, min(pieces, job.quantity - job.shipped))
        elif step == "undo" and job and job.shipped and workflow.last_undoable(job):
            workflow.undo(job, cutter)
            job.refresh_from_db()
            workflow.unpack(job, cutter)
            job.refresh_from_db()
            workflow.count(job, cutter, good=-(job.cut - job.packed), spoiled=1)
        elif step == "call-off" and job and job.status == "queued" and not job.cut:
            workflow.cancel(job, cutter, why="Off.")
        elif step == "back" and lines:
            line = lines[which % len(lines)]
            left = shelf_sales.left_of(line)
            if left:
                some = min(pieces, left)
                shelf_money.take_back_by_hand(line, some, cutter, why="B.", press=f"b{number}")
        elif step == "pay" and shelf_money.owed_today().get("USD"):
            shelf_money.pay(artist, month, "USD", cutter, reference="", press=f"p{number}")
        elif step == "unpay":
            payout = SharePayout.objects.filter(counters=None, countered_by=None).last()
            if payout is not None:
                shelf_money.unpay(payout, cutter)

    def look(self) -> None:
        lines, payouts = list(ShareLine.objects.all()), list(SharePayout.objects.all())
        sums: dict[Any, Decimal] = defaultdict(Decimal)
        for line in lines:
            assert line.amount == line.pieces * line.sale.share_each
            sums[line.artist_id, line.booked_on.replace(day=1)] += line.amount
        statements = shelf_money.statements()
        told = {(row.artist_id, row.month): row.booked for row in statements}
        assert {key: amount for key, amount in told.items() if amount} == {
            key: amount for key, amount in sums.items() if amount
        }
        assert [
            (row.month, row.artist_id, row.currency, row.pieces, row.booked, row.paid)
            for row in shelf_money.month_sums()
        ] == [
            (row.month, row.artist_id, row.currency, row.pieces, row.booked, row.paid)
            for row in statements
        ]
        paid = sum((payout.amount for payout in payouts), Decimal(0))
        owed = sum((row.owed for row in statements), Decimal(0))
        assert owed == sum(sums.values(), Decimal(0)) - paid
        assert owed == sum(shelf_money.owed_today().values(), Decimal(0))
        for job in Job.objects.filter(shelf_sale__isnull=False):
            # what was taken back by hand left the workshop all the same
            by_hand = sum(
                line.pieces
                for line in lines
                if line.sale.job_id == job.pk and line.press.startswith("by-hand")
            )
            booked = sum(line.pieces for line in lines if line.sale.job_id == job.pk)
            refunded = sum(
                -line.pieces
                for line in lines
                if line.sale.job_id == job.pk and line.kind == "back" and line.why == "B."
            )
            gone = sum(line.count for line in job.parcel_lines.filter(parcel__withdrawn_at=None))
            assert by_hand == 0
            assert 0 <= booked <= gone
            assert gone - booked <= refunded
