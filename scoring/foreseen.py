"""What is known of the nodes' gap errors, and what the pads of a sheet should show by it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.bend import Footing, footing
from padsheet.scoring.squish import PadScore

__all__ = ["Bends", "Foreseen", "NodeState", "foreseen"]

# Less of a bend than this is none.
_LEAST_BEND_MM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bends:
    """The bend of the bed under each node's pad: the same on every sheet, so it does not average.

    Attributes
    ----------
    lever : ndarray of float, shape (N, N)
        What the true error of each node is more than the stated one, for each pad's bend.
    bend_mm2 : ndarray of float, shape (N, N)
        Covariance of the bends.
    """

    lever: NDArray[np.float64]
    bend_mm2: NDArray[np.float64]

    @property
    def covariance_mm2(self) -> NDArray[np.float64]:
        """Return what they bring into the covariance of the nodes, shape (N, N)."""
        return self.lever @ self.bend_mm2 @ self.lever.T


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeState:
    """Gap errors of all nodes, as known after the last sheet.

    Attributes
    ----------
    grid : MeshGrid
        The mesh; nodes in the order of `MeshGrid.nodes`.
    error_mm : ndarray of float, shape (N,)
        Gap less target at the target height, the common part of the last sheet included.
    covariance_mm2 : ndarray of float, shape (N, N)
        Their covariance, the common part included.
    read : ndarray of bool, shape (N,)
        Nodes whose own pad was read at least once in this epoch.
    rounds : int
        Sheets of this epoch.
    epoch : int
        Number of the epoch, from 1; a new one starts when the bed itself was changed.
    reason : str
        Why this epoch started; empty for the first.
    mesh_mm : ndarray of float, shape (N,), or None
        The mesh in force on the last sheet, what was applied since added; None where nobody knows.
    bends : Bends or None
        What of the covariance is the bend of the bed under pads that lie off their nodes.
    """

    grid: MeshGrid
    error_mm: NDArray[np.float64]
    covariance_mm2: NDArray[np.float64]
    read: NDArray[np.bool_]
    rounds: int = 0
    epoch: int = 1
    reason: str = ""
    mesh_mm: NDArray[np.float64] | None = None
    bends: Bends | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Foreseen:
    """What read pads should show by a state: ``weights @ nodes + added_mm``, and how sure.

    Attributes
    ----------
    weights : ndarray of float, shape (M, N)
    added_mm : ndarray of float, shape (M,)
    error_mm : ndarray of float, shape (M,)
        Gap errors foreseen.
    covariance_mm2 : ndarray of float, shape (M, M)
        Of the foreseen less the true ones.
    own_mm2 : ndarray of float, shape (N, N)
        Covariance of the nodes but for the bends that are known to be the same on every sheet.
    bends : Bends or None
        None where all pads lie on their nodes.
    open_bend : ndarray of float, shape (M, N)
        How the pads still answer to each node's bend.
    fresh_mm2 : ndarray of float, shape (M, M)
        Bends that the state has no place for.
    """

    weights: NDArray[np.float64]
    added_mm: NDArray[np.float64]
    error_mm: NDArray[np.float64]
    covariance_mm2: NDArray[np.float64]
    own_mm2: NDArray[np.float64]
    bends: Bends | None
    open_bend: NDArray[np.float64]
    fresh_mm2: NDArray[np.float64]


def foreseen(state: NodeState, pads: Sequence[PadScore]) -> Foreseen:
    """Return what pads should show by a state.

    Parameters
    ----------
    state : NodeState
        Its mesh counts as that in force.
    pads : sequence of PadScore
        Where they lie, and which nodes they belong to.
    """
    xy_mm = np.array([[pad.x_mm, pad.y_mm] for pad in pads]).reshape(-1, 2)
    known = state.rounds > 0
    foot = footing(state.grid, xy_mm, state.mesh_mm, state.error_mm if known else None)
    error_mm = foot.weights @ state.error_mm + foot.added_mm
    if state.bends is None and not foot.bend_mm2.any():
        return Foreseen(
            weights=foot.weights,
            added_mm=foot.added_mm,
            error_mm=error_mm,
            covariance_mm2=foot.weights @ state.covariance_mm2 @ foot.weights.T,
            own_mm2=state.covariance_mm2,
            bends=None,
            open_bend=np.zeros_like(foot.weights),
            fresh_mm2=foot.bend_mm2,
        )
    bends, answers, fresh_mm2 = _bends_of(state, pads, foot)
    own_mm2 = state.covariance_mm2 - bends.covariance_mm2
    open_bend = foot.weights @ bends.lever + answers
    return Foreseen(
        weights=foot.weights,
        added_mm=foot.added_mm,
        error_mm=error_mm,
        covariance_mm2=foot.weights @ own_mm2 @ foot.weights.T
        + open_bend @ bends.bend_mm2 @ open_bend.T
        + fresh_mm2,
        own_mm2=own_mm2,
        bends=bends,
        open_bend=open_bend,
        fresh_mm2=fresh_mm2,
    )


def _bends_of(
    state: NodeState, pads: Sequence[PadScore], foot: Footing
) -> tuple[Bends, NDArray[np.float64], NDArray[np.float64]]:
    """Return bends, how the pads answer to them (M, N), and what is none of them (M, M).

    A pad that lies elsewhere than on the first sheet that told of its node has a bend in
    proportion; one whose node had none until now has it afresh.
    """
    count = len(state.error_mm)
    order = {node: k for k, node in enumerate(state.grid.nodes)}
    place = np.array([order[pad.i, pad.j] for pad in pads], dtype=int)
    own_mm = np.sqrt(np.maximum(np.diag(foot.bend_mm2), 0.0))
    bends = state.bends
    if bends is None:
        bend_mm2 = np.zeros((count, count))
        bend_mm2[np.ix_(place, place)] = foot.bend_mm2
        bends = Bends(lever=np.zeros((count, count)), bend_mm2=bend_mm2)
    kept_mm = np.sqrt(np.maximum(np.diag(bends.bend_mm2), 0.0))[place]
    placed = kept_mm > _LEAST_BEND_MM
    answers = np.zeros((len(pads), count))
    rows = np.flatnonzero(placed)
    answers[rows, place[rows]] = own_mm[rows] / kept_mm[rows]
    afresh = ~placed
    return bends, answers, foot.bend_mm2 * np.outer(afresh, afresh)
