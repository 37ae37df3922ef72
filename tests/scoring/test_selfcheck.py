"""The self-check: what is found of a known lift, on beds of known shape, and how sure that is."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.layout import SELF_CHECK_LIFT_MM, lay_out_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.selfcheck import self_check, self_check_data, self_check_table, unlifted
from padsheet.scoring.squish import SheetScore

GRID = MeshGrid()
SMALL = MeshGrid(columns=3, rows=3)
SIGMA_MM, COMMON_MM = 0.005, 0.008
Scores = Callable[..., SheetScore]


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    return lay_out_sheet(
        Bed(mesh=GRID), reach_mm=(-0.08, 0.08), mesh_active="no", self_check=True
    ).sheet


def lifts(sheet: Sheet) -> NDArray[np.float64]:
    by_node = {(pad.i, pad.j): pad.lift_mm for pad in sheet.pads}
    return np.array([by_node[node] for node in GRID.nodes])


def bed_gaps(rng: np.random.Generator, height_mm: float = 0.06) -> NDArray[np.float64]:
    """Gaps over a smooth bed: a bowl, a twist and one wide bulge."""
    x, y = ((np.array(axis) - 110) / 90 for axis in np.meshgrid(GRID.x_mm, GRID.y_mm))
    a, b, c, d = rng.uniform(-1, 1, 4)
    bulge = np.exp(-((x - a) ** 2 + (y - b) ** 2) / 0.8)
    return np.ravel(0.2 + height_mm / 2 * (c * (x**2 + y**2 - 1) + d * x * y + bulge))


def read(
    score_of: Scores, sheet: Sheet, rng: np.random.Generator, *, scale: float = 1.0
) -> SheetScore:
    """A reading of that bed with the scatter that it states, the lift read `scale` times."""
    noise = rng.normal(0, SIGMA_MM, 25) + rng.normal(0, COMMON_MM)
    gaps = bed_gaps(rng) + scale * lifts(sheet) + noise
    return score_of(GRID, gaps, sigma_mm=SIGMA_MM, common_sigma_mm=COMMON_MM)


def test_a_checkerboard_is_lifted(sheet: Sheet) -> None:
    assert sum(pad.lift_mm > 0 for pad in sheet.pads) == 12
    assert all(
        pad.lift_mm == (SELF_CHECK_LIFT_MM if (pad.i + pad.j) % 2 else 0.0) for pad in sheet.pads
    )


def test_the_lift_is_found_with_the_scatter_that_is_stated(score_of: Scores, sheet: Sheet) -> None:
    rng = np.random.default_rng(3)
    checks = [self_check(read(score_of, sheet, rng), sheet) for _ in range(200)]
    found = np.array([check.found_mm for check in checks])
    # The step error of a printer, 0.004 mm, is part of the stated sigma and not of this scatter.
    stated = np.sqrt(np.median([check.sigma_mm for check in checks]) ** 2 - 0.004**2)
    assert found.mean() == pytest.approx(SELF_CHECK_LIFT_MM, abs=4 * stated / np.sqrt(200))
    # The standard deviation of 200 has one of 5 % of itself.
    assert found.std() == pytest.approx(stated, rel=0.2)
    assert np.mean([check.trusted for check in checks]) > 0.95
    # The bulges are fitted to the same gaps, which takes away a part of the sum.
    assert 0.75 < np.mean([check.chi2 / check.dof for check in checks]) < 1.05


def test_each_pad_is_compared_with_all_others(score_of: Scores, sheet: Sheet) -> None:
    rng = np.random.default_rng(4)
    scaled = []
    for _ in range(60):
        check = self_check(read(score_of, sheet, rng), sheet)
        scaled += [(pad.found_mm - pad.known_mm) / pad.sigma_mm for pad in check.pads]
        assert len(check.pads) == 25
    assert 0.8 < np.std(scaled) < 1.05


@pytest.mark.parametrize(("scale", "word"), [(0.7, "smaller"), (1.3, "larger")])
def test_a_ruler_of_the_wrong_size_is_caught(
    score_of: Scores, sheet: Sheet, scale: float, word: str
) -> None:
    rng = np.random.default_rng(5)
    for _ in range(20):
        check = self_check(read(score_of, sheet, rng, scale=scale), sheet)
        assert check.outcome == "wrong size"
        assert word in check.words[0]
        assert "Do not trust" in check.words[0]


@pytest.mark.parametrize(("scale", "word"), [(0.9, "smaller"), (1.1, "larger")])
def test_a_ruler_that_is_a_tenth_off_is_said_to_be(
    score_of: Scores, sheet: Sheet, scale: float, word: str
) -> None:
    """One print cannot tell such an error from chance for sure: the words give it all the same."""
    rng = np.random.default_rng(11)
    told = []
    for _ in range(40):
        check = self_check(read(score_of, sheet, rng, scale=scale), sheet)
        said = re.search(r"(\d+) % (larger|smaller) than they are, \+-(\d+) %", check.words[0])
        assert said is not None, check.words[0]
        percent = (check.found_mm / check.known_mm - 1) * 100
        assert (int(said[1]), said[2]) == (
            round(abs(percent)),
            "larger" if percent > 0 else "smaller",
        )
        told.append(int(said[1]) * (1 if said[2] == word else -1))
        # Nobody is told to trust a ruler whose interval leaves out the known lift.
        if abs(percent) > float(said[3]) + 1:
            assert not check.trusted
    assert np.mean(told) == pytest.approx(10, abs=2)


def test_what_may_be_chance_is_neither_trusted_nor_failed(score_of: Scores, sheet: Sheet) -> None:
    gaps = bed_gaps(np.random.default_rng(12))
    outcomes = {}
    for percent in range(0, 40, 4):
        lifted = gaps + lifts(sheet) * (1 + percent / 100)
        check = self_check(score_of(GRID, lifted, sigma_mm=SIGMA_MM), sheet)
        outcomes.setdefault(check.outcome, []).append(percent)
        if check.outcome == "unclear":
            assert "may be chance" in " ".join(check.words)
    assert list(outcomes) == ["trusted", "unclear", "wrong size"]
    assert max(outcomes["trusted"]) >= 8


def test_pads_that_are_off_by_more_than_stated_are_caught(score_of: Scores, sheet: Sheet) -> None:
    rng = np.random.default_rng(6)
    score = read(score_of, sheet, rng)
    gaps = np.array([pad.gap_mm for pad in score.pads])
    gaps[12] += 0.08
    check = self_check(score_of(GRID, gaps, sigma_mm=SIGMA_MM), sheet)
    assert check.outcome == "scatter"
    assert any("column 3, row 3" in sentence for sentence in check.words)


def test_an_unsure_photo_decides_nothing(score_of: Scores, sheet: Sheet) -> None:
    gaps = bed_gaps(np.random.default_rng(7)) + lifts(sheet)
    check = self_check(score_of(GRID, gaps, sigma_mm=0.04), sheet)
    assert check.outcome == "unclear"
    assert not check.trusted


def test_steps_of_a_known_mesh_are_no_scatter(score_of: Scores, sheet: Sheet) -> None:
    rng = np.random.default_rng(18)
    steps = rng.normal(0, 0.03, (5, 5))
    gaps = bed_gaps(rng) + lifts(sheet) + steps.ravel() + rng.normal(0, SIGMA_MM, 25)
    score = score_of(GRID, gaps, sigma_mm=SIGMA_MM)
    on = replace(sheet, mesh_active="unknown")
    # The pads of this sheet lie on their nodes or next to them.
    centred = replace(
        on,
        pads=tuple(
            replace(pad, x_mm=float(GRID.x_mm[pad.i]), y_mm=float(GRID.y_mm[pad.j]))
            for pad in on.pads
        ),
    )
    unknown = self_check(score, centred)
    known = self_check(score, centred, Mesh(grid=GRID, z_mm=steps, name="steps"))
    assert unknown.outcome == "scatter"
    assert any("--no-mesh" in sentence for sentence in unknown.words)
    assert known.trusted


@pytest.fixture(scope="module")
def small() -> Sheet:
    """A self-check of 3 x 3 points, each pad on its point."""
    sheet = lay_out_sheet(
        Bed(mesh=SMALL), reach_mm=(-0.08, 0.08), mesh_active="no", self_check=True
    ).sheet
    return replace(
        sheet,
        mesh_active="unknown",
        pads=tuple(
            replace(pad, x_mm=float(SMALL.x_mm[pad.i]), y_mm=float(SMALL.y_mm[pad.j]))
            for pad in sheet.pads
        ),
    )


def small_lifts(sheet: Sheet) -> NDArray[np.float64]:
    by_node = {(pad.i, pad.j): pad.lift_mm for pad in sheet.pads}
    return np.array([by_node[node] for node in SMALL.nodes])


def small_bed(rng: np.random.Generator, height_mm: float) -> NDArray[np.float64]:
    """A bed of 3 x 3 points: a bowl, a saddle, a twist and a wave, so high in all."""
    x, y = ((np.array(axis) - 110) / 80 for axis in np.meshgrid(SMALL.x_mm, SMALL.y_mm))
    a, b, c, d = rng.normal(size=4)
    bed = a * (x**2 + y**2) + b * (x**2 - y**2) + c * x * y + 0.5 * d * np.cos(2 * x + y + a)
    return np.asarray(height_mm * bed / np.ptp(bed))


def test_a_warped_bed_with_its_mesh_is_no_scatter(score_of: Scores, small: Sheet) -> None:
    """Nine pads do not tell the shape of a bed, but the mesh that was fitted to it does."""
    rng = np.random.default_rng(21)
    checks = []
    for _ in range(100):
        bed = small_bed(rng, 0.2)
        values = np.round(bed + rng.normal(0, 0.004, bed.shape), 2)
        gaps = 0.2 + (values - bed).ravel() + small_lifts(small) + rng.normal(0, SIGMA_MM, 9)
        mesh = Mesh(grid=SMALL, z_mm=values, name="fitted")
        checks.append(self_check(score_of(SMALL, gaps, sigma_mm=SIGMA_MM), small, mesh))
    assert np.mean([check.trusted for check in checks]) >= 0.95
    found = np.array([check.found_mm for check in checks])
    assert found.mean() == pytest.approx(SELF_CHECK_LIFT_MM, abs=4 * found.std() / 10)
    stated = np.median([check.sigma_mm for check in checks])
    assert found.std() <= stated <= 2 * found.std()


def test_the_lift_on_a_bed_too_rough_for_it_is_as_unsure_as_it_is(
    score_of: Scores, small: Sheet
) -> None:
    rng = np.random.default_rng(22)
    checks = []
    for _ in range(100):
        gaps = 0.3 + small_bed(rng, 0.2).ravel() + small_lifts(small) + rng.normal(0, SIGMA_MM, 9)
        checks.append(self_check(score_of(SMALL, gaps, sigma_mm=SIGMA_MM), small))
    apart = [(check.found_mm - SELF_CHECK_LIFT_MM) / check.sigma_mm for check in checks]
    assert np.mean(np.abs(apart) > 1.96) <= 0.1
    unclear = [check for check in checks if check.outcome == "unclear"]
    assert len(unclear) > 50
    # It is the bed and not the photo that is to blame.
    assert all("ordinary sheets first" in " ".join(check.words) for check in unclear)


def test_a_pad_that_is_off_shows_once_the_mesh_is_fitted(score_of: Scores, sheet: Sheet) -> None:
    rng = np.random.default_rng(23)
    on = replace(sheet, mesh_active="unknown")
    values = rng.normal(0, 0.03, (5, 5))
    shown = 0
    for _ in range(40):
        # What the reading scatters by, and what the fitted mesh left.
        gaps = 0.2 + lifts(sheet) + rng.normal(0, 0.004, 25) + rng.normal(0, 0.005, 25)
        gaps[rng.integers(25)] += 0.05
        check = self_check(
            score_of(GRID, gaps, sigma_mm=0.004), on, Mesh(grid=GRID, z_mm=values, name="fitted")
        )
        shown += check.outcome == "scatter"
    assert shown >= 24


def test_pads_of_one_column_are_too_few(score_of: Scores) -> None:
    grid = MeshGrid(columns=2, rows=8)
    long = lay_out_sheet(Bed(mesh=grid), reach_mm=(-0.03, 0.03), self_check=True).sheet
    unread = [node for node in grid.nodes if node[0] == 1]
    with pytest.raises(PadsheetError) as caught:
        self_check(score_of(grid, np.full(16, 0.2), unread=unread), long)
    assert caught.value.code == "self-check-few"


def test_too_few_pads_are_refused(score_of: Scores, sheet: Sheet) -> None:
    gaps = bed_gaps(np.random.default_rng(9)) + lifts(sheet)
    unread = [pad for pad in GRID.nodes if pad[1] > 0]
    with pytest.raises(PadsheetError) as caught:
        self_check(score_of(GRID, gaps, unread=unread), sheet)
    assert caught.value.code == "self-check-few"


def test_the_known_lift_is_taken_out_of_the_scores(score_of: Scores, sheet: Sheet) -> None:
    flat = np.full(25, 0.2)
    bounds = {(1, 0): (0.31, None), (0, 0): (0.31, None)}
    score = unlifted(score_of(GRID, flat + lifts(sheet), bounds=bounds), sheet)
    for pad in score.pads:
        if pad.gap_mm is not None:
            assert pad.gap_mm == pytest.approx(0.2)
            assert pad.squish == pytest.approx(100)
            assert pad.verdict == "on target"
    bound = {(pad.i, pad.j): pad.interval_mm for pad in score.pads}
    assert bound[1, 0] == (pytest.approx(0.25), None)
    assert bound[0, 0] == (0.31, None)


def test_table_and_data_hold_every_read_pad(score_of: Scores, sheet: Sheet) -> None:
    check = self_check(read(score_of, sheet, np.random.default_rng(10)), sheet)
    lines = self_check_table(check).splitlines()
    assert len(lines) == 27
    assert max(map(len, lines)) <= 80
    data = self_check_data(check)
    assert data["trusted"] is True
    assert {(p["i"], p["j"]) for p in data["pads"]} == set(GRID.nodes)


def test_a_zero_in_the_table_has_no_sign(score_of: Scores, sheet: Sheet) -> None:
    check = self_check(read(score_of, sheet, np.random.default_rng(10)), sheet)
    pad = check.pads[0]
    near = dataclasses.replace(pad, found_mm=pad.known_mm - 0.0002)
    row = self_check_table(dataclasses.replace(check, pads=(near,))).splitlines()[1]
    assert row.split()[4] == "0.000"


@pytest.mark.parametrize("reach", [0.15, 0.20])
def test_a_reach_too_wide_for_the_lift_is_refused(reach: float) -> None:
    with pytest.raises(PadsheetError) as caught:
        lay_out_sheet(Bed(), reach_mm=(-reach, reach), self_check=True)
    assert caught.value.code == "layout-self-check"
    assert "0.14 mm" in (caught.value.remedy or "")


def test_a_self_check_of_a_few_points_is_refused() -> None:
    with pytest.raises(PadsheetError) as caught:
        lay_out_sheet(
            Bed(),
            reach_mm=(-0.08, 0.08),
            points=[(i, j) for i in range(5) for j in range(1)],
            self_check=True,
        )
    assert caught.value.code == "layout-self-check"
