"""The width of a blurred bar: both edges fitted at once to many profiles.

    I(u) = b0 + b1 u + c [1 + t (u - m)] B(m - w/2, m + w/2)
                     + l B(m - w/2 - q, m - w/2 + q) + r B(m + w/2 - q, m + w/2 + q)
    B(x, y) = Phi((u - x)/s) - Phi((u - y)/s)

The rims, l on the left and r on the right, reach q to either side of an edge: the steep side of the
bead within and its contact shadow without, darker or brighter than the flat top and different from
each other under one-sided light.

The half-level distance of a bar narrower than four blurs is biased (by -0.57 s at w = 1.5 s), so
the blurred bar is fitted instead; at a perfect edge the two agree (Cho, Yoon, Jung, Sensors 18(8)
(2018) 2644, doi 10.3390/s18082644: a threshold half-way between the levels minimises the error).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

__all__ = ["BarFit", "fit_bars"]

Floats = NDArray[np.float64]

# middle, width, blur, level, slope of the level, contrast, tilt of the top, left and right rim
_PARAMETERS = 9
_ITERATIONS = 25
_HUBER = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BarFit:
    """Bars fitted to N profiles; arrays of shape (N,), lengths in the unit of `u`.

    Attributes
    ----------
    middle, width, blur : ndarray of float
        Middle and width of the bar and the standard deviation of its blur.
    level, contrast : ndarray of float
        Background at u = 0, and bar minus background.
    rms : ndarray of float
        Residual, in the profile's unit.
    converged : ndarray of bool
        Whether the fit ended on a bar inside the profile.
    """

    middle: Floats
    width: Floats
    blur: Floats
    level: Floats
    contrast: Floats
    rms: Floats
    converged: NDArray[np.bool_]


def _start(profiles: Floats, u: Floats, blur: Floats) -> Floats:
    """Guess the parameters from the profile's moments."""
    count = len(u)
    tenth = max(2, count // 10)
    ends = np.concatenate([profiles[:, :tenth], profiles[:, -tenth:]], axis=1)
    level = np.median(ends, axis=1)
    away = profiles - level[:, None]
    near = np.abs(u) < 0.35 * np.abs(u).max()
    contrast = np.median(away[:, np.abs(u) < 0.15 * np.abs(u).max()], axis=1)
    contrast = np.where(np.abs(contrast) < 1e-9, 1e-9, contrast)
    share = np.clip(away / contrast[:, None], 0, 1.2)
    width = np.clip(share.sum(axis=1) * (u[1] - u[0]), 2 * (u[1] - u[0]), 1.2 * np.abs(u).max())
    weight = share * near
    middle = (weight * u).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    zero = np.zeros_like(level)
    return np.stack([middle, width, blur, level, zero, contrast, zero, zero, zero], axis=1)


def _density(scaled: Floats, blur: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * scaled**2) / (np.sqrt(2 * np.pi) * blur))


def _model(p: Floats, u: Floats, rim: float) -> tuple[Floats, Floats]:
    """Return values (N, U) and derivatives (N, U, 9)."""
    middle, width, blur, level, slope, contrast, tilt, on_left, on_right = (
        p[:, k : k + 1] for k in range(_PARAMETERS)
    )
    v = u - middle
    left, right = (v + width / 2) / blur, (v - width / 2) / blur
    out_left, in_left = left + rim / blur, left - rim / blur
    in_right, out_right = right + rim / blur, right - rim / blur
    bar = ndtr(left) - ndtr(right)
    band_left = ndtr(out_left) - ndtr(in_left)
    band_right = ndtr(in_right) - ndtr(out_right)
    d_left, d_right = _density(left, blur), _density(right, blur)
    d_out_left, d_in_left = _density(out_left, blur), _density(in_left, blur)
    d_in_right, d_out_right = _density(in_right, blur), _density(out_right, blur)
    top = contrast * (1 + tilt * v)
    value = level + slope * u + top * bar + on_left * band_left + on_right * band_right
    # Movement of the left and of the right edge to the right, their rims with them.
    move_left = -top * d_left - on_left * (d_out_left - d_in_left)
    move_right = top * d_right - on_right * (d_in_right - d_out_right)
    d = np.empty((*value.shape, _PARAMETERS))
    d[..., 0] = move_left + move_right - contrast * tilt * bar
    d[..., 1] = (move_right - move_left) / 2
    d[..., 2] = -(
        top * (d_left * left - d_right * right)
        + on_left * (d_out_left * out_left - d_in_left * in_left)
        + on_right * (d_in_right * in_right - d_out_right * out_right)
    )
    d[..., 3] = 1.0
    d[..., 4] = u
    d[..., 5] = (1 + tilt * v) * bar
    d[..., 6] = contrast * v * bar
    d[..., 7] = band_left
    d[..., 8] = band_right
    return value, d


