"""The widths of all pads of a photo, in luminance or in colour, whichever shows them better."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from padsheet.patterns.sheet import Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.lines import (
    PadProfiles,
    PadWidths,
    measure_pads,
    pad_lines,
    pad_profiles,
    sample_pads,
)
from padsheet.scoring.medians import median
from padsheet.scoring.photo import Photo
from padsheet.scoring.threads import in_threads, workers

__all__ = ["measure_photo"]

# So many pads are enough for a thread of their own: the more are fitted at once, the longer each
# step of NumPy and the less often the threads wait for each other.
_PADS_A_THREAD = 48
# Colour that is blurred by more than this beside luminance makes narrow lines too wide.
_SHARP_COLOUR = 1.15
# Lines of another filament's colour may be as bright as the plate and have only bright rims.
_STRANGE_MISFIT = 0.05
_LEAST_SEPARATION, _FEWEST_PADS = 2.0, 3


def measure_photo(photo: Photo, camera: Camera, sheet: Sheet, z_mm: float) -> list[PadWidths]:
    """Measure all pads of a sheet.

    Where luminance hardly tells print from plate, colour may, but cameras and JPEG smooth it:
    colour is taken where it is about as sharp as luminance in this photo, or where luminance shows
    edges that are not those of bars.

    Parameters
    ----------
    photo : Photo
    camera : Camera
    sheet : Sheet
    z_mm : float
        Height over the bed of what is looked at.
    """
    lines = [pad_lines(sheet, pad) for pad in sheet.pads]
    found = {
        k: one
        for some, patches in sample_pads(photo, camera, lines, z_mm)
        for k, one in zip(some, pad_profiles(patches), strict=True)
    }
    profiles = [found[k] for k in range(len(lines))]
    widths = _measured(profiles)
    doubtful = [k for k, one in enumerate(profiles) if one.in_colour is not None]
    coloured = _measured([c for one in profiles if (c := one.in_colour) is not None])
    if _colour_is_better([widths[k] for k in doubtful], coloured):
        for k, width in zip(doubtful, coloured, strict=True):
            widths[k] = replace(width, luminance_blur_px=widths[k].blur_px)
    return widths


def _colour_is_better(luminance: Sequence[PadWidths], colour: Sequence[PadWidths]) -> bool:
    """Tell whether colour is about as sharp as luminance, or luminance shows no plain bars."""
    pairs = [
        (seen, c)
        for seen, c in zip(luminance, colour, strict=True)
        if seen.whole and seen.separation > _LEAST_SEPARATION
    ]
    if len(pairs) < _FEWEST_PADS:
        return True
    ratio = median([c.blur_px / seen.blur_px for seen, c in pairs])
    misfit = median([seen.misfit for seen, _ in pairs])
    return ratio < _SHARP_COLOUR or misfit > _STRANGE_MISFIT


def _measured(profiles: Sequence[PadProfiles]) -> list[PadWidths]:
    """Measure pads, those with as many samples across their tracks together."""
    alike: dict[int, list[int]] = {}
    for k, one in enumerate(profiles):
        alike.setdefault(len(one.u_mm), []).append(k)
    chunks = [part for group in alike.values() for part in _shared_out(group)]

    def measured(chunk: list[int]) -> list[PadWidths]:
        return measure_pads([profiles[k] for k in chunk])

    if len(chunks) == len(alike):
        found = [measured(chunk) for chunk in chunks]
    else:
        # The largest first, so that no thread has a long one left when the other is done.
        chunks.sort(key=len, reverse=True)
        found = in_threads(measured, chunks)
    widths = {
        k: width
        for chunk, some in zip(chunks, found, strict=True)
        for k, width in zip(chunk, some, strict=True)
    }
    return [widths[k] for k in range(len(profiles))]


def _shared_out(group: list[int]) -> list[list[int]]:
    """Cut a group into as many equal parts as there are threads for it."""
    parts = max(1, min(workers(), len(group) // _PADS_A_THREAD))
    size = -(-len(group) // parts)
    return [group[first : first + size] for first in range(0, len(group), size)]
