"""What all rounds together say of each node: a Kalman filter over the sheets of one bed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid, Rectangle
from padsheet.scoring.foreseen import Foreseen, NodeState, foreseen
from padsheet.scoring.mesh import footprint
from padsheet.scoring.plane import grid_xy_mm
from padsheet.scoring.squish import Z95, PadScore, SheetScore

__all__ = [
    "HEAT_SIGMA_MM",
    "HOMING_SIGMA_MM",
    "PRIOR_SMOOTH_MM",
    "PROCESS_SIGMA_MM",
    "SAME_HEAT_C",
    "NodeState",
    "RoundRecord",
    "first_state",
    "fuse_rounds",
    "low_errors_mm",
    "lowest_error_mm",
    "predict",
    "prior_covariance",
    "risen",
    "sure_of_unread",
    "update",
]

#: Homing repeats to 0.01-0.02 mm (common practice, no source).
HOMING_SIGMA_MM = 0.015
#: What the common part may move when the offset may have been changed between two sheets.
FORGET_COMMON_MM = 0.15
#: What a node moves by itself from one heating to the next.
PROCESS_SIGMA_MM = 0.003
#: Parts of the prior of a bed that nobody has measured; together about 0.15 mm a node.
PRIOR_COMMON_MM = 0.10
PRIOR_TILT_MM = 0.07  # at the edge of the mesh
PRIOR_SMOOTH_MM = 0.08  # bulges a third of the mesh wide
PRIOR_NODE_MM = 0.04  # what a node does alone, such as a value that was set by hand
#: A sheet less likely than this after the earlier ones belongs to a bed that was changed.
CHANGED_PROBABILITY = 1e-4
#: The tail of a bound is heavier than the prior's own: never surer than this.
CENSORED_FLOOR_MM = 0.02
#: Bed temperatures nearer to each other than this count as the same.
SAME_HEAT_C = 2.0
#: What a point may move by, alone and with all others, where they do not (common practice, no
#: source).
HEAT_SIGMA_MM = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundRecord:
    """One scored sheet, and what is known to have been done since the sheet before it.

    Attributes
    ----------
    applied_mm : ndarray of float, shape (N,), or None
        What was added to each node; None when nobody knows.
    offset_mm : float or None
        What was added to the common offset; None when nobody knows.
    screws_turned : bool
        Whether a bed screw was turned.
    plate : str
        Name of the plate.
    bed_c : float or None
        Bed temperature, if known.
    mesh_mm : ndarray of float, shape (N,), or None
        The mesh in force on the sheet, if it is known.
    """

    score: SheetScore
    applied_mm: NDArray[np.float64] | None = None
    offset_mm: float | None = None
    screws_turned: bool = False
    plate: str = ""
    bed_c: float | None = None
    mesh_mm: NDArray[np.float64] | None = None


def prior_covariance(grid: MeshGrid) -> NDArray[np.float64]:
    """Return the covariance of the nodes of a bed that nobody has measured.

    Returns
    -------
    ndarray of float, shape (N, N)
        Common part, tilt, smooth bulges and what each node does alone, square millimetres.
    """
    xy_mm = grid_xy_mm(grid)
    half = (xy_mm.max(axis=0) - xy_mm.min(axis=0)) / 2
    unit = (xy_mm - xy_mm.mean(axis=0)) / half
    square = ((xy_mm[:, None, :] - xy_mm[None, :, :]) ** 2).sum(axis=2)
    bulge_mm = 2 * float(half.max()) / 3
    covariance: NDArray[np.float64] = (
        PRIOR_COMMON_MM**2
        + PRIOR_TILT_MM**2 * (unit @ unit.T)
        + PRIOR_SMOOTH_MM**2 * np.exp(-square / (2 * bulge_mm**2))
        + PRIOR_NODE_MM**2 * np.eye(len(xy_mm))
    )
    return covariance


def first_state(grid: MeshGrid, *, epoch: int = 1, reason: str = "") -> NodeState:
    """Return the state before any sheet: no error expected, about 0.15 mm uncertain."""
    count = grid.rows * grid.columns
    return NodeState(
        grid=grid,
        error_mm=np.zeros(count),
        covariance_mm2=prior_covariance(grid),
        read=np.zeros(count, dtype=np.bool_),
        epoch=epoch,
        reason=reason,
    )


def predict(
    state: NodeState,
    applied_mm: NDArray[np.float64],
    *,
    offset_mm: float | None = None,
) -> NodeState:
    """Carry a state to the next sheet.

    Parameters
    ----------
    applied_mm : ndarray of float, shape (N,)
        What was added to each node; a positive value lifts the nozzle and widens the gap.
    offset_mm : float or None
        What was added to the common offset; with None the common part is forgotten.
    """
    count = len(state.error_mm)
    # Both sheets homed, so what lies between them is the difference of two homings.
    common = math.sqrt(2) * HOMING_SIGMA_MM if offset_mm is not None else FORGET_COMMON_MM
    return replace(
        state,
        error_mm=state.error_mm + applied_mm + (offset_mm or 0.0),
        covariance_mm2=state.covariance_mm2 + common**2 + PROCESS_SIGMA_MM**2 * np.eye(count),
        mesh_mm=None if state.mesh_mm is None else state.mesh_mm + applied_mm,
    )


def sure_of_unread(state: NodeState, score: SheetScore) -> NodeState:
    """Return the state with nodes of which no sheet tells held no less sure than those read.

    What is inferred there stays; that nobody measured it is no sign that the bed is near. Nodes
    below the scale of the last sheet, `score`, keep their own uncertainty.
    """
    low = {(pad.i, pad.j) for pad in score.pads if pad.verdict == "off scale low"}
    told = state.read | np.array([node in low for node in state.grid.nodes], dtype=np.bool_)
    sigma_mm = np.sqrt(np.diag(state.covariance_mm2))
    widest_mm = float(sigma_mm[state.read].max()) if state.read.any() else PRIOR_NODE_MM
    kept = np.where(told, 1.0, np.minimum(1.0, widest_mm / sigma_mm))
    return replace(state, covariance_mm2=state.covariance_mm2 * np.outer(kept, kept))


def risen(
    state: NodeState, rise_mm: NDArray[np.float64], covariance_mm2: NDArray[np.float64]
) -> NodeState:
    """Return the state once the bed went up at the nodes, with the covariance of how far."""
    return replace(
        state,
        error_mm=state.error_mm - rise_mm,
        covariance_mm2=state.covariance_mm2 + covariance_mm2,
    )


def low_errors_mm(states: Sequence[NodeState], xy_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the 95 % lower bound of the gap error at places by the worst state, shape (P,)."""
    grid = states[0].grid
    # Without a correction beyond the mesh the bed's own error is still that of its edge.
    grid = replace(grid, outside="hold") if grid.outside == "off" else grid
    weights = footprint(grid, xy_mm)
    # Many states differ in their errors only.
    spread: dict[bytes, NDArray[np.float64]] = {}
    low = np.full(len(xy_mm), np.inf)
    for state in states:
        key = state.covariance_mm2.tobytes()
        if key not in spread:
            variance = np.einsum("pn,pn->p", weights @ state.covariance_mm2, weights)
            spread[key] = Z95 * np.sqrt(np.maximum(variance, 0.0))
        low = np.minimum(low, weights @ state.error_mm - spread[key])
    return low


