"""From the widths of all tracks of all pads to the nozzle gap of each pad, with its covariance.

The joint robust fit of the model in `padsheet.patterns.widths`: the gap of each pad is what one
shape of w(gap) over its known height steps says, whatever constant the photo or the bead adds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bead import round_diameter_mm
from padsheet.patterns.sheet import Sheet, Track
from padsheet.patterns.widths import (
    COMMON,
    PAD,
    ArrowSystem,
    Comb,
    common_priors,
    pad_priors,
    tells_something,
    track_widths,
    widths_and_flow,
)
from padsheet.scoring.medians import median

__all__ = ["GapFit", "TrackData", "ceilings_mm", "comb_of", "fit_gaps"]

Floats = NDArray[np.float64]

_ROUNDS = 30
# A fit whose gaps all move by less than this is done, and one from which gaps are looked for again.
_STILL_MM, _NEARLY_STILL_MM = 3e-5, 1e-3
# A strand that is hardly pressed has no flat top: its edges look another way than those of other
# lines, by so much when it is round, and less and less down to this part of the round diameter.
_ROUND_SD_MM, _HARDLY_PRESSED = 0.08, 0.75
# Flow differs from track to track by this much (relative); no photo shows it as scatter along one.
_TRACK_FLOW_SD = 0.008
_STUDENT_DOF = 4.0
# So many pads and trial gaps together take the least time each.
_SCANNED_AT_ONCE = 1000
_CENSORED_COST = 1.5
# How far the widening by cut-off highlights, and what narrow lines have of it, may differ from what
# it seems to be (relative).
_HIGHLIGHT_SD = 0.6
_HIGHLIGHT_GAP_MM = 0.25
# A width that is wider by this many standard deviations than a gap could give proves it nearer.
_SURELY_WIDER = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackData:
    """Measured widths of P pads with T tracks each; NaN where nothing was read.

    Attributes
    ----------
    width_mm, sigma_mm : ndarray, shape (P, T)
    kappa : ndarray, shape (P, 1)
        ``1/cos(theta) - 1`` of the viewing angle across the tracks.
    kink_mm : ndarray, shape (P, T)
        What the mesh in force adds at each track to its value at the pad's centre.
    doubt : ndarray, shape (P,)
        How many times wider than usual the photo's edge bias may be, 1 for lines that look like
        clean bars.
    kink_sd : float
        How strong the kink of a mesh may be that was in force but is not known, in millimetres
        per millimetre to either side of the pad's centre.
    highlight_mm : ndarray, shape (P,), optional
        By how much cut-off highlights seem to have widened the lines; see
        `padsheet.scoring.highlights`.
    narrower : ndarray, shape (P,), optional
        By which part of its height a line is seen narrower, since its sides are lit less than its
        top; see `padsheet.scoring.shading`.
    """

    width_mm: Floats
    sigma_mm: Floats
    kappa: Floats
    kink_mm: Floats
    doubt: Floats
    kink_sd: float = 1e-6
    highlight_mm: Floats | None = None
    narrower: Floats | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GapFit:
    """The joint fit.

    Attributes
    ----------
    gap_mm : ndarray, shape (P,)
        Gap at each pad's centre at the target height.
    covariance_mm2 : ndarray, shape (P, P)
    common, pads : ndarray
        All parameters, see `padsheet.patterns.widths`.
    common_covariance : ndarray, shape (C, C)
    fitted_mm : ndarray, shape (P, T)
        Predicted widths.
    track_gap_mm : ndarray, shape (P, T)
    weight : ndarray, shape (P, T)
        Weight of each track in 1/mm2; 0 where it says nothing.
    normalised : ndarray, shape (P, T)
        Residuals in standard deviations; NaN where nothing was read.
    inflation : float
        Factor by which the residuals exceed what the widths' own scatter claims.
    strain : float
        How far the common parameters are pulled from what they can be, in standard deviations, at
        least 1.
    """

    gap_mm: Floats
    covariance_mm2: Floats
    common: Floats
    pads: Floats
    common_covariance: Floats
    fitted_mm: Floats
    track_gap_mm: Floats
    weight: Floats
    normalised: Floats
    inflation: float
    strain: float = 1.0


def comb_of(sheet: Sheet) -> Comb:
    """Return the sheet's tracks as arrays."""
    return _comb(sheet.tracks, sheet.target_gap_mm, sheet.flat_mm)