def fit_bars(
    profiles: Floats,
    u: Floats,
    *,
    blur: Floats,
    blur_sd: float,
    tilt_sd: float = 0.5,
    rim: float,
    rim_sd: float = 0.5,
) -> BarFit:
    """Fit a blurred bar to each profile by damped, robust Gauss-Newton steps, all at once.

    Parameters
    ----------
    profiles : ndarray, shape (N, U)
        Values across the bar.
    u : ndarray, shape (U,)
        Evenly spaced places of the values, the bar near zero.
    blur : ndarray, shape (N,)
        Expected standard deviation of the blur.
    blur_sd : float
        How far it may be off (relative).
    tilt_sd : float
        How far the brightness of the bar's top may change across it (relative, per unit of `u`).
    rim : float
        How far the rims reach to either side of an edge.
    rim_sd : float
        How far their brightness may differ from the top's, as a part of the contrast.

    Returns
    -------
    BarFit
        Profiles without a bar come back with ``converged`` False.
    """
    p = _start(profiles, u, blur)
    extent = float(np.abs(u).max())
    step_u = float(u[1] - u[0])
    spread = np.maximum(np.median(np.abs(np.diff(profiles, axis=1)), axis=1), 1e-6)
    expected = np.zeros_like(p)
    expected[:, 2] = blur
    prior = np.zeros((len(p), _PARAMETERS))
    damping = np.full(len(p), 1e-3)
    value, d = _model(p, u, rim)
    noise = spread
    cost = np.full(len(p), np.inf)
    for _ in range(_ITERATIONS):
        residual = profiles - value
        noise = np.maximum(1.4826 * np.median(np.abs(residual), axis=1), 0.02 * spread)
        scaled = np.abs(residual) / noise[:, None]
        weight = np.minimum(1.0, _HUBER / np.maximum(scaled, 1e-9))
        prior[:, 2] = (noise / (blur_sd * blur)) ** 2
        prior[:, 6] = (noise / tilt_sd) ** 2
        prior[:, 7:] = ((noise / (rim_sd * np.abs(p[:, 5]) + 1e-9)) ** 2)[:, None]
        gradient = np.einsum("nu,nu,nuk->nk", weight, residual, d) + prior * (expected - p)
        hessian = np.einsum("nu,nuj,nuk->njk", weight, d, d)
        diagonal = np.einsum("njj->nj", hessian)
        diagonal += prior
        diagonal *= 1 + damping[:, None]
        diagonal += 1e-12
        cost = (weight * residual**2).sum(axis=1) + (prior * (expected - p) ** 2).sum(axis=1)
        change = np.linalg.solve(hessian, gradient[..., None])[..., 0]
        change[:, :2] = np.clip(change[:, :2], -0.25 * extent, 0.25 * extent)
        trial = p + change
        trial[:, 0] = np.clip(trial[:, 0], -0.7 * extent, 0.7 * extent)
        trial[:, 1] = np.clip(trial[:, 1], step_u, 1.9 * extent)
        trial[:, 2] = np.clip(trial[:, 2], 0.3 * blur, 3.0 * blur)
        trial_value, trial_d = _model(trial, u, rim)
        left = (weight * (profiles - trial_value) ** 2).sum(axis=1)
        left += (prior * (expected - trial) ** 2).sum(axis=1)
        better = left <= cost
        p = np.where(better[:, None], trial, p)
        value = np.where(better[:, None], trial_value, value)
        d = np.where(better[:, None, None], trial_d, d)
        damping = np.clip(np.where(better, damping / 4, damping * 8), 1e-7, 1e6)
        if np.all(np.abs(change[:, :2]).max(axis=1) < 1e-4 * extent):
            break
    rms = np.sqrt(((profiles - value) ** 2).mean(axis=1))
    inside = (np.abs(p[:, 0]) < 0.65 * extent) & (p[:, 1] > 1.5 * step_u)
    inside &= (np.abs(p[:, 0]) + p[:, 1] / 2 < 0.95 * extent) & np.isfinite(p).all(axis=1)
    return BarFit(
        middle=p[:, 0],
        width=p[:, 1],
        blur=p[:, 2],
        level=p[:, 3],
        contrast=p[:, 5],
        rms=rms,
        converged=inside,
    )
