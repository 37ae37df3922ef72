"""Whether the bed tilted as the turns of its screws were to tilt it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from padsheet.patterns.bed import Bed
from padsheet.scoring.advice import Advice, ScrewAdvice
from padsheet.scoring.phrases import listed
from padsheet.scoring.plane import MM_PER_M
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.screws import ScrewTurn, moved_plane
from padsheet.scoring.steps import AdvisedStep

__all__ = ["doubtful_screws", "other_way_step", "with_screws_checked"]

#: Part of the advised change by which a tilt must have gone either way to be spoken of.
OTHER_WAY_PART = 0.15


def with_screws_checked(folder: BedFolder, bed: Bed, round_: Round, advice: Advice) -> Advice:
    """Say first that the tilt went the other way after screws were turned, if it did.

    Only where the sheet before advised the turns, they are on record, and no mesh point was changed
    in between.

    Raises
    ------
    PadsheetError
        If a file of an earlier round cannot be read.
    """
    earlier = [r for r in folder.rounds() if r.number < round_.number and r.scores_json.exists()]
    if not earlier or advice.work == "withheld":
        return advice
    before = _turned_between(folder, earlier[-1], round_)
    step = None if before is None else other_way_step(before, advice, bed, earlier[-1].number)
    return advice if step is None else replace(advice, steps=(step, *advice.steps))


def doubtful_screws(folder: BedFolder, bed: Bed, round_: Round) -> tuple[str, ...]:
    """Name the screws whose turns, as a scored round advises them, may well go the other way.

    Those that were told by the same direction, or by none, when a tilt went the other way, unless a
    later sheet showed that their turns did go as advised.

    Raises
    ------
    PadsheetError
        If a file of a round cannot be read.
    """
    scored = [r for r in folder.rounds() if r.number <= round_.number and r.scores_json.exists()]
    doubted: dict[str, str] = {}
    for first, then in itertools.pairwise(scored):
        before, after = _turned_between(folder, first, then), then.read_advice()
        tilt = None if before is None or after is None else _tilt(before, after, bed)
        if before is None or tilt is None:
            continue
        if tilt.went_other_way:
            doubted |= {screw.name: screw.raises for screw in before.screws}
        elif tilt.went_as_meant:
            for screw in before.screws:
                if screw.turns:
                    doubted.pop(screw.name, None)
    advice = round_.read_advice()
    return tuple(
        screw.name
        for screw in (() if advice is None else advice.screws)
        if screw.name in doubted and screw.raises in (doubted[screw.name], "unknown")
    )


def _turned_between(folder: BedFolder, first: Round, then: Round) -> Advice | None:
    """Return the advice of a round if its turns, and they alone, were made before a later one."""
    before = first.read_advice()
    if before is None or before.work != "screws":
        return None
    since = [r.read_applied() for r in folder.rounds() if first.number <= r.number < then.number]
    turned = any(applied is not None and applied.screws_turned for applied in since)
    edited = any(applied is not None and applied.nodes for applied in since)
    return before if turned and not edited else None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tilt:
    """What turns made of a tilt: millimetres from end to end of the mesh.

    `was_mm`, `now_mm` and `meant_mm` are its size before, after, and as the turns were to make it;
    `went_mm` is the part of the change that was meant, and `least_mm` what of it is told for sure.
    """

    was_mm: float
    now_mm: float
    meant_mm: float
    went_mm: float
    least_mm: float

    @property
    def went_other_way(self) -> bool:
        return self.went_mm <= -self.least_mm

    @property
    def went_as_meant(self) -> bool:
        return self.went_mm >= self.least_mm


def _tilt(before: Advice, after: Advice, bed: Bed) -> _Tilt | None:
    """Return what the turns of one sheet's advice made of the tilt by the next; None if none."""
    screws = {screw.name: screw for screw in bed.screws}
    turns = [
        ScrewTurn(
            screw=screws[told.name],
            wanted_mm=told.bed_mm,
            bed_mm=told.bed_mm,
            turns=told.turns,
            direction=told.direction,
        )
        for told in before.screws
        if told.name in screws
    ]
    if len(turns) < max(3, len(before.screws)):
        return None
    grid = bed.mesh
    size_m = np.array([grid.x_max_mm - grid.x_min_mm, grid.y_max_mm - grid.y_min_mm]) / MM_PER_M
    # In millimetres from end to end of the mesh, along x and y.
    was, now = (np.array(a.tilt_mm_per_m) * size_m for a in (before, after))
    wanted = -moved_plane(turns, centre_mm=grid.outline.centre_mm)[1:] * size_m
    length = float(np.linalg.norm(wanted))
    if length == 0:
        return None
    sigmas = [np.array(a.tilt_sigma_mm_per_m) * size_m for a in (before, after)]
    way = wanted / length
    sigma = float(np.sqrt(sum(((s * way) ** 2).sum() for s in sigmas)))
    sizes = [float(np.abs(tilt).sum()) for tilt in (was, now, was + wanted)]
    return _Tilt(
        was_mm=sizes[0],
        now_mm=sizes[1],
        meant_mm=sizes[2],
        went_mm=float((now - was) @ way),
        least_mm=max(OTHER_WAY_PART * length, 3 * sigma),
    )


