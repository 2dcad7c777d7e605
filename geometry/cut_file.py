"""Write cut files, true to size: SVG 1.1, DXF R2010 and PDF, all from one plan of the cuts.

Operations are told apart by groups (SVG) or layers (DXF) named mark, inside and outline; all lines
are thin and black, or of the colours that a workshop gave its operations, and nothing is filled.
Every file says that the kerf is already taken, so that compensation in the machine's own software
stays off. The same plan gives the same bytes.
"""

import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import PurePath
from types import MappingProxyType
from xml.sax.saxutils import escape

import ezdxf
import ezdxf.units
import numpy as np
from reportlab.pdfgen.canvas import Canvas

from geometry.curves import Curve
from geometry.cut_plan import CutPlan, PlacedStencil, plan_sheet, plan_stencil
from geometry.cut_time import DEFAULT_MACHINE, MachineProfile
from geometry.errors import InvalidInputError
from geometry.kerf import Role
from geometry.stencil import Stencil

ROLES: tuple[Role, ...] = ("mark", "inside", "outline")
HAIRLINE_MM = 0.05
POINTS_PER_MM = 72 / 25.4
BLACK: Mapping[str, str] = MappingProxyType({})
FORMATS = ("svg", "dxf", "pdf")


@dataclass(frozen=True)
class CutFile:
    """The bytes of a cut file and what they hold, for the page and the job ticket.

    lost_at_mm, split_at_mm: openings narrower than the kerf, which the file cuts not at all or not
    all through; empty for a drawing that passed the check.
    """

    data: bytes
    format: str
    contours: int
    length_mm: float
    travel_mm: float
    seconds: float
    nodes: int
    lost_at_mm: tuple[tuple[float, float], ...] = ()
    split_at_mm: tuple[tuple[float, float], ...] = ()


def svg_for_stencil(
    stencil: Stencil, *, kerf_mm: float, with_outline: bool = True, title: str = ""
) -> CutFile:
    """Return the SVG of one stencil in its blank's frame; see `geometry.cut_plan.plan_stencil`."""
    plan = plan_stencil(stencil, kerf_mm=kerf_mm, with_outline=with_outline)
    return write_cut_file(plan, "svg", title=title)


def svg_for_sheet(
    pieces: Sequence[PlacedStencil],
    sheet_mm: tuple[float, float],
    *,
    kerf_mm: float,
    with_outlines: bool = True,
    title: str = "",
) -> CutFile:
    """Return the SVG of a sheet run in the sheet's frame; see `geometry.cut_plan.plan_sheet`."""
    plan = plan_sheet(pieces, sheet_mm, kerf_mm=kerf_mm, with_outlines=with_outlines)
    return write_cut_file(plan, "svg", title=title)


def write_cut_file(
    plan: CutPlan,
    format: str,  # noqa: A002 - the plain word
    *,
    title: str = "",
    machine: MachineProfile = DEFAULT_MACHINE,
    colours: Mapping[str, str] = BLACK,
) -> CutFile:
    """Return the plan as a file of `format` ("svg", "dxf" or "pdf").

    colours: operation ("mark", "inside", "outline") -> "#rrggbb"; black where there is none. Raises
    InvalidInputError for another format or a colour that is none.
    """
    for colour in colours.values():
        if not re.fullmatch(r"#[0-9a-fA-F]{6}", colour):
            raise InvalidInputError(f"A colour is six digits such as #2a389c; “{colour}” is none.")
    writers = {"svg": _svg, "dxf": _dxf, "pdf": _pdf}
    if format not in writers:
        raise InvalidInputError(f"A cut file is one of {', '.join(FORMATS)}; “{format}” is not.")
    if format == "dxf":
        plan = plan.with_lines()  # splines are read differently from machine to machine
    clean = " ".join("".join(c if c.isprintable() else " " for c in title).split())
    return CutFile(
        data=writers[format](plan, clean or "Stencil", colours),
        format=format,
        contours=len(plan.path.contours),
        length_mm=plan.path.length_mm,
        travel_mm=plan.path.travel_mm,
        seconds=plan.path.seconds(machine),
        nodes=plan.nodes,
        lost_at_mm=plan.lost_at_mm,
        split_at_mm=plan.split_at_mm,
    )


def format_of(name: str) -> str:
    """Return the format that a file's name asks for; raises InvalidInputError for another."""
    ending = PurePath(name).suffix.lower().removeprefix(".")
    if ending not in FORMATS:
        raise InvalidInputError(
            f"The name of a cut file ends in .svg, .dxf or .pdf; “{PurePath(name).name}” does not."
        )
    return ending


def kerf_note(kerf_mm: float, *, shares_cuts: bool = False) -> str:
    """Return the sentences about the kerf that file, page and ticket carry."""
    if kerf_mm == 0:
        return (
            "No kerf is taken: every line is where it was drawn. "
            "Sizes are millimetres at true scale."
        )
    blanks = (
        "blanks share the lines between them, cut once where they were drawn"
        if shares_cuts
        else "blanks are larger by half of it"
    )
    return (
        f"The kerf of {kerf_mm:g} mm is already taken: openings are smaller by half of it on "
        f"every side, {blanks}. Keep kerf compensation in the machine's own software off. "
        "Sizes are millimetres at true scale."
    )


ORDER_NOTE = "Cut in the order of this file: inside first, outlines last."


