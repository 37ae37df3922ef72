"""The filter over rounds."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.stats import truncnorm

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.fusion import (
    NodeState,
    RoundRecord,
    first_state,
    fuse_rounds,
    predict,
    prior_covariance,
    update,
)
from padsheet.scoring.plane import grid_xy_mm, relative_part, split_plane

GRID = MeshGrid(columns=4, rows=3)
COUNT = 12


def relative_sigma(state: NodeState) -> np.ndarray:
    split = split_plane(
        grid_xy_mm(state.grid), state.error_mm, state.covariance_mm2, centre_mm=(110, 110)
    )
    _, spread = relative_part(split, state.error_mm, state.covariance_mm2)
    return np.sqrt(np.diag(spread))


def test_the_prior_of_a_node_is_about_0_15_mm():
    sigma = np.sqrt(np.diag(prior_covariance(MeshGrid())))
    assert 0.12 < sigma.min() < sigma.max() < 0.20
    assert np.sqrt(np.mean(sigma**2)) == pytest.approx(0.15, abs=0.015)
    assert np.linalg.eigvalsh(prior_covariance(MeshGrid(columns=15, rows=15))).min() > 0


def test_one_sheet_agrees_with_penalised_least_squares(score_of):
    # Independent route: stack the measurements and the prior, whiten both, ordinary least squares.
    rng = np.random.default_rng(1)
    score = score_of(GRID, 0.2 + rng.normal(0, 0.08, COUNT))
    state = update(first_state(GRID), score)
    root = np.linalg.cholesky(score.covariance_mm2 + 1e-8 * np.eye(COUNT))
    prior_root = np.linalg.cholesky(prior_covariance(GRID))
    measured = np.array([pad.gap_mm for pad in score.pads]) - 0.2
    stacked = np.vstack([np.linalg.inv(root), np.linalg.inv(prior_root)])
    answer, *_ = np.linalg.lstsq(
        stacked, np.concatenate([np.linalg.solve(root, measured), np.zeros(COUNT)]), rcond=None
    )
    assert state.error_mm == pytest.approx(answer, abs=1e-6)
    assert state.covariance_mm2 == pytest.approx(np.linalg.inv(stacked.T @ stacked), abs=1e-8)


def test_pads_between_nodes_answer_through_the_bilinear_footprint(score_of):
    score = score_of(GRID, np.full(COUNT, 0.2), sigma_mm=0.001, common_sigma_mm=0.0005)
    errors = np.random.default_rng(2).normal(0, 0.05, COUNT)
    grid_mm = errors.reshape(3, 4)
    pads = []
    for pad in score.pads:
        # 9 mm to the right of its node (to the left for the last column): 0.15 of a pitch of 60.
        near, other = pad.i, pad.i + 1 if pad.i < 3 else pad.i - 1
        gap = 0.2 + 0.85 * grid_mm[pad.j, near] + 0.15 * grid_mm[pad.j, other]
        step = 9.0 if pad.i < 3 else -9.0
        pads.append(dataclasses.replace(pad, x_mm=pad.x_mm + step, gap_mm=gap))
    state = update(first_state(GRID), dataclasses.replace(score, pads=tuple(pads)))
    assert state.error_mm == pytest.approx(errors, abs=0.001)


def test_sigma_falls_as_rounds_are_fused_and_the_common_part_does_not(score_of):
    records = [
        RoundRecord(
            score=score_of(GRID, np.full(COUNT, 0.2)), applied_mm=np.zeros(COUNT), offset_mm=0.0
        )
        for _ in range(4)
    ]
    one, four = fuse_rounds(GRID, records[:1]), fuse_rounds(GRID, records)
    assert four.rounds == 4
    # Independent readings of 0.006 with a walk of 0.003: between 1/2 and 1 of one sheet's sigma.
    ratio = relative_sigma(four) / relative_sigma(one)
    assert np.all((ratio > 0.5) & (ratio < 0.72))


def test_stated_sigma_is_the_real_scatter_over_rounds(score_of):
    rng = np.random.default_rng(5)
    misses, stated = [], []
    for _ in range(150):
        truth = rng.multivariate_normal(np.zeros(COUNT), prior_covariance(GRID))
        records = []
        for k in range(3):
            if k:
                truth = truth + rng.normal(0, 0.003, COUNT)
            seen = truth + rng.normal(0, 0.015) + rng.normal(0, 0.006, COUNT)
            records.append(
                RoundRecord(
                    score=score_of(GRID, 0.2 + seen, common_sigma_mm=0.0),
                    applied_mm=np.zeros(COUNT),
                    offset_mm=0.0,
                )
            )
        state = fuse_rounds(GRID, records)
        assert state.epoch == 1
        split = split_plane(
            grid_xy_mm(GRID), state.error_mm, state.covariance_mm2, centre_mm=(110, 110)
        )
        relative, spread = relative_part(split, state.error_mm - truth, state.covariance_mm2)
        misses.append(relative)
        stated.append(np.diag(spread))
    # 1800 values that hang together in twelves: good to about 3 %.
    assert np.sqrt(np.mean(np.square(misses)) / np.mean(stated)) == pytest.approx(1.0, abs=0.08)


def test_an_applied_edit_is_expected_not_measured(score_of):
    score = score_of(GRID, np.full(COUNT, 0.26))
    state = update(first_state(GRID), score)
    applied = np.zeros(COUNT)
    applied[5] = -0.06
    ahead = predict(state, applied, offset_mm=0.0)
    assert ahead.error_mm[5] == pytest.approx(state.error_mm[5] - 0.06)
    assert relative_sigma(ahead)[5] == pytest.approx(relative_sigma(state)[5], abs=0.001)


@pytest.mark.parametrize(("offset_mm", "common_mm"), [(-0.05, np.sqrt(2) * 0.015), (None, 0.15)])
def test_the_next_sheet_has_a_common_part_of_its_own(offset_mm, common_mm):
    """Two homings lie between two sheets; where nobody tells the offset, it may be anything."""
    state = first_state(GRID)
    ahead = predict(state, np.zeros(COUNT), offset_mm=offset_mm)
    grown = ahead.covariance_mm2 - state.covariance_mm2
    assert grown == pytest.approx(common_mm**2 + 0.003**2 * np.eye(COUNT), abs=1e-12)


def test_a_moved_offset_is_no_changed_bed(score_of):
    """Another offset than the one on record is the offset's affair; the shape is still known."""
    shape = np.linspace(-0.05, 0.05, COUNT)
    still = {"applied_mm": np.zeros(COUNT), "offset_mm": 0.0}
    records = [
        RoundRecord(score=score_of(GRID, 0.2 + shape + level), **still) for level in (0.0, 0.2)
    ]
    assert fuse_rounds(GRID, records).epoch == 1


