"""The colour direction along which print and plate are told apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.scoring.medians import medians

__all__ = [
    "LUMINANCE_SEPARATION",
    "ColourAxis",
    "PrintAndPlate",
    "discriminant_axis",
    "luminance_axis",
    "print_and_plate",
    "prints_and_plates",
]

Floats = NDArray[np.float64]

# Rec. ITU-R BT.709, linear light.
_LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
_NO_STEP = 1e-12

LUMINANCE_SEPARATION = 8.0
"""From this separation on luminance alone surely tells print from plate."""


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
    print_level : float
        What the print reads along the axis, no light reading 0: about 1 for a bright print on a
        dark plate, about 0 for a dark print on a bright one.
    """

    axis: Floats
    separation: float
    apart: Floats
    print_level: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintAndPlate:
    """The colours of print and plate in one place, in linear light.

    Attributes
    ----------
    print_light, plate_light : ndarray, shape (3,)
        As they usually are.
    within : ndarray, shape (3, 3)
        Scatter of both about that, added up.
    """

    print_light: Floats
    plate_light: Floats
    within: Floats

    @property
    def apart(self) -> Floats:
        """Print minus plate."""
        return np.asarray(self.print_light - self.plate_light)

    @property
    def brightest(self) -> float:
        """The light of print or plate, whichever is brighter, in its brightest channel."""
        return float(max(self.print_light.max(), self.plate_light.max()))


def print_and_plate(light: NDArray[np.float32], u_mm: Floats) -> PrintAndPlate:
    """Gather the colours of print and plate.

    Parameters
    ----------
    light : ndarray of float32, shape (N, S, U, 3)
        Linear light of straightened patches of N lines.
    u_mm : ndarray, shape (U,)
        Places across them, the line about zero.
    """
    return prints_and_plates(light[None], u_mm)[0]


def prints_and_plates(light: NDArray[np.float32], u_mm: Floats) -> list[PrintAndPlate]:
    """Gather the colours of print and plate in several places, light (P, N, S, U, 3)."""
    printed, bare = (
        np.ascontiguousarray(light[:, :, :, where].reshape(len(light), -1, 3).swapaxes(1, 2), float)
        for where in (np.abs(u_mm) < 0.08, np.abs(u_mm) > u_mm[-1] - 0.15)
    )
    on_print, on_plate = medians(printed), medians(bare)
    within = _scatter(printed, on_print) + _scatter(bare, on_plate)
    return [
        PrintAndPlate(print_light=one, plate_light=other, within=both)
        for one, other, both in zip(on_print, on_plate, within, strict=True)
    ]


def luminance_axis(colours: PrintAndPlate) -> ColourAxis:
    """Return luminance (Rec. ITU-R BT.709), and how well it tells print from plate here."""
    step = float(_LUMINANCE @ colours.apart)
    separation = abs(step) / np.sqrt(float(_LUMINANCE @ colours.within @ _LUMINANCE) + 1e-9)
    if abs(step) <= _NO_STEP:
        return _no_axis(colours)
    return _along(_LUMINANCE / step, float(separation), colours)


def discriminant_axis(colours: PrintAndPlate) -> ColourAxis:
    """Return the direction of Fisher's discriminant (Annals of Eugenics 7 (1936) 179-188)."""
    floor = 1e-7 + 1e-2 * np.trace(colours.within)
    axis = np.linalg.solve(colours.within + np.eye(3) * floor, colours.apart)
    gain = float(axis @ colours.apart)
    if gain <= _NO_STEP:
        return _no_axis(colours)
    return _along(axis / gain, float(np.sqrt(gain)), colours)


def _no_axis(colours: PrintAndPlate) -> ColourAxis:
    """Return what stands where print and plate cannot be told apart."""
    return _along(_LUMINANCE, 0.0, colours)


def _along(axis: Floats, separation: float, colours: PrintAndPlate) -> ColourAxis:
    return ColourAxis(
        axis=axis,
        separation=separation,
        apart=np.asarray(colours.apart / max(colours.brightest, 1e-6)),
        print_level=float(axis @ colours.print_light),
    )


def _scatter(values: Floats, middle: Floats) -> Floats:
    """Return the covariances of values (P, 3, N) that a few outliers do not move: (P, 3, 3)."""
    away = np.abs(values - middle[..., None]).sum(axis=1)
    count = max(2, int(0.9 * away.shape[1]))
    nearest = np.argpartition(away, count - 1)[:, None, :count]
    kept = np.take_along_axis(values, nearest, axis=2)
    kept = kept - kept.mean(axis=2, keepdims=True)
    return np.asarray(kept @ kept.swapaxes(1, 2) / (count - 1))
