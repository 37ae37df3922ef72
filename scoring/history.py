"""What the rounds of a bed tell together: the fused state, the proof, and a row for each round."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.advice import Advice
from padsheet.scoring.all_lost import fallen_back, prove_all_lost
from padsheet.scoring.applied import Applied
from padsheet.scoring.fusion import NodeState, RoundRecord, fuse_rounds
from padsheet.scoring.phrases import points
from padsheet.scoring.proof import Proof, prove
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.squish import SheetScore

__all__ = [
    "RoundSummary",
    "Standing",
    "applied_words",
    "newest_counted",
    "recorded_since",
    "standing",
    "summaries",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where a bed stands after a sheet.

    Attributes
    ----------
    state : NodeState
        All sheets of the epoch fused, the last one included.
    proof : Proof or None
        What the last sheet says of the edits before it; None if none are on record.
    """

    state: NodeState
    proof: Proof | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundSummary:
    """One round in a row.

    Attributes
    ----------
    number : int
        From 1.
    progress : {"sheet", "photo", "scored", "applied"}
        How far it got.
    sheet_id : str
        Empty if it was never scored.
    pads, read : int
        Pads of the sheet, and those whose gap was read.
    tolerance_mm : float
        Which the pads were judged by.
    common_mm : float or None
        Gap less target that all points share, by all sheets together, as the advice told it; None
        without advice, or where nothing was read.
    spread_mm, peak_to_valley_mm : float or None
        Standard deviation and range of the read gaps.
    worst : (i, j, error_mm) or None
        The read pad farthest from the target.
    flow, flow_sigma : float or None
        Extruded over commanded volume, and its standard deviation; None by eye.
    errors_mm : tuple of (i, j, error_mm or None)
        Gap less target of each pad.
    work : str
        What was advised; empty if nothing was.
    shape_done, offset_done, done : bool
        Whether the shape of the bed, its common offset, and so the whole of it was done.
    offset_sigma_mm : float or None
        Standard deviation of the common offset, by all sheets together.
    applied : Applied or None
        What was recorded as applied afterwards.
    expected_peak_to_valley_mm : float or None
        Range that the pads of this sheet should show by the sheet before it and what was applied
        in between; None where either is not known, or a screw was turned.
    """

    number: int
    progress: Literal["sheet", "photo", "scored", "applied"]
    sheet_id: str = ""
    pads: int = 0
    read: int = 0
    tolerance_mm: float = 0.0
    common_mm: float | None = None
    spread_mm: float | None = None
    peak_to_valley_mm: float | None = None
    worst: tuple[int, int, float] | None = None
    flow: float | None = None
    flow_sigma: float | None = None
    errors_mm: tuple[tuple[int, int, float | None], ...] = ()
    work: str = ""
    shape_done: bool = False
    offset_done: bool = False
    done: bool = False
    offset_sigma_mm: float | None = None
    applied: Applied | None = None
    expected_peak_to_valley_mm: float | None = None


def standing(
    folder: BedFolder,
    number: int,
    *,
    score: SheetScore | None = None,
    plate: str | None = None,
    bed_c: float | None = None,
) -> Standing:
    """Fuse the rounds up to one of them, and prove the edits before it.

    Parameters
    ----------
    folder : BedFolder
        The bed folder.
    number : int
        The round.
    score : SheetScore or None
        Its scores, if they are not stored yet.
    plate, bed_c : str, float or None
        Plate and bed temperature of that sheet; by default the profile's.

    Raises
    ------
    PadsheetError
        If a file of an earlier round cannot be read, or the sheet was made for other grid points
        than the profile now has.
    """
    bed = folder.bed()
    earlier = [r for r in folder.rounds() if r.number < number and _counts(r, bed.mesh)]
    scored = [(r, r.read_score(), *r.read_context()) for r in earlier]
    this = folder.round(number)
    if not _same_grid(this, bed.mesh):
        raise PadsheetError(
            f"the sheet of round {number} was made for other grid points than bed.toml has now",
            remedy="Set the mesh in bed.toml as it was, or print a new sheet.",
            code="round-grid",
        )
    if score is None:
        scored.append((this, this.read_score(), *this.read_context()))
    else:
        here = bed.plate.name if plate is None else plate
        scored.append((this, score, here, bed.heat.bed_c if bed_c is None else bed_c))
    numbers = [round_.number for round_, *_ in scored]
    # Before the first of them nothing counts.
    before = [numbers[0], *numbers[:-1]]
    records: list[RoundRecord] = []
    for since, (round_, sheet_score, on_plate, at_c) in zip(before, scored, strict=True):
        nodes_mm, offset_mm, turned = _between(folder, since, round_.number, bed.mesh)
        records.append(
            RoundRecord(
                score=sheet_score,
                applied_mm=nodes_mm,
                offset_mm=offset_mm,
                screws_turned=turned,
                plate=on_plate,
                bed_c=at_c,
                mesh_mm=_mesh_mm(folder, round_),
            )
        )
    state = fuse_rounds(bed.mesh, records)
    return Standing(state=state, proof=_proof(folder, bed.mesh, records, before[-1], this))


