"""What the rounds tell together."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from padsheet.patterns.bed import MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring.advice import advise
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.history import applied_words, standing, summaries
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json

GRID = MeshGrid()
RNG = np.random.default_rng(5)
BUMPS = RNG.normal(0, 0.05, 25).round(3)
EDITS = [(i, j, -0.05 if (i + 2 * j) % 3 else 0.03) for i, j in GRID.nodes if (i, j) != (2, 2)]
DZ = np.array([{(i, j): dz for i, j, dz in EDITS}.get(node, 0.0) for node in GRID.nodes])


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    return BedFolder(tmp_path)


@pytest.fixture
def add_round(folder, score_of):
    """Write a scored round with these gap errors."""

    def add(number, errors, *, plate="plate", bed_c=60.0, **keys):
        round_ = folder.round(number)
        round_.path.mkdir(parents=True, exist_ok=True)
        score = score_of(GRID, 0.2 + np.ravel(errors), number=number, **keys)
        advice = advise(score, folder.bed(), mesh=None)
        text = scores_to_json(score, advice, plate=plate, bed_c=bed_c)
        round_.scores_json.write_text(text, encoding="utf-8")
        return round_, score

    return add


def say_applied(round_, nodes, **said):
    """Put on record what was applied, on the user's word."""
    applied = Applied(how="word", nodes=tuple(nodes), **said)
    round_.applied_json.write_text(applied_to_json(applied), encoding="utf-8")


def test_one_round_stands_alone(folder, add_round):
    add_round(1, BUMPS)
    here = standing(folder, 1)
    assert (here.state.rounds, here.state.epoch, here.proof) == (1, 1, None)
    assert here.state.error_mm == pytest.approx(BUMPS, abs=0.01)


def test_recorded_edits_are_proved_and_fused(folder, add_round):
    first, _ = add_round(1, BUMPS)
    say_applied(first, EDITS, offset_mm=0.0)
    add_round(2, BUMPS + DZ)
    here = standing(folder, 2)
    assert (here.state.rounds, here.state.epoch) == (2, 1)
    assert here.proof.verdict == "in force"


def test_a_mesh_that_was_off_is_found_out(folder, add_round):
    first, _ = add_round(1, BUMPS)
    say_applied(first, EDITS)
    add_round(2, BUMPS)
    assert standing(folder, 2).proof.verdict == "not in force"


def test_advice_that_nobody_says_was_followed_ends_the_epoch(folder, add_round):
    add_round(1, BUMPS)
    add_round(2, BUMPS)
    here = standing(folder, 2)
    assert (here.state.rounds, here.state.epoch, here.proof) == (1, 2, None)
    assert "not recorded" in here.state.reason


def test_where_no_edit_was_advised_the_sheets_hang_together(folder, add_round):
    add_round(1, np.zeros(25))
    add_round(2, np.zeros(25))
    assert standing(folder, 2).state.rounds == 2


def test_scores_not_stored_yet_can_be_given(folder, add_round, score_of):
    first, _ = add_round(1, np.zeros(25))
    say_applied(first, EDITS)
    score = score_of(GRID, 0.2 + DZ, number=2)
    here = standing(folder, 2, score=score)
    assert here.state.rounds == 2
    assert here.proof.verdict == "in force"
    assert standing(folder, 2, score=score, plate="other").state.epoch == 2
    assert standing(folder, 2, score=score, bed_c=80.0).state.epoch == 2


def test_screws_end_the_epoch(folder, add_round):
    first, _ = add_round(1, np.zeros(25))
    say_applied(first, [], screws_turned=True)
    add_round(2, np.zeros(25))
    here = standing(folder, 2)
    assert (here.state.epoch, here.state.reason, here.proof) == (2, "a bed screw was turned", None)


def test_a_round_that_was_never_scored_is_stepped_over_with_its_edits(folder, add_round):
    first, _ = add_round(1, BUMPS)
    say_applied(first, EDITS[:12])
    misprint = folder.round(2)
    misprint.path.mkdir(parents=True)
    misprint.sheet_json.write_text("{}")
    say_applied(misprint, EDITS[12:])
    add_round(3, BUMPS + DZ)
    here = standing(folder, 3)
    assert (here.state.rounds, here.proof.verdict) == (2, "in force")


