"""What the next sheet will meet: the gaps to expect by the records."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.advice import Advice
from padsheet.scoring.fusion import (
    HEAT_SIGMA_MM,
    SAME_HEAT_C,
    NodeState,
    low_errors_mm,
    predict,
    risen,
    sure_of_unread,
)
from padsheet.scoring.history import newest_counted, recorded_since, standing
from padsheet.scoring.mesh import Mesh, footprint
from padsheet.scoring.plane import grid_xy_mm
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.screw_check import doubtful_screws
from padsheet.scoring.screws import expected_rise
from padsheet.scoring.squish import SheetScore

__all__ = ["Ahead", "Nearest", "highest", "look_ahead", "nearest"]

Floats = NDArray[np.float64]

#: Longest step between the places of a line at which its height over the bed is looked at.
LOOK_EVERY_MM = 5.0
#: A mesh that lowers a point by more than this since the last scores is worth naming as the cause.
LOWERED_MM = 0.02
#: Beyond so many doubtful screws they are taken to be turned all as meant or all the other way.
MOST_ONE_BY_ONE = 6


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
        Why nobody knows, or what `states` only suppose; else empty.
    unsaid : tuple of (str, str)
        What was advised and is not on record: the option of `padsheet applied` that says it was
        done, and the one that says it was not.
    mesh_lowered : bool
        Whether the mesh in force lowers some point since that round.
    screws : bool
        Whether screws were turned, or may have been: a hand is not sure enough for a fine sheet.
    doubtful : tuple of str
        The screws that are taken to be turned and whose turns may have gone the other way, as they
        did before; `states` hold that too.
    sure : tuple of NodeState
        Those of `states` in which no turn went the other way.
    offset_mm : float
        Common offset on record after the newest scored round.
    set_in_all_mm : float
        Common offset on record after all rounds together.
    """

    since: int
    states: tuple[NodeState, ...] = ()
    unknown: str = ""
    unsaid: tuple[tuple[str, str], ...] = ()
    mesh_lowered: bool = False
    screws: bool = False
    doubtful: tuple[str, ...] = ()
    sure: tuple[NodeState, ...] = ()
    offset_mm: float = 0.0
    set_in_all_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Nearest:
    """The place where the nozzle may come nearest to the bed.

    `gap_mm` is the 95 % lower bound of the gap there, `error_mm` that of the gap error.
    """

    i: int
    j: int
    gap_mm: float
    error_mm: float


def look_ahead(
    folder: BedFolder, bed: Bed, mesh: Mesh | None, *, suppose_done: bool = False
) -> Ahead | None:
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
    suppose_done : bool
        Take turns of screws and the common offset that were advised and are not on record for done:
        what is looked at is a sheet that comes after them.

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
        state = _of_another_heat(state)
    last = folder.rounds()[-1].number + 1
    nodes_mm, _, screws = recorded_since(folder, round_.number, last, bed.mesh)
    told_mm = _mesh_change_mm(folder, round_, mesh, nodes_mm)
    unknown = ""
    if told_mm is None:
        unknown = (
            f"how the mesh in force differs from that of the sheet of round {round_.number} is not "
            "known"
        )
    # Most likely it is still the same: at least with that the nozzle has to keep clear.
    change_mm = (
        np.zeros_like(state.error_mm) if told_mm is None else _at_a_line(told_mm, bed, score)
    )
    advice, applied = round_.read_advice(), round_.read_applied()
    later = [r.read_applied() for r in folder.rounds() if r.number > round_.number]
    doubtful = doubtful_screws(folder, bed, round_)
    ways = _turned(bed, advice, doubtful)
    here = applied is not None and applied.screws_turned
    if screws and (not ways or not here or any(a and a.screws_turned for a in later)):
        return _unknown(
            round_,
            f"a bed screw was turned after round {round_.number}, and by how much is not known",
            screws=True,
        )
    open_screws = not screws and applied is None and bool(ways)
    said_mm = sum(a.offset_mm or 0.0 for a in (applied, *later) if a is not None)
    open_mm = _open_offset_mm(advice, None if applied is None else applied.offset_mm)
    if suppose_done:
        screws, open_screws = screws or open_screws, False
        said_mm, open_mm = said_mm + open_mm, 0.0
    state = sure_of_unread(state, score)
    before = [
        predict(state, change_mm, offset_mm=said_mm + extra_mm)
        for extra_mm in ((0.0, open_mm) if open_mm else (0.0,))
    ]
    sure, other_way = _with_screws(before, ways, screws=screws, open_screws=open_screws)
    may_be = screws or open_screws
    since_newest_mm, in_all_mm = _offsets_mm(folder)
    return Ahead(
        since=round_.number,
        states=sure + other_way,
        unknown=unknown,
        unsaid=_unsaid(open_mm, open_screws=open_screws),
        mesh_lowered=bool(change_mm.min() < -LOWERED_MM),
        screws=may_be,
        doubtful=doubtful if may_be else (),
        sure=sure,
        offset_mm=since_newest_mm,
        set_in_all_mm=in_all_mm,
    )


def _of_another_heat(state: NodeState) -> NodeState:
    """Return a state as it is known where the bed has another temperature, and another shape."""
    own = np.eye(len(state.error_mm)) + 1.0
    return replace(state, covariance_mm2=state.covariance_mm2 + HEAT_SIGMA_MM**2 * own)


def _at_a_line(change_mm: Floats, bed: Bed, score: SheetScore) -> Floats:
    """Return what a change of the mesh is at least at the height of a line, shape (N,).

    Part of a correction that lifts has faded out there.
    """
    if bed.mesh.fade_height_mm is None:
        return change_mm
    kept = max(0.0, 1 - score.target_gap_mm / bed.mesh.fade_height_mm)
    return np.minimum(change_mm, kept * change_mm)


