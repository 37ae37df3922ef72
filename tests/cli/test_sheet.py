"""`padsheet sheet`: what it writes, what it refuses, and what its options do."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from padsheet.cli.main import main
from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.profile import profile_text
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json

FILES = {"sheet.gcode", "sheet.json", "preview.svg", "preview.png"}


def run(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["-C", str(folder), "sheet", *words])


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder with what is in it, the lock apart."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    text = profile_text(Bed(mesh=MeshGrid(outside="hold")))
    (tmp_path / "bed.toml").write_text(text, encoding="utf-8")
    return tmp_path


@pytest.fixture
def scored(folder: Path, score_of) -> Path:
    """Return a folder whose first round has scores."""
    round_ = BedFolder(folder).round(1)
    round_.path.mkdir(parents=True)
    text = scores_to_json(score_of(MeshGrid(), np.full((5, 5), 0.2)))
    round_.scores_json.write_text(text, encoding="utf-8")
    return folder


def test_writes_three_files_that_belong_together(folder: Path) -> None:
    result = run(folder)
    assert result.exit_code == 0, result.output
    round_ = BedFolder(folder).round(1)
    assert {path.name for path in round_.path.iterdir()} == FILES
    sheet = round_.read_sheet()
    assert sheet.gcode_sha256 == hashlib.sha256(round_.sheet_gcode.read_bytes()).hexdigest()
    assert sheet.id in round_.sheet_gcode.read_text(encoding="utf-8")
    assert {(pad.i, pad.j) for pad in sheet.pads} == set(MeshGrid().nodes)
    assert result.stdout == ""
    for words in ("score PHOTO", "Caution", "minutes", "25 pads"):
        assert words in result.stderr


def test_how_well_it_reads_is_told_as_the_scores_tell_it(folder: Path) -> None:
    said = " ".join(run(folder).stderr.split())
    half_mm = 1.96 * BedFolder(folder).round(1).read_sheet().sigma_mm
    assert f"from -0.15 to +0.15 mm, at the worst to +-{half_mm:.3f} mm (95 %)." in said


def test_folder_never_scored_gets_the_scout_sheet(folder: Path) -> None:
    run(folder)
    low, high = BedFolder(folder).round(1).read_sheet().reach_mm
    assert (low, high) == (-0.15, 0.15)


def test_scored_folder_gets_the_fine_sheet_of_the_next_number(scored: Path) -> None:
    result = run(scored)
    assert result.exit_code == 0, result.output
    sheet = BedFolder(scored).round(2).read_sheet()
    assert sheet.reach_mm == (-0.08, 0.08)
    assert sheet.number == 2
    assert "-0.08 to +0.08 mm" in result.stderr
    # Ids are place + 12 x (number mod 20).
    assert {marker.id // 12 for marker in sheet.markers} == {2}


@pytest.mark.parametrize(("word", "reach_mm"), [("fine", 0.08), ("first", 0.15), ("0.1", 0.1)])
def test_reach_is_what_is_asked(folder: Path, word: str, reach_mm: float) -> None:
    result = run(folder, "--reach", word)
    assert result.exit_code == 0, result.output
    sheet = BedFolder(folder).round(1).read_sheet()
    assert sheet.reach_mm == (-reach_mm, reach_mm)
    # The lowest nozzle height leaves the clearance (0.05 mm) above a bed that lies as high as that.
    assert min(track.height_mm for track in sheet.tracks) >= reach_mm + 0.05 - 1e-9


def test_reach_that_no_ladder_reads_is_one_sentence(folder: Path) -> None:
    result = run(folder, "--reach", "0.2")
    assert result.exit_code == 1
    assert "--reach 0.1" in result.stderr
    assert set(contents(folder)) == {"bed.toml"}


@pytest.mark.parametrize("word", ["coarse", "0", "-0.1", "0.21", "nan", "inf", ""])
def test_reach_that_makes_no_sense_is_a_wrong_command_line(folder: Path, word: str) -> None:
    result = run(folder, "--reach", word)
    assert result.exit_code == 2
    assert "--reach" in result.stderr
    assert set(contents(folder)) == {"bed.toml"}


def test_points_are_counted_from_one(folder: Path) -> None:
    result = run(folder, "--reach", "fine", "--points", "3,3", "4,3", "1,5")
    assert result.exit_code == 0, result.output
    sheet = BedFolder(folder).round(1).read_sheet()
    assert {(pad.i, pad.j) for pad in sheet.pads} == {(2, 2), (3, 2), (0, 4)}
    # Few pads, but as many markers as a photo needs.
    assert len(sheet.markers) >= 8


@pytest.mark.parametrize("words", [["--points", "3"], ["--points", "3;3"], ["3,3"]])
def test_points_that_are_none_are_a_wrong_command_line(folder: Path, words: list[str]) -> None:
    assert run(folder, *words).exit_code == 2
    assert set(contents(folder)) == {"bed.toml"}


@pytest.mark.parametrize("point", ["6,1", "0,1", "1,99"])
def test_point_beyond_the_mesh_is_one_sentence(folder: Path, point: str) -> None:
    result = run(folder, "--points", point)
    assert result.exit_code == 1
    assert result.stderr.startswith("Error: ")
    assert "Traceback" not in result.output
    assert set(contents(folder)) == {"bed.toml"}


def test_sheet_is_not_overwritten_unasked(folder: Path) -> None:
    run(folder, "--reach", "fine")
    before = contents(folder)
    result = run(folder, "--reach", "first")
    assert result.exit_code == 1
    assert "--force" in result.stderr
    assert contents(folder) == before
    assert run(folder, "--reach", "first", "--force").exit_code == 0
    assert BedFolder(folder).round(1).read_sheet().reach_mm == (-0.15, 0.15)
    assert not BedFolder(folder).round(2).path.exists()


def test_round_with_a_photo_is_left_alone_even_with_force(folder: Path) -> None:
    run(folder, "--reach", "fine")
    round_ = BedFolder(folder).round(1)
    round_.photo(1).write_bytes(b"the photo")
    before = contents(round_.path)
    assert run(folder, "--reach", "fine", "--force").exit_code == 0
    assert contents(round_.path) == before
    assert BedFolder(folder).round(2).read_sheet().number == 2


def test_same_bed_same_bytes(folder: Path) -> None:
    run(folder, "--reach", "fine")
    before = contents(folder)
    assert run(folder, "--reach", "fine", "--force").exit_code == 0
    assert contents(folder) == before


def test_json_is_the_only_thing_on_standard_output(folder: Path) -> None:
    result = run(folder, "--reach", "fine", "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    sheet = BedFolder(folder).round(1).read_sheet()
    assert (told["format"], told["round"], told["sheet"]) == (1, 1, sheet.id)
    assert (told["pads"], told["markers"]) == (len(sheet.pads), len(sheet.markers))
    assert told["reach_mm"] == [-0.08, 0.08]
    assert told["minutes"] > 1
    assert told["grams"] > 0.1


def test_known_mesh_is_named_in_the_sheet_and_turned_on(folder: Path) -> None:
    bed = BedFolder(folder)
    bed.store_mesh(Mesh(grid=bed.bed().mesh, z_mm=np.full((5, 5), 0.05), name="monday"))
    assert run(folder, "--reach", "fine").exit_code == 0
    sheet = bed.round(1).read_sheet()
    assert (sheet.mesh_active, sheet.mesh_name) == ("yes", "monday")
    lines = bed.round(1).sheet_gcode.read_text(encoding="utf-8").splitlines()
    code = [line.split(";")[0].strip() for line in lines]
    assert max(k for k, line in enumerate(code) if line == "M420 S1") > max(
        k for k, line in enumerate(code) if line.startswith("G28")
    )


def test_no_mesh_leaves_the_mesh_off(folder: Path) -> None:
    bed = BedFolder(folder)
    bed.store_mesh(Mesh(grid=bed.bed().mesh, z_mm=np.full((5, 5), 0.05), name="monday"))
    result = run(folder, "--no-mesh", "--reach", "fine")
    assert result.exit_code == 0, result.output
    sheet = bed.round(1).read_sheet()
    assert (sheet.mesh_active, sheet.mesh_name) == ("no", None)
    assert "M420 S1" not in bed.round(1).sheet_gcode.read_text(encoding="utf-8")


def test_folder_without_a_profile_is_one_sentence(tmp_path: Path) -> None:
    result = run(tmp_path)
    assert result.exit_code == 1
    assert "is not a bed folder" in result.stderr
    assert "padsheet init" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_bed_too_small_for_a_sheet_writes_nothing(folder: Path) -> None:
    (folder / "bed.toml").write_text(
        "[plate]\nsize_x_mm = 60\nsize_y_mm = 60\n[mesh]\ncolumns = 9\nrows = 9\ninset_mm = 5\n",
        encoding="utf-8",
    )
    result = run(folder)
    assert result.exit_code == 1
    assert result.stderr.startswith("Error: ")
    assert set(contents(folder)) == {"bed.toml"}
