"""What was advised and nobody put on record: asked for in time, late, and never taken for done."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from padsheet.cli.main import main
from padsheet.patterns.bed import Bed, MeshGrid, Screw
from padsheet.patterns.make import make_sheet
from padsheet.patterns.profile import profile_text
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring import round_files, scorer
from padsheet.scoring.advice import Advice, advise
from padsheet.scoring.history import standing
from padsheet.scoring.mesh import Mesh, mesh_csv
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.scores import scores_to_json
from padsheet.scoring.todo import todo_of

GRID = MeshGrid(columns=4, rows=3)
BUMPS_MM = np.random.default_rng(12).normal(0, 0.05, (3, 4))
SCREWS = tuple(
    Screw(name=name, x_mm=x, y_mm=y)
    for name, x, y in (("a", 10, 10), ("b", 210, 10), ("c", 110, 210))
)
TILT_MM = np.add.outer(np.zeros(3), np.linspace(-0.09, 0.09, 4))


def run(folder: BedFolder, *words: str, text: str | None = None) -> Result:
    return CliRunner().invoke(main, ["-C", str(folder.path), *words], input=text)


def said(result: Result) -> str:
    return " ".join(result.stderr.split())


@pytest.fixture(scope="module")
def a_sheet() -> Sheet:
    return make_sheet(Bed(mesh=GRID), reach_mm=(-0.15, 0.15)).sheet


@pytest.fixture
def folder(tmp_path: Path) -> BedFolder:
    (tmp_path / "bed.toml").write_text(profile_text(Bed(mesh=GRID)), encoding="utf-8")
    folder = BedFolder(tmp_path)
    folder.store_mesh(Mesh(grid=GRID, z_mm=np.zeros((3, 4)), name="flat"))
    return folder


@pytest.fixture
def add_sheet(folder: BedFolder, a_sheet: Sheet) -> Callable[[], Round]:
    """Write the next round's sheet for the mesh that the printer is taken to hold."""

    def add() -> Round:
        round_ = folder.next_round()
        round_.path.mkdir(parents=True)
        held = folder.active_mesh()
        sheet = dataclasses.replace(
            a_sheet, number=round_.number, mesh_active="yes", mesh_name=held.name
        )
        round_.sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")
        return round_

    return add


@pytest.fixture
def score(
    folder: BedFolder, score_of: Callable[..., object], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Result]:
    """Score a round through the command, the reading of the photo apart."""
    monkeypatch.setattr(round_files, "photo_with_scores", lambda *_: Image.new("RGB", (8, 8)))
    monkeypatch.setattr(round_files, "_jpeg", lambda *_: b"jpg")
    monkeypatch.setattr(round_files, "_report", lambda *_: "<p>")
    monkeypatch.setattr(scorer, "read_photo", lambda path: object())

    def run_it(round_: Round, errors_mm: np.ndarray, *, photos: int = 1) -> Result:
        told = score_of(GRID, 0.2 + errors_mm, number=round_.number)
        monkeypatch.setattr(scorer, "read_print", lambda photos, sheet, mesh: (told, []))
        path = folder.path / "photo.jpg"
        path.write_bytes(b"jpg%d" % round_.number)
        words = ("score", str(path), "--round", str(round_.number), "--force")
        return run(folder, *words)

    return run_it


def advised_mm(advice: Advice) -> np.ndarray:
    return np.array([node.dz_mm for node in advice.nodes]).reshape(3, 4)


def test_a_sheet_is_not_written_while_nobody_knows_which_mesh_is_in(
    folder: BedFolder, add_sheet: Callable[[], Round], score: Callable[..., Result]
) -> None:
    assert score(add_sheet(), BUMPS_MM).exit_code == 0
    refused = run(folder, "sheet")
    assert refused.exit_code == 1
    assert "what became of the mesh edits of round 1 is not on record" in said(refused)
    assert f"`padsheet -C {folder.path} mesh FILE`" in said(refused)
    assert "[sheet-unsaid]" in refused.stderr
    forced = run(folder, "sheet", "--force")
    assert forced.exit_code == 0
    assert "Caution: what became of the mesh edits of round 1" in said(forced)


