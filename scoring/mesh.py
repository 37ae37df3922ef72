"""The bed mesh that the printer holds: its values, and how it interpolates between its nodes."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from padsheet.patterns.bed import MeshGrid, Outside
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic

__all__ = [
    "SAME_VALUE_MM",
    "Mesh",
    "empty_mesh",
    "footprint",
    "interpolate",
    "mesh_csv",
    "parse_mesh_csv",
    "read_mesh_csv",
    "same_nodes",
    "write_mesh_csv",
]

# Node places in a file have three decimals; half a unit of the last one, and some air.
PLACE_TOLERANCE_MM = 0.001
# The note in a file that stands for no mesh at all.
ABSENT = "the printer holds none"
SAME_VALUE_MM = 5e-6
"""Files keep six decimals; values nearer than this are the same."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
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
    absent : bool
        Whether it stands for no mesh at all in the printer, which corrects as one of zeros does but
        has no points that could be changed one by one. Never with other values.

    Raises
    ------
    ValueError
        If `z_mm` has another shape than the grid or holds a value that is not finite.
    """

    grid: MeshGrid
    z_mm: NDArray[np.float64]
    name: str = "mesh"
    taken: str = ""
    bed_c: float | None = None
    plate: str = ""
    absent: bool = False

    def __post_init__(self) -> None:
        z_mm = np.asarray(self.z_mm, dtype=np.float64)
        if z_mm.shape != (self.grid.rows, self.grid.columns):
            raise ValueError(f"z_mm has shape {z_mm.shape}, the grid {self.grid}")
        if not np.all(np.isfinite(z_mm)):
            raise ValueError("z_mm must be finite")
        object.__setattr__(self, "z_mm", z_mm)
        object.__setattr__(self, "absent", self.absent and not np.any(z_mm))


def empty_mesh(grid: MeshGrid) -> Mesh:
    """Return the mesh that corrects nothing."""
    return Mesh(grid=grid, z_mm=np.zeros((grid.rows, grid.columns)), name="none")


def same_nodes(one: MeshGrid, other: MeshGrid, *, within_mm: float = 0.01) -> bool:
    """Tell whether two grids have as many nodes, at the same places to within `within_mm`."""
    if (one.columns, one.rows) != (other.columns, other.rows):
        return False
    return bool(
        np.allclose(
            [one.x_min_mm, one.x_max_mm, one.y_min_mm, one.y_max_mm],
            [other.x_min_mm, other.x_max_mm, other.y_min_mm, other.y_max_mm],
            rtol=0.0,
            atol=within_mm,
        )
    )


def footprint(grid: MeshGrid, xy_mm: ArrayLike) -> NDArray[np.float64]:
    """Return how much each node of the mesh counts at each place: bilinear weights.

    Parameters
    ----------
    grid : MeshGrid
        Its `outside` says what the printer does beyond the mesh rectangle: ``hold`` (and
        ``unknown``) keeps the value of the nearest place on its edge, ``extend`` goes on with the
        slope of the outermost cell, ``off`` applies nothing.
    xy_mm : array_like of float, shape (N, 2)
        Places on the bed.

    Returns
    -------
    ndarray of float, shape (N, rows * columns)
        Weights in the order of `MeshGrid.nodes`: row by row from the front, each from the left.

    Raises
    ------
    ValueError
        If `xy_mm` has another shape or is not finite.

    Examples
    --------
    >>> grid = MeshGrid(columns=2, rows=2, x_min_mm=0, x_max_mm=10, y_min_mm=0, y_max_mm=10)
    >>> footprint(grid, [(2.5, 0.0)]).tolist()
    [[0.75, 0.25, 0.0, 0.0]]
    """
    places = np.asarray(xy_mm, dtype=np.float64)
    if places.ndim != 2 or places.shape[1] != 2:
        raise ValueError(f"xy_mm must have shape (N, 2), got {places.shape}")
    if not np.all(np.isfinite(places)):
        raise ValueError("xy_mm must be finite")
    along_x = _axis_weights(places[:, 0], grid.x_mm, grid.outside)
    along_y = _axis_weights(places[:, 1], grid.y_mm, grid.outside)
    weights: NDArray[np.float64] = along_y[:, :, np.newaxis] * along_x[:, np.newaxis, :]
    return weights.reshape(len(places), grid.rows * grid.columns)


def _axis_weights(
    place_mm: NDArray[np.float64], nodes_mm: NDArray[np.float64], outside: Outside
) -> NDArray[np.float64]:
    """Return linear weights along one axis, shape (N, number of nodes)."""
    pitch_mm = (nodes_mm[-1] - nodes_mm[0]) / (len(nodes_mm) - 1)
    steps = (place_mm - nodes_mm[0]) / pitch_mm
    if outside in ("hold", "unknown"):
        steps = np.clip(steps, 0.0, len(nodes_mm) - 1)
    cell = np.clip(np.floor(steps), 0, len(nodes_mm) - 2).astype(np.intp)
    part = steps - cell
    weights = np.zeros((len(place_mm), len(nodes_mm)))
    index = np.arange(len(place_mm))
    weights[index, cell] = 1.0 - part
    weights[index, cell + 1] = part
    if outside == "off":
        # A rounding error must not put the outermost nodes themselves outside.
        weights[(steps < -1e-9) | (steps > len(nodes_mm) - 1 + 1e-9)] = 0.0
    return weights


def interpolate(
    mesh: Mesh, x_mm: ArrayLike, y_mm: ArrayLike, *, height_mm: float = 0.0
) -> NDArray[np.float64]:
    """Return the correction that the printer applies at places on the bed.

    Parameters
    ----------
    mesh : Mesh
        Values at the nodes.
    x_mm, y_mm : array_like of float
        Places; the two are broadcast against each other.
    height_mm : float, optional
        Commanded height. With a fade height in the grid the correction shrinks in proportion to
        the height and is nothing from the fade height up.

    Returns
    -------
    ndarray of float, shape of the broadcast places
        Millimetres; positive lifts the nozzle.

    Examples
    --------
    >>> grid = MeshGrid(columns=2, rows=2, x_min_mm=0, x_max_mm=10, y_min_mm=0, y_max_mm=10)
    >>> mesh = Mesh(grid=grid, z_mm=np.array([[0.0, 0.1], [0.0, 0.1]]))
    >>> round(float(interpolate(mesh, 5.0, 3.0)), 6)
    0.05
    """
    x_all, y_all = np.broadcast_arrays(
        np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)
    )
    weights = footprint(mesh.grid, np.column_stack([x_all.ravel(), y_all.ravel()]))
    correction: NDArray[np.float64] = (weights @ mesh.z_mm.ravel()).reshape(x_all.shape)
    return correction * _fade(mesh.grid.fade_height_mm, height_mm)


def _fade(fade_height_mm: float | None, height_mm: float) -> float:
    """Return the part of the correction that is left at a height: 1 on the bed, 0 when faded."""
    if fade_height_mm is None or fade_height_mm <= 0.0:
        return 1.0
    return min(1.0, max(0.0, 1.0 - height_mm / fade_height_mm))


def write_mesh_csv(path: Path, mesh: Mesh) -> None:
    """Write a mesh as a table that people and spreadsheets can read, whole or not at all.

    Parameters
    ----------
    path : Path
        Usually ``meshes/NAME.csv`` in the bed folder, which must exist.
    mesh : Mesh
        What to write; heights keep six decimals.
    """
    write_atomic(path, mesh_csv(mesh))


def mesh_csv(mesh: Mesh) -> str:
    """Return the text of a mesh file: a header of comments, then one line for each row."""
    bed_c = "" if mesh.bed_c is None else f"{mesh.bed_c:g}"
    comments = [
        "# bed mesh, format 1; heights in mm, a larger value lifts the nozzle",
        f"# name: {_one_line(mesh.name)}",
        f"# taken: {_one_line(mesh.taken)}",
        f"# bed temperature C: {bed_c}",
        f"# plate: {_one_line(mesh.plate)}",
        "# columns from left to right, rows from the front of the bed to the back",
    ]
    if mesh.absent:
        comments.insert(1, f"# {ABSENT}: yes")
    head = ",".join(["y mm / x mm", *(_place(x) for x in mesh.grid.x_mm)])
    rows = [
        ",".join([_place(y), *(_height(z) for z in row)])
        for y, row in zip(mesh.grid.y_mm, mesh.z_mm, strict=True)
    ]
    return "\n".join([*comments, head, *rows]) + "\n"


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _place(place_mm: float) -> str:
    return f"{place_mm:.3f}".rstrip("0").rstrip(".")


def _height(z_mm: float) -> str:
    text = f"{z_mm:.6f}"
    return text[:-3] if text.endswith("000") else text


def read_mesh_csv(path: Path, grid: MeshGrid | None = None) -> Mesh:
    """Read a mesh written by `write_mesh_csv`.

    Parameters
    ----------
    path : Path
        The file.
    grid : MeshGrid, optional
        The grid of the bed profile. The file must have the same nodes; the mesh then carries this
        grid. Without it the grid is made from the file alone.

    Raises
    ------
    PadsheetError
        If the file is not such a table, is of a newer format, or has other nodes than `grid`.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise _bad_file(path, "it is not text") from error
    return parse_mesh_csv(text, path, grid)


