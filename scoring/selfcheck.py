"""The ruler checked against itself: pads lifted by a known height, and what was found of it.

The bed under the pads is not known, but it is smooth, and a checkerboard is the least smooth
pattern there is: so the two can be told apart. What is smooth is the bed or, once a mesh was fitted
to it, the gaps themselves: a plane and bulges, plus the lift of every other pad, plus the stated
uncertainty of the reading. Generalised least squares gives the lift that was found; what each pad
deviates by, when it is predicted from all others, and the sum of squares of all deviations show
whether the stated uncertainties are true.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.known_lift import FittedLift, enough_pads, fit_lift
from padsheet.scoring.mesh import Mesh, interpolate
from padsheet.scoring.phrases import place, signed
from padsheet.scoring.squish import Z95, PadScore, SheetScore, squish_score, verdict

__all__ = [
    "CheckedPad",
    "SelfCheck",
    "self_check",
    "self_check_data",
    "self_check_table",
    "unlifted",
    "what_next",
]

Floats = NDArray[np.float64]

# What is less likely than one in a hundred counts against the ruler, in both tests.
_Z99, _LEAST_PROBABILITY = 2.575829, 0.01
# What a printer's Z may be off by from one height to another, as for the steps of the ladder.
_STEP_SIGMA_MM = 0.004
# If the lift cannot be told better than to a third of itself (95 %), nothing is shown.
_MOST_SIGMA_PART = 1 / 6


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedPad:
    """One pad of a self-check.

    Attributes
    ----------
    known_mm : float
        By how much the G-code lifted it.
    found_mm : float
        Its gap less the gap that all other pads, their known lifts taken out, let expect here.
    sigma_mm : float
        Standard deviation of found less known: of the reading and of the expectation.
    """

    i: int
    j: int
    known_mm: float
    found_mm: float
    sigma_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfCheck:
    """What a self-check showed.

    Attributes
    ----------
    known_mm, found_mm, sigma_mm : float
        The lift in the G-code, the lift that was found, and the standard deviation of the latter,
        the printer's own step error included.
    reading_sigma_mm : float
        What it would be on a bed that is a plane.
    chi2, dof, probability : float, int, float
        Weighted sum of squares of found less known, its degrees of freedom, and how likely a sum as
        large is if the stated uncertainties are true.
    pads : tuple of CheckedPad
        Those that were read.
    outcome : {"trusted", "wrong size", "scatter", "unclear"}
    words : tuple of str
        The outcome in sentences.
    """

    known_mm: float
    found_mm: float
    sigma_mm: float
    reading_sigma_mm: float
    chi2: float
    dof: int
    probability: float
    pads: tuple[CheckedPad, ...]
    outcome: Literal["trusted", "wrong size", "scatter", "unclear"]
    words: tuple[str, ...]

    @property
    def trusted(self) -> bool:
        """Whether the ruler can be trusted on this printer."""
        return self.outcome == "trusted"


def unlifted(score: SheetScore, sheet: Sheet) -> SheetScore:
    """Take the known lifts out of the gaps, so that they tell of the bed again.

    Parameters
    ----------
    score : SheetScore
        As it was read.
    sheet : Sheet
        Tells the lift of each pad.
    """
    lifts = {(pad.i, pad.j): pad.lift_mm for pad in sheet.pads}
    return replace(
        score, pads=tuple(_lowered(pad, lifts[pad.i, pad.j], score) for pad in score.pads)
    )


def _lowered(pad: PadScore, lift_mm: float, score: SheetScore) -> PadScore:
    if not lift_mm or pad.interval_mm is None:
        return pad
    low, high = (None if v is None else max(v - lift_mm, 0.0) for v in pad.interval_mm)
    if pad.gap_mm is None or low is None or high is None:
        return replace(pad, interval_mm=(low, high))
    # The smallest gap that is written: a pad cannot stand in the bed.
    gap = max(pad.gap_mm - lift_mm, 0.001)
    return replace(
        pad,
        gap_mm=gap,
        interval_mm=(low, high),
        squish=squish_score(gap, score.target_gap_mm),
        verdict=verdict((low, high), score.target_gap_mm, score.tolerance_mm),
    )


def self_check(score: SheetScore, sheet: Sheet, mesh: Mesh | None = None) -> SelfCheck:
    """Compare the lifts that were found with the known ones.

    Parameters
    ----------
    score : SheetScore
        As it was read, the lifts still in.
    sheet : Sheet
        A self-check.
    mesh : Mesh, optional
        The mesh in force, if it is known: what it does from point to point is then no scatter.

    Raises
    ------
    PadsheetError
        If too few pads were read.
    """
    xy, gaps, lifts = _read(score, sheet)
    known_mesh = None if mesh is None else interpolate(mesh, xy[:, 0], xy[:, 1])
    raised = lifts > 0
    known = float(lifts[raised].mean()) if raised.any() else 0.0
    if not enough_pads(xy, lifts):
        raise PadsheetError(
            f"too few pads of the self-check were read ({len(gaps)}) to tell lift and bed apart",
            remedy="Take a better photo of it, or print it again with more grid points.",
            code="self-check-few",
        )
    reading = fit_lift(xy, gaps, lifts, score.covariance_mm2, known_mesh)
    sigma = float(np.hypot(reading.sigma_mm, _STEP_SIGMA_MM))
    outcome = _outcome(known, reading.lift_mm, sigma, reading.probability)
    check = SelfCheck(
        known_mm=known,
        found_mm=reading.lift_mm,
        sigma_mm=sigma,
        reading_sigma_mm=reading.plane_sigma_mm,
        chi2=reading.chi2,
        dof=reading.dof,
        probability=reading.probability,
        pads=_checked_pads(score, lifts, reading),
        outcome=outcome,
        words=(),
    )
    return replace(check, words=_words(check, sheet, mesh, unread=len(score.pads) - len(gaps)))


def _checked_pads(score: SheetScore, lifts: Floats, fitted: FittedLift) -> tuple[CheckedPad, ...]:
    """Return known and found lift of each read pad, in the score's order."""
    of_each = zip(score.order, lifts, fitted.apart_mm, fitted.apart_sigma_mm, strict=True)
    return tuple(
        CheckedPad(i=i, j=j, known_mm=float(lift), found_mm=float(lift + away), sigma_mm=float(own))
        for (i, j), lift, away, own in of_each
    )


