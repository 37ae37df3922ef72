"""The joint ladder fit on simulated widths whose truth has another form than the model.

The bead has super-ellipse sides of drawn exponent and depth instead of half circles, the back
pressure falls exponentially instead of with the cube, and flow, steps and edge bias are off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import gamma
from scipy.stats import binom

from padsheet.patterns.bead import gap_mm, round_diameter_mm
from padsheet.patterns.bed import Bed
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.widths import PAD, common_priors, pad_priors, track_widths
from padsheet.scoring.gaps import GapFit, TrackData, ceilings_mm, comb_of, fit_gaps

Floats = NDArray[np.float64]

SHEETS = 100
NOISE_MM = 0.008


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    return lay_out_sheet(Bed(), reach_mm=(-0.08, 0.08)).sheet


def super_ellipse_width(area: Floats, gap: Floats, exponent: Floats, depth: Floats) -> Floats:
    """Width of a flat strand with sides |x/a|^n + |z/b|^n = 1, b = g/2 and a = depth g/2.

    The area of a whole super-ellipse is 4 a b Gamma(1 + 1/n)^2 / Gamma(1 + 2/n).
    """
    side = depth * gap / 2
    sides = 4 * side * gap / 2 * gamma(1 + 1 / exponent) ** 2 / gamma(1 + 2 / exponent)
    return (area - sides) / gap + 2 * side


def test_super_ellipse_of_exponent_two_is_the_stadium() -> None:
    # Comminal et al. (2018), as in tests of the bead: A 0.12566, gap 0.2: 0.6712 mm.
    width = super_ellipse_width(np.array(0.12566), np.array(0.2), np.array(2.0), np.array(1.0))
    assert width == pytest.approx(0.6712, abs=1e-4)


def simulated(
    sheet: Sheet, rng: np.random.Generator, reach_mm: float = 0.08
) -> tuple[Floats, TrackData]:
    """Draw the true gaps of a sheet and the widths that a photo of it would give."""
    comb, pads = comb_of(sheet), len(sheet.pads)
    shape = (pads, len(sheet.tracks))
    exponent = rng.uniform(2.0, 2.8) + rng.normal(0, 0.1, (pads, 1))
    depth = np.clip(rng.uniform(0.85, 1.0) + rng.normal(0, 0.03, (pads, 1)), 0.8, 1.05)
    gap = sheet.target_gap_mm + rng.uniform(-reach_mm, reach_mm, pads)
    # A mesh whose slope changes at its node by some 0.06 mm over a pitch of 45 mm.
    kink = rng.normal(0, 0.06, (pads, 1)) * np.abs(comb.offset_mm) / 45
    step_error = rng.normal(0, 0.004, comb.levels)[comb.level]
    under = gap[:, None] + comb.height_mm - sheet.target_gap_mm + step_error + kink
    flow = 1 + rng.normal(0, 0.04) + rng.normal(0, 0.01, (pads, 1)) + rng.normal(0, 0.008, shape)
    area = comb.area_mm2 * flow * (1 - 0.05 * np.exp(-(under - 0.08) / 0.03))
    diameter = round_diameter_mm(area)
    pressed = np.maximum(
        super_ellipse_width(area, np.minimum(under, diameter), exponent, depth), 0.97 * diameter
    )
    width = np.where(under < diameter, pressed, diameter)
    nearly_round = under > 0.97 * diameter
    width = width + rng.normal(0, 0.03) + rng.normal(0, 0.02, (pads, 1))
    width += rng.normal(0, NOISE_MM, shape) + nearly_round * rng.normal(0, 0.02, shape)
    return gap, TrackData(
        width_mm=width,
        sigma_mm=np.full(shape, NOISE_MM),
        kappa=np.zeros((pads, 1)),
        kink_mm=kink,
        doubt=np.ones(pads),
    )


def without_ladder(sheet: Sheet, data: TrackData) -> Floats:
    """Read the gaps off the two tracks of the middle height alone, by the nominal bead."""
    comb = comb_of(sheet)
    one = comb.level == 2
    found = gap_mm(comb.area_mm2[one], data.width_mm[:, one]) - (
        comb.height_mm[one] - sheet.target_gap_mm
    )
    return np.asarray(found.mean(axis=1))


@dataclass(frozen=True, kw_only=True)
class Pooled:
    """Errors of many sheets: relative ones (sheets, pads), common ones (sheets,)."""

    relative: Floats
    relative_sigma: Floats
    common: Floats
    common_sigma: Floats
    plain: Floats


@pytest.fixture(scope="module")
def pooled(sheet: Sheet) -> Pooled:
    rows = []
    count = len(sheet.pads)
    centring = np.eye(count) - 1 / count
    for k in range(SHEETS):
        truth, data = simulated(sheet, np.random.default_rng([7, k]))
        fit = fit_gaps(sheet, data)
        error = fit.gap_mm - truth
        plain = without_ladder(sheet, data) - truth
        rows.append(
            (
                error - error.mean(),
                np.sqrt(np.diag(centring @ fit.covariance_mm2 @ centring)),
                error.mean(),
                np.sqrt(fit.covariance_mm2.mean()),
                plain - plain.mean(),
            )
        )
    relative, sigma, common, common_sigma, plain = (np.array(c) for c in zip(*rows, strict=True))
    return Pooled(
        relative=relative,
        relative_sigma=sigma,
        common=common,
        common_sigma=common_sigma,
        plain=plain,
    )


def rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))


def test_what_lines_are_seen_narrower_is_laid_to_the_sides_of_each_pad(sheet: Sheet) -> None:
    """Half of the pads lack the light of both sides, as an even sky leaves it, others do not."""
    dark = np.arange(len(sheet.pads)) % 2 == 0
    narrower = np.where(dark, 0.107, 0.0)
    side = PAD.index("side_factor")
    untold, told = [], []
    for k in range(8):
        truth, data = simulated(sheet, np.random.default_rng([8, k]))
        under = truth[:, None] + comb_of(sheet).height_mm - sheet.target_gap_mm
        seen = replace(data, width_mm=data.width_mm - narrower[:, None] * under)
        for found, given in ((untold, seen), (told, replace(seen, narrower=narrower))):
            sides = fit_gaps(sheet, given).pads[:, side]
            found.append(sides[~dark].mean() - sides[dark].mean())
    assert np.mean(told) == pytest.approx(0.107, abs=0.015)
    assert np.mean(untold) < 0.09


def test_relative_error_is_within_what_is_claimed(pooled: Pooled) -> None:
    claimed = rms(pooled.relative_sigma)
    assert rms(pooled.relative) < 1.3 * claimed
    # Nor is the claim idle: it would be of no use if it were far too wide.
    assert rms(pooled.relative) > claimed / 1.3
    assert rms(pooled.relative) < 0.005


def test_relative_intervals_hold_the_truth(pooled: Pooled) -> None:
    held = np.abs(pooled.relative) < 1.96 * pooled.relative_sigma
    assert 0.93 <= held.mean() <= 0.98


def test_common_intervals_hold_the_truth(pooled: Pooled) -> None:
    held = int((np.abs(pooled.common) < 1.96 * pooled.common_sigma).sum())
    low, high = binom.interval(0.998, SHEETS, 0.95)
    assert low <= held <= high
    assert rms(pooled.common) < 0.012
    assert rms(pooled.common) > 0.5 * rms(pooled.common_sigma)


def test_the_common_error_is_no_bias(pooled: Pooled) -> None:
    # Four standard errors, and room for the side factor's prior, which is not this truth's mean.
    assert abs(pooled.common.mean()) < 4 * pooled.common.std() / np.sqrt(SHEETS) + 0.002


def test_no_pad_is_far_off(pooled: Pooled) -> None:
    assert np.abs(pooled.relative).max() < 0.03


def test_the_ladder_beats_a_single_height_threefold(pooled: Pooled) -> None:
    assert rms(pooled.plain) >= 3 * rms(pooled.relative)


def test_a_wide_reach_is_read_as_well_as_a_scout_needs() -> None:
    sheet = lay_out_sheet(Bed(), reach_mm=(-0.15, 0.15)).sheet
    errors, held = [], []
    count = len(sheet.pads)
    centring = np.eye(count) - 1 / count
    for k in range(20):
        truth, data = simulated(sheet, np.random.default_rng([9, k]), reach_mm=0.15)
        fit = fit_gaps(sheet, data)
        error = fit.gap_mm - truth
        errors.append(error - error.mean())
        sigma = np.sqrt(np.diag(centring @ fit.covariance_mm2 @ centring))
        held.append(np.abs(errors[-1]) < 1.96 * sigma)
    assert rms(np.array(errors)) < 0.015
    assert np.mean(held) >= 0.93


@pytest.fixture(scope="module")
def exact(sheet: Sheet) -> Callable[..., tuple[Floats, TrackData]]:
    """Return the maker of noiseless data from the model itself at its priors' means."""

    def made(kappa: float = 0.0) -> tuple[Floats, TrackData]:
        comb = comb_of(sheet)
        count = len(sheet.pads)
        pads = np.tile(pad_priors()[0], (count, 1))
        pads[:, 0] = np.linspace(0.125, 0.275, count)
        angle = np.full((count, 1), kappa)
        width, *_ = track_widths(comb, common_priors(comb.levels)[0], pads, kappa=angle)
        data = TrackData(
            width_mm=width,
            sigma_mm=np.full(width.shape, NOISE_MM),
            kappa=angle,
            kink_mm=np.zeros(width.shape),
            doubt=np.ones(count),
        )
        return pads[:, 0], data

    return made


