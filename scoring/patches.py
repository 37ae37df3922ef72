"""Straightened patches of the printed lines, sampled once, straight from the original pixels.

They are taken through the full camera: places in them are in millimetres on the bed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.sheet import Pad, Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.medians import medians
from padsheet.scoring.photo import Photo, linear_light

__all__ = [
    "BLOCKS",
    "SAMPLES_PER_PX",
    "Lines",
    "Patches",
    "pad_lines",
    "sample_lines",
    "sample_pads",
]

Floats = NDArray[np.float64]

BLOCKS = 6
"""In how many pieces along its line a patch is averaged."""

SAMPLES_PER_PX = 2.0
"""How densely patches are sampled across their lines."""

_LEAST_ROWS = 4 * BLOCKS
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
    half_u = np.maximum(4, np.ceil(reach_mm * scale * SAMPLES_PER_PX)).astype(int)
    rows = np.maximum(_LEAST_ROWS, (length_mm * along_scale).astype(int))
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
