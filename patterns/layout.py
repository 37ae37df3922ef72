"""Laying a sheet out on a bed: where pads, coupons, purge line and markers go, in which order."""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import astuple, dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, MeshGrid, Plate, Rectangle
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.ladder import LARGEST_MM, Ladder, design_ladder
from padsheet.patterns.markers import PLACES, marker_id, marker_strokes
from padsheet.patterns.pad import CombShape, comb_tracks, coupon_at, coupon_stroke, half_comb_stroke
from padsheet.patterns.sheet import Marker, Pad, Sheet, Stroke

__all__ = ["SELF_CHECK_LIFT_MM", "Layout", "lay_out_sheet", "nodes_with_pad"]

SELF_CHECK_LIFT_MM = 0.06
"""By how much a self-check lifts every other pad: several times what a pad may be misread by."""

Floats = NDArray[np.float64]

_COUPON_MM = 5.0
_TICK_MM = 4.0
_ROOM_MM = 1.5
_MARKER_SIDES_MM = (10.8, 9.6, 7.8)
_TRACK_LENGTHS_MM = (18.0, 16.0, 14.0, 12.0, 10.0, 8.0)
_WANTED_MARKERS, _FEWEST_MARKERS = 8, 4
# A camera fitted to markers in the middle of the bed would be extrapolated to its edges.
_LEAST_SPREAD = 0.6
_COUPON_FROM_PITCH_MM = 28.0
_ALTERNATE_BELOW_PITCH_MM = 18.0
_GRID_MM = 2.5
# Fewer pads than this, or than this of either kind, tell the lift from the bed too badly.
_SELF_CHECK_PADS, _SELF_CHECK_EACH = 8, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A sheet, and what the user should know about how it was laid out."""

    sheet: Sheet
    notes: tuple[str, ...]


def _bounds(x: float, y: float, side: float) -> Rectangle:
    half = side / 2
    return Rectangle(x_min_mm=x - half, y_min_mm=y - half, x_max_mm=x + half, y_max_mm=y + half)


def _corrected(bed: Bed) -> Rectangle | None:
    """Return the mesh rectangle if the height correction is not sure to reach beyond it."""
    grid = bed.mesh
    if grid.outside in ("hold", "extend"):
        return None
    return Rectangle(
        x_min_mm=grid.x_min_mm,
        y_min_mm=grid.y_min_mm,
        x_max_mm=grid.x_max_mm,
        y_max_mm=grid.y_max_mm,
    )


def _within(area: Rectangle, limit: Rectangle | None) -> bool:
    return limit is None or (
        area.x_min_mm >= limit.x_min_mm - 1e-9
        and area.y_min_mm >= limit.y_min_mm - 1e-9
        and area.x_max_mm <= limit.x_max_mm + 1e-9
        and area.y_max_mm <= limit.y_max_mm + 1e-9
    )


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
        (boxes[:, 0] >= limit.x_min_mm - 1e-9)
        & (boxes[:, 1] >= limit.y_min_mm - 1e-9)
        & (boxes[:, 2] <= limit.x_max_mm + 1e-9)
        & (boxes[:, 3] <= limit.y_max_mm + 1e-9)
    )


def _inside(plate: Plate, boxes: Floats) -> NDArray[np.bool_]:
    """Tell which boxes (N, 4) lie in the plate's bounding rectangle, its margin left out.

    A quick look at many; `Plate.admits` knows round plates and keep-outs too.
    """
    return _all_within(boxes, plate.outline.grown(-plate.margin_mm))


def _shifts(limit_mm: float) -> Iterator[tuple[float, float]]:
    """Yield shifts of a pad from its node, the smallest first."""
    count = int(limit_mm)
    steps = [0.5 * k for k in range(-5, 6)] + [
        float(s * k) for k in range(3, count + 1) for s in (-1, 1)
    ]
    yield from sorted(
        ((dx, dy) for dx in steps for dy in steps),
        key=lambda d: (round(math.hypot(*d), 6), d),
    )


def _place_pads(
    bed: Bed,
    nodes: Sequence[tuple[int, int]],
    shape: CombShape,
    pitch_mm: tuple[float, float],
    *,
    inside: bool,
) -> tuple[list[Pad], list[tuple[int, int]]]:
    """Place a comb at each node, shifted as little as is needed; return those without room too.

    With `inside` the whole comb lies where the mesh corrects, else at least the measured part.
    """
    plate, limit = bed.plate, _corrected(bed)
    grid, reach = bed.mesh, 0.55 * min(pitch_mm if inside else bed.mesh.pitch_mm)
    shifts = list(_shifts(min(reach, 16.0)))
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
        room = ~_overlapping(boxes, near) & corrected
        for k in np.flatnonzero(room & _inside(plate, boxes)):
            area = shape.area_at(float(x[k]), float(y[k]))
            if plate.admits(area):
                pads.append(Pad(i=i, j=j, x_mm=round(float(x[k]), 4), y_mm=round(float(y[k]), 4)))
                taken.append(area.grown(_ROOM_MM / 2))
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


def _place_coupons(
    bed: Bed, pads: Sequence[Pad], shape: CombShape
) -> tuple[list[Pad], list[Rectangle]]:
    """Give each pad its coupon behind or in front of the comb, where there is room."""
    taken = [shape.area_at(pad.x_mm, pad.y_mm).grown(_ROOM_MM) for pad in pads]
    placed = []
    for pad in pads:
        own = shape.area_at(pad.x_mm, pad.y_mm)
        away = _ROOM_MM + 0.2 + _COUPON_MM / 2
        for y in (own.y_max_mm + away, own.y_min_mm - away):
            area = _bounds(pad.x_mm, y, _COUPON_MM)
            free = bed.plate.admits(area) and _within(area, _corrected(bed))
            if free and not any(area.overlaps(other) for other in taken):
                coupon = coupon_at(pad.x_mm, y, _COUPON_MM, bed.target)
                taken.append(area.grown(_ROOM_MM))
                placed.append(replace(pad, coupon=coupon))
                break
        else:
            placed.append(pad)
    return placed, taken


def _purge(
    bed: Bed, taken: Iterable[Rectangle], height_mm: float, limit: Rectangle | None
) -> Stroke | None:
    """Find room for a U of two lines inside `limit`, along the front if possible."""
    outline = bed.plate.outline.grown(-bed.plate.margin_mm)
    blocked = list(taken)
    area = 1.2 * bed.nozzle.bore_area_mm2
    centre_x = (outline.x_min_mm + outline.x_max_mm) / 2
    deep = 2.0
    for length in (80.0, 60.0, 40.0, 25.0, 15.0):
        rows = np.arange(outline.y_min_mm + deep, outline.y_max_mm - deep, 1.0)
        lefts = np.arange(outline.x_min_mm, outline.x_max_mm - length, 5.0)
        from_middle = np.abs(lefts + length / 2 - centre_x)
        places = lefts[np.argsort(from_middle, kind="stable")]
        for y in rows:
            beside = [b for b in blocked if y - deep < b.y_max_mm and b.y_min_mm < y + deep]
            spans = np.stack(
                np.broadcast_arrays(places, y - deep, places + length, y + deep), axis=1
            )
            for x in places[~_overlapping(spans, beside)]:
                room = Rectangle(
                    x_min_mm=x, y_min_mm=y - deep, x_max_mm=x + length, y_max_mm=y + deep
                )
                if bed.plate.admits(room) and _within(room, limit):
                    points = (
                        (x + 1, y - 0.7, height_mm),
                        (x + length - 1, y - 0.7, height_mm),
                        (x + length - 1, y + 0.7, height_mm),
                        (x + 1, y + 0.7, height_mm),
                    )
                    return Stroke(
                        part="purge",
                        label="purge line",
                        xyz_mm=tuple(
                            (round(float(a), 4), round(float(b), 4), c) for a, b, c in points
                        ),
                        area_mm2=(area,) * 3,
                        speed_mm_s=bed.motion.print_mm_s,
                    )
    return None


def _place_markers(
    plate: Plate,
    taken: Sequence[Rectangle],
    side_mm: float,
    number: int,
    limit: Rectangle | None,
) -> list[Marker]:
    """Spread up to 12 markers over the free room, each as far as can be from those before it."""
    outline = plate.outline
    quiet = side_mm * (1 + 2 / 6)
    xs = np.arange(outline.x_min_mm + quiet / 2, outline.x_max_mm - quiet / 2 + 0.1, _GRID_MM)
    ys = np.arange(outline.y_min_mm + quiet / 2, outline.y_max_mm - quiet / 2 + 0.1, _GRID_MM)
    half = quiet / 2
    places = np.stack([grid.ravel() for grid in np.meshgrid(xs, ys)], axis=1)
    quiet_boxes = np.concatenate([places - half, places + half], axis=1)
    squares = np.concatenate([places - side_mm / 2, places + side_mm / 2], axis=1)
    room = ~_overlapping(quiet_boxes, taken) & _inside(plate, squares)
    free = []
    for x, y in places[room].tolist():
        square = _bounds(x, y, side_mm)
        if plate.admits(square) and _within(square, limit):
            free.append((x, y))
    if not free:
        return []
    places = np.array(free)
    centre = np.array(
        [(outline.x_min_mm + outline.x_max_mm) / 2, (outline.y_min_mm + outline.y_max_mm) / 2]
    )
    chosen = [int(np.argmax(np.hypot(*(places - centre).T)))]
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


def _serpentine(pads: Iterable[Pad]) -> list[Pad]:
    """Order pads row by row from the front, every other row backwards."""
    return sorted(pads, key=lambda p: (p.j, p.i if p.j % 2 == 0 else -p.i))


def _nearest_first(markers: Sequence[Marker], start: tuple[float, float]) -> list[Marker]:
    left, here, order = list(markers), start, []
    while left:
        nearest = min(left, key=lambda m: (math.dist((m.x_mm, m.y_mm), here), m.id))
        left.remove(nearest)
        order.append(nearest)
        here = (nearest.x_mm, nearest.y_mm)
    return order


def _strokes(
    bed: Bed,
    pads: Sequence[Pad],
    markers: Sequence[Marker],
    ladder: Ladder,
    shape: CombShape,
    purge: Stroke,
) -> tuple[Stroke, ...]:
    """Order the print: purge, markers, left halves, right halves backwards, coupons.

    The two passes over the pads in opposite order make a slow drift cancel in each pad instead of
    tilting the sheet.
    """
    speed = bed.motion.print_mm_s
    tracks = comb_tracks(ladder, shape)
    strokes = [purge]
    for marker in _nearest_first(markers, purge.xyz_mm[-1][:2]):
        strokes += marker_strokes(
            marker,
            height_mm=ladder.base_mm,
            bore_area_mm2=bed.nozzle.bore_area_mm2,
            speed_mm_s=speed,
        )
    order = _serpentine(pads)
    strokes += [half_comb_stroke(p, tracks, shape, left=True, speed_mm_s=speed) for p in order]
    strokes += [
        half_comb_stroke(p, tracks, shape, left=False, speed_mm_s=speed) for p in reversed(order)
    ]
    strokes += [coupon_stroke(p, p.coupon, bed.target, speed) for p in order if p.coupon]
    return tuple(strokes)


def nodes_with_pad(grid: MeshGrid) -> list[tuple[int, int]]:
    """Return the nodes that have a pad on a whole sheet: on a dense mesh, not all of them."""
    nodes = [node for node in grid.nodes if node not in grid.skip]
    if min(grid.pitch_mm) >= _ALTERNATE_BELOW_PITCH_MM:
        return nodes
    return [(i, j) for i, j in nodes if i % 2 == 0 and j % 2 == 0]


def _wanted_nodes(
    grid: MeshGrid, points: Sequence[tuple[int, int]] | None
) -> tuple[list[tuple[int, int]], list[str]]:
    if points is not None:
        for i, j in points:
            if not (0 <= i < grid.columns and 0 <= j < grid.rows):
                raise PadsheetError(
                    f"there is no grid point at column {i + 1}, row {j + 1}",
                    remedy=f"Columns go from 1 to {grid.columns}, rows from 1 to {grid.rows}.",
                    code="layout-no-point",
                )
        return sorted(set(points), key=lambda n: (n[1], n[0])), []
    nodes = nodes_with_pad(grid)
    if min(grid.pitch_mm) >= _ALTERNATE_BELOW_PITCH_MM:
        return nodes, []
    return nodes, [
        "The grid points lie closer than 18 mm: every other column and row gets a pad, and the "
        "points between are inferred from their neighbours."
    ]


def _shapes(pitch_mm: tuple[float, float], roomy: bool) -> Iterator[CombShape]:
    """Yield combs that may fit a mesh pitch, the one that is read best first."""
    widest = min(2.0, max(1.5, (pitch_mm[0] - 4.0) / 10))
    lengths = [v for v in _TRACK_LENGTHS_MM if v <= max(8.0, pitch_mm[1] - 5.5)]
    ticks = (_TICK_MM, 0.0) if roomy else (0.0,)
    pitches = sorted({round(p, 2) for p in (widest, 1.75, 1.5) if p <= widest}, reverse=True)
    for tick, track_pitch, length in itertools.product(ticks, pitches, lengths):
        yield CombShape(
            pitch_mm=track_pitch,
            length_mm=length,
            window_mm=length - (6.0 if length >= 14 else 4.0),
            tick_mm=tick,
        )


def lay_out_sheet(
    bed: Bed,
    *,
    reach_mm: tuple[float, float],
    number: int = 1,
    points: Sequence[tuple[int, int]] | None = None,
    mesh_active: Literal["yes", "no", "unknown"] = "unknown",
    mesh_name: str | None = None,
    self_check: bool = False,
    inside: bool = False,
) -> Layout:
    """Lay out one sheet.

    Parameters
    ----------
    bed : Bed
        The profile.
    reach_mm : (low, high)
        Gap errors that the sheet is to read.
    number : int
        Number of the sheet in its bed folder, from 1.
    points : sequence of (i, j), optional
        Only these nodes; all of the mesh otherwise.
    mesh_active, mesh_name
        Whether a mesh is in force while the sheet is printed, and which.
    self_check : bool
        Lift the pads of a checkerboard by `SELF_CHECK_LIFT_MM`. The sheet's reach is then
        `reach_mm` and the lift above it.
    inside : bool
        Where the correction is not sure to reach beyond the mesh, keep the combs wholly inside,
        and not only the part that is measured: safer, but farther from the outermost grid points.

    Raises
    ------
    PadsheetError
        If the reach cannot be read, pads, purge line and four markers do not fit, or there are too
        few pads for a self-check.
    """
    if self_check:
        reach_mm = _reach_with_lift(reach_mm)
    nodes, notes = _wanted_nodes(bed.mesh, points)
    factor = 2 if notes else 1
    pitch_mm = (bed.mesh.pitch_mm[0] * factor, bed.mesh.pitch_mm[1] * factor)
    roomy = min(pitch_mm) >= _COUPON_FROM_PITCH_MM
    fitting = _fit(bed, nodes, pitch_mm, reach_mm, roomy, number, inside)
    pads, homeless, markers, ladder, shape, purge = fitting
    if self_check:
        pads = _lifted(pads)
    notes += [
        f"No room for a pad at column {i + 1}, row {j + 1}: that point will be inferred."
        for i, j in homeless
    ]
    if len(markers) < _WANTED_MARKERS:
        notes.append(f"Only {len(markers)} markers fit: keep all of them in the photo.")
    outline = bed.plate.outline
    sheet = Sheet(
        id="",
        number=number,
        reach_mm=reach_mm,
        sigma_mm=round(ladder.sigma_mm, 5),
        pads=tuple(pads),
        tracks=comb_tracks(ladder, shape),
        track_length_mm=shape.length_mm,
        window_mm=shape.window_mm,
        tick_mm=shape.tick_mm,
        markers=tuple(markers),
        target_gap_mm=bed.target.height_mm,
        tolerance_mm=bed.target.tolerance_mm,
        bore_mm=bed.nozzle.bore_mm,
        flat_mm=bed.nozzle.flat_mm,
        z_step_mm=bed.motion.z_step_mm,
        plate_name=bed.plate.name,
        plate_outline_mm=(
            outline.x_min_mm,
            outline.y_min_mm,
            outline.x_max_mm,
            outline.y_max_mm,
        ),
        nodes_x_mm=tuple(float(x) for x in bed.mesh.x_mm),
        nodes_y_mm=tuple(float(y) for y in bed.mesh.y_mm),
        mesh_active=mesh_active,
        mesh_name=mesh_name,
        strokes=_strokes(bed, pads, markers, ladder, shape, purge),
    )
    return Layout(sheet=replace(sheet, id=_sheet_id(sheet)), notes=tuple(notes))


def _reach_with_lift(reach_mm: tuple[float, float]) -> tuple[float, float]:
    """Return the reach that reads the bed under lifted pads too."""
    low, high = reach_mm[0], round(reach_mm[1] + SELF_CHECK_LIFT_MM, 6)
    if high > LARGEST_MM:
        raise PadsheetError(
            f"a self-check lifts pads by {SELF_CHECK_LIFT_MM:.2f} mm, which is too much beside a "
            f"reach of {reach_mm[1]:.2f} mm",
            remedy=f"Ask for a reach up to {LARGEST_MM - SELF_CHECK_LIFT_MM:.2f} mm.",
            code="layout-self-check",
        )
    return low, high


def _lifted(pads: Sequence[Pad]) -> list[Pad]:
    """Lift every other pad, as on a checkerboard of the columns and rows that have pads."""
    columns = {i: n for n, i in enumerate(sorted({pad.i for pad in pads}))}
    rows = {j: n for n, j in enumerate(sorted({pad.j for pad in pads}))}
    lifted = [
        replace(pad, lift_mm=SELF_CHECK_LIFT_MM) if (columns[pad.i] + rows[pad.j]) % 2 else pad
        for pad in pads
    ]
    raised = sum(pad.lift_mm > 0 for pad in lifted)
    if len(pads) < _SELF_CHECK_PADS or min(raised, len(pads) - raised) < _SELF_CHECK_EACH:
        raise PadsheetError(
            f"a self-check needs {_SELF_CHECK_PADS} pads or more, {_SELF_CHECK_EACH} of them "
            f"lifted and {_SELF_CHECK_EACH} not; here are {len(pads)}, {raised} of them lifted",
            remedy="Use all grid points, or a mesh of 3 x 3 points and more.",
            code="layout-self-check",
        )
    return lifted


def _sheet_id(sheet: Sheet) -> str:
    """Derive a stable name from all that shapes the print and from what it is printed for.

    What is predicted of the sheet has no part in it: a better estimator must not make another
    sheet of the same print.
    """
    printed = (
        sheet.number,
        [(pad.i, pad.j, pad.x_mm, pad.y_mm) for pad in sheet.pads],
        [astuple(stroke) for stroke in sheet.strokes],
    )
    purpose = (
        sheet.reach_mm,
        sheet.target_gap_mm,
        sheet.tolerance_mm,
        sheet.bore_mm,
        sheet.flat_mm,
        sheet.plate_name,
        sheet.plate_outline_mm,
        sheet.nodes_x_mm,
        sheet.nodes_y_mm,
        sheet.mesh_active,
        sheet.mesh_name,
    )
    return hashlib.sha256(repr((printed, purpose)).encode()).hexdigest()[:10]


_Fit = tuple[list[Pad], list[tuple[int, int]], list[Marker], Ladder, CombShape, Stroke]


def _fit(
    bed: Bed,
    nodes: Sequence[tuple[int, int]],
    pitch_mm: tuple[float, float],
    reach_mm: tuple[float, float],
    roomy: bool,
    number: int,
    inside: bool,
) -> _Fit:
    """Find the best comb and the largest markers that fit together."""
    ladders: dict[float, Ladder] = {}
    best: _Fit | None = None
    # The coupon is printed at the target height, which must be safe for the whole reach.
    safe = bed.target.height_mm >= -reach_mm[0] + bed.motion.clearance_mm - 1e-9
    # Beyond the mesh the correction may be missing: nothing is printed there unless it must be.
    limits = [_corrected(bed), None] if _corrected(bed) else [None]
    if inside:
        limits = limits[:1]
    for limit, shape in itertools.product(limits, _shapes(pitch_mm, roomy)):
        if shape.pitch_mm not in ladders:
            ladders[shape.pitch_mm] = design_ladder(
                reach_mm, bed.nozzle, bed.target, bed.motion, pitch_mm=shape.pitch_mm
            )
        ladder = ladders[shape.pitch_mm]
        pads, homeless = _place_pads(bed, nodes, shape, pitch_mm, inside=inside)
        if best is not None and len(homeless) >= len(best[1]) and len(best[2]) >= _WANTED_MARKERS:
            continue
        if roomy and safe:
            pads, taken = _place_coupons(bed, pads, shape)
        else:
            taken = [shape.area_at(p.x_mm, p.y_mm).grown(_ROOM_MM) for p in pads]
        purge = _purge(bed, taken, ladder.base_mm, limit)
        if not pads or purge is None:
            continue
        xs, ys = [p[0] for p in purge.xyz_mm], [p[1] for p in purge.xyz_mm]
        strip = Rectangle(
            x_min_mm=min(xs), y_min_mm=min(ys), x_max_mm=max(xs), y_max_mm=max(ys)
        ).grown(_ROOM_MM)
        for side in _MARKER_SIDES_MM:
            markers = _place_markers(bed.plate, [*taken, strip], side, number, limit)
            found = (pads, homeless, markers, ladder, shape, purge)
            if best is None or _merit(found) > _merit(best):
                best = found
            if _merit(found)[2:] >= (True, _WANTED_MARKERS):
                break
        if best is not None and _merit(best) >= (True, 0, True, _WANTED_MARKERS):
            return best
    if best is None or len(best[2]) < _FEWEST_MARKERS:
        raise PadsheetError(
            "pads, purge line and four markers do not fit on the plate together",
            remedy="Use a mesh with fewer points, or print only some of them (--points).",
            code="layout-no-room",
        )
    return best


def _merit(fit: _Fit) -> tuple[bool, int, bool, int]:
    """Rank what was found: enough markers to be read at all, then pads, then spread."""
    pads, homeless, markers, *_ = fit
    enough = len(markers) >= _FEWEST_MARKERS
    spread = enough and _spread(pads, markers) >= _LEAST_SPREAD
    return enough, -len(homeless), spread, min(len(markers), _WANTED_MARKERS)


def _spread(pads: Sequence[Pad], markers: Sequence[Marker]) -> float:
    """Return what part of the pads' width or depth, the lesser, the markers span."""
    shares: list[float] = []
    for place in ("x_mm", "y_mm"):
        along = [getattr(pad, place) for pad in pads]
        span = [getattr(marker, place) for marker in markers]
        shares.append((max(span) - min(span)) / max(max(along) - min(along), 1.0))
    return min(shares)
