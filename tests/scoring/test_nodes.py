"""The limits of node edits."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padsheet.patterns.bed import Bed, Edits, MeshGrid, Motion
from padsheet.scoring.fusion import first_state, update
from padsheet.scoring.mesh import footprint
from padsheet.scoring.nodes import check_points_mm, lowest_gaps_mm, plan_nodes

GRID = MeshGrid(columns=4, rows=3)
BED = Bed(mesh=GRID)
COUNT = 12


def planned(score, bed=BED, **keys):
    state = update(first_state(bed.mesh), score)
    sigma = np.sqrt(np.diag(state.covariance_mm2))
    return state, plan_nodes(-state.error_mm, sigma, state=state, score=score, bed=bed, **keys)


def test_every_cell_is_checked_on_a_lattice_of_five_by_five():
    xy_mm, bulge = check_points_mm(GRID)
    assert len(xy_mm) == 13 * 9
    for x_mm in GRID.x_mm[:-1]:
        inside = xy_mm[(xy_mm[:, 0] >= x_mm - 1e-9) & (xy_mm[:, 0] <= x_mm + 60 + 1e-9)]
        assert len(np.unique(inside[:, 0].round(6))) == 5
    nodes = {(float(x), float(y)) for x in GRID.x_mm for y in GRID.y_mm}
    for place, part in zip(xy_mm, bulge, strict=True):
        assert (part == 0) == (tuple(place) in nodes)
    assert bulge.max() == 1


def test_the_lower_bound_is_the_normal_quantile(score_of):
    from scipy.stats import norm

    state = update(first_state(GRID), score_of(GRID, np.full(COUNT, 0.2)))
    bound = lowest_gaps_mm(state, 0.2, np.eye(COUNT), np.zeros(COUNT))
    sigma = np.sqrt(np.diag(state.covariance_mm2) + 0.015**2)
    assert bound == pytest.approx(norm.ppf(0.001, 0.2 + state.error_mm, sigma), abs=1e-5)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), level=st.floats(-0.1, 0.05), spread=st.floats(0.0, 0.12))
def test_no_edit_lowers_the_bound_under_the_clearance(score_of, seed, level, spread):
    rng = np.random.default_rng(seed)
    gaps = np.maximum(0.02, 0.2 + level + rng.normal(0, spread, COUNT))
    unread = [node for node in GRID.nodes if rng.random() < 0.15]
    score = score_of(GRID, gaps, unread=unread, sigma_mm=rng.uniform(0.003, 0.03))
    state, plan = planned(score, common_mm=float(gaps.mean() - 0.2))
    xy_mm, bulge = check_points_mm(GRID)
    weights = footprint(GRID, xy_mm)
    before = lowest_gaps_mm(state, 0.2, weights, bulge)
    after = before + weights @ plan.dz_mm
    # Where the bound was under the clearance before, the edits do not make it lower.
    assert np.all(after >= np.minimum(0.05, before) - 1e-9)
    assert plan.lowest_mm == pytest.approx(after.min())
    assert not np.any((plan.dz_mm < 0) & ~state.read)
    assert plan.dz_mm / 0.01 == pytest.approx(np.round(plan.dz_mm / 0.01), abs=1e-6)


def test_the_clearance_limits_a_lowering_and_says_so(score_of):
    # Scarcely read: 99.9 % of a gap of 0.26 +- 0.04 leaves little room to lower.
    gaps = np.full(COUNT, 0.2)
    gaps[5] = 0.32
    score = score_of(GRID, gaps, sigma_mm=0.04)
    _, free = planned(score, dataclasses.replace(BED, motion=Motion(clearance_mm=0.0)))
    _, held = planned(score, dataclasses.replace(BED, motion=Motion(clearance_mm=0.10)))
    assert held.dz_mm[5] > free.dz_mm[5]
    assert held.notes[5] == "lowered less, to keep the nozzle clear of the bed"
    assert held.limited


def test_an_offset_that_lowers_is_counted_too(score_of):
    gaps = np.full(COUNT, 0.26)
    gaps[5] = 0.36
    _, alone = planned(score_of(GRID, gaps, sigma_mm=0.02), common_mm=0.06)
    _, both = planned(score_of(GRID, gaps, sigma_mm=0.02), common_mm=0.06, offset_mm=-0.06)
    assert both.lowest_mm < alone.lowest_mm


def test_unread_nodes_are_raised_but_never_lowered(score_of):
    for sign in (1, -1):
        slope = sign * np.tile(np.linspace(-0.09, 0.09, 4), 3)
        score = score_of(GRID, 0.2 + slope, unread=[(0, 1), (3, 1)])
        _, plan = planned(score)
        low, high = (GRID.nodes.index((0, 1)), GRID.nodes.index((3, 1)))[::sign]
        assert plan.dz_mm[low] > 0.03
        assert plan.notes[low] == "not read: inferred from its neighbours"
        assert plan.dz_mm[high] == 0
        assert plan.notes[high] == "not read: never lowered by inference"
        assert list(np.flatnonzero(plan.inferred)) == sorted([low, high])


def test_off_scale_high_is_lowered_only_by_what_is_proven(score_of):
    score = score_of(GRID, np.full(COUNT, 0.2), bounds={(1, 1): (0.29, None)})
    _, plan = planned(score)
    k = GRID.nodes.index((1, 1))
    # Bound less target less half a 95 % interval of a usual pad, rounded towards no change.
    most = 0.29 - 0.20 - 1.96 * float(np.hypot(0.006, 0.007))
    assert -most <= plan.dz_mm[k] < -most + 0.01
    assert "only by what is proven" in plan.notes[k]


def test_where_all_pads_are_too_high_the_proven_part_is_lowered(score_of):
    """Sheets before may have been read; now the bed is out of reach, and must come back into it."""
    bounds = dict.fromkeys(GRID.nodes, (0.29, None))
    score = score_of(GRID, np.full(COUNT, 0.2), bounds=bounds)
    state = first_state(GRID)
    plan = plan_nodes(
        np.full(COUNT, -0.2), np.full(COUNT, 0.1), state=state, score=score,
        bed=dataclasses.replace(BED, motion=Motion(clearance_mm=-5.0)),
    )  # fmt: skip
    # No pad tells its own interval here; that of the common part, at least 0.01 mm, stands in.
    assert plan.dz_mm == pytest.approx(np.full(COUNT, -0.07), abs=1e-9)


def test_off_scale_high_with_a_common_part_left_to_the_offset(score_of):
    gaps = np.full(COUNT, 0.25)
    score = score_of(GRID, gaps, bounds={(1, 1): (0.29, None)})
    state = update(first_state(GRID), score)
    plan = plan_nodes(
        -(state.error_mm - 0.05), np.full(COUNT, 0.006), state=state, score=score, bed=BED,
        common_mm=0.05, offset_mm=-0.05,
    )  # fmt: skip
    assert plan.dz_mm[GRID.nodes.index((1, 1))] >= -(0.29 - 0.25)


def test_off_scale_low_is_raised_at_least_by_its_bound(score_of):
    score = score_of(GRID, np.full(COUNT, 0.2), bounds={(2, 0): (None, 0.12)})
    _, plan = planned(score)
    k = GRID.nodes.index((2, 0))
    assert 0.08 - 1e-9 <= plan.dz_mm[k] <= 0.15
    assert "at least by what is proven" in plan.notes[k]


def test_limits_hold_for_the_printers_own_grid_of_edits(score_of):
    bed = dataclasses.replace(BED, edits=Edits(smallest_mm=0.025, largest_mm=0.10))
    gaps = 0.2 + np.linspace(-0.3, 0.3, COUNT).clip(-0.15, None)
    _, plan = planned(score_of(GRID, gaps), bed)
    assert np.abs(plan.dz_mm).max() <= 0.10 + 1e-9