def test_a_word_lets_the_sheet_be_written(
    folder: BedFolder, add_sheet: Callable[[], Round], score: Callable[..., Result]
) -> None:
    assert score(add_sheet(), BUMPS_MM).exit_code == 0
    assert run(folder, "applied", "--no-edits").exit_code == 0
    assert run(folder, "sheet").exit_code == 0


def test_a_mesh_taken_in_lets_the_sheet_be_written_whatever_it_holds(
    folder: BedFolder, add_sheet: Callable[[], Round], score: Callable[..., Result]
) -> None:
    assert score(add_sheet(), BUMPS_MM).exit_code == 0
    same = run(folder, "mesh", "-", "--yes", text=mesh_csv(folder.active_mesh()))
    assert "It is as on the sheet of round 1: none of the edits is in" in said(same)
    assert not folder.round(1).applied_json.exists()
    assert run(folder, "sheet").exit_code == 0


def test_the_bed_is_done_without_claiming_a_mesh(
    folder: BedFolder, add_sheet: Callable[[], Round], score: Callable[..., Result]
) -> None:
    assert "with the mesh 'flat' in force" in score(add_sheet(), BUMPS_MM).stderr
    second = add_sheet()
    result = score(second, np.zeros((3, 4)))
    assert result.exit_code == 0, result.output
    assert "'flat'" not in said(result)
    assert "it is not known which mesh was in force" in said(result)
    assert "1. What became of the mesh edits of round 1 is not on record" in said(result)
    assert folder.mesh_in_force(second) is None
    told = f"`padsheet -C {folder.path} applied --round 1 --force --as-advised`"
    assert told in said(result)
    dz_mm = advised_mm(folder.round(1).read_advice())
    word = run(folder, *"applied --round 1 --force --as-advised".split())
    assert word.exit_code == 0, word.output
    assert "Score the photo of round 2 again" in said(word)
    assert f"score {second.photo(1)} --round 2 --force" in word.stderr
    assert f"padsheet -C {folder.path} sheet" not in word.stderr
    assert folder.mesh_in_force(second).z_mm == pytest.approx(dz_mm)
    again = score(second, BUMPS_MM + dz_mm)
    assert "with the mesh 'round-01-word' in force" in said(again)


def test_no_edits_come_from_a_sheet_of_an_unknown_mesh(
    folder: BedFolder, add_sheet: Callable[[], Round], score: Callable[..., Result]
) -> None:
    assert score(add_sheet(), BUMPS_MM).exit_code == 0
    assert score(add_sheet(), -BUMPS_MM).exit_code == 0
    refused = run(folder, "edits")
    assert refused.exit_code == 1
    assert "[edits-unsaid]" in refused.stderr


def test_a_mesh_read_back_late_belongs_to_the_round_that_advised_it(
    folder: BedFolder, add_sheet: Callable[[], Round], score: Callable[..., Result]
) -> None:
    assert score(add_sheet(), BUMPS_MM).exit_code == 0
    second = add_sheet()
    waiting = run(folder, "edits")
    assert waiting.exit_code == 1
    assert "its sheet is written and waits for its photo" in said(waiting)
    assert f"`padsheet -C {folder.path} edits --round 1`" in said(waiting)
    assert run(folder, "edits", "--round", "1").exit_code == 0
    dz_mm = advised_mm(folder.round(1).read_advice())
    text = "\n".join(" ".join(f"{z:.3f}" for z in row) for row in dz_mm)
    taken = run(folder, "mesh", "-", "--yes", text=text)
    assert taken.exit_code == 0, taken.output
    assert "applied after round 1, before the sheet of the next" in said(taken)
    assert "all as advised" in taken.stderr
    assert "The sheet of round 2 is written. Print it" in said(taken)
    assert folder.round(1).read_applied().on_grid(GRID) == pytest.approx(dz_mm.ravel())
    assert second.read_applied() is None
    assert folder.mesh_in_force(second).z_mm == pytest.approx(dz_mm)
    assert score(second, BUMPS_MM + dz_mm).exit_code == 0
    assert standing(folder, 2).proof.verdict == "in force"


