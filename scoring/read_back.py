"""When values read back from the printer are those that were meant."""

from __future__ import annotations

import numpy as np

from padsheet.patterns.bed import Bed
from padsheet.scoring.mesh import Mesh

__all__ = ["SHOWN_TWICE_MM", "same_mesh", "tolerance_mm"]

SHOWN_TWICE_MM = 0.0011
"""Printers show three decimals: two readings of one value differ by no more."""


def tolerance_mm(bed: Bed) -> float:
    """Return how far a value read back may be off: half a smallest edit, or what printers show."""
    return max(0.5 * bed.edits.smallest_mm, SHOWN_TWICE_MM)


def same_mesh(one: Mesh, other: Mesh, bed: Bed) -> bool:
    """Tell whether two meshes of one grid agree in every value."""
    return not bool(np.any(np.abs(one.z_mm - other.z_mm) > tolerance_mm(bed)))
