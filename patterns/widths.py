"""The width of a comb's track as a photo shows it, with everything about it that is not known.

    w = v + b + b_p + (n + n_p) exp((0.4 mm - v) / 0.12 mm)
    v = A (1 + f + f_p) (1 - c (0.1/g)^3) / g  +  (k + k_p + kappa_p) g
    g = g_p + (1 + q) (z - z_mid) + (z_mid - z_target) + e_z + s_p u + r_p |u|

One number is wanted for each pad: its gap ``g_p``. Everything else is a nuisance with a prior,
common to the sheet or own to a pad: flow ``f``, back pressure ``c``, side factor ``k``, the photo's
edge bias ``b`` and what narrow lines have of it besides, ``n``, where the blur of one edge reaches
the other, ``n_p`` where highlights are cut off; step scale ``q``, error of each step ``e_z``, slope
of the bed across the pad ``s_p``, kink ``r_p`` of a mesh that was in force but is not known.
``kappa_p = 1/cos(theta) - 1`` is known from the viewing angle across the track: the silhouette of a
bead of height ``g`` seen obliquely is wider by that part of its height.

The common and the pad parameters form an arrow-shaped normal matrix, so a sheet of any size is
solved pad by pad (`ArrowSystem`). The ladder is designed and the photo is fitted with the same
model and the same priors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bead import SIDE_FACTOR, round_diameter_mm

__all__ = [
    "CHOKED_BELOW_MM",
    "COMMON",
    "PAD",
    "ROUND_ABOVE",
    "ArrowSystem",
    "Comb",
    "common_priors",
    "pad_priors",
    "readable",
    "tells_something",
    "track_gaps",
    "track_widths",
    "width_noise_mm",
    "widths_and_flow",
]

Floats = NDArray[np.float64]

COMMON = ("flow", "back_pressure", "side_factor", "bias_mm", "step_scale", "narrow_mm")
"""Common parameters, followed by one step error in millimetres for each distinct height."""

PAD = ("gap_mm", "flow", "side_factor", "bias_mm", "slope", "kink", "narrow_mm")
"""Parameters of each pad."""

CHOKED_BELOW_MM = 0.075
"""Common practice, no source: nearer to the bed than this the nozzle chokes."""

_ROUND_NOISE_MM = 0.025
"""How far the seen width of a round strand may be from its diameter."""

ROUND_ABOVE = 0.97
"""Part of the round diameter above which the width no longer tells the gap."""

# Priors, mean and standard deviation. Flow covers a filament diameter 0.05 mm off (5.7 % of area).
# Back pressure: to leave through a gap of 0.1 mm under the flat takes some twice the pressure of
# the bore itself (Hagen-Poiseuille in the bore, lubrication in the gap), for which a drive lacks
# half a per cent (common practice, no source). The side factor covers the rectangle (0), the
# ellipse and the semicircle (0.21), and what light on the sides does: seen from above they are half
# the height each, and may look like the plate or cast a shadow that looks like print. All of that
# goes with the height; the edge bias is what blur, tone curve and sharpening do whatever it is.
_COMMON_PRIOR = {
    "flow": (0.0, 0.06),
    "back_pressure": (0.01, 0.02),
    "side_factor": (SIDE_FACTOR, 0.28),
    "bias_mm": (0.0, 0.04),
    "step_scale": (0.0, 0.01),
    "narrow_mm": (0.0, 0.03),
}
# A line as wide as this has the whole of the error of narrow lines, a wider one less and less.
_NARROW_MM, _NARROW_FADE_MM = 0.40, 0.12
# The model goes no nearer: there the width would grow without end.
_LEAST_GAP_MM = 0.03
_STEP_ERROR_MM = 0.004
_PAD_PRIOR = {
    "gap_mm": (0.2, 10.0),
    "flow": (0.0, 0.015),
    "side_factor": (0.0, 0.05),
    "bias_mm": (0.0, 0.02),
    "slope": (0.0, 0.004),
    # In millimetres per millimetre to either side; the fit lets a mesh in that it does not know.
    "kink": (0.0, 1e-6),
    # Let in where the photo's highlights are cut off.
    "narrow_mm": (0.0, 1e-6),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Comb:
    """The tracks of a comb as arrays, all of shape (T,).

    Attributes
    ----------
    height_mm, area_mm2, offset_mm : ndarray of float
        Commanded nozzle height and cross-section; place across the pad.
    level : ndarray of int
        Index of each track's height among the distinct heights, rising.
    target_mm : float
        Height at which the pad's gap is reported.
    flat_mm : float
        Diameter of the nozzle's flat face; no wider line counts.
    """

    height_mm: Floats
    area_mm2: Floats
    offset_mm: Floats
    level: NDArray[np.intp]
    target_mm: float
    flat_mm: float

    @classmethod
    def of(
        cls,
        height_mm: Floats,
        area_mm2: Floats,
        offset_mm: Floats,
        *,
        target_mm: float,
        flat_mm: float,
    ) -> Comb:
        """Make a comb, numbering its distinct heights."""
        level = np.unique(np.round(height_mm, 6), return_inverse=True)[1].astype(np.intp)
        return cls(
            height_mm=np.asarray(height_mm, float),
            area_mm2=np.asarray(area_mm2, float),
            offset_mm=np.asarray(offset_mm, float),
            level=level,
            target_mm=target_mm,
            flat_mm=flat_mm,
        )

    @property
    def levels(self) -> int:
        """Number of distinct heights."""
        return int(self.level.max()) + 1

    @property
    def heights_mm(self) -> Floats:
        """The distinct heights, rising."""
        return self.height_mm[[int((self.level == k).argmax()) for k in range(self.levels)]]

    @property
    def middle_mm(self) -> float:
        """Middle of the ladder, about which its scale may be off."""
        return float(self.height_mm.min() + self.height_mm.max()) / 2


def common_priors(levels: int) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of the common parameters, shape (6 + levels,)."""
    pairs = [_COMMON_PRIOR[name] for name in COMMON] + [(0.0, _STEP_ERROR_MM)] * levels
    return np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])


