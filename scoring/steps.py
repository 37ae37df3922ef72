"""What to do now, as sentences in the order of doing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.ladder import FINE_MM, FIRST_MM, LARGEST_MM
from padsheet.scoring.case import Case
from padsheet.scoring.fusion import (
    HOMING_SIGMA_MM,
    NodeState,
    lowest_error_mm,
    predict,
    risen,
    sure_of_unread,
)
from padsheet.scoring.nodes import NodePlan
from padsheet.scoring.phrases import listed, place, points, reach_word, within_95
from padsheet.scoring.plane import MM_PER_M, grid_xy_mm
from padsheet.scoring.screws import ScrewTurn, can_level, expected_rise, moved_plane
from padsheet.scoring.squish import Z95

__all__ = ["OFFSET_WORDS", "AdvisedStep", "StepKind", "steps_for"]

#: What a step is about, which tells the commands that belong to it: sending mesh edits, setting the
#: common offset, judging it by eye, printing a sheet, taking another photo, finding out which turn
#: raises the bed; a note has none. A fact is nothing to do.
StepKind = Literal["note", "fact", "edits", "offset", "by eye", "sheet", "photo", "raises"]

OFFSET_WORDS = {
    "M851": "with M851",
    "M206": "with M206",
    "M290": "with M290 while a print runs",
    "hand": "by hand at the start of each print, sheets too",
}
#: How much the nozzle is lowered where the eye sees it too far on every line that can be seen.
BY_EYE_LOWER_MM = 0.05
#: Less than this is not worth another print.
BY_EYE_LEAST_MM = 0.03
#: Why a pad that lies near the end of the sheet's reach is not read.
END_OF_REACH = ("pad-few-steps", "pad-no-fall")
#: A bend that is known no better than this part of the tolerance is told.
BEND_PART = 3
#: A tilt is told over so many millimetres.
TOLD_OVER_MM = 100
#: A common part below this does not show in the hundredths that a person is told.
SMALLEST_TOLD_MM = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class AdvisedStep:
    """One thing to do now, or to know.

    Attributes
    ----------
    kind : StepKind
        What it is about.
    text : str
        One or more sentences.
    reach : str
        Of a sheet: which reach to print it with, as the option takes it: `fine`, `first` or
        millimetres; empty leaves that to the command.
    offset_mm : float
        Of an offset that is to be set though no correction is given: by how much to move the nozzle
        everywhere (negative: lower it). Else 0, and `Advice.offset_mm` tells it.
    """

    kind: StepKind
    text: str
    reach: str = ""
    offset_mm: float = 0.0


def _notes(*texts: str) -> list[AdvisedStep]:
    return [AdvisedStep(kind="note", text=text) for text in texts]


def _facts(*texts: str) -> list[AdvisedStep]:
    return [AdvisedStep(kind="fact", text=text) for text in texts]


def _sheet(text: str, reach: str = "") -> AdvisedStep:
    return AdvisedStep(kind="sheet", text=text, reach=reach)


def steps_for(
    case: Case, plan: NodePlan, turns: Sequence[ScrewTurn], work: str
) -> tuple[AdvisedStep, ...]:
    """Return what to do now, in order, every sign also in words.

    Parameters
    ----------
    case : Case
        What is known of the bed.
    plan : NodePlan
        The node edits, should the mesh be the work.
    turns : sequence of ScrewTurn
        The screws, should they be the work.
    work : str
        As in `Advice.work`.
    """
    makers = {
        "withheld": lambda: _withheld(case),
        "screws": lambda: _screws(case, turns),
        "mesh": lambda: _mesh(case, plan),
        "offset": lambda: _offset_only(case),
        "nothing": lambda: _nothing(case),
    }
    doubts = _doubts(case, work)
    # Another photo is taken while the print still lies there, before all that changes the bed.
    first = [step for step in doubts if step.kind == "photo" and work != "withheld"]
    return tuple([*first, *makers[work](), *(step for step in doubts if step not in first)])


def _withheld(case: Case) -> list[AdvisedStep]:
    """Say why no correction is given."""
    if case.proof is not None and not case.proof.allows_edits:
        return _notes(case.proof.text, "No further edits are given until that is cleared up.")
    high = sum(pad.verdict == "off scale high" for pad in case.score.pads)
    low = sum(pad.verdict == "off scale low" for pad in case.score.pads)
    if high > low and case.score.how == "eye":
        return _too_far_by_eye(case, high)
    if high > low:
        text = (
            f"{_beyond(case, high)} farther from the bed than this sheet reads: print a sheet with "
            "--reach first; if this is one, set the screws with a sheet of paper again before."
        )
        return [_sheet(text, "first")]
    if low:
        near_mm = -lowest_error_mm(_next_state(case), case.bed.plate.outline)
        raise_mm = max(FINE_MM, math.ceil((near_mm - FIRST_MM) * 100 - 1e-6) / 100)
        text = (
            f"{_beyond(case, low)} nearer to the bed than this sheet reads; how near is not known. "
            f"Raise the nozzle everywhere by {raise_mm:.2f} mm {_offset_how(case)}: so much that "
            "the next sheet keeps clear of the bed."
        )
        return [
            AdvisedStep(kind="offset", text=text, offset_mm=raise_mm),
            _sheet("Then print a sheet with --reach first.", "first"),
        ]
    return _notes(
        "Too few pads were read to correct anything: take the photo again, or print the sheet "
        "again."
    )


def _beyond(case: Case, count: int) -> str:
    """Begin a sentence on pads off the scale of the sheet."""
    return f"At {count} of {points(len(case.score.pads))} the nozzle is"


def _offset_how(case: Case) -> str:
    """Return how the common offset is set, by the profile."""
    return OFFSET_WORDS.get(case.bed.edits.offset_style, "at every mesh point alike")


def _too_far_by_eye(case: Case, high: int) -> list[AdvisedStep]:
    """Say what to do where the lowest lines look best: how far the nozzle is, nobody has seen.

    A `fine` sheet has lower lines than others and tells more. Where its reach has room to spare
    below the least gap that was seen, as after such a sheet, the nozzle is lowered by that.
    """
    steps = [
        AdvisedStep(
            kind="photo",
            text=f"{_beyond(case, high)} farther from the bed than the eye can tell on this sheet; "
            "how far is not known. A photo of the print, scored, tells more than the eye: if you "
            "can take one, do that in place of what follows.",
        )
    ]
    # Without a lower bound a pad may lie anywhere nearer; what no pad tells, `sheet` looks after.
    bounds_mm = [pad.interval_mm[0] for pad in case.score.pads if pad.interval_mm is not None]
    low_mm = min(-math.inf if bound is None else bound for bound in bounds_mm)
    spare_mm = min(BY_EYE_LOWER_MM, low_mm - case.score.target_gap_mm + FINE_MM)
    if spare_mm < 0:
        return [*steps, _next_sheet("Print a sheet{}.", _reach_for(case, _next_state(case)))]
    if spare_mm < BY_EYE_LEAST_MM:
        text = "Print a sheet with --reach fine. Its lines are lower, so the eye tells more."
        return [*steps, _sheet(text, "fine")]
    lower_mm = math.floor(spare_mm * 100 + 1e-6) / 100
    text = (
        f"Lower the nozzle everywhere by {lower_mm:.2f} mm {_offset_how(case)}: no more, so that "
        "the next sheet surely keeps clear of the bed."
    )
    return [
        *steps,
        AdvisedStep(kind="offset", text=text, offset_mm=-lower_mm),
        _sheet("Then print a sheet with --reach fine.", "fine"),
    ]


def _screws(case: Case, turns: Sequence[ScrewTurn]) -> list[AdvisedStep]:
    """Say how to turn the screws and what that leaves."""
    moved = moved_plane(turns, centre_mm=case.centre_mm)
    left = case.split.coefficients - moved
    steps = _notes(
        f"{_tilt_words(case)} Turn the screws for that, with the mesh unchanged; "
        f"the mesh is corrected after the next sheet.{_look_at_the_turn(turns)}"
    )
    if unknown := [turn.screw.name for turn in turns if turn.direction == "unknown"]:
        one = len(unknown) == 1
        knobs = f"the {unknown[0]} knob" if one else f"each of the knobs {listed(unknown)}"
        text = (
            f"Which turn raises the bed is not known: turn {knobs} a little, look which way the "
            f"bed goes, and write that into bed.toml as raises{'' if one else ' of that screw'}. "
            "Scored again, the photo shows the directions too; turn on from there, or back."
        )
        steps.append(AdvisedStep(kind="raises", text=text))
    steps += _notes(*(turn.text for turn in turns))
    rise = expected_rise(
        [turn.screw for turn in turns], [turn.bed_mm for turn in turns], grid_xy_mm(case.bed.mesh)
    )
    level = risen(_next_state(case), *rise)
    steps.append(
        _next_sheet(
            "Then print a sheet{}: how far the bed moved is not known before.",
            _reach_for(case, level, least="first"),
        )
    )
    grid = case.bed.mesh
    size_m = np.array([grid.x_max_mm - grid.x_min_mm, grid.y_max_mm - grid.y_min_mm]) / MM_PER_M
    steps += _facts(
        f"Turns are rounded to eighths: {float(np.abs(left[1:]) @ size_m):.2f} mm of tilt over the "
        "whole mesh is left for the mesh to take.",
    )
    if abs(moved[0]) >= SMALLEST_TOLD_MM:
        side = "up" if moved[0] > 0 else "down"
        steps += _facts(f"The middle of the bed goes {side} by {abs(float(moved[0])):.3f} mm too.")
    if case.twist_mm is not None:
        steps += _facts(
            f"A twist of {abs(case.twist_mm):.3f} mm from corner to corner is left: "
            "no screw takes it out, the mesh does."
        )
    return steps


def _look_at_the_turn(turns: Sequence[ScrewTurn]) -> str:
    """Say how the direction of a turn is made sure of, where the profile tells it."""
    if any(turn.direction == "unknown" for turn in turns):
        return ""
    return (
        " Look at the first turn: if the bed goes the other way, turn the other way, and correct "
        "raises in bed.toml."
    )


def _mesh(case: Case, plan: NodePlan) -> list[AdvisedStep]:
    """Say what changes in the mesh, and the offset that goes with it."""
    down, up = int((plan.dz_mm < 0).sum()), int((plan.dz_mm > 0).sum())
    parts = []
    if down:
        parts.append(f"lower the nozzle at {_points(down)} by up to {-plan.dz_mm.min():.3g} mm")
    if up:
        parts.append(f"raise it at {_points(up)} by up to {plan.dz_mm.max():.3g} mm")
    most = int(np.argmax(np.abs(plan.dz_mm)))
    i, j = case.bed.mesh.nodes[most]
    verb = "lower" if plan.dz_mm[most] < 0 else "raise"
    sentence = " and ".join(parts)
    if not down:
        sentence = sentence.replace("raise it", "raise the nozzle")
    text = (
        f"Send the mesh edits: {sentence}; the largest is to {verb} the nozzle by "
        f"{abs(plan.dz_mm[most]):.3g} mm at {place(i, j)}.{_left_offset(case)}"
    )
    steps = [AdvisedStep(kind="edits", text=text), *_screws_stay(case)]
    if case.clearly_tilted:
        steps += _facts(
            f"The tilt, {case.tilt_over_mesh_mm[0]:.2f} mm over the whole mesh, is left to the "
            "mesh: the screws, turned by hand in eighths of a turn, might leave up to "
            f"{case.turns_leave_mm:.2f} mm of it. They are advised where they take out a third "
            "for sure."
        )
    if plan.limited:
        steps += _facts("Some edits were cut short by the limits; another round takes the rest.")
    if case.sets_offset:
        steps.append(_set_offset(case))
    elif not (case.offset_done or case.nodes_take_offset):
        steps += _facts(
            f"Leave the common offset for now: it is known to {_sure(case)} only, which does not "
            "tell whether it is off at all."
        )
    shift_mm = case.safe_offset_mm if case.sets_offset else 0.0
    # `plan.lowest_mm` has an offset that lowers in it already, but not one that raises.
    lowest_mm = plan.lowest_mm + max(0.0, shift_mm)
    least, near = "fine", ""
    if lowest_mm <= case.bed.motion.clearance_mm:
        least = "first"
        near = (
            " Until then print nothing but the next sheet: somewhere the nozzle may still come "
            f"nearer to the bed than the clearance of {case.bed.motion.clearance_mm:.2f} mm."
        )
    reach = _reach_for(case, _next_state(case, plan.dz_mm, shift_mm), least=least)
    return [*steps, _next_sheet("Then print a new sheet{} to prove the edits.", reach, near)]


def _screws_stay(case: Case) -> list[AdvisedStep]:
    """Say of screws in the profile that none has to be turned, where that is so."""
    if not can_level(case.bed.screws) or case.clearly_tilted:
        return []  # of a clear tilt more is said where the mesh takes it
    tilt_mm, _ = case.tilt_over_mesh_mm
    told = f"The bed screws need no turning: {tilt_mm:.2f} mm of tilt over the whole mesh"
    return _facts(f"{told} is left to the mesh.")


def _left_offset(case: Case) -> str:
    """Say why the edits do not follow the gap errors to the last hundredth; empty if they do."""
    left = not (case.sets_offset or case.nodes_take_offset)
    if not left or abs(case.offset_mm) < SMALLEST_TOLD_MM:
        return ""
    side = "near" if case.offset_mm > 0 else "far"
    why = "is within tolerance" if case.offset_done else "is not known well enough to be corrected"
    return (
        f" These edits are for the shape of the bed. All points together are "
        f"{abs(case.offset_mm):.3f} mm too {side}; that {why} and is left as it is."
    )


def _offset_only(case: Case) -> list[AdvisedStep]:
    """Say how to set the common offset."""
    why = "The shape of the bed is within tolerance"
    if not case.warp_done:
        why = "No grid point can be corrected safely before the common offset"
    reach = _reach_for(case, _next_state(case, shift_mm=case.safe_offset_mm))
    return [
        *_notes(f"{why}: leave the mesh as it is."),
        _set_offset(case),
        *_screws_stay(case),
        _next_sheet("Then print a new sheet{} to prove it.", reach),
    ]


def _set_offset(case: Case) -> AdvisedStep:
    """Say how to set the common offset."""
    verb = "Lower" if case.offset_mm < 0 else "Raise"
    how = OFFSET_WORDS.get(case.bed.edits.offset_style, "")
    text = (
        f"{verb} the nozzle everywhere by {abs(case.safe_offset_mm):.2f} mm {how}: that is the "
        f"common offset, known to {_sure(case)}, and one number sets it for the whole bed."
    )
    if abs(case.offset_mm) < Z95 * case.split.common_sigma_mm:
        text += (
            " It may be chance, but setting it costs nothing, since another sheet is printed in "
            "any case."
        )
    if case.offset_mm < 0 and f"{case.safe_offset_mm:.2f}" != f"{case.offset_mm:.2f}":
        text = (
            f"{verb} the nozzle everywhere by {abs(case.safe_offset_mm):.2f} mm {how}: that is the "
            "part of the common offset, one number for the whole bed, that cannot bring it too "
            f"near. By what is known the nozzle is {abs(case.offset_mm):.2f} mm too far, "
            f"{_sure(case)}; the next "
            "sheet decides the rest."
        )
    return AdvisedStep(kind="offset", text=text)


def _sure(case: Case) -> str:
    """Return how well the common offset is known."""
    return within_95(case.split.common_sigma_mm, 2)


def _next_sheet(text: str, reach: str, more: str = "") -> AdvisedStep:
    """Return the step of the next sheet; `text` has a gap for its reach."""
    if reach:
        return _sheet(text.format(f" with --reach {reach}") + more, reach)
    return _sheet(
        f"{text.format('')} `padsheet sheet` may ask you to raise the nozzle first, to keep clear "
        f"of the bed.{more}"
    )


def _next_state(
    case: Case, change_mm: NDArray[np.float64] | None = None, shift_mm: float = 0.0
) -> NodeState:
    """Return what the next sheet will meet.

    `change_mm` is what the nodes get, `shift_mm` the common offset.
    """
    grid = case.bed.mesh
    if change_mm is None:
        change_mm = np.zeros_like(case.state.error_mm)
    elif grid.fade_height_mm is not None:
        # Part of a correction that lifts has faded out at the height of a line.
        kept = max(0.0, 1 - case.score.target_gap_mm / grid.fade_height_mm)
        change_mm = np.minimum(change_mm, kept * change_mm)
    return predict(sure_of_unread(case.state, case.score), change_mm, offset_mm=shift_mm)


def _reach_for(case: Case, state: NodeState, *, least: str = "fine") -> str:
    """Return the least reach of a sheet that surely keeps clear of what is left, at 95 %.

    The lowest lines of a sheet lie its reach and the clearance above where the bed should be, so
    `padsheet sheet` does not refuse it. Empty where that is not sure of any reach.
    """
    low_mm = lowest_error_mm(state, case.bed.plate.outline)
    if least == "fine" and state.error_mm.max() <= FINE_MM and low_mm >= -FINE_MM:
        return "fine"
    needed_mm = math.ceil(-low_mm * 100 - 1e-6) / 100
    return reach_word(max(FIRST_MM, needed_mm)) if needed_mm <= LARGEST_MM else ""


def _nothing(case: Case) -> list[AdvisedStep]:
    """Say that nothing is to be changed, and whether the bed is done."""
    if case.warp_done and case.offset_done:
        return _facts(
            "The bed is done: every point and the common offset are within tolerance with 95 % "
            f"confidence. Homing alone repeats to about {HOMING_SIGMA_MM:.3f} mm."
        )
    if case.warp_done:
        return _offset_open(case)
    steps = _notes("Change nothing: what is left is within the noise of the measurement.")
    if case.unread == 0:
        steps.append(_sheet("Print another sheet: the points are not yet sure enough to stop."))
    else:
        steps.append(_sheet("Where points stay unread, print another sheet, which reads them."))
    return steps


def _offset_open(case: Case) -> list[AdvisedStep]:
    """Say that only the common offset keeps the bed from being done, and what helps."""
    error_mm = case.split.common_mm
    side = "too far from" if error_mm > 0 else "too near"
    how = OFFSET_WORDS.get(case.bed.edits.offset_style, "at every mesh point alike")
    by_eye = (
        "Or judge it by eye and finger, on the coupons or a first layer: gaps between the lines "
        "mean too far, ridges or a scraping nozzle too near. Set what you "
        f"change {how}, and put it on record."
    )
    steps = _notes(
        "Leave the mesh as it is: the shape of the bed is within tolerance at every point with "
        "95 % confidence.",
        "Only the common offset, one number for the whole bed, is not sure enough to stop: by what "
        f"is known the nozzle is {abs(error_mm):.2f} mm {side} the bed, {_sure(case)}, and the "
        f"tolerance is {case.bed.target.offset_tolerance_mm:.2f} mm.",
    )
    again = (
        "To be surer, take a photo of the print and score that."
        if case.score.how == "eye"
        else "To be surer, take another photo of the same print, in other and softer light, and "
        "score both together."
    )
    return [
        *steps,
        AdvisedStep(kind="photo", text=again),
        _sheet("Print another sheet if that does not settle it."),
        AdvisedStep(kind="by eye", text=by_eye),
    ]


def _doubts(case: Case, work: str) -> list[AdvisedStep]:
    """Say which points are still unknown and what the proof found."""
    steps: list[AdvisedStep] = []
    off_scale = {(pad.i, pad.j) for pad in case.score.pads if pad.verdict.startswith("off scale")}
    unknown = [
        node
        for node, must, read in zip(
            case.bed.mesh.nodes, case.must_pass, case.state.read, strict=True
        )
        if must and not read
    ]
    if beyond := [node for node in unknown if node in off_scale]:
        done = "corrected as far as can be told; " if work == "mesh" else ""
        steps += _facts(
            f"{_points(len(beyond))} off the scale of this sheet ({_named(beyond)}): {done}"
            "the next sheet tells more."
        )
    here = {(pad.i, pad.j) for pad in case.score.pads}
    if absent := [node for node in unknown if node not in here]:
        steps += _facts(
            f"{_points(len(absent))} not on this sheet and not read since the bed was last changed "
            f"({_named(absent)}): only a sheet of all points tells whether the bed is done."
        )
    unread = [node for node in unknown if node in here and node not in off_scale]
    steps += _unread(case, work, unread)
    steps += _bends(case, work)
    missing = int((~case.must_pass).sum())
    if missing:
        steps += _facts(
            f"{_points(missing)} without a pad: inferred from the neighbours, never measured."
        )
    if case.bend_mm > 2 * case.bed.target.tolerance_mm:
        steps += _facts(
            f"Between the grid points the bed bends by {case.bend_mm:.2f} mm from cell to cell: "
            "only a mesh with more points follows that."
        )
    # A finished bed is not told what one sheet cannot tell.
    finished = work == "nothing" and case.warp_done and case.offset_done
    shown = ("in force",) if finished else ("in force", "unclear")
    if case.proof is not None and case.proof.verdict in shown:
        steps += _facts(case.proof.text)
    return steps


def _unread(case: Case, work: str, unread: Sequence[tuple[int, int]]) -> list[AdvisedStep]:
    """Say which points were not read, and whether another photo helps."""
    codes = {(p.i, p.j): p.reason.code for p in case.score.pads if p.reason is not None}
    at_end = [node for node in unread if codes.get(node) in END_OF_REACH]
    rest = [node for node in unread if node not in at_end]
    steps: list[AdvisedStep] = []
    if at_end:
        steps += _facts(
            f"{_points(len(at_end))} not read ({_named(at_end)}): near or beyond the end of "
            "this sheet's reach, where another photo does not help. Correct what is known; the "
            "next sheet tells more."
        )
    if not rest:
        return steps
    text = f"{_points(len(rest))} not read ({_named(rest)}): the bed is not done before that."
    if work == "screws":
        return [*steps, *_facts(f"{text} The next sheet, after the screws, reads them.")]
    if case.score.how == "eye":
        text += " Take a photo of the print."
    else:
        text += " Take a closer or better lit photo of the same print while it lies on the bed."
    if work != "withheld":
        text += " If a second photo does not help, go on: the next sheet reads them."
    return [*steps, AdvisedStep(kind="photo", text=text)]


def _bends(case: Case, work: str) -> list[AdvisedStep]:
    """Say that outer points cannot be told well while their pads stand inside them."""
    bends = case.state.bends
    if bends is None or case.warp_done or work in ("screws", "withheld"):
        return []
    if case.bed.mesh.outside != "unknown":
        return []
    sigma_mm = np.sqrt(np.diag(bends.covariance_mm2))
    if sigma_mm.max() < case.bed.target.tolerance_mm / BEND_PART:
        return []
    return _facts(
        "The pads of the outer points stand inside them, since [mesh] outside is unknown in "
        "bed.toml; what the bed does from there to the points is known to "
        f"{within_95(float(sigma_mm.max()), 3)} only. Look up in the printer's manual what it does "
        "beyond its outermost points, and say it there: with hold or extend the pads stand on "
        "their points."
    )


def _tilt_words(case: Case) -> str:
    """Say how the bed is tilted, and which way the gap grows."""
    # Of 100 mm a person has an idea, of a metre of bed nobody.
    slope_x, slope_y = (slope * TOLD_OVER_MM / MM_PER_M for slope in case.split.tilt_mm_per_m)
    sides = []
    if abs(slope_x) >= SMALLEST_TOLD_MM:
        sides.append(f"{abs(slope_x):.2f} mm to the {'right' if slope_x > 0 else 'left'}")
    if abs(slope_y) >= SMALLEST_TOLD_MM:
        sides.append(f"{abs(slope_y):.2f} mm to the {'back' if slope_y > 0 else 'front'}")
    total_mm, _ = case.tilt_over_mesh_mm
    over = f"by {' and '.join(sides)} over {TOLD_OVER_MM} mm, " if sides else "by "
    return f"The bed is tilted: the gap grows {over}{total_mm:.2f} mm over the whole mesh."


def _named(nodes: Sequence[tuple[int, int]]) -> str:
    """Name a few grid points and count the others."""
    more = f" and {len(nodes) - 4} more" if len(nodes) > 4 else ""
    return "; ".join(place(i, j) for i, j in nodes[:4]) + more


def _points(count: int) -> str:
    """Count grid points."""
    return f"{count} grid point{'' if count == 1 else 's'}"
