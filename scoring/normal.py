"""The normal distribution on arrays, quick to import and to compute."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["below_and_density"]

Floats = NDArray[np.floating[Any]]

# Abramowitz, Stegun, Handbook of Mathematical Functions (1964), formula 26.2.17.
_P = 0.2316419
_B = (0.319381530, -0.356563782, 1.781477937, -1.821255978, 1.330274429)
_ROOT = float(1 / np.sqrt(2 * np.pi))


def below_and_density(z: Floats) -> tuple[Floats, Floats]:
    """Return the probability to lie below z, and the density at z.

    Parameters
    ----------
    z : ndarray of float
        Any shape; single precision takes a third of the time.

    Returns
    -------
    below, density : ndarray of float
        In the precision of `z`. The probability is right to 7.5e-8 (Abramowitz, Stegun, formula
        26.2.17), the density to rounding.

    Examples
    --------
    >>> below, density = below_and_density(np.array([0.0, -1.959964]))
    >>> np.round(below, 6).tolist(), np.round(density, 6).tolist()
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
    below: Floats = t * _B[4]
    for b in reversed(_B[:4]):
        below += b
        below *= t
    below *= density
    # So far the tail beyond |z|; a branch for the sign would take longer than all else.
    np.subtract(0.5, below, out=below)
    np.copysign(below, z, out=below)
    below += 0.5
    return below, density
