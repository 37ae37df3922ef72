"""A mesh table read the wrong way round: noticed, named, and corrected without a dead end."""

from __future__ import annotations

import dataclasses
import re
import shlex
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from padsheet.cli.main import main
from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.make import make_sheet
from padsheet.patterns.profile import profile_text
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring.advice import advise
from padsheet.scoring.edits import make_edits
from padsheet.scoring.history import standing
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.scores import scores_to_json

GRID = MeshGrid(columns=5, rows=4, y_min_mm=30, y_max_mm=190)
Z_MM = np.random.default_rng(11).normal(0, 0.1, (4, 5)).round(3)
BUMPS_MM = np.random.default_rng(12).normal(0, 0.06, (4, 5))


def run(folder: Path, *words: str, text: str | None = None) -> Result:
    return CliRunner().invoke(main, ["-C", str(folder), *words], input=text)


def said(result: Result) -> str:
    return " ".join(result.stderr.split())


def table_of(z_mm: np.ndarray) -> str:
    return "\n".join(" ".join(f"{z:+.3f}" for z in row) for row in z_mm)


@pytest.fixture(scope="module")
def a_sheet() -> Sheet:
    return make_sheet(Bed(mesh=GRID), reach_mm=(-0.15, 0.15)).sheet


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = tmp_path / "bed"
    path.mkdir()
    (path / "bed.toml").write_text(profile_text(Bed(mesh=GRID)), encoding="utf-8")
    return path


@pytest.fixture
def paste(tmp_path: Path) -> Callable[[np.ndarray], str]:
    """Write a printer's answer and return its path."""

    def write(z_mm: np.ndarray) -> str:
        path = tmp_path / "answer.txt"
        path.write_text(table_of(z_mm))
        return str(path)

    return write


@pytest.fixture
def add_round(
    folder: Path, a_sheet: Sheet, score_of: Callable[..., object]
) -> Callable[[np.ndarray], Round]:
    """Write a scored round on the mesh that the printer is taken to hold."""

    def add(errors_mm: np.ndarray, *, again: bool = False) -> Round:
        bed_folder = BedFolder(folder)
        round_ = bed_folder.latest_round() if again else bed_folder.next_round()
        if not again:
            held = bed_folder.active_mesh()
            round_.path.mkdir(parents=True)
            sheet = dataclasses.replace(
                a_sheet,
                number=round_.number,
                mesh_active="yes" if held else "unknown",
                mesh_name=held.name if held else None,
            )
            round_.sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")
            round_.photo(1).write_bytes(b"jpg")
        score = score_of(GRID, 0.2 + errors_mm, number=round_.number)
        plate = bed_folder.bed().plate.name
        here = standing(bed_folder, round_.number, score=score)
        advice = advise(
            score,
            bed_folder.bed(),
            mesh=bed_folder.mesh_in_force(round_),
            state=here.state,
            proof=here.proof,
        )
        text = scores_to_json(score, advice, plate=plate, bed_c=60.0)
        round_.scores_json.write_text(text, encoding="utf-8")
        return round_

    return add


def advised_mm(folder: Path) -> np.ndarray:
    advice = BedFolder(folder).latest_round().read_advice()
    return np.array([node.dz_mm for node in advice.nodes]).reshape(4, 5)