def _with_screws(
    before: Sequence[NodeState],
    ways: Sequence[tuple[Floats, Floats]],
    *,
    screws: bool,
    open_screws: bool,
) -> tuple[tuple[NodeState, ...], tuple[NodeState, ...]]:
    """Return the states after turns of screws: as they were meant, and with some the other way.

    Parameters
    ----------
    before : sequence of NodeState
        Without them.
    ways : sequence of tuples
        How the turns lift the bed; see `_turned`.
    screws, open_screws : bool
        Whether they are turned, and whether nobody said so; then both are meant.
    """
    turned = ways[0] if ways else None
    sure = tuple(
        _lifted(one, turned if on else None)
        for on in ((False, True) if open_screws else (screws,))
        for one in before
    )
    if not (screws or open_screws):
        return sure, ()
    return sure, tuple(_lifted(one, way) for way in ways[1:] for one in before)


def _unsaid(open_mm: float, *, open_screws: bool) -> tuple[tuple[str, str], ...]:
    """Return the options that say what was done, and what was not; see `Ahead.unsaid`."""
    unsaid = [("--screws", "--no-edits")] if open_screws else []
    unsaid += [(f"--offset {open_mm:.2f}", "--offset 0")] if open_mm else []
    return tuple(unsaid)


def _offsets_mm(folder: BedFolder) -> tuple[float, float]:
    """Return the common offset on record after the newest scored round, and after all rounds."""
    newest = [r for r in folder.rounds() if r.scores_json.exists()][-1].read_applied()
    records = [a for r in folder.rounds() if (a := r.read_applied()) is not None]
    in_all_mm = sum(a.offset_mm or 0.0 for a in records)
    return 0.0 if newest is None else newest.offset_mm or 0.0, in_all_mm


def _unknown(round_: Round, why: str, *, screws: bool = False) -> Ahead:
    return Ahead(since=round_.number, unknown=why, screws=screws)


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
    if advice is None or said_mm is not None:
        return 0.0
    return round(advice.offset_to_set_mm, 2)


def _turned(
    bed: Bed, advice: Advice | None, doubtful: Sequence[str]
) -> list[tuple[Floats, Floats]]:
    """Return how the advised turns lift the bed at the nodes, each with its covariance.

    First as they were meant, then with those of doubtful screws the other way, in every
    combination; empty if none were advised.
    """
    if advice is None or not advice.screws:
        return []
    moves_mm = {screw.name: screw.bed_mm for screw in advice.screws}
    if sorted(moves_mm) != sorted(screw.name for screw in bed.screws):
        return []  # the profile has other screws by now
    turned = [name for name in doubtful if moves_mm[name]]
    one_by_one = len(turned) <= MOST_ONE_BY_ONE
    groups = [[name] for name in turned] if one_by_one else [list(turned)]
    ways = []
    for signs in itertools.product((1, -1), repeat=len(groups)):
        sign = {name: s for s, group in zip(signs, groups, strict=True) for name in group}
        told_mm = [sign.get(screw.name, 1) * moves_mm[screw.name] for screw in bed.screws]
        ways.append(expected_rise(bed.screws, told_mm, grid_xy_mm(bed.mesh)))
    return ways


def _lifted(state: NodeState, turned: tuple[Floats, Floats] | None) -> NodeState:
    return state if turned is None else risen(state, *turned)


def nearest(ahead: Ahead, sheet: Sheet, *, sure: bool = False) -> Nearest:
    """Return where a sheet's lines come nearest to the bed; `ahead` must have states.

    With `sure` no turn is taken to have gone the other way.
    """
    xyz_mm = _printed_mm(sheet)
    low_mm = low_errors_mm(ahead.sure if sure else ahead.states, xyz_mm[:, :2])
    worst = int(np.argmin(xyz_mm[:, 2] + low_mm))
    x_mm, y_mm, z_mm = xyz_mm[worst].tolist()
    pad = min(sheet.pads, key=lambda pad: math.dist((pad.x_mm, pad.y_mm), (x_mm, y_mm)))
    error_mm = float(low_mm[worst])
    return Nearest(i=pad.i, j=pad.j, gap_mm=z_mm + error_mm, error_mm=error_mm)


def _printed_mm(sheet: Sheet) -> Floats:
    """Return places and heights along all that a sheet prints, shape (P, 3)."""
    paths = [np.array(stroke.xyz_mm, dtype=np.float64) for stroke in sheet.strokes]
    start = np.concatenate([path[:-1] for path in paths])
    way = np.concatenate([path[1:] for path in paths]) - start
    steps = np.maximum(1, np.ceil(np.hypot(way[:, 0], way[:, 1]) / LOOK_EVERY_MM).astype(int))
    places: list[Floats] = []
    for count in np.unique(steps).tolist():
        alike = steps == count
        part = (np.arange(count + 1) / count)[:, None, None]
        places.append((start[alike] + way[alike] * part).reshape(-1, 3))
    return np.unique(np.concatenate(places).round(4), axis=0)


def highest(ahead: Ahead, sheet: Sheet) -> tuple[float, int, int]:
    """Return the largest gap error to expect at a pad of the sheet, and which pad."""
    xy_mm = np.array([[pad.x_mm, pad.y_mm] for pad in sheet.pads])
    weights = footprint(ahead.states[0].grid, xy_mm)
    errors_mm = np.max([weights @ state.error_mm for state in ahead.states], axis=0)
    worst = int(np.argmax(errors_mm))
    return float(errors_mm[worst]), sheet.pads[worst].i, sheet.pads[worst].j
