"""What a mesh does between its nodes: node values that share the bed's curve out evenly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.bend import FREE_MM, smooth_covariance
from padsheet.scoring.fusion import PRIOR_SMOOTH_MM
from padsheet.scoring.mesh import footprint
from padsheet.scoring.plane import grid_xy_mm

__all__ = ["bend_mm", "cell_centres_mm", "shared_shift_mm"]

#: What a node's height may differ from a smooth bed: it is not carried over to the cells around.
ALONE_MM = 0.02

Floats = NDArray[np.float64]


def cell_centres_mm(grid: MeshGrid) -> Floats:
    """Return the middles of all cells, shape (C, 2), row by row from the front."""
    x_mm, y_mm = (nodes[:-1] + np.diff(nodes) / 2 for nodes in (grid.x_mm, grid.y_mm))
    across_x, across_y = np.meshgrid(x_mm, y_mm)
    return np.column_stack([across_x.ravel(), across_y.ravel()])


def _smooth(grid: MeshGrid) -> tuple[Floats, Floats]:
    """Return the maps from node heights to a smooth bed at the nodes (N, N) and centres (C, N).

    The posterior mean of a Gaussian process whose bulges are a third of the mesh wide, about a free
    plane (Rasmussen, Williams, "Gaussian Processes for Machine Learning", equation 2.25). What a
    single node does alone stays out of it.
    """
    nodes_mm, centres_mm = grid_xy_mm(grid), cell_centres_mm(grid)

    def shared(some: Floats, other: Floats) -> Floats:
        return smooth_covariance(grid, some, other, free_mm=FREE_MM, bulge_mm=PRIOR_SMOOTH_MM)

    noisy = shared(nodes_mm, nodes_mm) + ALONE_MM**2 * np.eye(len(nodes_mm))
    every = np.vstack([nodes_mm, centres_mm])
    smooth: Floats = np.asarray(np.linalg.solve(noisy, shared(nodes_mm, every)), dtype=np.float64).T
    return smooth[: len(nodes_mm)], smooth[len(nodes_mm) :]


def bend_mm(grid: MeshGrid, height_mm: Floats) -> Floats:
    """Return how far the bed lies above the bilinear surface at each cell centre, shape (C,).

    Parameters
    ----------
    height_mm : ndarray of float, shape (N,)
        Height of the bed at the nodes.

    Examples
    --------
    >>> grid = MeshGrid(columns=3, rows=3)
    >>> bool(np.allclose(bend_mm(grid, 0.001 * grid_xy_mm(grid)[:, 0]), 0, atol=1e-4))
    True
    """
    at_nodes, at_centres = _smooth(grid)
    bilinear = footprint(grid, cell_centres_mm(grid))
    bend: Floats = (at_centres - bilinear @ at_nodes) @ height_mm
    return bend


def shared_shift_mm(grid: MeshGrid, height_mm: Floats, *, largest_mm: float) -> Floats:
    """Return how far each node's value is best set off the bed's own height there.

    A mesh that is right at every node is wrong between them by the bed's whole curve. Least
    squares over nodes and cell centres alike shares that out.

    Parameters
    ----------
    grid : MeshGrid
        The mesh.
    height_mm : ndarray of float, shape (N,)
        Height of the bed at the nodes, up to a constant.
    largest_mm : float
        No node is set off by more.

    Returns
    -------
    ndarray of float, shape (N,)
        Positive lifts the nozzle. Its mean is zero before the limit: the common part is for the
        offset.
    """
    bilinear = np.vstack([np.eye(grid.columns * grid.rows), footprint(grid, cell_centres_mm(grid))])
    # The bed leaves the surface through its nodes by nothing there, by its bend in the cells.
    leaves = np.concatenate([np.zeros_like(height_mm), bend_mm(grid, height_mm)])
    shift = np.linalg.lstsq(bilinear, leaves, rcond=None)[0]
    limited: Floats = np.clip(shift - shift.mean(), -largest_mm, largest_mm)
    return limited
