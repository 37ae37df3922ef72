"""The bed as data: plate, mesh and nozzle."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from padsheet.patterns.bed import Bed, MeshGrid, Nozzle, Plate, Rectangle


def rectangle(x_min: float, y_min: float, x_max: float, y_max: float) -> Rectangle:
    return Rectangle(x_min_mm=x_min, y_min_mm=y_min, x_max_mm=x_max, y_max_mm=y_max)


def test_rectangles_that_share_only_an_edge_do_not_overlap() -> None:
    assert rectangle(0, 0, 10, 10).overlaps(rectangle(9, 9, 20, 20))
    assert not rectangle(0, 0, 10, 10).overlaps(rectangle(10, 0, 20, 10))
    assert not rectangle(0, 0, 10, 10).overlaps(rectangle(0, 10, 10, 20))


def test_outline_follows_the_origin() -> None:
    corner = Plate(size_x_mm=300, size_y_mm=200)
    centre = dataclasses.replace(corner, origin="centre")
    assert corner.outline == rectangle(0, 0, 300, 200)
    assert centre.outline == rectangle(-150, -100, 150, 100)


def test_plate_admits_up_to_its_margin_and_not_into_a_clip() -> None:
    plate = Plate(size_x_mm=100, size_y_mm=80, margin_mm=3, keep_out=(rectangle(40, 0, 60, 8),))
    assert plate.admits(rectangle(3, 3, 39, 77))
    assert not plate.admits(rectangle(2.9, 3, 39, 77))
    assert not plate.admits(rectangle(3, 3, 39, 77.1))
    assert plate.admits(rectangle(35, 8, 65, 20))
    assert not plate.admits(rectangle(35, 7.9, 65, 20))


@given(
    x=st.floats(-100, 100),
    y=st.floats(-100, 100),
    half=st.floats(0.1, 60),
    origin=st.sampled_from(["corner", "centre"]),
)
def test_round_plate_admits_what_has_all_four_corners_inside(
    x: float, y: float, half: float, origin: str
) -> None:
    plate = Plate(shape="round", size_x_mm=200, size_y_mm=200, origin=origin, margin_mm=5)  # type: ignore[arg-type]
    shift = 100.0 if origin == "corner" else 0.0
    area = rectangle(x - half + shift, y - half + shift, x + half + shift, y + half + shift)
    far = max(math.hypot(x + a * half, y + b * half) for a in (-1, 1) for b in (-1, 1))
    if abs(far - 95) > 1e-6:
        assert plate.admits(area) == (far < 95)


def test_mesh_places_and_order_of_nodes() -> None:
    # Not square on purpose: a swap of columns and rows must show.
    mesh = MeshGrid(columns=4, rows=3, x_min_mm=10, x_max_mm=100, y_min_mm=-20, y_max_mm=20)
    np.testing.assert_allclose(mesh.x_mm, [10, 40, 70, 100])
    np.testing.assert_allclose(mesh.y_mm, [-20, 0, 20])
    assert mesh.pitch_mm == (30, 20)
    assert mesh.nodes[:5] == ((0, 0), (1, 0), (2, 0), (3, 0), (0, 1))
    assert len(mesh.nodes) == 12


def test_areas_of_filament_and_bore() -> None:
    # Area of a circle; 2.405 mm2 is the figure in common use for 1.75 mm filament (no source).
    assert Nozzle().filament_area_mm2 == pytest.approx(2.405, abs=0.0005)
    assert Nozzle(bore_mm=0.4).bore_area_mm2 == pytest.approx(math.pi * 0.04)


def test_a_bed_cannot_be_changed() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        Bed().plate = Plate()  # type: ignore[misc]
