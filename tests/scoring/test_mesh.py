"""The printer's interpolation, and mesh files."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from padsheet.patterns.bed import MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.mesh import Mesh, footprint, interpolate, read_mesh_csv, write_mesh_csv

GRID = MeshGrid(columns=5, rows=4, x_min_mm=20, x_max_mm=200, y_min_mm=-30, y_max_mm=150)


def some_mesh(**changes: object) -> Mesh:
    z_mm = np.random.default_rng(7).normal(0, 0.1, (4, 5)).round(3)
    return Mesh(grid=dataclasses.replace(GRID, **changes), z_mm=z_mm)


def scipy_value(mesh: Mesh, x_mm: np.ndarray, y_mm: np.ndarray, **options: object) -> np.ndarray:
    known = RegularGridInterpolator((mesh.grid.y_mm, mesh.grid.x_mm), mesh.z_mm, **options)
    return known(np.column_stack([y_mm, x_mm]))


def test_inside_agrees_with_scipy() -> None:
    mesh = some_mesh()
    rng = np.random.default_rng(1)
    x_mm, y_mm = rng.uniform(20, 200, 300), rng.uniform(-30, 150, 300)
    assert interpolate(mesh, x_mm, y_mm) == pytest.approx(scipy_value(mesh, x_mm, y_mm), abs=1e-12)


def test_extend_agrees_with_scipy_outside() -> None:
    mesh = some_mesh(outside="extend")
    rng = np.random.default_rng(2)
    x_mm, y_mm = rng.uniform(-20, 240, 300), rng.uniform(-70, 190, 300)
    expected = scipy_value(mesh, x_mm, y_mm, bounds_error=False, fill_value=None)
    assert interpolate(mesh, x_mm, y_mm) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("outside", ["hold", "unknown"])
def test_hold_is_the_value_of_the_nearest_place_on_the_edge(outside: str) -> None:
    mesh = some_mesh(outside=outside)
    rng = np.random.default_rng(3)
    x_mm, y_mm = rng.uniform(-20, 240, 300), rng.uniform(-70, 190, 300)
    expected = scipy_value(mesh, np.clip(x_mm, 20, 200), np.clip(y_mm, -30, 150))
    assert interpolate(mesh, x_mm, y_mm) == pytest.approx(expected, abs=1e-12)


def test_off_applies_nothing_outside_and_everything_on_the_edge() -> None:
    mesh = some_mesh(outside="off")
    assert interpolate(mesh, [19.9, 200.1, 100, 100], [0, 0, -30.1, 150.1]).tolist() == [0] * 4
    corners = interpolate(mesh, [20, 200, 20, 200], [-30, -30, 150, 150])
    assert corners == pytest.approx(mesh.z_mm[[0, 0, -1, -1], [0, -1, 0, -1]])


def test_footprint_follows_the_order_of_the_nodes() -> None:
    places = [(GRID.x_mm[i], GRID.y_mm[j]) for i, j in GRID.nodes]
    assert footprint(GRID, places) == pytest.approx(np.eye(20), abs=1e-12)
    weights = footprint(GRID, [(GRID.x_mm[3], GRID.y_mm[1])])
    assert GRID.nodes[int(np.argmax(weights))] == (3, 1)


@given(
    x_mm=st.floats(-300, 500),
    y_mm=st.floats(-300, 500),
    outside=st.sampled_from(["hold", "extend"]),
)
def test_weights_add_up_to_one_so_an_offset_stays_an_offset(
    x_mm: float, y_mm: float, outside: str
) -> None:
    grid = dataclasses.replace(GRID, outside=outside)
    assert footprint(grid, [(x_mm, y_mm)]).sum() == pytest.approx(1.0)


def test_fade_shrinks_the_correction_with_height() -> None:
    mesh = some_mesh(fade_height_mm=10.0)
    full = interpolate(mesh, 77, 33)
    assert interpolate(mesh, 77, 33, height_mm=2.5) == pytest.approx(0.75 * full)
    assert interpolate(mesh, 77, 33, height_mm=12) == 0


@pytest.mark.parametrize("places", [[(1.0, float("nan"))], [1.0, 2.0], [(1.0, 2.0, 3.0)]])
def test_nonsense_places_are_refused(places: list[object]) -> None:
    with pytest.raises(ValueError, match="xy_mm"):
        footprint(GRID, places)


def test_a_mesh_has_the_shape_of_its_grid_and_only_numbers() -> None:
    with pytest.raises(ValueError, match="shape"):
        Mesh(grid=GRID, z_mm=np.zeros((5, 4)))
    with pytest.raises(ValueError, match="finite"):
        Mesh(grid=GRID, z_mm=np.full((4, 5), np.nan))


def test_a_written_mesh_is_read_back(tmp_path: Path) -> None:
    mesh = dataclasses.replace(
        some_mesh(fade_height_mm=5.0), name="warm", taken="2025-03-01T10:00:00", bed_c=60.5,
        plate="smooth, old",
    )  # fmt: skip
    path = tmp_path / "warm.csv"
    write_mesh_csv(path, mesh)
    back = read_mesh_csv(path, mesh.grid)
    assert np.array_equal(back.z_mm, mesh.z_mm)
    assert back.grid == mesh.grid
    assert (back.name, back.taken, back.bed_c, back.plate) == (
        "warm", "2025-03-01T10:00:00", 60.5, "smooth, old",
    )  # fmt: skip
    alone = read_mesh_csv(path)
    assert np.allclose(alone.grid.x_mm, GRID.x_mm)
    assert np.allclose(alone.grid.y_mm, GRID.y_mm)


def test_the_file_says_which_way_round_it_is(tmp_path: Path) -> None:
    mesh = some_mesh()
    write_mesh_csv(tmp_path / "m.csv", mesh)
    lines = (tmp_path / "m.csv").read_text().splitlines()
    assert "rows from the front of the bed to the back" in lines[5]
    first = [float(cell) for cell in lines[7].split(",")]
    assert first[0] == -30
    assert first[1:] == pytest.approx(mesh.z_mm[0])


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "mesh-file"),
        ("y,20,40\n0,1,2\n", "mesh-file"),
        ("y,20,40\n0,1,2\n10,3\n", "mesh-file"),
        ("y,20,40\n0,1,nan\n10,3,4\n", "mesh-file"),
        ("y,20,40\n0,1,inf\n10,3,4\n", "mesh-file"),
        ("y,20,40\n0,1,two\n10,3,4\n", "mesh-file"),
        ("y,40,20\n0,1,2\n10,3,4\n", "mesh-file"),
        ("y,0,20,50\n0,1,2,3\n10,3,4,5\n", "mesh-file"),
        ("# bed mesh, format 2; whatever\ny,20,40\n0,1,2\n10,3,4\n", "mesh-file-newer"),
    ],
)
def test_a_broken_file_is_refused(tmp_path: Path, text: str, code: str) -> None:
    path = tmp_path / "m.csv"
    path.write_text(text)
    with pytest.raises(PadsheetError) as caught:
        read_mesh_csv(path)
    assert caught.value.code == code


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    (tmp_path / "m.csv").write_bytes(b"\xff\xfe\x00\x80")
    with pytest.raises(PadsheetError, match="not text"):
        read_mesh_csv(tmp_path / "m.csv")


@pytest.mark.parametrize("other", [{"x_max_mm": 190}, {"columns": 4}, {"rows": 3}, {"rows": 5}])
def test_another_grid_than_the_profile_is_refused(tmp_path: Path, other: dict[str, object]) -> None:
    """As many points as the profile has, in the same places: else edits reach other points."""
    write_mesh_csv(tmp_path / "m.csv", some_mesh())
    with pytest.raises(PadsheetError, match="5 x 4 points") as caught:
        read_mesh_csv(tmp_path / "m.csv", dataclasses.replace(GRID, **other))
    assert caught.value.code == "mesh-other-grid"