def test_one_pad_alone_contradicts_nothing(score_of):
    """A photo of one corner tells no shape."""
    still = {"applied_mm": np.zeros(COUNT), "offset_mm": 0.0}
    others = [node for node in GRID.nodes if node != (2, 1)]
    scores = (
        score_of(GRID, np.full(COUNT, 0.2)),
        score_of(GRID, np.full(COUNT, 0.26), unread=others),
    )
    state = fuse_rounds(GRID, [RoundRecord(score=score, **still) for score in scores])
    assert (state.epoch, state.rounds) == (1, 2)


def test_a_covariance_of_pads_that_are_not_there_is_a_mistake_of_the_caller(score_of):
    score = score_of(GRID, np.full(COUNT, 0.2))
    with pytest.raises(ValueError, match="no pad"):
        update(first_state(GRID), dataclasses.replace(score, pads=score.pads[1:]))


def test_a_forgotten_offset_is_taken_from_the_new_sheet(score_of):
    truth = np.linspace(-0.05, 0.05, COUNT)
    first = RoundRecord(score=score_of(GRID, 0.2 + truth))
    moved = score_of(GRID, 0.2 + truth - 0.05)
    unknown = fuse_rounds(
        GRID, [first, RoundRecord(score=moved, applied_mm=np.zeros(COUNT), offset_mm=None)]
    )
    known = fuse_rounds(
        GRID, [first, RoundRecord(score=moved, applied_mm=np.zeros(COUNT), offset_mm=-0.05)]
    )
    assert unknown.error_mm.mean() == pytest.approx(-0.05, abs=0.002)
    assert known.error_mm.mean() == pytest.approx(-0.05, abs=0.002)
    assert unknown.epoch == known.epoch == 1


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"screws_turned": True}, "a bed screw was turned"),
        ({"plate": "steel"}, "the plate was changed"),
        ({"bed_c": 62.5}, "the bed was heated differently"),
        ({"applied_mm": None}, "it is not recorded what was applied after the sheet before"),
    ],
)
def test_a_changed_bed_starts_a_new_epoch(score_of, change, reason):
    score = score_of(GRID, np.full(COUNT, 0.2))
    plain = {"applied_mm": np.zeros(COUNT), "offset_mm": 0.0, "plate": "glass", "bed_c": 60.0}
    first = RoundRecord(score=score, **plain)
    for near in ({}, {"bed_c": 58.5}, {"bed_c": None}):
        assert fuse_rounds(GRID, [first, RoundRecord(score=score, **(plain | near))]).epoch == 1
    state = fuse_rounds(GRID, [first, RoundRecord(score=score, **(plain | change))])
    assert (state.epoch, state.reason, state.rounds) == (2, reason, 1)


