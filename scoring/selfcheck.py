"""The ruler checked against itself: pads lifted by a known height, and what was found of it.

The bed under the pads is not known, but it is smooth, and a checkerboard is the least smooth
pattern there is: so the two can be told apart. The gaps of all pads are taken as a smooth bed (a
quadratic and gentle bulges) plus the lift of every other pad plus the stated uncertainty of the
reading. Generalised least squares gives the lift that was found; what each pad deviates by, when it
is predicted from all others, and the sum of squares of all deviations show whether the stated
uncertainties are true.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Sheet
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
# What the plate's own grain adds at each pad (common practice, no source).
_GRAIN_MM = 0.002
# Bulges of the bed are wider than this many pad distances and, beside the quadratic, no higher than
# this: others count as scatter. With these, beds of 0.2 mm with waves of 150 mm pass in 39 of 40
# simulations, and a single pad that is off by 0.05 mm is caught in every other one.
_BULGE_PITCHES = 1.5
_BULGE_HEIGHTS_MM = np.array([0.0, 0.002, 0.005, 0.01, 0.02, 0.03])
# If the lift cannot be told better than to a third of itself (95 %), nothing is shown.
_MOST_SIGMA_PART = 1 / 6
_FEWEST_DOF, _FEWEST_EACH = 3, 3


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

    Notes
    -----
    The height of the bulges is chosen by restricted maximum likelihood, with the lift left free so
    that a wrong ruler cannot pass for a rough bed (Patterson, Thompson, Biometrika 58 (1971)
    545-554). Each pad's deviation from the prediction by all others comes from one inverse matrix
    (Dubrule, Mathematical Geology 15 (1983) 687-699).
    """
    from scipy.special import chdtrc  # takes long to import, and only this check needs it

    xy, gaps, lifts = _read(score, sheet)
    if mesh is not None:
        gaps = gaps - interpolate(mesh, xy[:, 0], xy[:, 1])
    raised = lifts > 0
    known = float(lifts[raised].mean()) if raised.any() else 0.0
    smooth = _smooth_terms(xy)
    dof = len(gaps) - smooth.shape[1]
    if min(raised.sum(), (~raised).sum()) < _FEWEST_EACH or dof <= _FEWEST_DOF:
        raise PadsheetError(
            f"too few pads of the self-check were read ({len(gaps)}) to tell lift and bed apart",
            remedy="Take a better photo of it, or print it again with more grid points.",
            code="self-check-few",
        )
    noise = score.covariance_mm2 + _GRAIN_MM**2 * np.eye(len(gaps))
    design = np.column_stack([smooth, raised.astype(float)])
    spread = _likeliest_spread(xy, gaps, design, noise)
    found, sigma = _last_coefficient(gaps, design, spread)
    _, _, free = _deviations(gaps, design, spread)
    # Pads that scatter more than stated tell the lift less well in proportion (Birge ratio).
    sigma = float(np.hypot(sigma * max(1.0, np.sqrt(free / (dof - 1))), _STEP_SIGMA_MM))
    apart, own_sigma, statistic = _deviations(gaps - lifts, smooth, spread)
    probability = float(chdtrc(dof, statistic))
    outcome = _outcome(known, found, sigma, probability)
    check = SelfCheck(
        known_mm=known,
        found_mm=found,
        sigma_mm=sigma,
        chi2=statistic,
        dof=dof,
        probability=probability,
        pads=_checked_pads(score, lifts, apart, own_sigma),
        outcome=outcome,
        words=(),
    )
    return replace(check, words=_words(check, sheet, mesh, unread=len(score.pads) - len(gaps)))


def _checked_pads(
    score: SheetScore, lifts: Floats, apart: Floats, sigma: Floats
) -> tuple[CheckedPad, ...]:
    """Return known and found lift of each read pad, in the score's order."""
    return tuple(
        CheckedPad(i=i, j=j, known_mm=float(lift), found_mm=float(lift + away), sigma_mm=float(own))
        for (i, j), lift, away, own in zip(score.order, lifts, apart, sigma, strict=True)
    )


