"""Proof between rounds: whether the edits took effect, where they should and the right way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.foreseen import NodeState, foreseen
from padsheet.scoring.fusion import PROCESS_SIGMA_MM, first_state, update
from padsheet.scoring.mesh import footprint
from padsheet.scoring.mesh_table import OPPOSITE
from padsheet.scoring.squish import Z95, PadScore, SheetScore

__all__ = [
    "BETTER_BY",
    "LARGEST_SLOPE_SIGMA",
    "Proof",
    "gap_changes",
    "near",
    "placings",
    "prove",
    "regress",
    "send_again",
]

Verdict = Literal["in force", "not in force", "wrong sign", "index", "partly", "unclear"]

#: A slope whose standard deviation is larger than this tells nothing: 0 and 1 are both possible.
LARGEST_SLOPE_SIGMA = 0.25
#: Slopes this near to a whole number count as that number: a pad beside its node, a bed that
#: bulges between nodes and the photo's own scale all move the slope a little.
SLOPE_SLACK = 0.15
#: How much better (difference of chi-square) another placing must fit before it is believed.
BETTER_BY = 12.0
#: What a bed moves by itself between two sheets, on top of the process noise of a node.
MODEL_SIGMA_MM = 0.004


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What the sheets before and after an edit say of it.

    Attributes
    ----------
    verdict : str
        ``in force``; ``not in force`` (mesh off, or not saved); ``wrong sign``; ``index`` (the
        edits reached other nodes); ``partly`` (a slope that is neither); ``unclear`` (the edits
        were too small to tell).
    slope, sigma : float
        Measured over applied change, and its standard deviation.
    transform : str
        The placing that fits better, in words; empty unless the verdict is ``index``.
    text : str
        One or two sentences: what was found, and what to do.
    lost_since : int or None
        The first of several rounds whose edits are all not in force; None if it is the last only,
        or none.
    """

    verdict: Verdict
    slope: float
    sigma: float
    transform: str
    text: str
    lost_since: int | None = None

    @property
    def allows_edits(self) -> bool:
        """Whether further edits may be given."""
        return self.verdict in ("in force", "unclear")


def prove(
    grid: MeshGrid,
    before: SheetScore,
    after: SheetScore,
    applied_mm: NDArray[np.float64],
    *,
    state: NodeState | None = None,
    since: int | None = None,
) -> Proof:
    """Regress the measured change of the gap on the applied change of the mesh.

    Parameters
    ----------
    grid : MeshGrid
        The mesh.
    before, after : SheetScore
        The sheets printed before and after the edits.
    applied_mm : ndarray of float, shape (N,)
        What was added to each node, in the order of `MeshGrid.nodes`.
    state : NodeState or None
        All that was known before the edits, `before` included; by default from `before` alone.
    since : int or None
        The round of the sheet before, which a mesh is to be brought back to.

    Returns
    -------
    Proof

    Notes
    -----
    What is compared with the sheet after is the posterior before, not the sheet before as it was
    read: edits follow the reading, its noise included, and a second reading returns towards the
    mean, so that small edits would seem to have done more than they did. The error of a posterior
    mean does not hang together with the mean, nor with edits made from it.

    Generalised least squares with both covariances; a free constant takes the common part out.
    The same is tried with the edits placed as wrong conventions would place them (columns or rows
    counted from the other end, both exchanged, counted from 1 instead of 0).
    """
    known = update(first_state(grid), before) if state is None else state
    weights, change_mm, noise = gap_changes(grid, known, before, after)
    if len(change_mm) < 4:
        return _unclear(0.0, float("inf"))
    slope, sigma, misfit = regress(weights @ applied_mm, change_mm, noise)
    # A bed that moves more than expected must not turn chance into a better placing.
    others = {
        name: regress(weights @ placed, change_mm, noise)
        for name, placed in placings(grid, applied_mm).items()
    }
    name = min(others, key=lambda placing: others[placing][2], default=None)
    best = misfit if name is None else others[name][2]
    scale = max(1.0, min(misfit, best) / max(1, len(change_mm) - 2))
    sigma *= float(np.sqrt(scale))
    if sigma > LARGEST_SLOPE_SIGMA:
        return _unclear(slope, sigma)
    if name is not None and (misfit - best) / scale > BETTER_BY:
        other_slope, other_sigma, _ = others[name]
        if near(abs(other_slope), 1.0, other_sigma * float(np.sqrt(scale))):
            return _index(grid, slope, sigma, name, since, negative=other_slope < 0)
    return _judge(slope, sigma, since)


