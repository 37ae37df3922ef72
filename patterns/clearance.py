"""Height of the nozzle over the bed: the lowest along a path, and what the bed may do beyond."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid

__all__ = ["lowest_height_mm", "rise_beyond_mm"]

Point = tuple[float, float, float]
_Four = Sequence[float]
# Heights at four places. Plain numbers: arrays of four would take several times as long.
_Surface = Callable[[_Four, _Four], _Four]

_PARTS = (0.0, 1 / 3, 2 / 3, 1.0)


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
    hold, extend = _bilinear(grid, z_mm, held=True), _bilinear(grid, z_mm, held=False)
    applied: dict[str, tuple[_Surface, ...]] = {
        "hold": (hold,),
        "extend": (extend,),
        "off": (_nothing,),
        "unknown": (hold, extend, _nothing),
    }
    # Linear fading from the full correction at Z0 (common practice, no source).
    fade = grid.fade_height_mm
    at_reference = 1.0 if fade is None else max(0.0, 1 - reference_mm / fade)
    lowest = np.inf
    for begin, finish in _pieces(start, end, grid):
        x, y, z = (
            [a + (b - a) * part for part in _PARTS] for a, b in zip(begin, finish, strict=True)
        )
        middle = [(a + b) / 2 for a, b in zip(begin, finish, strict=True)]
        inside = (
            grid.x_min_mm <= middle[0] <= grid.x_max_mm
            and grid.y_min_mm <= middle[1] <= grid.y_max_mm
        )
        pairs = (
            [(hold, hold)] if inside else itertools.product(applied[grid.outside], (hold, extend))
        )
        kept = [1.0] * 4
        if fade is not None:
            kept = [0.0] * 4 if middle[2] >= fade else [1 - height / fade for height in z]
        for correction, bed in pairs:
            heights = [
                height + added * part - below * at_reference
                for height, added, part, below in zip(
                    z, correction(x, y), kept, bed(x, y), strict=True
                )
            ]
            lowest = min(lowest, _bound(heights))
    return float(lowest)


def rise_beyond_mm(
    grid: MeshGrid,
    low_mm: float,
    x_mm: NDArray[np.float64],
    y_mm: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return how much higher the bed may stand beyond the mesh than anywhere within it.

    Within the outermost grid points a bed keeps inside the reach, from `low_mm` to as much the
    other way. Beyond them it goes on as it bends: at the most as a bowl that fills that reach from
    its middle to the edge of the mesh. A plane that fills it rises by less than half of that.

    Parameters
    ----------
    grid : MeshGrid
        The nodes.
    low_mm : float
        Lowest gap error that is reckoned with; negative.
    x_mm, y_mm : ndarray of float, any shape, the same
        The places.

    Returns
    -------
    ndarray of float
        Millimetres, 0 within the mesh.

    Examples
    --------
    A bowl of 0.3 mm over 180 mm, 9 mm beyond its edge.

    >>> grid = MeshGrid(x_min_mm=20, x_max_mm=200, y_min_mm=20, y_max_mm=200)
    >>> rise_beyond_mm(grid, -0.15, np.array([110.0, 209.0]), np.array([110.0, 110.0])).round(3)
    array([0.   , 0.063])
    """
    size_x, size_y = grid.x_max_mm - grid.x_min_mm, grid.y_max_mm - grid.y_min_mm
    out_x = np.maximum(grid.x_min_mm - x_mm, x_mm - grid.x_max_mm) / size_x
    out_y = np.maximum(grid.y_min_mm - y_mm, y_mm - grid.y_max_mm) / size_y
    out = np.maximum(0.0, np.maximum(out_x, out_y))
    rise: NDArray[np.float64] = -2 * low_mm * ((1 + 2 * out) ** 2 - 1)
    return rise


def _bound(values: _Four) -> float:
    """Return a lower bound of a cubic from its values at 0, 1/3, 2/3 and 1.

    The two inner Bernstein coefficients are the inverse of the Bernstein basis at these places.
    """
    a, b, c, d = values
    return min(a, (-5 * a + 18 * b - 9 * c + 2 * d) / 6, (2 * a - 9 * b + 18 * c - 5 * d) / 6, d)


def _pieces(first: Point, last: Point, grid: MeshGrid) -> Iterator[tuple[_Four, _Four]]:
    """Split a path where it crosses a node line, or the height at which the correction ends."""
    cuts = [0.0, 1.0]
    levels = (
        _steps(grid.x_min_mm, grid.x_max_mm, grid.columns),
        _steps(grid.y_min_mm, grid.y_max_mm, grid.rows),
        [] if grid.fade_height_mm is None else [grid.fade_height_mm],
    )
    for here, there, places in zip(first, last, levels, strict=True):
        low, high = min(here, there), max(here, there)
        cuts += [(p - here) / (there - here) for p in places if low < p < high]
    for a, b in itertools.pairwise(sorted(cuts)):
        yield (
            [here + (there - here) * a for here, there in zip(first, last, strict=True)],
            [here + (there - here) * b for here, there in zip(first, last, strict=True)],
        )


def _steps(low: float, high: float, count: int) -> list[float]:
    """Return evenly spaced places, both ends included."""
    return [low + (high - low) * k / (count - 1) for k in range(count)]


def _nothing(x: _Four, y: _Four) -> _Four:
    return (0.0,) * len(x)


def _bilinear(grid: MeshGrid, z_mm: NDArray[np.float64], *, held: bool) -> _Surface:
    """Return the bilinear mesh; outside it holds the edge's value, or the edge cell's slope.

    The four points of a piece share one cell: the one their mean lies in.
    """
    pitch_x, pitch_y = grid.pitch_mm
    columns, rows = grid.columns - 1, grid.rows - 1
    z = z_mm.tolist()

    def surface(x: _Four, y: _Four) -> _Four:
        u = [(place - grid.x_min_mm) / pitch_x for place in x]
        v = [(place - grid.y_min_mm) / pitch_y for place in y]
        if held:
            u = [min(max(place, 0.0), columns) for place in u]
            v = [min(max(place, 0.0), rows) for place in v]
        i = min(max(int(sum(u) // 4), 0), columns - 1)
        j = min(max(int(sum(v) // 4), 0), rows - 1)
        (near_left, near_right), (far_left, far_right) = z[j][i : i + 2], z[j + 1][i : i + 2]
        return [
            (near_left * (1 - p + i) + near_right * (p - i)) * (1 - q + j)
            + (far_left * (1 - p + i) + far_right * (p - i)) * (q - j)
            for p, q in zip(u, v, strict=True)
        ]

    return surface
