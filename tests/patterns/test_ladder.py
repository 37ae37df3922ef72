"""The ladder's design: clearance, motor steps, mirror order, areas, and its promise."""

from __future__ import annotations

import re
from collections import defaultdict

import numpy as np
import pytest

from padsheet.patterns import ladder as ladder_module
from padsheet.patterns.bed import Motion, Nozzle, Target
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.ladder import FINE_MM, FIRST_MM, Ladder, design_ladder, predicted_sigma_mm
from padsheet.patterns.widths import (
    ArrowSystem,
    Comb,
    common_priors,
    pad_priors,
    tells_something,
    track_widths,
    width_noise_mm,
)

REACHES = [
    (-0.08, 0.08),
    (-0.03, 0.12),
    (-0.12, 0.05),
    (-0.15, 0.15),
]
MACHINES = [
    (Nozzle(), Target(), Motion()),
    (Nozzle(), Target(), Motion(z_step_mm=0.01)),
    (Nozzle(), Target(), Motion(z_step_mm=0.0025, clearance_mm=0.08)),
    (Nozzle(), Target(), Motion(z_step_mm=0.02, z_lowest_mm=0.16)),
    (Nozzle(bore_mm=0.6, flat_mm=1.3), Target(height_mm=0.28, width_mm=0.6), Motion()),
]


def design(reach: tuple[float, float], machine: tuple[Nozzle, Target, Motion]) -> Ladder:
    return design_ladder(reach, *machine)


Designed = list[tuple[tuple[float, float], tuple[Nozzle, Target, Motion], Ladder]]


@pytest.fixture(scope="module")
def ladders() -> Designed:
    return [
        (reach, machine, design(reach, machine))
        for k, machine in enumerate(MACHINES)
        for reach in (REACHES if k == 0 else REACHES[k % 2 :: 2])
    ]


def test_lowest_height_clears_the_highest_bed(ladders: Designed) -> None:
    for (low, _), (_, _, motion), ladder in ladders:
        assert min(ladder.height_mm) >= -low + motion.clearance_mm - 1e-9
        assert min(ladder.height_mm) >= motion.z_lowest_mm - 1e-9


def test_steps_are_whole_motor_steps(ladders: Designed) -> None:
    for _, (_, _, motion), ladder in ladders:
        count = ladder.step_mm / motion.z_step_mm
        assert count == pytest.approx(round(count), abs=1e-6)
        rungs = (np.array(ladder.height_mm) - min(ladder.height_mm)) / motion.z_step_mm
        np.testing.assert_allclose(rungs, np.round(rungs), atol=1e-3)


def test_heights_are_mirrored_and_fall_inwards(ladders: Designed) -> None:
    for _, _, ladder in ladders:
        heights = np.array(ladder.height_mm)
        assert len(heights) == 10
        np.testing.assert_array_equal(heights, heights[::-1])
        assert (np.diff(heights[:5]) <= 0).all()
        assert heights[0] == heights.max() > heights[4] == heights.min()


def test_two_areas_take_turns(ladders: Designed) -> None:
    for _, (nozzle, _, _), ladder in ladders:
        areas = np.array(ladder.area_mm2)
        assert len(set(areas)) == 2
        assert (areas[::2] == areas[0]).all()
        assert (areas[1::2] == areas[1]).all()
        assert areas.min() >= 0.8 * nozzle.bore_area_mm2 - 1e-6
        assert areas.max() <= 1.2 * nozzle.bore_area_mm2 + 1e-6


def test_five_heights_have_both_areas_each(ladders: Designed) -> None:
    five = [entry for entry in ladders if len(set(entry[2].height_mm)) == 5]
    assert len(five) >= len(ladders) // 2
    for _, _, ladder in five:
        areas = defaultdict(set)
        for height, area in zip(ladder.height_mm, ladder.area_mm2, strict=True):
            areas[height].add(area)
        assert all(len(both) == 2 for both in areas.values())


