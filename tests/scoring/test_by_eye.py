"""Lines picked by eye: tables, bounds, and intervals that hold the truth for simulated eyes."""

from __future__ import annotations

import numpy as np
import pytest

from padsheet.patterns.bead import area_mm2
from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.by_eye import (
    Pick,
    by_eye_words,
    eye_reach_mm,
    picks_from_csv,
    picks_to_csv,
    score_picks,
)
from padsheet.scoring.scores import scores_from_json, scores_to_json


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    return lay_out_sheet(Bed(), reach_mm=(-0.08, 0.08)).sheet


def all_picks(sheet: Sheet, *lines: int) -> list[Pick]:
    return [Pick(i=pad.i, j=pad.j, lines=lines) for pad in sheet.pads]


class Eye:
    """A person: a taste, a habit of judging thick lines, and a blur of the eye."""

    def __init__(self, sheet: Sheet, rng: np.random.Generator) -> None:
        self.sheet, self.rng = sheet, rng
        self.taste_mm = rng.normal(0, 0.02)
        self.power = rng.uniform(0, 0.5)
        self.usual_mm2 = area_mm2(1.125 * sheet.bore_mm, sheet.target_gap_mm)

    def best(self, gap_mm: float, slope: float, numbers: range) -> int:
        """The line whose gap is nearest to what this eye, at this moment, takes for right."""
        blur = self.rng.normal(0, 0.02)

        def miss(number: int) -> float:
            track = self.sheet.tracks[number - 1]
            right = self.sheet.target_gap_mm * (track.area_mm2 / self.usual_mm2) ** self.power
            under = gap_mm + track.height_mm - self.sheet.target_gap_mm + slope * track.offset_mm
            return abs(under - right - self.taste_mm - blur)

        return min(numbers, key=miss)


@pytest.mark.parametrize("halves", [1, 2])
def test_intervals_hold_the_truth_for_simulated_eyes(sheet: Sheet, halves: int) -> None:
    rng = np.random.default_rng(12)
    held, scaled, bounds = [], [], []
    for _ in range(120):
        eye = Eye(sheet, rng)
        gaps = rng.uniform(0.14, 0.29, len(sheet.pads))
        picks = []
        for pad, gap in zip(sheet.pads, gaps, strict=True):
            slope = rng.normal(0, 0.002)
            lines = [eye.best(gap, slope, range(1, 6))]
            if halves == 2:
                lines.append(eye.best(gap, slope, range(6, 11)))
            picks.append(Pick(i=pad.i, j=pad.j, lines=tuple(lines)))
        for pad, gap in zip(score_picks(sheet, picks).pads, gaps, strict=True):
            if pad.interval_mm is None:
                continue
            low, high = pad.interval_mm
            inside = (low is None or low <= gap) and (high is None or gap <= high)
            (held if pad.gap_mm is not None else bounds).append(inside)
            if pad.gap_mm is not None:
                scaled.append((pad.gap_mm - gap) / pad.sigma_total_mm)
    # Of 3000 pads, but each eye counts as one for what its pads share: a wide allowance.
    assert 0.92 < np.mean(held) < 0.995
    assert 0.75 < np.std(scaled) < 1.15
    # Bounds are one-sided at 97.5 %.
    assert np.mean(bounds) > 0.95
    assert len(bounds) > 200


def test_two_halves_are_surer_than_one(sheet: Sheet) -> None:
    one = score_picks(sheet, all_picks(sheet, 3)).pads[0]
    both = score_picks(sheet, all_picks(sheet, 3, 8)).pads[0]
    assert both.sigma_mm < 0.8 * one.sigma_mm
    assert both.sigma_total_mm < one.sigma_total_mm


def test_a_higher_line_means_a_smaller_gap(sheet: Sheet) -> None:
    """Line 2 is printed higher than line 4: if it looks right there, the nozzle is nearer."""
    gaps = [score_picks(sheet, all_picks(sheet, n, 11 - n)).pads[0].gap_mm for n in (2, 3, 4)]
    heights = [sheet.tracks[n - 1].height_mm for n in (2, 3, 4)]
    assert np.diff(gaps) == pytest.approx(-np.diff(heights))


@pytest.mark.parametrize(
    ("lines", "verdict"),
    [
        ((1,), "off scale low"),
        ((10,), "off scale low"),
        ((1, 10), "off scale low"),
        ((5,), "off scale high"),
        ((6,), "off scale high"),
        ((5, 6), "off scale high"),
    ],
)
def test_the_ends_of_the_ladder_are_bounds(
    sheet: Sheet, lines: tuple[int, ...], verdict: str
) -> None:
    picks = [Pick(i=0, j=0, lines=lines), Pick(i=1, j=0, lines=(3,))]
    score = score_picks(sheet, picks)
    pad = score.pads[0]
    assert pad.verdict == verdict
    assert pad.gap_mm is None
    low, high = pad.interval_mm
    assert (low is None) == (verdict == "off scale low")
    assert (high is None) == (verdict == "off scale high")
    assert pad.reason.code in ("eye-high", "eye-low")
    assert (0, 0) not in score.order


