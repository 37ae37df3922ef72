"""The width model: derivatives, limits, and the arrow system against dense algebra."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import least_squares

from padsheet.patterns.bead import SIDE_FACTOR, round_diameter_mm, width_mm
from padsheet.patterns.widths import (
    CHOKED_BELOW_MM,
    COMMON,
    PAD,
    ArrowSystem,
    Comb,
    common_priors,
    pad_priors,
    readable,
    tells_something,
    track_gaps,
    track_widths,
    width_noise_mm,
)

Floats = NDArray[np.float64]

HEIGHTS = np.array([0.29, 0.25, 0.21, 0.17, 0.13, 0.13, 0.17, 0.21, 0.25, 0.29])
AREAS = np.array([0.107, 0.151] * 5)
PRESSED_GAPS = np.array([0.19, 0.20, 0.23])
ROUND_GAP = 0.55


def make_comb() -> Comb:
    offsets = (np.arange(10) - 4.5) * 2.0
    return Comb.of(HEIGHTS, AREAS, offsets, target_mm=0.2, flat_mm=1.0)


def parameters(gaps: Floats, seed: int = 5) -> tuple[Floats, Floats]:
    """Draw parameters about their priors, none at a special value."""
    rng = np.random.default_rng(seed)
    mean, sd = common_priors(5)
    common = mean + 0.5 * sd * rng.uniform(0.2, 1.0, len(mean)) * rng.choice([-1, 1], len(mean))
    pad_mean, pad_sd = pad_priors()
    pads = np.tile(pad_mean, (len(gaps), 1))
    pads[:, 1:] += pad_sd[1:] * rng.normal(0, 0.5, (len(gaps), len(PAD) - 1))
    pads[:, 0] = gaps
    pads[:, PAD.index("kink")] = rng.normal(0, 0.001, len(gaps))
    return common, pads


KAPPA = np.array([[0.0], [0.06], [0.22]])
KINK = 0.01 * np.abs((np.arange(10) - 4.5) / 4.5)[None, :] * np.array([[1.0], [-0.5], [0.3]])


def widths_of(comb: Comb, common: Floats, pads: Floats) -> Floats:
    return track_widths(comb, common, pads, kappa=KAPPA, kink_mm=KINK)[0]


@pytest.mark.parametrize("gaps", [PRESSED_GAPS, np.full(3, ROUND_GAP), np.array([0.12, 0.3, 0.34])])
def test_derivatives_by_common_parameters(gaps: Floats) -> None:
    comb = make_comb()
    common, pads = parameters(gaps)
    _, analytic, _, _ = track_widths(comb, common, pads, kappa=KAPPA, kink_mm=KINK)
    assert analytic.shape == (3, 10, len(COMMON) + 5)
    for k in range(len(common)):
        step = np.zeros_like(common)
        step[k] = 1e-7
        numeric = (widths_of(comb, common + step, pads) - widths_of(comb, common - step, pads)) / (
            2e-7
        )
        np.testing.assert_allclose(analytic[..., k], numeric, rtol=1e-5, atol=1e-6)


@pytest.mark.parametrize("gaps", [PRESSED_GAPS, np.full(3, ROUND_GAP), np.array([0.12, 0.3, 0.34])])
def test_derivatives_by_pad_parameters(gaps: Floats) -> None:
    comb = make_comb()
    common, pads = parameters(gaps)
    _, _, analytic, _ = track_widths(comb, common, pads, kappa=KAPPA, kink_mm=KINK)
    for k in range(len(PAD)):
        step = np.zeros_like(pads)
        step[:, k] = 1e-7
        numeric = (widths_of(comb, common, pads + step) - widths_of(comb, common, pads - step)) / (
            2e-7
        )
        np.testing.assert_allclose(analytic[..., k], numeric, rtol=1e-5, atol=1e-6)


def test_without_nuisances_the_model_is_the_bead() -> None:
    comb = make_comb()
    common, pads = np.zeros(len(COMMON) + 5), np.zeros((2, len(PAD)))
    common[2] = SIDE_FACTOR
    pads[:, 0] = 0.2, 0.6
    width, _, _, gap = track_widths(comb, common, pads)
    np.testing.assert_allclose(gap, pads[:, :1] + HEIGHTS - 0.2)
    np.testing.assert_allclose(width, width_mm(AREAS, gap), rtol=1e-12)
    np.testing.assert_allclose(width[1], round_diameter_mm(AREAS), rtol=1e-12)


def test_each_nuisance_acts_as_the_formula_says() -> None:
    """Evaluate the published sum of terms by hand for one track of one pad."""
    comb = make_comb()
    common, pads = parameters(np.array([0.21]))
    kappa, kink, track = 0.06, 0.004, 3
    f, c, k, b, q, n = common[:6]
    pads[0, PAD.index("narrow_mm")] = 0.017
    g_p, f_p, k_p, b_p, slope, bend, n_p = pads[0]
    middle, z = 0.21, HEIGHTS[track]
    error = common[6 + sorted(set(HEIGHTS)).index(z)]
    u = comb.offset_mm[track]
    g = g_p + (1 + q) * (z - middle) + (middle - 0.2) + error + slope * u + bend * abs(u) + kink
    v = AREAS[track] * (1 + f + f_p) * (1 - c * (0.1 / g) ** 3) / g + (k + k_p + kappa) * g
    w = v + b + b_p + (n + n_p) * np.exp((0.40 - v) / 0.12)
    width, _, _, gap = track_widths(comb, common, pads, kappa=kappa, kink_mm=kink)
    assert gap[0, track] == pytest.approx(g, rel=1e-12)
    assert width[0, track] == pytest.approx(w, rel=1e-12)
    assert track_gaps(comb, common, pads, kink)[0, track] == pytest.approx(g, rel=1e-12)


def test_levels_are_numbered_from_the_lowest() -> None:
    comb = make_comb()
    assert comb.levels == 5
    assert comb.level.tolist() == [4, 3, 2, 1, 0, 0, 1, 2, 3, 4]
    assert comb.middle_mm == pytest.approx(0.21)


def test_what_tells_the_gap() -> None:
    comb = make_comb()
    diameter = round_diameter_mm(AREAS)
    gap = np.full((1, 10), 0.2)
    width = np.full((1, 10), 0.6)
    assert readable(comb, gap, width).all()
    choked = np.full((1, 10), CHOKED_BELOW_MM - 0.001)
    assert not readable(comb, choked, width).any()
    assert not tells_something(comb, choked, width).any()
    assert not readable(comb, diameter[None] * 0.98, width).any()
    assert tells_something(comb, diameter[None] * 0.98, width).all()
    assert not readable(comb, gap, np.full((1, 10), 1.001)).any()


def test_design_noise_has_its_stated_parts() -> None:
    comb = make_comb()
    noise = width_noise_mm(comb, np.full((1, 10), 0.2))
    np.testing.assert_allclose(noise[0], np.hypot(0.008, 0.01 * AREAS / 0.2), rtol=1e-12)
    assert (width_noise_mm(comb, np.full((1, 10), 0.5)) == 0.025).all()


def problem() -> tuple[Comb, Floats, Floats, Floats, Floats, Floats]:
    comb = make_comb()
    common, pads = parameters(PRESSED_GAPS)
    _, d_common, d_pad, gap = track_widths(comb, common, pads, kappa=KAPPA, kink_mm=KINK)
    weight = width_noise_mm(comb, gap) ** -2.0
    weight[1, 3] = 0.0
    return comb, common, pads, d_common, d_pad, weight


def dense_jacobian(d_common: Floats, d_pad: Floats) -> Floats:
    """Order the parameters common first, then pad by pad."""
    pads, tracks, own = d_pad.shape
    whole = np.zeros((pads, tracks, d_common.shape[2] + pads * own))
    whole[..., : d_common.shape[2]] = d_common
    for p in range(pads):
        begin = d_common.shape[2] + p * own
        whole[p, :, begin : begin + own] = d_pad[p]
    return whole.reshape(pads * tracks, -1)


def dense_normal(d_common: Floats, d_pad: Floats, weight: Floats) -> Floats:
    jacobian = dense_jacobian(d_common, d_pad)
    prior = np.concatenate([common_priors(5)[1], np.tile(pad_priors()[1], len(weight))]) ** -2.0
    return jacobian.T @ (weight.reshape(-1, 1) * jacobian) + np.diag(prior)


def test_arrow_covariance_is_the_dense_inverse() -> None:
    _, _, _, d_common, d_pad, weight = problem()
    system = ArrowSystem.build(d_common, d_pad, weight, common_priors(5)[1], pad_priors()[1])
    inverse = np.linalg.inv(dense_normal(d_common, d_pad, weight))
    count = d_common.shape[2]
    gaps = count + len(PAD) * np.arange(3)
    np.testing.assert_allclose(
        system.gap_covariance_mm2(), inverse[np.ix_(gaps, gaps)], rtol=1e-6, atol=1e-12
    )
    np.testing.assert_allclose(
        system.common_inverse, inverse[:count, :count], rtol=1e-6, atol=1e-12
    )


def test_a_prior_for_each_pad_is_the_same_as_one_for_all() -> None:
    _, _, _, d_common, d_pad, weight = problem()
    one = ArrowSystem.build(d_common, d_pad, weight, common_priors(5)[1], pad_priors()[1])
    each = np.tile(pad_priors()[1], (3, 1))
    many = ArrowSystem.build(d_common, d_pad, weight, common_priors(5)[1], each)
    np.testing.assert_array_equal(one.gap_covariance_mm2(), many.gap_covariance_mm2())
    each[1, 3] *= 3.0
    wider = ArrowSystem.build(d_common, d_pad, weight, common_priors(5)[1], each)
    assert wider.gap_covariance_mm2()[1, 1] > many.gap_covariance_mm2()[1, 1]


def test_arrow_step_solves_the_dense_equations() -> None:
    _, _, _, d_common, d_pad, weight = problem()
    rng = np.random.default_rng(3)
    on_common, on_pads = rng.normal(size=d_common.shape[2]), rng.normal(size=(3, len(PAD)))
    system = ArrowSystem.build(d_common, d_pad, weight, common_priors(5)[1], pad_priors()[1])
    common, own = system.step(on_common, on_pads)
    solved = np.linalg.solve(
        dense_normal(d_common, d_pad, weight), np.concatenate([on_common, on_pads.ravel()])
    )
    np.testing.assert_allclose(np.concatenate([common, own.ravel()]), solved, rtol=1e-6, atol=1e-10)


def test_arrow_covariance_agrees_with_scipy() -> None:
    """Compare with the Jacobian that least_squares takes by differences at its own solution."""
    comb, common, pads, _, _, _ = problem()
    mean = np.concatenate([common_priors(5)[0], np.tile(pad_priors()[0], 3)])
    sd = np.concatenate([common_priors(5)[1], np.tile(pad_priors()[1], 3)])
    truth, _, _, gap = track_widths(comb, common, pads, kappa=KAPPA, kink_mm=KINK)
    sigma = width_noise_mm(comb, gap)

    def residuals(p: Floats) -> Floats:
        width = widths_of(comb, p[:11], p[11:].reshape(3, len(PAD)))
        return np.concatenate([((width - truth) / sigma).ravel(), (p - mean) / sd])

    fit = least_squares(
        residuals, np.concatenate([common, pads.ravel()]), jac="3-point", x_scale=np.minimum(sd, 1)
    )
    expected = np.linalg.inv(fit.jac.T @ fit.jac)[
        np.ix_(11 + len(PAD) * np.arange(3), 11 + len(PAD) * np.arange(3))
    ]
    at_common, at_pads = fit.x[:11], fit.x[11:].reshape(3, len(PAD))
    _, d_common, d_pad, _ = track_widths(comb, at_common, at_pads, kappa=KAPPA, kink_mm=KINK)
    system = ArrowSystem.build(d_common, d_pad, sigma**-2.0, common_priors(5)[1], pad_priors()[1])
    np.testing.assert_allclose(system.gap_covariance_mm2(), expected, rtol=1e-4)
