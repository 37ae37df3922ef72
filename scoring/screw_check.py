"""Whether the bed tilted as the turns of its screws were to tilt it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, Screw
from padsheet.scoring.advice import Advice, ScrewAdvice
from padsheet.scoring.phrases import listed
from padsheet.scoring.plane import MM_PER_M
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.screws import (
    HAND_SIGMA_TURNS,
    ScrewTurn,
    can_level,
    moved_plane,
    tilts_by,
    turn_in_words,
)
from padsheet.scoring.squish import Z95
from padsheet.scoring.steps import AdvisedStep

__all__ = [
    "doubtful_screws",
    "grown_step",
    "odd_screw_step",
    "other_way_step",
    "with_screws_checked",
]

#: Part of the advised change by which a tilt must have gone either way to be spoken of.
OTHER_WAY_PART = 0.15
#: Chi-square of two slopes that is this large by chance once in a thousand times.
SURELY_NOT = 13.8
#: One that is smaller in 95 of 100 cases; and how much better a reading of what happened must fit
#: than any other before it is told as the likely one.
MAY_BE, BETTER_BY = 6.0, 6.0
#: A tilt that grew by less, over the whole mesh, is not worth a word.
GROWN_MM = 0.05

Floats = NDArray[np.float64]


def with_screws_checked(folder: BedFolder, bed: Bed, round_: Round, advice: Advice) -> Advice:
    """Say first what went wrong with screws that were turned since the sheet before, if it shows.

    The tilt went the other way than the turns advised were to bring it, or one screw did; or it
    grew with turns that nobody advised. Only where they are on record. Where mesh points were
    changed in between as well, what both did together is told, and that no more can be.

    Raises
    ------
    PadsheetError
        If a file of an earlier round cannot be read.
    """
    earlier = folder.scored_before(round_)
    if earlier is None or advice.work == "withheld":
        return advice
    before = _turned_between(folder, earlier, round_)
    if before is None:
        mixed = _mixed_step(folder, bed, earlier, round_, advice)
        if mixed is not None and mixed.kind == "fact":
            return replace(advice, steps=(*advice.steps, mixed))
        step = mixed
    elif before.work != "screws":
        step = grown_step(before, advice, bed, earlier.number)
    else:
        step = odd_screw_step(before, advice, bed, earlier.number)
        step = step or other_way_step(before, advice, bed, earlier.number)
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
        if before is None or after is None or before.work != "screws":
            continue
        tilt, odd = _tilt(before, after, bed), _odd_screw(before, after, bed)
        if tilt is None:
            continue
        if odd is not None and odd.other_way:
            doubted |= {s.name: s.raises for s in before.screws if s.name == odd.turn.screw.name}
        elif tilt.went_other_way:
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
    """Return the advice of a round if screws were turned before a later one, and nothing edited."""
    before = first.read_advice()
    turned, edited = _done_between(folder, first, then)
    return before if turned and not edited else None


def _done_between(folder: BedFolder, first: Round, then: Round) -> tuple[bool, bool]:
    """Tell whether screws were turned, and mesh points changed, between two sheets."""
    since = [r.read_applied() for r in folder.rounds() if first.number <= r.number < then.number]
    turned = any(applied is not None and applied.screws_turned for applied in since)
    edited = any(applied is not None and applied.nodes for applied in since)
    return turned, edited


def _mixed_step(
    folder: BedFolder, bed: Bed, first: Round, then: Round, after: Advice
) -> AdvisedStep | None:
    """Say what turns and mesh edits did to the tilt together; None where not both were made.

    Told first where the tilt grew for sure, else as a fact.
    """
    before = first.read_advice()
    if before is None or _done_between(folder, first, then) != (True, True):
        return None
    was_mm, now_mm, sigma_mm = _sizes(before, after, bed)
    text = (
        f"Since the sheet of round {first.number} screws were turned and mesh points edited: by "
        f"both together the tilt went from {was_mm:.2f} to {now_mm:.2f} mm over the whole mesh. "
        "How much of that the screws did, and whether each knob went the right way, cannot be "
        "told, since one sheet shows only the sum. "
    )
    if now_mm - was_mm < max(GROWN_MM, 3 * sigma_mm):
        text += "Turn screws by themselves next time, and edit the mesh after the sheet that shows "
        return AdvisedStep(kind="fact", text=f"{text}it.")
    text += "The tilt grew: look which way the bed goes at each knob before you turn any further."
    return AdvisedStep(kind="note", text=text)


def _sizes(before: Advice, after: Advice, bed: Bed) -> tuple[float, float, float]:
    """Return the tilt of two sheets over the whole mesh, and the sigma of their difference."""
    size_m = _size_m(bed)
    was_mm, now_mm = (
        float(np.abs(np.array(a.tilt_mm_per_m) * size_m).sum()) for a in (before, after)
    )
    sigmas = [np.array(a.tilt_sigma_mm_per_m) * size_m for a in (before, after)]
    return was_mm, now_mm, float(np.sqrt(sum((s**2).sum() for s in sigmas)))


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
    turns = _turns(before, bed)
    if not turns:
        return None
    size_m = _size_m(bed)
    # In millimetres from end to end of the mesh, along x and y.
    was, now = (np.array(a.tilt_mm_per_m) * size_m for a in (before, after))
    wanted = -moved_plane(turns, centre_mm=bed.mesh.outline.centre_mm)[1:] * size_m
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


def _turns(before: Advice, bed: Bed) -> list[ScrewTurn]:
    """Return the turns that were advised; empty where the profile has not all their screws."""
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
    return turns if len(turns) >= max(3, len(before.screws)) else []


def _size_m(bed: Bed) -> Floats:
    """Return width and depth of the mesh in metres."""
    grid = bed.mesh
    return np.array([grid.x_max_mm - grid.x_min_mm, grid.y_max_mm - grid.y_min_mm]) / MM_PER_M


@dataclass(frozen=True, slots=True, kw_only=True)
class _Change:
    """What became of a tilt, in millimetres from end to end of the mesh, along x and y.

    Attributes
    ----------
    seen_mm : ndarray of float, shape (2,)
        By how much the tilt of the gap changed.
    inverse : ndarray of float, shape (2, 2)
        The inverse of its covariance.
    by_screw : ndarray of float, shape (2, S)
        What a millimetre up at each screw does to the tilt of the gap.
    """

    seen_mm: Floats
    inverse: Floats
    by_screw: Floats

    def misfit(self, moves_mm: Floats) -> float:
        """Return chi-square, of two degrees of freedom, of moves of the bed at the screws."""
        left = self.seen_mm - self.by_screw @ moves_mm
        return float(left @ self.inverse @ left)

    def alone(self, k: int, others_mm: Floats) -> tuple[float, float, float]:
        """Return by how much more one screw went than told, its sigma, and what is left of misfit.

        Where all of what is not as told is put to that screw.
        """
        left, along = self.seen_mm - self.by_screw @ others_mm, self.by_screw[:, k]
        precision = float(along @ self.inverse @ along)
        more_mm = float(along @ self.inverse @ left) / precision
        rest = left - along * more_mm
        return more_mm, precision**-0.5, float(rest @ self.inverse @ rest)


def _change(
    before: Advice, after: Advice, bed: Bed, screws: Sequence[Screw], *, by_hand: bool
) -> _Change:
    """Return what became of a tilt; `by_hand` where turns were told, which no hand does exactly."""
    size_m = _size_m(bed)
    was, now = (np.array(a.tilt_mm_per_m) * size_m for a in (before, after))
    sigmas = [np.array(a.tilt_sigma_mm_per_m) * size_m for a in (before, after)]
    by_screw = -tilts_by(screws) * size_m[:, None]
    hand_mm = HAND_SIGMA_TURNS * np.array([screw.pitch_mm for screw in screws])
    covariance = np.diag(sum(s**2 for s in sigmas))
    if by_hand:
        covariance = covariance + (by_screw * hand_mm**2) @ by_screw.T
    return _Change(seen_mm=now - was, inverse=np.linalg.inv(covariance), by_screw=by_screw)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Odd:
    """The one screw that did not go as it was told, where the others did.

    `went_mm` is how far the bed went up there, with its standard deviation; `other_way` and
    `not_at_all` tell which of the two it may have been.
    """

    turn: ScrewTurn
    went_mm: float
    sigma_mm: float
    other_way: bool
    not_at_all: bool


def _odd_screw(before: Advice, after: Advice, bed: Bed) -> _Odd | None:
    """Find the one screw whose turn alone explains a tilt that is surely not as advised."""
    turns = _turns(before, bed)
    turned = [k for k, turn in enumerate(turns) if turn.bed_mm]
    if len(turned) < 2 or not can_level([turn.screw for turn in turns]):
        return None
    change = _change(before, after, bed, [turn.screw for turn in turns], by_hand=True)
    told_mm = np.array([turn.bed_mm for turn in turns])
    if change.misfit(told_mm) < SURELY_NOT:
        return None
    ways: dict[int, tuple[float, float]] = {}
    for k in turned:
        one = np.eye(len(turns))[k] * told_mm
        ways[k] = (change.misfit(told_mm - 2 * one), change.misfit(told_mm - one))
    best = min(ways, key=lambda k: min(ways[k]))
    least = min(ways[best])
    # No screw, or every screw the other way round, is no less likely than a single one.
    others = [change.misfit(-told_mm), change.misfit(0 * told_mm)]
    others += [min(ways[k]) for k in turned if k != best]
    if least > MAY_BE or min(others) - least < BETTER_BY:
        return None
    more_mm, sigma_mm, _ = change.alone(best, told_mm)
    other_way, not_at_all = (misfit < MAY_BE for misfit in ways[best])
    return _Odd(
        turn=turns[best],
        went_mm=float(told_mm[best]) + more_mm,
        sigma_mm=sigma_mm,
        other_way=other_way,
        not_at_all=not_at_all,
    )


def odd_screw_step(before: Advice, after: Advice, bed: Bed, number: int) -> AdvisedStep | None:
    """Say that one screw did not go as it was told while the others did; None if none is seen.

    Parameters are those of `other_way_step`.
    """
    odd, tilt = _odd_screw(before, after, bed), _tilt(before, after, bed)
    if odd is None or tilt is None:
        return None
    turn, name = odd.turn, odd.turn.screw.name
    how = " or ".join(
        words
        for words, may_be in (
            ("to have gone the other way", odd.other_way),
            ("not to have been turned at all", odd.not_at_all),
        )
        if may_be
    )
    text = (
        f"The {name} screw seems {how}: the tilt went from {tilt.was_mm:.2f} to "
        f"{tilt.now_mm:.2f} mm over the whole mesh, where the turns of round {number} were to "
        f"bring it to {tilt.meant_mm:.2f}. {_went(odd.went_mm, odd.sigma_mm)} there, where "
        f"{abs(turn.bed_mm):.2f} mm {_side(turn.bed_mm)} was meant. "
    )
    told = next(screw for screw in before.screws if screw.name == name)
    if turn.screw.raises not in (told.raises, "unknown"):
        return AdvisedStep(kind="note", text=text + _changed_words([told], whole=True))
    text += _turn_back(turn.screw, turn.bed_mm - odd.went_mm, after)
    return AdvisedStep(kind="note", text=text)


def grown_step(before: Advice, after: Advice, bed: Bed, number: int) -> AdvisedStep | None:
    """Say that the tilt grew with turns that nobody advised; None where it did not for sure.

    Parameters are those of `other_way_step`.
    """
    if not can_level(bed.screws):
        return None
    was_mm, now_mm, sigma_mm = _sizes(before, after, bed)
    if now_mm - was_mm < max(GROWN_MM, 3 * sigma_mm):
        return None
    text = (
        f"Screws were turned after round {number}, and the tilt grew from {was_mm:.2f} to "
        f"{now_mm:.2f} mm over the whole mesh. "
    )
    change = _change(before, after, bed, bed.screws, by_hand=False)
    still_mm = np.zeros(len(bed.screws))
    alone = [change.alone(k, still_mm) for k in range(len(bed.screws))]
    best, *others = sorted(range(len(bed.screws)), key=lambda k: alone[k][2])
    went_mm, sigma_mm, misfit = alone[best]
    if misfit < MAY_BE and alone[others[0]][2] - misfit > BETTER_BY:
        screw = bed.screws[best]
        text += (
            f"If it was the {screw.name} screw alone: "
            f"{_went(went_mm, sigma_mm).replace('By', 'by', 1)} there. "
        )
        text += _turn_back(screw, -went_mm, after, unless="If that was not meant, ")
    else:
        text += (
            "If that was not meant, turn back what was turned, put that on record "
            f"({_record(after)}), and print a sheet with --reach first"
            f"{', before any mesh edit' if after.has_edits else ''}."
        )
    return AdvisedStep(kind="note", text=text)


def _side(bed_mm: float) -> str:
    return "up" if bed_mm > 0 else "down"


def _went(bed_mm: float, sigma_mm: float) -> str:
    return (
        f"By the gaps the bed went {_side(bed_mm)} by {abs(bed_mm):.2f} +-{Z95 * sigma_mm:.2f} mm "
        "(95 %)"
    )


def _record(after: Advice) -> str:
    return f"`padsheet applied --screws{' --no-edits' if after.has_edits else ''}`"


def _turn_back(screw: Screw, bed_mm: float, after: Advice, *, unless: str = "") -> str:
    """Say how to turn a screw so that the bed goes up there by so much, in place of mesh edits."""
    turn = turn_in_words(screw, bed_mm)
    if after.work == "screws" or not turn:
        text = f"{unless}look at its knob before you turn any further"
        if after.work == "screws":
            text += "; the turns that follow go by the bed as it is now"
        return f"{text[0].upper()}{text[1:]}."
    text = (
        f"{unless}turn it {turn}{' in place of the mesh edits' if after.has_edits else ''}, look "
        f"whether the bed goes {_side(bed_mm)} there, put that on record ({_record(after)}), and "
        "print a sheet with --reach first."
    )
    return text[0].upper() + text[1:]


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
    turned = [s for s in before.screws if s.turns]
    same = [s for s in turned if now[s.name] in (s.raises, "unknown")]
    changed = [s for s in turned if s not in same]
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
