"""The height ladder of the comb, designed for the reach that is asked for.

The ladder is chosen by the worst pad's predicted standard deviation over the whole reach, with the
full model and priors of `widths`, under the rule that the lowest height stays clear of the highest
bed the reach allows.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Motion, Nozzle, Target
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.widths import (
    COMMON,
    ArrowSystem,
    Comb,
    common_priors,
    pad_priors,
    readable,
    tells_something,
    track_widths,
    width_noise_mm,
    widths_and_flow,
)

__all__ = ["FINE_MM", "FIRST_MM", "LARGEST_MM", "Ladder", "design_ladder", "predicted_sigma_mm"]

FINE_MM, FIRST_MM, LARGEST_MM = 0.08, 0.15, 0.20
"""Reach of a `fine` and of a `first` sheet, and the largest that may be asked for."""

# Highest outermost: the mesh's kink at its node is an even shape across the pad that the opposite
# order would take for steps. Mirrored: a bed that slopes across the pad cannot pass for a step.
# The second pattern spends its tracks on the low heights, for reaches so wide that a pad far too
# high leaves the upper ones round.
_PATTERNS = tuple(
    np.array([*half, *half[::-1]]) for half in ((4, 3, 2, 1, 0), (3, 2, 1, 0, 0), (2, 1, 1, 0, 0))
)

# Areas as parts of the bore's: a thinner line is drawn out of the nozzle and unstable.
_AREA_PARTS = (0.80, 0.85, 0.90, 0.95, 1.00, 1.05, 1.10, 1.15, 1.20)
_LEAST_AREA_RATIO = 1.18
# Larger steps would look better still, but take the outer tracks to where the bead's form is least
# known: nearly choked at one end and nearly round at the other.
_STEPS_MM = (0.015, 0.045)
# Up to this reach five distinct heights serve: they show best whether the width really falls.
_FIVE_HEIGHTS_UP_TO_MM = 0.10


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """Ten tracks: heights, areas, and what they can read.

    Attributes
    ----------
    base_mm, step_mm : float
        Middle height, and the height of one step (a whole number of motor steps).
    height_mm, area_mm2 : tuple of float
        Ten values, from left to right.
    reach_mm : (low, high)
        Gap errors that it can read.
    sigma_mm : float
        Predicted standard deviation of the worst pad in that reach, relative to the sheet's mean.
    """

    base_mm: float
    step_mm: float
    height_mm: tuple[float, ...]
    area_mm2: tuple[float, ...]
    reach_mm: tuple[float, float]
    sigma_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choice:
    lowest_mm: float
    step_mm: float
    areas_mm2: tuple[float, float]
    pattern: NDArray[np.int_]


def _comb(
    choice: _Choice,
    pitch_mm: float,
    nozzle: Nozzle,
    target: Target,
) -> Comb:
    areas_mm2 = choice.areas_mm2
    area = np.where(np.arange(10) % 2 == 0, areas_mm2[0], areas_mm2[1])
    return Comb.of(
        np.asarray(choice.lowest_mm + choice.step_mm * choice.pattern, np.float64),
        area,
        np.asarray((np.arange(10) - 4.5) * pitch_mm, np.float64),
        target_mm=target.height_mm,
        flat_mm=nozzle.flat_mm,
    )


def predicted_sigma_mm(comb: Comb, gap_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Predict each pad's standard deviation relative to the mean of a sheet with such pads.

    Parameters
    ----------
    comb : Comb
        The tracks.
    gap_mm : ndarray, shape (P,)
        True gaps of the sheet's pads.

    Returns
    -------
    ndarray, shape (P,)
        From the inverse of the Fisher information, priors included; infinite for a pad of which
        fewer than two heights can be read.
    """
    common, common_sd = common_priors(comb.levels)
    # What a photo does to narrow lines it does to all pads alike: it belongs to the photo's
    # uncertainty, and must not drive the areas to the edge of what the nozzle can draw.
    common_sd = np.where(np.arange(len(common_sd)) == COMMON.index("narrow_mm"), 1e-6, common_sd)
    pad_mean, pad_sd = pad_priors()
    pads = np.tile(pad_mean, (len(gap_mm), 1))
    pads[:, 0] = gap_mm
    width, d_common, d_pad, gap = track_widths(comb, common, pads)
    usable = readable(comb, gap, width)
    weight = np.where(tells_something(comb, gap, width), width_noise_mm(comb, gap) ** -2.0, 0.0)
    covariance = ArrowSystem.build(d_common, d_pad, weight, common_sd, pad_sd).gap_covariance_mm2()
    count = len(gap_mm)
    centring = np.eye(count) - 1.0 / count
    sigma = np.sqrt(np.diag(centring @ covariance @ centring))
    return np.where(_heights_read(comb, usable) >= 2, sigma, np.inf)


def _heights_read(comb: Comb, usable: NDArray[np.bool_]) -> NDArray[np.int_]:
    """Count the distinct heights among the usable tracks (P, T) of each pad, shape (P,)."""
    at_level = comb.level[:, None] == np.arange(comb.levels)
    return np.asarray((usable @ at_level).sum(axis=1), np.int_)


def _reads(comb: Comb, gap_mm: NDArray[np.float64]) -> bool:
    """Tell whether two heights or more can be read at every gap: else a sigma is infinite."""
    common, _ = common_priors(comb.levels)
    pads = np.tile(pad_priors()[0], (len(gap_mm), 1))
    pads[:, 0] = gap_mm
    width, _, gap = widths_and_flow(comb, common, pads)
    return bool((_heights_read(comb, readable(comb, gap, width)) >= 2).all())