def test_the_mesh_on_record_is_corrected_and_nothing_taken_for_applied(
    folder: Path, paste: Callable[..., str], add_round: Callable[..., Round]
) -> None:
    """The first paste was turned over; the proof says so; the way on is the photo at hand."""
    answer = paste(Z_MM[::-1])
    assert run(folder, "mesh", answer, "--yes").exit_code == 0
    round_ = add_round(BUMPS_MM)
    assert run(folder, "edits").exit_code == 0
    profile = (folder / "bed.toml").read_text()
    turned = profile.replace('table_first_row = "front"', 'table_first_row = "back"')
    assert turned != profile
    (folder / "bed.toml").write_text(turned)
    refused = run(folder, "mesh", answer, "--yes")
    assert refused.exit_code == 1
    assert "[mesh-looks-flipped]" in refused.stderr
    assert (
        f"`padsheet -C {folder} mesh {answer} --first-row front --first-column left --yes`"
        in said(refused)
    )
    assert run(folder, "mesh", answer, text="\n").exit_code == 1  # the default is no
    taken = run(folder, "mesh", answer, text="y\n")
    assert taken.exit_code == 0, taken.output
    assert "This corrects how 'mesh' had been read" in said(taken)
    assert "Recorded" not in taken.stderr
    bed_folder = BedFolder(folder)
    assert bed_folder.active_mesh().name == "mesh"
    assert bed_folder.active_mesh().z_mm == pytest.approx(Z_MM)
    assert bed_folder.mesh_in_force(round_).z_mm == pytest.approx(Z_MM)
    assert not round_.applied_json.exists()
    # The edits that were written stand at the wrong points.
    assert not round_.edits_gcode.exists()
    photo = round_.photo(1)
    assert f"padsheet -C {folder} score {photo} --round 1 --force" in taken.stderr
    add_round(BUMPS_MM, again=True)
    assert run(folder, "edits").exit_code == 0


def test_a_mesh_turned_over_after_edits_from_nothing_is_noticed(
    folder: Path, paste: Callable[..., str], add_round: Callable[..., Round]
) -> None:
    add_round(BUMPS_MM)
    assert run(folder, "edits", "--empty-mesh").exit_code == 0
    dz_mm = advised_mm(folder)
    answer = paste(dz_mm[::-1])
    result = run(folder, "mesh", answer, text="\n")
    assert result.exit_code == 1
    assert "what the edits of round 1 were to make of the mesh" in said(result)
    right = f"mesh {answer} --first-row back --first-column left"
    assert said(result).count(f"`padsheet -C {folder} {right}`") == 2
    assert BedFolder(folder).active_mesh().name == "round-01-before"
    taken = run(folder, *shlex.split(right), text="y\n")
    assert taken.exit_code == 0, taken.output
    assert ", all as advised" in taken.stderr


@pytest.mark.parametrize(
    ("turn", "options"),
    [
        (np.s_[:, ::-1], "--first-row front --first-column right"),
        (np.s_[::-1, ::-1], "--first-row back --first-column right"),
    ],
)
def test_the_whole_command_is_named_for_every_turn(
    folder: Path,
    paste: Callable[..., str],
    add_round: Callable[..., Round],
    turn: object,
    options: str,
) -> None:
    assert run(folder, "mesh", paste(Z_MM), "--yes").exit_code == 0
    add_round(BUMPS_MM)
    assert run(folder, "edits").exit_code == 0
    after = Z_MM + advised_mm(folder)
    result = run(folder, "mesh", paste(after[turn]), text="n\n")
    assert re.search(rf"mesh \S+answer\.txt {options}`", said(result))
    again = run(folder, "mesh", paste(after[turn]), *options.split(), text="y\n")
    assert ", all as advised" in again.stderr


def test_what_is_not_as_advised_is_no_reason_to_print(
    folder: Path, paste: Callable[..., str], add_round: Callable[..., Round]
) -> None:
    assert run(folder, "mesh", paste(Z_MM), "--yes").exit_code == 0
    add_round(BUMPS_MM)
    assert run(folder, "edits").exit_code == 0
    after = Z_MM + advised_mm(folder)
    off = after.copy()
    off[2, 2] += 0.05
    told = said(run(folder, "mesh", paste(off), "--yes"))
    assert "not as advised at column 3, row 3. What to do now: 1. Look before you print" in told
    assert "M500" not in told
    # A step more or less is what rounding by hand does.
    off[2, 2] = after[2, 2] + 0.01
    told = said(run(folder, "mesh", paste(off), "--yes"))
    assert "as advised but for 1 point that differs by up to 0.010 mm. What to do now" in told


