"""Everything of one person in one zip: the files, a data.json and an index.html to read.

The zip is streamed: rows are read first, then one stored file after the other goes out, so that
memory does not grow with the number of drawings.
"""

from __future__ import annotations

import json
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from django.core.files.storage import default_storage
from django.db.models import QuerySet
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.text import slugify

from pricing.money import currency_decimals

from .models import (
    Design,
    Event,
    Job,
    Mail,
    Message,
    Order,
    Person,
    ShelfPayee,
    Version,
    Workshop,
)

SCHEMA = 1
CHUNK_BYTES = 256 * 1024
READ_AT_ONCE = 200


@dataclass
class Everything:
    """What goes into the zip: the data, and (name in the zip, name in the store) of each file."""

    data: dict[str, Any]
    files: list[tuple[str, str]] = field(default_factory=list)


def everything_of(
    designs: QuerySet[Design], orders: QuerySet[Order], person: Person | None
) -> Everything:
    """Gather what belongs to a person or to a browser session; the caller says which rows.

    Letters are only given to somebody signed in: the address is theirs, proved by a code.
    """
    files: list[tuple[str, str]] = []
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "made_at": _iso(timezone.now()),
        "workshop": Workshop.current().name,
        "person": _person(person),
        "drawings": [_drawing(design, files) for design in _with_versions(designs)],
        "orders": [_order(order, files) for order in _with_jobs(orders)],
        "letters": _letters(person),
        "shelf": shelf_of(person),
    }
    return Everything(data, files)


def zip_of(everything: Everything) -> Iterator[bytes]:
    """Yield the zip's bytes. A file that is missing in the store is named in missing.txt."""
    out = _Out()
    missing = []
    written: Any = out  # has all that a zip written in one go needs: write and flush
    with zipfile.ZipFile(written, "w", zipfile.ZIP_STORED) as archive:
        for name, stored in everything.files:
            try:
                source = default_storage.open(stored, "rb")
            except FileNotFoundError:
                missing.append(name)
                continue
            with source, archive.open(name, "w", force_zip64=True) as target:
                while chunk := source.read(CHUNK_BYTES):
                    target.write(chunk)
                    yield out.taken()
            yield out.taken()
        if missing:
            archive.writestr("missing.txt", "\n".join(missing) + "\n")
        text = json.dumps(everything.data, ensure_ascii=False, indent=2)
        archive.writestr("data.json", text, zipfile.ZIP_DEFLATED)
        page = render_to_string("account/export.html", {"data": everything.data})
        archive.writestr("index.html", page, zipfile.ZIP_DEFLATED)
    yield out.taken()


class _Out:
    """A file that is only written to; what was written is taken away in pieces."""

    def __init__(self) -> None:
        self.parts: list[bytes] = []

    def write(self, data: bytes, /) -> int:
        self.parts.append(bytes(data))
        return len(data)

    def flush(self) -> None:
        pass

    def taken(self) -> bytes:
        parts, self.parts = self.parts, []
        return b"".join(parts)


def _with_versions(designs: QuerySet[Design]) -> Iterator[Design]:
    rows = designs.order_by("created_at", "id").prefetch_related("versions__upload", "uploads")
    return rows.iterator(chunk_size=READ_AT_ONCE)


def _with_jobs(orders: QuerySet[Order]) -> Iterator[Order]:
    rows = orders.order_by("created_at", "id").prefetch_related(
        "jobs__version__design",
        "jobs__film",
        "jobs__photos",
        "quotes",
        "parcels__lines__job",
        "messages__job",
        "lines__version__design",
    )
    return rows.iterator(chunk_size=READ_AT_ONCE)


def _person(person: Person | None) -> dict[str, Any] | None:
    if person is None:
        return None
    return {"email": person.email, "name": person.name, "since": _iso(person.joined_at)}


def _drawing(design: Design, files: list[tuple[str, str]]) -> dict[str, Any]:
    folder = f"drawings/{design.pk:06d}-{slugify(design.title)[:40] or 'drawing'}"
    originals = {}
    for number, upload in enumerate(sorted(design.uploads.all(), key=lambda u: u.pk), start=1):
        name = f"{folder}/original-{number}-{plain_name(upload.name)}"
        originals[upload.pk] = name
        _add(files, name, upload.file.name)
    return {
        "name": design.title,
        "note": design.note,
        "put_in_at": _iso(design.created_at),
        "deleted_at": _iso(design.removed_at),
        "versions": [
            _version(version, folder, originals.get(version.upload_id, ""), files)
            for version in design.versions.all()
        ],
    }


def _version(
    version: Version, folder: str, original: str, files: list[tuple[str, str]]
) -> dict[str, Any]:
    film, drawn = f"{folder}/v{version.number}-film.png", f"{folder}/v{version.number}-drawing.jpg"
    has_film = _add(files, film, version.film_picture.name)
    has_drawn = _add(files, drawn, version.drawing_picture.name)
    return {
        "number": version.number,
        "kind": version.mode,
        "origin": version.get_origin_display(),
        "made_at": _iso(version.created_at),
        "size": version.blank.name,
        "answer": version.get_status_display(),
        "findings": [finding.get("message", "") for finding in version.findings],
        "recipe": version.recipe,
        "original": original,
        "original_name": version.upload.name,
        "film_picture": film if has_film else None,
        "drawing_picture": drawn if has_drawn else None,
    }


