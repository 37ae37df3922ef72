"""Cross-section of an extruded bead: area, width, gap, and where the width stops telling.

A line of cross-section ``A`` printed from a nozzle gap ``g`` is flattened to a flat top with
semicircular sides: ``A = (w - g) g + pi (g/2)^2``. The same relation is the ideal reference of
Comminal, Serdeczny, Pedersen, Spangenberg, Additive Manufacturing 20 (2018) 68-76,
doi 10.1016/j.addma.2017.12.013, who warn that real sections differ from it; `widths` therefore
treats its constant as unknown. Arrays may have any shapes that broadcast against each other.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["SIDE_FACTOR", "area_mm2", "gap_mm", "round_diameter_mm", "width_mm"]

SIDE_FACTOR = 1 - math.pi / 4
"""Side factor ``k`` in ``w = A/g + k g`` for semicircular sides."""


def round_diameter_mm(area: ArrayLike) -> NDArray[np.float64]:
    """Return the diameter of a free round strand, and so the largest gap that flattens it.

    Parameters
    ----------
    area : array_like of float
        Cross-section in mm2.

    Returns
    -------
    ndarray of float
        ``2 sqrt(A / pi)`` in millimetres.
    """
    return np.asarray(2 * np.sqrt(np.asarray(area, float) / math.pi))


def area_mm2(width: ArrayLike, gap: ArrayLike) -> NDArray[np.float64]:
    """Return the cross-section of a flattened bead.

    Parameters
    ----------
    width, gap : array_like of float
        Millimetres; the relation holds while ``width >= gap``.

    Returns
    -------
    ndarray of float
        In mm2.

    Examples
    --------
    >>> round(float(area_mm2(0.45, 0.20)), 6)
    0.081416
    """
    w, g = np.asarray(width, float), np.asarray(gap, float)
    return np.asarray((w - g) * g + math.pi * (g / 2) ** 2)


def width_mm(area: ArrayLike, gap: ArrayLike) -> NDArray[np.float64]:
    """Return the width of a bead; above the round diameter it no longer depends on the gap.

    Parameters
    ----------
    area : array_like of float
        Cross-section in mm2.
    gap : array_like of float
        Nozzle gap in millimetres, above zero.

    Returns
    -------
    ndarray of float
        Millimetres.

    Examples
    --------
    >>> round(float(width_mm(0.12566, 0.20)), 4)
    0.6712
    >>> round(float(width_mm(0.12566, 0.90)), 4)
    0.4
    """
    a = np.asarray(area, float)
    g = np.minimum(np.asarray(gap, float), round_diameter_mm(a))
    return np.asarray(a / g + SIDE_FACTOR * g)


def gap_mm(area: ArrayLike, width: ArrayLike) -> NDArray[np.float64]:
    """Return the gap that flattens a bead to `width`: the smaller root of the width relation.

    Parameters
    ----------
    area : array_like of float
        Cross-section in mm2.
    width : array_like of float
        Millimetres.

    Returns
    -------
    ndarray of float
        Gap in millimetres; NaN where no gap gives a width as small as that.

    Examples
    --------
    >>> round(float(gap_mm(0.081416, 0.45)), 4)
    0.2
    """
    a, w = np.asarray(area, float), np.asarray(width, float)
    with np.errstate(invalid="ignore"):
        root = np.sqrt(w**2 - 4 * SIDE_FACTOR * a)
    return np.asarray((w - root) / (2 * SIDE_FACTOR))
