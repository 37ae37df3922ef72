"""Scores without a photo: for each pad a person tells which line of the ladder looks just right.

The eye picks a height, not a width: the gap of a pad is what a line that looks just right needs,
less what its height adds to the target height. That is much coarser than a photo, and the
uncertainty says so:

- the right height may lie half a step to either side of the line that was picked;
- the eye does not tell neighbours apart that differ by little;
- the halves of a comb lie apart, so a bed that slopes across the pad moves the choice, unless a
  line of each half was picked;
- what "just right" means is the same taste at all pads, so all of them may be off together.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bead import area_mm2
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Pad, Sheet, Track
from padsheet.scoring.phrases import place
from padsheet.scoring.squish import Z95, PadScore, Reason, SheetScore, Verdict, read_pad

__all__ = [
    "Pick",
    "by_eye_words",
    "check_lines",
    "eye_reach_mm",
    "picks_from_csv",
    "picks_to_csv",
    "score_picks",
]

Floats = NDArray[np.float64]

# Z is set by eye in steps of 0.02 mm while a first layer is printed: finer ones are not seen
# (common practice, no source).
_EYE_SIGMA_MM = 0.02
# How far two people's idea of a good first layer lies apart (common practice, no source).
_TASTE_SIGMA_MM = 0.02
# A bed rarely slopes more across a pad than 2 mm in a metre (common practice, no source).
_SLOPE_SIGMA = 0.002
# A thicker line looks just right at a larger gap if the eye goes by the line's shape, at the same
# gap if it goes by the gap. In g ~ area^p the former is p = 1/2 (w/g = A/g^2 + k), the latter
# p = 0; anything between is as likely.
_SHAPE_POWER, _SHAPE_POWER_SIGMA = 0.25, 0.5 / np.sqrt(12)
# The line that people know: a little wider than the bore (common practice, no source).
_USUAL_WIDTH_PER_BORE = 1.125
# Halves that differ by more than this contradict each other.
_MOST_SIGMAS_APART = 3.0
# No photo tells the flow; this is how far filament may be off, see `padsheet.patterns.widths`.
_FLOW_SIGMA = 0.06


@dataclass(frozen=True, slots=True, kw_only=True)
class Pick:
    """What a person says of one pad.

    Attributes
    ----------
    i, j : int
        Node, from 0 at the smallest x and y.
    lines : tuple of int
        The line that looks just right, from 1 at the tick; or one of each half; none where it
        cannot be told.
    """

    i: int
    j: int
    lines: tuple[int, ...] = ()


def by_eye_words(sheet: Sheet) -> tuple[str, ...]:
    """Return the sentences that tell a person how to look at a sheet."""
    tick = (
        "At the front end of a comb its outermost lines have a foot each, both to the left. The "
        "one that sticks out beside the comb belongs to line 1, the one under the comb to the last."
        if sheet.tick_mm
        else "At one end of a comb lie two feet, a short and a long one: the short one belongs to "
        "line 1."
    )
    count = len(sheet.tracks)
    half = count // 2
    low, high = eye_reach_mm(sheet)
    return (
        f"{tick} Count the {count} lines from there.",
        "The line that looks just right is flat on top with straight, even edges and holds "
        "firmly: not round and loose like a thread, not thin, ragged or see-through.",
        f"Heights fall from line 1 to line {half} and rise again to line {count}: name one line, "
        f"or two such as `2 {count - 1}`, one of each half, which is surer.",
        f"By eye this sheet tells gap errors from {low:+.2f} to {high:+.2f} mm; where the highest "
        "or the lowest line looks best only a bound is known.",
    )


def eye_reach_mm(sheet: Sheet) -> tuple[float, float]:
    """Return the gap errors, from low to high, that this sheet tells by eye; beyond: a bound."""
    inner = [k for k in range(1, len(sheet.tracks) + 1) if _end(sheet, k) == 0]
    gaps = [_eyed(sheet, k).gap_mm - sheet.target_gap_mm for k in inner]
    halves = [_half_step_mm(sheet, sheet.tracks[k - 1].height_mm) for k in inner]
    return (
        min(g - h for g, h in zip(gaps, halves, strict=True)),
        max(g + h for g, h in zip(gaps, halves, strict=True)),
    )


def check_lines(sheet: Sheet, lines: Sequence[int]) -> str:
    """Return what is wrong with the lines named for a pad, in words; empty if nothing is."""
    count = len(sheet.tracks)
    if any(not 1 <= line <= count for line in lines):
        return f"lines go from 1 to {count}"
    if len(lines) > 2:
        return "name one line, or one of each half"
    if len(lines) == 2 and len({line <= count // 2 for line in lines}) < 2:
        return f"one line must be of 1 to {count // 2} and the other of {count // 2 + 1} to {count}"
    return ""


def picks_from_csv(text: str, sheet: Sheet) -> tuple[Pick, ...]:
    """Read picks from a table ``column,row,line`` or ``column,row,line,line``.

    A first row of words, empty rows and rows that begin with ``#`` are passed over; an empty line
    number stands for "cannot tell".

    Raises
    ------
    PadsheetError
        If a row cannot be read, names no pad of the sheet, or names one twice.
    """
    picks: dict[tuple[int, int], Pick] = {}
    pads = {(pad.i, pad.j) for pad in sheet.pads}
    for number, row in enumerate(csv.reader(io.StringIO(text.removeprefix("\ufeff"))), start=1):
        cells = [cell.strip() for cell in row]
        if not any(cells) or cells[0].startswith("#"):
            continue
        if not picks and cells[0].lower() == "column":
            continue
        pick = _pick(cells, number, sheet)
        node = (pick.i, pick.j)
        if node not in pads:
            raise _bad(number, f"there is no pad at {place(pick.i, pick.j)}")
        if node in picks:
            raise _bad(number, f"{place(pick.i, pick.j)} is there twice")
        picks[node] = pick
    return tuple(picks.values())


def _pick(cells: Sequence[str], number: int, sheet: Sheet) -> Pick:
    if not 2 <= len(cells) <= 4:
        raise _bad(number, "a row is column,row,line")
    if not all(_is_count(cell) for cell in cells[:2]):
        raise _bad(number, "column and row must be whole numbers, counted from 1")
    words = [cell for cell in cells[2:] if cell]
    if not all(_is_count(word) for word in words):
        raise _bad(
            number,
            "a line must be a whole number, or empty where it cannot be told; a second "
            "line is a value of its own, such as `3,2,4,7`",
        )
    lines = tuple(int(word) for word in words)
    if problem := check_lines(sheet, lines):
        raise _bad(number, problem)
    return Pick(i=int(cells[0]) - 1, j=int(cells[1]) - 1, lines=lines)


def _is_count(word: str) -> bool:
    return word.isascii() and word.isdecimal() and len(word) < 6


def _bad(number: int, what: str) -> PadsheetError:
    return PadsheetError(
        f"row {number} of the lines picked by eye cannot be used: {what}",
        remedy="Write one row a pad, such as `3,2,4`: column and row counted from 1 at the front "
        "left, and the line counted from line 1.",
        code="eye-row",
    )


def picks_to_csv(picks: Iterable[Pick]) -> str:
    """Write picks as `picks_from_csv` reads them.

    Examples
    --------
    >>> print(picks_to_csv([Pick(i=2, j=1, lines=(4,)), Pick(i=3, j=1)]), end="")
    column,row,line
    3,2,4
    4,2,
    """
    rows = [
        f"{p.i + 1},{p.j + 1},{','.join(str(line) for line in p.lines)}"
        for p in sorted(picks, key=lambda p: (p.j, p.i))
    ]
    return "\n".join(["column,row,line", *rows]) + "\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Eyed:
    """One pad's gap by eye: value, own standard deviation, and what the eye's habit moves it by."""

    gap_mm: float
    own_sigma_mm: float
    shape_mm: float


def _right_gap_mm(sheet: Sheet, track: Track) -> tuple[float, float]:
    """Return the gap at which a track looks just right, and its derivative by the shape power."""
    usual = float(area_mm2(_USUAL_WIDTH_PER_BORE * sheet.bore_mm, sheet.target_gap_mm))
    thicker = float(np.log(track.area_mm2 / usual))
    gap = sheet.target_gap_mm * float(np.exp(_SHAPE_POWER * thicker))
    return gap, gap * thicker


def _levels(sheet: Sheet) -> Floats:
    return np.unique(np.round([t.height_mm for t in sheet.tracks], 6))


def _half_step_mm(sheet: Sheet, height_mm: float) -> float:
    """Return half the distance between a height of the ladder and its neighbours."""
    levels = _levels(sheet)
    k = int(np.argmin(np.abs(levels - height_mm)))
    around = levels[max(k - 1, 0) : k + 2]
    return float(np.diff(around).mean()) / 2 if len(around) > 1 else sheet.z_step_mm / 2


def _eyed(sheet: Sheet, line: int) -> _Eyed:
    """Turn one line into a gap."""
    track = sheet.tracks[line - 1]
    right, shape = _right_gap_mm(sheet, track)
    step = _half_step_mm(sheet, track.height_mm) / np.sqrt(3)
    return _Eyed(
        gap_mm=right - (track.height_mm - sheet.target_gap_mm),
        own_sigma_mm=float(np.sqrt(step**2 + _EYE_SIGMA_MM**2)),
        shape_mm=shape,
    )


def _end(sheet: Sheet, line: int) -> int:
    """Return 1 for a line of the highest step, -1 for one of the lowest, 0 between."""
    levels, height = _levels(sheet), sheet.tracks[line - 1].height_mm
    return int(height >= levels[-1] - 1e-6) - int(height <= levels[0] + 1e-6)


def _off_scale(sheet: Sheet, pad: Pad, line: int, common_sigma_mm: float) -> PadScore:
    """Judge a pad whose best line is at an end of the ladder: only a bound is known."""
    here = _eyed(sheet, line)
    half = _half_step_mm(sheet, sheet.tracks[line - 1].height_mm)
    slope = _SLOPE_SIGMA * abs(sheet.tracks[line - 1].offset_mm)
    sigma = float(np.sqrt(_EYE_SIGMA_MM**2 + slope**2 + common_sigma_mm**2))
    if _end(sheet, line) > 0:
        bound = here.gap_mm + half + Z95 * sigma
        text = "the highest line looks best: the nozzle may be nearer to the bed than that"
        return _pad(
            pad, verdict="off scale low", interval_mm=(None, bound), code="eye-high", text=text
        )
    bound = here.gap_mm - half - Z95 * sigma
    text = "the lowest line looks best: the nozzle may be farther from the bed than that"
    return _pad(
        pad,
        verdict="off scale high",
        interval_mm=(max(bound, 0.0), None),
        code="eye-low",
        text=text,
    )


def _pad(
    pad: Pad,
    *,
    verdict: Verdict,
    code: str,
    text: str,
    interval_mm: tuple[float | None, float | None] | None = None,
) -> PadScore:
    """Return the score of a pad without a gap."""
    return PadScore(
        i=pad.i,
        j=pad.j,
        x_mm=pad.x_mm,
        y_mm=pad.y_mm,
        verdict=verdict,
        interval_mm=interval_mm,
        reason=Reason(code=code, text=text),
    )


def _together(sheet: Sheet, lines: Sequence[int]) -> _Eyed | None:
    """Combine the lines of one pad; None where the two halves contradict each other."""
    eyed = [_eyed(sheet, line) for line in lines]
    offsets = [sheet.tracks[line - 1].offset_mm for line in lines]
    if len(eyed) == 1:
        slope = _SLOPE_SIGMA * offsets[0]
        one = eyed[0]
        return _Eyed(
            gap_mm=one.gap_mm,
            own_sigma_mm=float(np.hypot(one.own_sigma_mm, slope)),
            shape_mm=one.shape_mm,
        )
    one, other = eyed
    apart = _SLOPE_SIGMA * (offsets[0] - offsets[1])
    sigma = float(np.sqrt(one.own_sigma_mm**2 + other.own_sigma_mm**2 + apart**2))
    shape = _SHAPE_POWER_SIGMA * (one.shape_mm - other.shape_mm)
    if abs(one.gap_mm - other.gap_mm) > _MOST_SIGMAS_APART * float(np.hypot(sigma, shape)):
        return None
    slope = _SLOPE_SIGMA * sum(offsets) / 2
    own = float(np.sqrt(one.own_sigma_mm**2 + other.own_sigma_mm**2)) / 2
    return _Eyed(
        gap_mm=(one.gap_mm + other.gap_mm) / 2,
        own_sigma_mm=float(np.hypot(own, slope)),
        shape_mm=(one.shape_mm + other.shape_mm) / 2,
    )


def _judge(sheet: Sheet, pad: Pad, pick: Pick | None, common_sigma_mm: float) -> PadScore | _Eyed:
    """Return a pad's gap, or the score of a pad that has none."""
    lines = () if pick is None else pick.lines
    if not lines:
        text = "no line was named for this pad"
        return _pad(pad, verdict="unread", code="eye-none", text=text)
    ends = [_end(sheet, line) for line in lines]
    if all(ends) and len(set(ends)) == 1:
        return _off_scale(sheet, pad, lines[0], common_sigma_mm)
    # One half at the end of its ladder and the other within: only the latter is a number.
    inner = [line for line, end in zip(lines, ends, strict=True) if end == 0]
    eyed = _together(sheet, lines)
    if eyed is None or not inner:
        text = "the two halves of the comb contradict each other: look again, or leave it out"
        return _pad(pad, verdict="unread", code="eye-halves", text=text)
    return eyed if len(inner) == len(lines) else _together(sheet, inner) or eyed


