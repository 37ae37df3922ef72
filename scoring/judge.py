"""Whether a pad can be trusted: what its tracks show before any gap is fitted, and after.

A choked line and a line from too high can both be narrower than a good one, so a width alone never
decides. The width must fall from the lowest to the highest step; where it does not, the pad has no
gap, and what else the tracks show tells whether it is off the scale or merely unread.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bead import round_diameter_mm, width_mm
from padsheet.patterns.sheet import Pad, Sheet
from padsheet.patterns.widths import CHOKED_BELOW_MM, ROUND_ABOVE
from padsheet.scoring.gaps import GapFit, comb_of
from padsheet.scoring.lines import PadWidths
from padsheet.scoring.medians import median
from padsheet.scoring.squish import PadScore, Reason

__all__ = [
    "LARGEST_SIGMA_MM",
    "after_fit",
    "before_fit",
    "beyond_reach",
    "fall_clearly",
    "falls",
    "hardly_there",
    "off_scale",
    "proven_low",
    "too_uncertain",
]

Floats = NDArray[np.float64]

LARGEST_SIGMA_MM = 0.024
"""No gap that is less sure is given: errors of 0.06 mm could harm, and at this standard deviation
one pad in eighty is that far off."""

_LEAST_SEPARATION = 1.5
# Most pads of a photo that are so far apart show that filament and plate differ.
_CLEAR_SEPARATION = 4.0
_LEAST_PX_PER_MM = 4.0
_MOST_CLIPPED = 0.10
_MOST_MISFIT = 0.12
_FEWEST_TRACKS = 6
_MOST_BLUR_MM = 0.20
_FALL_SIGMAS = 4.0
# Fewer lines tell a fall less surely.
_INNER_SIGMAS = 3.0
_LEAST_FALL = -0.35
# The level of a strand's width is known no better than the photo's bias and the pad's flow: on
# simulated photos of round strands it lay up to 0.07 mm below and 0.14 mm above. How little the
# widths differ, and that they tell the areas apart, is what shows strands.
_ROUND_LEVEL_MM, _ROUND_WORST_MM, _ROUND_WANDER_MM = (-0.10, 0.16), 0.04, 0.008
_ROUND_CONTRAST, _ROUND_FAINT = 0.2, 0.55
_AREA_SIGMAS = 4.0
# Widths that may still fall a little are those of lines that may just be pressed: a nearer bound.
_ROUND_SLOPE, _NEARLY_SLOPE, _NEARLY_ROUND = -0.10, -0.30, 0.85
_WORST_FIT = 4.0
_BEYOND_MM = 0.03
# Lines whose width tells so much less of the gap than at the target are nearly as narrow as can be.
_HARDLY_TOLD = 0.7


def _reason(code: str, text: str) -> Reason:
    return Reason(code=code, text=text)


def before_fit(widths: PadWidths, usual_apart: Floats) -> Reason | None:
    """Return why a pad's tracks cannot be read, or None if they can.

    Parameters
    ----------
    widths : PadWidths
    usual_apart : ndarray, shape (3,)
        Print minus plate as most pads of the sheet show it.
    """
    if not widths.whole:
        return _reason(
            "pad-outside", "part of the pad is outside the photo: take in the whole sheet"
        )
    if widths.px_per_mm < _LEAST_PX_PER_MM:
        return _reason(
            "pad-small",
            "the lines are only a few pixels wide: go nearer, or photograph the bed in parts",
        )
    if widths.separation < _LEAST_SEPARATION:
        return _reason(
            "pad-contrast",
            "print and plate look alike here: change the light or use another filament colour",
        )
    if widths.clipped_share > _MOST_CLIPPED:
        return _reason(
            "pad-glare", "glare covers the pad: move the lamp or stand where it does not mirror"
        )
    if float(widths.apart @ usual_apart) <= 0.05 * float(usual_apart @ usual_apart):
        return _reason(
            "pad-glare",
            "the plate mirrors a light here, so that it is brighter than elsewhere: move the lamp, "
            "or stand where nothing mirrors",
        )
    read = int(np.isfinite(widths.width_mm).sum())
    if read < _FEWEST_TRACKS:
        return _reason(
            "pad-tracks",
            f"only {read} of {len(widths.width_mm)} lines can be made out: clean the plate, look "
            "for a clip, a shadow or a line that came off",
        )
    if widths.misfit > _MOST_MISFIT:
        return _reason(
            "pad-edges",
            "the edges of the lines look strange here, as under a mirrored light or one that "
            "grazes the plate: light from all sides helps",
        )
    if widths.blur_mm > _MOST_BLUR_MM:
        if widths.only_colour_is_blurred:
            return _reason(
                "pad-contrast",
                "print and plate are equally bright here, and phones blur colour: use a lighter or "
                "darker filament",
            )
        return _reason(
            "pad-blur", "the photo is blurred here: hold still, tap to focus, more light"
        )
    return None


def hardly_there(scores: Sequence[PadScore], widths: Sequence[PadWidths]) -> tuple[PadScore, ...]:
    """Name the likelier cause where print and plate look alike on a few pads of a clear photo.

    Where most other pads show that filament and plate differ, hardly any of the print is there:
    the nozzle may be nearly in the bed, but the light may be spoilt too. So the pad stays unread.

    Parameters
    ----------
    scores, widths : sequence of PadScore, of PadWidths
        Of all pads of one photo, in the same order.
    """
    seen = [w.separation >= _CLEAR_SEPARATION for w in widths if w.whole]
    told = list(scores)
    for k, (score, width) in enumerate(zip(scores, widths, strict=True)):
        alike = score.reason is not None and score.reason.code == "pad-contrast"
        # The pad itself is among those seen, but not clear.
        if not alike or width.separation >= _LEAST_SEPARATION or 2 * sum(seen) <= len(seen) - 1:
            continue
        low = any(
            max(abs(other.i - score.i), abs(other.j - score.j)) == 1
            and other.verdict == "off scale low"
            for other in scores
        )
        beside = " as beside it" if low else ""
        told[k] = replace(
            score,
            reason=_reason(
                "pad-contrast",
                f"lines hardly there: the nozzle is perhaps much too near the bed here{beside}, or "
                "the light is spoilt: look at the print; thin scrapes mean that the nozzle must "
                "come up here, good lines that the photo needs another light",
            ),
        )
    return tuple(told)


def falls(sheet: Sheet, widths: PadWidths) -> tuple[float, float]:
    """Return by how much the width falls with height, in mm per mm, and its standard deviation.

    A straight line through the widths over height and area; its slope is near -2 mm per mm on a
    good pad and near zero on one that is choked or round.
    """
    slope, sigma, _ = _slopes(sheet, [widths], np.ones(len(widths.width_mm), dtype=np.bool_))
    return float(slope[0]), float(sigma[0])


def _slopes(
    sheet: Sheet, pads: Sequence[PadWidths], kept: NDArray[np.bool_]
) -> tuple[Floats, Floats, Floats]:
    """Return the slopes over height, their standard deviations, and the slopes over area per mm.

    Each of shape (P,), from the tracks that are `kept` (T,).
    """
    comb = comb_of(sheet)
    width = np.array([pad.width_mm for pad in pads])
    read = np.isfinite(width) & kept
    sigma = np.hypot(np.array([pad.sigma_mm for pad in pads]), 0.012)
    weight = np.where(read, 1 / sigma, 0.0)
    design = np.stack([np.ones(len(kept)), comb.height_mm, comb.area_mm2], axis=1)
    scaled = design * weight[..., None]
    seen = np.where(read, width, 0.0) * weight
    inverse = np.linalg.pinv(scaled, rcond=1e-10)
    solution = (inverse @ seen[..., None])[..., 0]
    residual = seen - (scaled @ solution[..., None])[..., 0]
    count = read.sum(axis=1)
    scatter = (residual**2).sum(axis=1) / np.maximum(count - 3, 1)
    spread = np.sqrt((inverse[:, 1] ** 2).sum(axis=1)) * np.maximum(1.0, np.sqrt(scatter) / 2)
    few = count < 4
    return (
        np.where(few, 0.0, solution[:, 1]),
        np.where(few, np.inf, spread),
        np.where(few, 0.0, solution[:, 2]),
    )


def fall_clearly(sheet: Sheet, pads: Sequence[PadWidths]) -> NDArray[np.bool_]:
    """Tell which pads have widths that fall with height, as no smear's and no free strand's do.

    The width must fall without the highest lines too, and follow the area: a smear has no width of
    its own; where the nozzle just clears the bed at the highest step, the outermost lines are laid,
    and thin, and they alone would make a fall of it. The lowest lines are tried with the others and
    without them, as they may be choked on a pad that is otherwise good.
    """
    comb = comb_of(sheet)
    below = comb.height_mm < comb.height_mm.max() - 1e-6
    # No line follows its area less than a free strand; half of that is left to the noise.
    free = np.ptp(round_diameter_mm(comb.area_mm2)) / max(float(np.ptp(comb.area_mm2)), 1e-9)
    least = float(free) / 2
    within = np.zeros(len(pads), dtype=np.bool_)
    for kept in (below, below & (comb.height_mm > comb.height_mm.min() + 1e-6)):
        slope, sigma, over_area = _slopes(sheet, pads, kept)
        within |= (slope < -_INNER_SIGMAS * sigma) & (slope < _LEAST_FALL) & (over_area > least)
    slope, sigma, _ = _slopes(sheet, pads, np.ones_like(below))
    return np.asarray(within & (slope < -_FALL_SIGMAS * sigma) & (slope < _LEAST_FALL))


def off_scale(sheet: Sheet, pad: Pad, widths: PadWidths) -> PadScore | None:
    """Apply the falling-width rule to a pad whose tracks can be read.

    Returns
    -------
    PadScore or None
        None where the width falls, so that the ladder may be fitted. Otherwise "off scale high"
        when the widths agree with free round strands, "off scale low" when the lines are faint or
        broken, and "unread" when neither is shown.
    """
    if fall_clearly(sheet, [widths])[0]:
        return None
    slope, sigma = falls(sheet, widths)
    comb = comb_of(sheet)
    diameter = round_diameter_mm(comb.area_mm2)
    read = np.isfinite(widths.width_mm)
    away = widths.width_mm[read] - diameter[read]
    lowest = float(comb.height_mm.min()) - sheet.target_gap_mm
    here = PadScore(i=pad.i, j=pad.j, x_mm=pad.x_mm, y_mm=pad.y_mm, verdict="unread")
    wander = median(widths.wander_mm)
    if (
        _ROUND_LEVEL_MM[0] < (level := median(away)) < _ROUND_LEVEL_MM[1]
        and np.sort(np.abs(away - level))[-2] < _ROUND_WORST_MM
        and slope > _NEARLY_SLOPE
        and read.sum() >= 8
        and (wander > _ROUND_WANDER_MM or _tells_areas(sheet, widths))
        and _looks_alike(sheet, widths)
    ):
        part = ROUND_ABOVE if slope > _ROUND_SLOPE else _NEARLY_ROUND
        bound = float(diameter.min()) * part - lowest
        return replace(
            here,
            verdict="off scale high",
            interval_mm=(bound, None),
            reason=_reason(
                "pad-high",
                "even the lowest line lies round on the plate: the nozzle is too far from the bed "
                "here for this sheet",
            ),
        )
    inner = comb.height_mm <= comb.height_mm.min() + 1e-6
    outer = comb.height_mm >= comb.height_mm.max() - 1e-6
    below, above = (widths.width_mm[rows][read[rows]] for rows in (inner, outer))
    narrow_below = bool(below.size and above.size) and below.mean() < above.mean()
    faint_below = np.nanmean(widths.contrast[inner]) < 0.75 * np.nanmean(widths.contrast[outer])
    if slope > _FALL_SIGMAS * sigma and narrow_below and faint_below:
        highest = float(comb.height_mm.max()) - sheet.target_gap_mm
        return replace(
            here,
            verdict="off scale low",
            interval_mm=(None, max(CHOKED_BELOW_MM - lowest, 0.0) + max(0.0, -highest)),
            reason=_reason(
                "pad-low",
                "the low lines are faint and thin: the nozzle is too near the bed here for this "
                "sheet",
            ),
        )
    return replace(
        here,
        verdict="unread",
        reason=_reason(
            "pad-no-fall",
            "the lines do not get narrower with the height: the nozzle may be much too near or "
            "much too far here; look at the print",
        ),
    )


def beyond_reach(sheet: Sheet, pad: Pad, gap_mm: float) -> PadScore | None:
    """Return a bound in place of a gap that lies clearly outside what the sheet can read.

    There the widths hardly tell the gap: how far it is, is the model's word alone.
    """
    low, high = (sheet.target_gap_mm + reach for reach in sheet.reach_mm)
    here = PadScore(i=pad.i, j=pad.j, x_mm=pad.x_mm, y_mm=pad.y_mm, verdict="unread")
    if gap_mm > high + _BEYOND_MM:
        return replace(
            here,
            verdict="off scale high",
            interval_mm=(high, None),
            reason=_reason(
                "pad-high",
                "the nozzle is further from the bed here than this sheet can tell",
            ),
        )
    if gap_mm < low - _BEYOND_MM:
        return replace(
            here,
            verdict="off scale low",
            interval_mm=(None, low),
            reason=_reason(
                "pad-low", "the nozzle is nearer to the bed here than this sheet can tell"
            ),
        )
    return None


def _tells_areas(sheet: Sheet, widths: PadWidths) -> bool:
    """Tell whether thick and thin lines, each alike at all heights, surely differ in width.

    A strand just laid on the plate need not wander. But a smear has no width of its own that goes
    with the area, and a line that is pressed is not alike at all heights.
    """
    small = comb_of(sheet).area_mm2 < comb_of(sheet).area_mm2.mean()
    read = np.isfinite(widths.width_mm)
    thin, thick = widths.width_mm[read & small], widths.width_mm[read & ~small]
    if min(len(thin), len(thick)) < 3:
        return False
    spread = np.hypot(
        thin.std(ddof=1) / np.sqrt(len(thin)), thick.std(ddof=1) / np.sqrt(len(thick))
    )
    return bool(thick.mean() - thin.mean() > _AREA_SIGMAS * spread)


def _looks_alike(sheet: Sheet, widths: PadWidths) -> bool:
    """Tell whether the tracks look like free strands: one brightness, and the areas told apart.

    A smear from a nozzle that rubs on the bed may be as wide as a strand, but it is faint, most of
    all below, and its width does not follow the area.
    """
    comb = comb_of(sheet)
    low = comb.height_mm <= comb.height_mm.min() + 1e-6
    high = comb.height_mm >= comb.height_mm.max() - 1e-6
    share = np.nanmean(widths.contrast[low]) / max(float(np.nanmean(widths.contrast[high])), 1e-6)
    small = comb.area_mm2 < comb.area_mm2.mean()
    apart = median(widths.width_mm[~small]) - median(widths.width_mm[small])
    diameter = round_diameter_mm(comb.area_mm2)
    expected = float(diameter.max() - diameter.min())
    told = expected / 2 < float(apart) < 2 * expected
    full = median(widths.contrast) > _ROUND_FAINT
    return abs(share - 1.0) < _ROUND_CONTRAST and told and full


def proven_low(sheet: Sheet, score: PadScore, ceilings_mm: Floats) -> PadScore:
    """Return a pad without a gap as "off scale low" where its widest lines prove it too near.

    A line much wider than a free strand is pressed, and the wider, the nearer the nozzle is; no
    line from too high is so. The low lines of such a pad may be choked, and smears of any width.
    So the lines of the upper half of the heights are asked, and each half of the comb, printed by
    itself, must prove it; what both prove is the bound.

    Parameters
    ----------
    score : PadScore
        As judged; "unread", or "off scale low" with a bound that may be too loose.
    ceilings_mm : ndarray, shape (T,)
        Of each line, see `padsheet.scoring.gaps.ceilings_mm`.
    """
    comb = comb_of(sheet)
    levels = np.unique(comb.level)
    upper = comb.level >= median(levels)
    sides = [upper & (comb.offset_mm < 0), upper & (comb.offset_mm > 0)]
    bound = max(float(ceilings_mm[side].min()) if side.any() else np.inf for side in sides)
    known = (score.interval_mm or (None, None))[1]
    if bound >= min(sheet.target_gap_mm, np.inf if known is None else known):
        return score
    return replace(
        score,
        verdict="off scale low",
        interval_mm=(None, bound),
        reason=_reason(
            "pad-low",
            "even the high lines are pressed wide, and the low ones tell nothing: the nozzle is "
            "too near the bed here for this sheet",
        ),
    )


def after_fit(sheet: Sheet, fit: GapFit, row: int) -> Reason | None:
    """Return why the fitted gap of a pad is not to be trusted, or None."""
    weight = fit.weight[row]
    used = weight > 0
    scaled = np.abs(fit.normalised[row][used])
    if used.sum() < 5:
        return _reason(
            "pad-few-steps",
            "too few heights of this pad tell anything: the nozzle is near the end of the sheet's "
            "reach here",
        )
    if np.sqrt(np.mean(np.minimum(scaled, 8.0) ** 2)) > _WORST_FIT or (scaled > 6).sum() >= 3:
        return _reason(
            "pad-misfit",
            "the widths do not follow one gap: look for a scratch, a string, a shadow or a line "
            "that came off",
        )
    return too_uncertain(
        sheet, float(fit.gap_mm[row]), float(np.sqrt(fit.covariance_mm2[row, row]))
    )


def too_uncertain(sheet: Sheet, gap_mm: float, sigma_mm: float) -> Reason | None:
    """Return why a gap of this standard deviation is not given, or None.

    The farther the nozzle is from the bed, the less a line's width tells of how far; where it would
    tell enough at the target, the photo is not to blame.
    """
    if sigma_mm <= LARGEST_SIGMA_MM:
        return None
    told = _width_slope(sheet, gap_mm) / _width_slope(sheet, sheet.target_gap_mm)
    if told < _HARDLY_TOLD and sigma_mm * told <= LARGEST_SIGMA_MM:
        return _reason(
            "pad-few-steps",
            "the lines are nearly as narrow as they can be and hardly tell the gap: the nozzle is "
            "rather too far from the bed here, near the end of the sheet's reach",
        )
    return _reason(
        "pad-uncertain",
        "the gap cannot be told well enough here: take the photo nearer, sharper and in even light",
    )


def _width_slope(sheet: Sheet, gap_mm: float) -> float:
    """Return by how much lines get narrower with the gap, mm per mm, over the whole ladder."""
    comb = comb_of(sheet)
    heights_mm = np.maximum(comb.height_mm + gap_mm - sheet.target_gap_mm, CHOKED_BELOW_MM)
    step_mm = 0.005
    narrower = width_mm(comb.area_mm2, heights_mm) - width_mm(comb.area_mm2, heights_mm + step_mm)
    # A line that is round gets no narrower.
    return float(np.maximum(narrower, 0.0).mean() / step_mm) + 1e-3
