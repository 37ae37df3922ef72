"""The split into offset, tilt and warp."""

from __future__ import annotations

import numpy as np
import pytest

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.plane import grid_xy_mm, relative_part, split_plane, twist_of

GRID = MeshGrid(columns=5, rows=4, x_min_mm=15, x_max_mm=195, y_min_mm=30, y_max_mm=180)
CENTRE = (105.0, 105.0)


def random_covariance(rng: np.random.Generator, count: int) -> np.ndarray:
    root = rng.normal(size=(count, count))
    return 1e-5 * (root @ root.T / count + np.eye(count)) + 5e-5


def test_nodes_are_in_the_grids_own_order():
    xy_mm = grid_xy_mm(GRID)
    for (i, j), (x, y) in zip(GRID.nodes, xy_mm, strict=True):
        assert (x, y) == pytest.approx((GRID.x_mm[i], GRID.y_mm[j]))


def test_a_known_plane_comes_back_whatever_the_weights():
    rng = np.random.default_rng(3)
    xy_mm = grid_xy_mm(GRID)
    error = 0.03 + 0.0007 * (xy_mm[:, 0] - 105) - 0.0004 * (xy_mm[:, 1] - 105)
    split = split_plane(xy_mm, error, random_covariance(rng, 20), centre_mm=CENTRE)
    assert split.common_mm == pytest.approx(0.03, abs=1e-12)
    assert split.tilt_mm_per_m == pytest.approx((0.7, -0.4), abs=1e-9)
    assert np.abs(split.warp_mm).max() < 1e-12


def test_with_equal_sigmas_it_is_ordinary_least_squares():
    rng = np.random.default_rng(4)
    xy_mm = grid_xy_mm(GRID)
    error = rng.normal(0, 0.05, 20)
    split = split_plane(xy_mm, error, 4e-5 * np.eye(20), centre_mm=CENTRE)
    design = np.column_stack([np.ones(20), (xy_mm - CENTRE) / 1000])
    plain, *_ = np.linalg.lstsq(design, error, rcond=None)
    assert split.coefficients == pytest.approx(plain, abs=1e-12)


@pytest.mark.parametrize(("keys", "warp_mm"), [({"warp_sigma_mm": 0.0}, 0.0), ({}, 0.05)])
def test_it_is_least_squares_of_whitened_values(keys, warp_mm):
    # Independent route: whiten with a Cholesky root, then ordinary least squares. The warp that is
    # expected by default keeps a pad that is very sure, but on a bump, from tilting the plane.
    rng = np.random.default_rng(5)
    xy_mm = grid_xy_mm(GRID)
    error, covariance = rng.normal(0, 0.05, 20), random_covariance(rng, 20)
    covariance[0] /= 30
    covariance[:, 0] /= 30
    split = split_plane(xy_mm, error, covariance, centre_mm=CENTRE, **keys)
    root = np.linalg.cholesky(covariance + warp_mm**2 * np.eye(20))
    design = np.column_stack([np.ones(20), (xy_mm - CENTRE) / 1000])
    white, *_ = np.linalg.lstsq(
        np.linalg.solve(root, design), np.linalg.solve(root, error), rcond=None
    )
    assert split.coefficients == pytest.approx(white, abs=1e-4)


def test_stated_covariance_is_the_real_scatter():
    rng = np.random.default_rng(6)
    xy_mm = grid_xy_mm(GRID)
    covariance = random_covariance(rng, 20)
    draws = rng.multivariate_normal(np.zeros(20), covariance, size=4000)
    splits = [split_plane(xy_mm, draw, covariance, centre_mm=CENTRE) for draw in draws]
    scatter = np.cov(np.array([split.coefficients for split in splits]).T)
    # A standard deviation from 4000 draws is good to 1.1 %.
    assert np.sqrt(np.diag(scatter)) == pytest.approx(
        [splits[0].common_sigma_mm, *splits[0].tilt_sigma_mm_per_m], rel=0.04
    )


def test_carrying_covariances_agrees_with_the_guides_example():
    # JCGM 100:2008, H.2: R, X, Z from V, I, phi; its published uncertainties and correlations
    # follow from the matrix form J C J', the same that carries node covariances here.
    v, i, phi = 4.999, 19.661e-3, 1.04446
    sigma = np.array([0.0032, 0.0095e-3, 0.00075])
    correlation = np.array([[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]])
    covariance = correlation * np.outer(sigma, sigma)
    z = v / i
    jacobian = np.array(
        [
            [np.cos(phi) / i, -z * np.cos(phi) / i, -z * np.sin(phi)],
            [np.sin(phi) / i, -z * np.sin(phi) / i, z * np.cos(phi)],
            [1 / i, -z / i, 0],
        ]
    )
    # `split_plane` with as many points as unknowns is a plain linear map: weights = design^-1.
    xy_mm = np.array([[0.0, 0.0], [1000.0, 0.0], [0.0, 1000.0]])
    design = np.column_stack([np.ones(3), xy_mm / 1000])
    carried = split_plane(
        xy_mm,
        np.zeros(3),
        design @ jacobian @ covariance @ jacobian.T @ design.T,
        centre_mm=(0, 0),
        warp_sigma_mm=0.0,
    ).covariance
    u = np.sqrt(np.diag(carried))
    assert u == pytest.approx([0.071, 0.296, 0.236], abs=0.0011)
    r = carried / np.outer(u, u)
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.588, -0.485, 0.993), abs=0.006)


def test_the_relative_part_ignores_what_all_share():
    rng = np.random.default_rng(7)
    xy_mm = grid_xy_mm(GRID)
    error, covariance = rng.normal(0, 0.05, 20), random_covariance(rng, 20)
    split = split_plane(xy_mm, error, covariance, centre_mm=CENTRE)
    relative, spread = relative_part(split, error, covariance)
    moved, moved_spread = relative_part(split, error + 0.1, covariance + 0.01)
    assert moved == pytest.approx(relative, abs=1e-9)
    assert moved_spread == pytest.approx(spread, abs=1e-9)


@pytest.mark.parametrize("twist_mm", [0.08, -0.05])
def test_twist_is_the_difference_of_the_two_diagonals(twist_mm):
    xy_mm = grid_xy_mm(GRID)
    u, v = (xy_mm - [105, 105]).T / [[90], [75]]
    error = 0.02 + 0.05 * u + twist_mm / 2 * u * v
    split = split_plane(xy_mm, error, 1e-6 * np.eye(20), centre_mm=CENTRE)
    assert twist_of(xy_mm, split.warp_mm) == pytest.approx(twist_mm, abs=1e-9)
    corners = error.reshape(4, 5)
    diagonals = (corners[0, 0] + corners[-1, -1] - corners[0, -1] - corners[-1, 0]) / 2
    assert diagonals == pytest.approx(twist_mm)