def score_picks(sheet: Sheet, picks: Sequence[Pick]) -> SheetScore:
    """Score a sheet from the lines that a person picked.

    Parameters
    ----------
    sheet : Sheet
    picks : sequence of Pick
        At most one for each pad; pads without one are "unread".

    Returns
    -------
    SheetScore
        With ``how="eye"``. A pad whose best line is the highest or the lowest of the ladder is off
        scale, with a bound and no gap.

    Raises
    ------
    PadsheetError
        If no pad has a line.
    """
    if not any(pick.lines for pick in picks):
        raise PadsheetError(
            "no line was named for any pad",
            remedy="Name for at least one pad the line that looks just right.",
            code="eye-empty",
        )
    by_node = {(pick.i, pick.j): pick for pick in picks}
    shapes = [_right_gap_mm(sheet, track)[1] for track in sheet.tracks]
    taste = float(np.hypot(_TASTE_SIGMA_MM, _SHAPE_POWER_SIGMA * np.mean(shapes)))
    judged = [_judge(sheet, pad, by_node.get((pad.i, pad.j)), taste) for pad in sheet.pads]
    told = [(k, one) for k, one in enumerate(judged) if isinstance(one, _Eyed)]
    shape = np.array([one.shape_mm for _, one in told]) * _SHAPE_POWER_SIGMA
    covariance = np.diag([one.own_sigma_mm**2 for _, one in told])
    covariance = covariance + np.outer(shape, shape) + _TASTE_SIGMA_MM**2
    pads = [one for one in judged if isinstance(one, PadScore)]
    for row, (k, one) in enumerate(told):
        pads.append(read_pad(sheet, sheet.pads[k], one.gap_mm, covariance, row))
    placed = {(pad.i, pad.j): pad for pad in pads}
    return SheetScore(
        sheet_id=sheet.id,
        sheet_number=sheet.number,
        target_gap_mm=sheet.target_gap_mm,
        tolerance_mm=sheet.tolerance_mm,
        pads=tuple(placed[pad.i, pad.j] for pad in sheet.pads),
        order=tuple((sheet.pads[k].i, sheet.pads[k].j) for k, _ in told),
        covariance_mm2=covariance,
        common_sigma_mm=float(np.sqrt(covariance.mean())) if told else taste,
        flow=1.0,
        flow_sigma=_FLOW_SIGMA,
        registration_rms_mm=0.0,
        lines_used=0,
        how="eye",
        warnings=(
            "Read by eye, not from a photo: good to about "
            f"{_usual_mm(covariance, taste):.2f} mm a point (95 %), enough to bring a bed near.",
        ),
    )


def _usual_mm(covariance: Floats, taste_mm: float) -> float:
    """Return half the 95 % interval of a usual pad."""
    return Z95 * (float(np.sqrt(np.median(np.diag(covariance)))) if len(covariance) else taste_mm)
