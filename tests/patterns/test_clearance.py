from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BPoly, PPoly, RegularGridInterpolator

from padsheet.patterns.bed import MeshGrid
from padsheet.patterns.clearance import lowest_height_mm, lowest_heights_mm

GRID = MeshGrid(columns=3, rows=3, x_min_mm=0, x_max_mm=20, y_min_mm=0, y_max_mm=20, outside="off")
PEAK = np.array([[0, 0, 0], [0, 0.3, 0], [0, 0, 0]], dtype=float)


def test_without_a_mesh_the_lower_end_counts() -> None:
    assert lowest_height_mm((0, 0, 0.3), (5, 5, 0.2), GRID) == 0.2


def test_inside_the_mesh_the_correction_keeps_the_height() -> None:
    assert lowest_height_mm((2, 10, 0.2), (18, 10, 0.2), GRID, PEAK) == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("start", "end"),
    [((0, 0), (20, 0)), ((0, 20), (20, 20)), ((0, 0), (0, 20)), ((20, 0), (20, 20))],
)
def test_the_edge_of_the_mesh_is_inside(
    start: tuple[float, float], end: tuple[float, float]
) -> None:
    # A printer that corrects nothing outside still corrects on the line of its outermost points.
    mesh = PEAK + 0.2
    found = lowest_height_mm((*start, 0.2), (*end, 0.2), GRID, mesh)
    assert found == pytest.approx(0.2)


def test_a_peak_between_the_ends_is_seen() -> None:
    # With the correction fading over 1 mm from Z0, at z = 0.2 a fifth of the 0.3 mm peak is
    # missing: 0.2 - 0.06 at the middle, though both ends lie where the mesh is 0.
    fading = MeshGrid(
        columns=3, rows=3, x_min_mm=0, x_max_mm=20, y_min_mm=0, y_max_mm=20, fade_height_mm=1.0
    )
    assert lowest_height_mm((0, 10, 0.2), (20, 10, 0.2), fading, PEAK) == pytest.approx(0.14)
    # A mesh set at 0.2 mm has that fading in it already.
    set_there = lowest_height_mm((0, 10, 0.2), (20, 10, 0.2), fading, PEAK, reference_mm=0.2)
    assert set_there == pytest.approx(0.2)
    # Above the fade height there is no correction at all.
    assert lowest_height_mm((0, 10, 2.0), (20, 10, 2.0), fading, PEAK) == pytest.approx(1.7)


@pytest.mark.parametrize(
    ("outside", "lowest_mm"), [("off", -0.2), ("hold", 0.0), ("extend", 0.2), ("unknown", -0.2)]
)
def test_outside_the_mesh_the_worst_counts(outside: str, lowest_mm: float) -> None:
    # Rising by 0.1 mm a cell to 0.2 mm at the right edge; 20 mm further on it would be at 0.4 mm,
    # or still at 0.2 mm. At z = 0.2: no correction 0.2 - 0.4, held 0.2 + 0.2 - 0.4, extended 0.2.
    grid = MeshGrid(
        columns=3,
        rows=3,
        x_min_mm=0,
        x_max_mm=20,
        y_min_mm=0,
        y_max_mm=20,
        outside=outside,  # type: ignore[arg-type]
    )
    ramp = np.tile([0.0, 0.1, 0.2], (3, 1))
    found = lowest_height_mm((10, 10, 0.2), (40, 10, 0.2), grid, ramp)
    assert found == pytest.approx(lowest_mm)