@pytest.mark.parametrize("kappa", [0.0, 0.06, 0.22])
def test_exact_widths_give_exact_gaps(
    sheet: Sheet, exact: Callable[..., tuple[Floats, TrackData]], kappa: float
) -> None:
    truth, data = exact(kappa)
    fit = fit_gaps(sheet, data)
    np.testing.assert_allclose(fit.gap_mm, truth, atol=2e-4)
    np.testing.assert_allclose(
        fit.fitted_mm[fit.weight > 0], data.width_mm[fit.weight > 0], atol=1e-3
    )
    # What a pad is trusted by: nothing is left over here.
    assert np.abs(fit.normalised[fit.weight > 0]).max() < 0.2


def test_what_is_left_over_is_told_for_each_line(
    sheet: Sheet, exact: Callable[..., tuple[Floats, TrackData]]
) -> None:
    _, data = exact()
    width = data.width_mm.copy()
    width[3, 4] += 0.2
    width[7, 2] = np.nan
    left = fit_gaps(sheet, replace(data, width_mm=width)).normalised
    assert np.isnan(left[7, 2])
    assert np.isfinite(left).sum() == left.size - 1
    assert np.unravel_index(np.nanargmax(np.abs(left)), left.shape) == (3, 4)
    assert left[3, 4] > 8.0


