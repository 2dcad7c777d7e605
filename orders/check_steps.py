"""The steps of a check as a page names them; apart from checking.py, which loads the kernels."""

from __future__ import annotations

STEPS_SHOWN: dict[str, str] = {
    "picture": "opening the picture",
    "paper": "finding the paper",
    "ink": "telling ink from paper",
    "outlines": "following the lines",
    "islands": "looking for parts that fall out",
    "widths": "measuring lines and gaps",
}
