"""The colour direction along which print and plate are told apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ColourAxis", "discriminant_axis", "luminance_axis"]

Floats = NDArray[np.float64]

# Rec. ITU-R BT.709, linear light.
_LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
_NO_STEP = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourAxis:
    """The colour direction along which print and plate are told apart here.

    Attributes
    ----------
    axis : ndarray, shape (3,)
        Scaled so that the plate reads 0 and the print 1, up to an offset.
    separation : float
        Distance between print and plate in standard deviations of both together.
    apart : ndarray, shape (3,)
        Print minus plate in linear light, as a part of the brighter of the two.
    """

    axis: Floats
    separation: float
    apart: Floats


def luminance_axis(light: NDArray[np.float32], u_mm: Floats) -> ColourAxis:
    """Return luminance (Rec. ITU-R BT.709), and how well it tells print from plate here.

    Parameters
    ----------
    light : ndarray of float32, shape (N, S, U, 3)
        Linear light of straightened patches of N lines.
    u_mm : ndarray, shape (U,)
        Places across them, the line about zero.
    """
    apart, share, within = _print_and_plate(light, u_mm)
    step = float(_LUMINANCE @ apart)
    separation = abs(step) / np.sqrt(float(_LUMINANCE @ within @ _LUMINANCE) + 1e-9)
    if abs(step) <= _NO_STEP:
        return ColourAxis(axis=_LUMINANCE, separation=0.0, apart=share)
    return ColourAxis(axis=_LUMINANCE / step, separation=float(separation), apart=share)


def discriminant_axis(light: NDArray[np.float32], u_mm: Floats) -> ColourAxis:
    """Return the direction of Fisher's linear discriminant (Annals of Eugenics 7 (1936) 179-188).

    Parameters
    ----------
    light, u_mm
        As for `luminance_axis`.
    """
    apart, share, within = _print_and_plate(light, u_mm)
    floor = 1e-7 + 1e-2 * np.trace(within)
    axis = np.linalg.solve(within + np.eye(3) * floor, apart)
    gain = float(axis @ apart)
    if gain <= _NO_STEP:
        return ColourAxis(axis=_LUMINANCE, separation=0.0, apart=share)
    return ColourAxis(axis=axis / gain, separation=float(np.sqrt(gain)), apart=share)


def _print_and_plate(light: NDArray[np.float32], u_mm: Floats) -> tuple[Floats, Floats, Floats]:
    """Return print minus plate, the same as a part of the brighter one, and their scatter."""
    sample = light[:, ::3]
    printed = sample[:, :, np.abs(u_mm) < 0.08].reshape(-1, 3).astype(float)
    bare = sample[:, :, np.abs(u_mm) > u_mm[-1] - 0.15].reshape(-1, 3).astype(float)
    on_print, on_plate = np.median(printed, axis=0), np.median(bare, axis=0)
    apart = on_print - on_plate
    share = apart / max(float(on_print.max()), float(on_plate.max()), 1e-6)
    return np.asarray(apart), np.asarray(share), _scatter(printed) + _scatter(bare)


def _scatter(values: Floats) -> Floats:
    """Return a covariance that a few outliers do not move."""
    away = np.abs(values - np.median(values, axis=0)).sum(axis=1)
    count = max(2, int(0.9 * len(values)))
    kept = values[np.argpartition(away, count - 1)[:count]]
    kept = kept - kept.mean(axis=0)
    return np.asarray(kept.T @ kept / (count - 1))