@settings(max_examples=60, deadline=None)
@given(
    values=st.lists(st.floats(-0.3, 0.3), min_size=9, max_size=9),
    ends=st.tuples(*[st.floats(0, 20)] * 4),
    heights=st.tuples(st.floats(0.1, 0.9), st.floats(0.1, 0.9)),
)
def test_no_point_of_the_path_is_lower_than_the_bound(
    values: list[float], ends: tuple[float, ...], heights: tuple[float, float]
) -> None:
    mesh = np.array(values).reshape(3, 3)
    grid = MeshGrid(
        columns=3, rows=3, x_min_mm=0, x_max_mm=20, y_min_mm=0, y_max_mm=20, fade_height_mm=2.0
    )
    start, end = (ends[0], ends[1], heights[0]), (ends[2], ends[3], heights[1])
    bound = lowest_height_mm(start, end, grid, mesh)
    # Bilinear interpolation by scipy, not ours, along the path.
    at = np.linspace(start, end, 401)
    surface = RegularGridInterpolator((grid.y_mm, grid.x_mm), mesh)(at[:, 1::-1])
    lowest = (at[:, 2] + surface * (1 - at[:, 2] / 2.0) - surface).min()
    assert bound <= lowest + 1e-9
    # Nor is it needlessly low: the coefficients of a piece lie near its values.
    assert bound >= lowest - 0.05


@settings(max_examples=60, deadline=None)
@given(
    values=st.lists(st.floats(-3.0, 3.0), min_size=4, max_size=4),
    ends=st.tuples(*[st.floats(0, 20)] * 4),
    heights=st.tuples(st.floats(0.1, 0.9), st.floats(0.1, 0.9)),
)
def test_within_a_cell_the_bound_is_the_lowest_bernstein_coefficient(
    values: list[float], ends: tuple[float, ...], heights: tuple[float, float]
) -> None:
    # By polynomials of NumPy and SciPy: u, v and z run linearly along the path.
    mesh = np.array(values).reshape(2, 2)
    grid = MeshGrid(
        columns=2, rows=2, x_min_mm=0, x_max_mm=20, y_min_mm=0, y_max_mm=20, fade_height_mm=2.0
    )
    start, end = (ends[0], ends[1], heights[0]), (ends[2], ends[3], heights[1])
    u, v, z = (np.poly1d([b - a, a]) for a, b in zip(start, end, strict=True))
    u, v = u / 20, v / 20
    bed = (1 - v) * ((1 - u) * mesh[0, 0] + u * mesh[0, 1])
    bed += v * ((1 - u) * mesh[1, 0] + u * mesh[1, 1])
    height = z + bed * (1 - z / 2) - bed
    powers = np.zeros((4, 1))
    powers[4 - len(height.coeffs) :, 0] = height.coeffs
    lowest = BPoly.from_power_basis(PPoly(powers, [0.0, 1.0])).c.min()
    assert lowest_height_mm(start, end, grid, mesh) == pytest.approx(lowest, abs=1e-9)


def test_many_paths_are_looked_at_together() -> None:
    rng = np.random.default_rng(9)
    mesh = rng.normal(0, 0.2, (3, 3))
    for outside, fade in itertools.product(("hold", "extend", "off", "unknown"), (None, 3.0)):
        grid = dataclasses.replace(GRID, outside=outside, fade_height_mm=fade)
        start, end = rng.uniform([-5, -5, 0], [25, 25, 4], (2, 60, 3))
        together = lowest_heights_mm(start, end, grid, mesh, reference_mm=0.2)
        for a, b, found in zip(start.tolist(), end.tolist(), together.tolist(), strict=True):
            part = np.linspace(a, b, 7)
            pieces = lowest_heights_mm(part[:-1], part[1:], grid, mesh, reference_mm=0.2)
            # Shorter pieces have the sharper bound.
            assert found <= pieces.min() + 1e-9
            alone = lowest_height_mm(tuple(a), tuple(b), grid, mesh, reference_mm=0.2)
            assert found == pytest.approx(alone, abs=1e-12)


def test_places_that_no_number_can_hold_are_never_clear() -> None:
    far = np.array([[1e308, 0.0, 1.0]])
    lowest = lowest_heights_mm(far, -far, GRID, PEAK)
    assert not (lowest >= 0.05).any()
