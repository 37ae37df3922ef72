"""Medians, NaN left out.

NumPy's own import its masked arrays first, and then take several times longer.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["median", "medians", "quantiles"]


def medians(values: ArrayLike) -> NDArray[np.float64]:
    """Return the medians along the last axis, NaN left out, NaN where there is nothing else.

    Parameters
    ----------
    values : array of float
        Any shape; single precision stays single.

    Examples
    --------
    >>> medians([[3.0, 1.0, 2.0], [4.0, np.nan, 1.0], [np.nan, np.nan, np.nan]]).tolist()
    [2.0, 2.5, nan]
    """
    given = np.asarray(values)
    size = given.shape[-1]
    if not size:
        return np.full(given.shape[:-1], np.nan)
    missing = np.isnan(given)
    if not missing.any():
        # NumPy puts one rank in its place ten times faster than two.
        ordered = np.partition(given, size // 2, axis=-1)
        above = ordered[..., size // 2]
        below = above if size % 2 else ordered[..., : size // 2].max(axis=-1)
        return np.asarray((below + above) / 2)
    ordered = np.sort(given, axis=-1)  # NaN come last
    count = size - missing.sum(axis=-1, keepdims=True)
    low_of = np.take_along_axis(ordered, np.maximum(count - 1, 0) // 2, axis=-1)
    high_of = np.take_along_axis(ordered, np.minimum(count // 2, size - 1), axis=-1)
    return np.asarray((low_of + high_of)[..., 0] / 2)


def quantiles(values: NDArray[np.floating[Any]], part: float) -> NDArray[np.float64]:
    """Return along the last axis the value that so large a part of the others lies below.

    One of the values, where NumPy's function puts one between two of them.

    Examples
    --------
    >>> quantiles(np.arange(11.0), 0.8)
    array(8.)
    """
    rank = round(part * (values.shape[-1] - 1))
    return np.asarray(np.partition(values, rank, axis=-1)[..., rank])


def median(values: ArrayLike) -> float:
    """Return the median of all values, NaN left out; NaN if there are none.

    Examples
    --------
    >>> median([4.0, 1.0, 3.0, 2.0])
    2.5
    """
    return float(medians(np.ravel(np.asarray(values, float))))