@pytest.mark.parametrize("scored", [True, False])
def test_a_mistake_taken_for_true_can_be_taken_back_after_the_next_sheet(
    folder: Path, paste: Callable[..., str], add_round: Callable[..., Round], scored: bool
) -> None:
    """Yes was said to a mesh upside down; the next sheet accuses the edits, and clears them."""
    add_round(BUMPS_MM)
    assert run(folder, "edits", "--empty-mesh").exit_code == 0
    dz_mm = advised_mm(folder)
    wrong = run(folder, "mesh", paste(dz_mm[::-1]), text="y\n")
    assert wrong.exit_code == 0, wrong.output
    assert "not as advised" in wrong.stderr
    second = add_round(BUMPS_MM + dz_mm)
    advice = second.read_advice()
    assert advice.work == "withheld"
    text = " ".join(step.text for step in advice.steps)
    assert "rows counted from the other end" in text
    assert "`padsheet mesh FILE --first-row back`" in text
    assert "`padsheet restore --round 1`" in text
    if not scored:
        second.scores_json.unlink()
    taken = run(folder, "mesh", paste(dz_mm[::-1]), "--first-row", "back", "--yes")
    assert taken.exit_code == 0, taken.output
    assert "This corrects how 'mesh' had been read" in said(taken)
    assert "applied after round 1 was reckoned anew" in said(taken)
    applied = BedFolder(folder).round(1).read_applied()
    assert applied.on_grid(GRID) == pytest.approx(dz_mm.ravel())
    assert BedFolder(folder).mesh_in_force(second).z_mm == pytest.approx(dz_mm)
    assert ("sheet --force" in said(taken)) is not scored
    if scored:
        assert f"score {second.photo(1)} --round 2 --force" in taken.stderr
    add_round(BUMPS_MM + dz_mm, again=True)
    assert standing(BedFolder(folder), 2).proof.verdict == "in force"


def test_meshes_read_alike_are_corrected_together(
    folder: Path, paste: Callable[..., str], add_round: Callable[..., Round]
) -> None:
    """Every table was read the wrong way round from the first on, through a round of edits."""
    assert run(folder, "mesh", paste(Z_MM[::-1]), "--yes").exit_code == 0
    add_round(BUMPS_MM)
    first = BedFolder(folder).active_mesh()
    assert run(folder, "edits").exit_code == 0
    made = make_edits(
        BedFolder(folder).latest_round().read_advice().nodes, BedFolder(folder).bed(), first
    )
    assert run(folder, "mesh", paste(made.expected.z_mm), "--yes").exit_code == 0
    second = add_round(BUMPS_MM)
    answer = paste(made.expected.z_mm)
    taken = run(folder, "mesh", answer, "--first-row", "back", "--yes", "--json")
    assert taken.exit_code == 0, taken.output
    assert set(BedFolder(folder).latest_round().path.parent.parent.glob("meshes/*.csv")) == {
        folder / "meshes" / "mesh.csv",
        folder / "meshes" / "mesh-2.csv",
    }
    assert BedFolder(folder).mesh("mesh").z_mm == pytest.approx(first.z_mm[::-1])
    assert BedFolder(folder).mesh_in_force(second).z_mm == pytest.approx(made.expected.z_mm[::-1])
    applied = BedFolder(folder).round(1).read_applied()
    change = (made.expected.z_mm - first.z_mm)[::-1]
    assert applied.on_grid(GRID) == pytest.approx(change.ravel(), abs=1e-6)
    assert taken.stderr.count("--force") == 2  # both rounds are to be scored again


def test_edits_that_were_lost_can_be_written_again(
    folder: Path, paste: Callable[..., str], add_round: Callable[..., Round]
) -> None:
    """The mesh was off, or never saved: what the sheet's advice names is there to be done."""
    assert run(folder, "mesh", paste(Z_MM), "--yes").exit_code == 0
    add_round(BUMPS_MM)
    assert run(folder, "edits").exit_code == 0
    wanted = Z_MM + advised_mm(folder)
    assert ", all as advised" in run(folder, "mesh", paste(wanted), "--yes").stderr
    second = add_round(BUMPS_MM)
    told = " ".join(step.text for step in second.read_advice().steps)
    assert "the mesh was off" in told
    assert "`padsheet edits --since-round 1`" in told
    assert run(folder, "edits").exit_code == 1
    result = run(folder, "edits", "--since-round", "1")
    assert result.exit_code == 0, result.output
    lines = [line.split() for line in result.stdout.splitlines() if line.startswith("M421")]
    assert lines
    for _, i, j, z, *_ in lines:
        assert float(z[1:]) == pytest.approx(wanted[int(j[1:]), int(i[1:])], abs=6e-4)


