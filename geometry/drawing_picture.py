"""The artist's own drawing, straightened and placed on the blank, as a small picture for pages."""

import cv2
import numpy as np

from geometry.paper import Straight
from geometry.recipe import Placement


def drawing_jpg(
    straight: Straight,
    placement: Placement,
    blank_mm: tuple[float, float],
    *,
    px_per_mm: float = 8.0,
    quality: int = 85,
) -> bytes:
    """Return a JPEG of the drawing in the blank's frame: pixel (0, 0) is the blank's top left.

    What lies beyond the paper is white.
    """
    grey, source = straight.grey, straight.px_per_mm
    wanted = px_per_mm * placement.scale
    if source > wanted:
        size = (round(grey.shape[1] * wanted / source), round(grey.shape[0] * wanted / source))
        size = (max(size[0], 1), max(size[1], 1))
        source = size[0] / grey.shape[1] * source
        grey = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8)
    matrix = placement.matrix
    turn = matrix[:, :2] * px_per_mm / source
    move = turn @ (0.5, 0.5) + matrix[:, 2] * px_per_mm - 0.5
    out = (max(1, round(blank_mm[0] * px_per_mm)), max(1, round(blank_mm[1] * px_per_mm)))
    placed = cv2.warpAffine(
        grey,
        np.column_stack([turn, move]),
        out,
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=255,
    )
    return cv2.imencode(".jpg", placed, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()