def pad_priors() -> tuple[Floats, Floats]:
    """Return mean and standard deviation of a pad's parameters, shape (7,)."""
    pairs = [_PAD_PRIOR[name] for name in PAD]
    return np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])


def track_gaps(comb: Comb, common: Floats, pads: Floats, kink_mm: Floats | float = 0.0) -> Floats:
    """Return the gap under every track.

    Parameters
    ----------
    comb : Comb
        T tracks.
    common : ndarray, shape (6 + levels,)
        Common parameters.
    pads : ndarray, shape (P, 7)
        Parameters of each pad.
    kink_mm : ndarray, shape (P, T), or float
        Known part of the gap: what the mesh in force adds to the value at the pad's centre.

    Returns
    -------
    ndarray, shape (P, T)
        Millimetres.
    """
    step = (1 + common[4]) * (comb.height_mm - comb.middle_mm) + comb.middle_mm - comb.target_mm
    step = step + common[len(COMMON) + comb.level]
    bed = pads[:, :1] + pads[:, 4:5] * comb.offset_mm + pads[:, 5:6] * np.abs(comb.offset_mm)
    return np.asarray(bed + step + kink_mm)


def widths_and_flow(
    comb: Comb,
    common: Floats,
    pads: Floats,
    *,
    kappa: Floats | float = 0.0,
    kink_mm: Floats | float = 0.0,
) -> tuple[Floats, Floats, Floats]:
    """Return predicted widths, their derivatives by the pad's flow, and the gaps, each (P, T).

    As `track_widths` does, without its other derivatives.
    """
    seen = _seen(comb, common, pads, kappa, kink_mm)
    return seen.width, seen.by_flow, seen.true_gap


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """What a photo shows of tracks, and the parts that its derivatives are made of, (P, T)."""

    width: Floats
    true_gap: Floats
    by_flow: Floats
    narrow: Floats
    # Part of a change of the true width that the seen one takes.
    share: Floats
    g: Floats
    free: NDArray[np.bool_]
    side: Floats
    # Width of a rectangle with the flow of the track, and the part of it that is throttled.
    flat: Floats
    back_pressure: float
    cubed: Floats

    @property
    def by_gap(self) -> Floats:
        pressed = (self.true_gap > _LEAST_GAP_MM) & ~self.free
        by_gap = -self.flat / self.g * (1 - 4 * self.back_pressure * self.cubed) + self.side
        return np.asarray(np.where(pressed, by_gap, 0.0) * self.share)

    @property
    def by_side(self) -> Floats:
        return np.asarray(np.where(self.free, 0.0, self.g) * self.share)

    @property
    def by_pressure(self) -> Floats:
        return np.asarray(np.where(self.free, 0.0, -self.flat * self.cubed) * self.share)


