"""Edits of several rounds that were lost together: what the sheet after them shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.applied import Applied
from padsheet.scoring.fusion import NodeState
from padsheet.scoring.proof import (
    BETTER_BY,
    LARGEST_SLOPE_SIGMA,
    Proof,
    gap_changes,
    near,
    placings,
    regress,
    send_again,
)
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.squish import Z95, SheetScore

__all__ = ["FallenBack", "fallen_back", "prove_all_lost", "unsaved_chain"]

Floats = NDArray[np.float64]

#: Changes that differ by no more than this from pad to pad are one and the same.
SAME_CHANGE_MM = 0.002


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FallenBack:
    """What the mesh changed by between two sheets if the printer fell back to an earlier one.

    Attributes
    ----------
    ways : tuple of (int, ndarray of float, shape (N,))
        A round, and what its mesh from before its edits holds less that of the earlier sheet.
    off_mm : ndarray of float, shape (N,)
        The same for a mesh that is off.
    """

    ways: tuple[tuple[int, Floats], ...]
    off_mm: Floats


def unsaved_chain(folder: BedFolder, last: Round) -> tuple[tuple[Round, Applied], ...]:
    """Return the rounds whose mesh edits follow each other up to one, none known to be saved.

    Oldest first; each begins with the mesh that the one before it led to.
    """
    chain: list[tuple[Round, Applied]] = []
    for round_ in reversed([r for r in folder.rounds() if r.number <= last.number]):
        applied = round_.read_applied()
        if applied is None or not (applied.nodes or applied.lost):
            continue
        if applied.saved is True or applied.lost or not (applied.before and applied.after):
            break
        if chain and applied.after != chain[-1][1].before:
            break
        chain.append((round_, applied))
    return tuple(reversed(chain))


def fallen_back(
    folder: BedFolder, grid: MeshGrid, before: Round, after: Round
) -> FallenBack | None:
    """Return which meshes a printer that was switched off may have fallen back to.

    Only those from before the edits of several rounds: whether the last alone were lost is told
    without it.

    Parameters
    ----------
    before, after : Round
        Of the two sheets.

    Returns
    -------
    FallenBack or None
        None where there is none such, or the records do not tell.

    Raises
    ------
    PadsheetError
        If a file of a round cannot be read.
    """
    chain = unsaved_chain(folder, before)
    if len(chain) < 2 or chain[-1][0] != before:
        return None
    if not (before.sheet_json.exists() and after.sheet_json.exists()):
        return None
    last, sheets = chain[-1][1], (before.read_sheet(), after.read_sheet())
    if any(sheet.mesh_active != "yes" for sheet in sheets):
        return None
    if [sheet.mesh_name for sheet in sheets] != [last.before, last.after]:
        return None
    try:
        held_mm = [(r.number, folder.mesh(a.before or "").z_mm.ravel()) for r, a in chain]
    except PadsheetError:
        return None  # a mesh that is gone or of another grid tells nothing
    if any(len(z_mm) != grid.rows * grid.columns for _, z_mm in held_mm):
        return None
    *earlier, (_, then_mm) = held_mm
    ways = tuple((number, np.asarray(z_mm - then_mm)) for number, z_mm in earlier)
    return FallenBack(ways=ways, off_mm=-then_mm)


def prove_all_lost(
    grid: MeshGrid,
    before: SheetScore,
    after: SheetScore,
    applied_mm: Floats,
    state: NodeState,
    fallen: FallenBack,
) -> Proof | None:
    """Tell whether the edits of several rounds are surely all lost.

    Parameters
    ----------
    before, after : SheetScore
        The sheets printed before and after the last of these edits.
    applied_mm : ndarray of float, shape (N,)
        The last edits.
    state : NodeState
        All that was known before them, `before` included.
    fallen : FallenBack
        What the mesh may have fallen back to.

    Returns
    -------
    Proof or None
        None unless one earlier mesh explains the change of the gaps, and better, by as much as is
        asked of a wrong placing, than any other one, than a mesh that is off, and than the last
        edits to any part, with either sign and in any placing.

    Notes
    -----
    As in `padsheet.scoring.proof.prove`: generalised least squares with a free constant. Two slopes
    have to agree: of all edits nothing is in force, and what the earlier ones had done is undone.
    """
    weights, change_mm, noise = gap_changes(grid, state, before, after)
    if len(change_mm) < 4 or not fallen.ways:
        return None
    even = np.linalg.solve(noise, np.ones(len(change_mm)))

    def misfit(change: Floats) -> float:
        left_mm = change_mm - weights @ change
        left_mm = left_mm - (even @ left_mm) / even.sum()
        return float(left_mm @ np.linalg.solve(noise, left_mm))

    fits = sorted((misfit(change), number, change) for number, change in fallen.ways)
    best, number, undone_mm = fits[0]
    scale = max(1.0, best / (len(change_mm) - 1))
    off_mm = weights @ (fallen.off_mm - undone_mm)
    others = [fit[0] for fit in fits[1:]]
    others += [] if np.ptp(off_mm) <= SAME_CHANGE_MM else [misfit(fallen.off_mm)]
    for placed in (applied_mm, *placings(grid, applied_mm).values()):
        others.append(regress(weights @ placed, change_mm, noise)[2])
    if min(others) - best <= BETTER_BY * scale:
        return None
    all_mm = weights @ (applied_mm - undone_mm)
    slope, sigma, _ = regress(all_mm, change_mm - weights @ undone_mm, noise)
    undone, undone_sigma, _ = regress(weights @ undone_mm, change_mm, noise)
    sigma, undone_sigma = (float(np.sqrt(scale)) * s for s in (sigma, undone_sigma))
    if max(sigma, undone_sigma) > LARGEST_SLOPE_SIGMA:
        return None
    if not (near(slope, 0.0, sigma) and near(undone, 1.0, undone_sigma)):
        return None
    text = (
        f"The gaps changed by {slope:.2f} +-{Z95 * sigma:.2f} (95 %) of all that was applied since "
        f"round {number}: the mesh was off while the sheet was printed, or these edits were not "
        f"saved before the settings were loaded again. {send_again(number)}"
    )
    return Proof(
        verdict="not in force",
        slope=slope,
        sigma=sigma,
        transform="",
        text=text,
        lost_since=number,
    )
