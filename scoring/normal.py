"""The normal distribution on arrays, quick to import and to compute."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["tail_and_density"]

Floats = NDArray[np.float64]

# Abramowitz, Stegun, Handbook of Mathematical Functions (1964), formula 26.2.17.
_P = 0.2316419
_B = (0.319381530, -0.356563782, 1.781477937, -1.821255978, 1.330274429)
_ROOT = 1 / np.sqrt(2 * np.pi)


def tail_and_density(z: Floats) -> tuple[Floats, Floats]:
    """Return the probability to lie beyond |z| on one side, and the density at z.

    Parameters
    ----------
    z : ndarray of float
        Any shape.

    Returns
    -------
    tail, density : ndarray of float
        The tail is right to 7.5e-8 (Abramowitz, Stegun, formula 26.2.17), the density to rounding.

    Examples
    --------
    >>> tail, density = tail_and_density(np.array([0.0, -1.959964]))
    >>> np.round(tail, 6).tolist(), np.round(density, 6).tolist()
    ([0.5, 0.025], [0.398942, 0.058445])
    """
    density = z * z
    density *= -0.5
    np.exp(density, out=density)
    density *= _ROOT
    t = np.abs(z)
    t *= _P
    t += 1.0
    np.reciprocal(t, out=t)
    tail = t * _B[4]
    for b in reversed(_B[:4]):
        tail += b
        tail *= t
    tail *= density
    return tail, density