def printer_after(right_mm: np.ndarray, wrong_mm: np.ndarray, dz_mm: np.ndarray) -> np.ndarray:
    """Return what a printer holds that got whole values reckoned from a mesh read wrongly."""
    return np.where(dz_mm != 0, wrong_mm + dz_mm, right_mm)


def test_edits_on_your_word_are_unsaid_where_their_mesh_was_read_the_wrong_way_round(
    folder: Path, paste: Callable[..., str], add_round: Callable[..., Round]
) -> None:
    """Nobody knows whether the old answer was given again, or what the printer shows now."""
    assert run(folder, "mesh", paste(Z_MM[::-1]), "--yes").exit_code == 0
    round_ = add_round(BUMPS_MM)
    assert run(folder, "edits").exit_code == 0
    dz_mm = advised_mm(folder)
    word = run(folder, "applied", "--as-advised", "--screws", "--offset", "-0.04")
    assert word.exit_code == 0, word.output
    taken = run(folder, "mesh", paste(Z_MM[::-1]), "--first-row", "back", "--yes")
    assert taken.exit_code == 0, taken.output
    assert "That the edits of round 1 are in is no longer on record" in said(taken)
    assert "Let the printer show its mesh now" in said(taken)
    assert f"`padsheet -C {folder} applied --screws --offset -0.04`" in said(taken)
    assert "round-01-word" not in said(taken)
    assert not round_.applied_json.exists()
    assert not round_.edits_gcode.exists()
    refused = run(folder, "sheet")
    assert refused.exit_code == 1
    assert "[sheet-unsaid]" in refused.stderr
    # What the printer then shows is what those edits made of the mesh as it lies.
    held = printer_after(Z_MM, Z_MM[::-1], dz_mm)
    assert BedFolder(folder).mesh("round-01-word").z_mm == pytest.approx(held, abs=1e-6)
    shown = run(folder, "mesh", paste(held), "--first-row", "front", "--yes")
    assert shown.exit_code == 0, shown.output
    applied = round_.read_applied()
    assert applied.how == "meshes"
    assert applied.on_grid(GRID) == pytest.approx((held - Z_MM).ravel(), abs=1e-6)
    assert run(folder, "applied", "--screws", "--offset", "-0.04").exit_code == 0
    assert round_.read_applied().offset_mm == -0.04


@pytest.mark.parametrize("adds", [False, True])
def test_edits_on_your_word_before_a_later_sheet_are_reckoned_anew(
    folder: Path, paste: Callable[..., str], add_round: Callable[..., Round], adds: bool
) -> None:
    """Whole values went to the wrong points; changes went to the right ones."""
    if adds:
        profile = (folder / "bed.toml").read_text()
        other = profile.replace('style = "M421"', 'style = "M421-offset"')
        assert other != profile
        (folder / "bed.toml").write_text(other)
    assert run(folder, "mesh", paste(Z_MM[::-1]), "--yes").exit_code == 0
    add_round(BUMPS_MM)
    dz_mm = advised_mm(folder)
    assert 0 < np.count_nonzero(dz_mm)
    assert run(folder, "applied", "--as-advised").exit_code == 0
    held = Z_MM + dz_mm if adds else printer_after(Z_MM, Z_MM[::-1], dz_mm)
    second = add_round(BUMPS_MM + held - Z_MM)
    assert second.read_sheet().mesh_name == "round-01-word"
    taken = run(folder, "mesh", paste(Z_MM[::-1]), "--first-row", "back", "--yes")
    assert taken.exit_code == 0, taken.output
    assert "applied after round 1 was reckoned anew" in said(taken)
    assert "The edits of round 1 are on record on your word" in said(taken)
    bed_folder = BedFolder(folder)
    applied = bed_folder.round(1).read_applied()
    assert applied.how == "word"
    assert applied.on_grid(GRID) == pytest.approx((held - Z_MM).ravel(), abs=1e-6)
    assert bed_folder.mesh_in_force(second).z_mm == pytest.approx(held, abs=1e-6)
    assert taken.stderr.count("--force") == 2  # both rounds are to be scored again
    again = add_round(BUMPS_MM + held - Z_MM, again=True)
    assert standing(bed_folder, again.number).proof.verdict == "in force"


