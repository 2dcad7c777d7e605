"""Read cut files back with readers that are none of ours: svgelements, ezdxf, pypdfium2."""

import ctypes
import io

import ezdxf
import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
import shapely
import svgelements
from numpy.typing import NDArray
from shapely.geometry import LinearRing, Polygon

Points = NDArray[np.float64]
MM_PER_PIXEL = 25.4 / 96  # CSS reference pixel
MM_PER_POINT = 25.4 / 72
STEPS = 24


def svg_lines(data: bytes) -> dict[str, list[Points]]:
    """The points of every path in mm on the page, by the name of its outermost group, in order."""
    page = svgelements.SVG.parse(io.BytesIO(data), reify=True)
    lines: dict[str, list[Points]] = {}
    for group in page:
        if isinstance(group, svgelements.Group):
            paths = [p for p in group.select() if isinstance(p, svgelements.Path)]
            lines[str(group.id)] = [_svg_points(path) for path in paths]
    return lines


def svg_size_mm(data: bytes) -> tuple[float, float]:
    """The page's size as svgelements understands width and height."""
    page = svgelements.SVG.parse(io.BytesIO(data))
    return float(page.width) * MM_PER_PIXEL, float(page.height) * MM_PER_PIXEL


def _svg_points(path: svgelements.Path) -> Points:
    points = []
    for segment in path:
        if isinstance(segment, svgelements.CubicBezier):
            points += [segment.point(at) for at in np.linspace(0, 1, STEPS + 1)[1:]]
        elif segment.end is not None:
            points.append(segment.end)
    return np.array([(point.x, point.y) for point in points]) * MM_PER_PIXEL


def dxf_lines(data: bytes) -> dict[str, list[Points]]:
    """The points of every polyline in mm, y up, by layer; the file must pass ezdxf's audit."""
    document = ezdxf.read(io.StringIO(data.decode("utf-8")))
    auditor = document.audit()
    assert auditor.errors == []
    assert auditor.fixes == []
    assert document.dxfversion == "AC1024"  # R2010
    assert document.units == ezdxf.units.MM
    lines: dict[str, list[Points]] = {}
    for entity in document.modelspace():
        points = np.array(entity.get_points("xy"))
        lines.setdefault(entity.dxf.layer, []).append(points)
    return lines


def pdf_lines(data: bytes) -> tuple[tuple[float, float], list[Points]]:
    """The page's size in mm and the points of every path in mm, y up, by pdfium."""
    page = pypdfium2.PdfDocument(data)[0]
    size = tuple(side * MM_PER_POINT for side in page.get_size())
    lines = []
    for shape in page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_PATH]):
        lines.append(_pdf_points(shape.raw) * MM_PER_POINT)
    return (size[0], size[1]), lines


def _pdf_points(shape: pdfium.FPDF_PAGEOBJECT) -> Points:
    knots, points = [], []
    for index in range(pdfium.FPDFPath_CountSegments(shape)):
        segment = pdfium.FPDFPath_GetPathSegment(shape, index)
        x, y = ctypes.c_float(), ctypes.c_float()
        assert pdfium.FPDFPathSegment_GetPoint(segment, x, y)
        here = np.array([x.value, y.value])
        if pdfium.FPDFPathSegment_GetType(segment) != pdfium.FPDF_SEGMENT_BEZIERTO:
            points.append(here)
            continue
        knots.append(here)
        if len(knots) == 3:
            at = np.linspace(0, 1, STEPS + 1)[1:, None]
            start = points[-1]
            points += list(
                (1 - at) ** 3 * start
                + 3 * at * (1 - at) ** 2 * knots[0]
                + 3 * at**2 * (1 - at) * knots[1]
                + at**3 * knots[2]
            )
            knots = []
    return np.array(points)


def area_mm2(lines: list[Points]) -> float:
    """Area that closed lines enclose, film inside openings taken off (even-odd)."""
    rings = shapely.geometrycollections([LinearRing(points) for points in lines])
    return float(shapely.build_area(rings).area)


def centres(lines: list[Points]) -> list[Points]:
    """The centre of area of each closed line."""
    return [np.array(Polygon(points).centroid.coords[0]) for points in lines]


def farthest_mm(lines: list[Points], edges: shapely.Geometry, spacing_mm: float = 0.05) -> float:
    """The farthest that lines and edges are from each other, either way, on close points."""
    read = shapely.union_all([LinearRing(points) for points in lines])
    there, back = (shapely.segmentize(shape, spacing_mm) for shape in (read, edges))
    return max(
        float(shapely.distance(shapely.points(shapely.get_coordinates(there)), edges).max()),
        float(shapely.distance(shapely.points(shapely.get_coordinates(back)), read).max()),
    )


def crosses_itself(points: Points) -> bool:
    """Whether a closed line does."""
    return not LinearRing(points).is_simple
