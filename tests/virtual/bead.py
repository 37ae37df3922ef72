"""The cross-section of one extruded bead, from the melt laid down and the nozzle gap.

A pressed bead is as high as the gap, flat on top, and each side bulges out as half of a
super-ellipse

    (d / depth)^n + |2 z / h - 1|^n = 1,      depth = fraction * h / 2

whose area is ``depth * h * side_fill(n)``. Width follows from conservation of area. Close to the
height from which a strand falls free the section passes smoothly into the circle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import gamma

__all__ = ["BeadSettings", "Sections", "cross_section", "half_width_at", "side_fill"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BeadSettings:
    """How this melt behaves.

    Attributes
    ----------
    exponent : float
        Exponent n of the super-ellipse of the sides.
    depth_fraction : float
        Depth of a side as a fraction of half the height.
    slip : float
        Share of the melt that back pressure holds up at a gap of 0.1 mm.
    slip_power : float
        How fast that share grows as the gap closes.
    choke_mm : float
        Below this gap the nozzle is nearly closed.
    curl : float
        Share of the width beyond the nozzle's flat that stands up as a lip instead.
    lag_mm : float
        Path over which the flow follows a change of the commanded one.
    start_flow : float
        Share of the commanded flow with which a run begins.
    wander : float
        Sideways wander of a free strand, mm per mm of fall (plus a fixed small part).
    pad_noise, track_noise, path_noise : float
        Relative flow noise: over some 30 mm of bed, from one piece of path to the next, along it.
    path_correlation_mm : float
        Correlation length of `path_noise`.
    edge_noise_mm : float
        Roughness of each edge.
    """

    exponent: float = 2.3
    depth_fraction: float = 0.9
    slip: float = 0.02
    slip_power: float = 2.4
    choke_mm: float = 0.06
    curl: float = 0.45
    lag_mm: float = 0.6
    start_flow: float = 0.6
    wander: float = 0.5
    pad_noise: float = 0.006
    track_noise: float = 0.004
    path_noise: float = 0.012
    path_correlation_mm: float = 2.0
    edge_noise_mm: float = 0.004

    @classmethod
    def random(cls, seed: int) -> BeadSettings:
        """Draw another filament and nozzle."""
        rng = np.random.default_rng([seed, 21])
        return cls(
            exponent=rng.uniform(2.0, 2.8),
            depth_fraction=rng.uniform(0.75, 1.0),
            slip=rng.uniform(0.0, 0.05),
            slip_power=rng.uniform(1.8, 3.0),
            choke_mm=rng.uniform(0.053, 0.066),
            curl=rng.uniform(0.3, 0.6),
            lag_mm=rng.uniform(0.3, 1.0),
            start_flow=rng.uniform(0.35, 0.95),
            wander=rng.uniform(0.3, 0.8),
            pad_noise=rng.uniform(0.003, 0.012),
            track_noise=rng.uniform(0.002, 0.007),
            path_noise=rng.uniform(0.006, 0.02),
            path_correlation_mm=rng.uniform(1.0, 3.0),
            edge_noise_mm=rng.uniform(0.002, 0.006),
        )

    def quiet(self) -> BeadSettings:
        """Return the same melt without any noise, lag or wander."""
        return replace(
            self,
            lag_mm=0.0,
            wander=0.0,
            pad_noise=0.0,
            track_noise=0.0,
            path_noise=0.0,
            edge_noise_mm=0.0,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sections:
    """Cross-sections, one entry for each node of the path, millimetres.

    `area` is what was really laid down (square mm), `lip_area` the part of it that stands on the
    edges; `state` is 0 pressed, 1 free strand, 2 choked, 3 smear.
    """

    width: np.ndarray
    height: np.ndarray
    depth: np.ndarray
    exponent: np.ndarray
    area: np.ndarray
    lip_area: np.ndarray
    opacity: np.ndarray
    state: np.ndarray


def side_fill(exponent: np.ndarray | float) -> np.ndarray:
    """Return the area under ``(1 - u^n)^(1/n)`` for u from 0 to 1 (pi/4 for n = 2)."""
    n = np.asarray(exponent, float)
    return gamma(1 + 1 / n) ** 2 / gamma(1 + 2 / n)


def half_width_at(
    z: np.ndarray, width: float, height: float, depth: float, exponent: float
) -> np.ndarray:
    """Return half the width of the section at height `z` above the bed."""
    bulge = np.clip(1 - np.abs(2 * z / height - 1) ** exponent, 0, 1) ** (1 / exponent)
    return width / 2 - depth + depth * bulge


def cross_section(
    area: np.ndarray, gap: np.ndarray, settings: BeadSettings, nozzle_flat_mm: float = 1.0
) -> Sections:
    """Return what the bead looks like for the melt `area` (mm2) supplied at each `gap` (mm)."""
    s = settings
    area, gap = np.broadcast_arrays(np.asarray(area, float), np.asarray(gap, float))
    safe = np.maximum(gap, 0.012)
    held = s.slip * (1 - np.exp(-((0.1 / safe) ** s.slip_power))) / (1 - np.exp(-1.0))
    choked = gap < s.choke_mm
    laid = area * (1 - held) * np.where(choked, (safe / s.choke_mm) ** 2.2, 1.0)
    strand = np.sqrt(4 * laid / np.pi)
    free = safe >= strand
    height = np.where(free, strand, safe)
    # 0 while well pressed, 1 where the strand is just touched: there the section is a circle.
    t = np.clip((height / np.maximum(strand, 1e-9) - 0.8) / 0.2, 0, 1)
    round_off = t * t * (3 - 2 * t)
    exponent = s.exponent + (2.0 - s.exponent) * round_off
    fraction = s.depth_fraction + (1.0 - s.depth_fraction) * round_off
    depth = fraction * height / 2
    width = laid / np.maximum(height, 1e-9) + 2 * depth * (1 - side_fill(exponent))
    over = np.maximum(width - nozzle_flat_mm, 0.0) * s.curl
    smear = gap <= 0.012
    width = np.where(smear, 0.4, width - over)
    lip = np.where(smear, 0.0, over * height)
    return Sections(
        width=width,
        height=height,
        depth=np.minimum(depth, width / 2),
        exponent=exponent,
        area=laid,
        lip_area=lip,
        opacity=np.where(smear, 0.35, 1.0),
        state=np.select([smear, choked, free], [3, 2, 1], 0),
    )