def _notes(plan: CutPlan) -> str:
    return f"{kerf_note(plan.kerf_mm, shares_cuts=plan.shares_cuts)} {ORDER_NOTE}"


def _by_role(plan: CutPlan) -> Iterator[tuple[Role, list[tuple[int, Curve]]]]:
    """Curves with their piece, in cutting order, per operation that there is."""
    both = list(zip(plan.path.contours, plan.curves, strict=True))
    for role in ROLES:
        chosen = [(contour.piece, curve) for contour, curve in both if contour.role == role]
        if chosen:
            yield role, chosen


def _svg(plan: CutPlan, title: str, colours: Mapping[str, str]) -> bytes:
    left, top, right, bottom = plan.page_mm
    width, height = number_text(right - left), number_text(bottom - top)
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{width}mm" '
        f'height="{height}mm" viewBox="{number_text(left)} {number_text(top)} {width} {height}" '
        f'fill="none" stroke="#000000" stroke-width="{HAIRLINE_MM}">\n'
        f"<title>{escape(title)}</title>\n"
        f"<desc>{escape(_notes(plan))}</desc>\n"
    )
    parts = [head]
    for role, chosen in _by_role(plan):
        stroke = f' stroke="{colours[role]}"' if role in colours else ""
        parts.append(f'<g id="{role}"{stroke}>\n')
        if role == "inside" and len(plan.labels) > 1:
            for piece, group in groupby(chosen, key=lambda entry: entry[0]):
                label = plan.labels[piece] or f"piece {piece + 1}"
                parts.append(f'<g id="piece-{piece + 1}"><title>{escape(label)}</title>\n')
                parts += [f'<path d="{svg_path(curve)}"/>\n' for _, curve in group]
                parts.append("</g>\n")
        else:
            parts += [f'<path d="{svg_path(curve)}"/>\n' for _, curve in chosen]
        parts.append("</g>\n")
    parts.append("</svg>\n")
    return "".join(parts).encode()


def _parts(colour: str) -> tuple[int, int, int]:
    """Red, green and blue of "#rrggbb", 0 to 255."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def svg_path(curve: Curve) -> str:
    """The curve in path commands; a closing line is left to Z."""
    words = ["M" + _pair(curve.start)]
    pieces = curve.pieces
    if curve.closed and len(pieces[-1]) == 1:
        pieces = pieces[:-1]
    for piece in pieces:
        letter = "L" if len(piece) == 1 else "C"
        words.append(letter + " ".join(_pair(point) for point in piece))
    return "".join(words) + ("Z" if curve.closed else "")


def _pair(point: np.ndarray) -> str:
    return f"{number_text(point[0])} {number_text(point[1])}"


def number_text(value: float) -> str:
    """A length to a tenth of a micrometre, as short as it can be written."""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _dxf(plan: CutPlan, title: str, colours: Mapping[str, str]) -> bytes:
    """DXF R2010 in mm, y up, origin at the page's bottom left, closed polylines."""
    left, _, _, bottom = plan.page_mm
    # Fixed dates and identifiers, so that the same plan gives the same bytes.
    ezdxf.options.write_fixed_meta_data_for_testing = True
    document = ezdxf.new("R2010", units=ezdxf.units.MM)
    document.header["$MEASUREMENT"] = 1
    document.header.custom_vars.append("Title", title)
    document.header.custom_vars.append("Note", _notes(plan))
    space = document.modelspace()
    for role, chosen in _by_role(plan):
        layer = document.layers.add(role, color=7, lineweight=0)
        if role in colours:
            layer.rgb = _parts(colours[role])
        for _, curve in chosen:
            points = np.vstack([curve.start, *curve.pieces])[: -1 if curve.closed else None]
            flipped = np.column_stack([points[:, 0] - left, bottom - points[:, 1]])
            space.add_lwpolyline(flipped, close=curve.closed, dxfattribs={"layer": role})
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode("utf-8")


def _pdf(plan: CutPlan, title: str, colours: Mapping[str, str]) -> bytes:
    """PDF with one page of the plan's size, 72 points to the inch, lines only."""
    left, top, right, bottom = plan.page_mm
    stream = io.BytesIO()
    size = ((right - left) * POINTS_PER_MM, (bottom - top) * POINTS_PER_MM)
    canvas = Canvas(stream, pagesize=size, invariant=1, pageCompression=1)
    canvas.setTitle(title)
    canvas.setSubject(_notes(plan))
    canvas.setAuthor("")
    canvas.setCreator("Holdfast")
    canvas.setLineWidth(HAIRLINE_MM * POINTS_PER_MM)
    flip = np.array([[POINTS_PER_MM, 0.0], [0.0, -POINTS_PER_MM]])
    shift = np.array([-left * POINTS_PER_MM, bottom * POINTS_PER_MM])
    for role, chosen in _by_role(plan):
        canvas.setStrokeColorRGB(*(part / 255 for part in _parts(colours.get(role, "#000000"))))
        for _, curve in chosen:
            path = canvas.beginPath()
            moved = curve.moved(flip, shift)
            path.moveTo(*moved.start)
            for piece in moved.pieces:
                if len(piece) == 1:
                    path.lineTo(*piece[0])
                else:
                    path.curveTo(*piece.ravel())
            if curve.closed:
                path.close()
            canvas.drawPath(path, stroke=1, fill=0)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()