@lru_cache(maxsize=4)
def _comb(tracks: tuple[Track, ...], target_mm: float, flat_mm: float) -> Comb:
    # Kept, since every pad asks for it, several times.
    return Comb.of(
        np.array([t.height_mm for t in tracks]),
        np.array([t.area_mm2 for t in tracks]),
        np.array([t.offset_mm for t in tracks]),
        target_mm=target_mm,
        flat_mm=flat_mm,
    )


def _noise(comb: Comb, data: TrackData, gap: Floats, inflation: float) -> Floats:
    """Return the standard deviation of each width, shape (P, T)."""
    flow = _TRACK_FLOW_SD * comb.area_mm2 / np.maximum(gap, 0.06)
    seen = np.where(np.isfinite(data.sigma_mm), data.sigma_mm, 1.0)
    sigma = inflation * np.sqrt(np.maximum(seen, 0.001) ** 2 + flow**2)
    part = gap / round_diameter_mm(comb.area_mm2)
    rounding = np.clip((part - _HARDLY_PRESSED) / (1 - _HARDLY_PRESSED), 0.0, 1.0)
    return np.asarray(np.hypot(sigma, _ROUND_SD_MM * rounding))


def _scan_gaps(
    comb: Comb, data: TrackData, common: Floats, pads: Floats, candidates: Floats
) -> tuple[Floats, Floats]:
    """Find each pad's gap on a grid, the pad's other parameters held.

    A track that the model puts below the choking gap or above the flat's width costs a constant:
    it can neither support a gap nor be explained away for nothing.

    Returns
    -------
    best : ndarray, shape (P,)
    cost : ndarray, shape (P, G)
    """
    count = len(pads)
    groups = np.array_split(candidates, -(-count * len(candidates) // _SCANNED_AT_ONCE))
    costs = []
    for group in groups:
        trial = np.tile(pads, (len(group), 1))
        trial[:, 0] = group.repeat(count)
        every = _repeated(data, len(group))
        width, by_flow, under = widths_and_flow(
            comb, common, trial, kappa=every.kappa, kink_mm=every.kink_mm
        )
        # The nuisances that are held here may move the width by this much.
        slack = np.sqrt((by_flow * 0.06) ** 2 + 0.03**2)
        sigma = np.hypot(_noise(comb, every, under, 1.5), slack)
        read = np.isfinite(every.width_mm)
        away = (np.where(read, every.width_mm, 0) - width) / sigma
        cost = np.log1p(away**2 / _STUDENT_DOF) * (_STUDENT_DOF + 1) / 2 + np.log(sigma / 0.03)
        told = tells_something(comb, under, width)
        of_track = np.where(read, np.where(told, cost, _CENSORED_COST), 0)
        costs.append(of_track.sum(axis=1).reshape(len(group), count))
    cost_of = np.concatenate(costs).T
    return candidates[np.argmin(cost_of, axis=1)], cost_of


def _repeated(data: TrackData, times: int) -> TrackData:
    """Return the data so many times, one after the other."""
    width, sigma, kappa, kink = (
        np.tile(values, (times, 1))
        for values in (data.width_mm, data.sigma_mm, data.kappa, data.kink_mm)
    )
    doubt = np.tile(data.doubt, times)
    return replace(data, width_mm=width, sigma_mm=sigma, kappa=kappa, kink_mm=kink, doubt=doubt)


def fit_gaps(sheet: Sheet, data: TrackData) -> GapFit:
    """Fit the gaps of all pads together.

    Parameters
    ----------
    sheet : Sheet
        Its tracks tell heights and areas.
    data : TrackData
        Pads that should take part, with at least some tracks read.

    Returns
    -------
    GapFit
        Covariance from the Jacobian, scaled by the residuals where they exceed the claimed noise.
    """
    comb = comb_of(sheet)
    common = common_priors(comb.levels)[0].copy()
    pads = np.tile(pad_priors()[0], (len(data.width_mm), 1))
    low = sheet.target_gap_mm + sheet.reach_mm[0] - 0.06
    high = sheet.target_gap_mm + sheet.reach_mm[1] + 0.10
    candidates = np.arange(max(low, 0.02), high, 0.004)
    coarse = candidates[::2]
    pads[:, 0] = _scan_gaps(comb, data, common, pads, candidates)[0]
    inflation = 1.0
    for turn in range(3):
        still_mm = _NEARLY_STILL_MM if turn < 2 else _STILL_MM
        common, pads = _solve(comb, data, common, pads, inflation, still_mm)
        if turn < 2:
            # Now that flow and bias are better known, look again for a better valley.
            # A valley is wider than two steps, and its bottom is left to the fit.
            scanned, costs = _scan_gaps(comb, data, common, pads, coarse)
            here = np.array(
                [np.interp(g, coarse, row) for g, row in zip(pads[:, 0], costs, strict=True)]
            )
            jump = here > costs.min(axis=1) + 4.0
            pads[jump, 0] = scanned[jump]
            pads[jump, 1:] = pad_priors()[0][1:]
            inflation = _inflation(comb, data, common, pads)
    return _result(comb, data, common, pads, inflation)


def _weights(
    comb: Comb, data: TrackData, width: Floats, gap: Floats, inflation: float
) -> tuple[Floats, Floats]:
    """Return robust weights (Student's t) and residuals, shape (P, T)."""
    told = np.isfinite(data.width_mm) & tells_something(comb, gap, width)
    sigma = _noise(comb, data, gap, inflation)
    residual = np.where(told, np.where(told, data.width_mm, 0) - width, 0.0)
    robust = (_STUDENT_DOF + 1) / (_STUDENT_DOF + (residual / sigma) ** 2)
    return np.where(told, robust / sigma**2, 0.0), residual


def _priors(comb: Comb, data: TrackData) -> tuple[Floats, Floats, Floats, Floats]:
    """Return mean and sigma of common (C,) and pad (P, 7) parameters, widened where in doubt."""
    common_mean, common_sd = common_priors(comb.levels)
    pad_mean, pad_sd = (np.tile(prior, (len(data.doubt), 1)) for prior in pad_priors())
    common_sd = common_sd.copy()
    shared = median(data.doubt)
    common_sd[COMMON.index("bias_mm")] *= shared
    pad_sd[:, PAD.index("bias_mm")] *= data.doubt
    pad_sd[:, PAD.index("kink")] = data.kink_sd
    if data.narrower is not None:
        pad_mean[:, PAD.index("side_factor")] = -data.narrower
    if data.highlight_mm is not None:
        # Blur added after the cut hides some of it, and what is added then is not known.
        unsure = _HIGHLIGHT_SD * np.abs(data.highlight_mm)
        bias, narrow, side = (PAD.index(n) for n in ("bias_mm", "narrow_mm", "side_factor"))
        pad_mean[:, bias] = data.highlight_mm
        pad_sd[:, bias] = np.hypot(pad_sd[:, bias], unsure)
        pad_sd[:, narrow] = np.hypot(pad_sd[:, narrow], unsure)
        pad_sd[:, side] = np.hypot(pad_sd[:, side], unsure / _HIGHLIGHT_GAP_MM)
    return common_mean, common_sd, pad_mean, pad_sd


def _solve(
    comb: Comb,
    data: TrackData,
    common: Floats,
    pads: Floats,
    inflation: float,
    still_mm: float,
) -> tuple[Floats, Floats]:
    """Iterate damped Gauss-Newton steps on the arrow system."""
    common_mean, common_sd, pad_mean, pad_sd = _priors(comb, data)
    last, calm = np.zeros(len(pads)), np.ones(len(pads))
    for _ in range(_ROUNDS):
        width, d_common, d_pad, gap = track_widths(
            comb, common, pads, kappa=data.kappa, kink_mm=data.kink_mm
        )
        weight, residual = _weights(comb, data, width, gap, inflation)
        system = ArrowSystem.build(d_common, d_pad, weight, common_sd, pad_sd)
        pull = weight * residual
        on_common = np.einsum("pt,ptc->c", pull, d_common) + (common_mean - common) / common_sd**2
        on_pads = np.einsum("pt,pti->pi", pull, d_pad) + (pad_mean - pads) / pad_sd**2
        change, own = system.step(on_common, on_pads)
        # A pad whose gap would jump takes a part of its step: the model bends strongly.
        limit = np.minimum(1.0, 0.02 / np.maximum(np.abs(own[:, :1]), 1e-9))
        common = common + change * float(limit.min() if limit.min() > 0.2 else 0.5)
        common[1] = max(common[1], 0.0)
        # One that swings over the edge of what a track tells takes smaller and smaller steps.
        calm = np.where(own[:, 0] * last < 0, calm / 2, calm)
        last = own[:, 0]
        own *= limit * calm[:, None]
        pads = pads + own
        if np.abs(own[:, 0]).max() < still_mm:
            break
    return common, pads


def ceilings_mm(
    sheet: Sheet, data: TrackData, fit: GapFit, edge_sigma_mm: Floats | float = 0.0
) -> Floats:
    """Return for each track the largest gap of its pad that could still give so wide a line.

    What flow, edge bias and all else may be is taken from the fit of the sheet's other pads, with
    its covariance, and from the priors of what is the pad's own. A line that is choked, or a smear,
    is narrower than the model has it, and so its ceiling only lies too high.

    Parameters
    ----------
    sheet : Sheet
    data : TrackData
        Pads that need not have taken part in the fit.
    fit : GapFit
        Of other pads of the same photo.
    edge_sigma_mm : ndarray, shape (P,), or float
        What may be wrong with each pad's gap besides, in standard deviations, from edges that the
        fit does not know.

    Returns
    -------
    ndarray, shape (P, T)
        Gap at the pad's centre at the target height; infinite where the line may as well be a
        free strand, from any height, or was not read.
    """
    comb = comb_of(sheet)
    _, _, pad_mean, pad_sd = _priors(comb, data)
    lowest = float(comb.height_mm.min()) - sheet.target_gap_mm
    trials = np.arange(0.02, 2 * float(round_diameter_mm(comb.area_mm2).max()) - lowest, 0.004)
    shared = fit.common_covariance * fit.strain**2
    edge = np.broadcast_to(edge_sigma_mm, (len(pad_mean),))[:, None]
    ceiling = np.zeros(data.width_mm.shape)
    for gap in trials:
        pads = pad_mean.copy()
        pads[:, 0] = gap
        width, d_common, d_pad, under = track_widths(
            comb, fit.common, pads, kappa=data.kappa, kink_mm=data.kink_mm
        )
        variance = (
            np.einsum("ptc,cd,ptd->pt", d_common, shared, d_common)
            + ((d_pad[..., 1:] * pad_sd[:, None, 1:]) ** 2).sum(axis=2)
            + (d_pad[..., 0] * edge) ** 2
            + _noise(comb, data, under, fit.inflation) ** 2
        )
        possible = ~(data.width_mm - width > _SURELY_WIDER * np.sqrt(variance))
        ceiling = np.where(possible, gap, ceiling)
    return np.where(ceiling >= trials[-1] - 1e-9, np.inf, ceiling)


def _inflation(comb: Comb, data: TrackData, common: Floats, pads: Floats) -> float:
    """Return by how much the residuals exceed their claimed sigma, from their middle half."""
    width, _, _, gap = track_widths(comb, common, pads, kappa=data.kappa, kink_mm=data.kink_mm)
    weight, residual = _weights(comb, data, width, gap, 1.0)
    scaled = np.abs(residual / _noise(comb, data, gap, 1.0))[weight > 0]
    if len(scaled) < 20:
        return 1.5
    # Each pad fits some three numbers of its own to its tracks.
    share = len(scaled) / max(len(scaled) - 3.0 * len(pads), 0.3 * len(scaled))
    return float(np.clip(1.4826 * median(scaled) * np.sqrt(share), 1.0, 12.0))


def _birge(comb: Comb, data: TrackData, common: Floats) -> float:
    """Return by how much the common parameters strain their priors, at least 1.

    A photo whose edges are of another kind than the model's pulls flow, side factor and bias far
    from what they can be; the part that all pads share is then less sure in proportion, after
    Birge, Physical Review 40 (1932) 207-227.
    """
    mean, sd, _, _ = _priors(comb, data)
    named = len(COMMON)
    strain = ((common[:named] - mean[:named]) / sd[:named]) ** 2
    return max(1.0, float(np.sqrt(strain.sum() / named)))


def _result(comb: Comb, data: TrackData, common: Floats, pads: Floats, inflation: float) -> GapFit:
    width, d_common, d_pad, gap = track_widths(
        comb, common, pads, kappa=data.kappa, kink_mm=data.kink_mm
    )
    weight, _ = _weights(comb, data, width, gap, inflation)
    _, common_sd, _, pad_sd = _priors(comb, data)
    system = ArrowSystem.build(d_common, d_pad, weight, common_sd, pad_sd)
    sigma = _noise(comb, data, gap, inflation)
    read = np.isfinite(data.width_mm)
    covariance = system.gap_covariance_mm2()
    strain = _birge(comb, data, common)
    covariance = covariance + (strain**2 - 1.0) * max(float(covariance.mean()), 0.0)
    return GapFit(
        gap_mm=pads[:, 0],
        covariance_mm2=covariance,
        common=common,
        pads=pads,
        common_covariance=system.common_inverse,
        fitted_mm=width,
        track_gap_mm=gap,
        weight=weight,
        normalised=np.where(read, (np.where(read, data.width_mm, 0) - width) / sigma, np.nan),
        inflation=inflation,
        strain=strain,
    )
