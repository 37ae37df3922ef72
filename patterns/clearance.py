"""Height of the nozzle over the bed: the lowest along a path, and what the bed may do beyond."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid

__all__ = ["lowest_height_mm", "lowest_heights_mm", "rise_beyond_mm"]

Point = tuple[float, float, float]
Floats = NDArray[np.float64]
# Heights at places: x and y of any one shape to millimetres of the same shape.
_Surface = Callable[[Floats, Floats], Floats]

_PARTS = np.array([0.0, 1 / 3, 2 / 3, 1.0])


def lowest_height_mm(
    start: Point,
    end: Point,
    grid: MeshGrid,
    z_mm: Floats | None = None,
    *,
    reference_mm: float = 0.0,
) -> float:
    """Return a safe lower bound of the nozzle's height over the bed along one straight path.

    As `lowest_heights_mm`, for the ends (x, y, z) of one path.
    """
    return float(
        lowest_heights_mm(
            np.array([start], np.float64),
            np.array([end], np.float64),
            grid,
            z_mm,
            reference_mm=reference_mm,
        )[0]
    )


def lowest_heights_mm(
    start_mm: Floats,
    end_mm: Floats,
    grid: MeshGrid,
    z_mm: Floats | None = None,
    *,
    reference_mm: float = 0.0,
) -> Floats:
    """Return a safe lower bound of the nozzle's height over the bed along each straight path.

    Inside the mesh the bed is taken to lie where the mesh puts it at the reference height, so that
    only the fading of the correction from there counts. Outside nobody has measured: the bed is
    taken to hold the edge's height or to go on with its slope, and the printer to do what
    ``grid.outside`` says, or any of the three where that is unknown; the worst of all counts.

    Parameters
    ----------
    start_mm, end_mm : ndarray of float, shape (N, 3)
        Ends (x, y, z) of the paths, z as commanded.
    grid : MeshGrid
        Nodes, behaviour outside them and fade height.
    z_mm : ndarray of float, shape (rows, columns), optional
        Correction in force at each node; a larger value lifts the nozzle. Without it the lower end
        of each path is returned.
    reference_mm : float
        Nozzle height at which the mesh was set (0 where the correction does not fade).

    Returns
    -------
    ndarray of float, shape (N,)
        Millimetres, exact or too low, never too high.

    Notes
    -----
    Between crossings of node lines the height is a polynomial of at most third degree along the
    path: bilinear correction times linear fading. A polynomial is nowhere below its lowest
    Bernstein coefficient (Farin, Curves and Surfaces for CAGD, 5th ed. 2002, chapter 6; from
    memory).
    """
    lowest: Floats = np.minimum(start_mm[:, 2], end_mm[:, 2])
    if z_mm is None:
        return lowest
    # A correction that neither fades nor ends is the same for nozzle and bed.
    within = _within(grid, start_mm) & _within(grid, end_mm) & (grid.fade_height_mm is None)
    (paths,) = np.nonzero(~within)
    if len(paths):
        # Of places that no number can hold nothing comes but what is no number, which is not clear.
        with np.errstate(over="ignore", invalid="ignore"):
            lowest[paths] = _lowest_of(start_mm[paths], end_mm[paths], grid, z_mm, reference_mm)
    return lowest


def _within(grid: MeshGrid, places_mm: Floats) -> NDArray[np.bool_]:
    """Tell which places (N, 2 or 3) lie in the mesh rectangle, its edge included."""
    x, y = places_mm[:, 0], places_mm[:, 1]
    inside: NDArray[np.bool_] = (
        (grid.x_min_mm <= x) & (x <= grid.x_max_mm) & (grid.y_min_mm <= y) & (y <= grid.y_max_mm)
    )
    return inside


def _lowest_of(
    start_mm: Floats, end_mm: Floats, grid: MeshGrid, z_mm: Floats, reference_mm: float
) -> Floats:
    """Return `lowest_heights_mm` of paths where the correction fades or may end."""
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
    path, begin, finish = _pieces(start_mm, end_mm, grid)
    middle = (begin + finish) / 2
    x, y, z = np.moveaxis(begin[..., None] + (finish - begin)[..., None] * _PARTS, 1, 0)
    kept = np.ones_like(z) if fade is None else 1 - z / fade
    if fade is not None:
        kept[middle[:, 2] >= fade] = 0.0
    # Outside rows of pieces below are written over; inside the bed lies where the mesh puts it.
    at = hold(x, y)
    lowest = _bound(z + at * kept - at * at_reference)
    out = ~_within(grid, middle)
    if out.any():
        x, y, z, kept = x[out], y[out], z[out], kept[out]
        lowest[out] = np.min(
            [
                _bound(z + correction(x, y) * kept - bed(x, y) * at_reference)
                for correction in applied[grid.outside]
                for bed in (hold, extend)
            ],
            axis=0,
        )
    first = np.flatnonzero(np.diff(path, prepend=-1))
    return np.asarray(np.minimum.reduceat(lowest, first), np.float64)


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


def _bound(values: Floats) -> Floats:
    """Return a lower bound of cubics (M,) from their values (M, 4) at 0, 1/3, 2/3 and 1.

    The two inner Bernstein coefficients are the inverse of the Bernstein basis at these places.
    """
    a, b, c, d = values.T
    inner = ((-5 * a + 18 * b - 9 * c + 2 * d) / 6, (2 * a - 9 * b + 18 * c - 5 * d) / 6)
    return np.asarray(np.min([a, *inner, d], axis=0), np.float64)


def _pieces(
    first_mm: Floats, last_mm: Floats, grid: MeshGrid
) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Split paths (N, 3) where they cross a node line, or the height at which the correction ends.

    Returns the path of each piece, rising, and its ends, (M, 3) each.
    """
    levels = (
        np.linspace(grid.x_min_mm, grid.x_max_mm, grid.columns),
        np.linspace(grid.y_min_mm, grid.y_max_mm, grid.rows),
        np.array([] if grid.fade_height_mm is None else [grid.fade_height_mm]),
    )
    run = last_mm - first_mm
    cuts = [np.zeros((len(run), 1)), np.ones((len(run), 1))]
    for axis, places in enumerate(levels):
        here, there = first_mm[:, axis, None], last_mm[:, axis, None]
        crossed = (np.minimum(here, there) < places) & (places < np.maximum(here, there))
        way = np.where(crossed, there - here, 1.0)
        cuts.append(np.where(crossed, (places - here) / way, 1.0))
    cut = np.sort(np.concatenate(cuts, axis=1), axis=1)
    path, piece = np.nonzero(cut[:, 1:] > cut[:, :-1])
    a, b = cut[path, piece, None], cut[path, piece + 1, None]
    return path, first_mm[path] + run[path] * a, first_mm[path] + run[path] * b