def _mesh_mm(folder: BedFolder, round_: Round) -> NDArray[np.float64] | None:
    """Return the mesh in force on a round's sheet, shape (N,); None where it is not known now."""
    try:
        mesh = folder.mesh_in_force(round_)
    except PadsheetError:
        return None
    return None if mesh is None else mesh.z_mm.ravel()


def newest_counted(folder: BedFolder, grid: MeshGrid) -> Round | None:
    """Return the newest round that tells of the bed: scored, on this grid, and no self-check."""
    return next((r for r in reversed(folder.rounds()) if _counts(r, grid)), None)


def _counts(round_: Round, grid: MeshGrid) -> bool:
    """Tell whether a round is scored, is no self-check, and its sheet has the same grid."""
    if not round_.scores_json.exists() or not _same_grid(round_, grid):
        return False
    return not (round_.sheet_json.exists() and round_.read_sheet().self_check)


def _same_grid(round_: Round, grid: MeshGrid) -> bool:
    """Tell whether a round's sheet has the grid's nodes; without a sheet file it is taken to."""
    if not round_.sheet_json.exists():
        return True
    sheet = round_.read_sheet()
    same = (len(sheet.nodes_x_mm), len(sheet.nodes_y_mm)) == (grid.columns, grid.rows)
    return same and bool(
        np.allclose(sheet.nodes_x_mm, grid.x_mm, atol=0.01)
        and np.allclose(sheet.nodes_y_mm, grid.y_mm, atol=0.01)
    )


def _between(
    folder: BedFolder, first: int, last: int, grid: MeshGrid
) -> tuple[NDArray[np.float64] | None, float | None, bool]:
    """Return what was done to nodes, offset and screws from round `first` on, up to `last`.

    None stands for what nobody knows. Nothing assumes that advice was followed: where edits or
    screw turns were advised and nothing is on record, the earlier sheets no longer hold.
    """
    nodes, offset_mm, screws = recorded_since(folder, first, last, grid)
    exchanged = _exchanged(folder, first, last)
    return (nodes if exchanged is None else exchanged), offset_mm, screws


def recorded_since(
    folder: BedFolder, first: int, last: int, grid: MeshGrid
) -> tuple[NDArray[np.float64] | None, float | None, bool]:
    """Return what the records alone say was done from round `first` on, up to `last`.

    Returns
    -------
    (nodes_mm, offset_mm, screws_turned)
        What was added to the nodes, shape (N,), and to the common offset, None where nobody knows;
        whether a screw was turned.
    """
    nodes: NDArray[np.float64] | None = np.zeros(grid.rows * grid.columns)
    offset_mm: float | None = 0.0
    screws = False
    for number in range(first, last):
        round_ = folder.round(number)
        applied = round_.read_applied()
        advice = round_.read_advice() if round_.scores_json.exists() else None
        if applied is not None:
            given = applied.on_grid(grid)
            nodes = None if nodes is None or given is None else nodes + given
            known = applied.offset_mm
            screws = screws or applied.screws_turned
        else:
            if advice is not None and advice.work in ("mesh", "screws"):
                nodes = None
            known = 0.0 if advice is None or advice.offset_done else None
        offset_mm = None if offset_mm is None or known is None else offset_mm + known
    return nodes, offset_mm, screws


def _exchanged(folder: BedFolder, first: int, last: int) -> NDArray[np.float64] | None:
    """Return the difference of the meshes that two sheets were printed with.

    None where the sheets do not tell, or name the same mesh: then what was recorded counts.
    """
    one, other = folder.round(first), folder.round(last)
    if not (one.sheet_json.exists() and other.sheet_json.exists()):
        return None
    sheets = [round_.read_sheet() for round_ in (one, other)]
    told = [s.mesh_active == "no" or (s.mesh_active == "yes" and s.mesh_name) for s in sheets]
    names = [None if s.mesh_active == "no" else s.mesh_name for s in sheets]
    if not all(told) or names[0] == names[1]:
        return None
    try:
        before, after = folder.mesh_in_force(one), folder.mesh_in_force(other)
    except PadsheetError:
        return None  # a mesh that is gone, or has another grid, tells nothing
    if before is None or after is None:
        return None
    change: NDArray[np.float64] = (after.z_mm - before.z_mm).ravel()
    return change