def _candidates(low_mm: float, high_mm: float, nozzle: Nozzle, motion: Motion) -> Iterable[_Choice]:
    """Yield ladders that keep the clearance and the machine's limits."""
    steps = [
        n * motion.z_step_mm
        for n in range(1, 40)
        if _STEPS_MM[0] <= n * motion.z_step_mm <= _STEPS_MM[1]
    ] or [motion.z_step_mm]
    # A fine drive offers many steps that differ by little: thin them out.
    steps = steps[:: max(1, len(steps) // 6)]
    pairs = [
        (a * nozzle.bore_area_mm2, b * nozzle.bore_area_mm2)
        for a, b in itertools.combinations(_AREA_PARTS, 2)
        if b / a >= _LEAST_AREA_RATIO
    ]
    lowest = max(-low_mm + motion.clearance_mm, motion.z_lowest_mm)
    patterns = _PATTERNS[:1] if high_mm - low_mm <= 2 * _FIVE_HEIGHTS_UP_TO_MM else _PATTERNS
    for step, extra, pair, pattern in itertools.product(
        steps, (0.0, 0.01, 0.02, 0.03, 0.04, 0.06), pairs, patterns
    ):
        yield _Choice(
            lowest_mm=round(lowest + extra, 4), step_mm=step, areas_mm2=pair, pattern=pattern
        )


def design_ladder(
    reach_mm: tuple[float, float],
    nozzle: Nozzle,
    target: Target,
    motion: Motion,
    *,
    pitch_mm: float = 2.0,
) -> Ladder:
    """Choose base height, step and areas that read the whole reach best.

    Parameters
    ----------
    reach_mm : (low, high)
        Gap errors to be read: `low` below zero (the bed may stand that much too high), `high`
        above it.
    nozzle, target, motion
        Parts of the bed profile.
    pitch_mm : float
        Distance between tracks.

    Raises
    ------
    PadsheetError
        If the reach is not a range about zero within 0.20 mm, or no ladder can read it with this
        nozzle.
    """
    low, high = reach_mm
    if not (-LARGEST_MM <= low < 0 < high <= LARGEST_MM):
        raise PadsheetError(
            f"a reach of {low:+.2f} to {high:+.2f} mm cannot be asked for",
            remedy=f"Ask for a reach above 0 and up to {LARGEST_MM:.2f} mm; set the corner screws "
            "with a sheet of paper first if the bed is further off.",
            code="ladder-reach",
        )
    ladder = _best(reach_mm, nozzle, target, motion, pitch_mm)
    if ladder is None:
        widest_mm = _widest_mm(reach_mm, nozzle, target, motion, pitch_mm)
        raise PadsheetError(
            f"no ladder can read {low:+.2f} to {high:+.2f} mm with a nozzle of "
            f"{nozzle.bore_mm:g} mm at a target height of {target.height_mm:g} mm",
            remedy=f"This nozzle goes as far as --reach {widest_mm:.2f}; set the corner screws "
            "with a sheet of paper first if the bed is further off, or use a larger nozzle bore."
            if widest_mm > 0
            else "Check nozzle, clearance and target height in bed.toml: no reach can be read.",
            code="ladder-impossible",
        )
    return ladder


# A sheet asks for the same ladder with every comb that it tries, and may be laid out twice; one
# that no ladder can read is asked for again where something else is to be advised in its place.
@lru_cache(maxsize=64)
def _best(
    reach_mm: tuple[float, float],
    nozzle: Nozzle,
    target: Target,
    motion: Motion,
    pitch_mm: float,
) -> Ladder | None:
    """Return the ladder that reads the whole reach best, None if none can read it."""
    gaps = _gaps_mm(reach_mm, target)
    best: tuple[float, _Choice, Comb] | None = None
    for choice in _candidates(*reach_mm, nozzle, motion):
        comb = _comb(choice, pitch_mm, nozzle, target)
        if not _reads(comb, gaps):
            continue
        worst = float(predicted_sigma_mm(comb, gaps).max())
        if best is None or worst < best[0] - 1e-6:
            best = (worst, choice, comb)
    if best is None:
        return None
    worst, choice, comb = best
    return Ladder(
        base_mm=round(comb.middle_mm, 4),
        step_mm=choice.step_mm,
        height_mm=tuple(round(float(z), 4) for z in comb.height_mm),
        area_mm2=tuple(round(float(a), 6) for a in comb.area_mm2),
        reach_mm=reach_mm,
        sigma_mm=worst,
    )


def _gaps_mm(reach_mm: tuple[float, float], target: Target) -> NDArray[np.float64]:
    """Return gaps all over a reach, for which a ladder is judged."""
    return target.height_mm + np.linspace(*reach_mm, 13)


@lru_cache(maxsize=64)
def _widest_mm(
    reach_mm: tuple[float, float],
    nozzle: Nozzle,
    target: Target,
    motion: Motion,
    pitch_mm: float,
) -> float:
    """Return the widest reach below `reach_mm`, to a hundredth, that some ladder reads; 0 if none.

    A reach with unequal sides is made narrower in proportion; its wider side is returned.
    """
    wider = max(-reach_mm[0], reach_mm[1])
    for hundredths in range(math.ceil(wider * 100 - 1e-9) - 1, 0, -1):
        low, high = (side / wider * hundredths / 100 for side in reach_mm)
        gaps = _gaps_mm((low, high), target)
        for choice in _candidates(low, high, nozzle, motion):
            if _reads(_comb(choice, pitch_mm, nozzle, target), gaps):
                return hundredths / 100
    return 0.0