def test_covariance_is_symmetric_and_positive(
    sheet: Sheet, exact: Callable[..., tuple[Floats, TrackData]]
) -> None:
    fit: GapFit = fit_gaps(sheet, exact()[1])
    np.testing.assert_allclose(fit.covariance_mm2, fit.covariance_mm2.T, atol=1e-15)
    assert np.linalg.eigvalsh(fit.covariance_mm2).min() > 0


def test_the_fit_does_not_depend_on_the_order_of_pads(sheet: Sheet) -> None:
    _, data = simulated(sheet, np.random.default_rng(4))
    turned = np.random.default_rng(5).permutation(len(sheet.pads))
    mixed = TrackData(
        width_mm=data.width_mm[turned],
        sigma_mm=data.sigma_mm[turned],
        kappa=data.kappa[turned],
        kink_mm=data.kink_mm[turned],
        doubt=data.doubt[turned],
    )
    np.testing.assert_allclose(
        fit_gaps(sheet, mixed).gap_mm, fit_gaps(sheet, data).gap_mm[turned], atol=1e-5
    )


def test_tracks_not_read_widen_the_interval_and_nothing_else(sheet: Sheet) -> None:
    truth, data = simulated(sheet, np.random.default_rng(6))
    width = data.width_mm.copy()
    width[3, [0, 4, 7]] = np.nan
    sigma = np.where(np.isnan(width), np.nan, data.sigma_mm)
    whole = fit_gaps(sheet, data)
    fit = fit_gaps(sheet, replace(data, width_mm=width, sigma_mm=sigma))
    assert np.isfinite(fit.gap_mm).all()
    assert fit.covariance_mm2[3, 3] > whole.covariance_mm2[3, 3]
    assert np.isnan(fit.normalised[3, [0, 4, 7]]).all()
    assert (fit.weight[3, [0, 4, 7]] == 0).all()
    assert abs(fit.gap_mm[3] - truth[3]) < 3 * np.sqrt(fit.covariance_mm2[3, 3])


def test_one_wild_track_does_not_carry_its_pad_away(sheet: Sheet) -> None:
    _, data = simulated(sheet, np.random.default_rng(8))
    clean = fit_gaps(sheet, data)
    width = data.width_mm.copy()
    width[12, 2] += 0.30
    fit = fit_gaps(sheet, replace(data, width_mm=width))
    sigma = np.sqrt(clean.covariance_mm2[12, 12])
    assert abs(fit.gap_mm[12] - clean.gap_mm[12]) < 2 * sigma
    assert abs(fit.normalised[12, 2]) > 6


