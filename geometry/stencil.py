"""The stencil: the openings of a blank as polygons, the thing that is stored, priced and cut."""

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

if TYPE_CHECKING:  # a stored stencil is read by pages, which do without the compiled loops
    from geometry.outlines import Outline

_MAGIC = b"HFS1"
_STEP_MM = 1e-4
_MODES = ("stencil", "mask")
CUT_OUT_MM = 4.0
_SLIVER_MM2 = 1e-3


@dataclass(frozen=True)
class Stencil:
    """Openings in a blank, in blank mm (origin top left, y down), not clipped to it.

    mode: "stencil" or "mask". openings: valid polygons; what lies in their holes is film, which may
    hold openings again. Two stencils are equal when all three fields are.
    """

    blank_mm: tuple[float, float]
    mode: str
    openings: tuple[Polygon, ...]

    @cached_property
    def opening_area_mm2(self) -> float:
        """Area of all openings in mm2."""
        return float(shapely.area(np.array(self.openings, object)).sum())

    @cached_property
    def outline_mm(self) -> float:
        """Length of all edges of all openings in mm."""
        return float(shapely.length(np.array(self.openings, object)).sum())

    @property
    def hole_count(self) -> int:
        """How many pieces of film are enclosed by openings."""
        return sum(len(polygon.interiors) for polygon in self.openings)

    @cached_property
    def cut_outs(self) -> int:
        """How many pieces come loose that are kept: 4 mm or more across their longest way."""
        return self.loose_pieces(CUT_OUT_MM)

    def loose_pieces(self, least_mm: float) -> int:
        """Return how many pieces at least so far across come loose.

        Of a stencil those are what falls out of its openings; of a mask also the film inside
        them, which is cut loose on purpose and is the product.
        """
        loose = list(self.openings)
        if self.mode == "mask":
            loose += [Polygon(ring) for opening in self.openings for ring in opening.interiors]
        if not loose:
            return 0
        # Most are told by their upright box: what is about as wide as asked is measured.
        x0, y0, x1, y1 = shapely.bounds(np.array(loose, object)).T
        longest = np.hypot(x1 - x0, y1 - y0)
        wide = np.maximum(x1 - x0, y1 - y0) >= np.sqrt(2) * least_mm
        doubtful = np.flatnonzero(~wide & (longest >= least_mm))
        return int(wide.sum()) + sum(across_mm(loose[piece]) >= least_mm for piece in doubtful)

    def film(self) -> list[Polygon]:
        """Return the pieces of film that are left of the blank, the largest first."""
        left = shapely.box(0, 0, *self.blank_mm).difference(shapely.union_all(self.openings))
        return sorted(_polygons(left), key=lambda piece: -piece.area)

    def to_bytes(self) -> bytes:
        """Return the stencil in a compact form of its own; points are kept to 0.1 micrometre."""
        rings = [
            (index, ring)
            for index, polygon in enumerate(self.openings)
            for ring in (polygon.exterior, *polygon.interiors)
        ]
        head = struct.pack(
            "<ddBII", *self.blank_mm, _MODES.index(self.mode), len(self.openings), len(rings)
        )
        sizes = np.array([(index, len(ring.coords) - 1) for index, ring in rings], "<u4")
        points = [np.asarray(ring.coords)[:-1, :2] for _, ring in rings]
        steps = np.rint(np.concatenate(points) / _STEP_MM) if points else np.empty((0, 2))
        deltas = np.diff(steps, axis=0, prepend=0).astype("<i4")
        body = head + sizes.reshape(-1, 2).tobytes() + deltas.tobytes()
        return _MAGIC + zlib.compress(body, 6)

    @classmethod
    def from_bytes(cls, data: bytes) -> "Stencil":
        """Return the stencil that to_bytes wrote. Raises ValueError for anything else."""
        if data[:4] != _MAGIC:
            raise ValueError("this is not a stored stencil")
        try:
            body = zlib.decompress(data[4:])
            head = struct.calcsize("<ddBII")
            width, height, mode, count, ring_count = struct.unpack("<ddBII", body[:head])
            sizes = np.frombuffer(body, "<u4", ring_count * 2, head).reshape(-1, 2)
            total = int(sizes[:, 1].sum())
            deltas = np.frombuffer(body, "<i4", total * 2, head + ring_count * 8).reshape(-1, 2)
            points = np.cumsum(deltas.astype(np.int64), axis=0) * _STEP_MM
            return cls((width, height), _MODES[mode], _from_rings(points, sizes, count))
        except (zlib.error, struct.error, IndexError) as error:
            raise ValueError("this stored stencil is damaged") from error


