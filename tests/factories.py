"""Rows for tests, made through the models directly; statuses are set as a test needs them."""

from __future__ import annotations

from datetime import timedelta
from io import BytesIO
from itertools import count
from typing import Any

from django.core.files.base import ContentFile
from django.utils import timezone
from PIL import Image, ImageDraw
from shapely.geometry import Polygon

from geometry.limits import BLANKS, default_limits
from geometry.stencil import Stencil
from orders import quoting, shelf, workflow
from orders.dates import today
from orders.models import (
    Closer,
    Design,
    Event,
    Film,
    Job,
    Order,
    OrderLine,
    Parcel,
    Person,
    ShelfOffer,
    Upload,
    Version,
    Workshop,
)
from orders.workflow import Actor
from pricing.first_sheet import first_price_sheet
from pricing.models import PriceSheet

_numbers = count(1)

ISLAND: dict[str, Any] = {
    "id": 1,
    "key": "island@40.0,40.0",
    "kind": "island",
    "severity": "reject",
    "at_mm": [40.0, 40.0],
    "outline_mm": [[35, 35], [45, 35], [45, 45], [35, 45]],
    "area_mm2": 100.0,
    "limit_mm2": 1.0,
    "message": "The inside of this loop near the top left will fall out.",
    "remedy": "Leave a white gap of 1.5 mm across the line in two places at least.",
}
THIN_WEB: dict[str, Any] = {
    "id": 1,
    "key": "thin-web@90.0,60.0",
    "kind": "thin-web",
    "severity": "warn",
    "at_mm": [90.0, 60.0],
    "outline_mm": [[88, 59], [92, 59], [92, 61], [88, 61]],
    "width_mm": 0.7,
    "length_mm": 4.0,
    "limit_mm": 1.0,
    "message": "The film between these two lines is narrow and may melt.",
    "remedy": "Move the lines apart until 1 mm of white is left between them.",
}


def workshop_person(email: str = "cutter@harbour.example", password: str = "tide-table") -> Person:
    known = Person.objects.filter(email=email).first()
    return known or Person.objects.create_workshop(email, password, "Ebb Harbourside")


def artist_person(email: str = "wren@harbour.example", name: str = "Wren Saltmarsh") -> Person:
    return Person.objects.for_email(email, name)


def workshop() -> Workshop:
    row = Workshop.current()
    row.name, row.email = "Slipway Cutting Shed", "shed@harbour.example"
    row.save()
    return row


def price_sheet() -> PriceSheet:
    return first_price_sheet()


def make_film(code: str = "pet-0.1905", **values: Any) -> Film:
    defaults = {
        "name": "PET 0.19 mm (7.5 mil)",
        "thickness_mm": "0.1905",
        "form": "sheet",
        "sheet_width_mm": 304.8,
        "sheet_height_mm": 609.6,
    }
    return Film.objects.get_or_create(code=code, defaults=defaults | values)[0]


def make_blank_film(blank_code: str = "6x6in") -> Film:
    return make_film(
        f"pet-0.1905-{blank_code}",
        name=f"PET 0.19 mm, cut to {BLANKS[blank_code].name}",
        form="blank",
        sheet_width_mm=None,
        sheet_height_mm=None,
        blank_code=blank_code,
    )


def picture_png(size: int = 240) -> bytes:
    """A white square with a black ring, as a scan of nothing much."""
    image = Image.new("L", (size, size), 255)
    ImageDraw.Draw(image).ellipse(
        (size * 0.2, size * 0.2, size * 0.8, size * 0.8), outline=0, width=size // 12
    )
    out = BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


def make_stencil(blank_code: str = "6x6in") -> Stencil:
    """Two square openings of 20 mm, one of them with nothing in it, well inside the blank."""
    squares = tuple(Polygon([(x, 20), (x + 20, 20), (x + 20, 40), (x, 40)]) for x in (20.0, 50.0))
    return Stencil(blank_mm=BLANKS[blank_code].size_mm, mode="stencil", openings=squares[:1])


