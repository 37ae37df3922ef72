"""The strokes of one pad: two meanders of five tracks each, and the coupon."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bead import SIDE_FACTOR, area_mm2
from padsheet.patterns.bed import Rectangle, Target
from padsheet.patterns.ladder import Ladder
from padsheet.patterns.sheet import Coupon, Pad, Stroke, Track

__all__ = [
    "LEAD_MM",
    "CombShape",
    "comb_tracks",
    "coupon_at",
    "coupon_stroke",
    "half_comb_stroke",
    "zigzag",
]

LEAD_MM = 2.0
"""A half comb begins so far in front of its first track."""

# Without a tick the two lead-ins differ in length, so that track 1 can still be told by eye.
_SHORT_FOOT_MM, _LONG_FOOT_MM, _FOOT_MM = 3.5, 8.0, 6.0
_HALF_BEAD_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class CombShape:
    """Size of the comb, the same at every pad.

    Attributes
    ----------
    pitch_mm : float
        Distance between tracks.
    length_mm, window_mm : float
        Drawn length of a track, and the part in its middle that is measured.
    tick_mm : float
        How far the lead-in of track 1 sticks out to the left, as a tick to count tracks from. 0 for
        none: the lead-in of track 1 is then a foot under the comb, shorter than that of track 10.
    """

    pitch_mm: float
    length_mm: float
    window_mm: float
    tick_mm: float

    def area_at(self, x_mm: float, y_mm: float) -> Rectangle:
        """Return the rectangle that the comb covers when its centre is at (x, y)."""
        x0, y0, x1, y1 = self.boxes_at(np.array([x_mm]), np.array([y_mm]))[0].tolist()
        return Rectangle(x_min_mm=x0, y_min_mm=y0, x_max_mm=x1, y_max_mm=y1)

    def boxes_at(self, x_mm: NDArray[np.float64], y_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return `area_at` for N places, shape (N, 4): x and y from, x and y to."""
        side = 4.5 * self.pitch_mm + _HALF_BEAD_MM
        return np.stack(
            [
                x_mm - side - self.tick_mm,
                y_mm - self.length_mm / 2 - LEAD_MM - _HALF_BEAD_MM,
                x_mm + side,
                y_mm + self.length_mm / 2 + _HALF_BEAD_MM,
            ],
            axis=1,
        )


def comb_tracks(ladder: Ladder, shape: CombShape) -> tuple[Track, ...]:
    """Return the ten tracks, numbered from the left."""
    return tuple(
        Track(
            number=k + 1,
            offset_mm=round((k - 4.5) * shape.pitch_mm, 4),
            height_mm=ladder.height_mm[k],
            area_mm2=ladder.area_mm2[k],
        )
        for k in range(10)
    )


def half_comb_stroke(
    pad: Pad, tracks: tuple[Track, ...], shape: CombShape, *, left: bool, speed_mm_s: float
) -> Stroke:
    """Draw one half of a comb, from its outermost and highest track inwards, without a lift.

    The lead-in is sacrificed to the pressure that builds up in the nozzle; heights and areas change
    only in the turns, the height always downwards, so that the screw's backlash has no say. A
    lifted pad is lifted as a whole.
    """
    half = tracks[:5] if left else tracks[:4:-1]
    front, back = pad.y_mm - shape.length_mm / 2, pad.y_mm + shape.length_mm / 2
    first = half[0]
    start_x = pad.x_mm + first.offset_mm
    points = [
        (start_x + _lead_run_mm(shape, left), front - LEAD_MM, first.height_mm),
        (start_x, front - LEAD_MM, first.height_mm),
        (start_x, front, first.height_mm),
    ]
    areas = [first.area_mm2, first.area_mm2]
    for k, track in enumerate(half):
        x = pad.x_mm + track.offset_mm
        begin, end = (front, back) if k % 2 == 0 else (back, front)
        if k:
            points.append((x, begin, track.height_mm))
            areas.append((half[k - 1].area_mm2 + track.area_mm2) / 2)
        points.append((x, end, track.height_mm))
        areas.append(track.area_mm2)
    numbers = "tracks 1 to 5" if left else "tracks 10 to 6"
    points = [(x, y, z + pad.lift_mm) for x, y, z in points]
    return Stroke(
        part="comb",
        label=f"pad column {pad.i + 1} row {pad.j + 1}, {numbers}",
        xyz_mm=tuple((round(x, 4), round(y, 4), round(z, 4)) for x, y, z in points),
        area_mm2=tuple(areas),
        speed_mm_s=speed_mm_s,
    )


def _lead_run_mm(shape: CombShape, left: bool) -> float:
    """Return where a lead-in begins, in x from its track: the tick outside, a foot inside."""
    if shape.tick_mm:
        return -shape.tick_mm if left else -_FOOT_MM
    return _SHORT_FOOT_MM if left else -_LONG_FOOT_MM


def zigzag(area: Rectangle, spacing_mm: float) -> list[tuple[float, float]]:
    """Return the corners of a zigzag that fills a rectangle along its longer side.

    Parameters
    ----------
    area : Rectangle
        What is to be covered, bead edges included.
    spacing_mm : float
        Largest distance between neighbouring lines; they are spread evenly.
    """
    wide = area.x_max_mm - area.x_min_mm
    deep = area.y_max_mm - area.y_min_mm
    along, across = (wide, deep) if wide >= deep else (deep, wide)
    lines = max(1, math.ceil(across / spacing_mm - 1e-9))
    half = across / lines / 2
    points = []
    for k in range(lines):
        v = half * (2 * k + 1)
        ends = (half, along - half) if k % 2 == 0 else (along - half, half)
        points += [(u, v) for u in ends]
    if wide >= deep:
        return [(area.x_min_mm + u, area.y_min_mm + v) for u, v in points]
    return [(area.x_min_mm + v, area.y_min_mm + u) for u, v in points]


def coupon_at(x_mm: float, y_mm: float, side_mm: float, target: Target) -> Coupon:
    """Return a coupon that lines of the target width fill solidly."""
    # At this spacing the lines' rounded sides just fill the gaps between them.
    spacing = target.width_mm - SIDE_FACTOR * target.height_mm
    return Coupon(
        x_mm=x_mm,
        y_mm=round(y_mm, 4),
        side_mm=side_mm,
        lines=max(1, math.ceil(side_mm / spacing - 1e-9)),
        area_mm2=round(float(area_mm2(target.width_mm, target.height_mm)), 6),
    )


def coupon_stroke(pad: Pad, coupon: Coupon, target: Target, speed_mm_s: float) -> Stroke:
    """Fill the coupon solidly at the target height with lines of the target width.

    In a self-check the coupon of a lifted pad is lifted with it.
    """
    square = Rectangle.around(coupon.x_mm, coupon.y_mm, coupon.side_mm)
    corners = zigzag(square, coupon.side_mm / coupon.lines)
    area = float(area_mm2(target.width_mm, target.height_mm))
    height_mm = round(target.height_mm + pad.lift_mm, 4)
    return Stroke(
        part="coupon",
        label=f"pad column {pad.i + 1} row {pad.j + 1}, coupon",
        xyz_mm=tuple((round(x, 4), round(y, 4), height_mm) for x, y in corners),
        area_mm2=(area,) * (len(corners) - 1),
        speed_mm_s=speed_mm_s,
    )