def _read(score: SheetScore, sheet: Sheet) -> tuple[Floats, Floats, Floats]:
    """Return places (N, 2), gaps and known lifts (N,) of the read pads, in the score's order."""
    scored = {(pad.i, pad.j): pad for pad in score.pads}
    printed = {(pad.i, pad.j): pad for pad in sheet.pads}
    xy = [(printed[node].x_mm, printed[node].y_mm) for node in score.order]
    gaps = [scored[node].gap_mm or 0.0 for node in score.order]
    lifts = [printed[node].lift_mm for node in score.order]
    return np.array(xy, float).reshape(-1, 2), np.array(gaps, float), np.array(lifts, float)


def _outcome(
    known: float, found: float, sigma: float, probability: float
) -> Literal["trusted", "wrong size", "scatter", "unclear"]:
    if abs(found - known) > _Z99 * sigma:
        return "wrong size"
    if probability < _LEAST_PROBABILITY:
        return "scatter"
    # Between one in twenty and one in a hundred it may be chance, but nobody is told to trust it.
    doubtful = abs(found - known) > Z95 * sigma or sigma > _MOST_SIGMA_PART * known
    return "unclear" if doubtful else "trusted"


def _words(check: SelfCheck, sheet: Sheet, mesh: Mesh | None, unread: int) -> tuple[str, ...]:
    """Say in words what the check showed and what to do."""
    size = (
        f"Where pads were printed {check.known_mm:.3f} mm higher, {check.found_mm:.3f} "
        f"+- {Z95 * check.sigma_mm:.3f} mm was found (95 % interval)."
    )
    test = (
        f"Chi-square {check.chi2:.1f} with {check.dof} degrees of freedom: a scatter as large has "
        f"a probability of {_percent(check.probability)} if the stated uncertainties are true."
    )
    said = [_headline(check), size, test, *what_next(check)]
    if mesh is None and sheet.mesh_active != "no":
        said.append(
            "The mesh in force while it was printed is not known, so its steps from point to point "
            "count as scatter: take the mesh in before the next one. --no-mesh is for a bed that "
            "needs none."
        )
    if unread:
        was = "was not read and has" if unread == 1 else "were not read and have"
        said.append(f"{unread} of {len(sheet.pads)} pads {was} no part in this.")
    return tuple(said)


