"""Medians, against NumPy's own."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from padsheet.scoring.medians import median, medians, quantiles


@pytest.mark.parametrize("size", [1, 2, 3, 6, 7, 40])
@pytest.mark.parametrize("holes", [0.0, 0.3, 0.9])
def test_as_numpy_with_and_without_holes(size: int, holes: float) -> None:
    rng = np.random.default_rng(size)
    values = rng.normal(size=(4, 25, size))
    values[rng.random(values.shape) < holes] = np.nan
    kept = values.copy()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of rows with nothing in them
        expected = np.nanmedian(values, axis=-1)
    np.testing.assert_array_equal(medians(values), expected)
    np.testing.assert_array_equal(values, kept)


def test_single_precision_stays_single() -> None:
    assert medians(np.ones((3, 4), np.float32)).dtype == np.float32


def test_of_everything() -> None:
    assert median([[1.0, 5.0], [np.nan, 2.0]]) == 2.0
    assert median([True, False, True]) == 1.0
    assert np.isnan(median([]))
    assert np.isnan(median([np.nan]))
    assert medians(np.ones((3, 0))).shape == (3,)


def test_quantiles_are_values_of_that_rank() -> None:
    values = np.random.default_rng(1).permuted(np.tile(np.arange(101.0), (7, 1)), axis=1)
    np.testing.assert_array_equal(quantiles(values, 0.8), np.full(7, 80.0))
    np.testing.assert_array_equal(quantiles(values, 1.0), np.full(7, 100.0))


@pytest.mark.parametrize("size", [2, 3, 10, 11])
def test_the_last_quantiles_are_the_ends(size: int) -> None:
    values = np.random.default_rng(2).permuted(np.tile(np.arange(float(size)), (3, 1)), axis=1)
    assert np.all(quantiles(values, 1.0) == size - 1)
    assert np.all(quantiles(values, 0.0) == 0)