def _order(order: Order, files: list[tuple[str, str]]) -> dict[str, Any]:
    folder = f"orders/{order.code}"
    return {
        "code": order.code,
        "asked_at": _iso(order.placed_at),
        "accepted_at": _iso(order.accepted_at),
        "promised_for": order.promise_on.isoformat() if order.promise_on else None,
        "delivery": order.get_delivery_display(),
        "address": order.address_lines,
        "note": order.note,
        "quotes": [
            {
                "number": quote.number,
                "stands": quote.get_status_display(),
                "total": f"{quote.total:.2f}",
                "currency": quote.currency,
                "good_until": quote.valid_until.isoformat(),
                "lines": quote.lines,
                "taxes": quote.taxes,
            }
            for quote in order.quotes.all()
        ],
        "jobs": [_job(job, folder, files) for job in order.jobs.all()],
        "parcels": [
            {
                "sent_at": _iso(parcel.sent_at),
                "carrier": parcel.carrier,
                "tracking": parcel.tracking,
                "collected": parcel.collected,
                "pieces": {line.job.code: line.count for line in parcel.lines.all()},
            }
            for parcel in order.parcels.all()
            if parcel.withdrawn_at is None
        ],
        "messages": [
            _message(message, folder, files)
            for message in order.messages.all()
            if message.withdrawn_at is None
        ],
    }


def _job(job: Job, folder: str, files: list[tuple[str, str]]) -> dict[str, Any]:
    photos = []
    for photo in job.photos.all():
        name = f"{folder}/photo-{job.code}-{photo.pk}.jpg"
        if _add(files, name, photo.file.name):
            photos.append(name)
    return {
        "code": job.code,
        "drawing": job.version.design.title,
        "version": job.version.number,
        "size": job.version.blank.name,
        "film": job.film.name,
        "pieces": job.quantity,
        "with_cut_outs": job.with_cut_outs,
        "stands": job.get_status_display(),
        "photos": photos,
    }


def _message(message: Message, folder: str, files: list[tuple[str, str]]) -> dict[str, Any]:
    picture = f"{folder}/message-{message.pk}.jpg"
    has_picture = _add(files, picture, message.photo.name)
    return {
        # who of the workshop wrote is their own business
        "from": "you" if message.role == Event.Role.ARTIST else "the workshop",
        "at": _iso(message.at),
        "about": message.job.code if message.job else None,
        "text": message.text,
        "pin_mm": [message.pin_x_mm, message.pin_y_mm] if message.has_pin else None,
        "picture": picture if has_picture else None,
    }


def _letters(person: Person | None) -> list[dict[str, Any]]:
    if person is None:
        return []
    sent = Mail.objects.filter(to=person.email, status=Mail.Status.SENT).order_by("id")
    return [{"at": _iso(mail.sent_at), "subject": mail.subject, "text": mail.body} for mail in sent]


def shelf_of(person: Person | None) -> dict[str, Any] | None:
    """What a person offers on the shelf, agreed to, and is owed; nothing of who bought."""
    if person is None:
        return None
    lines = person.share_lines.select_related("sale__job__version__design").order_by("id")
    payee = ShelfPayee.objects.filter(person=person).first()
    return {
        "offers": [
            {
                "drawing": offer.design.title if offer.design else None,
                "shown_as": offer.shown_name,
                "agreed_at": _iso(offer.consented_at),
                "agreed": offer.consent_text,
                "share_percent": f"{offer.share_percent:f}",
                "withdrawn_at": _iso(offer.revoked_at),
                "taken_down_at": _iso(offer.taken_down_at),
                "taken_down_why": offer.taken_down_why,
            }
            for offer in person.shelf_offers.select_related("design").order_by("id")
        ],
        "shares": [
            {
                "on": line.booked_on.isoformat(),
                "what": line.get_kind_display(),
                "drawing": line.sale.job.version.design.title,
                "size": line.sale.job.version.blank.name,
                "pieces": line.pieces,
                "amount": f"{line.amount:.{currency_decimals(line.currency)}f}",
                "currency": line.currency,
                "why": line.why,
            }
            for line in lines.defer("sale__job__version__report")
        ],
        "paid": [
            {
                "for_month": f"{row.month:%Y-%m}",
                "on": row.paid_on.isoformat(),
                "amount": f"{row.amount:.{currency_decimals(row.currency)}f}",
                "currency": row.currency,
                "reference": row.reference,
            }
            for row in person.share_payouts.order_by("id")
        ],
        "paid_to": {"name": payee.name, "how": payee.pay_to} if payee else None,
    }


def _add(files: list[tuple[str, str]], name: str, stored: str | None) -> bool:
    if stored:
        files.append((name, stored))
    return bool(stored)


def plain_name(name: str) -> str:
    """Return a file name that is harmless on every system: no folders, no leading points."""
    plain = re.sub(r"[^\w.\- ]+", "_", name.replace("\\", "/").split("/")[-1]).strip(". ")
    return plain[-80:] or "drawing"


def _iso(when: Any) -> str | None:
    return timezone.localtime(when).isoformat(timespec="seconds") if when else None
