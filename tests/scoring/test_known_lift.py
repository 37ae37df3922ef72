"""The lift of a self-check, against the same sums done the long way round."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import cholesky, lstsq
from scipy.stats import chi2, multivariate_normal

from padsheet.scoring.known_lift import (
    _BULGES_MM,
    _FITTED_BULGE_MM,
    _FITTED_SIGMA_MM,
    _GRAIN_MM,
    _deviations,
    _restricted_likelihood,
    _surfaces,
    enough_pads,
    fit_lift,
)

Floats = NDArray[np.float64]

X, Y = (np.ravel(axis) for axis in np.meshgrid([30.0, 83.0, 137.0, 190.0], [25.0, 105.0, 195.0]))
XY = np.column_stack([X, Y])
LIFTS = np.where((np.round(X / 53) + np.round(Y / 85)) % 2 > 0, 0.06, 0.0)
PLANE = np.column_stack([np.ones(12), X, Y])


def a_spread(seed: int) -> Floats:
    """Some covariance of twelve gaps, in mm^2."""
    root = np.random.default_rng(seed).normal(0, 0.004, (12, 12))
    return np.asarray(root @ root.T + 0.003**2 * np.eye(12))


def by_lstsq(gaps: Floats, terms: Floats, spread: Floats) -> tuple[Floats, Floats]:
    """Generalised least squares by whitening; coefficients and their covariance."""
    lower = cholesky(spread, lower=True)
    white = np.linalg.solve(lower, terms)
    return lstsq(white, np.linalg.solve(lower, gaps))[0], np.linalg.inv(white.T @ white)


def test_each_pad_is_predicted_from_all_others() -> None:
    """As if each were left out and predicted by kriging with a plane from the eleven others."""
    spread, gaps = a_spread(1), np.random.default_rng(2).normal(0.2, 0.02, 12)
    apart, sigma, _ = _deviations(gaps, spread, PLANE)
    for k in range(12):
        others = np.arange(12) != k
        inner = spread[np.ix_(others, others)]
        plane, covariance = by_lstsq(gaps[others], PLANE[others], inner)
        weights = np.linalg.solve(inner, spread[others, k])
        expected = PLANE[k] @ plane + weights @ (gaps[others] - PLANE[others] @ plane)
        open_part = PLANE[k] - weights @ PLANE[others]
        variance = spread[k, k] - weights @ spread[others, k] + open_part @ covariance @ open_part
        assert apart[k] == pytest.approx(gaps[k] - expected, abs=1e-9)
        assert sigma[k] == pytest.approx(np.sqrt(variance), rel=1e-6)


def test_the_sum_of_squares_is_that_of_the_whitened_residuals() -> None:
    spread, gaps = a_spread(3), np.random.default_rng(4).normal(0.2, 0.02, 12)
    plane, _ = by_lstsq(gaps, PLANE, spread)
    rest = np.linalg.solve(cholesky(spread, lower=True), gaps - PLANE @ plane)
    assert _deviations(gaps, spread, PLANE)[2] == pytest.approx(rest @ rest, rel=1e-9)


def test_the_restricted_likelihood_is_that_of_the_contrasts() -> None:
    """Of any full set of contrasts that the terms do not touch, up to a constant."""
    contrasts = np.linalg.svd(PLANE)[0][:, 3:].T
    seen = []
    for seed in range(5):
        spread, gaps = a_spread(seed), np.random.default_rng(seed).normal(0.2, 0.01, 12)
        exact = multivariate_normal(np.zeros(9), contrasts @ spread @ contrasts.T)
        seen.append(_restricted_likelihood(gaps, spread, PLANE) - exact.logpdf(contrasts @ gaps))
    assert np.ptp(seen) == pytest.approx(0.0, abs=1e-6)


def test_on_a_plane_the_lift_is_that_of_least_squares() -> None:
    """With no bulge, and noise so large that none is likelier than another by much."""
    spread = 0.004**2 * np.eye(12)
    gaps = 0.2 + 2e-4 * X - 1e-4 * Y + LIFTS
    found = fit_lift(XY, gaps, LIFTS, spread, None)
    assert found.lift_mm == pytest.approx(0.06, abs=1e-9)
    design = np.column_stack([PLANE, LIFTS > 0])
    _, covariance = by_lstsq(gaps, design, spread + _GRAIN_MM**2 * np.eye(12))
    assert found.plane_sigma_mm == pytest.approx(np.sqrt(covariance[3, 3]), rel=1e-6)
    assert found.sigma_mm >= found.plane_sigma_mm
    np.testing.assert_allclose(found.apart_mm, 0.0, atol=1e-9)
    assert (found.dof, found.probability) == (9, pytest.approx(1.0))


def test_the_probability_is_that_of_chi_square() -> None:
    rng = np.random.default_rng(5)
    gaps = 0.2 + LIFTS + rng.normal(0, 0.006, 12)
    found = fit_lift(XY, gaps, LIFTS, 0.004**2 * np.eye(12), None)
    assert found.probability == pytest.approx(chi2.sf(found.chi2, 9), rel=1e-9)
    assert 0.001 < found.probability < 0.999


def test_more_scatter_than_stated_makes_the_lift_less_sure() -> None:
    rng = np.random.default_rng(6)
    quiet = 0.2 + LIFTS + rng.normal(0, 0.004, 12)
    rough = quiet + np.where(np.arange(12) == 5, 0.2, 0.0)
    few = [fit_lift(XY, gaps, LIFTS, 0.004**2 * np.eye(12), None) for gaps in (quiet, rough)]
    assert few[1].sigma_mm > 2 * few[0].sigma_mm


def test_what_may_be_smooth() -> None:
    """The bed by itself; with a mesh also the gaps, which have roundings and low bulges only."""
    gaps, mesh = np.full(12, 0.2), np.linspace(-0.1, 0.1, 12)
    heights = sorted(height for some in _BULGES_MM.values() for height in some)
    noise = 0.004**2 * np.eye(12)
    alone = _surfaces(XY, gaps, None, noise)
    assert len(alone) == len(heights)
    assert all(np.array_equal(surface, gaps) for surface, _ in alone)
    both = _surfaces(XY, gaps, mesh, noise)
    fitted = [spread for surface, spread in both if np.array_equal(surface, gaps)]
    assert len(both) - len(fitted) == len(heights)
    low = [height for height in heights if height <= _FITTED_BULGE_MM]
    told = sorted(float(spread[0, 0]) for spread in fitted)
    expected = [0.004**2 + _FITTED_SIGMA_MM**2 + height**2 for height in low]
    np.testing.assert_allclose(told, expected, rtol=1e-9)
    # A bulge is one over its reach, a part of the mean span (160 and 170 mm here).
    wide = max((spread for _, spread in alone), key=lambda spread: spread[0, 0])
    part = 0.75 * 165
    step = np.exp(-((XY[1] - XY[0]) ** 2).sum() / (2 * part**2))
    assert wide[0, 1] == pytest.approx(max(heights) ** 2 * step, rel=1e-9)


@pytest.mark.parametrize(
    ("kept", "enough"),
    [
        (np.arange(12), True),
        (np.arange(7), True),
        (np.arange(6), False),
        (np.flatnonzero((LIFTS > 0) | (np.arange(12) < 3)), False),
    ],
)
def test_seven_pads_three_of_each_are_enough(kept: NDArray[np.int_], enough: bool) -> None:
    assert enough_pads(XY[kept], LIFTS[kept]) is enough


def test_pads_in_one_line_are_not_enough() -> None:
    row = np.column_stack([np.linspace(30, 190, 8), np.full(8, 100.0)])
    lifts = np.where(np.arange(8) % 2, 0.06, 0.0)
    assert not enough_pads(row, lifts)
    assert not enough_pads(row[:, ::-1], lifts)
    assert not enough_pads(row[:, :1] * [1.0, 0.5], lifts)