def test_a_mesh_that_was_reckoned_on_your_word_and_is_then_shown_turned_over(
    folder: Path, paste: Callable[..., str], add_round: Callable[..., Round]
) -> None:
    """The printer holds the advised mesh upside down, which its table shows rightly."""
    assert run(folder, "mesh", paste(np.zeros((4, 5))), "--yes").exit_code == 0
    round_ = add_round(BUMPS_MM)
    dz_mm = advised_mm(folder)
    assert run(folder, "applied", "--as-advised").exit_code == 0
    taken = run(folder, "mesh", paste(dz_mm), "--first-row", "back", "--yes")
    assert taken.exit_code == 0, taken.output
    applied = round_.read_applied()
    assert applied.how == "meshes"
    assert applied.on_grid(GRID) == pytest.approx(dz_mm[::-1].ravel(), abs=1e-6)
    assert BedFolder(folder).active_mesh().z_mm == pytest.approx(dz_mm[::-1])


@pytest.fixture
def second(
    folder: Path, paste: Callable[..., str], add_round: Callable[..., Round]
) -> tuple[np.ndarray, np.ndarray]:
    """Round 1 was edited just as advised, round 2 advises more; its mesh, and what it leads to."""
    assert run(folder, "mesh", paste(Z_MM), "--yes").exit_code == 0
    add_round(BUMPS_MM)
    held = Z_MM + advised_mm(folder)
    assert ", all as advised" in run(folder, "mesh", paste(held), "--yes").stderr
    add_round(BUMPS_MM[::-1] / 2)
    assert run(folder, "edits").exit_code == 0
    return held, held + advised_mm(folder)


def test_a_mesh_as_advised_is_not_rewritten_by_a_later_table(
    folder: Path, paste: Callable[..., str], second: tuple[np.ndarray, np.ndarray]
) -> None:
    """Yes to the edited mesh turned over takes it as it was read; the right table undoes that."""
    held, wanted = second
    before = {r.number: r.read_applied() for r in BedFolder(folder).rounds()}
    wrong = run(folder, "mesh", paste(wanted[::-1]), text="y\n")
    assert wrong.exit_code == 0, wrong.output
    assert "what the edits of round 2 were to make of the mesh" in said(wrong)
    assert "corrects" not in said(wrong)
    assert "not as advised" in said(wrong)
    assert BedFolder(folder).mesh("mesh-2").z_mm == pytest.approx(held)
    assert BedFolder(folder).round(1).read_applied() == before[1]
    right = run(folder, "mesh", paste(wanted), text="\n")
    assert right.exit_code == 0, right.output
    assert "This corrects how 'mesh-3' had been read" in said(right)
    assert "score" not in right.stderr.split("had been read")[1]
    assert "M500" in said(right)
    assert "all as advised" in said(right)
    bed_folder = BedFolder(folder)
    assert bed_folder.active_mesh().z_mm == pytest.approx(wanted)
    assert bed_folder.mesh("mesh-2").z_mm == pytest.approx(held)
    assert bed_folder.round(1).read_applied() == before[1]
    applied = bed_folder.round(2).read_applied()
    assert applied.on_grid(GRID) == pytest.approx((wanted - held).ravel(), abs=1e-6)


