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
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padsheet.scoring.medians import medians
from padsheet.scoring.normal import below_and_density

__all__ = ["BarFit", "fit_bars"]

Floats = NDArray[np.float64]
Values = NDArray[np.floating[Any]]

# middle, width, blur, level, slope of the level, contrast, tilt of the top, left and right rim
_PARAMETERS, _WITHOUT_RIMS = 9, 7
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
    parameters : ndarray, shape (N, 9)
        All of them, to begin another fit of the same profiles from.
    """

    middle: Floats
    width: Floats
    blur: Floats
    level: Floats
    contrast: Floats
    rms: Floats
    converged: NDArray[np.bool_]
    parameters: Floats


def _start(profiles: Values, u: Floats, blur: Floats) -> Floats:
    """Guess the parameters from the profile's moments."""
    count = len(u)
    tenth = max(2, count // 10)
    ends = np.concatenate([profiles[:, :tenth], profiles[:, -tenth:]], axis=1)
    level = medians(ends)
    away = profiles - level[:, None]
    near = np.abs(u) < 0.35 * np.abs(u).max()
    contrast = medians(away[:, np.abs(u) < 0.15 * np.abs(u).max()])
    contrast = np.where(np.abs(contrast) < 1e-9, 1e-9, contrast)
    share = np.clip(away / contrast[:, None], 0, 1.2)
    width = np.clip(share.sum(axis=1) * (u[1] - u[0]), 2 * (u[1] - u[0]), 1.2 * np.abs(u).max())
    weight = share * near
    middle = (weight * u).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    zero = np.zeros_like(level)
    return np.stack([middle, width, blur, level, zero, contrast, zero, zero, zero], axis=1)


def _model(p: Values, u: Values, rim: float | None) -> tuple[Values, Values]:
    """Return values (N, U) and derivatives (9, N, U), in the precision of `p` and `u`.

    Without rims there are seven derivatives.
    """
    middle, width, blur, level, slope, contrast, tilt, on_left, on_right = (
        p[:, k : k + 1] for k in range(_PARAMETERS)
    )
    v = u - middle
    half, sharp = width / 2, 1 / blur
    # The steps that the model is made of, in blurs from their places: (2 or 6, N, U).
    edges: tuple[Values, ...] = (half, -half)
    if rim is not None:
        edges += (half + rim, half - rim, rim - half, -half - rim)
    steps = np.empty((len(edges), *v.shape), v.dtype)
    for step, edge in zip(steps, edges, strict=True):
        np.add(v, edge, out=step)
        step *= sharp
    below, density = below_and_density(steps)
    density *= sharp
    slip = np.multiply(density, steps, out=steps)
    bar, lean = below[0] - below[1], 1 + tilt * v
    top = contrast * lean
    value = level + slope * u + top * bar
    d = np.empty((_PARAMETERS if rim is not None else _WITHOUT_RIMS, *v.shape), v.dtype)
    # Movement of the left and of the right edge to the right, and their rims with them.
    move_left, move_right = top * density[0], top * density[1]
    d[2] = top * (slip[1] - slip[0])
    d[3] = 1.0
    d[4] = u
    d[5] = lean * bar
    d[6] = contrast * v * bar
    if rim is not None:
        d[7], d[8] = below[2] - below[3], below[4] - below[5]
        value += on_left * d[7] + on_right * d[8]
        move_left += on_left * (density[2] - density[3])
        move_right -= on_right * (density[4] - density[5])
        d[2] -= on_left * (slip[2] - slip[3]) + on_right * (slip[4] - slip[5])
    d[0] = move_right - move_left - contrast * tilt * bar
    d[1] = (move_right + move_left) / 2
    return value, d


@dataclass(slots=True, kw_only=True)
class _Moving:
    """The profiles that still move, N of them, and what is expected of their bars.

    Attributes
    ----------
    data : ndarray of float32, shape (N, U)
    spread : ndarray, shape (N,)
        Least noise that is believed, fifty times.
    blur, contrast_off, rims : ndarray, shape (N,)
        Expected blur; how far contrast and, as a part of it, rims may be off.
    expected : ndarray, shape (N, 9)
    blur_sd, tilt_sd, shared : float
        See `fit_bars`.
    extent, step_u : float
        How far the profile reaches from the middle, and the distance of its values.
    damping : ndarray, shape (N,)
        Of the next step.
    """

    data: NDArray[np.float32]
    spread: Floats
    blur: Floats
    contrast_off: Floats
    rims: Floats
    expected: Floats
    blur_sd: float
    tilt_sd: float
    shared: float
    extent: float
    step_u: float
    damping: Floats

    def prior(self, p: Floats, noise: Floats, *, rimmed: bool) -> Floats:
        """Return how much what is expected weighs beside the profile, (N, 9)."""
        prior = np.zeros_like(p)
        prior[:, 2] = (noise / (self.blur_sd * self.blur)) ** 2
        prior[:, 5] = (noise / self.contrast_off) ** 2
        prior[:, 6] = (noise / self.tilt_sd) ** 2
        if rimmed:
            prior[:, 7:] = ((noise / (self.rims * np.abs(p[:, 5]) + 1e-9)) ** 2)[:, None]
        prior *= self.shared
        return prior

    def keep(self, kept: NDArray[np.intp]) -> None:
        """Go on with some of the profiles only."""
        for name in ("data", "spread", "blur", "contrast_off", "rims", "expected", "damping"):
            setattr(self, name, getattr(self, name).take(kept, axis=0))


def _step(
    moving: _Moving, p: Floats, value: Values, d: Values, u: Values, rim: float | None
) -> tuple[Floats, Values, Values, Floats]:
    """Make one damped, robust Gauss-Newton step where it is for the better.

    Parameters
    ----------
    p, value, d
        Parameters (N, 9), and what `_model` makes of them.

    Returns
    -------
    p, value, d
        After the step.
    change : ndarray, shape (N,)
        By how much it would move middle or width.
    """
    data, free, extent, step_u = moving.data, len(d), moving.extent, moving.step_u
    residual = data - value
    noise = np.maximum(1.4826 * medians(np.abs(residual)), 0.02 * moving.spread)
    scaled = np.abs(residual) / noise[:, None]
    weight = np.minimum(1.0, _HUBER / np.maximum(scaled, 1e-9))
    prior, expected = moving.prior(p, noise, rimmed=rim is not None), moving.expected
    per_profile = d.swapaxes(0, 1)
    weighted = (d * weight).swapaxes(0, 1)
    pull = (prior * (expected - p))[:, :free]
    gradient = (weighted @ residual[..., None])[..., 0] + pull
    hessian = (weighted @ per_profile.swapaxes(1, 2)).astype(float)
    diagonal = np.einsum("njj->nj", hessian)
    diagonal += prior[:, :free]
    diagonal *= 1 + moving.damping[:, None]
    diagonal += 1e-12
    cost = (weight * residual**2).sum(axis=1) + (prior * (expected - p) ** 2).sum(axis=1)
    change = np.linalg.solve(hessian, gradient[..., None])[..., 0]
    change[:, :2] = np.clip(change[:, :2], -0.25 * extent, 0.25 * extent)
    trial = p.copy()
    trial[:, :free] += change
    trial[:, 0] = np.clip(trial[:, 0], -0.7 * extent, 0.7 * extent)
    trial[:, 1] = np.clip(trial[:, 1], step_u, 1.9 * extent)
    trial[:, 2] = np.clip(trial[:, 2], 0.3 * moving.blur, 3.0 * moving.blur)
    trial_value, trial_d = _model(trial.astype(np.float32), u, rim)
    left = (weight * (data - trial_value) ** 2).sum(axis=1)
    left += (prior * (expected - trial) ** 2).sum(axis=1)
    better = left <= cost
    worse = np.flatnonzero(~better)
    trial[worse], trial_value[worse], trial_d[:, worse] = p[worse], value[worse], d[:, worse]
    damping = np.where(better, moving.damping / 4, moving.damping * 8)
    moving.damping = np.clip(damping, 1e-7, 1e6)
    return trial, trial_value, trial_d, np.abs(change[:, :2]).max(axis=1)


def fit_bars(
    profiles: Values,
    u: Floats,
    *,
    blur: Floats,
    blur_sd: float,
    tilt_sd: float = 0.5,
    rim: float | None,
    rim_sd: float | Floats = 0.5,
    contrast: float | Floats = 1.0,
    contrast_sd: float | Floats = np.inf,
    shared: float = 1.0,
    start: Floats | None = None,
    still: float = 2e-4,
    most_steps: int = 25,
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
    rim : float or None
        How far the rims reach to either side of an edge; None for bars without rims, which take
        half the time.
    rim_sd : float or ndarray, shape (N,)
        How far their brightness may differ from the top's, as a part of the contrast.
    contrast : float or ndarray, shape (N,)
        Expected contrast, and
    contrast_sd : ndarray, shape (N,), or float
        how far it may be off (relative). Of a bar as narrow as its blur only the product of width
        and contrast can be seen: the width is then told by the contrast of its wider neighbours.
    shared : float
        How many neighbouring values have their noise in common, so that the profile counts for as
        much less beside what is expected.
    start : ndarray, shape (N, 9), optional
        Where to begin; guessed if not given.
    still : float
        A profile whose bar moves by less than this part of its reach is done.
    most_steps : int
        And so is one that has made so many steps.

    Returns
    -------
    BarFit
        Profiles without a bar come back with ``converged`` False.
    """
    p = _start(profiles, u, blur) if start is None else start
    count, extent = len(p), float(np.abs(u).max())
    step_u = float(u[1] - u[0])
    expected = np.zeros_like(p)
    expected[:, 2], expected[:, 5] = blur, contrast
    moving = _Moving(
        # Values in single precision: beside their noise its rounding is nothing, and it takes half
        # as long. Parameters and their equations are double.
        data=profiles.astype(np.float32),
        spread=np.maximum(medians(np.abs(np.diff(profiles, axis=1))), 1e-6),
        blur=blur,
        contrast_off=np.broadcast_to(np.asarray(contrast_sd * np.abs(contrast), float), count),
        rims=np.broadcast_to(np.asarray(rim_sd, float), count),
        expected=expected,
        blur_sd=blur_sd,
        tilt_sd=tilt_sd,
        shared=shared,
        extent=extent,
        step_u=step_u,
        damping=np.full(count, 1e-3),
    )
    places = u.astype(np.float32)
    ended, residual_of = p.copy(), np.zeros_like(moving.data)
    # Only the profiles that still move are worked on.
    rows = np.arange(count)
    value, d = _model(p.astype(np.float32), places, rim)
    for _ in range(most_steps):
        p, value, d, change = _step(moving, p, value, d, places, rim)
        going = change >= still * extent
        if not going.all():
            done, kept = np.flatnonzero(~going), np.flatnonzero(going)
            ended[rows[done]], residual_of[rows[done]] = p[done], moving.data[done] - value[done]
            rows, d = rows[kept], d.take(kept, axis=1)
            p, value = p.take(kept, axis=0), value.take(kept, axis=0)
            moving.keep(kept)
            if not rows.size:
                break
    ended[rows], residual_of[rows] = p, moving.data - value
    return _told(ended, residual_of, extent, step_u)


def _told(p: Floats, residual: Values, extent: float, step_u: float) -> BarFit:
    """Return fitted parameters (N, 9) by their names, and which of them are a bar."""
    inside = (np.abs(p[:, 0]) < 0.65 * extent) & (p[:, 1] > 1.5 * step_u)
    inside &= (np.abs(p[:, 0]) + p[:, 1] / 2 < 0.95 * extent) & np.isfinite(p).all(axis=1)
    return BarFit(
        middle=p[:, 0],
        width=p[:, 1],
        blur=p[:, 2],
        level=p[:, 3],
        contrast=p[:, 5],
        rms=np.sqrt((residual**2).mean(axis=1, dtype=float)),
        converged=inside,
        parameters=p,
    )
