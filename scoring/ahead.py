"""What the next sheet will meet: the gaps to expect by the records, and the reach for them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.ladder import FINE_MM, FIRST_MM, LARGEST_MM
from padsheet.patterns.layout import SELF_CHECK_LIFT_MM
from padsheet.patterns.make import SheetFiles
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.advice import Advice
from padsheet.scoring.fusion import (
    HEAT_SIGMA_MM,
    SAME_HEAT_C,
    NodeState,
    predict,
    sure_of_unread,
)
from padsheet.scoring.history import newest_counted, recorded_since, standing
from padsheet.scoring.mesh import Mesh, footprint
from padsheet.scoring.phrases import place
from padsheet.scoring.plane import grid_xy_mm
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.screws import expected_rise
from padsheet.scoring.squish import Z95

__all__ = ["Ahead", "Chosen", "choose_sheet", "look_ahead", "nearest_mm"]

Floats = NDArray[np.float64]

#: Longest step between the places of a line at which its height over the bed is looked at.
LOOK_EVERY_MM = 5.0
#: A mesh that lowers a point by more than this since the last scores is worth naming as the cause.
LOWERED_MM = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """What is expected of the bed when the next sheet is printed.

    Attributes
    ----------
    since : int
        The scored round that it counts on.
    states : tuple of NodeState
        Gap errors of the nodes, one for each way the bed may be: with and without what was advised
        and is not on record. Empty where nobody knows.
    unknown : str
        Why nobody knows; empty where `states` tells.
    unsaid : tuple of (str, str)
        What was advised and is not on record: the option of `padsheet applied` that says it was
        done, and the one that says it was not.
    mesh_lowered : bool
        Whether the mesh in force lowers some point since that round.
    screws : bool
        Whether screws were turned, or may have been: a hand is not sure enough for a fine sheet.
    offset_mm : float
        Common offset on record after the newest scored round.
    """

    since: int
    states: tuple[NodeState, ...] = ()
    unknown: str = ""
    unsaid: tuple[tuple[str, str], ...] = ()
    mesh_lowered: bool = False
    screws: bool = False
    offset_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """A sheet that keeps clear of the bed, as far as is known.

    Attributes
    ----------
    why : str
        Why its reach is another than usual; empty if it is not.
    caution : str
        What makes the reach that was asked for a danger, where it is used; else empty.
    """

    files: SheetFiles
    why: str = ""
    caution: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Nearest:
    """The place where the nozzle may come nearest to the bed.

    `gap_mm` is the 95 % lower bound of the gap there, `error_mm` that of the gap error.
    """

    i: int
    j: int
    gap_mm: float
    error_mm: float


def look_ahead(folder: BedFolder, bed: Bed, mesh: Mesh | None) -> Ahead | None:
    """Tell what the next sheet will meet.

    The gaps of the last scored round, by all sheets of its epoch, and what was done since: the mesh
    in force now less that of the round, the offset on record, the screws as they were advised.

    Parameters
    ----------
    folder : BedFolder
        The bed folder.
    bed : Bed
        Its profile.
    mesh : Mesh or None
        The mesh in force on the next sheet, all zero for none; None if it is not known.

    Returns
    -------
    Ahead or None
        None for a bed of which nothing was read yet.

    Raises
    ------
    PadsheetError
        If a file of a round cannot be read.
    """
    round_ = newest_counted(folder, bed.mesh)
    if round_ is None:
        return None
    state, score = standing(folder, round_.number).state, round_.read_score()
    if not state.read.any() and not any(p.verdict.startswith("off scale") for p in score.pads):
        return None
    plate, bed_c = round_.read_context()
    if plate and plate != bed.plate.name:
        return _unknown(round_, f"round {round_.number} was printed on another plate")
    if bed_c is not None and abs(bed_c - bed.heat.bed_c) > SAME_HEAT_C:
        # The bed takes another shape.
        own = np.eye(len(state.error_mm)) + 1.0
        state = replace(state, covariance_mm2=state.covariance_mm2 + HEAT_SIGMA_MM**2 * own)
    last = folder.rounds()[-1].number + 1
    nodes_mm, _, screws = recorded_since(folder, round_.number, last, bed.mesh)
    change_mm = _mesh_change_mm(folder, round_, mesh, nodes_mm)
    if change_mm is not None and bed.mesh.fade_height_mm is not None:
        # Part of a correction that lifts has faded out at the height of a line.
        kept = max(0.0, 1 - score.target_gap_mm / bed.mesh.fade_height_mm)
        change_mm = np.minimum(change_mm, kept * change_mm)
    if change_mm is None:
        return _unknown(
            round_,
            f"how the mesh in force differs from that of the sheet of round {round_.number} is not "
            "known",
        )
    advice, applied = round_.read_advice(), round_.read_applied()
    later = [r.read_applied() for r in folder.rounds() if r.number > round_.number]
    turned = _turned(bed, advice)
    here = applied is not None and applied.screws_turned
    if screws and (turned is None or not here or any(a and a.screws_turned for a in later)):
        return _unknown(
            round_,
            f"a bed screw was turned after round {round_.number}, and by how much is not known",
        )
    open_screws = not screws and applied is None and turned is not None
    said_mm = sum(a.offset_mm or 0.0 for a in (applied, *later) if a is not None)
    open_mm = _open_offset_mm(advice, None if applied is None else applied.offset_mm)
    state = sure_of_unread(state, score)
    states = tuple(
        _lifted(predict(state, change_mm, offset_mm=said_mm + extra_mm), turned if on else None)
        for on in ((False, True) if open_screws else (screws,))
        for extra_mm in ((0.0, open_mm) if open_mm else (0.0,))
    )
    unsaid = [("--screws", "--no-edits")] if open_screws else []
    unsaid += [(f"--offset {open_mm:.2f}", "--offset 0")] if open_mm else []
    newest = [r for r in folder.rounds() if r.scores_json.exists()][-1].read_applied()
    return Ahead(
        since=round_.number,
        states=states,
        unsaid=tuple(unsaid),
        mesh_lowered=bool(change_mm.min() < -LOWERED_MM),
        screws=screws or open_screws,
        offset_mm=0.0 if newest is None else newest.offset_mm or 0.0,
    )


def _unknown(round_: Round, why: str) -> Ahead:
    return Ahead(since=round_.number, unknown=why)


def _mesh_change_mm(
    folder: BedFolder, round_: Round, mesh: Mesh | None, recorded_mm: Floats | None
) -> Floats | None:
    """Return what the mesh in force adds since a round's sheet, shape (N,); None if not known."""
    sheet = round_.read_sheet() if round_.sheet_json.exists() else None
    told = sheet is not None and (
        sheet.mesh_active == "no" or (sheet.mesh_active == "yes" and bool(sheet.mesh_name))
    )
    if mesh is None:
        return None if told else recorded_mm
    try:
        then = folder.mesh_in_force(round_)
    except PadsheetError:
        return None  # a mesh that is gone tells nothing
    if then is None:
        return None if told else recorded_mm
    change: Floats = (mesh.z_mm - then.z_mm).ravel()
    return change