def _seen(
    comb: Comb, common: Floats, pads: Floats, kappa: Floats | float, kink_mm: Floats | float
) -> _Seen:
    true_gap = track_gaps(comb, common, pads, kink_mm)
    flow = 1 + common[0] + pads[:, 1:2]
    limit = round_diameter_mm(comb.area_mm2 * np.maximum(flow, 0.1))
    g = np.clip(true_gap, _LEAST_GAP_MM, limit)
    free = true_gap >= limit
    ratio = 0.1 / g
    cubed = ratio * ratio * ratio
    base = comb.area_mm2 / g
    flat = base * flow
    throttle = 1 - common[1] * cubed
    side = common[2] + pads[:, 2:3] + kappa
    true_width = np.where(free, (1 + kappa) * limit, flat * throttle + side * g)
    narrow = np.exp((_NARROW_MM - true_width) / _NARROW_FADE_MM)
    by_narrow = common[5] + pads[:, 6:7]
    share = 1 - by_narrow * narrow / _NARROW_FADE_MM
    return _Seen(
        width=true_width + common[3] + pads[:, 3:4] + by_narrow * narrow,
        true_gap=true_gap,
        by_flow=np.where(free, (1 + kappa) * limit / (2 * flow), base * throttle) * share,
        narrow=narrow,
        share=share,
        g=g,
        free=free,
        side=side,
        flat=flat,
        back_pressure=float(common[1]),
        cubed=cubed,
    )


