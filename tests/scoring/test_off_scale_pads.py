"""Pads out of the ladder's reach, printed by the virtual printer's bead: none passes for another.

200 pads so near that the nozzle chokes on most of the ladder or rubs on the bed, and 200 so high
that most of it lies round, each with its own filament, flow and noise. Each sits on a sheet with
good pads, as it would.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import ModuleType

import numpy as np
import pytest
from numpy.typing import NDArray
from pad_widths import pad_widths

from padsheet.patterns.bed import Bed
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.gaps import TrackData, ceilings_mm, comb_of, fit_gaps
from padsheet.scoring.judge import after_fit, off_scale, proven_low
from padsheet.scoring.lines import PadWidths
from padsheet.scoring.squish import PadScore

Floats = NDArray[np.float64]
COUNT, GOOD = 200, 12
# No pad may be given with an error above this.
TOO_FAR_MM = 0.06
# Half of the ladder is choked, or all of it rubs; half of it is round, or all of it.
CHOKED_MM, HIGH_MM = (-0.28, -0.125), (0.22, 0.60)


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What becomes of one pad: its true gap, its verdict, and the gap or bound it is given."""

    true_mm: float
    verdict: str
    gap_mm: float | None = None
    at_most_mm: float | None = None


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    return lay_out_sheet(Bed(), reach_mm=(-0.08, 0.08)).sheet


def seen(
    virtual: ModuleType, sheet: Sheet, off_mm: float, melt: int, rng: np.random.Generator
) -> PadWidths:
    """Return what a photo shows of one pad whose gap is off by so much.

    The same `melt` and flow serve a whole sheet; noise is the pad's own.
    """
    comb = comb_of(sheet)
    own = np.random.default_rng([melt, 5])
    flow, bias = own.uniform(0.94, 1.06), own.normal(0, 0.02)
    settings = virtual.BeadSettings.random(melt)
    gap = comb.height_mm + off_mm
    area = comb.area_mm2 * flow * (1 + rng.normal(0, 0.006) + rng.normal(0, 0.006, len(gap)))
    made = virtual.bead.cross_section(area, gap, settings)
    rough = np.where(made.state >= 2, 0.07 * made.width, 0.008)
    fall = np.maximum(gap - made.height, 0.0) * (made.state == 1)
    wander = np.hypot(0.006, np.minimum(settings.wander * fall, 0.35))
    width = np.maximum(made.width + bias + rng.normal(0, rough / 2), 0.05)
    thin = 1 - np.exp(-made.height / 0.03)
    count = len(gap)
    return pad_widths(
        width,
        sigma_mm=np.maximum(rough / 2 * rng.uniform(0.7, 1.3, count), 0.003),
        wander_mm=wander * rng.uniform(0.7, 1.3, count),
        blur_px=1.3,
        separation=8.0,
        contrast=made.opacity * thin * rng.normal(1, 0.04, count),
        misfit=0.04,
        px_per_mm=12.0,
    )


def data_of(sheet: Sheet, pads: list[PadWidths]) -> TrackData:
    return TrackData(
        width_mm=np.array([w.width_mm for w in pads]),
        sigma_mm=np.array([w.sigma_mm for w in pads]),
        kappa=np.zeros((len(pads), 1)),
        kink_mm=np.zeros((len(pads), len(sheet.tracks))),
        doubt=np.ones(len(pads)),
    )


def said(virtual: ModuleType, sheet: Sheet, span: tuple[float, float], seed: int) -> list[Said]:
    """Judge and fit the doubtful pads, each beside good ones of the same print."""
    out = []
    place = sheet.pads[0]
    for k in range(COUNT):
        rng, melt = np.random.default_rng([seed, k]), 1000 * seed + k // 8
        off = float(rng.uniform(*span))
        pad = seen(virtual, sheet, off, melt, rng)
        true = sheet.target_gap_mm + off
        if k % 8 == 0:
            near = np.random.default_rng([melt, 6])
            good = [
                seen(virtual, sheet, float(near.uniform(*sheet.reach_mm)), melt, near)
                for _ in range(GOOD)
            ]
            fit_of_good = fit_gaps(sheet, data_of(sheet, good))
        outcome = off_scale(sheet, place, pad)
        if outcome is None:
            fit = fit_gaps(sheet, data_of(sheet, [pad, *good]))
            reason = after_fit(sheet, fit, 0)
            if reason is None:
                out.append(Said(true_mm=true, verdict="read", gap_mm=float(fit.gap_mm[0])))
                continue
            outcome = PadScore(
                i=place.i, j=place.j, x_mm=place.x_mm, y_mm=place.y_mm, verdict="unread",
                reason=reason,
            )  # fmt: skip
        if outcome.verdict != "off scale high":
            ceilings = ceilings_mm(sheet, data_of(sheet, [pad]), fit_of_good)[0]
            outcome = proven_low(sheet, outcome, ceilings)
        low = outcome.verdict == "off scale low"
        at_most = outcome.interval_mm[1] if low and outcome.interval_mm is not None else None
        out.append(Said(true_mm=true, verdict=outcome.verdict, at_most_mm=at_most))
    return out


@pytest.fixture(scope="module")
def choked(virtual: ModuleType, sheet: Sheet) -> list[Said]:
    return said(virtual, sheet, CHOKED_MM, 3)


@pytest.fixture(scope="module")
def high(virtual: ModuleType, sheet: Sheet) -> list[Said]:
    return said(virtual, sheet, HIGH_MM, 4)


def test_no_choked_pad_is_called_high(choked: list[Said]) -> None:
    assert [s for s in choked if s.verdict == "off scale high"] == []


def test_no_high_pad_is_called_low(high: list[Said]) -> None:
    assert [s for s in high if s.verdict == "off scale low"] == []


def test_no_pad_between_reach_and_high_is_called_low(virtual: ModuleType, sheet: Sheet) -> None:
    found = said(virtual, sheet, (0.05, HIGH_MM[0]), 5)
    assert [s for s in found if s.verdict == "off scale low"] == []


@pytest.mark.parametrize("which", ["choked", "high"])
def test_none_is_given_a_wrong_gap(which: str, request: pytest.FixtureRequest) -> None:
    pads: list[Said] = request.getfixturevalue(which)
    wrong = [s for s in pads if s.gap_mm is not None and abs(s.gap_mm - s.true_mm) > TOO_FAR_MM]
    assert wrong == []


def test_the_farthest_are_told(choked: list[Said], high: list[Said]) -> None:
    """Silence would pass the other tests: a good part must be said in so many words."""
    round_all = [s for s in high if s.true_mm > 0.55]
    assert len(round_all) > 50
    assert sum(s.verdict == "off scale high" for s in round_all) > 0.7 * len(round_all)
    assert sum(s.verdict == "off scale low" for s in choked) > 0.6 * COUNT


def test_what_is_called_low_is_as_low_as_is_said(choked: list[Said]) -> None:
    bounds = [(s.true_mm, s.at_most_mm) for s in choked if s.at_most_mm is not None]
    assert [pair for pair in bounds if pair[0] > pair[1]] == []
    # A bound that tells next to nothing would hold as well.
    assert np.median([bound - true for true, bound in bounds]) < 0.12