def test_the_question_names_all_that_yes_turns_over_and_what_speaks_against_it(
    folder: Path, paste: Callable[..., str], second: tuple[np.ndarray, np.ndarray]
) -> None:
    held, _ = second
    kept = {p.name: p.read_text() for p in (folder / "meshes").glob("*.csv")}
    asked = run(folder, "mesh", paste(held[::-1]), text="\n")
    assert asked.exit_code == 1
    assert "most likely this table, for 'mesh-2' was as advised when it was read back" in said(
        asked
    )
    assert "Yes corrects how 'mesh-2' and 'mesh' were read" in said(asked)
    # Both ways: what a wrong yes turned over is as it was after the right table.
    assert run(folder, "mesh", paste(held[::-1]), text="y\n").exit_code == 0
    assert BedFolder(folder).mesh("mesh").z_mm == pytest.approx(Z_MM[::-1])
    assert run(folder, "mesh", paste(held), text="y\n").exit_code == 0
    assert {p.name: p.read_text() for p in (folder / "meshes").glob("*.csv")} == kept
    applied = BedFolder(folder).round(1).read_applied()
    assert applied.on_grid(GRID) == pytest.approx((held - Z_MM).ravel(), abs=1e-6)


def test_a_sheet_of_the_wrong_mesh_is_to_be_written_afresh_until_it_is(
    folder: Path,
    paste: Callable[..., str],
    add_round: Callable[..., Round],
    second: tuple[np.ndarray, np.ndarray],
) -> None:
    _, wanted = second
    assert run(folder, "mesh", paste(wanted[::-1]), text="y\n").exit_code == 0
    third = add_round(BUMPS_MM)
    third.scores_json.unlink()
    third.photo(1).unlink()
    taken = run(folder, "mesh", paste(wanted), text="y\n")
    assert taken.exit_code == 0, taken.output
    afresh = f"`padsheet -C {folder} sheet --force`"
    assert said(taken).count(afresh) == 1
    assert "is written for these values" not in said(taken)
    late = ("applied", "--offset", "-0.04", "--round", "2")
    for words in (late, ("rounds",), ("sheet",), ("edits",)):
        told = said(run(folder, *words))
        assert "was written with its mesh the wrong way round" in told
        assert "--force" in told
    # One that is printed already counts: its mesh is right by now.
    assert BedFolder(folder).mesh_in_force(third).z_mm == pytest.approx(wanted)
    afresh_now = run(folder, "sheet", "--force")
    assert afresh_now.exit_code == 0, afresh_now.output
    told = said(run(folder, *late, "--force"))
    assert "The sheet of round 3 is written. Print it" in told


def test_a_transposed_table_is_refused_and_what_to_do_named(
    tmp_path: Path, paste: Callable[..., str], score_of: Callable[..., object]
) -> None:
    """Only of a square mesh is it not told by its size; nothing turns it back but another copy."""
    grid = MeshGrid(columns=4, rows=4)
    bed = Bed(mesh=grid)
    folder = tmp_path / "square"
    folder.mkdir()
    (folder / "bed.toml").write_text(profile_text(bed), encoding="utf-8")
    assert run(folder, "mesh", paste(Z_MM[:, :4]), "--yes").exit_code == 0
    round_ = BedFolder(folder).next_round()
    round_.path.mkdir(parents=True)
    sheet = make_sheet(bed, reach_mm=(-0.15, 0.15), mesh_active="yes", mesh_name="mesh").sheet
    round_.sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")
    score = score_of(grid, 0.2 + BUMPS_MM[:, :4], number=1)
    advice = advise(score, bed, mesh=BedFolder(folder).active_mesh())
    round_.scores_json.write_text(scores_to_json(score, advice), encoding="utf-8")
    assert run(folder, "edits").exit_code == 0
    after = Z_MM[:, :4] + np.array([node.dz_mm for node in advice.nodes]).reshape(4, 4)
    for words in ((), ("--yes",), ("--first-row", "front", "--yes")):
        refused = run(folder, "mesh", paste(after.T), *words, text="y\n")
        assert refused.exit_code == 1
        assert "differs from 'mesh' with the edits of round 1 in it by 0.000 mm" in said(refused)
        assert "columns and rows seem to be exchanged in this file" in said(refused)
        assert "Copy the table again" in said(refused)
        assert "--first" not in said(refused)
    assert BedFolder(folder).active_mesh().name == "mesh"
    assert not round_.applied_json.exists()
    assert ", all as advised" in run(folder, "mesh", paste(after), "--yes").stderr
    # Whoever insists has the last word.
    assert run(folder, "mesh", paste(after.T), "--force", text="y\n").exit_code == 0