def track_widths(
    comb: Comb,
    common: Floats,
    pads: Floats,
    *,
    kappa: Floats | float = 0.0,
    kink_mm: Floats | float = 0.0,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return predicted widths, their derivatives, and the gaps.

    Parameters
    ----------
    comb, common, pads, kink_mm
        As for `track_gaps`.
    kappa : ndarray, shape (P, 1), or float
        ``1/cos(theta) - 1`` of the viewing angle across the tracks.

    Returns
    -------
    width : ndarray, shape (P, T)
        Millimetres. Above the round diameter it is the round diameter.
    d_common : ndarray, shape (P, T, 6 + levels)
    d_pad : ndarray, shape (P, T, 7)
    gap : ndarray, shape (P, T)
    """
    seen = _seen(comb, common, pads, kappa, kink_mm)
    d_gap, shape = seen.by_gap, seen.width.shape
    d_pad = np.empty((*shape, len(PAD)))
    d_pad[..., 0] = d_gap
    d_pad[..., 1] = seen.by_flow
    d_pad[..., 2] = seen.by_side
    d_pad[..., 3] = 1.0
    d_pad[..., 4] = d_gap * comb.offset_mm
    d_pad[..., 5] = d_gap * np.abs(comb.offset_mm)
    d_pad[..., 6] = seen.narrow
    d_common = np.zeros((*shape, len(COMMON) + comb.levels))
    d_common[..., 0] = seen.by_flow
    d_common[..., 1] = seen.by_pressure
    d_common[..., 2] = d_pad[..., 2]
    d_common[..., 3] = 1.0
    d_common[..., 4] = d_gap * (comb.height_mm - comb.middle_mm)
    d_common[..., 5] = seen.narrow
    d_common[:, np.arange(shape[1]), len(COMMON) + comb.level] = d_gap
    return seen.width, d_common, d_pad, seen.true_gap


def readable(comb: Comb, gap: Floats, width: Floats) -> NDArray[np.bool_]:
    """Tell which tracks are neither choked, nor round, nor wider than the nozzle's flat.

    Parameters
    ----------
    gap, width : ndarray, shape (P, T)
        Predicted gap and width in millimetres.
    """
    pressed = gap < ROUND_ABOVE * round_diameter_mm(comb.area_mm2)
    return np.asarray(tells_something(comb, gap, width) & pressed)


def tells_something(comb: Comb, gap: Floats, width: Floats) -> NDArray[np.bool_]:
    """Tell which tracks the model describes at all: a round one says at least that it is round.

    Parameters and shapes are those of `readable`.
    """
    return np.asarray((gap > CHOKED_BELOW_MM) & (width < comb.flat_mm))


def width_noise_mm(comb: Comb, gap: Floats) -> Floats:
    """Return the standard deviation of one track's width that a design reckons with, (P, T), in mm.

    A reading error of 0.008 mm and a flow that varies by 1 % from track to track, in quadrature;
    0.025 mm for a strand that is round or nearly so, which wanders and is not yet flat.
    """
    pressed = np.hypot(0.008, 0.01 * comb.area_mm2 / np.maximum(gap, 0.05))
    nearly_round = gap > 0.93 * round_diameter_mm(comb.area_mm2)
    return np.asarray(np.where(nearly_round, _ROUND_NOISE_MM, pressed))


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrowSystem:
    """Normal equations of all pads and the common parameters, the pads eliminated.

    Attributes
    ----------
    pad_inverse : ndarray, shape (P, 7, 7)
        Inverse of each pad's own block.
    coupling : ndarray, shape (P, 7, C)
        ``pad_inverse`` times the block that couples the pad to the common parameters.
    common_inverse : ndarray, shape (C, C)
        Covariance of the common parameters.
    """

    pad_inverse: Floats
    coupling: Floats
    common_inverse: Floats

    @classmethod
    def build(
        cls, d_common: Floats, d_pad: Floats, weight: Floats, common_sd: Floats, pad_sd: Floats
    ) -> ArrowSystem:
        """Assemble from derivatives (P, T, C), (P, T, 7), weights (P, T) and the priors' sigmas.

        `common_sd` has the shape (C,), `pad_sd` (7,) or (P, 7).
        """
        weighted = np.swapaxes(d_pad * weight[..., None], 1, 2)
        own = weighted @ d_pad
        own[:, np.arange(len(PAD)), np.arange(len(PAD))] += pad_sd**-2.0
        cross = weighted @ d_common
        shared = d_common.reshape(-1, d_common.shape[2])
        whole = (shared * weight.reshape(-1, 1)).T @ shared + np.diag(common_sd**-2)
        inverse = np.asarray(np.linalg.inv(own), float)
        coupling = inverse @ cross
        flat = (-1, cross.shape[2])
        reduced = whole - cross.reshape(flat).T @ coupling.reshape(flat)
        common = np.asarray(np.linalg.inv(reduced), float)
        return cls(pad_inverse=inverse, coupling=coupling, common_inverse=common)

    def step(self, common_gradient: Floats, pad_gradient: Floats) -> tuple[Floats, Floats]:
        """Solve for the change of common (C,) and pad (P, 7) parameters."""
        reduced = common_gradient - np.einsum("pic,pi->c", self.coupling, pad_gradient)
        common = self.common_inverse @ reduced
        own = np.einsum("pij,pj->pi", self.pad_inverse, pad_gradient) - self.coupling @ common
        return common, own

    def gap_covariance_mm2(self) -> Floats:
        """Return the covariance of the pads' gaps, shape (P, P)."""
        link = self.coupling[:, 0, :]
        covariance: Floats = link @ self.common_inverse @ link.T
        covariance[np.diag_indices_from(covariance)] += self.pad_inverse[:, 0, 0]
        return covariance
