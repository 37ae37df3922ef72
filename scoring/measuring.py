"""The widths of all pads of a photo, in luminance or in colour, whichever shows them better."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar

from padsheet.patterns.sheet import Pad, Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.lines import PadProfiles, PadWidths, measure_pads, pad_profiles
from padsheet.scoring.medians import median
from padsheet.scoring.patches import pad_lines, sample_pads
from padsheet.scoring.photo import Photo
from padsheet.scoring.threads import in_threads, workers

__all__ = ["measure_photo"]

Item = TypeVar("Item")

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

    def measured(pads: Sequence[Pad]) -> list[tuple[PadWidths, PadWidths | None]]:
        profiles = _profiles(photo, camera, sheet, pads, z_mm)
        return _measured_twice(profiles)

    found = [pair for part in in_threads(measured, _shared_out(sheet.pads)) for pair in part]
    widths = [in_luminance for in_luminance, _ in found]
    doubtful = {k: in_colour for k, (_, in_colour) in enumerate(found) if in_colour is not None}
    if _colour_is_better([widths[k] for k in doubtful], list(doubtful.values())):
        for k, in_colour in doubtful.items():
            widths[k] = replace(in_colour, luminance_blur_px=widths[k].blur_px)
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


def _profiles(
    photo: Photo, camera: Camera, sheet: Sheet, pads: Sequence[Pad], z_mm: float
) -> list[PadProfiles]:
    """Sample pads and average them along their tracks."""
    found = {
        k: one
        for some, patches in sample_pads(photo, camera, [pad_lines(sheet, p) for p in pads], z_mm)
        for k, one in zip(some, pad_profiles(patches), strict=True)
    }
    return [found[k] for k in range(len(pads))]


def _measured_twice(
    profiles: Sequence[PadProfiles],
) -> list[tuple[PadWidths, PadWidths | None]]:
    """Measure pads in luminance, and in colour those that have it, too: all of them together."""
    coloured = {k: one.in_colour for k, one in enumerate(profiles) if one.in_colour is not None}
    widths = _measured([*profiles, *coloured.values()])
    in_colour = dict(zip(coloured, widths[len(profiles) :], strict=True))
    return [(width, in_colour.get(k)) for k, width in enumerate(widths[: len(profiles)])]


def _measured(profiles: Sequence[PadProfiles]) -> list[PadWidths]:
    """Measure pads, those with as many samples across their tracks together."""
    alike: dict[int, list[int]] = {}
    for k, one in enumerate(profiles):
        alike.setdefault(len(one.u_mm), []).append(k)
    widths = {
        k: width
        for group in alike.values()
        for k, width in zip(group, measure_pads([profiles[k] for k in group]), strict=True)
    }
    return [widths[k] for k in range(len(profiles))]


def _shared_out(items: Sequence[Item]) -> list[Sequence[Item]]:
    """Cut pads into as many equal parts as there are threads for them."""
    parts = max(1, min(workers(), len(items) // _PADS_A_THREAD))
    size = max(1, -(-len(items) // parts))
    return [items[first : first + size] for first in range(0, len(items), size)]