def _read(score: SheetScore, sheet: Sheet) -> tuple[Floats, Floats, Floats]:
    """Return places (N, 2), gaps and known lifts (N,) of the read pads, in the score's order."""
    scored = {(pad.i, pad.j): pad for pad in score.pads}
    printed = {(pad.i, pad.j): pad for pad in sheet.pads}
    xy = [(printed[node].x_mm, printed[node].y_mm) for node in score.order]
    gaps = [scored[node].gap_mm or 0.0 for node in score.order]
    lifts = [printed[node].lift_mm for node in score.order]
    return np.array(xy, float).reshape(-1, 2), np.array(gaps, float), np.array(lifts, float)


def _smooth_terms(xy: Floats) -> Floats:
    """Return a plane, or a quadratic where there are pads enough for it, shape (N, 3 or 6)."""
    if not len(xy):
        return np.ones((0, 3))
    span = np.maximum(np.ptp(xy, axis=0), 1.0)
    x, y = ((xy - xy.mean(axis=0)) / span * 2).T
    plane = [np.ones(len(xy)), x, y]
    if len(xy) >= 12:
        plane += [x * x, x * y, y * y]
    return np.column_stack(plane)


def _likeliest_spread(xy: Floats, gaps: Floats, design: Floats, noise: Floats) -> Floats:
    """Return the covariance of the gaps about their smooth part, shape (N, N)."""
    square = ((xy[:, None] - xy[None]) ** 2).sum(axis=2)
    far = square + np.where(np.eye(len(xy)) > 0, np.inf, 0.0)
    reach = _BULGE_PITCHES * float(np.sqrt(np.median(far.min(axis=1))))
    bulges = np.exp(-square / (2 * reach**2))
    spreads = [noise + height**2 * bulges for height in _BULGE_HEIGHTS_MM]
    return max(spreads, key=lambda spread: _restricted_likelihood(gaps, design, spread))


def _restricted_likelihood(gaps: Floats, design: Floats, spread: Floats) -> float:
    """Return the logarithm of the restricted likelihood, up to a constant."""
    projected, inner = _projection(design, spread)
    logs = np.linalg.slogdet(spread)[1] + np.linalg.slogdet(inner)[1]
    return -0.5 * float(logs + gaps @ projected @ gaps)


def _projection(terms: Floats, spread: Floats) -> tuple[Floats, Floats]:
    """Return the inverse covariance of what `terms` (N, K) leave, (N, N), and theirs, (K, K)."""
    inverse = np.linalg.inv(spread)
    inner = terms.T @ inverse @ terms
    left = inverse - inverse @ terms @ np.linalg.solve(inner, terms.T @ inverse)
    return np.asarray(left), np.asarray(inner)


def _last_coefficient(gaps: Floats, design: Floats, spread: Floats) -> tuple[float, float]:
    """Return the last coefficient of a generalised least-squares fit, and its sigma."""
    weighted = np.linalg.solve(spread, design)
    covariance = np.linalg.inv(design.T @ weighted)
    solution = covariance @ (weighted.T @ gaps)
    return float(solution[-1]), float(np.sqrt(covariance[-1, -1]))


def _deviations(rest: Floats, terms: Floats, spread: Floats) -> tuple[Floats, Floats, float]:
    """Return each pad's deviation from the others' prediction, its sigma, and the chi-square."""
    projected, _ = _projection(terms, spread)
    own = np.diag(projected)
    return projected @ rest / own, 1 / np.sqrt(own), float(rest @ projected @ rest)


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
    said.append("A self-check gives no advice on the bed: that comes from ordinary sheets.")
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
    'It reads height differences 10 % larger than they are, +-16 %.'
    """
    percent = round((check.found_mm / check.known_mm - 1) * 100)
    sure = f"+-{Z95 * check.sigma_mm / check.known_mm * 100:.0f} %"
    if percent == 0:
        return f"It reads height differences right, {sure}."
    side = "larger" if percent > 0 else "smaller"
    return f"It reads height differences {abs(percent)} % {side} than they are, {sure}."


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
        return ("Take a sharper, nearer photo in even light and score that.",)
    if check.outcome == "unclear":
        return (
            "It may be chance: score another photo, or print the self-check again, and see whether "
            "it says the same.",
        )
    return ()


def _percent(probability: float) -> str:
    return "less than 0.1 %" if probability < 0.001 else f"{probability * 100:.2g} %"


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
        "chi2": check.chi2,
        "dof": check.dof,
        "probability": check.probability,
        "pads": [asdict(pad) for pad in check.pads],
        "words": list(check.words),
    }
