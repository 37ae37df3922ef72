"""What a mesh does between its nodes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RectBivariateSpline

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.scoring.advice import advise
from padsheet.scoring.between import bend_mm, cell_centres_mm, shared_shift_mm
from padsheet.scoring.mesh import Mesh, footprint
from padsheet.scoring.plane import grid_xy_mm

GRID = MeshGrid()
BED = Bed(mesh=GRID)
NODES_MM, CENTRES_MM = grid_xy_mm(GRID), cell_centres_mm(GRID)
BILINEAR = footprint(GRID, CENTRES_MM)


def wave(xy_mm: np.ndarray, length_mm: float, size_mm: float, turn: float = 0.3) -> np.ndarray:
    along = xy_mm @ np.array([np.cos(turn), np.sin(turn)])
    return size_mm * np.sin(2 * np.pi * along / length_mm + 0.7)


def test_the_middles_of_the_cells_count_row_by_row():
    grid = MeshGrid(columns=3, rows=2, x_min_mm=0, x_max_mm=20, y_min_mm=0, y_max_mm=10)
    assert cell_centres_mm(grid).tolist() == [[5, 5], [15, 5]]


@pytest.mark.parametrize("length_mm", [170.0, 200.0, 300.0])
def test_the_bend_of_a_smooth_bed_is_near_the_truth(length_mm):
    heights = wave(NODES_MM, length_mm, 0.1)
    truth = wave(CENTRES_MM, length_mm, 0.1) - BILINEAR @ heights
    found = bend_mm(GRID, heights)
    assert np.std(found - truth) < 0.5 * np.std(truth)


def test_the_bend_is_near_that_of_an_interpolating_spline():
    """Compare with SciPy's bicubic spline through the nodes."""
    heights = wave(NODES_MM, 300.0, 0.1)
    spline = RectBivariateSpline(GRID.y_mm, GRID.x_mm, heights.reshape(5, 5), kx=3, ky=3)
    expected = spline(CENTRES_MM[:, 1], CENTRES_MM[:, 0], grid=False) - BILINEAR @ heights
    assert np.corrcoef(expected, bend_mm(GRID, heights))[0, 1] > 0.8


def test_offset_and_tilt_do_not_bend():
    plane = 0.3 + NODES_MM @ np.array([0.002, -0.001])
    assert bend_mm(GRID, plane) == pytest.approx(np.zeros(16), abs=1e-4)
    assert shared_shift_mm(GRID, plane, largest_mm=0.01) == pytest.approx(np.zeros(25), abs=1e-4)


def test_nodes_and_cells_err_alike_where_the_mesh_was_right_at_the_nodes_alone():
    rng = np.random.default_rng(3)
    better = []
    for _ in range(20):
        turn, length = rng.uniform(0, np.pi), rng.uniform(170, 300)
        heights = wave(NODES_MM, length, 0.12, turn)
        truth = wave(CENTRES_MM, length, 0.12, turn)
        shifted = heights + shared_shift_mm(GRID, heights, largest_mm=0.02)
        before = np.ptp(BILINEAR @ heights - truth)
        after = max(np.ptp(shifted - heights), np.ptp(BILINEAR @ shifted - truth))
        better.append(after / before)
    assert np.median(better) < 0.75
    assert max(better) < 1.0


def test_the_shift_has_its_limit_and_no_common_part():
    heights = wave(NODES_MM, 150.0, 0.3)
    assert np.abs(shared_shift_mm(GRID, heights, largest_mm=0.01)).max() <= 0.01
    assert shared_shift_mm(GRID, heights, largest_mm=1.0).mean() == pytest.approx(0, abs=1e-9)


def test_a_lone_bump_moves_no_other_node():
    bump = np.zeros(25)
    bump[7] = 0.06
    shift = shared_shift_mm(GRID, bump, largest_mm=0.01)
    assert np.abs(shift).max() < 0.005


@pytest.mark.parametrize(("columns", "rows"), [(2, 2), (2, 7), (3, 3), (15, 15)])
def test_any_mesh_will_do(columns, rows):
    grid = MeshGrid(columns=columns, rows=rows)
    heights = wave(grid_xy_mm(grid), 300.0, 0.1)
    shift = shared_shift_mm(grid, heights, largest_mm=0.01)
    assert shift.shape == (columns * rows,)
    assert np.isfinite(shift).all()


def test_advice_shares_the_bend_out_where_the_mesh_is_known(score_of):
    heights = wave(NODES_MM, 170.0, 0.12)
    error = -(heights - heights.mean())
    score = score_of(GRID, 0.2 + error, sigma_mm=0.002)
    flat = Mesh(grid=GRID, z_mm=np.zeros((5, 5)))
    known, unknown = (advise(score, BED, mesh=mesh) for mesh in (flat, None))
    truth = wave(CENTRES_MM, 170.0, 0.12)
    left = {
        name: np.ptp(BILINEAR @ np.array([node.dz_mm for node in advice.nodes]) - truth)
        for name, advice in (("known", known), ("unknown", unknown))
    }
    assert left["known"] < left["unknown"] - 0.005
    assert any("only a mesh with more points" in step.text for step in known.steps)


def test_a_bed_at_its_best_needs_no_edit(score_of):
    """What was shifted for the cells' sake is not taken for an error of the nodes."""
    heights = wave(NODES_MM, 200.0, 0.1)
    shift = shared_shift_mm(GRID, heights, largest_mm=0.01)
    mesh = Mesh(grid=GRID, z_mm=(heights + shift).reshape(5, 5))
    advice = advise(score_of(GRID, 0.2 + shift, sigma_mm=0.003), BED, mesh=mesh)
    assert not any(node.changed for node in advice.nodes)
    assert advice.done
