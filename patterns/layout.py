"""Laying a sheet out on a bed: which comb and markers fit it best, and in which order it prints."""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from padsheet.patterns.bed import (
    ALTERNATE_BELOW_PITCH_MM,
    Bed,
    MeshGrid,
    Plate,
    Rectangle,
    nodes_with_pad,
)
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.ladder import LARGEST_MM, Ladder, design_ladder
from padsheet.patterns.markers import marker_strokes
from padsheet.patterns.pad import CombShape, comb_tracks, coupon_stroke, half_comb_stroke
from padsheet.patterns.placing import (
    ROOM_MM,
    corrected_area,
    may_be_high_mm,
    place_coupons,
    place_markers,
    place_pads,
    place_purge,
    sure_area,
    taken_by_combs,
)
from padsheet.patterns.sheet import Marker, Pad, Sheet, Stroke

__all__ = ["SELF_CHECK_LIFT_MM", "Layout", "lay_out_sheet"]

SELF_CHECK_LIFT_MM = 0.06
"""By how much a self-check lifts every other pad: several times what a pad may be misread by."""

_TICK_MM = 4.0
_MARKER_SIDES_MM = (10.8, 9.6, 7.8)
_TRACK_LENGTHS_MM = (18.0, 16.0, 14.0, 12.0, 10.0, 8.0)
_WANTED_MARKERS, _FEWEST_MARKERS = 8, 4
# A camera fitted to markers in the middle of the bed would be extrapolated to its edges.
_LEAST_SPREAD = 0.6
_COUPON_FROM_PITCH_MM = 28.0
# Fewer pads than this, or than this of either kind, tell the lift from the bed too badly.
_SELF_CHECK_PADS, _SELF_CHECK_EACH = 8, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A sheet, and what the user should know about how it was laid out."""

    sheet: Sheet
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """Parts that were found to go on the plate together.

    `homeless` are nodes (i, j) without room for a pad.
    """

    pads: Sequence[Pad]
    homeless: Sequence[tuple[int, int]]
    markers: Sequence[Marker]
    ladder: Ladder
    shape: CombShape
    purge: Stroke

    @property
    def merit(self) -> tuple[bool, int, bool, int]:
        """Rank: enough markers to be read at all, then pads, then spread, then more markers."""
        enough = len(self.markers) >= _FEWEST_MARKERS
        spread = enough and _spread(self.pads, self.markers) >= _LEAST_SPREAD
        return enough, -len(self.homeless), spread, min(len(self.markers), _WANTED_MARKERS)

    def has_no_worse(self, homeless: Sequence[tuple[int, int]]) -> bool:
        """Tell whether a comb that leaves these nodes without a pad need not be tried further."""
        return len(homeless) >= len(self.homeless) and len(self.markers) >= _WANTED_MARKERS


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


def _strokes(bed: Bed, fit: _Fit) -> tuple[Stroke, ...]:
    """Order the print: purge, markers, left halves, right halves backwards, coupons.

    The two passes over the pads in opposite order make a slow drift cancel in each pad instead of
    tilting the sheet.
    """
    speed, shape = bed.motion.print_mm_s, fit.shape
    tracks = comb_tracks(fit.ladder, shape)
    strokes = [fit.purge]
    for marker in _nearest_first(fit.markers, fit.purge.xyz_mm[-1][:2]):
        strokes += marker_strokes(
            marker,
            height_mm=fit.ladder.base_mm,
            bore_area_mm2=bed.nozzle.bore_area_mm2,
            speed_mm_s=speed,
        )
    order = _serpentine(fit.pads)
    strokes += [half_comb_stroke(p, tracks, shape, left=True, speed_mm_s=speed) for p in order]
    strokes += [
        half_comb_stroke(p, tracks, shape, left=False, speed_mm_s=speed) for p in reversed(order)
    ]
    strokes += [coupon_stroke(p, p.coupon, bed.target, speed) for p in order if p.coupon]
    return tuple(strokes)


def _checked_nodes(grid: MeshGrid, points: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the points asked for, each once, row by row from the front."""
    for i, j in points:
        if not (0 <= i < grid.columns and 0 <= j < grid.rows):
            raise PadsheetError(
                f"there is no grid point at column {i + 1}, row {j + 1}",
                remedy=f"Columns go from 1 to {grid.columns}, rows from 1 to {grid.rows}.",
                code="layout-no-point",
            )
    return sorted(set(points), key=lambda n: (n[1], n[0]))


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
    nodes = nodes_with_pad(bed.mesh) if points is None else _checked_nodes(bed.mesh, points)
    alternate = points is None and min(bed.mesh.pitch_mm) < ALTERNATE_BELOW_PITCH_MM
    factor = 2 if alternate else 1
    pitch_mm = (bed.mesh.pitch_mm[0] * factor, bed.mesh.pitch_mm[1] * factor)
    roomy = min(pitch_mm) >= _COUPON_FROM_PITCH_MM
    fit = _fit(bed, nodes, pitch_mm, reach_mm, roomy, number, inside)
    if self_check:
        fit = replace(fit, pads=_lifted(fit.pads))
    notes = []
    if alternate:
        notes.append(
            f"The grid points lie closer than {ALTERNATE_BELOW_PITCH_MM:g} mm: every other column "
            "and row gets a pad, and the points between are inferred from their neighbours."
        )
    notes += [
        f"No room for a pad at column {i + 1}, row {j + 1}: that point will be inferred."
        for i, j in fit.homeless
    ]
    if len(fit.markers) < _WANTED_MARKERS:
        notes.append(f"Only {len(fit.markers)} markers fit: keep all of them in the photo.")
    strokes = _strokes(bed, fit)
    if may_be_high_mm(bed, fit.ladder, strokes) > 0:
        notes.append(
            "There is no room for all of this sheet near the mesh: where it stands out beyond the "
            "outermost grid points, a bed that bends may come nearer to the nozzle than the "
            "clearance. Keep a hand at the power switch."
        )
    sheet = replace(
        _sheet(bed, fit, strokes), number=number, reach_mm=reach_mm, mesh_active=mesh_active,
        mesh_name=mesh_name,
    )  # fmt: skip
    return Layout(sheet=replace(sheet, id=_sheet_id(sheet)), notes=tuple(notes))


