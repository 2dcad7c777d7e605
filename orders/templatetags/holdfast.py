"""Template words of both sides: sizes, money, days, signs, and where the reader is."""

from __future__ import annotations

import datetime
import re
from decimal import Decimal
from typing import Any

from django import template
from django.templatetags.static import static
from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from geometry.units import describe_size, inches_from_mm
from orders.access import basket_of
from pricing.money import format_money, format_percent, format_price

register = template.Library()

LIST_PX_PER_MM = 0.6
NO_BREAK = "\u00a0"
# Where a status has no drawing of its own name.
SIGN_OF_STATUS = {"handed-over": "collected", "declined": "cancelled"}
# Every address of their side begins with theirs, so only they themselves are "here".
FIRST_PAGES = ("landing", "workshop-today")
SEVERITY_WORDS = {"reject": "must be mended", "warn": "warning", "note": "note"}


@register.filter
def size(value: Any) -> SafeString:
    """Show a blank or (width_mm, height_mm) as the trade says it, millimetres beside.

    A line may break between the two, never inside one.
    """
    words, in_mm = (part.replace(" ", NO_BREAK) for part in _size_words(value))
    if not in_mm:
        return format_html('<span class="size">{}</span>', words)
    return format_html(
        '<span class="size">{} <span class="size-mm">({})</span></span>', words, in_mm
    )


@register.filter
def size_words(value: Any) -> str:
    """The same as plain text, for titles and labels."""
    words, in_mm = _size_words(value)
    return f"{words} ({in_mm})" if in_mm else words


@register.filter
def size_short(value: Any) -> str:
    """Only what the trade says: ``6 × 6 in``."""
    return _size_words(value)[0]


def _size_words(value: Any) -> tuple[str, str]:
    """Return ("6 × 6 in", "152.4 mm"); the second is empty where the first is millimetres."""
    size_mm = getattr(value, "size_mm", value)
    width_mm, height_mm = (float(side) for side in size_mm)
    words = describe_size((width_mm, height_mm)).replace(" x ", " × ")
    if words.endswith("mm"):
        return words, ""
    if abs(width_mm - height_mm) < 0.05:
        return words, f"{width_mm:g} mm"
    return words, f"{width_mm:g} × {height_mm:g} mm"


@register.filter
def to_scale(blank: Any, side: str) -> int:
    """Return the width ("w") or height ("h") in px at which a blank is drawn in lists.

    All at the same scale, so that a 4 x 4 looks smaller than a 6 x 6; "w small" at a third of it.
    """
    side_mm = blank.width_mm if side.startswith("w") else blank.height_mm
    scale = LIST_PX_PER_MM / 3 if side.endswith("small") else LIST_PX_PER_MM
    return round(float(side_mm) * scale)


@register.filter
def svg_number(value: float) -> str:
    """Write a number for an SVG attribute: a point, never a comma, no needless noughts."""
    return f"{float(value):.2f}".rstrip("0").rstrip(".")


@register.simple_tag
def widen(value: float, more: float) -> str:
    """Add to a number for an SVG attribute."""
    return svg_number(float(value) + float(more))


@register.filter
def job_words(job: Any) -> str:
    """Tell an artist where a job stands, in the words of the order's own page."""
    waits = job.status == job.Status.NEEDS_CHANGES
    return "waiting for you" if waits else str(job.get_status_display())


@register.filter
def less(value: float, by: float) -> float:
    """Return a place less a length, for SVG attributes."""
    return float(value) - float(by)


@register.filter
def minus_half(value: float, size: float) -> float:
    """Return where something of a size begins so that its middle is at the value."""
    return float(value) - float(size) / 2


@register.filter
def clock_time(when: datetime.datetime | None) -> str:
    """Show only the time of day in the workshop's time zone: 14:05."""
    return f"{timezone.localtime(when):%H:%M}" if when else ""


@register.filter
def times_sign(text: str) -> str:
    """Write sizes in a text of pricing or geometry with the multiplication sign: 6 × 6 in."""
    return re.sub(r"(?<=\d) x (?=\d)", " × ", text)


@register.filter
def in_mm(value_mm: float | None) -> str:
    """Show a length: millimetres, with inches to the nearest 1/32 beside it from 1/8 in on.

    Below that a fraction of an inch would say the same of a limit and of what misses it.
    """
    if value_mm is None:
        return ""
    shown = f"{svg_number(round(value_mm, 2 if value_mm < 10 else 1))} mm"
    parts_of_32 = round(inches_from_mm(value_mm) * 32)
    return f"{shown} ({_inch_words(parts_of_32)})" if parts_of_32 >= 4 else shown


@register.filter
def in_unit(value_mm: float | None, unit: str) -> str:
    """Show a length in the reader's unit: ``0.7 mm``, or ``3/8 in`` to the nearest 1/32.

    Below 1/8 in the millimetres stand beside it, as a fraction would say the same of a limit and
    of what misses it.
    """
    if value_mm is None:
        return ""
    in_mm_words = f"{svg_number(round(value_mm, 2 if value_mm < 10 else 1))} mm"
    if unit != "in":
        return in_mm_words
    parts_of_32 = round(inches_from_mm(value_mm) * 32)
    if parts_of_32 >= 4:
        return _inch_words(parts_of_32)
    return f"{_inch_words(parts_of_32) if parts_of_32 else 'under 1/32 in'} ({in_mm_words})"


