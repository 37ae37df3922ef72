"""Looking at a mesh just taken in: a map for the eye, and whether it seems turned over."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padsheet.scoring.mesh import Mesh

__all__ = ["FLIP_WORDS", "Flip", "flipped_in_history", "looks_flipped", "show_map"]

# A table that fits the old one turned over is only suspect if the plain fit is worse than what
# homing and rounding do (0.01 to 0.02 mm), and at least twice as bad as the other.
FLIP_NOISE_MM = 0.02
FLIP_RATIO = 0.5


def show_map(mesh: Mesh) -> str:
    """Draw the mesh as seen by a person in front of the printer.

    Up to 9 columns the heights are in millimetres with three decimals, beyond that in hundredths
    of a millimetre; no line is longer than 80 characters.

    Examples
    --------
    >>> from padsheet.patterns.bed import MeshGrid
    >>> grid = MeshGrid(columns=2, rows=2)
    >>> print(show_map(Mesh(grid=grid, z_mm=np.array([[0.0, -0.02], [0.1, 0.03]]))))
                  back
    row 2    +0.100  +0.030
    row 1    +0.000  -0.020
    column        1       2
                  front
    heights in mm; a larger value lifts the nozzle
    """
    fine = mesh.grid.columns <= 9
    width = 8 if fine else 5
    scale, form = (1.0, "+.3f") if fine else (100.0, "+.0f")
    label = 7 if fine else 5

    def row_name(number: int) -> str:
        return f"row {number}" if fine else f"{number}"

    rows = [
        row_name(j + 1).ljust(label)
        + "".join(f"{z * scale + 0.0:{form}}".rjust(width) for z in mesh.z_mm[j])
        for j in reversed(range(mesh.grid.rows))
    ]
    foot = ("column" if fine else "col").ljust(label) + "".join(
        str(i + 1).rjust(width) for i in range(mesh.grid.columns)
    )
    middle = " " * (label + width * mesh.grid.columns // 2 - 1)
    unit = "mm" if fine else "1/100 mm"
    about = f"heights in {unit}; a larger value lifts the nozzle"
    return "\n".join([middle + "back", *rows, foot, middle + "front", about])


@dataclass(frozen=True, slots=True, kw_only=True)
class Flip:
    """A new table fits an older one much better when it is turned over.

    Attributes
    ----------
    kind : {"rows", "columns", "both", "transposed"}
        What has to be turned over or exchanged.
    plain_mm, flipped_mm : float
        RMS difference of the two meshes without their means, as read and turned over.
    text : str
        The whole sentence.
    """

    kind: Literal["rows", "columns", "both", "transposed"]
    plain_mm: float
    flipped_mm: float
    text: str


FLIP_WORDS: dict[str, str] = {
    "rows": "front and back exchanged",
    "columns": "left and right exchanged",
    "both": "turned by half a turn",
    "transposed": "columns and rows exchanged",
}


def looks_flipped(new: Mesh, old: Mesh, called: str = "") -> Flip | None:
    """Tell whether a new mesh looks like an older one of the same bed, but turned over.

    Parameters
    ----------
    new, old : Mesh
        The mesh just read, and one known to be right.
    called : str, optional
        What to call the older one, where its name does not tell.

    Returns
    -------
    Flip or None
        None when the new one fits as it is, when no turning helps, or when the grids differ.
    """
    if new.z_mm.shape != old.z_mm.shape:
        return None
    plain_mm = _distance_mm(new.z_mm, old.z_mm)
    turned: list[tuple[float, Literal["rows", "columns", "both", "transposed"]]] = [
        (_distance_mm(new.z_mm[::-1], old.z_mm), "rows"),
        (_distance_mm(new.z_mm[:, ::-1], old.z_mm), "columns"),
        (_distance_mm(new.z_mm[::-1, ::-1], old.z_mm), "both"),
    ]
    if new.grid.columns == new.grid.rows:
        flips = itertools.product((1, -1), repeat=2)
        turned += [(_distance_mm(new.z_mm.T[::a, ::b], old.z_mm), "transposed") for a, b in flips]
    best_mm, kind = min(turned)
    if plain_mm < FLIP_NOISE_MM or best_mm > FLIP_RATIO * plain_mm:
        return None
    other = called or f"'{old.name}'"
    said = "it may have been read the wrong way round"
    if kind == "transposed":
        said = "columns and rows seem to be exchanged in this table"
    return Flip(
        kind=kind,
        plain_mm=plain_mm,
        flipped_mm=best_mm,
        text=f"with {FLIP_WORDS[kind]} this mesh differs from {other} by {best_mm:.3f} mm, "
        f"as read by {plain_mm:.3f} mm: {said}",
    )


def flipped_in_history(new: Mesh, known: Sequence[Mesh], called: Sequence[str] = ()) -> Flip | None:
    """Compare a new mesh with all that are known of this bed.

    Parameters
    ----------
    new : Mesh
        As just read.
    known : sequence of Mesh
        Earlier ones, the most trusted first; those of another grid tell nothing.
    called : sequence of str, optional
        What to call each of them; an empty text stands for its name.

    Returns
    -------
    Flip or None
        None as soon as the new mesh fits one of the known ones as it is, at least as well as it
        fits any when turned over.
    """
    words = itertools.chain(called, itertools.repeat(""))
    fits = [(m, w) for m, w in zip(known, words, strict=False) if m.z_mm.shape == new.z_mm.shape]
    same = [mesh for mesh, _ in fits]
    flips = [flip for mesh, word in fits if (flip := looks_flipped(new, mesh, word)) is not None]
    if not flips:
        return None
    worst = min(flips, key=lambda flip: flip.flipped_mm)
    plain_mm = min(_distance_mm(new.z_mm, mesh.z_mm) for mesh in same)
    if plain_mm < FLIP_NOISE_MM or worst.flipped_mm > FLIP_RATIO * plain_mm:
        return None
    return worst


def _distance_mm(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Return the RMS difference of two meshes, means removed: homing shifts a whole mesh."""
    return float(np.std(one - other))
