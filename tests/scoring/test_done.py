"""A bed that is done stays done, and is told so, until the record says that it was changed."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from padsheet.cli.main import main
from padsheet.patterns.bed import Bed, MeshGrid, Motion, Screw
from padsheet.patterns.make import make_sheet
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring.advice import advise
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.done import after_self_check, done_round
from padsheet.scoring.mesh import empty_mesh
from padsheet.scoring.proof import Proof
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json

GRID = MeshGrid()


def run(folder: BedFolder, *words: str) -> Result:
    return CliRunner().invoke(main, ["-C", str(folder.path), *words])


def said(result: Result) -> str:
    return " ".join(result.output.split())


@pytest.fixture
def done(tmp_path: Path, score_of: Callable[..., object]) -> BedFolder:
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    folder = BedFolder(tmp_path)
    folder.store_mesh(replace(empty_mesh(GRID), name="held"))
    score = score_of(GRID, np.full(25, 0.201))
    advice = advise(score, folder.bed(), mesh=None)
    assert advice.done
    folder.round(1).path.mkdir(parents=True)
    folder.round(1).scores_json.write_text(scores_to_json(score, advice), encoding="utf-8")
    return folder


def check_round(folder: BedFolder, score_of: Callable[..., object], outcome: str) -> None:
    """Write a scored self-check as round 2."""
    round_ = folder.round(2)
    round_.path.mkdir(parents=True)
    sheet = make_sheet(folder.bed(), reach_mm=(-0.08, 0.08), number=2, self_check=True).sheet
    round_.sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")
    data = json.loads(scores_to_json(score_of(GRID, np.full(25, 0.2), number=2)))
    data["self_check"] = {"outcome": outcome}
    round_.scores_json.write_text(json.dumps(data), encoding="utf-8")


def test_done_until_something_is_changed(done: BedFolder) -> None:
    assert done_round(done, GRID) == done.round(1)
    assert "The bed is done." in said(run(done, "rounds"))
    for change in ({"screws_turned": True}, {"offset_mm": 0.1}, {"nodes": ((0, 0, 0.05),)}):
        applied = Applied(how="word", **({"nodes": ()} | change))
        done.round(1).applied_json.write_text(applied_to_json(applied), encoding="utf-8")
        assert done_round(done, GRID) is None
        told = said(run(done, "rounds"))
        assert "The bed is done." not in told
        assert " sheet" in told.partition("What to do now:")[2]
    nothing = Applied(how="word", nodes=())
    done.round(1).applied_json.write_text(applied_to_json(nothing), encoding="utf-8")
    assert done_round(done, GRID) == done.round(1)


def test_a_bed_with_work_left_or_without_advice_is_not_done(
    done: BedFolder, score_of: Callable[..., object]
) -> None:
    score = score_of(GRID, np.full(25, 0.26))
    for advice in (advise(score, done.bed(), mesh=None), None):
        done.round(1).scores_json.write_text(scores_to_json(score, advice), encoding="utf-8")
        assert done_round(done, GRID) is None


def test_another_sheet_of_a_bed_that_is_done(done: BedFolder) -> None:
    first = run(done, "sheet").stderr.splitlines()[0]
    assert first.startswith("The bed is done, as round 1 found")
    refused = said(run(done, "sheet", "--self-check"))
    assert "--force puts the self-check in its place" in refused
    assert "The bed is done" not in said(run(done, "sheet", "--self-check", "--force"))
    assert done.round(2).read_sheet().self_check


def test_a_self_check_that_passed_leaves_it_done(
    done: BedFolder, score_of: Callable[..., object]
) -> None:
    check_round(done, score_of, "trusted")
    told = said(run(done, "rounds")).partition("What to do now:")[2]
    assert "The bed is done, as round 1 found, and the ruler can be trusted." in told
    assert "start-check" in told
    assert " sheet" not in told


def test_after_a_self_check_saving_and_an_offset_by_hand_are_still_to_be_done(
    done: BedFolder, score_of: Callable[..., object]
) -> None:
    """The last list that is read before one's own prints has all that these need."""
    before = Applied(how="read back", nodes=((0, 0, 0.05),), offset_mm=0.04, offset_style="hand")
    data = done.round(1).scores_json.read_text(encoding="utf-8")
    done.round(1).applied_json.write_text(applied_to_json(before), encoding="utf-8")
    done.round(2).path.mkdir(parents=True)
    done.round(2).scores_json.write_text(data, encoding="utf-8")
    base = f"padsheet -C {done.path}"
    save, offset, own = after_self_check(done, GRID, "trusted", ())
    assert save.text.startswith("The bed is done, as round 2 found, and the ruler can be trusted.")
    assert "If it is not saved yet, save the mesh: send M500." in save.text
    assert "In every print from now on: raise the nozzle by 0.04 mm by hand" in offset.text
    assert "lost it once it is switched off, unless it was saved after that" in offset.text
    assert own.commands == (f"{base} start-check start.gcode",)