def _proof(
    folder: BedFolder, grid: MeshGrid, records: Sequence[RoundRecord], since: int, sheet: Round
) -> Proof | None:
    """Prove the edits between the last two sheets, if there were any on the same bed."""
    if len(records) < 2:
        return None
    before, after = records[-2:]
    if after.applied_mm is None or not np.any(after.applied_mm):
        return None
    if after.screws_turned or before.plate != after.plate:
        return None
    applied = folder.round(since).read_applied()
    if applied is not None and applied.lost:
        return None  # what changed is that edits were lost: that is known
    known = fuse_rounds(grid, records[:-1])
    sheets, applied_mm = (before.score, after.score), after.applied_mm
    ways = fallen_back(folder, grid, folder.round(since), sheet)
    lost = None if ways is None else prove_all_lost(grid, *sheets, applied_mm, known, ways)
    return lost or prove(grid, *sheets, applied_mm, state=known, since=since)


def summaries(folder: BedFolder, *, before: int | None = None) -> tuple[RoundSummary, ...]:
    """Return a row for each round, or for those before a number, oldest first.

    Raises
    ------
    PadsheetError
        If a file of a round cannot be read; it names the file.
    """
    rows = [
        _summary(round_) for round_ in folder.rounds() if before is None or round_.number < before
    ]
    return tuple(
        replace(row, expected_peak_to_valley_mm=_expected_mm(rows[k - 1], row)) if k else row
        for k, row in enumerate(rows)
    )


def _expected_mm(before: RoundSummary, row: RoundSummary) -> float | None:
    """Return the range that the sheet before and the recorded edits let expect."""
    applied = before.applied
    if applied is None or applied.screws_turned or not row.errors_mm:
        return None
    dz_mm = {(i, j): value for i, j, value in applied.nodes}
    here = {(i, j) for i, j, error in row.errors_mm if error is not None}
    expected = [
        error + dz_mm.get((i, j), 0.0)
        for i, j, error in before.errors_mm
        if error is not None and (i, j) in here
    ]
    return float(np.ptp(expected)) if len(expected) > 1 else None


def _summary(round_: Round) -> RoundSummary:
    """Summarise one round."""
    applied = round_.read_applied()
    if not round_.scores_json.exists():
        return RoundSummary(
            number=round_.number,
            progress="photo" if round_.photos() else "sheet",
            applied=applied,
        )
    score, advice = round_.read_score(), round_.read_advice()
    errors = tuple(
        (pad.i, pad.j, None if pad.gap_mm is None else pad.gap_mm - score.target_gap_mm)
        for pad in score.pads
    )
    read = [(i, j, error) for i, j, error in errors if error is not None]
    values = np.array([error for _, _, error in read])
    return RoundSummary(
        number=round_.number,
        progress="scored" if applied is None else "applied",
        sheet_id=score.sheet_id,
        pads=len(score.pads),
        read=len(read),
        tolerance_mm=score.tolerance_mm,
        common_mm=advice.common_mm if advice is not None and read else None,
        spread_mm=float(values.std(ddof=1)) if len(read) > 1 else None,
        peak_to_valley_mm=float(np.ptp(values)) if read else None,
        worst=max(read, key=lambda item: abs(item[2])) if read else None,
        flow=None if score.how == "eye" else score.flow,
        flow_sigma=None if score.how == "eye" else score.flow_sigma,
        errors_mm=errors,
        work=_work(round_, advice),
        shape_done=advice is not None and advice.warp_done,
        offset_done=advice is not None and advice.offset_done,
        done=advice is not None and advice.done,
        offset_sigma_mm=None if advice is None else advice.offset_sigma_mm,
        applied=applied,
    )


def _work(round_: Round, advice: Advice | None) -> str:
    """Say in a word what a round was for or what came of it."""
    if advice is not None:
        return advice.work
    checked = round_.sheet_json.exists() and round_.read_sheet().self_check
    return "self-check" if checked else ""


def applied_words(summary: RoundSummary) -> str:
    """Say in a few words what was applied after a round.

    Examples
    --------
    >>> edits = ((0, 0, -0.06), (1, 0, 0.02))
    >>> applied_words(RoundSummary(number=1, progress="applied",
    ...                            applied=Applied(how="word", nodes=edits)))
    '2 points, lowered up to 0.06, raised up to 0.02 mm'
    """
    applied = summary.applied
    if applied is None:
        return "not recorded" if summary.work in ("mesh", "screws", "offset") else ""
    parts = []
    down = [-dz for _, _, dz in applied.nodes if dz < 0]
    up = [dz for _, _, dz in applied.nodes if dz > 0]
    if (down or up) and not applied.lost:
        parts.append(points(len(down) + len(up)))
        if down:
            parts.append(f"lowered up to {max(down):.3g}{'' if up else ' mm'}")
        if up:
            parts.append(f"raised up to {max(up):.3g} mm")
    if applied.offset_mm:
        verb = "lowered" if applied.offset_mm < 0 else "raised"
        parts.append(f"everywhere {verb} {abs(applied.offset_mm):.3g} mm")
    if applied.screws_turned:
        parts.append("screws turned")
    if applied.lost:
        parts.append(f"{points(len(applied.lost))} that were lost before the next sheet")
    return ", ".join(parts) or "nothing"
