"""What a quote shows besides money: its drawings, and what the check says of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from .dates import today
from .models import Film, Quote, ShelfOffer, Version
from .words import counted

SENTENCES_SHOWN = 3


@dataclass(frozen=True)
class DrawingShown:
    """One line of what was asked for, with the version itself and what the check says of it.

    Of a drawing from the shelf the check's words are its artist's business, and are left out.
    """

    version: Version
    quantity: int
    with_cut_outs: bool
    film: str
    severity: str  # "reject", "warn" or ""
    sentences: list[str]
    shelf: ShelfOffer | None = None


def has_run_out(quote: Quote) -> bool:
    """Whether a quote's last day is over, closed already or not."""
    late = quote.status == Quote.Status.OFFERED and quote.valid_until < today()
    return late or quote.status == Quote.Status.EXPIRED


def drawings_of(quote: Quote) -> list[DrawingShown]:
    """Return what the quote was asked for, each with its film and the findings that matter."""
    versions = (
        Version.objects.select_related("design")
        .prefetch_related("overrides")
        .in_bulk([line["version"] for line in quote.request])
    )
    films = Film.objects.in_bulk([line["film"] for line in quote.request])
    # an erased drawing is gone from the quote's page; its lines of money stay
    kept = [line for line in quote.request if line["version"] in versions]
    offers = ShelfOffer.objects.in_bulk(
        [line["shelf"]["offer"] for line in quote.request if "shelf" in line]
    )
    return [_shown(line, versions[line["version"]], films, offers) for line in kept]


def _shown(
    line: dict[str, Any],
    version: Version,
    films: dict[int, Film],
    offers: dict[int, ShelfOffer],
) -> DrawingShown:
    overridden = {override.finding_key for override in version.overrides.all()}
    open_ones = [f for f in version.findings if f["key"] not in overridden]
    shelf = offers.get(line["shelf"]["offer"]) if "shelf" in line else None
    if shelf is not None:
        open_ones = []
    told = [f for f in open_ones if f["severity"] == "reject"]
    told += [f for f in open_ones if f["severity"] == "warn"]
    sentences = [str(finding["message"]) for finding in told[:SENTENCES_SHOWN]]
    if len(told) > SENTENCES_SHOWN:
        more = counted(len(told) - SENTENCES_SHOWN, "more thing")
        sentences.append(f"And {more} of the kind, numbered on the drawing.")
    film = films.get(line["film"])
    return DrawingShown(
        version=version,
        quantity=int(line["quantity"]),
        with_cut_outs=bool(line["with_cut_outs"])
        and version.mode != "mask"
        and version.cut_outs > 0,
        film=str(line.get("film_name") or film or ""),
        severity=str(told[0]["severity"]) if told else "",
        shelf=shelf,
        sentences=sentences,
    )