def test_screws_put_on_record_late(
    folder: BedFolder, add_sheet: Callable[[], Round], score: Callable[..., Result]
) -> None:
    bed = Bed(mesh=GRID, screws=SCREWS)
    folder.profile.write_text(profile_text(bed), encoding="utf-8")
    first = add_sheet()
    assert score(first, TILT_MM).exit_code == 0
    assert first.read_advice().work == "screws"
    sheet = run(folder, "sheet")
    assert sheet.exit_code == 0, sheet.output
    assert "The screws of round 1: nothing is on record" in said(sheet)
    second = folder.latest_round()
    assert score(second, BUMPS_MM).exit_code == 0
    assert second.read_advice().work == "mesh"
    late = run(folder, "applied", "--screws")
    assert late.exit_code == 1
    command = "applied --round 1 --screws --force"
    assert f"`padsheet -C {folder.path} {command}`" in said(late)
    word = run(folder, *command.split())
    assert word.exit_code == 0, word.output
    assert f"score {second.photo(1)} --round 2 --force" in word.stderr
    assert "padsheet sheet" not in word.stderr


def test_an_old_round_scored_again_advises_nothing(
    folder: BedFolder, add_sheet: Callable[[], Round], score: Callable[..., Result]
) -> None:
    first = add_sheet()
    assert score(first, BUMPS_MM).exit_code == 0
    assert run(folder, "applied", "--as-advised").exit_code == 0
    dz_mm = advised_mm(first.read_advice())
    again = said(score(first, BUMPS_MM))
    assert "What was done after round 1 is on record already" in again
    assert "edits" not in again.split("What to do now")[1]
    second = add_sheet()
    assert score(second, BUMPS_MM + dz_mm).exit_code == 0
    steps = todo_of(folder, first, first.read_advice())
    assert steps[0].text.startswith("Round 1 is past: do nothing by its advice. The newest is")
    assert ("the bed is done" in steps[0].text) is second.read_advice().done
    (command,) = [command for step in steps for command in step.commands]
    assert command.endswith(f"score {second.photo(1)} --round 2 --force")
    assert "lower the nozzle" not in said(score(first, BUMPS_MM)).split("What to do now")[1]


def test_scores_that_cannot_be_read_do_not_keep_the_next_sheet_back(
    folder: BedFolder, add_sheet: Callable[[], Round], score_of: Callable[..., object]
) -> None:
    round_ = add_sheet()
    told = score_of(GRID, 0.2 + BUMPS_MM)
    text = scores_to_json(told, advise(told, folder.bed(), mesh=folder.active_mesh()))
    round_.scores_json.write_text(text, encoding="utf-8")
    assert round_.edits_unsaid
    round_.scores_json.write_text("{", encoding="utf-8")
    assert not round_.edits_unsaid


def test_a_sheet_of_a_printer_without_a_mesh_claims_none(
    folder: BedFolder, add_sheet: Callable[[], Round], score: Callable[..., Result]
) -> None:
    assert run(folder, "mesh", "--empty").exit_code == 0
    result = said(score(add_sheet(), BUMPS_MM))
    assert "with the mesh: none (empty)." in result
    assert "in force" not in result.partition("What to do now")[0]


def test_an_empty_printer_filled_and_forgotten(
    folder: BedFolder, add_sheet: Callable[[], Round], score: Callable[..., Result]
) -> None:
    """The mesh that the edits begin from is put down by the program, and never read back."""
    for path in folder.meshes.iterdir():
        path.unlink()
    first = folder.next_round()
    first.path.mkdir(parents=True)
    files = make_sheet(folder.bed(), reach_mm=(-0.15, 0.15))
    first.sheet_json.write_text(files.json, encoding="utf-8")
    assert score(first, BUMPS_MM).exit_code == 0
    assert run(folder, "edits", "--empty-mesh").exit_code == 0
    assert folder.active_mesh().name == "round-01-before"
    assert "[sheet-unsaid]" in run(folder, "sheet").stderr