def make_report(status: str, findings: list[dict[str, Any]], blank_code: str) -> dict[str, Any]:
    size = list(BLANKS[blank_code].size_mm)
    return {
        "schema": 1,
        "file": "snail.png",
        "sha256": "0" * 64,
        "verdict": status,
        "error": {"code": "blank", "message": "Nothing is drawn on this paper."}
        if status == "unreadable"
        else None,
        "page": {
            "corners_px": [[0, 0], [239, 0], [239, 239], [0, 239]],
            "px_per_mm": 11.81,
            "found": "whole-image",
        },
        "stencil": {
            "blank_mm": size,
            "openings": 1,
            "outline_mm": 80.0,
            "opening_area_mm2": 400.0,
            "min_opening_mm": 20.0,
            "min_web_mm": 20.0,
            "cut_outs": 1,
        },
        "limits": default_limits(BLANKS[blank_code].size_mm).to_json(),
        "findings": findings,
        "seconds": {"total": 0.4},
    }


def make_design(*, visitor: str = "", owner: Person | None = None, title: str = "") -> Design:
    return Design.objects.create(
        title=title or f"Snail {next(_numbers)}", visitor=visitor, owner=owner
    )


def make_closer(version: Version, *, lift_mm: float = 3.6, film_mm: float = 0.1905) -> Closer:
    """A closer look as the worker would leave it: one flap that lifts, from one film."""
    word = "sits flat" if lift_mm <= 1 else "may lift" if lift_mm <= 3 else "hangs free"
    place = {"at_mm": [40.0, 60.0], "compliance_mm_per_n": 200.0, "lift_mm": lift_mm, "word": word}
    lift = {"worst": [place], "film_mm": film_mm, "frame_mm": 6.0, "dab_n": 0.02, "estimated": True}
    closer = Closer(version=version, status="done", lift=lift, done_at=timezone.now())
    closer.bridges = {"bridges": [], "after": {"verdict": "passed", "islands": 0, "flaps": 0}}
    closer.hold_picture.save("hold.png", ContentFile(picture_png()), save=False)
    closer.lift_field.save("field.png", ContentFile(picture_png()), save=False)
    closer.save()
    return closer


def make_version(
    design: Design | None = None,
    *,
    status: str = "passed",
    findings: list[dict[str, Any]] | None = None,
    blank_code: str = "6x6in",
    mode: str = "stencil",
    owner: Person | None = None,
    visitor: str = "",
    **values: Any,
) -> Version:
    """A version as the check would leave it, files in the store included."""
    design = design or make_design(owner=owner, visitor=visitor)
    upload = design.uploads.first()
    if upload is None:
        upload = Upload(design=design, name="snail.png", sha256="0" * 64, size_bytes=1)
        upload.file.save("upload", ContentFile(picture_png()), save=False)
        upload.save()
    if findings is None:
        findings = [dict(ISLAND)] if status == "rejected" else []
    settled = status not in ("waiting", "checking")
    version = Version(
        design=design,
        upload=upload,
        number=design.versions.count() + 1,
        recipe={"schema": 1, "mode": mode, "blank_mm": list(BLANKS[blank_code].size_mm)},
        blank_code=blank_code,
        limits=default_limits(BLANKS[blank_code].size_mm).to_json(),
        status=status,
        checked_at=timezone.now() if settled else None,
        report=make_report(status, findings, blank_code) if settled else None,
        **values,
    )
    if settled and status != "unreadable":
        version.film_picture.save("film.png", ContentFile(picture_png()), save=False)
        version.drawing_picture.save("drawing.jpg", ContentFile(_jpeg()), save=False)
        version.stencil.save(
            "s.stencil", ContentFile(make_stencil(blank_code).to_bytes()), save=False
        )
    version.save()
    return version