def other_way_step(before: Advice, after: Advice, bed: Bed, number: int) -> AdvisedStep | None:
    """Say that the tilt went the other way than the turns advised were to bring it.

    Parameters
    ----------
    before, after : Advice
        That of round `number`, which advised the turns, and that of the sheet after them.
    bed : Bed
        Its screws and mesh, as the profile has them now: what it says of the directions is compared
        with what it said when the turns were advised.

    Returns
    -------
    AdvisedStep or None
        None where the tilt did not go the other way, or not for sure.
    """
    tilt = _tilt(before, after, bed)
    if tilt is None or not tilt.went_other_way:
        return None
    text = (
        f"The tilt went the other way: from {tilt.was_mm:.2f} to {tilt.now_mm:.2f} mm over the "
        f"whole mesh, where the turns of round {number} were to bring it to {tilt.meant_mm:.2f}. "
    )
    now = {screw.name: screw.raises for screw in bed.screws}
    same = [s for s in before.screws if now[s.name] in (s.raises, "unknown")]
    changed = [s for s in before.screws if s not in same]
    if not same:
        return AdvisedStep(kind="note", text=f"{text}{_changed_words(changed, whole=True)}")
    told = any(screw.raises != "unknown" for screw in same if screw.turns)
    text += _changed_words(changed, whole=False)
    text += "Most likely " + ("raises in bed.toml is wrong, or " if told else "")
    text += "the screws were turned the other way round. Before you turn any further, turn "
    text += f"{_each_knob(same)} a little and look which way the bed goes"
    if not told:
        return AdvisedStep(kind="note", text=f"{text}.")
    text += (
        ". Where raises says otherwise, correct it in bed.toml; scored again, the photo then shows "
        "the right directions."
    )
    return AdvisedStep(kind="raises", text=text)


def _changed_words(screws: Sequence[ScrewAdvice], *, whole: bool) -> str:
    """Say that the profile no longer says what it said of these screws when they were turned."""
    if not screws:
        return ""
    where = "" if whole else f" at {listed([screw.name for screw in screws])}"
    if all(screw.raises == "unknown" for screw in screws):
        then = f"bed.toml did not say then which turn raises the bed{where}; it does now"
    else:
        then = f"What bed.toml says of raises{where} has been changed since"
    return f"{then}, and what follows goes by that.{'' if whole else ' '}"


def _each_knob(screws: Sequence[ScrewAdvice]) -> str:
    names = [screw.name for screw in screws]
    return f"the {names[0]} knob" if len(names) == 1 else f"each of the knobs {listed(names)}"