def parse_mesh_csv(text: str, path: Path, grid: MeshGrid | None = None) -> Mesh:
    """Make a mesh of the text of a mesh file; `path` names it in errors and gives the name.

    Raises
    ------
    PadsheetError
        See `read_mesh_csv`.
    """
    notes = _comments(text, path)
    table = [row for row in csv.reader(io.StringIO(_without_comments(text))) if any(row)]
    if len(table) < 3 or len({len(row) for row in table}) != 1 or len(table[0]) < 3:
        raise _bad_file(path, "it needs a line of x places and full rows below it")
    x_mm = np.array([_number(cell, path) for cell in table[0][1:]])
    y_mm = np.array([_number(row[0], path) for row in table[1:]])
    z_mm = np.array([[_number(cell, path) for cell in row[1:]] for row in table[1:]])
    for nodes_mm, axis in ((x_mm, "x"), (y_mm, "y")):
        even = np.linspace(nodes_mm[0], nodes_mm[-1], len(nodes_mm))
        if nodes_mm[-1] <= nodes_mm[0] or np.max(np.abs(nodes_mm - even)) > PLACE_TOLERANCE_MM:
            raise _bad_file(path, f"its {axis} places do not rise in even steps")
    own_grid = MeshGrid(
        columns=len(x_mm),
        rows=len(y_mm),
        x_min_mm=float(x_mm[0]),
        x_max_mm=float(x_mm[-1]),
        y_min_mm=float(y_mm[0]),
        y_max_mm=float(y_mm[-1]),
    )
    if grid is not None:
        _check_same_nodes(path, own_grid, grid)
    bed_c = notes.get("bed temperature C", "")
    return Mesh(
        grid=own_grid if grid is None else grid,
        z_mm=z_mm,
        name=notes.get("name", "") or path.stem,
        taken=notes.get("taken", ""),
        absent=notes.get(ABSENT) == "yes",
        bed_c=_number(bed_c, path) if bed_c else None,
        plate=notes.get("plate", ""),
    )


