"""The normal distribution of the edge model, against SciPy's."""

from __future__ import annotations

import numpy as np
from scipy.stats import norm

from padsheet.scoring.normal import below_and_density


def test_below_and_density() -> None:
    z = np.concatenate([np.linspace(-12, 12, 4801), [-0.0, 40.0, -60.0]])
    below, density = below_and_density(z)
    # Abramowitz, Stegun (1964), 26.2.17: the error is less than 7.5e-8.
    assert np.abs(below - norm.cdf(z)).max() < 7.5e-8
    np.testing.assert_allclose(density, norm.pdf(z), rtol=1e-12, atol=1e-300)


def test_single_precision() -> None:
    z = np.linspace(-8, 8, 3201).astype(np.float32)
    below, density = below_and_density(z)
    assert below.dtype == density.dtype == np.float32
    assert np.abs(below - norm.cdf(z.astype(float))).max() < 3e-7
    assert np.abs(density - norm.pdf(z.astype(float))).max() < 1e-6


def test_a_few_values_of_the_handbooks_table() -> None:
    # Abramowitz, Stegun, table 26.1: P(x) at 0.5, 1, 2 and 3 (from memory, checked with SciPy).
    below, _ = below_and_density(np.array([0.5, 1.0, 2.0, 3.0]))
    expected = [0.6914624613, 0.8413447461, 0.9772498681, 0.9986501020]
    np.testing.assert_allclose(below, expected, atol=7.5e-8)


def test_any_shape_and_the_argument_is_left_alone() -> None:
    z = np.arange(24.0).reshape(2, 3, 4)
    kept = z.copy()
    below, density = below_and_density(z)
    assert below.shape == density.shape == z.shape
    np.testing.assert_array_equal(z, kept)
