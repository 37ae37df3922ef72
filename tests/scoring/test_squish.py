"""Score, verdict and sigma of a pad."""

from __future__ import annotations

import numpy as np
import pytest

from padsheet.patterns.bed import Bed
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.squish import read_pad, verdict


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    return lay_out_sheet(Bed(), reach_mm=(-0.08, 0.08)).sheet


@pytest.mark.parametrize(
    ("interval_mm", "expected"),
    [
        ((0.17, 0.23), "on target"),
        ((0.169, 0.22), "uncertain"),
        ((0.18, 0.231), "uncertain"),
        ((0.23, 0.26), "uncertain"),
        ((0.231, 0.26), "too little"),
        ((0.14, 0.17), "uncertain"),
        ((0.14, 0.169), "too much"),
        ((0.10, 0.30), "uncertain"),
    ],
)
def test_the_whole_interval_decides(interval_mm: tuple[float, float], expected: str) -> None:
    # A millionth keeps binary fractions from deciding what lies right on the limit.
    assert verdict(interval_mm, 0.20, 0.03 + 1e-6) == expected


def test_sigmas_of_a_pad_are_the_scatter_of_drawn_gaps(sheet: Sheet) -> None:
    """The relative sigma leaves out what all pads share, however they hang together."""
    rng = np.random.default_rng(4)
    root = rng.normal(0, 0.004, (6, 6))
    covariance = root @ root.T + 0.01**2
    drawn = rng.multivariate_normal(np.zeros(6), covariance, size=200_000)
    relative = (drawn - drawn.mean(axis=1, keepdims=True)).std(axis=0)
    for row in range(6):
        pad = read_pad(sheet, sheet.pads[row], 0.24, covariance, row)
        assert (pad.i, pad.j) == (sheet.pads[row].i, sheet.pads[row].j)
        # Standard deviations of 200,000 draws are good to 0.16 %.
        assert pad.sigma_mm == pytest.approx(relative[row], rel=0.008)
        assert pad.sigma_total_mm == pytest.approx(drawn[:, row].std(), rel=0.008)


def test_the_interval_holds_95_percent_and_nothing_below_zero(sheet: Sheet) -> None:
    pad = read_pad(sheet, sheet.pads[0], 0.24, np.diag([0.01**2, 0.02**2]), 0)
    assert pad.interval_mm == pytest.approx((0.24 - 0.0196, 0.24 + 0.0196), abs=1e-5)
    assert pad.squish == pytest.approx(100 * sheet.target_gap_mm / 0.24)
    assert pad.verdict == "uncertain"
    near = read_pad(sheet, sheet.pads[0], 0.03, np.diag([0.05**2, 0.02**2]), 0)
    assert near.interval_mm == pytest.approx((0.0, 0.128), abs=1e-5)


def test_of_a_lone_pad_all_is_relative(sheet: Sheet) -> None:
    """It has no others to be compared with, and must not be called perfectly sure."""
    pad = read_pad(sheet, sheet.pads[0], 0.2, np.array([[0.01**2]]), 0)
    assert pad.sigma_mm == pad.sigma_total_mm == pytest.approx(0.01)