def test_doubt_widens_the_interval(sheet: Sheet) -> None:
    _, data = simulated(sheet, np.random.default_rng(10))
    doubt = np.ones(len(sheet.pads))
    doubt[5] = 4.0
    usual = np.diag(fit_gaps(sheet, data).covariance_mm2)
    wider = np.diag(fit_gaps(sheet, replace(data, doubt=doubt)).covariance_mm2)
    # Little, for the ladder takes the bias out; and hardly at all for the other pads.
    grown = wider - usual
    assert grown[5] > 0.02 * usual[5]
    others = np.abs(np.delete(grown, 5))
    # Robust weights at their edge may move one of them a little more.
    assert np.median(others) < 0.2 * grown[5]
    assert others.max() < grown[5]


def test_a_known_widening_by_cut_off_highlights_is_taken_out(sheet: Sheet) -> None:
    """On the lit side of the bed every line looks wider than it is, and so too near."""
    gap, data = simulated(sheet, np.random.default_rng(15))
    plain = fit_gaps(sheet, data)
    none = np.zeros(len(gap))
    same = fit_gaps(sheet, replace(data, highlight_mm=none))
    assert same.gap_mm == pytest.approx(plain.gap_mm, abs=1e-9)
    assert same.covariance_mm2 == pytest.approx(plain.covariance_mm2, abs=1e-12)
    wider = np.where(np.arange(len(gap)) < 5, 0.05, none)
    lit = replace(data, width_mm=data.width_mm + wider[:, None])
    told = fit_gaps(sheet, replace(lit, highlight_mm=wider))
    blind = fit_gaps(sheet, lit)
    off = np.abs(told.gap_mm - plain.gap_mm)[:5]
    assert off.mean() < 0.5 * np.abs(blind.gap_mm - plain.gap_mm)[:5].mean()
    sigma, before = (np.sqrt(np.diag(fit.covariance_mm2)) for fit in (told, plain))
    assert (sigma[:5] > before[:5]).all()
    # What may be wrong with them stays far below what a pad not looked at might have.
    assert (sigma[:5] < 3 * before[:5]).all()


def test_noisier_widths_than_claimed_are_noticed(sheet: Sheet) -> None:
    """Residuals beyond the claimed noise must widen the intervals."""
    rng = np.random.default_rng(12)
    _, data = simulated(sheet, rng)
    noisy = replace(data, width_mm=data.width_mm + rng.normal(0, 0.04, data.width_mm.shape))
    fit = fit_gaps(sheet, noisy)
    assert fit.inflation > 2.0
    assert np.diag(fit.covariance_mm2).mean() > np.diag(fit_gaps(sheet, data).covariance_mm2).mean()


def test_the_data_is_left_alone(sheet: Sheet) -> None:
    _, data = simulated(sheet, np.random.default_rng(14))
    width, sigma = data.width_mm.copy(), data.sigma_mm.copy()
    fit_gaps(sheet, data)
    np.testing.assert_array_equal(data.width_mm, width)
    np.testing.assert_array_equal(data.sigma_mm, sigma)


def test_a_line_is_never_wider_than_its_gap_allows(sheet: Sheet) -> None:
    """Three standard deviations: of the single lines hardly one proves more than is true."""
    comb = comb_of(sheet)
    proven = wrong = 0
    for k in range(10):
        gap, data = simulated(sheet, np.random.default_rng([31, k]))
        fit = fit_gaps(sheet, data)
        bounds = ceilings_mm(sheet, data, fit)
        assert bounds.shape == data.width_mm.shape
        proven += np.isfinite(bounds).sum()
        wrong += (bounds < gap[:, None]).sum()
        assert np.all(ceilings_mm(sheet, data, fit, 0.02) >= bounds)  # doubt proves less
    assert proven > 0.4 * 10 * data.width_mm.size
    assert wrong < 0.005 * proven
    strands = np.tile(round_diameter_mm(comb.area_mm2), (2, 1))
    strands[1, 0] = np.nan
    few = replace(
        data,
        width_mm=strands + float(fit.common[3]),
        sigma_mm=np.full(strands.shape, 0.008),
        kappa=np.zeros((2, 1)),
        kink_mm=np.zeros(strands.shape),
        doubt=np.ones(2),
    )
    assert np.all(np.isinf(ceilings_mm(sheet, few, fit)))