def make_order(
    *,
    artist: Person | None = None,
    placed: bool = True,
    accepted: bool = False,
    **values: Any,
) -> Order:
    now = timezone.now()
    return Order.objects.create(
        artist=artist or artist_person(),
        placed_at=now if placed else None,
        rights_confirmed_at=now if placed else None,
        accepted_at=now if accepted else None,
        promise_on=today() + timedelta(days=7) if accepted else None,
        ship_name=values.pop("ship_name", "Wren Saltmarsh"),
        ship_line1="3 Quay Steps",
        ship_city="Tidehaven",
        ship_postcode="TH 1",
        ship_country="Harbourland",
        **values,
    )


def make_line(order: Order, version: Version | None = None, **values: Any) -> OrderLine:
    version = version or make_version(owner=order.artist)
    film = values.pop("film", None) or make_film()
    return OrderLine.objects.create(order=order, version=version, film=film, **values)


def make_job(
    order: Order | None = None,
    *,
    status: str = "queued",
    version: Version | None = None,
    quantity: int = 2,
    promise_in_days: int = 5,
    **values: Any,
) -> Job:
    """A job in a status, with the counts that go with it unless given."""
    order = order or make_order(accepted=True)
    version = version or make_version(owner=order.artist)
    counts = {
        "cut": {"cut": quantity},
        "packed": {"cut": quantity, "packed": quantity},
        "shipped": {"cut": quantity, "packed": quantity, "shipped": quantity},
        "handed-over": {"cut": quantity, "packed": quantity, "shipped": quantity},
    }.get(status, {})
    return Job.objects.create(
        code=f"{order.code}-{order.jobs.count() + 1}",
        order=order,
        version=version,
        film=values.pop("film", None) or make_film(),
        quantity=quantity,
        status=status,
        promise_on=today() + timedelta(days=promise_in_days),
        cut_outs_expected=version.cut_outs * quantity,
        **(counts | values),
    )


def make_offer(*versions: Version, shown_name: str = "Wren of the Quay") -> ShelfOffer:
    """Versions of one owner put on the shelf, as by the owner's own consent."""
    owner = versions[0].design.owner
    assert owner is not None
    return shelf.offer(
        versions[0].design,
        Actor(Event.Role.ARTIST, owner),
        list(versions),
        shown_name=shown_name,
        payee_name=owner.name,
        pay_to="I collect it at the shed",
        agreed_percent=Workshop.current().shelf_share_percent,
    )


def buyer_person() -> Person:
    return artist_person("tern@harbour.example", "Tern Ropewalk")


def sell(
    offer: ShelfOffer, cutter: Actor, *, quantity: int = 2, version: Version | None = None
) -> Job:
    """A job of an offer in the queue, bought by somebody else through basket, quote, acceptance."""
    buyer = buyer_person()
    order = make_order(artist=buyer, placed=False, ship_name=buyer.name)
    version = version or offer.sizes.first().version  # type: ignore[union-attr]
    make_line(order, version, quantity=quantity, shelf_offer=offer)
    actor = Actor(Event.Role.ARTIST, buyer)
    quote = quoting.place_order(order, buyer, actor, rights_confirmed=True)
    workflow.accept(quote, actor)
    job = order.jobs.get()
    workflow.queue(job, cutter)
    return job


def send(job: Job, cutter: Actor, pieces: int | None = None) -> Parcel:
    """Cut, pack and send pieces of a job, all that are left unless a number is given."""
    pieces = job.quantity - job.shipped if pieces is None else pieces
    if job.status == Job.Status.QUEUED and not job.cut:
        workflow.start(job, cutter)
    workflow.count(job, cutter, good=pieces)
    bagged = {"cut_outs_bagged": 0} if job.cut_outs_expected else {}
    if job.cut == job.quantity:
        workflow.pack(job, cutter, **bagged)
    else:
        workflow.pack_part(job, cutter, pieces=pieces, **bagged)
    return workflow.ship(job.order, cutter, [job], carrier="Harbour Mail")


def _jpeg() -> bytes:
    out = BytesIO()
    Image.open(BytesIO(picture_png())).save(out, "JPEG")
    return out.getvalue()