def gap_changes(
    grid: MeshGrid, known: NodeState, before: SheetScore, after: SheetScore
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return footprint (M, N), change of gap (M,) and its covariance at the pads read twice."""
    first = set(before.order)
    both = [node for node in after.order if node in first]
    if not both:
        return np.zeros((0, grid.rows * grid.columns)), np.zeros(0), np.zeros((0, 0))
    pads = {(pad.i, pad.j): pad for pad in after.pads}
    place = {node: k for k, node in enumerate(after.order)}
    rows = [place[node] for node in both]
    expected = foreseen(known, [pads[node] for node in both])
    # The targets may differ: what counts is the gap less its own target.
    error_mm = np.array([_gap(pads[node]) for node in both]) - after.target_gap_mm
    noise = (
        expected.covariance_mm2
        + after.covariance_mm2[np.ix_(rows, rows)]
        + (MODEL_SIGMA_MM**2 + PROCESS_SIGMA_MM**2) * np.eye(len(both))
    )
    # The bed bends as before, so an edit moves the pads by the printer's own interpolation.
    places = np.array([[pads[node].x_mm, pads[node].y_mm] for node in both])
    return footprint(grid, places), error_mm - expected.error_mm, noise


def _gap(pad: PadScore) -> float:
    """Return the gap of a read pad."""
    if pad.gap_mm is None:
        raise ValueError("score.order names a pad without a gap")
    return pad.gap_mm


def regress(
    expected_mm: NDArray[np.float64], change_mm: NDArray[np.float64], noise: NDArray[np.float64]
) -> tuple[float, float, float]:
    """Return slope, its standard deviation and chi-square; a constant is fitted and dropped."""
    design = np.column_stack([np.ones(len(change_mm)), expected_mm])
    weighed = np.linalg.solve(noise, design)
    normal = design.T @ weighed
    # No change applied: the slope is free, and so is its uncertainty.
    if np.linalg.det(normal) <= 1e-9 * normal[0, 0] * max(normal[1, 1], 1.0):
        return 0.0, float("inf"), float(change_mm @ np.linalg.solve(noise, change_mm))
    fitted = np.linalg.solve(normal, weighed.T @ change_mm)
    residual = change_mm - design @ fitted
    misfit = float(residual @ np.linalg.solve(noise, residual))
    return float(fitted[1]), float(np.sqrt(np.linalg.inv(normal)[1, 1])), misfit


def placings(grid: MeshGrid, applied_mm: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Return the edits as wrong conventions would place them, where that makes a difference."""
    table = applied_mm.reshape(grid.rows, grid.columns)
    moves: dict[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]] = {
        "columns counted from the other end": lambda t: t[:, ::-1],
        "rows counted from the other end": lambda t: t[::-1, :],
        "rows and columns counted from the other end": lambda t: t[::-1, ::-1],
        "points counted from 1 where the printer counts from 0": lambda t: _shifted(t, 1),
        "points counted from 0 where the printer counts from 1": lambda t: _shifted(t, -1),
    }
    if grid.rows == grid.columns:
        moves |= {
            "rows and columns exchanged": lambda t: t.T,
            "rows and columns exchanged, columns from the other end": lambda t: t.T[:, ::-1],
            "rows and columns exchanged, rows from the other end": lambda t: t.T[::-1, :],
            "rows and columns exchanged, both from the other end": lambda t: t.T[::-1, ::-1],
        }
    placed = {name: np.ascontiguousarray(move(table)).ravel() for name, move in moves.items()}
    return {name: dz for name, dz in placed.items() if not np.allclose(dz, applied_mm, atol=1e-6)}