def _open_offset_mm(advice: Advice | None, said_mm: float | None) -> float:
    """Return the common offset that was advised and of which nobody said whether it was set."""
    if advice is None or not advice.set_offset or said_mm is not None:
        return 0.0
    return round(advice.offset_mm, 2)


def _turned(bed: Bed, advice: Advice | None) -> tuple[Floats, Floats] | None:
    """Return how the advised turns lift the bed at the nodes, and its covariance; None if none."""
    if advice is None or not advice.screws:
        return None
    moves_mm = {screw.name: screw.bed_mm for screw in advice.screws}
    if sorted(moves_mm) != sorted(screw.name for screw in bed.screws):
        return None  # the profile has other screws by now
    return expected_rise(
        bed.screws, [moves_mm[screw.name] for screw in bed.screws], grid_xy_mm(bed.mesh)
    )


def _lifted(state: NodeState, turned: tuple[Floats, Floats] | None) -> NodeState:
    if turned is None:
        return state
    rise_mm, covariance_mm2 = turned
    return replace(
        state,
        error_mm=state.error_mm - rise_mm,
        covariance_mm2=state.covariance_mm2 + covariance_mm2,
    )


def nearest_mm(ahead: Ahead, sheet: Sheet) -> float:
    """Return the 95 % lower bound of the gap where a sheet's lines come nearest to the bed.

    Infinite where nobody knows.
    """
    return _nearest(ahead, sheet).gap_mm if ahead.states else math.inf


