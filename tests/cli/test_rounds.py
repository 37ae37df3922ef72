"""`padsheet rounds`."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from click.testing import CliRunner

from padsheet.cli.main import main
from padsheet.patterns import make_sheet
from padsheet.patterns.bed import MeshGrid
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring.advice import advise
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json

GRID = MeshGrid()


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    return BedFolder(tmp_path)


@pytest.fixture
def two_rounds(folder, score_of):
    errors = np.zeros((5, 5))
    errors[1, 2], errors[4, 0] = 0.06, -0.045
    for number, shape in enumerate((errors, 0.1 * errors), start=1):
        score = score_of(GRID, 0.2 + shape, number=number, unread=[(4, 4)] if number == 1 else [])
        round_ = folder.round(number)
        round_.path.mkdir(parents=True)
        text = scores_to_json(score, advise(score, folder.bed(), mesh=None))
        round_.scores_json.write_text(text, encoding="utf-8")
    applied = Applied(how="word", nodes=((2, 1, -0.06), (0, 4, 0.04)))
    folder.round(1).applied_json.write_text(applied_to_json(applied), encoding="utf-8")
    return folder


def run(folder, *arguments):
    return CliRunner().invoke(main, ["-C", str(folder.path), "rounds", *arguments])


def test_no_bed_folder(tmp_path):
    result = CliRunner().invoke(main, ["-C", str(tmp_path), "rounds"])
    assert result.exit_code == 1
    assert "is not a bed folder" in result.stderr
    assert result.stdout == ""


def test_no_rounds_yet(folder):
    result = run(folder)
    assert result.exit_code == 0
    assert result.stdout == ""
    assert f"`padsheet -C {folder.path} sheet`" in result.stderr


def test_table_chart_and_points(two_rounds):
    result = run(two_rounds)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    first = next(line for line in lines if line.startswith("1 "))
    assert "24 of 25" in first
    assert "column 3, row 2: +0.060" in first
    assert "0.105" in first  # from -0.045 to +0.060
    advised = two_rounds.round(1).read_advice()
    assert first.split()[4] == f"{advised.common_mm:+.3f}"  # as `score` says it
    applied = "applied: 2 points, lowered up to 0.06, raised up to 0.04 mm"
    assert f"round 1: mesh edits advised; {applied}" in " ".join(result.stdout.split())
    assert "round 2: the bed is done" in lines
    # Every head of the table has its words.
    assert all(f"{word}:" in result.stdout for word in ("common", "spread", "range", "flow"))
    assert max(map(len, lines)) <= 80
    # 0.060 - 0.060 and -0.045 + 0.040 were to be left, a tenth of what was came.
    told = " ".join(result.stdout.split())
    assert re.search(r"round 2: range 0\.01[01] mm, where 0\.005 was expected after", told)
    assert "what was applied: as good as that" in told
    # One point at +0.06: six characters right of the target's own.
    chart = next(line for line in lines if line.startswith("round 1  "))[9:]
    assert (chart[20 + 6], chart[20 - 4]) == ("1", "1")
    assert chart[20] == "#"  # 22 points on target: more than nine
    # The back row is on top; the first column of round 1 is 4 or 5 hundredths too near there.
    back = next(line for line in lines if line.startswith("row  5"))
    assert back.split()[2] in ("-4", "-5")
    assert back.split()[6] == "?"
    assert len(back.split()) == 12
    assert "The bed is done." in result.stderr
    assert f"`padsheet -C {two_rounds.path} start-check FILE`" in result.stderr


def test_json(two_rounds):
    result = run(two_rounds, "--json")
    data = json.loads(result.stdout)
    assert data["format"] == 1
    assert [row["number"] for row in data["rounds"]] == [1, 2]
    first = data["rounds"][0]
    assert first["worst"] == {"i": 2, "j": 1, "error_mm": pytest.approx(0.06)}
    assert first["applied"]["nodes"][0] == {"i": 2, "j": 1, "dz_mm": -0.06}
    assert first["errors_mm"][24] == {"i": 4, "j": 4, "error_mm": None}
    assert result.stderr == ""


def test_a_sheet_not_yet_photographed(folder):
    round_ = folder.round(1)
    round_.path.mkdir(parents=True)
    round_.sheet_json.write_text("{}")
    result = run(folder)
    assert "no photo yet" in result.stdout
    assert str(round_.sheet_gcode) in result.stderr
    round_.photo(1).write_bytes(b"x")
    result = run(folder)
    assert "photo not scored" in result.stdout
    assert f"`padsheet -C {folder.path} score PHOTO`" in result.stderr


def test_a_spoilt_file_is_one_sentence(two_rounds):
    two_rounds.round(2).scores_json.write_text("{")
    result = run(two_rounds)
    assert result.exit_code == 1
    assert "scores.json" in result.stderr
    assert "Traceback" not in result.output


def test_the_chart_holds_what_is_beyond_its_ends(folder, score_of):
    errors = np.zeros(25)
    errors[0], errors[1] = 0.5, -0.15
    round_ = folder.round(1)
    round_.path.mkdir(parents=True)
    round_.scores_json.write_text(scores_to_json(score_of(GRID, 0.2 + errors)), encoding="utf-8")
    chart = next(line for line in run(folder).stdout.splitlines() if line.startswith("round 1  "))[
        9:
    ]
    assert (len(chart), chart[40], chart[5]) == (41, "1", "1")
    assert (chart[16], chart[24]) == ("[", "]")


def test_a_shape_that_is_done_is_told_from_an_offset_that_is_not(folder, score_of):
    errors = np.random.default_rng(2).normal(0, 0.002, (5, 5)) + 0.01
    score = score_of(GRID, 0.2 + errors, sigma_mm=0.003, common_sigma_mm=0.035)
    round_ = folder.round(1)
    round_.path.mkdir(parents=True)
    advice = advise(score, folder.bed(), mesh=None)
    assert (advice.work, advice.warp_done, advice.offset_done) == ("nothing", True, False)
    round_.scores_json.write_text(scores_to_json(score, advice), encoding="utf-8")
    result = run(folder)
    assert result.exit_code == 0
    assert "round 1: the shape is done, the common offset not yet" in result.stdout
    half_mm = 1.96 * advice.offset_sigma_mm
    said = " ".join(result.stderr.split())
    assert f"only the common offset is not sure, known to +-{half_mm:.2f} mm (95 %)" in said
    assert "is done." not in said
    data = json.loads(run(folder, "--json").stdout)["rounds"][0]
    assert (data["shape_done"], data["offset_done"], data["done"]) == (True, False, False)
    assert data["offset_sigma_mm"] == pytest.approx(advice.offset_sigma_mm)


@pytest.mark.parametrize("columns", [52, 60, 68, 80])
def test_nothing_is_wider_than_the_terminal(two_rounds, monkeypatch, columns):
    wide = run(two_rounds).stdout
    monkeypatch.setattr("padsheet.cli.rounds.columns_of", lambda stream: columns)
    narrow = run(two_rounds).stdout
    assert max(map(len, narrow.splitlines())) <= columns
    # What does not fit goes below; no figure is left out.
    figures = r"-?[0-9]\.[0-9]{3}"
    assert sorted(re.findall(figures, narrow)) == sorted(re.findall(figures, wide))
    assert ("round 1: farthest off column 3, row 2: +0.060" in narrow) == (columns < 70)
    blocks = 1 if columns >= 61 else 2
    assert narrow.count("row  5") == narrow.count("row  1") == blocks


def test_a_self_check_is_not_the_last_state_of_the_bed(two_rounds, score_of):
    """It is listed as one; what the rounds have come to goes by the sheets of the bed."""
    before = run(two_rounds).stdout
    files = make_sheet(two_rounds.bed(), reach_mm=(-0.08, 0.08), self_check=True)
    round_ = two_rounds.round(3)
    round_.path.mkdir(parents=True)
    round_.sheet_json.write_text(sheet_to_json(files.sheet), encoding="utf-8")
    round_.scores_json.write_text(
        scores_to_json(score_of(GRID, np.full((5, 5), 0.22), number=3)), encoding="utf-8"
    )
    after = run(two_rounds).stdout
    assert "round 3: a self-check of the ruler, no advice" in after
    assert "round 1, then round 2" in after
    assert "then round 3" not in after
    shown = before.index("gap less target in hundredths")
    assert after[after.index("gap less target in hundredths") :] == before[shown:]
