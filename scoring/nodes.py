"""From the correction that each node needs to the edit that is safe and worth making."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.scoring.fusion import HOMING_SIGMA_MM, NodeState
from padsheet.scoring.medians import median
from padsheet.scoring.mesh import footprint
from padsheet.scoring.remarks import (
    ALREADY_RIGHT,
    BOUND_HIGH,
    BOUND_LOW,
    INFERRED,
    KEPT_CLEAR,
    NEVER_LOWERED,
    NOT_YET,
    WITHIN_NOISE,
    limited_to,
)
from padsheet.scoring.squish import Z95, PadScore, SheetScore

__all__ = ["LOWER_BOUND_SIGMAS", "NodePlan", "check_points_mm", "lowest_gaps_mm", "plan_nodes"]

#: One-sided 99.9 % of the normal distribution.
LOWER_BOUND_SIGMAS = 3.0902
#: How far a bed may leave the bilinear surface between its nodes, at the middle of a cell.
BULGE_SIGMA_MM = 0.02
#: Places checked in each cell, along each axis, its corners included.
CHECKS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class NodePlan:
    """The edits of all nodes, in the order of `MeshGrid.nodes`.

    Attributes
    ----------
    dz_mm : ndarray of float, shape (N,)
        Rounded edit; 0 where the node is left alone.
    changed, inferred : ndarray of bool, shape (N,)
        Which nodes are edited; which were never read themselves.
    notes : tuple of str
        Why a node was left alone or limited; empty if nothing is to be said.
    limited : bool
        Whether the largest edit or the clearance cut an edit short.
    lowest_mm : float
        99.9 % lower bound of the gap after the edits, the lowest anywhere on the mesh.
    """

    dz_mm: NDArray[np.float64]
    changed: NDArray[np.bool_]
    inferred: NDArray[np.bool_]
    notes: tuple[str, ...]
    limited: bool
    lowest_mm: float


def check_points_mm(grid: MeshGrid) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the places where the clearance is checked, and how far each is from the nodes.

    Returns
    -------
    (xy_mm, bulge)
        Shapes (P, 2) and (P,): a lattice of 5 x 5 in each cell, shared sides once; `bulge` is 0
        at the nodes and 1 in the middle of a cell.
    """
    along = []
    for nodes_mm in (grid.x_mm, grid.y_mm):
        steps = np.arange((CHECKS - 1) * (len(nodes_mm) - 1) + 1) / (CHECKS - 1)
        part = steps - np.floor(steps)
        along.append((np.interp(steps, np.arange(len(nodes_mm)), nodes_mm), 4 * part * (1 - part)))
    (x_mm, bulge_x), (y_mm, bulge_y) = along
    across_x, across_y = np.meshgrid(x_mm, y_mm)
    bulge = np.maximum(*np.meshgrid(bulge_x, bulge_y))
    return np.column_stack([across_x.ravel(), across_y.ravel()]), bulge.ravel()