def _nearest(ahead: Ahead, sheet: Sheet) -> _Nearest:
    xyz_mm = _printed_mm(sheet)
    low_mm = np.min([_low_errors_mm(state, xyz_mm[:, :2]) for state in ahead.states], axis=0)
    worst = int(np.argmin(xyz_mm[:, 2] + low_mm))
    x_mm, y_mm, z_mm = xyz_mm[worst].tolist()
    pad = min(sheet.pads, key=lambda pad: math.dist((pad.x_mm, pad.y_mm), (x_mm, y_mm)))
    error_mm = float(low_mm[worst])
    return _Nearest(i=pad.i, j=pad.j, gap_mm=z_mm + error_mm, error_mm=error_mm)


def _low_errors_mm(state: NodeState, xy_mm: Floats) -> Floats:
    """Return the 95 % lower bound of the gap error at places, shape (P,)."""
    grid = state.grid
    # Without a correction beyond the mesh the bed's own error is still that of its edge.
    grid = replace(grid, outside="hold") if grid.outside == "off" else grid
    weights = footprint(grid, xy_mm)
    variance = np.einsum("pn,pn->p", weights @ state.covariance_mm2, weights)
    low: Floats = weights @ state.error_mm - Z95 * np.sqrt(np.maximum(variance, 0.0))
    return low


def _printed_mm(sheet: Sheet) -> Floats:
    """Return places and heights along all that a sheet prints, shape (P, 3)."""
    places: list[Floats] = []
    for stroke in sheet.strokes:
        points = np.array(stroke.xyz_mm, dtype=np.float64)
        for start, end in itertools.pairwise(points):
            steps = max(1, math.ceil(float(np.hypot(*(end - start)[:2])) / LOOK_EVERY_MM))
            places.append(start + (end - start) * (np.arange(steps + 1) / steps)[:, None])
    return np.unique(np.concatenate(places).round(4), axis=0)


def _highest(ahead: Ahead, sheet: Sheet) -> tuple[float, int, int]:
    """Return the largest gap error to expect at a pad of the sheet, and which pad."""
    xy_mm = np.array([[pad.x_mm, pad.y_mm] for pad in sheet.pads])
    weights = footprint(ahead.states[0].grid, xy_mm)
    errors_mm = np.max([weights @ state.error_mm for state in ahead.states], axis=0)
    worst = int(np.argmax(errors_mm))
    return float(errors_mm[worst]), sheet.pads[worst].i, sheet.pads[worst].j


def choose_sheet(
    make: Callable[[float], SheetFiles],
    ahead: Ahead | None,
    bed: Bed,
    *,
    asked_mm: float | None = None,
    self_check: bool = False,
    no_mesh: bool = False,
    force: bool = False,
) -> Chosen:
    """Make the sheet whose reach holds what is expected, and refuse one that comes too near.

    Parameters
    ----------
    make : callable
        Makes the sheet of a reach in millimetres.
    ahead : Ahead or None
        What the sheet will meet, None for a bed never read.
    bed : Bed
        The profile.
    asked_mm : float or None
        The reach that was asked for; None to choose it.
    self_check, no_mesh : bool
        What the sheet is for, and whether it leaves the mesh off.
    force : bool
        Whether a reach that was asked for is used though it comes too near.

    Raises
    ------
    PadsheetError
        If the sheet cannot be made, or its lowest lines might come nearer to the bed than the
        clearance at the 95 % bound.
    """
    if asked_mm is not None:
        files = make(asked_mm)
        if ahead is None or not ahead.states:
            return Chosen(files=files, caution="" if ahead is None else ahead.unknown)
        refusal = _refusal(make, files, ahead, bed, self_check=self_check, no_mesh=no_mesh)
        if refusal is None or force:
            return Chosen(files=files, caution="" if refusal is None else refusal.problem)
        raise refusal
    wide_mm = round(LARGEST_MM - SELF_CHECK_LIFT_MM, 6) if self_check else FIRST_MM
    if ahead is None:
        return Chosen(files=make(FINE_MM if self_check else wide_mm))
    if not ahead.states:
        wide = _made(make, wide_mm)
        if wide is None:
            return Chosen(files=make(FINE_MM))
        return Chosen(files=wide, why=f"{_instead(wide_mm)}: {ahead.unknown}.")
    fine = make(FINE_MM)
    low, high = _nearest(ahead, fine.sheet), _highest(ahead, fine.sheet)
    clear = low.gap_mm >= bed.motion.clearance_mm - 1e-9
    if clear and high[0] <= FINE_MM and not ahead.screws:
        return Chosen(files=fine)
    wide = _made(make, wide_mm)
    if wide is not None:
        far = _refusal(make, wide, ahead, bed, self_check=self_check, no_mesh=no_mesh)
        if far is not None:
            raise far
        why = f"by round {ahead.since} and what is on record since, the gap error "
        if not clear:
            where = place(low.i, low.j)
            why += f"near {where} may be as low as {low.error_mm:+.2f} mm (95 % bound)"
        elif high[0] > FINE_MM:
            why += f"at {place(*high[1:])} is expected to be {high[0]:+.2f} mm"
        else:
            why = f"the screws were to be turned after round {ahead.since}, which no hand does to "
            why += "a hundredth"
        return Chosen(files=wide, why=f"{_instead(wide_mm)}: {why}.")
    near = _refusal(make, fine, ahead, bed, self_check=self_check, no_mesh=no_mesh)
    if near is not None:
        raise near
    return Chosen(files=fine)