def _comments(text: str, path: Path) -> dict[str, str]:
    """Return the ``# key: value`` lines, after a look at the format number."""
    notes = {}
    for line in text.splitlines():
        if line.startswith("# bed mesh, format ") and not line.startswith("# bed mesh, format 1;"):
            raise PadsheetError(
                f"the mesh file {path.name} has a newer format than this program reads",
                remedy="Update padsheet, or take the mesh in again with `padsheet mesh FILE`.",
                code="mesh-file-newer",
            )
        key, colon, value = line.removeprefix("#").partition(":")
        if line.startswith("#") and colon:
            notes[key.strip()] = value.strip()
    return notes


def _without_comments(text: str) -> str:
    return "\n".join(line for line in text.splitlines() if not line.startswith("#"))


def _number(cell: str, path: Path) -> float:
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise _bad_file(path, f"'{cell.strip()[:20]}' is not a number")
    return value


def _check_same_nodes(path: Path, found: MeshGrid, wanted: MeshGrid) -> None:
    """Refuse a mesh whose nodes lie elsewhere than the profile says."""
    if not same_nodes(found, wanted, within_mm=PLACE_TOLERANCE_MM):
        raise PadsheetError(
            f"the mesh {path.name} has {found.columns} x {found.rows} points in x "
            f"{found.x_min_mm:g}..{found.x_max_mm:g}, y {found.y_min_mm:g}..{found.y_max_mm:g} mm, "
            f"the profile {wanted.columns} x {wanted.rows} in x "
            f"{wanted.x_min_mm:g}..{wanted.x_max_mm:g}, y {wanted.y_min_mm:g}..{wanted.y_max_mm:g}",
            remedy="Take the mesh in again with `padsheet mesh FILE`, or put the old grid back "
            "into bed.toml.",
            code="mesh-other-grid",
        )


def _bad_file(path: Path, why: str) -> PadsheetError:
    return PadsheetError(
        f"cannot read the mesh file {path.name}: {why}",
        remedy="Take the mesh in again with `padsheet mesh FILE`.",
        code="mesh-file",
    )