@pytest.mark.parametrize("outcome", ["wrong size", "scatter", "unclear"])
def test_a_self_check_that_did_not_pass(
    done: BedFolder, score_of: Callable[..., object], outcome: str
) -> None:
    check_round(done, score_of, outcome)
    told = said(run(done, "rounds")).partition("What to do now:")[2]
    assert "sheet --self-check" in told
    assert "can be trusted, the self-check leaves open" in told
    assert "start-check" not in told


@pytest.mark.parametrize("outcome", ["wrong size", "unclear"])
def test_what_a_self_check_leaves_open_is_told_last_and_nothing_to_do(
    done: BedFolder, outcome: str
) -> None:
    first, again, told = after_self_check(done, GRID, outcome, ("Light the sheet from the side.",))
    assert (first.text, first.fact) == ("Light the sheet from the side.", False)
    assert (again.commands, again.fact) == ((f"padsheet -C {done.path} sheet --self-check",), False)
    assert told.text.startswith("Round 1 found the bed done.")
    assert (told.commands, told.fact) == ((), True)


def test_a_self_check_of_a_bed_not_done(tmp_path: Path) -> None:
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    (step,) = after_self_check(BedFolder(tmp_path), GRID, "trusted", ())
    assert step.commands == (f"padsheet -C {tmp_path} sheet",)


def test_the_mesh_that_is_not_on_record_comes_first(tmp_path: Path) -> None:
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    lines = run(BedFolder(tmp_path), "sheet").stderr.splitlines()
    assert lines[0].startswith("Before you print: which mesh the printer holds is not on record.")
    assert lines[-1].startswith("Next: the mesh, as said first.")


def test_what_one_sheet_cannot_tell_is_not_told_of_a_bed_that_is_done(
    score_of: Callable[..., object],
) -> None:
    unclear = Proof(verdict="unclear", slope=0.0, sigma=9.0, transform="", text="Too small.")
    for gap_mm, told in ((0.201, False), (0.26, True)):
        advice = advise(score_of(GRID, np.full(25, gap_mm)), Bed(), mesh=None, proof=unclear)
        assert advice.done is not told
        assert any(step.text == "Too small." for step in advice.steps) is told


@pytest.mark.parametrize(("step_mm", "doubted"), [(0.0025, True), (0.01, False), (0.04, False)])
def test_a_step_that_must_be_a_microstep_is_doubted(step_mm: float, doubted: bool) -> None:
    notes = make_sheet(Bed(motion=Motion(z_step_mm=step_mm)), reach_mm=(-0.08, 0.08)).notes
    assert any("looks like a microstep" in note for note in notes) is doubted


def test_screws_that_need_no_turning_are_told_of(score_of: Callable[..., object]) -> None:
    gaps = np.full((5, 5), 0.2)
    gaps[2, 2] = 0.28
    corners = ((25, 25), (195, 25), (25, 195))
    screws = tuple(Screw(name=f"s{k}", x_mm=x, y_mm=y) for k, (x, y) in enumerate(corners))
    for turned, told in ((screws, True), ((), False)):
        advice = advise(score_of(GRID, gaps), Bed(screws=turned), mesh=None)
        assert advice.work == "mesh"
        assert any("The bed screws need no turning" in s.text for s in advice.steps) is told


def test_a_mesh_of_equal_values_is_taken_in_unasked(tmp_path: Path) -> None:
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    for name, value, asked in (("zero", "0.000", False), ("bent", "0.010", True)):
        rows = [["+0.000"] * 5 for _ in range(4)] + [[f"+{value}"] * 5]
        (tmp_path / name).write_text("\n".join(" ".join(row) for row in rows))
        result = run(BedFolder(tmp_path), "mesh", str(tmp_path / name))
        assert ("Is this how the bed lies" in result.output) is asked