def build_stencil(
    outlines: "Sequence[Outline]", blank_mm: tuple[float, float], mode: str = "stencil"
) -> Stencil:
    """Return the stencil of traced outlines: each opening with its holes, every polygon valid.

    Points are put on the grid that storing keeps, so that a stored stencil equals its source. An
    outline that touches itself after simplifying is split where it does; slivers below 0.001 mm2
    are left out.
    """
    rings: dict[int, list[NDArray[np.float64]]] = {
        index: [outline.points_mm]
        for index, outline in enumerate(outlines)
        if not outline.is_hole and len(outline.points_mm) >= 3
    }
    for outline in outlines:
        if outline.is_hole and outline.parent in rings and len(outline.points_mm) >= 3:
            rings[outline.parent].append(outline.points_mm)
    openings = _valid_polygons(list(rings.values()))
    width_mm, height_mm = blank_mm
    return Stencil((float(width_mm), float(height_mm)), mode, tuple(openings))


def _valid_polygons(rings_mm: Sequence[Sequence[NDArray[np.float64]]]) -> list[Polygon]:
    """Return valid polygons of rings, the outer one first: one of each that is not crossed."""
    if not rings_mm:
        return []
    flat = [ring for rings in rings_mm for ring in rings]
    sizes = [len(ring) for ring in flat]
    points = np.rint(np.concatenate(flat) / _STEP_MM) * _STEP_MM
    closed = shapely.linearrings(points, indices=np.repeat(np.arange(len(flat)), sizes))
    counts = np.array([len(rings) for rings in rings_mm])
    of_polygon = np.repeat(np.arange(len(rings_mm)), counts)
    firsts = np.cumsum(counts) - counts
    is_hole = np.ones(len(flat), bool)
    is_hole[firsts] = False
    polygons = shapely.polygons(closed[firsts])
    for index in np.flatnonzero(counts > 1):
        polygons[index] = shapely.polygons(
            closed[firsts[index]], closed[is_hole & (of_polygon == index)]
        )
    found: list[Polygon] = []
    for polygon, is_valid, area in zip(
        polygons, shapely.is_valid(polygons), shapely.area(polygons), strict=True
    ):
        if not is_valid:
            mended = shapely.make_valid(polygon, method="structure", keep_collapsed=False)
            on_grid = shapely.set_precision(mended, _STEP_MM)
            found += [piece for piece in _polygons(on_grid) if piece.area > _SLIVER_MM2]
        elif area > _SLIVER_MM2:
            found.append(polygon)
    return found


def across_mm(polygon: Polygon) -> float:
    """Return the longer side of the least rectangle, of any turn, around a polygon, in mm."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(polygon))
    return float(np.hypot(*np.diff(corners, axis=0).T).max()) if len(corners) > 1 else 0.0


def _polygons(shape: shapely.Geometry) -> list[Polygon]:
    """Return the polygons of any geometry."""
    parts = shapely.get_parts(shape)
    flat = [inner for part in parts for inner in shapely.get_parts(part)]
    return [part for part in flat if isinstance(part, Polygon) and not part.is_empty]


def _from_rings(points: NDArray[Any], sizes: NDArray[np.uint32], count: int) -> tuple[Polygon, ...]:
    """Return polygons from rings listed one after the other with their polygon's index."""
    rings: list[list[NDArray[Any]]] = [[] for _ in range(count)]
    at = 0
    for index, size in sizes:
        rings[int(index)].append(points[at : at + int(size)])
        at += int(size)
    return tuple(Polygon(own[0], own[1:]) for own in rings)