def _shifted(table: NDArray[np.float64], by: int) -> NDArray[np.float64]:
    """Move a table by one row and one column; what leaves it is lost."""
    moved = np.zeros_like(table)
    if by > 0:
        moved[by:, by:] = table[:-by, :-by]
    else:
        moved[:by, :by] = table[-by:, -by:]
    return moved


def near(slope: float, whole: float, sigma: float) -> bool:
    """Tell whether a slope agrees with a whole number."""
    return abs(slope - whole) <= SLOPE_SLACK + 2.5 * sigma


def _restore(since: int | None) -> str:
    """Name the command that takes the edits back."""
    return "`padsheet restore`" if since is None else f"`padsheet restore --round {since}`"


def _judge(slope: float, sigma: float, since: int | None) -> Proof:
    """Name a slope of the edits as they were placed."""
    said = f"The gaps changed by {slope:.2f} +-{Z95 * sigma:.2f} (95 %) of what was applied"
    names: dict[float, Verdict] = {1.0: "in force", 0.0: "not in force", -1.0: "wrong sign"}
    nearest = min(names, key=lambda whole: abs(slope - whole))
    verdict: Verdict = names[nearest] if near(slope, nearest, sigma) else "partly"
    remedies = {
        "in force": f"{said}: the edits are in force.",
        "not in force": f"{said}: the mesh was off while the sheet was printed, or the edits were "
        f"not saved before the settings were loaded again. {send_again(since)}",
        "wrong sign": f"{said}: they went the wrong way. Bring the mesh back with "
        f"{_restore(since)}, check the sign of the edits in the profile and prove it with one "
        "small edit.",
        "partly": f"{said}, which is neither all nor nothing: part of the edits may be missing, "
        "added twice or faded with height. Read the mesh back from the printer and compare.",
    }
    return Proof(verdict=verdict, slope=slope, sigma=sigma, transform="", text=remedies[verdict])


def send_again(since: int | None) -> str:
    """Say what to do where the mesh was off, or the edits were lost."""
    lost = "send the edits again" if since is None else f"`padsheet edits --since-round {since}`"
    if since is not None:
        lost += " writes what was lost, to be sent and saved"
    return (
        "Check the start code (`padsheet start-check FILE`) and let the printer show its mesh: if "
        f"it is the one from before the edits, {lost}. Then print another sheet."
    )


#: How a table that was read turned over makes good edits look.
_READ_TURNED = {
    "rows counted from the other end": (True, False),
    "columns counted from the other end": (False, True),
    "rows and columns counted from the other end": (True, True),
}


def _index(
    grid: MeshGrid, slope: float, sigma: float, name: str, since: int | None, *, negative: bool
) -> Proof:
    """Say that the edits reached other nodes, or that the mesh was read the wrong way round."""
    sign = ", and with the wrong sign" if negative else ""
    text = f"The gaps changed as if the edits had been placed with {name}{sign}. "
    restore = (
        f"{_restore(since)} brings the mesh back; then correct the row and column order in the "
        "profile and prove it with one small edit."
    )
    if name in _READ_TURNED and not negative:
        rows, columns = _READ_TURNED[name]
        options = f" --first-row {OPPOSITE[grid.table_first_row]}" if rows else ""
        options += f" --first-column {OPPOSITE[grid.table_first_column]}" if columns else ""
        text += (
            "Look at the mesh first: if its table was read the wrong way round after the edits, "
            f"`padsheet mesh FILE{options}` corrects that, and this photo is then scored again. "
            f"If it was read the right way, {restore}"
        )
    else:
        text += restore
    return Proof(
        verdict="index",
        slope=slope,
        sigma=sigma,
        transform=name,
        text=text,
    )


def _unclear(slope: float, sigma: float) -> Proof:
    """Say that the edits were too small to be found again."""
    return Proof(
        verdict="unclear",
        slope=slope,
        sigma=sigma,
        transform="",
        text="The mesh edits before this sheet were too small for it to show whether the printer "
        "has taken them. That is no sign that it has not.",
    )