def lowest_error_mm(state: NodeState, outline: Rectangle) -> float:
    """Return what `low_errors_mm` is nowhere below within an outline.

    Between the lines of the grid, led on to the outline, the weights of a place are a mean of those
    at the corners of its cell, and the bound of a mean is never below the lowest of the bounds.
    """
    x_mm = np.unique([outline.x_min_mm, *state.grid.x_mm, outline.x_max_mm])
    y_mm = np.unique([outline.y_min_mm, *state.grid.y_mm, outline.y_max_mm])
    corners = np.stack(np.meshgrid(x_mm, y_mm), axis=-1).reshape(-1, 2)
    return float(low_errors_mm([state], corners).min())


def update(
    state: NodeState, score: SheetScore, mesh_mm: NDArray[np.float64] | None = None
) -> NodeState:
    """Take in one sheet.

    Read pads answer to the nodes through the printer's bilinear footprint and the bend of the bed,
    and carry the full covariance of the fit; pads off scale are bounds.

    Parameters
    ----------
    state : NodeState
        Before it.
    score : SheetScore
    mesh_mm : ndarray of float, shape (N,), or None
        The mesh in force on it, if it is known.

    Raises
    ------
    ValueError
        If `score.order` names a pad that is not in `score.pads`.
    """
    if score.order:
        state = _linear_update(replace(state, mesh_mm=mesh_mm), score)
    error_mm, covariance_mm2 = state.error_mm, state.covariance_mm2
    for pad in score.pads:
        error_mm, covariance_mm2 = _bound_update(
            state.grid, error_mm, covariance_mm2, pad, score.target_gap_mm
        )
    covariance_mm2 = (covariance_mm2 + covariance_mm2.T) / 2
    if state.bends is not None:
        covariance_mm2 = _no_less(covariance_mm2, state.bends.covariance_mm2)
    return replace(
        state,
        error_mm=error_mm,
        covariance_mm2=covariance_mm2,
        read=state.read | _read_nodes(state.grid, score),
        rounds=state.rounds + 1,
        mesh_mm=mesh_mm,
    )


