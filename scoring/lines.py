"""Straightened patches of the printed lines, and the widths of a comb's tracks.

Patches are sampled once, straight from the original pixels, through the full camera; what is read
from them is in millimetres on the bed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.sheet import Pad, Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.colour_axis import ColourAxis, discriminant_axis, luminance_axis
from padsheet.scoring.edges import fit_bars
from padsheet.scoring.photo import Photo, linear_light

__all__ = [
    "Lines",
    "PadProfiles",
    "PadWidths",
    "Patches",
    "measure_pad",
    "measure_pads",
    "pad_lines",
    "pad_profiles",
    "sample_lines",
]

Floats = NDArray[np.float64]

BLOCKS = 6
# Half the usual height of a first layer is what its rounded sides are wide, seen from above; the
# contact shadow is as wide again.
RIM_MM = 0.06
# Rims that are not needed cost precision: they are let in as far as a plain bar does not fit.
_LEAST_RIM_SD, _MOST_RIM_SD, _RIM_SD_PER_MISFIT, _CLEAN_MISFIT = 0.02, 0.8, 8.0, 0.07
_USUAL_BLUR_PX = 1.3
_LUMINANCE_SEPARATION = 8.0
# One blur serves a pad; bars that are narrow for it take the contrast of the wide ones.
_BLUR_SD = 0.05
_CONTRAST_SD, _NARROW, _NARROW_POWER = 0.03, 2.5, 4
# Patches have two samples a pixel, and sensor and phone smooth noise over somewhat more than one.
_SHARED_NOISE = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Straight pieces of print, as arrays over N lines.

    Attributes
    ----------
    middle_mm : ndarray, shape (N, 2)
        Their middles on the bed (x, y).
    along : ndarray, shape (N, 2)
        Unit vectors along them.
    length_mm : float
        Length of the part that is sampled.
    reach_mm : float
        How far to either side is sampled.
    """

    middle_mm: Floats
    along: Floats
    length_mm: float
    reach_mm: float

    @property
    def across(self) -> Floats:
        """Unit vectors across the lines, to the right of `along`, shape (N, 2)."""
        return np.stack([self.along[:, 1], -self.along[:, 0]], axis=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Patches:
    """Straightened patches of N lines.

    Attributes
    ----------
    light : ndarray of float32, shape (N, S, U, 3)
        Linear light; S samples along, U across.
    u_mm, s_mm : ndarray
        Places across (U,) and along (S,), zero at the line's middle.
    whole : bool
        Whether the patches lie wholly inside the picture.
    px_per_mm : float
        Scale across the lines.
    clipped : ndarray of float, shape (N,)
        Share of the bare plate beside the line that is at the top of the scale.
    """

    light: NDArray[np.float32]
    u_mm: Floats
    s_mm: Floats
    whole: bool
    px_per_mm: float
    clipped: Floats


def pad_lines(sheet: Sheet, pad: Pad) -> Lines:
    """Return the measured parts of a pad's tracks, in the order of `Sheet.tracks`."""
    offsets = np.array([t.offset_mm for t in sheet.tracks])
    middle = np.stack([pad.x_mm + offsets, np.full(len(offsets), pad.y_mm)], axis=1)
    pitch = float(np.diff(offsets).min())
    return Lines(
        middle_mm=middle,
        along=np.tile([0.0, 1.0], (len(offsets), 1)),
        length_mm=sheet.window_mm,
        reach_mm=pitch - 1.05 if pitch >= 1.9 else pitch / 2,
    )


def sample_lines(photo: Photo, camera: Camera, lines: Lines, z_mm: float) -> Patches:
    """Sample straightened patches of lines from a photo.

    Parameters
    ----------
    photo : Photo
        The picture.
    camera : Camera
        Maps the bed to it.
    lines : Lines
        N lines near each other: one crop of the picture serves them all.
    z_mm : float
        Height of what is looked at over the bed.
    """
    scale = float(np.median(camera.px_per_mm(lines.middle_mm, lines.across[0])))
    along_scale = float(np.median(camera.px_per_mm(lines.middle_mm, lines.along[0])))
    half_u = max(4, int(np.ceil(lines.reach_mm * scale * 2)))
    u = np.linspace(-lines.reach_mm, lines.reach_mm, 2 * half_u + 1)
    rows = max(BLOCKS * 4, int(lines.length_mm * along_scale))
    s = (np.arange(rows) + 0.5) / rows * lines.length_mm - lines.length_mm / 2
    x, y = (
        lines.middle_mm[:, None, None, k]
        + s[:, None] * lines.along[:, None, None, k]
        + u * lines.across[:, None, None, k]
        for k in (0, 1)
    )
    return _sampled(photo, camera.place(x, y, z_mm), u, s, scale)


def _sampled(
    photo: Photo, places: tuple[Floats, Floats], u: Floats, s: Floats, scale: float
) -> Patches:
    """Sample the picture at rows and columns, each of shape (N, S, U)."""
    height, width = photo.rgb.shape[:2]
    low = np.array([int(np.floor(place.min())) - 3 for place in places])
    high = np.array([int(np.ceil(place.max())) + 4 for place in places])
    whole = bool(low[0] >= 0 and low[1] >= 0 and high[0] <= height and high[1] <= width)
    low = np.clip(low, 0, [height - 8, width - 8])
    high = np.clip(high, low + 8, [height, width])
    crop = photo.rgb[low[0] : high[0], low[1] : high[1]]
    count, rows, columns = places[0].shape
    map_rows, map_columns = (
        (place - first).astype(np.float32).reshape(count * rows, columns)
        for place, first in zip(places, low, strict=True)
    )
    sampled = cv2.remap(
        linear_light(crop),
        map_columns,
        map_rows,
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )
    light = np.asarray(sampled, np.float32).reshape(count, rows, columns, 3)
    # Between the lines, where the plate is bare, nothing may be blown out.
    plate = np.abs(u) > u[-1] - 0.2
    clipped = (light[:, :, plate] > 0.97).any(axis=-1).mean(axis=(1, 2))
    return Patches(
        light=light, u_mm=u, s_mm=s, whole=whole, px_per_mm=scale, clipped=np.asarray(clipped)
    )


def block_profiles(values: Floats, blocks: int = BLOCKS) -> Floats:
    """Average patches (N, S, U) along the line in `blocks` pieces, specks left out: (N, B, U)."""
    count, rows, columns = values.shape
    each = rows // blocks
    first = (rows - each * blocks) // 2
    pieces = values[:, first : first + each * blocks].reshape(count, blocks, each, columns)
    ordered = np.sort(pieces, axis=2)
    cut = each // 5
    return np.asarray(ordered[:, :, cut : each - cut].mean(axis=2))


@dataclass(frozen=True, slots=True, kw_only=True)
class PadWidths:
    """Widths of a pad's tracks; arrays over T tracks, NaN where a track was not read.

    Attributes
    ----------
    width_mm, sigma_mm : ndarray, shape (T,)
        Width seen on the bed plane, and its standard deviation from the scatter along the track.
    middle_mm : ndarray, shape (T,)
        Seen middle minus predicted middle, across the track.
    wander_mm : ndarray, shape (T,)
        Standard deviation of the middle along the track.
    ends_differ : ndarray, shape (T,)
        Width in the last third minus that in the first, over its standard deviation.
    blur_px : float
        Blur of the edges here.
    separation, apart
        See `ColourAxis`.
    contrast : ndarray, shape (T,)
        Brightness of the track's top, 0 the plate's and 1 the pad's typical print.
    misfit : float
        By how much the lines do not look like plain bars, as a part of their contrast.
    whole, clipped_share, px_per_mm
        See `Patches`.
    brightest : float
        See `brightest`.
    """

    width_mm: Floats
    sigma_mm: Floats
    middle_mm: Floats
    wander_mm: Floats
    ends_differ: Floats
    blur_px: float
    separation: float
    apart: Floats
    contrast: Floats
    misfit: float
    whole: bool
    clipped_share: float
    px_per_mm: float
    brightest: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PadProfiles:
    """What is kept of a pad's patches: averages along its T tracks, in B blocks.

    Attributes
    ----------
    profiles : ndarray, shape (T, B, U)
        Across the tracks, along the colour axis.
    u_mm : ndarray, shape (U,)
    colour : ColourAxis
    whole, clipped_share, px_per_mm
        See `Patches`.
    brightest : float
        See `brightest`.
    in_colour : PadProfiles or None
        The same along the colour that tells print from plate best, where luminance hardly does.
    """

    profiles: Floats
    u_mm: Floats
    colour: ColourAxis
    whole: bool
    clipped_share: float
    px_per_mm: float
    brightest: float
    in_colour: PadProfiles | None = None


def brightest(patches: Patches) -> float:
    """Return the light of print or plate, whichever is brighter, in its brightest channel."""
    reach = patches.u_mm[-1]
    printed = np.median(patches.light[:, ::3, np.abs(patches.u_mm) < 0.08], axis=(0, 1, 2))
    bare = np.median(patches.light[:, ::3, np.abs(patches.u_mm) > reach - 0.15], axis=(0, 1, 2))
    return float(max(printed.max(), bare.max()))


def pad_profiles(patches: Patches) -> PadProfiles:
    """Average the patches of a pad's tracks along them, in luminance and if need be in colour.

    Luminance alone serves wherever it surely tells print from plate: cameras and JPEG smooth
    colour by some pixels, so that a narrow line loses its colour but not its luminance.
    """
    luminance = luminance_axis(patches.light, patches.u_mm)
    in_luminance = _profiles_along(patches, luminance)
    if luminance.separation > _LUMINANCE_SEPARATION:
        return in_luminance
    colour = discriminant_axis(patches.light, patches.u_mm)
    return replace(in_luminance, in_colour=_profiles_along(patches, colour))


def _profiles_along(patches: Patches, colour: ColourAxis) -> PadProfiles:
    values = patches.light @ colour.axis
    return PadProfiles(
        profiles=block_profiles(np.asarray(values, float)),
        u_mm=patches.u_mm,
        colour=colour,
        whole=patches.whole,
        clipped_share=float(patches.clipped.mean()),
        px_per_mm=patches.px_per_mm,
        brightest=brightest(patches),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _BlockFits:
    """Fits of the blocks of P pads: middle, width and contrast, and where there is a bar (P, T, B).

    `blur_mm` (P,) is each pad's own, `misfit` (P,) the residual of plain bars as a part of their
    contrast.
    """

    middle: Floats
    width: Floats
    contrast: Floats
    converged: NDArray[np.bool_]
    blur_mm: Floats
    misfit: Floats


def _fit_blocks(pads: Sequence[PadProfiles]) -> _BlockFits:
    """Fit the blocks of pads with the same `u_mm`: the more at once, the less each costs.

    Plain bars first, then with rims as far as the plain ones of the pad misfit.
    """
    tracks, blocks, columns = pads[0].profiles.shape
    each, u = tracks * blocks, pads[0].u_mm
    profiles = np.concatenate([pad.profiles.reshape(each, columns) for pad in pads])
    usual = np.repeat([_USUAL_BLUR_PX / pad.px_per_mm for pad in pads], each)
    plain = fit_bars(profiles, u, blur=usual, blur_sd=1.0, rim=RIM_MM, rim_sd=_LEAST_RIM_SD)
    good = plain.converged & (plain.contrast > 0.3)
    own, rim_sd, misfits = usual.copy(), np.full(len(usual), _LEAST_RIM_SD), np.ones(len(pads))
    contrast, contrast_sd = np.ones(len(usual)), np.full(len(usual), np.inf)
    for k in range(len(pads)):
        here = np.arange(k * each, (k + 1) * each)
        clear = here[good[here]]
        if clear.size:
            # Wide bars tell blur and contrast; of narrow ones only their product with the width.
            ratio = plain.width[clear] / plain.blur[clear]
            wide = clear[ratio >= np.median(ratio)]
            own[here] = np.median(plain.blur[wide])
            contrast[here] = np.median(plain.contrast[wide])
            narrow = np.clip(plain.width[here] / own[here], 0.0, 10.0) / _NARROW
            contrast_sd[here] = _CONTRAST_SD * np.maximum(1.0, narrow) ** _NARROW_POWER
            misfits[k] = np.median(plain.rms[clear] / plain.contrast[clear])
            needed = _RIM_SD_PER_MISFIT * (misfits[k] - _CLEAN_MISFIT)
            rim_sd[here] = np.clip(needed, _LEAST_RIM_SD, _MOST_RIM_SD)
    again = good.reshape(-1, each).any(axis=1).repeat(each)
    fits = {name: getattr(plain, name).copy() for name in _FITTED}
    if again.any():
        rimmed = fit_bars(
            profiles[again],
            u,
            blur=own[again],
            blur_sd=_BLUR_SD,
            rim=RIM_MM,
            rim_sd=rim_sd[again],
            contrast=contrast[again],
            contrast_sd=contrast_sd[again],
            shared=_SHARED_NOISE,
            start=plain.parameters[again],
        )
        for name in _FITTED:
            fits[name][again] = getattr(rimmed, name)
    shape = (len(pads), tracks, blocks)
    return _BlockFits(
        **{name: fits[name].reshape(shape) for name in _FITTED}, blur_mm=own[::each], misfit=misfits
    )


_FITTED = ("middle", "width", "contrast", "converged")


def measure_pad(patches: Patches) -> PadWidths:
    """Measure the widths of a pad's tracks by themselves.

    Parameters
    ----------
    patches : Patches
        Of the pad's T tracks.
    """
    profiles = pad_profiles(patches)
    return measure_pads([profiles.in_colour or profiles])[0]


def measure_pads(pads: Sequence[PadProfiles]) -> list[PadWidths]:
    """Measure the widths of the tracks of several pads; the result is that of each by itself.

    Parameters
    ----------
    pads : sequence of PadProfiles
        With the same `u_mm`, that is, of the same length: so many samples tell the same places.
    """
    fit = _fit_blocks(pads)
    blocks = fit.width.shape[2]
    good = fit.converged & (fit.contrast > 0.15)
    enough = good & (good.sum(axis=2, keepdims=True) >= blocks - 2)
    width = np.where(enough, fit.width, np.nan)
    mean, spread = _robust_rows(width)
    place, wander = _robust_rows(np.where(enough, fit.middle, np.nan))
    # The scatter of one track's few blocks is itself uncertain: half of it is the pad's.
    scatter = (spread**2 + _medians(spread**2)[:, None]) / 2
    third = blocks // 3
    ends = width[..., -third:].mean(axis=2) - width[..., :third].mean(axis=2)
    ends_differ = ends / np.sqrt(2 * scatter / third)
    contrast = np.median(np.where(good, fit.contrast, 0.0), axis=2)
    return [
        PadWidths(
            width_mm=mean[k],
            sigma_mm=np.sqrt(scatter[k] / blocks),
            middle_mm=place[k],
            wander_mm=wander[k],
            ends_differ=ends_differ[k],
            blur_px=float(fit.blur_mm[k]) * pad.px_per_mm,
            separation=pad.colour.separation,
            apart=pad.colour.apart,
            contrast=contrast[k],
            misfit=float(fit.misfit[k]),
            whole=pad.whole,
            clipped_share=pad.clipped_share,
            px_per_mm=pad.px_per_mm,
            brightest=pad.brightest,
        )
        for k, pad in enumerate(pads)
    ]


def _medians(values: Floats) -> Floats:
    """Return the medians along the last axis, NaN left out; NumPy's own takes ten times as long."""
    ordered = np.sort(values, axis=-1)  # NaN come last
    count = np.isfinite(values).sum(axis=-1, keepdims=True)
    low = np.take_along_axis(ordered, np.maximum(count - 1, 0) // 2, axis=-1)
    high = np.take_along_axis(ordered, np.minimum(count // 2, values.shape[-1] - 1), axis=-1)
    return np.asarray((low + high)[..., 0] / 2)


def _robust_rows(values: Floats) -> tuple[Floats, Floats]:
    """Return mean and standard deviation along the last axis, values beyond 3 sigma left out.

    NaN count as missing; where fewer than three values are left, so are the results.
    """
    away = np.abs(values - _medians(values)[..., None])
    limit = np.maximum(3.5 * 1.4826 * _medians(away), 1e-6)
    # The nearest half and more are always kept: at least two of three.
    kept = away <= limit[..., None]
    count = np.where(np.isfinite(values).sum(axis=-1) >= 3, kept.sum(axis=-1), np.nan)
    mean = np.where(kept, values, 0.0).sum(axis=-1) / count
    square = np.where(kept, values - mean[..., None], 0.0) ** 2
    return mean, np.sqrt(square.sum(axis=-1) / (count - 1))