@register.filter
def lengths(text: str, unit: str) -> str:
    """Show the millimetres in a sentence of a report in the reader's unit."""
    if unit != "in":
        return text
    return re.sub(r"(\d+(?:\.\d+)?) mm\b(?!²)", lambda found: in_unit(float(found[1]), unit), text)


def _inch_words(parts_of_32: int) -> str:
    """Return 3/32 in, 1 1/4 in, 2 in."""
    whole, part = divmod(parts_of_32, 32)
    under = 32
    while part and part % 2 == 0:
        part, under = part // 2, under // 2
    words = [str(whole)] if whole else []
    if part:
        words.append(f"{part}/{under}")
    return f"{' '.join(words)} in"


@register.filter
def money(amount: Decimal | str | None, currency: str) -> SafeString:
    """Show an amount with its currency; it never breaks over two lines."""
    if amount in (None, ""):
        return SafeString("")
    return format_html(
        '<span class="money">{}</span>', format_money(Decimal(str(amount)), currency)
    )


@register.filter
def price(amount: Decimal | str | None, currency: str) -> SafeString:
    """Show a price that may have more decimals than money has."""
    if amount in (None, ""):
        return SafeString("")
    return format_html(
        '<span class="money">{}</span>', format_price(Decimal(str(amount)), currency)
    )


@register.filter
def percent(rate: Decimal) -> str:
    """Show a rate without needless noughts: ``15 %``."""
    return format_percent(rate)


@register.filter
def day(when: datetime.date | datetime.datetime | None) -> SafeString:
    """Show a day with its name in the workshop's time zone: ``Wed 25 Nov 2026``."""
    return _when(when, with_year=True)


@register.filter
def short_day(when: datetime.date | datetime.datetime | None) -> SafeString:
    """Show a day without its year: ``Wed 25 Nov``."""
    return _when(when, with_year=False)


@register.filter
def moment(when: datetime.datetime | None) -> SafeString:
    """Show a day and the time of it: ``Wed 25 Nov 2026, 14:05``."""
    if when is None:
        return SafeString("")
    local = timezone.localtime(when)
    return format_html(
        '<time datetime="{}">{} {}, {}</time>',
        local.isoformat(timespec="minutes"),
        f"{local:%a}",
        f"{local.day} {local:%b %Y}",
        f"{local:%H:%M}",
    )


def _when(when: datetime.date | datetime.datetime | None, *, with_year: bool) -> SafeString:
    if when is None:
        return SafeString("")
    date = timezone.localtime(when).date() if isinstance(when, datetime.datetime) else when
    words = f"{date:%a} {date.day} {date:%b}" + (f" {date.year}" if with_year else "")
    return format_html('<time datetime="{}">{}</time>', date.isoformat(), words)


@register.simple_tag
def icon(name: str, label: str = "", big: bool = False) -> SafeString:
    """Draw a sign of static/pictures/marks.svg; with a label it speaks, without it is silent."""
    css = "icon icon-big" if big else "icon"
    address = f"{static('pictures/marks.svg')}#{name}"
    if label:
        return format_html(
            '<svg class="{}" role="img" aria-label="{}"><use href="{}"></use></svg>',
            css,
            label,
            address,
        )
    return format_html(
        '<svg class="{}" aria-hidden="true"><use href="{}"></use></svg>', css, address
    )


@register.simple_tag
def mark(severity: str, number: int | str = "") -> SafeString:
    """Draw the numbered mark of a finding: eight-sided, three-sided or round, by severity."""
    return format_html(
        '<svg class="mark mark-{0}" viewBox="0 0 32 32" aria-hidden="true">'
        '<use href="{1}#mark-{0}"></use><text x="16" y="{2}">{3}</text></svg>',
        severity,
        static("pictures/marks.svg"),
        25 if severity == "warn" else 21,
        number,
    )


@register.filter
def severity_word(severity: str) -> str:
    """The word that stands beside the mark, so that shape and colour never speak alone."""
    return SEVERITY_WORDS.get(severity, severity)


@register.simple_tag(takes_context=True)
def here(context: dict[str, Any], name: str) -> SafeString:
    """Mark a link of the navigation as the place the reader is at."""
    request = context.get("request")
    try:
        address = reverse(name)
    except NoReverseMatch:
        return SafeString("")
    if request is None or not request.path.startswith(address):
        return SafeString("")
    if name in FIRST_PAGES and request.path != address:
        return SafeString("")
    current = "page" if request.path == address else "true"
    return format_html(' aria-current="{}"', current)


@register.filter
def widget_kind(bound_field: Any) -> str:
    """Tell field.html how to lay a field out: tick, choices or plain."""
    if bound_field.widget_type == "checkbox":
        return "tick"
    return "choices" if bound_field.use_fieldset else "plain"


@register.filter
def step_sign(status: str) -> str:
    """Name the sign that is drawn for a status of a job."""
    return SIGN_OF_STATUS.get(status, status)


@register.simple_tag(takes_context=True)
def basket_count(context: dict[str, Any]) -> int:
    """How many lines lie in the basket of this visitor; 0 on pages without a request."""
    request = context.get("request")
    if request is None or not hasattr(request, "session"):
        return 0
    basket = basket_of(request)
    return basket.lines.count() if basket else 0