@pytest.mark.parametrize("machine", MACHINES[:2])
def test_fine_reach_has_five_heights_and_a_small_sigma(
    machine: tuple[Nozzle, Target, Motion],
) -> None:
    ladder = design((-FINE_MM, FINE_MM), machine)
    assert len(set(ladder.height_mm)) == 5
    assert ladder.sigma_mm < 0.006


def test_a_first_sheet_still_tells_a_scout_enough() -> None:
    # A scout needs 0.015 mm RMS over its reach; its worst pad, at the far end, may be worse.
    ladder = design((-FIRST_MM, FIRST_MM), MACHINES[0])
    gaps = 0.2 + np.linspace(-FIRST_MM, FIRST_MM, 13)
    sigma = predicted_sigma_mm(comb_of(ladder), gaps)
    assert np.sqrt((sigma**2).mean()) < 0.015


def test_a_shorter_reach_never_reads_worse() -> None:
    sigmas = [design((-r, r), MACHINES[0]).sigma_mm for r in (0.03, 0.05, 0.08, 0.12, 0.15)]
    assert sigmas == sorted(sigmas)


def comb_of(ladder: Ladder, target_mm: float = 0.2, flat_mm: float = 1.0) -> Comb:
    return Comb.of(
        np.array(ladder.height_mm),
        np.array(ladder.area_mm2),
        (np.arange(10) - 4.5) * 2.0,
        target_mm=target_mm,
        flat_mm=flat_mm,
    )


def test_the_stated_sigma_is_that_of_the_worst_pad() -> None:
    ladder = design((-0.08, 0.08), MACHINES[0])
    sigma = predicted_sigma_mm(comb_of(ladder), 0.2 + np.linspace(-0.08, 0.08, 13))
    assert sigma.max() == pytest.approx(ladder.sigma_mm, rel=1e-3)


def test_prediction_is_the_scatter_of_the_model_itself() -> None:
    """Draw pads from the priors, solve the linear problem, and compare the scatter."""
    ladder = design((-0.08, 0.08), MACHINES[0])
    comb, gaps = comb_of(ladder), 0.2 + np.linspace(-0.08, 0.08, 13)
    common_mean, common_sd = common_priors(comb.levels)
    pad_mean, pad_sd = pad_priors()
    pads = np.tile(pad_mean, (13, 1))
    pads[:, 0] = gaps
    width, d_common, d_pad, gap = track_widths(comb, common_mean, pads)
    weight = np.where(tells_something(comb, gap, width), width_noise_mm(comb, gap) ** -2.0, 0)
    system = ArrowSystem.build(d_common, d_pad, weight, common_sd, pad_sd)
    rng = np.random.default_rng(11)
    errors = []
    for _ in range(400):
        common, own = rng.normal(0, common_sd), rng.normal(0, pad_sd, (13, len(pad_sd)))
        own[:, 0] = 0.0
        noise = rng.normal(size=weight.shape) * width_noise_mm(comb, gap)
        seen = d_common @ common + np.einsum("pti,pi->pt", d_pad, own)
        pull = weight * (seen + noise)
        _, found = system.step(
            np.einsum("pt,ptc->c", pull, d_common), np.einsum("pt,pti->pi", pull, d_pad)
        )
        errors.append(found[:, 0] - found[:, 0].mean())
    scatter = np.sqrt((np.array(errors) ** 2).mean(axis=0))
    # The standard deviation of a standard deviation of 400 draws is 3.5 %; four of them.
    np.testing.assert_allclose(scatter, predicted_sigma_mm(comb, gaps), rtol=0.14)