def lowest_gaps_mm(
    state: NodeState, target_mm: float, weights: NDArray[np.float64], bulge: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the 99.9 % lower bound of the gap at each place, shape (P,), nothing being changed.

    The common part and the scatter of the next homing are included, and between the nodes what a
    bed may bulge out of the bilinear surface.
    """
    mean = target_mm + weights @ state.error_mm
    variance = np.einsum("pn,pn->p", weights @ state.covariance_mm2, weights)
    variance = np.maximum(variance, 0.0) + HOMING_SIGMA_MM**2 + (BULGE_SIGMA_MM * bulge) ** 2
    bound: NDArray[np.float64] = mean - LOWER_BOUND_SIGMAS * np.sqrt(variance)
    return bound


def plan_nodes(
    needed_mm: NDArray[np.float64],
    sigma_mm: NDArray[np.float64],
    *,
    state: NodeState,
    score: SheetScore,
    bed: Bed,
    common_mm: float = 0.0,
    offset_mm: float = 0.0,
) -> NodePlan:
    """Turn needed corrections into edits.

    Parameters
    ----------
    needed_mm, sigma_mm : ndarray of float, shape (N,)
        Correction that each node needs, and its standard deviation.
    common_mm : float
        The part of the gap error that is left to the offset; 0 where the nodes take it too.
    offset_mm : float
        What is to be added to the common offset in the same round; the edits are safe with it and
        without it.

    Returns
    -------
    NodePlan
    """
    notes = [""] * len(needed_mm)
    wanted = _bounded(needed_mm, sigma_mm, common_mm, state, score, notes)
    wanted = _rounded(wanted, needed_mm, sigma_mm, bed, notes)
    wanted, limited = _clamped(wanted, bed.edits.largest_mm, notes)
    xy_mm, bulge = check_points_mm(state.grid)
    weights = footprint(state.grid, xy_mm)
    bounds = lowest_gaps_mm(state, score.target_gap_mm, weights, bulge) + min(0.0, offset_mm)
    safe = _kept_clear(wanted, weights, bounds, bed)
    for k in np.flatnonzero(safe > wanted + 1e-9):
        notes[k] = KEPT_CLEAR if safe[k] < -1e-9 else NOT_YET
        limited = True
    return NodePlan(
        dz_mm=safe,
        changed=np.abs(safe) > 1e-9,
        inferred=~state.read,
        notes=tuple(notes),
        limited=limited,
        lowest_mm=float((bounds + weights @ safe).min()),
    )


def _bounded(
    needed_mm: NDArray[np.float64],
    sigma_mm: NDArray[np.float64],
    common_mm: float,
    state: NodeState,
    score: SheetScore,
    notes: list[str],
) -> NDArray[np.float64]:
    """Limit what is only known as a bound or by inference."""
    wanted = needed_mm.copy()
    pads = {(pad.i, pad.j): pad for pad in score.pads}
    margin_mm = _interval_mm(score)
    for k, node in enumerate(state.grid.nodes):
        pad = pads.get(node)
        if pad is not None and pad.gap_mm is None and pad.verdict.startswith("off scale"):
            level_mm = score.target_gap_mm + common_mm
            # What the sheets before tell of it counts as well, less its own uncertainty.
            known_mm = -needed_mm[k] - Z95 * sigma_mm[k] if state.read[k] else 0.0
            wanted[k], notes[k] = _off_scale(
                pad, level_mm, margin_mm, float(wanted[k]), max(0.0, float(known_mm))
            )
        elif not state.read[k] and wanted[k] < 0:
            wanted[k] = 0.0
            notes[k] = NEVER_LOWERED
        elif not state.read[k]:
            notes[k] = INFERRED
    return wanted


def _off_scale(
    pad: PadScore, level_mm: float, margin_mm: float, wanted_mm: float, known_mm: float
) -> tuple[float, str]:
    """Return the edit of a pad off scale, by what its bound or `known_mm` proves, and its note."""
    low, high = pad.interval_mm or (None, None)
    if pad.verdict == "off scale high":
        most = max(0.0, low - level_mm - margin_mm) if low is not None else 0.0
        return max(wanted_mm, -max(most, known_mm)), BOUND_HIGH
    least = max(0.0, level_mm - high) if high is not None else 0.0
    return max(wanted_mm, least), BOUND_LOW


def _interval_mm(score: SheetScore) -> float:
    """Return half the 95 % interval of a usual pad of this sheet."""
    sigmas = [pad.sigma_total_mm for pad in score.pads if pad.sigma_total_mm is not None]
    return Z95 * (median(sigmas) if sigmas else max(score.common_sigma_mm, 0.01))


def _rounded(
    wanted_mm: NDArray[np.float64],
    needed_mm: NDArray[np.float64],
    sigma_mm: NDArray[np.float64],
    bed: Bed,
    notes: list[str],
) -> NDArray[np.float64]:
    """Round to the printer's smallest edit and leave alone what is within the noise."""
    step = bed.edits.smallest_mm
    rounded = np.round(wanted_mm / step) * step
    for k, value in enumerate(wanted_mm):
        # A lowering by what is proven is never rounded beyond it.
        if notes[k] == BOUND_HIGH:
            rounded[k] = np.ceil(value / step - 1e-9) * step
        if rounded[k] == 0.0:
            notes[k] = notes[k] or ALREADY_RIGHT
        elif abs(value) < sigma_mm[k] and (
            abs(needed_mm[k]) + Z95 * sigma_mm[k] <= bed.target.tolerance_mm
        ):
            rounded[k] = 0.0
            notes[k] = notes[k] or WITHIN_NOISE
    return rounded + 0.0


def _clamped(
    wanted_mm: NDArray[np.float64], largest_mm: float, notes: list[str]
) -> tuple[NDArray[np.float64], bool]:
    """Cut edits to the largest the profile allows in one round."""
    over = np.abs(wanted_mm) > largest_mm + 1e-9
    for k in np.flatnonzero(over):
        notes[k] = limited_to(largest_mm)
    return np.clip(wanted_mm, -largest_mm, largest_mm), bool(over.any())


def _kept_clear(
    wanted_mm: NDArray[np.float64],
    weights: NDArray[np.float64],
    bounds_mm: NDArray[np.float64],
    bed: Bed,
) -> NDArray[np.float64]:
    """Take back lowerings until the lower bound of the gap clears everywhere.

    Each turn takes the worst place and shares what is missing among the nodes around it that are
    being lowered. Nothing is ever raised for it: a nozzle that is too near everywhere is for the
    offset, which nodes do not chase. Where no lowering causes the want of clearance, the edits
    only may not make it worse.
    """
    ceiling = np.maximum(wanted_mm, 0.0)
    step = bed.edits.smallest_mm
    need = np.minimum(bed.motion.clearance_mm - bounds_mm, weights @ ceiling)
    safe = wanted_mm.copy()
    while True:
        missing = need - weights @ safe
        worst = int(np.argmax(missing))
        free = (safe < ceiling - 1e-9) & (weights[worst] > 1e-9)
        if missing[worst] <= 1e-9 or not free.any():
            return safe + 0.0
        share = np.where(free, weights[worst], 0.0)
        lifted = safe + share * (missing[worst] / float(share @ share))
        # To the printer's grid, upwards, so that each turn gets nearer and the loop ends.
        lifted = np.ceil(lifted / step - 1e-9) * step
        safe = np.where(free, np.minimum(lifted, ceiling), safe)