def _instead(reach_mm: float) -> str:
    return f"Reach {_reach_word(reach_mm)} in place of fine"


def _reach_word(reach_mm: float) -> str:
    named = {FINE_MM: "fine", FIRST_MM: "first"}
    return named.get(reach_mm, f"{reach_mm:.2f}")


def _made(make: Callable[[float], SheetFiles], reach_mm: float) -> SheetFiles | None:
    """Return a sheet of wider reach than usual; None where this nozzle or sheet has no such."""
    try:
        return make(reach_mm)
    except PadsheetError as error:
        if error.code in ("ladder-impossible", "ladder-reach", "layout-self-check"):
            return None
        raise


def _refusal(
    make: Callable[[float], SheetFiles],
    files: SheetFiles,
    ahead: Ahead,
    bed: Bed,
    *,
    self_check: bool,
    no_mesh: bool,
) -> PadsheetError | None:
    """Return why a sheet must not be printed, None if it keeps clear of the bed."""
    near = _nearest(ahead, files.sheet)
    missing_mm = bed.motion.clearance_mm - near.gap_mm
    if missing_mm <= 1e-9:
        return None
    reach_mm = round(-files.sheet.reach_mm[0], 6)
    to = (
        f"to {near.gap_mm:.2f} mm from the bed"
        if near.gap_mm > 0
        else f"{-near.gap_mm:.2f} mm into the bed"
    )
    remedies = [
        f"If what was advised is done, say `padsheet applied {done}`; if not, `padsheet applied "
        f"{left}`."
        for done, left in ahead.unsaid
    ]
    if no_mesh and ahead.mesh_lowered:
        remedies.append("Leave out --no-mesh: without its mesh the bed is that far off.")
    elif ahead.mesh_lowered:
        remedies.append("`padsheet restore` brings back the mesh of the newest sheet.")
    if wider := _wider(make, ahead, bed, reach_mm, missing_mm, self_check=self_check):
        remedies.append(f"--reach {wider} keeps clear of the bed.")
    elif not ahead.unsaid:
        up_mm = math.ceil(missing_mm * 100 - 1e-6) / 100
        remedies.append(
            f"{'Or raise' if remedies else 'Raise'} the nozzle everywhere by {up_mm:.2f} mm, for "
            "this sheet too, and put that on record: `padsheet applied --offset "
            f"{ahead.offset_mm + up_mm:.2f}`."
        )
    unsaid = " (what was advised after it is not on record)" if ahead.unsaid else ""
    return PadsheetError(
        f"by round {ahead.since} and what is on record since{unsaid}, this sheet of reach "
        f"{_reach_word(reach_mm)} may bring the nozzle {to} near {place(near.i, near.j)} (95 % "
        f"bound); the clearance is {bed.motion.clearance_mm:.2f} mm",
        remedy=" ".join(remedies),
        code="sheet-too-near",
    )


def _wider(
    make: Callable[[float], SheetFiles],
    ahead: Ahead,
    bed: Bed,
    reach_mm: float,
    missing_mm: float,
    *,
    self_check: bool,
) -> str:
    """Return the least reach that keeps clear, as its option; empty if there is none."""
    most_mm = LARGEST_MM - (SELF_CHECK_LIFT_MM if self_check else 0.0)
    least_mm = math.ceil((reach_mm + missing_mm) * 100 - 1e-6) / 100
    for wider_mm in sorted({least_mm, max(least_mm, FIRST_MM)}, reverse=True):
        if wider_mm > most_mm + 1e-9 or wider_mm <= reach_mm:
            continue
        files = _made(make, wider_mm)
        if files is not None and nearest_mm(ahead, files.sheet) >= bed.motion.clearance_mm - 1e-9:
            return _reach_word(wider_mm)
    return ""
