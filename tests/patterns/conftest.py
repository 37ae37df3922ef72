"""Small sheets for the tests of G-code, envelope, estimate and preview."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from padsheet.patterns.bed import Bed
from padsheet.patterns.sheet import Coupon, Marker, Pad, Sheet, Stroke, Track

Points = tuple[tuple[float, float, float], ...]

PURGE: Points = ((30.0, 10.0, 0.2), (70.0, 10.0, 0.2))
COMB: Points = (
    (100.0, 90.0, 0.24),
    (100.0, 110.0, 0.24),
    (102.0, 110.0, 0.2),
    (102.0, 90.0, 0.2),
)


def make_stroke(points: Points, area_mm2: float = 0.1, part: str = "comb") -> Stroke:
    return Stroke(
        part=part,
        label=f"{part} at {points[0][0]:g}",
        xyz_mm=points,
        area_mm2=(area_mm2,) * (len(points) - 1),
        speed_mm_s=25.0,
    )


def make_sheet(*strokes: Stroke, **changes: object) -> Sheet:
    """A sheet with one pad; without strokes given it has a purge line and one comb."""
    given: dict[str, object] = {
        "id": "abc123",
        "number": 3,
        "reach_mm": (-0.08, 0.08),
        "sigma_mm": 0.005,
        "pads": (
            Pad(
                i=2, j=2, x_mm=101.0, y_mm=100.0, coupon=Coupon(x_mm=101.0, y_mm=116.0, side_mm=7.0)
            ),
        ),
        "tracks": (
            Track(number=1, offset_mm=-1.0, height_mm=0.24, area_mm2=0.1),
            Track(number=2, offset_mm=1.0, height_mm=0.2, area_mm2=0.1),
        ),
        "track_length_mm": 20.0,
        "window_mm": 12.0,
        "markers": (Marker(id=40, x_mm=20.0, y_mm=60.0, side_mm=12.0),),
        "target_gap_mm": 0.2,
        "tolerance_mm": 0.03,
        "bore_mm": 0.4,
        "flat_mm": 1.0,
        "z_step_mm": 0.04,
        "plate_name": "steel <A>",
        "plate_outline_mm": (0.0, 0.0, 220.0, 220.0),
        "nodes_x_mm": tuple(float(x) for x in Bed().mesh.x_mm),
        "nodes_y_mm": tuple(float(y) for y in Bed().mesh.y_mm),
        "strokes": strokes or (make_stroke(PURGE, part="purge"), make_stroke(COMB)),
    }
    return Sheet(**(given | changes))  # type: ignore[arg-type]


@pytest.fixture(scope="session")
def small_sheet() -> Callable[..., Sheet]:
    """Return the maker of small sheets."""
    return make_sheet


@pytest.fixture(scope="session")
def small_stroke() -> Callable[..., Stroke]:
    """Return the maker of strokes: points, area, part."""
    return make_stroke