def _sheet(bed: Bed, fit: _Fit, strokes: tuple[Stroke, ...]) -> Sheet:
    """Put what was found to fit, and what the profile says of it, into a sheet without a name."""
    outline = bed.plate.outline
    return Sheet(
        id="",
        number=0,
        reach_mm=fit.ladder.reach_mm,
        sigma_mm=round(fit.ladder.sigma_mm, 5),
        pads=tuple(fit.pads),
        tracks=comb_tracks(fit.ladder, fit.shape),
        track_length_mm=fit.shape.length_mm,
        window_mm=fit.shape.window_mm,
        tick_mm=fit.shape.tick_mm,
        markers=tuple(fit.markers),
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
        strokes=strokes,
    )


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
        [(s.part, s.label, s.xyz_mm, s.area_mm2, s.speed_mm_s) for s in sheet.strokes],
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
    best: _Fit | None = None
    # The coupon is printed at the target height, which must be safe for the whole reach.
    safe = bed.target.height_mm >= -reach_mm[0] + bed.motion.clearance_mm - 1e-9
    # Beyond the mesh the correction may be missing, and the bed goes on as it bends: nothing is
    # printed there unless it must be.
    sure = sure_area(bed, reach_mm[0])
    limits = [sure, None] if sure and not (inside and corrected_area(bed)) else [sure]
    for limit, shape in itertools.product(limits, _shapes(pitch_mm, roomy)):
        ladder = design_ladder(
            reach_mm, bed.nozzle, bed.target, bed.motion, pitch_mm=shape.pitch_mm
        )
        pads, homeless = place_pads(bed, nodes, shape, pitch_mm, ladder, inside=inside)
        if best is not None and best.has_no_worse(homeless):
            continue
        taken = taken_by_combs(pads, shape)
        if roomy and safe:
            pads, taken = place_coupons(bed, pads, shape, sure)
        purge = place_purge(bed, taken, ladder.base_mm, limit)
        if not pads or purge is None:
            continue
        bare = _Fit(
            pads=pads, homeless=homeless, markers=(), ladder=ladder, shape=shape, purge=purge
        )
        found = _with_markers(bed.plate, bare, [*taken, _strip(purge)], number, limit)
        if best is None or found.merit > best.merit:
            best = found
        if best.merit >= (True, 0, True, _WANTED_MARKERS):
            return best
    if best is None or len(best.markers) < _FEWEST_MARKERS:
        raise PadsheetError(
            "pads, purge line and four markers do not fit on the plate together",
            remedy="Use a mesh with fewer points, or print only some of them (--points).",
            code="layout-no-room",
        )
    return best


def _with_markers(
    plate: Plate, bare: _Fit, taken: Sequence[Rectangle], number: int, limit: Rectangle | None
) -> _Fit:
    """Return the parts with markers of the size that fits best, larger ones where as many fit."""
    fits: list[_Fit] = []
    for side_mm in _MARKER_SIDES_MM:
        fits.append(replace(bare, markers=place_markers(plate, taken, side_mm, number, limit)))
        if fits[-1].merit[2:] >= (True, _WANTED_MARKERS):
            break
    return max(fits, key=lambda fit: fit.merit)


def _strip(purge: Stroke) -> Rectangle:
    """Return what the purge line takes up, with the room about it."""
    xs, ys, _ = zip(*purge.xyz_mm, strict=True)
    return Rectangle(x_min_mm=min(xs), y_min_mm=min(ys), x_max_mm=max(xs), y_max_mm=max(ys)).grown(
        ROOM_MM
    )


def _spread(pads: Sequence[Pad], markers: Sequence[Marker]) -> float:
    """Return what part of the pads' width or depth, the lesser, the markers span."""
    shares: list[float] = []
    for place in ("x_mm", "y_mm"):
        along = [getattr(pad, place) for pad in pads]
        span = [getattr(marker, place) for marker in markers]
        shares.append((max(span) - min(span)) / max(max(along) - min(along), 1.0))
    return min(shares)
