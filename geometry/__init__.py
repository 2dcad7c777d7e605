"""Geometry of paint stencils: from a picture of a drawing to openings, findings and cut files.

Pure computation in millimetres: no web framework, no database, no settings and no clock.
`geometry.check.check` is the one door; `python -m geometry` is the same door on the command line.
"""

import os

from .child_guard import ReadingGuard, reading_guard

__all__ = ["ReadingGuard", "reading_guard"]

# Read by BLAS when numpy loads. The plate's fronts are small: a second thread was seen to cost six
# times the processor time of one, most of it spent waiting.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
