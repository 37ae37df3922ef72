"""`padsheet score --by-eye` and `padsheet sheet --self-check`, with the files they leave."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from click.testing import CliRunner, Result

from padsheet.cli import eye
from padsheet.cli.main import main
from padsheet.patterns.sheet_file import sheet_from_json
from padsheet.scoring.colours import UNREAD
from padsheet.scoring.rounds import BedFolder


def run(*words: str | Path, text: str | None = None) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], input=text)


@pytest.fixture
def bed(tmp_path: Path) -> Path:
    """Return a bed folder of 3 x 3 points whose first sheet is written and not scored."""
    path = tmp_path / "bed"
    assert run("init", path, "--mesh", "3", "3").exit_code == 0
    result = run("-C", path, "sheet", "--reach", "fine")
    assert result.exit_code == 0, result.output
    return path


def table(line: int) -> str:
    rows = [f"{i},{j},{line},{11 - line}" for j in (1, 2, 3) for i in (1, 2, 3)]
    return "column,row,line,line\n" + "\n".join(rows) + "\n"


def written(bed: Path) -> set[str]:
    return {path.name for path in (bed / "rounds" / "01").iterdir()}


def test_a_file_of_lines_is_scored_like_a_photo(bed: Path, tmp_path: Path) -> None:
    picks = tmp_path / "picks.csv"
    # Line 2 is high: where it looks best the nozzle is too near, and must be raised.
    picks.write_text(table(3).replace("1,1,3,8", "1,1,2,9"))
    result = run("-C", bed, "score", "--by-eye", picks, "--json")
    assert result.exit_code == 0, result.output
    scores = json.loads(result.stdout)
    assert scores["how"] == "eye"
    assert scores["photos"] == []
    corner, *others = scores["pads"]
    assert all(corner["gap_mm"] < pad["gap_mm"] for pad in others)
    node = scores["advice"]["nodes"][0]
    assert (node["i"], node["j"]) == (0, 0)
    assert node["dz_mm"] > 0
    new = {"scores.json", "annotated.jpg", "report.html", "by-eye.csv"}
    assert new < written(bed)
    report = (bed / "rounds" / "01" / "report.html").read_text(encoding="utf-8")
    assert "The sheet, drawn" in report
    assert "Your photo" not in report
    assert "raise the nozzle" in result.stderr.lower()
    # The next commands take it like any other round.
    assert "9 of 9" in run("-C", bed, "rounds").stdout
    assert run("-C", bed, "edits", "--empty-mesh").exit_code == 0


@pytest.mark.parametrize(("line", "step"), [(5, "lower"), (1, "raise")])
def test_bounds_only_move_little_in_a_folder_with_earlier_scores(
    bed: Path, line: int, step: str
) -> None:
    """The lowest line named for every pad is a bound, and no 0.17 mm to lower the nozzle by."""
    assert run("-C", bed, "score", "--by-eye", "-", text=table(3)).exit_code == 0
    assert run("-C", bed, "applied", "--no-edits").exit_code == 0
    assert run("-C", bed, "sheet", "--reach", "fine").exit_code == 0
    result = run("-C", bed, "score", "--by-eye", "-", text=table(line))
    assert result.exit_code == 0, result.output
    told = " ".join(result.stderr.split())
    assert "At 9 of 9 points the nozzle is" in told
    assert "Too few pads" not in told
    moved = re.search(r"(Lower|Raise) the nozzle everywhere by (0\.[0-9]+) mm by hand", told)
    assert moved is not None
    assert moved[1].lower() == step
    assert 0.05 <= float(moved[2]) <= (0.05 if step == "lower" else 0.15)
    assert f"applied --offset {'-' if step == 'lower' else ''}{moved[2]}" in told
    assert f"sheet --reach {'fine' if step == 'lower' else 'first'}" in told
    # What sheet this was it knows, and does not ask.
    assert "if this is one" not in told
    assert "corrected by what is proven" not in told
    said = " ".join(result.stdout.split())
    assert "9 of 9 points are off the scale of this sheet" in said
    assert "squish (nozzle" not in said  # which no bound proves
    assert run("-C", bed, "edits").exit_code == 1
    report = (bed / "rounds" / "02" / "report.html").read_text(encoding="utf-8")
    # Every bound leaves it open whether the point is within tolerance: none has a colour of error.
    assert set(re.findall(r'fill="(#[0-9a-f]{6})"[^>]*class="cell', report)) == {UNREAD.fill}


def test_a_wide_sheet_too_high_for_the_eye_is_followed_by_a_fine_one(tmp_path: Path) -> None:
    """Its lowest line may be just right: nothing is to be lowered by that."""
    path = tmp_path / "bed"
    assert run("init", path, "--mesh", "3", "3").exit_code == 0
    assert run("-C", path, "sheet", "--reach", "first").exit_code == 0
    result = run("-C", path, "score", "--by-eye", "-", text=table(5))
    told = " ".join(result.stderr.split())
    assert "farther from the bed than the eye can tell on this sheet" in told
    assert "Lower the nozzle" not in told
    assert "applied --offset" not in told
    (advised,) = (
        line.strip()
        for line in result.stderr.splitlines()
        if "  padsheet" in line and " sheet " in line
    )
    assert advised.endswith(" sheet --reach fine")
    assert run(*shlex.split(advised)[1:]).exit_code == 0


def test_an_offset_told_again_names_what_it_makes_in_all(bed: Path) -> None:
    for number, more in ((1, ""), (2, "set lower by 0.10 mm in all from now on")):
        result = run("-C", bed, "score", "--by-eye", "-", text=table(5))
        assert result.exit_code == 0, result.output
        told = " ".join(result.stderr.split())
        assert "Lower the nozzle everywhere by 0.05 mm by hand" in told
        assert more in told
        if number == 1:
            assert "in all" not in told
            assert run("-C", bed, "applied", "--offset", "-0.05").exit_code == 0
            assert run("-C", bed, "sheet", "--reach", "fine").exit_code == 0


def test_the_directions_of_the_screws_are_told_once_raises_is_written(tmp_path: Path) -> None:
    """By the command that is told, also when the next sheet is written already."""
    path = tmp_path / "bed"
    assert run("init", path, "--mesh", "4", "4", "--screws", "4").exit_code == 0
    assert run("-C", path, "sheet", "--reach", "fine").exit_code == 0
    rows = [f"{i},{j},{line}" for j in range(1, 5) for i, line in enumerate((1, 2, 4, 5), 1)]
    told = run("-C", path, "score", "--by-eye", "-", text="\n".join(rows)).stderr
    # All of them at once, not one after the other.
    knobs = "each of the knobs front left, front right, back left and back right"
    assert f"not known: turn {knobs} a little" in " ".join(told.split())
    assert "seen from above" not in told
    (again,) = (line.strip() for line in told.splitlines() if "--round 1 --force" in line)
    assert run("-C", path, "sheet", "--reach", "first", "--force").exit_code == 0
    profile = path / "bed.toml"
    text = profile.read_text().replace('raises = "unknown"', 'raises = "clockwise"')
    profile.write_text(text)
    result = run(*shlex.split(again)[1:])
    assert result.exit_code == 0, result.output
    assert "Turn the front left screw 1/8 turn counter-clockwise seen from above" in " ".join(
        result.stderr.split()
    )


def test_lines_come_from_standard_input(bed: Path) -> None:
    result = run("-C", bed, "score", "--by-eye", "-", text=table(3))
    assert result.exit_code == 0, result.output
    assert "scores.json" in written(bed)


def test_a_scored_round_is_not_overwritten(bed: Path) -> None:
    assert run("-C", bed, "score", "--by-eye", "-", text=table(3)).exit_code == 0
    before = (bed / "rounds" / "01" / "scores.json").read_bytes()
    result = run("-C", bed, "score", "--by-eye", "-", text=table(4))
    assert result.exit_code == 1
    assert "[file-exists]" in result.output
    assert "round 1 is scored already" in result.output
    assert "A new print needs a sheet of its own" in result.output
    assert (bed / "rounds" / "01" / "scores.json").read_bytes() == before
    assert run("-C", bed, "score", "--by-eye", "-", "--force", text=table(4)).exit_code == 0


def test_outside_a_bed_folder_nothing_is_written(bed: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.json"
    sheet.write_bytes((bed / "rounds" / "01" / "sheet.json").read_bytes())
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    words = ("-C", elsewhere, "score", "--by-eye", "-", "--sheet", sheet, "--json")
    result = run(*words, text=table(3))
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["advice"] is None
    assert list(elsewhere.iterdir()) == []


@pytest.mark.parametrize(
    "data", [b"\xff\xd8\xff\xe0\x00\x10JFIF", b"column,row,line\n1,1,99\n", b""]
)
def test_a_file_that_cannot_be_used_leaves_nothing(bed: Path, tmp_path: Path, data: bytes) -> None:
    before = written(bed)
    picks = tmp_path / "picks"
    picks.write_bytes(data)
    result = run("-C", bed, "score", "--by-eye", picks)
    assert result.exit_code == 1
    assert "[eye-" in result.output
    assert written(bed) == before


def test_nobody_to_ask_is_a_wrong_command_line(bed: Path) -> None:
    result = run("-C", bed, "score", "--by-eye")
    assert result.exit_code == 2
    assert "column,row,line" in result.output


def test_no_photo_is_a_wrong_command_line(bed: Path) -> None:
    result = run("-C", bed, "score")
    assert result.exit_code == 2
    assert "PHOTO" in result.output


def test_a_person_is_asked_for_each_pad(bed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(eye, "_can_ask", lambda: True)
    # A slip, a line that is not there, two of one half, a way back, and one that cannot be told.
    answers = ["3", "x", "12", "2 3", "4", "b", "3", "<", "3 8", "", "3", "3", "3", "3", "3", "3"]
    result = run("-C", bed, "score", "--by-eye", "--json", text="\n".join(answers) + "\n")
    assert result.exit_code == 0, result.output
    for word in ("tick", "Column 3, row 3", "lines go from 1 to 10", "one line must be of 1 to 5"):
        assert word.lower() in result.stderr.lower()
    pads = {(p["i"], p["j"]): p for p in json.loads(result.stdout)["pads"]}
    sheet = sheet_from_json((bed / "rounds" / "01" / "sheet.json").read_text())
    second, third = ((pad.i, pad.j) for pad in sheet.pads[1:3])
    assert pads[second]["sigma_mm"] < pads[sheet.pads[0].i, sheet.pads[0].j]["sigma_mm"]
    assert pads[third]["verdict"] == "unread"
    assert (bed / "rounds" / "01" / "by-eye.csv").read_text().count("\n") == 10


def test_giving_up_writes_nothing(bed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(eye, "_can_ask", lambda: True)
    before = written(bed)
    assert run("-C", bed, "score", "--by-eye", text="3\n").exit_code == 1
    assert written(bed) == before


def test_self_check_end_to_end(tmp_path: Path, virtual: ModuleType) -> None:
    """Sheet, print, photo, score: the lift is found, nothing is advised, the lift is taken out."""
    bed = tmp_path / "bed"
    assert run("init", bed).exit_code == 0
    result = run("-C", bed, "sheet", "--self-check", "--no-mesh")
    assert result.exit_code == 0, result.output
    assert "12 pads are printed 0.06 mm higher" in result.stderr
    round_ = BedFolder(bed).round(1)
    gcode = round_.sheet_gcode.read_text()
    assert "self-check: 12 pads are printed 0.060 mm higher" in gcode
    shape = virtual.random_bed(6, 0.10, shortest_mm=200.0)
    job = virtual.print_sheet(gcode, shape, None, seed=6)
    scene = virtual.random_scene(6, "clear")
    (tmp_path / "photo.jpg").write_bytes(virtual.photograph(job, scene, width_px=3264)[0])
    result = run("-C", bed, "score", tmp_path / "photo.jpg")
    assert result.exit_code == 0, result.output
    assert "Found minus known" in result.stdout
    scores = json.loads(round_.scores_json.read_text())
    check = scores["self_check"]
    assert abs(check["found_mm"] - 0.06) < 2.6 * check["sigma_mm"] < 0.02
    assert check["words"][0] in " ".join(result.stdout.split())
    assert scores["advice"] is None
    sheet = round_.read_sheet()
    read = [(p, s) for p, s in zip(sheet.pads, scores["pads"], strict=True) if s["gap_mm"]]
    assert len(read) > 20
    true = np.array([float(job.truth.gap(p.x_mm, p.y_mm, 0.2)) for p, _ in read])
    error = np.array([s["gap_mm"] for _, s in read]) - true
    assert (error - error.mean()).std() < 0.012
    result = run("-C", bed, "edits")
    assert result.exit_code == 1
    assert "[edits-self-check]" in result.output
    assert "self-check" in run("-C", bed, "rounds").stdout
    report = round_.report_html.read_text(encoding="utf-8")
    (title,) = re.findall(r"<h1>(.*?)</h1>", report)
    assert title.startswith("Self-check ")
    # What was found is no step to do.
    steps, _, facts = report.partition('<ol class="steps">')[2].partition("</ol>")
    assert "Chi-square" not in steps
    assert "Chi-square" in facts
    assert "Then an ordinary sheet." in steps
