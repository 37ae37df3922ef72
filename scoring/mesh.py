"""The bed mesh that the printer holds: its values, and how it interpolates between its nodes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid

__all__ = ["Mesh"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mesh:
    """The height corrections of one mesh, in millimetres.

    Attributes
    ----------
    grid : MeshGrid
        Where its nodes lie.
    z_mm : ndarray of float, shape (rows, columns)
        Correction at node (i, j) in ``z_mm[j, i]``; a larger value lifts the nozzle there.
    name : str
        Name in the bed folder (``meshes/NAME.csv``).
    taken : str
        When it was read from the printer, ISO 8601 date and time.
    bed_c : float or None
        Bed temperature it belongs to.
    plate : str
        Name of the plate it belongs to.
    """

    grid: MeshGrid
    z_mm: NDArray[np.float64]
    name: str = "mesh"
    taken: str = ""
    bed_c: float | None = None
    plate: str = ""
