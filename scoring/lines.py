"""The widths of a comb's tracks, from straightened patches of them; millimetres on the bed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from padsheet.scoring.colour_axis import (
    LUMINANCE_SEPARATION,
    ColourAxis,
    PrintAndPlate,
    discriminant_axis,
    luminance_axis,
    prints_and_plates,
)
from padsheet.scoring.edges import fit_bars
from padsheet.scoring.medians import medians
from padsheet.scoring.patches import BLOCKS, SAMPLES_PER_PX, Patches

__all__ = ["PadProfiles", "PadWidths", "block_profiles", "measure_pads", "pad_profiles"]

Floats = NDArray[np.float64]

# Half the usual height of a first layer is what its rounded sides are wide, seen from above; the
# contact shadow is as wide again.
RIM_MM = 0.06
# Rims that are not needed cost precision: they are let in as far as a plain bar does not fit.
_LEAST_RIM_SD, _MOST_RIM_SD, _RIM_SD_PER_MISFIT, _CLEAN_MISFIT = 0.02, 0.8, 8.0, 0.07
_USUAL_BLUR_PX = 1.3
# One blur serves a pad; bars that are narrow for it take the contrast of the wide ones.
_BLUR_SD = 0.05
_CONTRAST_SD, _NARROW, _NARROW_POWER = 0.03, 2.5, 4
# Steps of a fit below this part of the reach are done: well below what noise moves a bar by.
_NEARLY_STILL, _FEW_STEPS, _STILL = 2e-3, 25, 5e-4
# Edges that are blurred by this many times more in colour are blurred by the camera's colour.
_COLOUR_BLURRED = 1.5
# Sensor and phone smooth noise over somewhat more than a pixel.
_SHARED_NOISE_PX = 1.5


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
        Width in the last third minus that in the first, over its standard deviation by the scatter
        along the track. That leaves odd blocks out, so a lump at one end shows, but has a steady
        change in it, which therefore gives little however large it is.
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
    def michelson(self) -> float:
        """Michelson contrast of print and plate, 0 to 1: their difference over their sum."""
        return 1 / max(abs(2 * self.print_level - 1), 1.0)

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
        k for k, one in enumerate(in_luminance) if one.colour.separation <= LUMINANCE_SEPARATION
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
        shared=_SHARED_NOISE_PX * SAMPLES_PER_PX,
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