def _nothing(x: Floats, y: Floats) -> Floats:
    return np.zeros_like(x)


def _bilinear(grid: MeshGrid, z_mm: Floats, *, held: bool) -> _Surface:
    """Return the bilinear mesh; outside it holds the edge's value, or the edge cell's slope.

    The four points of a piece, a row, share one cell: the one their mean lies in.
    """
    pitch_x, pitch_y = grid.pitch_mm
    columns, rows = grid.columns - 1, grid.rows - 1

    def surface(x: Floats, y: Floats) -> Floats:
        u, v = (x - grid.x_min_mm) / pitch_x, (y - grid.y_min_mm) / pitch_y
        if held:
            u, v = np.clip(u, 0.0, columns), np.clip(v, 0.0, rows)
        # These take what is no number for 0.
        i = np.fmin(np.fmax(u.mean(axis=1, keepdims=True), 0), columns - 1).astype(np.intp)
        j = np.fmin(np.fmax(v.mean(axis=1, keepdims=True), 0), rows - 1).astype(np.intp)
        p, q = u - i, v - j
        near = z_mm[j, i] * (1 - p) + z_mm[j, i + 1] * p
        far = z_mm[j + 1, i] * (1 - p) + z_mm[j + 1, i + 1] * p
        return np.asarray(near * (1 - q) + far * q, np.float64)

    return surface
