"""The bend of the bed under pads that lie off their nodes, and what it leaves of the nodes."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.scoring.advice import advise
from padsheet.scoring.bend import _roughness_mm, footing, smooth_covariance
from padsheet.scoring.foreseen import NodeState, foreseen
from padsheet.scoring.fusion import RoundRecord, _no_less, first_state, fuse_rounds, update
from padsheet.scoring.mesh import Mesh, footprint
from padsheet.scoring.plane import grid_xy_mm
from padsheet.scoring.proof import prove
from padsheet.scoring.squish import SheetScore

Floats = NDArray[np.float64]
Scores = Callable[..., SheetScore]

GRID = MeshGrid(columns=4, rows=4)
COUNT = 16
NODES_MM = grid_xy_mm(GRID)
MIDDLE_MM = NODES_MM.mean(axis=0)
OUTER = np.abs(NODES_MM - MIDDLE_MM) > np.abs(NODES_MM - MIDDLE_MM).max() - 1e-6
# Pads of the outer nodes stand inside them, as where it is unknown what the printer does outside.
PLACES_MM = NODES_MM - 14.0 * np.sign(NODES_MM - MIDDLE_MM) * OUTER
MOVED = OUTER.any(axis=1)
SIGMA_MM = 0.004


def a_bed(rng: np.random.Generator, height_mm: float) -> Callable[[Floats], Floats]:
    """A smooth bed so high in all: waves from 160 to 480 mm long."""
    turns = rng.uniform(0, 2 * np.pi, 6)
    waves = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    waves *= (2 * np.pi / rng.uniform(160, 480, 6))[:, None]
    heights, phases = rng.normal(size=6), rng.uniform(0, 2 * np.pi, 6)

    def raw(places: Floats) -> Floats:
        return np.asarray(np.cos(places @ waves.T + phases) @ heights)

    scale = height_mm / np.ptp(raw(NODES_MM))
    return lambda places: scale * raw(places)


def sheet_of(
    score_of: Scores, rng: np.random.Generator, bed: Callable[[Floats], Floats], mesh_mm: Floats
) -> SheetScore:
    """What a sheet shows at the pads, with the noise that it states."""
    gaps = 0.3 + footprint(GRID, PLACES_MM) @ mesh_mm - bed(PLACES_MM)
    noise = rng.normal(0, SIGMA_MM, COUNT) + rng.normal(0, 0.01)
    return moved(score_of(GRID, gaps + noise, sigma_mm=SIGMA_MM, common_sigma_mm=0.01))


def moved(score: SheetScore) -> SheetScore:
    place = {node: PLACES_MM[k] for k, node in enumerate(GRID.nodes)}
    pads = [
        dataclasses.replace(
            pad, x_mm=float(place[pad.i, pad.j][0]), y_mm=float(place[pad.i, pad.j][1])
        )
        for pad in score.pads
    ]
    return dataclasses.replace(score, pads=tuple(pads))


def relative(state: NodeState, truth_mm: Floats) -> tuple[Floats, Floats]:
    """Error of the nodes beside the common part, and its stated standard deviation."""
    apart = state.error_mm - truth_mm
    centring = np.eye(COUNT) - 1 / COUNT
    spread = centring @ state.covariance_mm2 @ centring
    return apart - apart.mean(), np.sqrt(np.diag(spread))


def test_pads_on_their_nodes_answer_to_them_alone() -> None:
    foot = footing(GRID, NODES_MM, np.linspace(0, 0.2, COUNT), np.zeros(COUNT))
    np.testing.assert_array_equal(foot.weights, footprint(GRID, NODES_MM))
    assert not foot.added_mm.any()
    assert not foot.bend_mm2.any()
    outside = footing(GRID, np.array([[5.0, 100.0]]), np.zeros(COUNT))
    assert not outside.bend_mm2.any()


def test_a_plane_does_not_bend() -> None:
    plane = 0.002 * NODES_MM[:, 0] - 0.001 * NODES_MM[:, 1]
    foot = footing(GRID, PLACES_MM, plane, np.zeros(COUNT))
    wanted = footprint(GRID, PLACES_MM) @ np.full(COUNT, 0.03)
    found = foot.weights @ np.full(COUNT, 0.03) + foot.added_mm
    np.testing.assert_allclose(found, wanted, atol=2e-5)
    assert np.sqrt(np.diag(foot.bend_mm2)[MOVED]).max() < 0.004


def test_the_bend_is_that_of_a_bowl() -> None:
    """Of z = a x^2 the bed lies below its chord by a u (1 - u) h^2, h the pitch (by hand)."""
    rise = 1e-5
    bowl = rise * (NODES_MM[:, 0] - MIDDLE_MM[0]) ** 2
    foot = footing(GRID, PLACES_MM, bowl, np.zeros(COUNT))
    pitch_mm = float(GRID.x_mm[1] - GRID.x_mm[0])
    part = 14.0 / pitch_mm
    bend_mm = -rise * part * (1 - part) * pitch_mm**2
    # No error at any node, and yet the nozzle is farther from the bed: it is lower there.
    beside = np.flatnonzero(OUTER[:, 0])
    told = foot.added_mm[beside]
    sigma = np.sqrt(np.diag(foot.bend_mm2))[beside]
    assert (told > 0).all()
    assert (np.abs(told + bend_mm) < 2 * sigma).all()
    assert told.mean() == pytest.approx(-bend_mm, rel=0.35)


def test_the_bend_is_that_of_a_conditioned_normal() -> None:
    """Bed heights at nodes and pads drawn together, the pads then given the nodes."""
    heights = 0.05 * np.random.default_rng(1).normal(size=COUNT)
    bulge_mm = _roughness_mm(GRID, heights)
    every = np.vstack([PLACES_MM, NODES_MM])
    joint = smooth_covariance(GRID, every, every, free_mm=1.0, bow_mm=0.1, bulge_mm=bulge_mm)
    joint[COUNT:, COUNT:] += 0.005**2 * np.eye(COUNT)
    weights = footprint(GRID, PLACES_MM)
    # The bend: pads less the bilinear surface of the smooth heights.
    smooth = smooth_covariance(GRID, every, every, free_mm=1.0, bow_mm=0.1, bulge_mm=bulge_mm)
    off = np.hstack([np.eye(COUNT), -weights])
    shared = (off @ smooth)[:, COUNT:]
    gain = np.linalg.solve(joint[COUNT:, COUNT:], shared.T).T
    foot = footing(GRID, PLACES_MM, heights, np.zeros(COUNT))
    np.testing.assert_allclose(foot.added_mm[MOVED], -(gain @ heights)[MOVED], atol=1e-6)
    left = off @ smooth @ off.T - gain @ shared.T
    both = np.ix_(MOVED, MOVED)
    np.testing.assert_allclose(foot.bend_mm2[both], left[both], atol=1e-8)


@pytest.mark.parametrize("height_mm", [0.02, 0.06, 0.2])
def test_roughness_is_the_scale_that_heights_were_drawn_with(height_mm: float) -> None:
    rng = np.random.default_rng(2)
    drawn = smooth_covariance(GRID, NODES_MM, NODES_MM, free_mm=1.0, bow_mm=0.1, bulge_mm=height_mm)
    drawn += 0.005**2 * np.eye(COUNT)
    found = [
        _roughness_mm(GRID, rng.multivariate_normal(np.zeros(COUNT), drawn)) for _ in range(200)
    ]
    # Ten heights beside bowls and planes, and three that count for what is usual.
    expected = np.sqrt((10 * height_mm**2 + 3 * 0.04**2) / 13)
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(min(expected, 0.1), rel=0.12)


@pytest.mark.parametrize("height_mm", [0.1, 0.2])
def test_stated_uncertainty_of_outer_nodes_is_true(score_of: Scores, height_mm: float) -> None:
    """After three sheets and two edits; half of them were off by more without the bend."""
    rng = np.random.default_rng(3)
    scaled = []
    for _ in range(25):
        bed, mesh_mm = a_bed(rng, height_mm), np.zeros(COUNT)
        records: list[RoundRecord] = []
        applied = None
        for _ in range(3):
            records.append(
                RoundRecord(
                    score=sheet_of(score_of, rng, bed, mesh_mm),
                    applied_mm=applied,
                    offset_mm=None if applied is None else 0.0,
                    mesh_mm=mesh_mm,
                )
            )
            state = fuse_rounds(GRID, records)
            truth_mm = mesh_mm - bed(NODES_MM)
            applied = -np.round(state.error_mm - state.error_mm.mean(), 2)
            mesh_mm = mesh_mm + applied
        assert state.epoch == 1
        apart, sigma = relative(state, truth_mm)
        scaled += (apart / sigma)[MOVED].tolist()
    assert np.mean(np.abs(scaled) < 1.96) >= 0.93
    assert np.sqrt(np.mean(np.square(scaled))) > 0.5


def test_a_bend_does_not_average_out(score_of: Scores) -> None:
    """However many sheets are printed of one bed, its outer nodes stay as unsure as their bend."""
    rng = np.random.default_rng(4)
    bed, still = a_bed(rng, 0.15), np.zeros(COUNT)
    records = [
        RoundRecord(
            score=sheet_of(score_of, rng, bed, still),
            applied_mm=None if k == 0 else still,
            offset_mm=None if k == 0 else 0.0,
            mesh_mm=still,
        )
        for k in range(12)
    ]
    one, many = fuse_rounds(GRID, records[:1]), fuse_rounds(GRID, records)
    assert many.bends is not None

    def between(state: NodeState, first: int, other: int) -> float:
        spread = state.covariance_mm2[np.ix_([first, other], [first, other])]
        return float(np.sqrt(spread[0, 0] + spread[1, 1] - 2 * spread[0, 1]))

    inner, outer = np.flatnonzero(~MOVED)[:2], np.flatnonzero(MOVED)[[0, 3]]
    assert between(many, *inner) < 0.8 * between(one, *inner)
    bend_mm = np.sqrt(np.diag(many.bends.bend_mm2))[outer].min()
    assert between(many, *outer) > bend_mm


def test_one_sheet_is_conditioned_as_a_joint_normal(score_of: Scores) -> None:
    """Nodes and bends together, conditioned on the pads at one go."""
    rng = np.random.default_rng(5)
    score = sheet_of(score_of, rng, a_bed(rng, 0.1), np.zeros(COUNT))
    begun = first_state(GRID)
    state = update(begun, score, np.zeros(COUNT))
    foot = footing(GRID, PLACES_MM, np.zeros(COUNT), _first_pass(begun, score))
    prior = begun.covariance_mm2
    noise = score.covariance_mm2 + 1e-8 * np.eye(COUNT) + foot.bend_mm2
    gaps = np.array([pad.gap_mm or np.nan for pad in score.pads]) - score.target_gap_mm
    spread = foot.weights @ prior @ foot.weights.T + noise
    gain = np.linalg.solve(spread, foot.weights @ prior).T
    np.testing.assert_allclose(state.error_mm, gain @ (gaps - foot.added_mm), atol=1e-9)
    expected = prior - gain @ foot.weights @ prior
    np.testing.assert_allclose(state.covariance_mm2, expected, atol=1e-10)


def _first_pass(begun: NodeState, score: SheetScore) -> Floats:
    foot = footing(GRID, PLACES_MM, np.zeros(COUNT))
    noise = score.covariance_mm2 + 1e-8 * np.eye(COUNT) + foot.bend_mm2
    gaps = np.array([pad.gap_mm or np.nan for pad in score.pads]) - score.target_gap_mm
    spread = foot.weights @ begun.covariance_mm2 @ foot.weights.T + noise
    gain = np.linalg.solve(spread, foot.weights @ begun.covariance_mm2).T
    return np.asarray(gain @ (gaps - foot.added_mm))


def test_pads_are_foreseen_as_they_were_read(score_of: Scores) -> None:
    """What a state was made of it foresees within the noise, surer than bends that are new."""
    rng = np.random.default_rng(6)
    score = sheet_of(score_of, rng, a_bed(rng, 0.15), np.zeros(COUNT))
    state = update(first_state(GRID), score, np.zeros(COUNT))
    expected = foreseen(state, score.pads)
    gaps = np.array([pad.gap_mm or np.nan for pad in score.pads]) - score.target_gap_mm
    assert np.abs(gaps - expected.error_mm).max() < 2 * SIGMA_MM
    centring = np.eye(COUNT) - 1 / COUNT
    sure = np.sqrt(np.diag(centring @ expected.covariance_mm2 @ centring))
    assert sure.max() < 1.5 * SIGMA_MM


def test_an_unknown_mesh_leaves_the_bend_open(score_of: Scores) -> None:
    rng = np.random.default_rng(7)
    score = sheet_of(score_of, rng, a_bed(rng, 0.1), np.zeros(COUNT))
    known = update(first_state(GRID), score, np.zeros(COUNT))
    unknown = update(first_state(GRID), score)
    assert unknown.mesh_mm is None
    assert relative(unknown, known.error_mm)[1][MOVED].min() > 0.005


def test_edits_are_proven_with_pads_off_their_nodes(score_of: Scores) -> None:
    rng = np.random.default_rng(8)
    bed, mesh_mm = a_bed(rng, 0.2), np.zeros(COUNT)
    before = sheet_of(score_of, rng, bed, mesh_mm)
    state = update(first_state(GRID), before, mesh_mm)
    applied = -np.round(state.error_mm - state.error_mm.mean(), 2)
    done = prove(GRID, before, sheet_of(score_of, rng, bed, applied), applied, state=state)
    lost = prove(GRID, before, sheet_of(score_of, rng, bed, mesh_mm), applied, state=state)
    assert done.verdict == "in force"
    assert done.slope == pytest.approx(1.0, abs=0.1)
    assert lost.verdict != "in force"
    assert lost.slope == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize(
    ("outside", "height_mm", "told"),
    [("unknown", 0.2, True), ("unknown", 0.0, False), ("hold", 0.2, False)],
)
def test_what_would_tell_the_outer_points_is_said(
    score_of: Scores, outside: str, height_mm: float, told: bool
) -> None:
    """Three columns of a rough bed: how it goes on to its points no pad inside them shows."""
    rng = np.random.default_rng(9)
    grid = dataclasses.replace(GRID, columns=3, rows=3, outside=outside)  # type: ignore[arg-type]
    nodes_mm = grid_xy_mm(grid)
    outer = np.abs(nodes_mm - MIDDLE_MM) > 1
    places_mm = nodes_mm - 14.0 * np.sign(nodes_mm - MIDDLE_MM) * outer
    bed = a_bed(rng, height_mm)
    gaps = 0.2 - bed(places_mm) + rng.normal(0, 0.002, 9)
    gaps += 0.05 - min(gaps.min(), 0.05)
    score = score_of(grid, gaps, sigma_mm=0.003, common_sigma_mm=0.005)
    pads = tuple(
        dataclasses.replace(pad, x_mm=float(x), y_mm=float(y))
        for pad, (x, y) in zip(score.pads, places_mm, strict=True)
    )
    zero = Mesh(grid=grid, z_mm=np.zeros((3, 3)), name="zero")
    advice = advise(dataclasses.replace(score, pads=pads), Bed(mesh=grid), mesh=zero)
    assert any("outside is unknown in bed.toml" in step.text for step in advice.steps) is told


def test_a_covariance_keeps_the_bend_that_is_in_it() -> None:
    """A bound may have taken more away; then no direction is left with less than the bend."""
    rng = np.random.default_rng(10)
    root = rng.normal(0, 0.01, (COUNT, 4))
    bend, whole = root @ root.T, 0.005**2 * np.eye(COUNT)
    np.testing.assert_array_equal(_no_less(whole + bend, bend), whole + bend)
    kept = _no_less(whole, bend)
    assert np.linalg.eigvalsh(whole - bend)[0] < -1e-5
    assert np.linalg.eigvalsh(kept - bend)[0] > -1e-12
    across = np.linalg.svd(root)[0][:, 4:]
    np.testing.assert_allclose(across.T @ kept @ across, across.T @ whole @ across, atol=1e-9)