def test_the_mirrored_order_keeps_a_kink_from_passing_for_a_gap() -> None:
    """A kink of the mesh over the pad must move the gap less than with the opposite order."""
    ladder = design((-0.08, 0.08), MACHINES[0])
    kink = np.abs((np.arange(10) - 4.5) / 4.5)

    def moved(heights: tuple[float, ...]) -> float:
        comb = Comb.of(
            np.array(heights),
            np.array(ladder.area_mm2),
            (np.arange(10) - 4.5) * 2.0,
            target_mm=0.2,
            flat_mm=1.0,
        )
        pads = pad_priors()[0][None].copy()
        _, d_common, d_pad, gap = track_widths(comb, common_priors(5)[0], pads)
        system = ArrowSystem.build(
            d_common,
            d_pad,
            width_noise_mm(comb, gap) ** -2.0,
            # One pad of many: the common parameters are known from the others.
            np.full(len(common_priors(5)[1]), 1e-4),
            pad_priors()[1],
        )
        pull = width_noise_mm(comb, gap) ** -2.0 * d_pad[..., 0] * kink
        _, found = system.step(
            np.einsum("pt,ptc->c", pull, d_common), np.einsum("pt,pti->pi", pull, d_pad)
        )
        # At the pad's centre the kink is nothing.
        return abs(float(found[0, 0]))

    upright = moved(ladder.height_mm)
    opposite = moved((*ladder.height_mm[4::-1], *ladder.height_mm[:4:-1]))
    assert upright < 0.5 * opposite


@pytest.mark.parametrize(
    "reach",
    [(0.0, 0.1), (-0.1, 0.0), (-0.21, 0.1), (-0.1, 0.21), (0.05, 0.1), (float("nan"), 0.1)],
)
def test_an_impossible_reach_is_refused(reach: tuple[float, float]) -> None:
    with pytest.raises(PadsheetError) as caught:
        design(reach, MACHINES[0])
    assert caught.value.code == "ladder-reach"
    assert "0.20 mm" in caught.value.remedy


def test_a_nozzle_too_small_for_the_reach_is_refused() -> None:
    with pytest.raises(PadsheetError) as caught:
        design_ladder((-0.15, 0.15), Nozzle(bore_mm=0.2, flat_mm=0.5), Target(), Motion())
    assert caught.value.code == "ladder-impossible"
    assert "bore" in caught.value.remedy


@pytest.mark.parametrize("bore_mm", [0.3, 0.4])
def test_the_refusal_says_how_far_this_nozzle_goes(bore_mm: float) -> None:
    nozzle, target, motion = Nozzle(bore_mm=bore_mm), Target(), Motion()
    with pytest.raises(PadsheetError) as caught:
        design_ladder((-0.2, 0.2), nozzle, target, motion)
    found = re.search(r"--reach (0[.][0-9]+)", caught.value.remedy)
    assert found is not None
    widest = float(found[1])
    assert design_ladder((-widest, widest), nozzle, target, motion).sigma_mm < 0.1
    with pytest.raises(PadsheetError):
        design_ladder((-widest - 0.01, widest + 0.01), nozzle, target, motion)


@pytest.mark.parametrize("machine", [MACHINES[0], MACHINES[4], MACHINES[2]])
@pytest.mark.parametrize("reach", [(-0.08, 0.08), (-0.15, 0.15), (-0.20, 0.20), (-0.10, 0.20)])
def test_a_ladder_is_passed_over_just_where_a_pad_has_no_sigma(
    machine: tuple[Nozzle, Target, Motion], reach: tuple[float, float]
) -> None:
    nozzle, target, motion = machine
    gaps = ladder_module._gaps_mm(reach, target)
    for choice in [*ladder_module._candidates(*reach, nozzle, motion)][::5]:
        comb = ladder_module._comb(choice, 2.0, nozzle, target)
        known = np.isfinite(predicted_sigma_mm(comb, gaps)).all()
        assert ladder_module._reads(comb, gaps) == known


def test_a_reach_that_no_ladder_reads_is_sought_once(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = (Nozzle(bore_mm=0.25, flat_mm=0.6), Target(height_mm=0.14), Motion())
    tried = []
    reads = ladder_module._reads
    monkeypatch.setattr(
        ladder_module, "_reads", lambda comb, gaps: tried.append(comb) or reads(comb, gaps)
    )
    for cached in (ladder_module._best, ladder_module._widest_mm):
        cached.cache_clear()
    told = []
    for _ in range(2):
        with pytest.raises(PadsheetError, match="no ladder can read") as refused:
            design((-0.2, 0.2), machine)
        told.append((str(refused.value), refused.value.remedy, len(tried)))
    assert told[0] == told[1]
    assert told[0][2] > 0
