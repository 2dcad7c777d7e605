"""What the three views of a drawing show: film, paint, hold; and what changed on paper."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

from orders.marks import place_marks
from orders.models import Closer, RoundTrip, Version
from orders.prints.proof_offer import Offer, offers
from orders.see_pictures import lowest_and_highest_mm

from .places_in_words import Label, label_places

# view -> the word on its tab; "" is the drawing with its findings
TABS = (
    ("", "Found"),
    ("film", "Film"),
    ("paint", "Paint"),
    ("hold", "Hold"),
    ("drawing", "Your picture"),
)
CHANGED = ("changed", "Changed")
MAY_LIFT, HANGS_FREE = "may lift", "hangs free"

# code, name, colour; all are shown as swatches with their names
PAINTS = (
    ("tide", "Deep tide", "#2a389c"),
    ("buoy", "Rust buoy", "#b3452c"),
    ("kelp", "Kelp", "#3f5f36"),
    ("lamp", "Lamp black", "#26221d"),
    ("sail", "Lemon sail", "#dfae1f"),
)
PAPERS = (
    ("page", "White page", "#fdfcf8"),
    ("chart", "Old chart", "#eedfbd"),
    ("kraft", "Kraft", "#c7a479"),
    ("slate", "Slate", "#39434f"),
    ("night", "Black page", "#161412"),
)


@dataclass(frozen=True)
class Fall:
    """How what falls out lies below the film, in mm: how far it falls, and the picture's height."""

    count: int
    by_mm: float
    height_mm: float


def see_context(version: Version, wanted: str) -> dict[str, Any]:
    """Return what the picture part of a drawing's page shows for the view that is asked for."""
    trip = RoundTrip.objects.filter(version=version).select_related("printed").first()
    tabs = [*TABS, *([CHANGED] if trip else [])]
    view = wanted if wanted in dict(tabs) else ""
    if view == "drawing" and not version.drawing_picture:
        view = ""
    return {
        "view": view,
        "tabs": tabs,
        "trip": trip,
        "paints": PAINTS,
        "papers": PAPERS,
        "offers": _offers(version),
        **_of_view(version, view, trip),
    }


def hold_context(version: Version) -> dict[str, Any]:
    """Return what the hold view shows: places that may lift, each in a word."""
    closer = Closer.objects.filter(version=version).first()
    findings = list(closer.findings) if closer and closer.status == Closer.Status.DONE else []
    places = lifting_places(findings, version)
    counts = Counter((place.word, place.where) for place in places)
    return {
        "closer": closer,
        "is_being_worked_out": closer is not None and not closer.is_settled,
        "places": places,
        "told_places": [(*told, count) for told, count in counts.items()],
        "has_loose": version.mode != "mask"
        and any(finding["kind"] == "island" for finding in version.findings),
    }


def lifting_places(findings: list[dict[str, Any]], version: Version) -> list[Label]:
    """Return the places of lift findings, the worst first, with their words placed."""
    worst = sorted(findings, key=lambda found: -float(found.get("lift_mm") or 0))
    free_mm = float(version.limits.get("lift_free_mm", 3))
    words = [
        HANGS_FREE if float(found.get("lift_mm") or 0) > free_mm else MAY_LIFT for found in worst
    ]
    return label_places(worst, words, version.blank.size_mm)


def _of_view(version: Version, view: str, trip: RoundTrip | None) -> dict[str, Any]:
    if view == "film":
        return {"fall": fall_of(version)}
    if view == "paint":
        return {"closer_done": Closer.objects.filter(version=version, status="done").exists()}
    if view == "hold":
        return hold_context(version)
    if view == "changed" and trip:
        return {"changed": changed_places(trip, version)}
    return {}


def fall_of(version: Version) -> Fall | None:
    """Return how the parts that fall out lie below the film, None where nothing falls."""
    rows = lowest_and_highest_mm(version)
    if rows is None:
        return None
    low, high = rows
    height, gap = version.blank.height_mm, 0.03 * version.blank.height_mm
    count = sum(finding["kind"] == "island" for finding in version.findings)
    return Fall(count, round(height + gap - low, 2), round(height + 2 * gap + high - low, 2))


def changed_places(trip: RoundTrip, version: Version) -> list[dict[str, Any]]:
    """Return the changes of a round trip with their marks and the paths round them."""
    places = [dict(place) for place in trip.places]
    for place, mark in zip(places, place_marks(places, version.blank.size_mm), strict=True):
        place["mark"] = mark
        place["path"] = "".join(
            "M" + " ".join(f"{x:g},{y:g}" for x, y in ring) + "Z" for ring in place["outlines_mm"]
        )
    return places


def _offers(version: Version) -> list[Offer]:
    return offers(version.blank) if version.stencil else []
