"""The squish score of a pad and its verdict, and the scores of a whole sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.sheet import Pad, Sheet

__all__ = [
    "Z95",
    "CouponWitness",
    "PadScore",
    "Reason",
    "SheetScore",
    "Verdict",
    "read_pad",
    "squish_score",
    "verdict",
]

Z95 = 1.959964
"""Half the width of a 95 % interval, in standard deviations of a normal distribution."""

Verdict = Literal[
    "on target",
    "shape on target",
    "too little",
    "too much",
    "uncertain",
    "off scale high",
    "off scale low",
    "unread",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a pad was not read: a stable code and a sentence with what to change."""

    code: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CouponWitness:
    """What the coupon of a pad says beside its ladder; it never changes the gap.

    Attributes
    ----------
    seen : {"open", "not clear"}
        Whether its lines surely do not meet.
    ladder : {"agrees", "disagrees"} or None
        What the ladder says to that; None where its interval holds both.
    """

    seen: Literal["open", "not clear"]
    ladder: Literal["agrees", "disagrees"] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PadScore:
    """The answer for one pad.

    Attributes
    ----------
    i, j : int
        Node, from 0 at the smallest x and y.
    x_mm, y_mm : float
        Centre of the comb.
    verdict : str
        By the interval, not by the gap alone; see `verdict`.
    gap_mm : float or None
        Nozzle gap there when the printer is commanded to the target height; None when not read.
    sigma_mm : float or None
        Standard deviation relative to the mean of the sheet.
    sigma_total_mm : float or None
        Standard deviation with the part that all pads share.
    interval_mm : (low, high) or None
        95 % interval of the gap, the shared part included. For "off scale" verdicts, the proven
        bound: (bound, None) for off scale high and (None, bound) for off scale low.
    squish : float or None
        100 x target gap / measured gap.
    reason : Reason or None
        Why there is no gap.
    notes : tuple of str
        What was noticed beside.
    coupon : CouponWitness or None
        What the coupon says; None where there is none or nobody looked.
    """

    i: int
    j: int
    x_mm: float
    y_mm: float
    verdict: Verdict
    gap_mm: float | None = None
    sigma_mm: float | None = None
    sigma_total_mm: float | None = None
    interval_mm: tuple[float | None, float | None] | None = None
    squish: float | None = None
    reason: Reason | None = None
    notes: tuple[str, ...] = ()
    coupon: CouponWitness | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetScore:
    """The scores of one sheet.

    Attributes
    ----------
    sheet_id, sheet_number : str, int
        Of the sheet that was read.
    target_gap_mm, tolerance_mm : float
        Which the pads are judged by.
    pads : tuple of PadScore
        In the order of the sheet's pads.
    covariance_mm2 : ndarray of float, shape (N, N)
        Covariance of the gaps of the read pads (gap_mm not None), in the order of `order`, the
        shared part included.
    order : tuple of (i, j)
        Which pads those are.
    common_sigma_mm : float
        Standard deviation of the part that all pads share.
    flow, flow_sigma : float
        Extruded over commanded volume, and its standard deviation.
    registration_rms_mm : float
        Residual of the printed lines about their predicted places.
    lines_used : int
        How many lines the registration used.
    photos : tuple of str
        File names.
    warnings : tuple of str
        What is doubtful about the whole photo or print, as sentences.
    how : {"photo", "eye"}
        Whether it was read from photos or by eye; by eye there is no registration and no flow.
    """

    sheet_id: str
    sheet_number: int
    target_gap_mm: float
    tolerance_mm: float
    pads: tuple[PadScore, ...]
    order: tuple[tuple[int, int], ...]
    covariance_mm2: NDArray[np.float64]
    common_sigma_mm: float
    flow: float
    flow_sigma: float
    registration_rms_mm: float
    lines_used: int
    photos: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    how: Literal["photo", "eye"] = "photo"


def squish_score(gap_mm: float, target_gap_mm: float) -> float:
    """Return 100 x target / gap: 100 on target, less where the nozzle is too far.

    Examples
    --------
    >>> squish_score(0.25, 0.20)
    80.0
    """
    return 100.0 * target_gap_mm / gap_mm


def verdict(
    interval_mm: tuple[float, float], target_gap_mm: float, tolerance_mm: float
) -> Literal["on target", "too little", "too much", "uncertain"]:
    """Judge a gap by its 95 % interval, not by its point estimate.

    Examples
    --------
    >>> verdict((0.19, 0.22), 0.20, 0.03)
    'on target'
    >>> verdict((0.21, 0.25), 0.20, 0.03)
    'uncertain'
    """
    low, high = interval_mm
    if low >= target_gap_mm - tolerance_mm and high <= target_gap_mm + tolerance_mm:
        return "on target"
    if low > target_gap_mm + tolerance_mm:
        return "too little"
    if high < target_gap_mm - tolerance_mm:
        return "too much"
    return "uncertain"


def read_pad(
    sheet: Sheet, pad: Pad, gap_mm: float, covariance_mm2: NDArray[np.float64], row: int
) -> PadScore:
    """Return the score of a pad whose gap is known.

    Parameters
    ----------
    sheet : Sheet
        Its target and tolerance count.
    pad : Pad
        The pad.
    gap_mm : float
        Its gap.
    covariance_mm2 : ndarray of float, shape (N, N)
        Covariance of the gaps of all pads of the sheet that were read, the shared part included.
    row : int
        Which of them this pad is.
    """
    count = len(covariance_mm2)
    total = float(np.sqrt(covariance_mm2[row, row]))
    from_mean = np.full(count, -1.0 / count)
    from_mean[row] += 1.0
    relative = float(np.sqrt(max(from_mean @ covariance_mm2 @ from_mean, 0.0)))
    # No gap is below nothing, however unsure its reading.
    interval = (max(gap_mm - Z95 * total, 0.0), gap_mm + Z95 * total)
    return PadScore(
        i=pad.i,
        j=pad.j,
        x_mm=pad.x_mm,
        y_mm=pad.y_mm,
        verdict=verdict(interval, sheet.target_gap_mm, sheet.tolerance_mm),
        gap_mm=gap_mm,
        sigma_mm=relative if count > 1 else total,
        sigma_total_mm=total,
        interval_mm=interval,
        squish=squish_score(gap_mm, sheet.target_gap_mm),
    )