def _no_less(
    covariance_mm2: NDArray[np.float64], least_mm2: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return a covariance as it is, but in no direction less than another one.

    A bound makes a node surer, though not of the bend under its pad, which the next sheet takes
    out of the covariance again.
    """
    sizes, directions = np.linalg.eigh(covariance_mm2 - least_mm2)
    if sizes[0] >= 0:
        return covariance_mm2
    return np.asarray(least_mm2 + (directions * np.maximum(sizes, 0.0)) @ directions.T)


def _measured(
    grid: MeshGrid, score: SheetScore
) -> tuple[list[PadScore], NDArray[np.float64], NDArray[np.float64]]:
    """Return the read pads that tell of nodes, their gap errors (M,) and covariance (M, M)."""
    pads = {(pad.i, pad.j): pad for pad in score.pads}
    if missing := [node for node in score.order if node not in pads]:
        raise ValueError(f"score.order names {missing[0]}, which has no pad")
    read = [pads[node] for node in score.order]
    weights = footprint(grid, np.array([[pad.x_mm, pad.y_mm] for pad in read]))
    gaps = np.array([math.nan if pad.gap_mm is None else pad.gap_mm for pad in read])
    # A tenth of a micrometre keeps a covariance of too low rank solvable.
    noise = score.covariance_mm2 + 1e-8 * np.eye(len(read))
    # Where the printer applies no mesh, a pad tells nothing of the nodes.
    tells = np.flatnonzero(np.abs(weights.sum(axis=1)) > 0.5)
    told = [read[k] for k in tells]
    return told, gaps[tells] - score.target_gap_mm, noise[np.ix_(tells, tells)]


def _linear_update(state: NodeState, score: SheetScore) -> NodeState:
    """Kalman update in Joseph's form, the bends considered but not estimated.

    A bend is the same on every sheet, so that it must not average out with their number (Schmidt's
    consider filter: Schmidt, Advances in Control Systems 3 (1966) 293-340; from memory). How rough
    the bed is, the first pass tells the second.
    """
    pads, measured, noise = _measured(state.grid, score)
    first = _considered(state, pads, measured, noise)
    if first.bends is None:
        return first
    # Before the second pass, only the errors of the first are known of the bed's shape.
    rough = replace(state, rounds=max(state.rounds, 1))
    foot = foreseen(replace(rough, error_mm=first.error_mm), pads)
    return _considered(state, pads, measured, noise, foot)


def _considered(
    state: NodeState,
    pads: Sequence[PadScore],
    measured: NDArray[np.float64],
    noise: NDArray[np.float64],
    foot: Foreseen | None = None,
) -> NodeState:
    """Return the state after an update, with the footing given or its own."""
    seen = foreseen(state, pads) if foot is None else foot
    prior, weights, bends = seen.own_mm2, seen.weights, seen.bends
    noise = noise + seen.fresh_mm2
    across = weights @ prior
    spread = across @ weights.T + noise
    if bends is not None:
        opened = seen.open_bend @ bends.bend_mm2
        spread = spread + opened @ seen.open_bend.T
        across = across + opened @ bends.lever.T
    gain = np.linalg.solve(spread, across).T
    keep = np.eye(len(prior)) - gain @ weights
    error_mm = state.error_mm + gain @ (measured - weights @ state.error_mm - seen.added_mm)
    covariance_mm2 = keep @ prior @ keep.T + gain @ noise @ gain.T
    if bends is not None:
        bends = replace(bends, lever=bends.lever - gain @ seen.open_bend)
        covariance_mm2 = covariance_mm2 + bends.covariance_mm2
    return replace(state, error_mm=error_mm, covariance_mm2=covariance_mm2, bends=bends)


def _bound_update(
    grid: MeshGrid,
    error_mm: NDArray[np.float64],
    covariance_mm2: NDArray[np.float64],
    pad: PadScore,
    target_gap_mm: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Take in one pad off scale: the moments of a normal cut off at the pad's bound.

    The cut normal has mean ``m + s r`` and variance ``s^2 (1 + a r - r^2)`` with
    ``a = (bound - m) / s`` and r the ratio of density to tail (Johnson, Kotz, Balakrishnan,
    "Continuous Univariate Distributions", volume 1, section 13.10.1; from memory, and checked by
    drawing in the tests).
    """
    if pad.verdict not in ("off scale high", "off scale low") or pad.interval_mm is None:
        return error_mm, covariance_mm2
    from scipy.special import log_ndtr  # takes longer to import than most sheets to fuse

    high = pad.verdict == "off scale high"
    bound = pad.interval_mm[0] if high else pad.interval_mm[1]
    if bound is None:
        return error_mm, covariance_mm2
    weights = footprint(grid, np.array([[pad.x_mm, pad.y_mm]]))[0]
    if abs(weights.sum()) < 0.5:
        return error_mm, covariance_mm2
    sign = 1.0 if high else -1.0
    across = covariance_mm2 @ weights
    sigma = math.sqrt(float(weights @ across))
    cut = sign * (bound - target_gap_mm - float(weights @ error_mm)) / sigma
    ratio = math.exp(-(cut**2) / 2 - math.log(2 * math.pi) / 2 - float(log_ndtr(-cut)))
    floor = min(1.0, (CENSORED_FLOOR_MM / sigma) ** 2)
    shrink = max(floor, 1 + cut * ratio - ratio**2)
    return (
        error_mm + across * (sign * ratio / sigma),
        covariance_mm2 - np.outer(across, across) * ((1 - shrink) / sigma**2),
    )


def _read_nodes(grid: MeshGrid, score: SheetScore) -> NDArray[np.bool_]:
    """Return which nodes had their own pad read on this sheet."""
    read = set(score.order)
    return np.array([node in read for node in grid.nodes], dtype=np.bool_)


def fuse_rounds(grid: MeshGrid, records: Sequence[RoundRecord]) -> NodeState:
    """Run the filter over all sheets, oldest first.

    Parameters
    ----------
    records : sequence of RoundRecord
        Scored sheets in the order they were printed.

    Returns
    -------
    NodeState
        The state after the last one; before any sheet when `records` is empty.
    """
    state = first_state(grid)
    before: RoundRecord | None = None
    for record in records:
        if before is not None:
            state = _step(state, before, record)
        state = update(state, record.score, record.mesh_mm)
        before = record
    return state


def _step(state: NodeState, before: RoundRecord, record: RoundRecord) -> NodeState:
    """Carry the state to the next sheet, or start a new epoch."""
    reason = _new_epoch(before, record)
    if not reason and record.applied_mm is not None:
        ahead = predict(state, record.applied_mm, offset_mm=record.offset_mm)
        if not _contradicts(ahead, record.score):
            return ahead
        reason = "this sheet contradicts the earlier ones"
    return first_state(
        state.grid,
        epoch=state.epoch + 1,
        reason=reason or "it is not recorded what was applied after the sheet before",
    )


def _new_epoch(before: RoundRecord, record: RoundRecord) -> str:
    """Say why the earlier sheets no longer hold; empty if they do."""
    if record.screws_turned:
        return "a bed screw was turned"
    if before.plate != record.plate:
        return "the plate was changed"
    if before.bed_c is not None and record.bed_c is not None:
        # A bed changes shape with heat; where that begins to matter is common practice, no source.
        if abs(before.bed_c - record.bed_c) > SAME_HEAT_C:
            return "the bed was heated differently"
    return ""


def _contradicts(ahead: NodeState, score: SheetScore) -> bool:
    """Tell whether a sheet is too unlikely after the earlier ones, its common part aside."""
    if not score.order:
        return False
    pads, measured, noise = _measured(ahead.grid, score)
    from scipy.special import chdtrc  # as above

    # A changed offset is no changed bed: the common part is left free.
    expected = foreseen(ahead, pads)
    spread = expected.covariance_mm2 + noise + 1.0
    miss = measured - expected.error_mm
    statistic = float(miss @ np.linalg.solve(spread, miss))
    return bool(chdtrc(max(1, len(miss) - 1), statistic) < CHANGED_PROBABILITY)
