"""Shapes of a bed, none of them bilinear, and the printer's own mesh compensation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

__all__ = [
    "BedShape",
    "Compensation",
    "bilinear_of",
    "dent",
    "dome",
    "flat",
    "random_bed",
    "saddle",
    "sampled_mesh",
    "tilt",
]

Outline = tuple[float, float, float, float]
PLATE: Outline = (0.0, 0.0, 220.0, 220.0)


@dataclass(frozen=True, slots=True)
class BedShape:
    """The true height of a bed in mm at any place, and the outline of its plate.

    Shapes add up: ``tilt(0.1) + dome(0.2)``.
    """

    height: Callable[[np.ndarray, np.ndarray], np.ndarray]
    outline: Outline = PLATE

    def __call__(self, x_mm: object, y_mm: object) -> np.ndarray:
        return self.height(np.asarray(x_mm, float), np.asarray(y_mm, float))

    def __add__(self, other: BedShape) -> BedShape:
        return BedShape(lambda x, y: self.height(x, y) + other.height(x, y), self.outline)

    def raised(self, by_mm: float) -> BedShape:
        """Return the bed lifted as a whole."""
        return BedShape(lambda x, y: self.height(x, y) + by_mm, self.outline)

    def peak_to_valley(self, outline: Outline | None = None) -> float:
        """Return highest minus lowest height in mm over the outline (a grid of 81 x 81)."""
        x0, y0, x1, y1 = outline or self.outline
        z = self(*np.meshgrid(np.linspace(x0, x1, 81), np.linspace(y0, y1, 81)))
        return float(z.max() - z.min())


def _unit(outline: Outline, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return coordinates that run from -1 to 1 over the plate."""
    x0, y0, x1, y1 = outline
    return 2 * (x - x0) / (x1 - x0) - 1, 2 * (y - y0) / (y1 - y0) - 1


def flat(height_mm: float = 0.0, outline: Outline = PLATE) -> BedShape:
    """Return an even bed."""
    return BedShape(lambda x, y: np.zeros(np.broadcast(x, y).shape) + height_mm, outline)


def tilt(rise_x_mm: float, rise_y_mm: float = 0.0, outline: Outline = PLATE) -> BedShape:
    """Return a plane that rises so much from edge to edge."""

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        u, v = _unit(outline, x, y)
        return 0.5 * (rise_x_mm * u + rise_y_mm * v)

    return BedShape(height, outline)


def dome(peak_to_valley_mm: float, outline: Outline = PLATE) -> BedShape:
    """Return a bed high in the middle (low, if negative), its corners the other extreme."""

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        u, v = _unit(outline, x, y)
        return peak_to_valley_mm * (0.5 - (u**2 + v**2) / 2)

    return BedShape(height, outline)


def saddle(peak_to_valley_mm: float, turn_deg: float = 0.0, outline: Outline = PLATE) -> BedShape:
    """Return a saddle; turned by 45 degrees it is the twist between opposite corners."""
    c, s = np.cos(np.radians(2 * turn_deg)), np.sin(np.radians(2 * turn_deg))

    def raw(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        u, v = _unit(outline, x, y)
        return c * (u**2 - v**2) + s * 2 * u * v

    scale = peak_to_valley_mm / BedShape(raw, outline).peak_to_valley()
    return BedShape(lambda x, y: scale * raw(x, y), outline)


def dent(
    depth_mm: float, x_mm: float, y_mm: float, radius_mm: float = 25.0, outline: Outline = PLATE
) -> BedShape:
    """Return an even bed with one soft hollow of that depth (a bump, if negative)."""

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        r2 = ((x - x_mm) ** 2 + (y - y_mm) ** 2) / radius_mm**2
        return -depth_mm / (1 + r2) ** 2

    return BedShape(height, outline)


def random_bed(
    seed: int,
    peak_to_valley_mm: float = 0.3,
    outline: Outline = PLATE,
    shortest_mm: float = 90.0,
) -> BedShape:
    """Return a random smooth bed: plane waves no shorter than `shortest_mm`, mean zero.

    Its peak to valley over the plate is the one asked for.
    """
    rng = np.random.default_rng([seed, 11])
    count = 14
    length = shortest_mm * 4.0 ** rng.uniform(0, 1, count)
    angle, phase = rng.uniform(0, 2 * np.pi, (2, count))
    kx, ky = 2 * np.pi * np.cos(angle) / length, 2 * np.pi * np.sin(angle) / length
    amp = rng.normal(0, 1, count) * (length / shortest_mm) ** 1.2

    def raw(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        waves = np.cos(np.multiply.outer(x, kx) + np.multiply.outer(y, ky) + phase)
        return waves @ amp

    x0, y0, x1, y1 = outline
    grid = raw(*np.meshgrid(np.linspace(x0, x1, 81), np.linspace(y0, y1, 81)))
    scale, middle = peak_to_valley_mm / (grid.max() - grid.min()), grid.mean()
    return BedShape(lambda x, y: scale * (raw(x, y) - middle), outline)


def bilinear_of(
    nodes_x: np.ndarray, nodes_y: np.ndarray, values: np.ndarray, x: np.ndarray, y: np.ndarray
) -> np.ndarray:
    """Interpolate ``values[row, column]`` bilinearly; outside the grid the edge value holds."""
    x = np.clip(x, nodes_x[0], nodes_x[-1])
    y = np.clip(y, nodes_y[0], nodes_y[-1])
    i = np.clip(np.searchsorted(nodes_x, x, side="right") - 1, 0, len(nodes_x) - 2)
    j = np.clip(np.searchsorted(nodes_y, y, side="right") - 1, 0, len(nodes_y) - 2)
    p = (x - nodes_x[i]) / (nodes_x[i + 1] - nodes_x[i])
    q = (y - nodes_y[j]) / (nodes_y[j + 1] - nodes_y[j])
    low = values[j, i] * (1 - p) + values[j, i + 1] * p
    high = values[j + 1, i] * (1 - p) + values[j + 1, i + 1] * p
    return low * (1 - q) + high * q


@dataclass(frozen=True, slots=True)
class Compensation:
    """The mesh in force: node places, and what is added to Z there, ``values_mm[row, column]``."""

    nodes_x: np.ndarray
    nodes_y: np.ndarray
    values_mm: np.ndarray

    def __call__(self, x_mm: object, y_mm: object) -> np.ndarray:
        return bilinear_of(
            np.asarray(self.nodes_x, float),
            np.asarray(self.nodes_y, float),
            np.asarray(self.values_mm, float),
            np.asarray(x_mm, float),
            np.asarray(y_mm, float),
        )


def sampled_mesh(bed: BedShape, nodes_x: object, nodes_y: object) -> Compensation:
    """Return the mesh that is right at every node of this bed (and wrong between them)."""
    nx, ny = np.asarray(nodes_x, float), np.asarray(nodes_y, float)
    return Compensation(nx, ny, bed(*np.meshgrid(nx, ny)))
