"""How the gap at a pad that does not lie on its node answers to the nodes: the bed bends between.

The printer corrects along straight lines from node to node, and the bed is curved. A pad that had
to be moved off its node measures that too, and what the node itself is off has to be inferred.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.mesh import footprint
from padsheet.scoring.plane import grid_xy_mm

__all__ = ["FREE_MM", "Footing", "footing", "smooth_covariance"]

Floats = NDArray[np.float64]

#: Offset and tilt of a bed are free.
FREE_MM = 1.0
# What a node's height differs from a smooth bed: noise of the reading, roundings of the mesh.
_ALONE_MM = 0.005
# How far a bed bows from its middle to its edges, and how high its bulges are beside that where no
# height is known; what the latter may be at least and at most.
_BOW_MM, _USUAL_MM, _FLATTEST_MM, _ROUGHEST_MM = 0.10, 0.04, 0.01, 0.10
_TURNS, _USUAL_WEIGHT = 6, 3
# Less of a bend than this is none.
_LEAST_MM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Footing:
    """Gap errors of M pads from those of N nodes: ``weights @ nodes + added_mm`` and a bend.

    Attributes
    ----------
    weights : ndarray of float, shape (M, N)
    added_mm : ndarray of float, shape (M,)
    bend_mm2 : ndarray of float, shape (M, M)
        Covariance of what the bed bends by beside that; it is the same on every sheet.
    """

    weights: Floats
    added_mm: Floats
    bend_mm2: Floats


def smooth_covariance(
    grid: MeshGrid,
    some_mm: Floats,
    other_mm: Floats,
    *,
    free_mm: float = 0.0,
    bow_mm: float = 0.0,
    bulge_mm: float = 0.0,
) -> Floats:
    """Return the covariance of a smooth bed's heights at two sets of places, (A, 2) and (B, 2).

    Bulges a third of the mesh wide, `bulge_mm` high, on bowls, saddles and twists of `bow_mm` at
    the edges of the mesh, on a plane that is free by `free_mm`.
    """
    nodes_mm = grid_xy_mm(grid)
    middle = (nodes_mm.max(axis=0) + nodes_mm.min(axis=0)) / 2
    half = (nodes_mm.max(axis=0) - nodes_mm.min(axis=0)) / 2
    length_mm = 2 * float(half.max()) / 3
    square = ((some_mm[:, None, :] - other_mm[None, :, :]) ** 2).sum(axis=2)
    some, other = (some_mm - middle) / half, (other_mm - middle) / half
    bows = some**2 @ (other**2).T + np.outer(some.prod(axis=1), other.prod(axis=1))
    return np.asarray(
        free_mm**2 * (1.0 + some @ other.T)
        + bow_mm**2 * bows
        + bulge_mm**2 * np.exp(-square / (2 * length_mm**2))
    )


def footing(
    grid: MeshGrid, xy_mm: Floats, mesh_mm: Floats | None, error_mm: Floats | None = None
) -> Footing:
    """Return how pads answer to the nodes.

    Parameters
    ----------
    grid : MeshGrid
    xy_mm : ndarray of float, shape (M, 2)
        Places of the pads.
    mesh_mm : ndarray of float, shape (N,), or None
        The mesh in force, up to a constant. Where it is not known, nor is the shape of the bed.
    error_mm : ndarray of float, shape (N,), or None
        Gap errors at the nodes, if something is known of them: what tells how rough the bed is.

    Notes
    -----
    The gap error is that of the nodes, bilinear, less what the bed lies above its own bilinear
    surface. The latter is predicted from the heights of the bed at the nodes, mesh less error, by
    Gaussian process regression (Rasmussen, Williams, "Gaussian Processes for Machine Learning",
    equations 2.25 and 2.26). On simulated beds of 0.1 and 0.25 mm with pads 14 mm inside the outer
    nodes of 3 x 3 to 7 x 7 points, the intervals of those nodes after three sheets hold 95 to 100 %
    (bowls, and waves from 170 mm on; with the latter at 0.25 mm and 3 x 3 points 88 %).
    """
    weights = footprint(grid, xy_mm)
    nodes_mm = grid_xy_mm(grid)
    # Beyond the mesh nothing is known of the bed but its edge.
    edges = grid.outline.grown(1e-6)
    low, high = (edges.x_min_mm, edges.y_min_mm), (edges.x_max_mm, edges.y_max_mm)
    within = ((xy_mm >= low) & (xy_mm <= high)).all(axis=1)
    moved = within & (np.abs(weights).max(axis=1) < 1 - 1e-9)
    if not moved.any():
        return Footing(
            weights=weights, added_mm=np.zeros(len(xy_mm)), bend_mm2=np.zeros((len(xy_mm),) * 2)
        )
    every = np.vstack([xy_mm, nodes_mm])
    off = np.hstack([np.diag(moved.astype(float)), -weights * moved[:, None]])
    bulge_mm = _USUAL_MM
    if mesh_mm is not None and error_mm is not None:
        bulge_mm = _roughness_mm(grid, mesh_mm - error_mm)
    curved = partial(smooth_covariance, grid, bow_mm=_BOW_MM, bulge_mm=bulge_mm)
    # A plane does not bend, so it has no part in these two.
    bends = off @ curved(every, every) @ off.T
    if mesh_mm is None:
        return Footing(weights=weights, added_mm=np.zeros(len(xy_mm)), bend_mm2=bends)
    shared = off @ curved(every, nodes_mm)
    heights = curved(nodes_mm, nodes_mm, free_mm=FREE_MM)
    by_height = np.linalg.solve(heights + _ALONE_MM**2 * np.eye(len(nodes_mm)), shared.T).T
    return Footing(
        weights=weights + by_height,
        added_mm=-by_height @ mesh_mm,
        bend_mm2=bends - by_height @ shared.T,
    )


def _roughness_mm(grid: MeshGrid, height_mm: Floats) -> float:
    """Return how high a bed's bulges are: restricted maximum likelihood, a prior beside it."""
    nodes_mm = grid_xy_mm(grid)
    bulges = smooth_covariance(grid, nodes_mm, nodes_mm, bulge_mm=1.0)
    x, y = (nodes_mm - nodes_mm.mean(axis=0)).T / 100
    terms = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
    # With two rows or columns alone some of them are one.
    directions, sizes, _ = np.linalg.svd(terms, full_matrices=False)
    smooth = directions[:, sizes > 1e-9 * sizes[0]]
    free = len(x) - smooth.shape[1]
    if free < 1:
        return _USUAL_MM
    found_mm = _USUAL_MM
    for _ in range(_TURNS):
        inverse = np.linalg.inv(bulges + (_ALONE_MM / found_mm) ** 2 * np.eye(len(x)))
        left = inverse - inverse @ smooth @ np.linalg.solve(
            smooth.T @ inverse @ smooth, smooth.T @ inverse
        )
        # A few heights tell little of it: what is usual counts as some more.
        squares = height_mm @ left @ height_mm + _USUAL_WEIGHT * _USUAL_MM**2
        found_mm = float(np.sqrt(max(squares, 0.0) / (free + _USUAL_WEIGHT)))
        found_mm = min(max(found_mm, _FLATTEST_MM), _ROUGHEST_MM)
    return found_mm
