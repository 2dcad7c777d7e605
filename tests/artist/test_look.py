"""The look: contrast by the published formula, no inline style or script, no sign missing."""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path

import pytest

from orders.models import Job
from orders.templatetags import holdfast

ROOT = Path(__file__).resolve().parents[2]
TEMPLATES = sorted((ROOT / "templates").rglob("*.html"))
SIGNS = set(
    re.findall(r'symbol id="([^"]+)"', (ROOT / "static/pictures/marks.svg").read_text("utf-8"))
)


def colours(scheme: str) -> dict[str, str]:
    """Return the colour variables of ink.css; the dark ones replace the light ones."""
    light, dark = (ROOT / "static/css/ink.css").read_text("utf-8").split("@media", 1)
    found = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", light))
    if scheme == "dark":
        found |= dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", dark))
    return found


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio by W3C WCAG 2.2, "relative luminance" and "contrast ratio"."""

    def luminance(colour: str) -> float:
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_the_published_extremes() -> None:
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


GROUNDS = ("paper", "sheet")
TEXT_ON_GROUND = [
    *((text, ground) for text in ("ink", "pencil", "paint", "paint-deep") for ground in GROUNDS),
    *((text, ground) for text in ("reject", "warn", "note", "good") for ground in GROUNDS),
    *(("ink", f"{word}-wash") for word in ("reject", "warn", "note", "good")),
    *((word, f"{word}-wash") for word in ("reject", "warn", "note", "good")),
    ("ink", "film"),
    ("ink", "wash"),
    ("pencil", "wash"),
    ("on-paint", "paint"),
    ("on-paint", "paint-deep"),
    ("sheet", "reject"),
    ("sheet", "warn"),
    ("sheet", "note"),
]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("text", "ground"), TEXT_ON_GROUND)
def test_text_has_the_contrast_of_wcag_1_4_3(scheme: str, text: str, ground: str) -> None:
    palette = colours(scheme)
    assert contrast(palette[text], palette[ground]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("ground", GROUNDS)
def test_borders_of_controls_have_the_contrast_of_wcag_1_4_11(scheme: str, ground: str) -> None:
    palette = colours(scheme)
    assert contrast(palette["edge"], palette[ground]) >= 3.0


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.name)
def test_no_template_needs_a_looser_content_policy(template: Path) -> None:
    source = template.read_text("utf-8")
    assert not re.search(r"\sstyle\s*=", source)
    assert not re.search(r"<[a-z][^>]*\son[a-z]+\s*=", source)
    assert "hx-on" not in source
    if template.name != "export.html":  # a file to keep, opened from a disk and never served
        assert "<style" not in source
    assert not re.search(r"<script(?![^>]*\ssrc=)", source)


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.name)
def test_every_sign_that_is_used_is_drawn(template: Path) -> None:
    used = set(re.findall(r"{% icon ['\"]([\w-]+)['\"]", template.read_text("utf-8")))
    assert used - SIGNS == set()


def test_every_status_of_a_job_has_a_sign() -> None:
    assert {holdfast.step_sign(status) for status in Job.Status.values} - SIGNS == set()


MOST_SCRIPT_BYTES = 120_000


def test_all_scripts_together_stay_small() -> None:
    """As they lie in the repository: nothing is built, and nothing is counted compressed."""
    sizes = {path.name: path.stat().st_size for path in sorted((ROOT / "static").rglob("*.js"))}
    print(f"\n{sum(sizes.values()):,} bytes of script in all: {sizes}")
    assert 0 < sum(sizes.values()) <= MOST_SCRIPT_BYTES, sizes


def test_only_attributes_that_fill_js_knows_are_used() -> None:
    """A place that fills itself in needs no more than fill.js does (docs/look.md)."""
    known = {"get", "post", "trigger", "target", "swap", "swap-oob", "select"}
    known |= {"push-url", "params"}
    for template in TEMPLATES:
        source = template.read_text("utf-8")
        assert set(re.findall(r"\bhx-([a-z-]+)=", source)) <= known, template
        assert set(re.findall(r'hx-swap="([^"]*)"', source)) <= {"outerHTML"}, template
        assert set(re.findall(r'hx-swap-oob="([^"]*)"', source)) <= {"innerHTML", "true"}, template
        for trigger in re.findall(r'hx-trigger="([^"]*)"', source):
            assert re.fullmatch(
                r"every \d+m?s|(click|change|submit)(, (click|change|submit))*", trigger
            )


def test_the_display_face_carries_its_licence() -> None:
    assert "SIL Open Font License" in (ROOT / "static/fonts/stardos-stencil-OFL.txt").read_text()


# --- words ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size_mm", "words"),
    [
        ((152.4, 152.4), "6 × 6 in (152.4 mm)"),
        ((63.5, 88.9), "2.5 × 3.5 in (63.5 × 88.9 mm)"),
        ((210.0, 297.0), "A4 (210 × 297 mm)"),
        ((123.0, 45.0), "123 × 45 mm"),
    ],
)
def test_a_size_is_told_as_the_trade_does_with_mm_beside(
    size_mm: tuple[float, float], words: str
) -> None:
    assert holdfast.size_words(size_mm) == words


@pytest.mark.parametrize(
    ("value_mm", "words"),
    [
        (25.4, "25.4 mm (1 in)"),  # the international inch: NIST SP 811, B.6
        (31.75, "31.8 mm (1 1/4 in)"),
        (3.175, "3.17 mm (1/8 in)"),
        (0.15, "0.15 mm"),
        (1.0, "1 mm"),
    ],
)
def test_a_length_is_told_in_mm_and_parts_of_an_inch(value_mm: float, words: str) -> None:
    assert holdfast.in_mm(value_mm) == words


def test_pictures_in_lists_are_to_scale_against_each_other() -> None:
    from geometry.limits import BLANKS

    six, four = (holdfast.to_scale(BLANKS[code], "w") for code in ("6x6in", "4x4in"))
    assert six / four == pytest.approx(1.5, abs=0.01)


def test_money_and_sizes_do_not_break_over_lines() -> None:
    assert holdfast.money(Decimal("12.5"), "USD") == '<span class="money">USD 12.50</span>'
    assert "6\u00a0×\u00a06\u00a0in" in holdfast.size((152.4, 152.4))
    assert holdfast.times_sign("3 stencils, 2.5 x 3.5 in") == "3 stencils, 2.5 × 3.5 in"