def test_halves_that_contradict_each_other_are_not_averaged(sheet: Sheet) -> None:
    score = score_picks(sheet, [Pick(i=0, j=0, lines=(1, 6)), Pick(i=1, j=0, lines=(3,))])
    assert score.pads[0].verdict == "unread"
    assert score.pads[0].reason.code == "eye-halves"
    assert score.pads[0].interval_mm is None


def test_one_half_at_the_end_leaves_the_other(sheet: Sheet) -> None:
    both = score_picks(sheet, [Pick(i=0, j=0, lines=(1, 9))]).pads[0]
    alone = score_picks(sheet, [Pick(i=0, j=0, lines=(9,))]).pads[0]
    assert both.gap_mm == alone.gap_mm is not None


def test_pads_without_a_line_are_unread(sheet: Sheet) -> None:
    score = score_picks(sheet, [Pick(i=2, j=2, lines=(3,)), Pick(i=1, j=1)])
    assert len(score.order) == 1
    assert {p.verdict for p in score.pads if (p.i, p.j) != (2, 2)} == {"unread"}
    assert {p.reason.code for p in score.pads if p.reason} == {"eye-none"}


def test_no_line_at_all_is_refused(sheet: Sheet) -> None:
    with pytest.raises(PadsheetError) as caught:
        score_picks(sheet, all_picks(sheet))
    assert caught.value.code == "eye-empty"


def test_scores_by_eye_say_so_and_survive_the_file(sheet: Sheet) -> None:
    score = score_picks(sheet, [*all_picks(sheet, 3)[:5], Pick(i=0, j=1, lines=(1,))])
    again, _ = scores_from_json(scores_to_json(score))
    assert again.how == "eye"
    assert again.pads == score.pads
    np.testing.assert_array_equal(again.covariance_mm2, score.covariance_mm2)


def test_the_table_is_read_back_as_written(sheet: Sheet) -> None:
    picks = (Pick(i=2, j=1, lines=(4,)), Pick(i=3, j=1), Pick(i=0, j=2, lines=(2, 9)))
    assert set(picks_from_csv(picks_to_csv(picks), sheet)) == set(picks)


def test_headings_remarks_and_blanks_are_passed_over(sheet: Sheet) -> None:
    text = "\ufeffColumn, Row, Line\r\n# the front\r\n\r\n 1 , 2 , 3 \r\n2,2\r\n"
    assert picks_from_csv(text, sheet) == (Pick(i=0, j=1, lines=(3,)), Pick(i=1, j=1))


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("6,1,3", "no pad at column 6, row 1"),
        ("0,1,3", "no pad at column 0"),
        ("1,1,11", "lines go from 1 to 10"),
        ("1,1,0", "lines go from 1 to 10"),
        ("1,1,2,3", "one line must be of 1 to 5"),
        ("1,1,x", "whole number"),
        ("1,1,3 8", "a value of its own, such as `3,2,4,7`"),
        ("one,1,3", "column and row"),
        ("1", "column,row,line"),
        ("1,1,2,9,4", "column,row,line"),
        ("2,2,3\n2,2,4", "twice"),
        ("-1,1,3", "column and row"),
        ("1,1,\u0663", "whole number"),
    ],
)
def test_bad_rows_are_named(sheet: Sheet, row: str, told: str) -> None:
    with pytest.raises(PadsheetError, match="row") as caught:
        picks_from_csv("column,row,line\n" + row + "\n", sheet)
    assert caught.value.code == "eye-row"
    assert told in caught.value.problem


def test_words_tell_the_first_line_as_it_is_printed(sheet: Sheet) -> None:
    assert sheet.tick_mm > 0
    assert "tick" in by_eye_words(sheet)[0]
    dense = lay_out_sheet(Bed(mesh=MeshGrid(columns=9, rows=9)), reach_mm=(-0.08, 0.08)).sheet
    assert dense.tick_mm == 0
    assert "foot" in by_eye_words(dense)[0] or "feet" in by_eye_words(dense)[0]


def test_reach_by_eye_is_within_the_ladder(sheet: Sheet) -> None:
    low, high = eye_reach_mm(sheet)
    heights = [track.height_mm for track in sheet.tracks]
    assert high - low < max(heights) - min(heights) + 0.04
    assert low < 0 < high