def _headline(check: SelfCheck) -> str:
    told = _lower(_deviation(check))
    return {
        "trusted": "Self-check passed: the ruler can be trusted on this printer. "
        f"{_deviation(check)} A smaller error than that does not show in one print.",
        "wrong size": f"Self-check failed: {told}, which is more than chance. "
        "Do not trust the ruler on this printer yet.",
        "scatter": f"Self-check passed in part: {told}, as far as one print can "
        "tell; but single pads are off by more than their stated uncertainty, or the bed is not "
        "smooth. Trust single points with care.",
        "unclear": f"Self-check undecided: {told}, which does not show whether "
        "the ruler can be trusted.",
    }[check.outcome]


def _lower(sentence: str) -> str:
    return sentence[0].lower() + sentence[1:].rstrip(".")


def _deviation(check: SelfCheck) -> str:
    """Say by how much of the lift the ruler is off, and how sure that is.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> _deviation(SimpleNamespace(known_mm=0.06, found_mm=0.066, sigma_mm=0.005))
    'The ruler reads height differences 10 % larger than they are, +-16 %.'
    """
    percent = round((check.found_mm / check.known_mm - 1) * 100)
    sure = f"+-{Z95 * check.sigma_mm / check.known_mm * 100:.0f} %"
    if percent == 0:
        return f"The ruler reads height differences right, {sure}."
    side = "larger" if percent > 0 else "smaller"
    return f"The ruler reads height differences {abs(percent)} % {side} than they are, {sure}."


def what_next(check: SelfCheck) -> tuple[str, ...]:
    """Say what to do after a self-check that did not pass; empty where it did."""
    if check.outcome == "wrong size":
        return (
            "Look whether the printer's Z is set right (a part measured with calipers), whether "
            "the lines hold firmly, and whether the photo is sharp; then repeat the self-check.",
        )
    if check.outcome == "scatter":
        worst = max(check.pads, key=lambda p: abs(p.found_mm - p.known_mm) / p.sigma_mm)
        return (
            f"Farthest off is {place(worst.i, worst.j)}: found "
            f"{worst.found_mm - worst.known_mm:+.3f} mm against what was known, where "
            f"+-{Z95 * worst.sigma_mm:.3f} mm was to be expected. Look there for dirt, glare, a "
            "dent of the plate or a loose line, then repeat the self-check.",
        )
    if check.outcome == "unclear" and check.sigma_mm > _MOST_SIGMA_PART * check.known_mm:
        if check.reading_sigma_mm > _MOST_SIGMA_PART * check.known_mm:
            return ("Take a sharper, nearer photo in even light and score that.",)
        return (
            "The photo is good enough, but the bed rises and falls too much from pad to pad to "
            "tell that from the lift: correct the bed by ordinary sheets first, with its mesh "
            "taken in, and print the self-check then.",
        )
    if check.outcome == "unclear":
        return (
            "It may be chance: score another photo, or print the self-check again, and see whether "
            "it says the same.",
        )
    return ()


def _percent(probability: float) -> str:
    if probability < 0.001:
        return "less than 0.1 %"
    percent = probability * 100
    return f"{percent:.0f} %" if percent >= 9.5 else f"{percent:.2g} %"


def self_check_table(check: SelfCheck) -> str:
    """Write found less known, one row for each pad that was read."""
    head = "Col Row   Known   Found   Found minus known     +-"
    rows = [
        f"{p.i + 1:3d} {p.j + 1:3d}   {p.known_mm:5.3f}  {signed(p.found_mm, 3):>6}   "
        f"{signed(p.found_mm - p.known_mm, 3):>17}  {Z95 * p.sigma_mm:5.3f}"
        for p in check.pads
    ]
    return "\n".join([head, *rows, "(mm; +- is half the 95 % interval)"])


def self_check_data(check: SelfCheck) -> dict[str, Any]:
    """Return a self-check as plain data for scores.json."""
    return {
        "trusted": check.trusted,
        "outcome": check.outcome,
        "known_mm": check.known_mm,
        "found_mm": check.found_mm,
        "sigma_mm": check.sigma_mm,
        "reading_sigma_mm": check.reading_sigma_mm,
        "chi2": check.chi2,
        "dof": check.dof,
        "probability": check.probability,
        "pads": [asdict(pad) for pad in check.pads],
        "words": list(check.words),
    }
