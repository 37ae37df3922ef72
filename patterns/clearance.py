"""Lowest height of the nozzle over the bed along a straight path, the mesh correction included."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid

__all__ = ["lowest_height_mm"]

Point = tuple[float, float, float]
_Surface = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]

# A cubic through its values at 0, 1/3, 2/3 and 1, as Bernstein coefficients (inverse of the
# Bernstein basis at these places).
_TO_BERNSTEIN = (
    np.array([[6, 0, 0, 0], [-5, 18, -9, 2], [2, -9, 18, -5], [0, 0, 0, 6]], dtype=np.float64) / 6
)


def lowest_height_mm(
    start: Point,
    end: Point,
    grid: MeshGrid,
    z_mm: NDArray[np.float64] | None = None,
    *,
    reference_mm: float = 0.0,
) -> float:
    """Return a safe lower bound of the nozzle's height over the bed along a straight path.

    Inside the mesh the bed is taken to lie where the mesh puts it at the reference height, so that
    only the fading of the correction from there counts. Outside nobody has measured: the bed is
    taken to hold the edge's height or to go on with its slope, and the printer to do what
    ``grid.outside`` says, or any of the three where that is unknown; the worst of all counts.

    Parameters
    ----------
    start, end : (x, y, z)
        Ends of the path, z as commanded.
    grid : MeshGrid
        Nodes, behaviour outside them and fade height.
    z_mm : ndarray of float, shape (rows, columns), optional
        Correction in force at each node; a larger value lifts the nozzle. Without it the lower end
        of the path is returned.
    reference_mm : float
        Nozzle height at which the mesh was set (0 where the correction does not fade).

    Returns
    -------
    float
        Millimetres, exact or too low, never too high.

    Notes
    -----
    Between crossings of node lines the height is a polynomial of at most third degree along the
    path: bilinear correction times linear fading. A polynomial is nowhere below its lowest
    Bernstein coefficient (Farin, Curves and Surfaces for CAGD, 5th ed. 2002, chapter 6; from
    memory).
    """
    if z_mm is None:
        return min(start[2], end[2])
    first, last = np.asarray(start, np.float64), np.asarray(end, np.float64)
    hold, extend = _held(grid, z_mm), _extended(grid, z_mm)
    applied: dict[str, tuple[_Surface, ...]] = {
        "hold": (hold,),
        "extend": (extend,),
        "off": (_nothing,),
        "unknown": (hold, extend, _nothing),
    }
    lowest = np.inf
    for begin, finish in _pieces(first, last, grid):
        at = begin + (finish - begin) * np.linspace(0.0, 1.0, 4)[:, None]
        x, y, z = at.T
        middle = (begin + finish) / 2
        inside = (
            grid.x_min_mm <= middle[0] <= grid.x_max_mm
            and grid.y_min_mm <= middle[1] <= grid.y_max_mm
        )
        pairs = (
            [(hold, hold)] if inside else itertools.product(applied[grid.outside], (hold, extend))
        )
        fade = grid.fade_height_mm
        kept, at_reference = np.ones(4), 1.0
        if fade is not None:
            # Linear fading from the full correction at Z0 (common practice, no source).
            kept = np.zeros(4) if middle[2] >= fade else 1 - z / fade
            at_reference = max(0.0, 1 - reference_mm / fade)
        for correction, bed in pairs:
            height = z + correction(x, y) * kept - bed(x, y) * at_reference
            lowest = min(lowest, float((_TO_BERNSTEIN @ height).min()))
    return lowest


def _pieces(
    first: NDArray[np.float64], last: NDArray[np.float64], grid: MeshGrid
) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Split a path where it crosses a node line, or the height at which the correction ends."""
    cuts = [0.0, 1.0]
    levels = (
        [*grid.x_mm],
        [*grid.y_mm],
        [] if grid.fade_height_mm is None else [grid.fade_height_mm],
    )
    for here, there, places in zip(first, last, levels, strict=True):
        low, high = min(here, there), max(here, there)
        cuts += [(p - here) / (there - here) for p in places if low < p < high]
    for a, b in itertools.pairwise(sorted(cuts)):
        yield first + (last - first) * a, first + (last - first) * b


def _nothing(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.zeros_like(x)


def _held(grid: MeshGrid, z_mm: NDArray[np.float64]) -> _Surface:
    """Return the bilinear mesh, constant outside its edge."""
    inner = _extended(grid, z_mm)

    def surface(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        return inner(
            np.clip(x, grid.x_min_mm, grid.x_max_mm), np.clip(y, grid.y_min_mm, grid.y_max_mm)
        )

    return surface


def _extended(grid: MeshGrid, z_mm: NDArray[np.float64]) -> _Surface:
    """Return the bilinear mesh, outside with the slope of the edge cell.

    The four points of a piece share one cell: the one their mean lies in.
    """
    pitch_x, pitch_y = grid.pitch_mm

    def surface(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        u, v = (x - grid.x_min_mm) / pitch_x, (y - grid.y_min_mm) / pitch_y
        i = int(np.clip(np.floor(u.mean()), 0, grid.columns - 2))
        j = int(np.clip(np.floor(v.mean()), 0, grid.rows - 2))
        u, v = u - i, v - j
        return np.asarray(
            z_mm[j, i] * (1 - u) * (1 - v)
            + z_mm[j, i + 1] * u * (1 - v)
            + z_mm[j + 1, i] * (1 - u) * v
            + z_mm[j + 1, i + 1] * u * v
        )

    return surface