def test_sheets_of_another_grid_are_left_out(folder, add_round, make_scored):
    first, _ = add_round(1, np.zeros(25))
    first.sheet_json.write_text(sheet_to_json(make_scored(4, 4).sheet), encoding="utf-8")
    add_round(2, np.zeros(25))
    assert standing(folder, 2).state.rounds == 1


def test_a_sheet_of_another_grid_cannot_be_judged(folder, add_round, make_scored):
    first, _ = add_round(1, np.zeros(25))
    first.sheet_json.write_text(sheet_to_json(make_scored(4, 4).sheet), encoding="utf-8")
    with pytest.raises(PadsheetError, match="round-grid"):
        standing(folder, 1)


def test_a_row_for_each_round(folder, add_round):
    first, score = add_round(1, BUMPS, unread=[(1, 0)])
    say_applied(first, EDITS)
    sheet = folder.round(2)
    sheet.path.mkdir()
    sheet.sheet_json.write_text("{}")
    rows = summaries(folder)
    assert [(row.number, row.progress) for row in rows] == [(1, "applied"), (2, "sheet")]
    read = np.array([pad.gap_mm for pad in score.pads if pad.gap_mm is not None]) - 0.2
    row = rows[0]
    assert (row.read, row.pads, row.work, row.done) == (24, 25, "mesh", False)
    assert row.spread_mm == pytest.approx(np.std(read, ddof=1))
    assert row.peak_to_valley_mm == pytest.approx(read.max() - read.min())
    # The number that the advice tells, by the whole bed and not by the pads that were read.
    assert row.common_mm == first.read_advice().common_mm
    assert row.common_mm != pytest.approx(read.mean(), abs=1e-4)
    i, j, error = row.worst
    assert abs(error) == pytest.approx(np.abs(read).max())
    assert error == pytest.approx(BUMPS[GRID.nodes.index((i, j))])
    sheet.photo(1).write_bytes(b"x")
    assert summaries(folder)[1].progress == "photo"


def test_applied_in_words(folder, add_round):
    first, _ = add_round(1, BUMPS)
    assert applied_words(summaries(folder)[0]) == "not recorded"
    say_applied(first, [(0, 0, -0.06)], offset_mm=-0.03, screws_turned=True)
    assert applied_words(summaries(folder)[0]) == (
        "1 point, lowered up to 0.06 mm, everywhere lowered 0.03 mm, screws turned"
    )
    say_applied(first, [])
    assert applied_words(summaries(folder)[0]) == "nothing"


def test_a_spoilt_round_is_named(folder, add_round):
    first, _ = add_round(1, BUMPS)
    first.scores_json.write_text("{")
    with pytest.raises(PadsheetError, match=r"01.scores\.json"):
        summaries(folder)


def test_a_round_with_no_pad_read(folder, add_round):
    add_round(1, BUMPS, unread=GRID.nodes)
    row = summaries(folder)[0]
    assert (row.read, row.worst, row.spread_mm, row.common_mm) == (0, None, None, None)
    assert row.work == "withheld"
    assert dataclasses.asdict(row)["number"] == 1


def test_what_a_round_should_show(folder, add_round):
    first, _ = add_round(1, BUMPS, unread=[(1, 0)])
    say_applied(first, EDITS)
    add_round(2, BUMPS)
    rows = summaries(folder)
    change = np.zeros(len(GRID.nodes))
    for i, j, dz_mm in EDITS:
        change[GRID.nodes.index((i, j))] = dz_mm
    seen = [k for k, node in enumerate(GRID.nodes) if node != (1, 0)]
    assert rows[0].expected_peak_to_valley_mm is None
    expected = np.ptp((np.ravel(BUMPS) + change)[seen])
    assert rows[1].expected_peak_to_valley_mm == pytest.approx(expected, abs=0.03)
    say_applied(first, EDITS, screws_turned=True)
    assert summaries(folder)[1].expected_peak_to_valley_mm is None
