"""Where the parts of a sheet find room on the plate: combs, coupons, purge line and markers."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import SLACK_MM, Bed, Plate, Rectangle
from padsheet.patterns.clearance import rise_beyond_mm
from padsheet.patterns.ladder import FINE_MM, Ladder
from padsheet.patterns.markers import CELLS, PLACES, marker_id
from padsheet.patterns.pad import LEAD_MM, CombShape, coupon_at
from padsheet.patterns.sheet import Marker, Pad, Stroke

__all__ = [
    "ROOM_MM",
    "corrected_area",
    "may_be_high_mm",
    "place_coupons",
    "place_markers",
    "place_pads",
    "place_purge",
    "sure_area",
    "taken_by_combs",
]

Floats = NDArray[np.float64]

ROOM_MM = 1.5
"""What is left free between parts of a sheet."""

_COUPON_MM = 5.0
# The farthest that a comb may stand from its node, in pitches of the mesh and in millimetres.
_FARTHEST_PITCHES, _FARTHEST_MM = 0.55, 16.0
# Candidates for the centres of markers lie this far apart.
_GRID_MM = 2.5
_PURGE_LENGTHS_MM = (80.0, 60.0, 40.0, 25.0, 15.0)
_PURGE_HALF_DEEP_MM = 2.0
_PURGE_PER_BORE_AREA = 1.2


def corrected_area(bed: Bed) -> Rectangle | None:
    """Return the mesh rectangle if the height correction is not sure to reach beyond it."""
    return None if bed.mesh.outside in ("hold", "extend") else bed.mesh.outline


def sure_area(bed: Bed, low_mm: float) -> Rectangle | None:
    """Return where something may be printed at the lowest height; None for the whole plate.

    That is the mesh rectangle where the correction is not sure to reach beyond it, and also on a
    sheet of more reach than `fine`, which is for a bed of which little is known: beyond its
    outermost grid points that may go on to rise.

    Parameters
    ----------
    bed : Bed
        The profile.
    low_mm : float
        Lowest gap error that is reckoned with; negative.
    """
    return bed.mesh.outline if _is_wide(low_mm) else corrected_area(bed)


def _is_wide(low_mm: float) -> bool:
    return -low_mm > FINE_MM + SLACK_MM


def may_be_high_mm(bed: Bed, ladder: Ladder, strokes: Iterable[Stroke]) -> float:
    """Return by how much the bed may stand higher beyond the mesh than a sheet allows for.

    Zero where all lines keep clear, and for a sheet of no more reach than `fine`. Where the
    correction is not sure to reach beyond the mesh, the envelope looks after that.
    """
    low_mm = ladder.reach_mm[0]
    if not _is_wide(low_mm) or corrected_area(bed) is not None:
        return 0.0
    x, y, z = np.array([point for stroke in strokes for point in stroke.xyz_mm]).T
    spare = z - min(ladder.height_mm)
    over = float((rise_beyond_mm(bed.mesh, low_mm, x, y) - spare).max())
    return over if over > SLACK_MM else 0.0


def _lines_clear(
    bed: Bed, shape: CombShape, ladder: Ladder, x: Floats, y: Floats
) -> NDArray[np.bool_]:
    """Tell at which places (N,) the lines of a comb keep clear of what the bed may do beyond.

    The lowest lines lie in its middle: to the sides it may stand out farther than to the front.
    """
    low_mm, clear = ladder.reach_mm[0], np.ones(len(x), bool)
    if not _is_wide(low_mm) or corrected_area(bed) is not None:
        return clear  # or what stands out is looked at with the mesh in force
    half, heights = shape.length_mm / 2, ladder.height_mm
    for k, height in enumerate(heights):
        spare = height - min(heights)
        # The outermost lines, which are the highest, are led into from the front.
        lead = LEAD_MM if k in (0, len(heights) - 1) else 0.0
        along = x + (k - (len(heights) - 1) / 2) * shape.pitch_mm
        for end in (y - half - lead, y + half):
            clear &= rise_beyond_mm(bed.mesh, low_mm, along, end) <= spare + SLACK_MM
        if k == 0 and shape.tick_mm:
            tick = rise_beyond_mm(bed.mesh, low_mm, along - shape.tick_mm, y - half - lead)
            clear &= tick <= spare + SLACK_MM
    return clear


def taken_by_combs(pads: Iterable[Pad], shape: CombShape) -> list[Rectangle]:
    """Return what the combs of pads take up, with the room about them."""
    return [shape.area_at(pad.x_mm, pad.y_mm).grown(ROOM_MM) for pad in pads]


def _within(area: Rectangle, limit: Rectangle | None) -> bool:
    return limit is None or area.within(limit)


def _tracks_inside(
    shape: CombShape, x: Floats, y: Floats, limit: Rectangle | None
) -> NDArray[np.bool_]:
    """Tell at which places (N,) the measured part of the comb lies in the mesh rectangle."""
    side, half = 4.5 * shape.pitch_mm, shape.window_mm / 2
    boxes = np.stack([x - side, y - half, x + side, y + half], axis=1)
    return _all_within(boxes, limit)


def _all_within(boxes: Floats, limit: Rectangle | None) -> NDArray[np.bool_]:
    """Tell which boxes (N, 4), x and y from and to, lie in a rectangle; all of them in None."""
    if limit is None:
        return np.ones(len(boxes), bool)
    return np.asarray(
        (boxes[:, 0] >= limit.x_min_mm - SLACK_MM)
        & (boxes[:, 1] >= limit.y_min_mm - SLACK_MM)
        & (boxes[:, 2] <= limit.x_max_mm + SLACK_MM)
        & (boxes[:, 3] <= limit.y_max_mm + SLACK_MM)
    )


def _inside(plate: Plate, boxes: Floats) -> NDArray[np.bool_]:
    """Tell which boxes (N, 4) lie in the plate's bounding rectangle, its margin left out.

    A quick look at many; `Plate.admits` knows round plates and keep-outs too.
    """
    return _all_within(boxes, plate.outline.grown(-plate.margin_mm))


def _shifts(limit_mm: float) -> Iterator[tuple[float, float]]:
    """Yield shifts of a pad from its node, the smallest first.

    Examples
    --------
    >>> sorted({abs(dx_mm) for dx_mm, _ in _shifts(4.9)})
    [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0]
    """
    count = int(limit_mm)
    steps = [0.5 * k for k in range(-5, 6)] + [
        float(s * k) for k in range(3, count + 1) for s in (-1, 1)
    ]
    yield from sorted(
        ((dx, dy) for dx in steps for dy in steps),
        key=lambda d: (round(math.hypot(*d), 6), d),
    )


def place_pads(
    bed: Bed,
    nodes: Sequence[tuple[int, int]],
    shape: CombShape,
    pitch_mm: tuple[float, float],
    ladder: Ladder,
    *,
    inside: bool,
) -> tuple[list[Pad], list[tuple[int, int]]]:
    """Place a comb at each node, shifted as little as is needed; return those without room too.

    With `inside` the whole comb lies where the mesh corrects, else at least the measured part. On a
    sheet of wide reach it does not stand out so far that the bed might rise into its lines.
    """
    plate, limit = bed.plate, corrected_area(bed)
    grid = bed.mesh
    farthest_mm = _FARTHEST_PITCHES * min(pitch_mm if inside else grid.pitch_mm)
    shifts = list(_shifts(min(farthest_mm, _FARTHEST_MM)))
    farthest = max(abs(v) for shift in shifts for v in shift)
    dx, dy = np.array(shifts).T
    pads: list[Pad] = []
    taken: list[Rectangle] = []
    homeless = []
    nodes_x, nodes_y = grid.x_mm.tolist(), grid.y_mm.tolist()
    for i, j in nodes:
        x, y = nodes_x[i] + dx, nodes_y[j] + dy
        here = shape.area_at(nodes_x[i], nodes_y[j]).grown(farthest)
        near = [other for other in taken if here.overlaps(other)]
        boxes = shape.boxes_at(x, y)
        corrected = _tracks_inside(shape, x, y, limit) if not inside else _all_within(boxes, limit)
        room = ~_overlapping(boxes, near) & corrected & _lines_clear(bed, shape, ladder, x, y)
        for k in np.flatnonzero(room & _inside(plate, boxes)):
            area = shape.area_at(float(x[k]), float(y[k]))
            if plate.admits(area):
                pads.append(Pad(i=i, j=j, x_mm=round(float(x[k]), 4), y_mm=round(float(y[k]), 4)))
                taken.append(area.grown(ROOM_MM / 2))
                break
        else:
            homeless.append((i, j))
    return pads, homeless


def _overlapping(boxes: Floats, others: Sequence[Rectangle]) -> NDArray[np.bool_]:
    """Tell which boxes (N, 4), x and y from and to, share more than an edge with any of others."""
    found = np.zeros(len(boxes), bool)
    for other in others:
        found |= (
            (boxes[:, 0] < other.x_max_mm)
            & (other.x_min_mm < boxes[:, 2])
            & (boxes[:, 1] < other.y_max_mm)
            & (other.y_min_mm < boxes[:, 3])
        )
    return found


def place_coupons(
    bed: Bed, pads: Sequence[Pad], shape: CombShape, limit: Rectangle | None
) -> tuple[list[Pad], list[Rectangle]]:
    """Give each pad its coupon behind or in front of the comb, where there is room in `limit`."""
    taken = taken_by_combs(pads, shape)
    placed = []
    for pad in pads:
        own = shape.area_at(pad.x_mm, pad.y_mm)
        away = ROOM_MM + 0.2 + _COUPON_MM / 2
        for y in (own.y_max_mm + away, own.y_min_mm - away):
            area = Rectangle.around(pad.x_mm, y, _COUPON_MM)
            free = bed.plate.admits(area) and _within(area, limit)
            if free and not any(area.overlaps(other) for other in taken):
                coupon = coupon_at(pad.x_mm, y, _COUPON_MM, bed.target)
                taken.append(area.grown(ROOM_MM))
                placed.append(replace(pad, coupon=coupon))
                break
        else:
            placed.append(pad)
    return placed, taken


def place_purge(
    bed: Bed, taken: Iterable[Rectangle], height_mm: float, limit: Rectangle | None
) -> Stroke | None:
    """Find room for a U of two lines inside `limit`, along the front if possible.

    Parameters
    ----------
    taken : iterable of Rectangle
        Where something else is printed.
    height_mm : float
        Nozzle height.
    limit : Rectangle or None
        It lies in here; None for the whole plate.

    Returns
    -------
    Stroke or None
        None if there is no room even for the shortest.
    """
    outline = bed.plate.outline.grown(-bed.plate.margin_mm)
    blocked = list(taken)
    deep = _PURGE_HALF_DEEP_MM
    for length in _PURGE_LENGTHS_MM:
        rows = np.arange(outline.y_min_mm + deep, outline.y_max_mm - deep, 1.0)
        lefts = np.arange(outline.x_min_mm, outline.x_max_mm - length, 5.0)
        from_middle = np.abs(lefts + length / 2 - outline.centre_mm[0])
        places = lefts[np.argsort(from_middle, kind="stable")]
        for y in rows.tolist():
            beside = [b for b in blocked if y - deep < b.y_max_mm and b.y_min_mm < y + deep]
            spans = np.stack(
                np.broadcast_arrays(places, y - deep, places + length, y + deep), axis=1
            )
            for x in places[~_overlapping(spans, beside)].tolist():
                room = Rectangle(
                    x_min_mm=x, y_min_mm=y - deep, x_max_mm=x + length, y_max_mm=y + deep
                )
                if bed.plate.admits(room) and _within(room, limit):
                    return _purge_stroke(bed, x, y, length, height_mm)
    return None


def _purge_stroke(bed: Bed, x_mm: float, y_mm: float, length_mm: float, height_mm: float) -> Stroke:
    """Draw the U whose room begins at `x_mm`, about the row `y_mm`."""
    corners = (
        (x_mm + 1, y_mm - 0.7),
        (x_mm + length_mm - 1, y_mm - 0.7),
        (x_mm + length_mm - 1, y_mm + 0.7),
        (x_mm + 1, y_mm + 0.7),
    )
    return Stroke(
        part="purge",
        label="purge line",
        xyz_mm=tuple((round(x, 4), round(y, 4), height_mm) for x, y in corners),
        area_mm2=(_PURGE_PER_BORE_AREA * bed.nozzle.bore_area_mm2,) * 3,
        speed_mm_s=bed.motion.print_mm_s,
    )


def place_markers(
    plate: Plate,
    taken: Sequence[Rectangle],
    side_mm: float,
    number: int,
    limit: Rectangle | None,
) -> list[Marker]:
    """Spread up to `PLACES` markers over the free room, each far from those before it."""
    outline = plate.outline
    # One cell of bare plate on either side, by which a detector tells the border.
    quiet = side_mm * (1 + 2 / CELLS)
    xs = np.arange(outline.x_min_mm + quiet / 2, outline.x_max_mm - quiet / 2 + 0.1, _GRID_MM)
    ys = np.arange(outline.y_min_mm + quiet / 2, outline.y_max_mm - quiet / 2 + 0.1, _GRID_MM)
    half = quiet / 2
    places = np.stack([grid.ravel() for grid in np.meshgrid(xs, ys)], axis=1)
    quiet_boxes = np.concatenate([places - half, places + half], axis=1)
    squares = np.concatenate([places - side_mm / 2, places + side_mm / 2], axis=1)
    room = (
        ~_overlapping(quiet_boxes, taken)
        & _inside(plate, squares)
        & _all_within(squares, limit)
        & ~_overlapping(squares, plate.keep_out)
    )
    places = places[room]
    if plate.shape == "round":
        squares_left = [Rectangle.around(x, y, side_mm) for x, y in places.tolist()]
        places = places[[plate.admits(square) for square in squares_left]]
    if not len(places):
        return []
    chosen = [int(np.argmax(np.hypot(*(places - outline.centre_mm).T)))]
    apart = np.full(len(places), np.inf)
    while len(chosen) < PLACES:
        gone = np.abs(places - places[chosen[-1]]).max(axis=1) < quiet
        apart = np.minimum(apart, np.hypot(*(places - places[chosen[-1]]).T))
        apart[gone] = -np.inf
        best = int(np.argmax(apart))
        if not np.isfinite(apart[best]):
            break
        chosen.append(best)
    spots = sorted((tuple(places[k]) for k in chosen), key=lambda p: (p[1], p[0]))
    return [
        Marker(
            id=marker_id(place, number),
            x_mm=round(float(x), 4),
            y_mm=round(float(y), 4),
            side_mm=side_mm,
        )
        for place, (x, y) in enumerate(spots)
    ]
