"""Straightened patches of the printed lines, and the widths of a comb's tracks.

Patches are sampled once, straight from the original pixels, through the full camera; what is read
from them is in millimetres on the bed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.sheet import Pad, Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.colour_axis import (
    ColourAxis,
    PrintAndPlate,
    discriminant_axis,
    luminance_axis,
    prints_and_plates,
)
from padsheet.scoring.edges import fit_bars
from padsheet.scoring.medians import medians
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
    "sample_pads",
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
# Steps of a fit below this part of the reach are done: well below what noise moves a bar by.
_NEARLY_STILL, _FEW_STEPS, _STILL = 2e-3, 25, 5e-4
# Sensor and phone smooth noise over somewhat more than a pixel.
# Edges that are blurred by this many times more in colour are blurred by the camera's colour.
_COLOUR_BLURRED = 1.5
_SAMPLES_PER_PX, _SHARED_NOISE_PX = 2.0, 1.5
# Patches of so many pads are worked on together: more would take memory only.
_SAMPLED_AT_ONCE = 32


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
    """Straightened patches of N lines, S samples along and U across.

    Attributes
    ----------
    crop : ndarray of float32, shape (rows, columns, 3)
        Linear light of the part of the picture that they lie in.
    rows, columns : ndarray of float32, shape (N, S, U)
        Where they lie in it.
    light : ndarray of float32, shape (N, S / 3, U, 3)
        Linear light in every third row.
    u_mm, s_mm : ndarray
        Places across (U,) and along (S,), zero at the line's middle.
    whole : bool
        Whether the patches lie wholly inside the picture.
    px_per_mm : float
        Scale across the lines.
    clipped : ndarray of float, shape (N,)
        Share of the bare plate beside the line that is at the top of the scale.
    """

    crop: NDArray[np.float32]
    rows: NDArray[np.float32]
    columns: NDArray[np.float32]
    light: NDArray[np.float32]
    u_mm: Floats
    s_mm: Floats
    whole: bool
    px_per_mm: float
    clipped: Floats

    def along(self, axis: Floats) -> NDArray[np.float32]:
        """Return the patches along a colour direction (3,), shape (N, S, U)."""
        single = cv2.transform(self.crop, np.asarray(axis, np.float32)[None])
        return _interpolated(np.asarray(single, np.float32), self.rows, self.columns)


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
    [(_, [patches])] = sample_pads(photo, camera, [lines], z_mm)
    return patches


def sample_pads(
    photo: Photo, camera: Camera, pads: Sequence[Lines], z_mm: float
) -> Iterator[tuple[list[int], list[Patches]]]:
    """Sample the lines of pads that differ only in their place, those of one shape together.

    Yields
    ------
    (list of int, list of Patches)
        Which of the pads, not very many at once, and their patches, all of one shape.
    """
    row, column = _knots(camera, pads, z_mm)
    reach_mm, length_mm = pads[0].reach_mm, pads[0].length_mm
    scale, along_scale = (
        medians(np.hypot(row[end] - row[begin], column[end] - column[begin])) / apart_mm
        for begin, end, apart_mm in (
            (np.s_[..., 1, 0], np.s_[..., 1, 2], 2 * reach_mm),
            (np.s_[..., 0, 1], np.s_[..., 2, 1], length_mm),
        )
    )
    half_u = np.maximum(4, np.ceil(reach_mm * scale * _SAMPLES_PER_PX)).astype(int)
    rows = np.maximum(BLOCKS * 4, (length_mm * along_scale).astype(int))
    alike: dict[tuple[int, int], list[int]] = {}
    for k, shape in enumerate(zip(half_u.tolist(), rows.tolist(), strict=True)):
        alike.setdefault(shape, []).append(k)
    for (half, count), group in alike.items():
        u = np.linspace(-reach_mm, reach_mm, 2 * half + 1)
        s = (np.arange(count) + 0.5) / count * length_mm - length_mm / 2
        weights = _parabolas(s / (length_mm / 2)), _parabolas(u / reach_mm).T
        for first in range(0, len(group), _SAMPLED_AT_ONCE):
            some = group[first : first + _SAMPLED_AT_ONCE]
            patches = [
                _sampled(photo, (row[k], column[k]), u, s, weights, float(scale[k])) for k in some
            ]
            yield some, patches


def _knots(camera: Camera, pads: Sequence[Lines], z_mm: float) -> tuple[Floats, Floats]:
    """Return rows and columns of the middles, ends, sides and corners of lines, (P, N, 3, 3)."""
    part = np.array([-1.0, 0.0, 1.0])
    middle = np.stack([lines.middle_mm for lines in pads])[..., None, None, :]
    along = np.stack([lines.along for lines in pads])[..., None, None, :] * pads[0].length_mm / 2
    across = np.stack([lines.across for lines in pads])[..., None, None, :] * pads[0].reach_mm
    x, y = (middle[..., k] + part[:, None] * along[..., k] + part * across[..., k] for k in (0, 1))
    return camera.place(x, y, z_mm)


def _parabolas(part: Floats) -> NDArray[np.float32]:
    """Return the weights of values at -1, 0 and 1 in parabolas through them, shape (N, 3)."""
    weights = [part * (part - 1) / 2, 1 - part * part, part * (part + 1) / 2]
    return np.stack(weights, axis=1).astype(np.float32)


def _span(places: Floats, size: int) -> tuple[slice, bool]:
    """Return which rows or columns of a picture hold places with a rim, and whether it has all."""
    low, high = math.floor(places.min()) - 3, math.ceil(places.max()) + 4
    first = min(max(low, 0), size - 8)
    return slice(first, min(max(high, first + 8), size)), low >= 0 and high <= size


def _sampled(
    photo: Photo,
    knots: tuple[Floats, Floats],
    u: Floats,
    s: Floats,
    weights: tuple[NDArray[np.float32], NDArray[np.float32]],
    scale: float,
) -> Patches:
    """Sample the picture between the knots of lines, by their weights along and across.

    A line is so short that parabolas follow perspective and lens to a hundredth of a pixel.
    """
    spans, inside = zip(*map(_span, knots, photo.rgb.shape[:2]), strict=True)
    crop = linear_light(photo.rgb[spans])
    along, across = weights
    rows, columns = (
        along @ (place - span.start).astype(np.float32) @ across
        for place, span in zip(knots, spans, strict=True)
    )
    light = _interpolated(crop, rows[:, ::3], columns[:, ::3])
    # Between the lines, where the plate is bare, nothing may be blown out.
    plate = np.abs(u) > u[-1] - 0.2
    clipped = (light[:, :, plate] > 0.97).any(axis=-1).mean(axis=(1, 2))
    return Patches(
        crop=crop,
        rows=rows,
        columns=columns,
        light=light,
        u_mm=u,
        s_mm=s,
        whole=all(inside),
        px_per_mm=scale,
        clipped=np.asarray(clipped),
    )


def _interpolated(
    crop: NDArray[np.float32], rows: NDArray[np.float32], columns: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return a picture's values between its pixels, at rows and columns (N, S, U)."""
    count, along, across = rows.shape
    flat = (count * along, across)
    sampled = cv2.remap(
        crop,
        columns.reshape(flat),
        rows.reshape(flat),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(sampled, np.float32).reshape(*rows.shape, *crop.shape[2:])


def block_profiles(values: NDArray[np.float32], blocks: int = BLOCKS) -> NDArray[np.float32]:
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
    separation, apart, print_level
        See `ColourAxis`.
    contrast : ndarray, shape (T,)
        Brightness of the track's top, 0 the plate's and 1 the pad's typical print.
    misfit : float
        By how much the lines do not look like plain bars, as a part of their contrast.
    whole, clipped_share, px_per_mm
        See `Patches`.
    brightest : float
        See `PrintAndPlate`.
    luminance_blur_px : float or None
        Blur of the same edges in luminance, where they were measured in colour.
    """

    width_mm: Floats
    sigma_mm: Floats
    middle_mm: Floats
    wander_mm: Floats
    ends_differ: Floats
    blur_px: float
    separation: float
    apart: Floats
    print_level: float
    contrast: Floats
    misfit: float
    whole: bool
    clipped_share: float
    px_per_mm: float
    brightest: float
    luminance_blur_px: float | None = None

    @property
    def blur_mm(self) -> float:
        """Blur of the edges on the bed."""
        return self.blur_px / self.px_per_mm

    @property
    def only_colour_is_blurred(self) -> bool:
        """Whether edges are clearly less blurred in luminance, which hardly shows them here."""
        return self.luminance_blur_px is not None and (
            self.blur_px > _COLOUR_BLURRED * self.luminance_blur_px
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PadProfiles:
    """What is kept of a pad's patches: averages along its T tracks, in B blocks.

    Attributes
    ----------
    profiles : ndarray of float32, shape (T, B, U)
        Across the tracks, along the colour axis.
    u_mm : ndarray, shape (U,)
    colour : ColourAxis
    whole, clipped_share, px_per_mm
        See `Patches`.
    brightest : float
        See `PrintAndPlate`.
    in_colour : PadProfiles or None
        The same along the colour that tells print from plate best, where luminance hardly does.
    """

    profiles: NDArray[np.float32]
    u_mm: Floats
    colour: ColourAxis
    whole: bool
    clipped_share: float
    px_per_mm: float
    brightest: float
    in_colour: PadProfiles | None = None


def pad_profiles(pads: Sequence[Patches]) -> list[PadProfiles]:
    """Average patches of one shape along the tracks, in luminance and if need be in colour.

    Luminance alone serves wherever it surely tells print from plate: cameras and JPEG smooth
    colour by some pixels, so that a narrow line loses its colour but not its luminance.
    """
    colours = prints_and_plates(np.stack([patches.light for patches in pads]), pads[0].u_mm)
    in_luminance = _along(pads, [luminance_axis(one) for one in colours], colours)
    faint = [
        k for k, one in enumerate(in_luminance) if one.colour.separation <= _LUMINANCE_SEPARATION
    ]
    if faint:
        some = [colours[k] for k in faint]
        in_colour = _along([pads[k] for k in faint], [discriminant_axis(c) for c in some], some)
        for k, one in zip(faint, in_colour, strict=True):
            in_luminance[k] = replace(in_luminance[k], in_colour=one)
    return in_luminance


def _along(
    pads: Sequence[Patches], axes: Sequence[ColourAxis], colours: Sequence[PrintAndPlate]
) -> list[PadProfiles]:
    """Average patches of one shape along the tracks, each pad's along its own colour axis."""
    tracks = len(pads[0].rows)
    values = np.concatenate([p.along(colour.axis) for p, colour in zip(pads, axes, strict=True)])
    profiles = block_profiles(values)
    return [
        PadProfiles(
            profiles=profiles[k * tracks : (k + 1) * tracks],
            u_mm=patches.u_mm,
            colour=colour,
            whole=patches.whole,
            clipped_share=float(patches.clipped.mean()),
            px_per_mm=patches.px_per_mm,
            brightest=seen.brightest,
        )
        for k, (patches, colour, seen) in enumerate(zip(pads, axes, colours, strict=True))
    ]


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


def _of_pads(values: Floats, where: NDArray[np.bool_], otherwise: Floats | float) -> Floats:
    """Return each pad's median of values (P, T, B) where they count, or else another value."""
    found = medians(np.where(where, values, np.nan).reshape(len(values), -1))
    return np.where(np.isnan(found), otherwise, found)


def _fit_blocks(pads: Sequence[PadProfiles]) -> _BlockFits:
    """Fit the blocks of pads with the same `u_mm`: the more at once, the less each costs.

    Plain bars first, then with rims as far as the plain ones of the pad misfit. The plain ones are
    fitted to every second block only, and not to the last digit: they tell what a pad's blocks have
    in common, and where to begin.
    """
    tracks, blocks, columns = pads[0].profiles.shape
    u = pads[0].u_mm
    profiles = np.stack([pad.profiles for pad in pads])
    some = profiles[:, :, ::2].reshape(-1, columns)
    usual = np.array([_USUAL_BLUR_PX / pad.px_per_mm for pad in pads])
    plain = fit_bars(
        some,
        u,
        blur=usual.repeat(len(some) // len(pads)),
        blur_sd=1.0,
        rim=None,
        still=_NEARLY_STILL,
        most_steps=_FEW_STEPS,
    )
    shape = (len(pads), tracks, -1)
    width, blur, height, rms = (
        values.reshape(shape) for values in (plain.width, plain.blur, plain.contrast, plain.rms)
    )
    clear = plain.converged.reshape(shape) & (height > 0.3)
    read = np.asarray(clear.any(axis=(1, 2)))
    # Wide bars tell blur and contrast; of narrow ones only their product with the width.
    ratio = width / blur
    typical = _of_pads(ratio, clear, np.inf)
    wide = clear & (ratio >= typical[:, None, None])
    own, contrast = _of_pads(blur, wide, usual), _of_pads(height, wide, 1.0)
    narrow = np.clip(medians(width) / own[:, None], 0.0, 10.0) / _NARROW
    contrast_sd = _CONTRAST_SD * np.maximum(1.0, narrow) ** _NARROW_POWER
    contrast_sd = np.where(read[:, None], contrast_sd, np.inf)
    misfit = _of_pads(rms / np.where(clear, height, 1.0), clear, 1.0)
    needed = _RIM_SD_PER_MISFIT * (misfit - _CLEAN_MISFIT)
    rim_sd = np.where(read, np.clip(needed, _LEAST_RIM_SD, _MOST_RIM_SD), _LEAST_RIM_SD)
    parameters = plain.parameters.reshape(*shape, plain.parameters.shape[1])
    each = tracks * blocks
    rimmed = fit_bars(
        profiles.reshape(-1, columns),
        u,
        blur=own.repeat(each),
        blur_sd=_BLUR_SD,
        rim=RIM_MM,
        rim_sd=rim_sd.repeat(each),
        contrast=contrast.repeat(each),
        contrast_sd=contrast_sd.repeat(blocks),
        shared=_SHARED_NOISE_PX * _SAMPLES_PER_PX,
        start=parameters.repeat(2, axis=2)[:, :, :blocks].reshape(-1, parameters.shape[3]),
        still=_STILL,
    )
    shape = profiles.shape[:3]
    return _BlockFits(
        middle=rimmed.middle.reshape(shape),
        width=rimmed.width.reshape(shape),
        contrast=rimmed.contrast.reshape(shape),
        converged=rimmed.converged.reshape(shape),
        blur_mm=own,
        misfit=misfit,
    )


def measure_pad(patches: Patches) -> PadWidths:
    """Measure the widths of a pad's tracks by themselves.

    Parameters
    ----------
    patches : Patches
        Of the pad's T tracks.
    """
    [profiles] = pad_profiles([patches])
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
    scatter = (spread**2 + medians(spread**2)[:, None]) / 2
    third = blocks // 3
    ends = width[..., -third:].mean(axis=2) - width[..., :third].mean(axis=2)
    ends_differ = ends / np.sqrt(2 * scatter / third)
    contrast = medians(np.where(good, fit.contrast, 0.0))
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
            print_level=pad.colour.print_level,
            contrast=contrast[k],
            misfit=float(fit.misfit[k]),
            whole=pad.whole,
            clipped_share=pad.clipped_share,
            px_per_mm=pad.px_per_mm,
            brightest=pad.brightest,
        )
        for k, pad in enumerate(pads)
    ]


def _robust_rows(values: Floats) -> tuple[Floats, Floats]:
    """Return mean and standard deviation along the last axis, values beyond 3 sigma left out.

    NaN count as missing; where fewer than three values are left, so are the results.
    """
    away = np.abs(values - medians(values)[..., None])
    limit = np.maximum(3.5 * 1.4826 * medians(away), 1e-6)
    # The nearest half and more are always kept: at least two of three.
    kept = away <= limit[..., None]
    count = np.where(np.isfinite(values).sum(axis=-1) >= 3, kept.sum(axis=-1), np.nan)
    mean = np.where(kept, values, 0.0).sum(axis=-1) / count
    square = np.where(kept, values - mean[..., None], 0.0) ** 2
    return mean, np.sqrt(square.sum(axis=-1) / (count - 1))