def test_a_sheet_that_contradicts_the_earlier_ones_starts_a_new_epoch(score_of):
    rng = np.random.default_rng(8)
    records = [
        RoundRecord(score=score_of(GRID, 0.2 + rng.normal(0, 0.006, COUNT) + shape),
                    applied_mm=np.zeros(COUNT), offset_mm=0.0)
        for shape in (0.0, 0.05 * rng.normal(0, 1, COUNT))
    ]  # fmt: skip
    state = fuse_rounds(GRID, records)
    assert (state.epoch, state.rounds) == (2, 1)
    assert "contradicts" in state.reason


def test_unread_nodes_are_inferred_with_a_larger_sigma(score_of):
    slope = np.tile(np.linspace(-0.06, 0.06, 4), 3)
    state = update(first_state(GRID), score_of(GRID, 0.2 + slope, unread=[(1, 1)]))
    k = GRID.nodes.index((1, 1))
    assert not state.read[k]
    assert state.read.sum() == COUNT - 1
    assert state.error_mm[k] == pytest.approx(slope[k], abs=0.015)
    sigma = np.sqrt(np.diag(state.covariance_mm2))
    assert 0.03 < sigma[k] < 0.08
    assert sigma[k] > 4 * np.delete(sigma, k).max()


@pytest.mark.parametrize("side", ["high", "low"])
def test_a_bound_gives_the_moments_of_the_cut_normal(score_of, side):
    # One pad alone, against scipy's truncated normal.
    grid = MeshGrid(columns=2, rows=2)
    bounds = (0.29, None) if side == "high" else (None, 0.11)
    score = score_of(
        grid, np.full(4, 0.2), unread=[(1, 0), (0, 1), (1, 1)], bounds={(0, 0): bounds}
    )
    before = first_state(grid)
    state = update(before, score)
    s = float(np.sqrt(before.covariance_mm2[0, 0]))
    cut = (0.09 / s, np.inf) if side == "high" else (-np.inf, -0.09 / s)
    assert state.error_mm[0] == pytest.approx(s * truncnorm.mean(*cut), abs=1e-6)
    assert state.covariance_mm2[0, 0] == pytest.approx(s**2 * truncnorm.var(*cut), abs=1e-8)
    assert not state.read.any()
    assert np.linalg.eigvalsh(state.covariance_mm2).min() > 0


def test_a_pad_where_the_printer_applies_no_mesh_tells_nothing(score_of):
    grid = dataclasses.replace(GRID, outside="off")
    score = score_of(grid, np.full(COUNT, 0.3), sigma_mm=0.004)
    outside = tuple(dataclasses.replace(pad, y_mm=pad.y_mm - 200.0) for pad in score.pads)
    state = update(first_state(grid), dataclasses.replace(score, pads=outside))
    assert state.error_mm == pytest.approx(np.zeros(COUNT))


def test_inputs_are_left_alone(score_of):
    state = first_state(GRID)
    copy = state.covariance_mm2.copy()
    update(predict(state, np.ones(COUNT)), score_of(GRID, np.full(COUNT, 0.3)))
    assert np.array_equal(state.covariance_mm2, copy)
    assert not state.error_mm.any()
