"""The commands applied, restore and reset, and edits --since-round."""

from __future__ import annotations

import json
import shlex
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from padsheet.cli.main import main
from padsheet.patterns.bed import Bed, Edits, MeshGrid
from padsheet.patterns.profile import profile_text
from padsheet.scoring.advice import advise
from padsheet.scoring.history import standing
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.recording import record_applied
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json

GRID = MeshGrid(columns=5, rows=4, y_min_mm=30, y_max_mm=190)
Z_MM = np.random.default_rng(11).normal(0, 0.1, (4, 5)).round(3)
GAPS_MM = np.full((4, 5), 0.20)
GAPS_MM[3, 0] = 0.28
GAPS_MM[1, 3] = 0.13


def run(folder: Path, *words: str, text: str | None = None) -> Result:
    return CliRunner().invoke(main, ["-C", str(folder), *words], input=text)


def table(z_mm: np.ndarray) -> str:
    return "\n".join(" ".join(f"{z:+.3f}" for z in row) for row in z_mm)


def add_round(folder: Path, score_of: Callable[..., object], gaps_mm: np.ndarray = GAPS_MM) -> None:
    bed_folder = BedFolder(folder)
    number = bed_folder.next_round().number
    score = score_of(GRID, gaps_mm, number=number)
    advice = advise(score, bed_folder.bed(), mesh=bed_folder.active_mesh())
    path = bed_folder.next_round().path
    path.mkdir(parents=True)
    (path / "scores.json").write_text(scores_to_json(score, advice), encoding="utf-8")


def make_folder(path: Path, score_of: Callable[..., object], **edits: object) -> Path:
    path.mkdir()
    bed = Bed(mesh=GRID, edits=Edits(**edits))
    (path / "bed.toml").write_text(profile_text(bed), encoding="utf-8")
    BedFolder(path).store_mesh(Mesh(grid=GRID, z_mm=Z_MM, name="first", plate=bed.plate.name))
    add_round(path, score_of)
    return path


@pytest.fixture
def scored(tmp_path: Path, score_of: Callable[..., object]) -> Path:
    return make_folder(tmp_path / "bed", score_of)


def held(folder: Path) -> np.ndarray:
    mesh = BedFolder(folder).active_mesh()
    assert mesh is not None
    return mesh.z_mm


def applied(folder: Path, number: int = 1):
    return BedFolder(folder).round(number).read_applied()


def obeyed(lines: str, z_mm: np.ndarray) -> np.ndarray:
    """Return the mesh after lines of M421, read by a reader of the test's own."""
    z_mm = z_mm.copy()
    for line in lines.splitlines():
        words = line.partition(";")[0].split()
        if words and words[0] == "M421":
            i, j = int(words[1][1:]), int(words[2][1:])
            if words[3][0] == "Q":
                z_mm[j, i] += float(words[3][1:])
            else:
                z_mm[j, i] = float(words[3][1:])
    return z_mm


# --- applied --------------------------------------------------------------------------------


def test_edits_on_the_users_word_are_in_history_and_mesh(scored: Path) -> None:
    wanted = obeyed(run(scored, "edits").stdout, Z_MM)
    result = run(scored, "applied", "--as-advised", "--offset", "-0.03")
    assert result.exit_code == 0, result.output
    assert "Recorded after round 1: " in result.stderr
    assert "everywhere lowered 0.03 mm" in result.stderr
    assert held(scored) == pytest.approx(wanted, abs=1e-9)
    record = applied(scored)
    assert record.how == "word"
    assert record.offset_mm == -0.03
    change = record.on_grid(GRID).reshape(4, 5)
    assert Z_MM + change == pytest.approx(wanted, abs=1e-9)


def test_the_word_said_twice_is_as_said_once(scored: Path) -> None:
    assert run(scored, "applied", "--as-advised").exit_code == 0
    once = held(scored)
    assert run(scored, "applied", "--as-advised").exit_code == 0
    assert held(scored) == pytest.approx(once)


def test_a_word_that_is_taken_back_takes_its_mesh_back(scored: Path) -> None:
    before = held(scored)
    assert run(scored, "applied", "--as-advised").exit_code == 0
    assert np.abs(held(scored) - before).max() > 0.01
    assert run(scored, "applied", "--no-edits").exit_code == 0
    assert held(scored) == pytest.approx(before, abs=1e-9)
    assert BedFolder(scored).active_mesh().name == "first"
    assert applied(scored).nodes == ()
    # And said once more it is in again.
    assert run(scored, "applied", "--as-advised").exit_code == 0
    assert np.abs(held(scored) - before).max() > 0.01


def test_a_mesh_read_since_stays_when_a_word_is_taken_back(scored: Path) -> None:
    assert run(scored, "applied", "--as-advised").exit_code == 0
    assert take_in(scored, Z_MM + 0.01, "--force").exit_code == 0
    run(scored, "applied", "--no-edits", "--force")
    assert held(scored) == pytest.approx(Z_MM + 0.01)


def test_screws_end_the_epoch(scored: Path, score_of: Callable[..., object]) -> None:
    result = run(scored, "applied", "--screws", "--no-edits")
    assert result.exit_code == 0, result.output
    assert "screws turned" in result.stderr
    add_round(scored, score_of)
    state = standing(BedFolder(scored), 2).state
    assert (state.epoch, state.rounds, state.reason) == (2, 1, "a bed screw was turned")


def test_screws_and_offset_join_what_was_read_back(scored: Path) -> None:
    folder = BedFolder(scored)
    after = Mesh(grid=GRID, z_mm=Z_MM + 0.02, name="after")
    record_applied(folder.round(1), folder.active_mesh(), after)
    assert run(scored, "applied", "--offset", "-0.02").exit_code == 0
    record = applied(scored)
    assert (record.how, record.before, record.after) == ("meshes", "first", "after")
    assert record.offset_mm == -0.02
    assert len(record.nodes) == 20
    result = run(scored, "applied", "--no-edits")
    assert result.exit_code == 1
    assert "[applied-known]" in result.stderr


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["--screws"], "applied-unsaid"),
        (["--offset", "-40"], "applied-offset"),
        (["--offset", "nan"], "applied-offset"),
        (["--screws", "--round", "7"], "applied-no-scores"),
    ],
)
def test_what_cannot_be_recorded_is_one_sentence(scored: Path, words: list[str], code: str) -> None:
    result = run(scored, "applied", *words)
    assert result.exit_code == 1
    assert f"[{code}]" in result.stderr
    assert applied(scored) is None


def test_the_past_is_not_changed_unasked(scored: Path, score_of: Callable[..., object]) -> None:
    add_round(scored, score_of)
    result = run(scored, "applied", "--no-edits", "--round", "1")
    assert result.exit_code == 1
    assert "[applied-late]" in result.stderr
    assert run(scored, "applied", "--no-edits", "--round", "1", "--force").exit_code == 0


def test_saying_nothing_is_a_wrong_command_line(scored: Path) -> None:
    assert run(scored, "applied").exit_code == 2
    assert run(scored, "applied", "--as-advised", "--no-edits").exit_code == 2


# --- restore and reset ----------------------------------------------------------------------


def take_in(folder: Path, z_mm: np.ndarray, *words: str) -> Result:
    return run(folder, "mesh", "-", "--yes", "--first-row", "front", *words, text=table(z_mm))


@pytest.mark.parametrize("style", ["M421", "M421-offset"])
def test_restore_by_hand(tmp_path: Path, score_of: Callable[..., object], style: str) -> None:
    folder = make_folder(tmp_path / "bed", score_of, style=style)
    edited = obeyed(run(folder, "edits").stdout, Z_MM)
    assert take_in(folder, edited).exit_code == 0
    assert applied(folder).nodes
    result = run(folder, "restore", "--mesh", "first")
    assert result.exit_code == 0, result.output
    said = result.stderr.splitlines()
    assert "back to 'first'" in said[0]
    change = Z_MM - edited
    assert (
        f"2 points change: the nozzle is raised by up to {change.max():.3f} mm and lowered by up "
        f"to {-change.min():.3f} mm"
    ) in " ".join(result.stderr.split())
    assert "M500" not in "\n".join(
        line.partition(";")[0] for line in (folder / "restore.gcode").read_text().splitlines()
    )
    assert obeyed(result.stdout, edited) == pytest.approx(Z_MM, abs=1e-9)
    back = (folder / "restore-back.gcode").read_text()
    assert obeyed(back, Z_MM) == pytest.approx(edited, abs=1e-9)
    # Read back, the record says that nothing is applied any more.
    assert take_in(folder, Z_MM).exit_code == 0
    assert applied(folder).nodes == ()
    assert held(folder) == pytest.approx(Z_MM)


def test_restoring_what_is_there_does_nothing(scored: Path) -> None:
    result = run(scored, "restore")
    assert result.exit_code == 0
    assert "nothing to restore" in result.stderr
    assert not (scored / "restore.gcode").exists()


@pytest.mark.parametrize("style", ["M421", "M421-offset", "table"])
def test_reset_makes_every_point_zero(
    tmp_path: Path, score_of: Callable[..., object], style: str
) -> None:
    folder = make_folder(tmp_path / "bed", score_of, style=style)
    result = run(folder, "reset")
    assert result.exit_code == 0, result.output
    assert result.stderr.startswith("This sets every point of the mesh in the printer to zero")
    if style == "table":
        assert result.stdout.count("+0.000 +0.000 +0.000 +0.000 +0.000") == 4
        return
    assert obeyed(result.stdout, Z_MM) == pytest.approx(np.zeros((4, 5)), abs=1e-9)
    back = (folder / "reset-back.gcode").read_text()
    assert obeyed(back, np.zeros((4, 5))) == pytest.approx(Z_MM, abs=1e-9)


def test_reset_of_an_unknown_mesh(tmp_path: Path, score_of: Callable[..., object]) -> None:
    folder = make_folder(tmp_path / "bed", score_of)
    (folder / "meshes" / "active.txt").unlink()
    (folder / "reset-back.gcode").write_text("M421 I0 J0 Z0.5\n")
    result = run(folder, "reset")
    assert result.exit_code == 0, result.output
    assert obeyed(result.stdout, Z_MM) == pytest.approx(np.zeros((4, 5)))
    # Nobody knows what there was: no word of a change from zero, and no way back to it.
    assert "set to 0.000 at column 1, row 1" in result.stdout
    assert "no way back" in result.stderr
    assert "from 0.000" not in result.stdout
    assert not (folder / "reset-back.gcode").exists()
    other = make_folder(tmp_path / "other", score_of, style="M421-offset")
    (other / "meshes" / "active.txt").unlink()
    for words, code in ((["reset"], "edits-mesh-unknown"), (["restore"], "restore-unknown")):
        result = run(other, *words)
        assert result.exit_code == 1
        assert f"[{code}]" in result.stderr


def test_restore_of_what_never_was(scored: Path) -> None:
    for words, code in (
        (["--mesh", "no-such"], "mesh-none"),
        (["--round", "9"], "restore-none"),
    ):
        result = run(scored, "restore", *words)
        assert result.exit_code == 1
        assert f"[{code}]" in result.stderr
    assert run(scored, "restore", "--mesh", "first", "--round", "1").exit_code == 2


# --- over the port --------------------------------------------------------------------------


def test_reset_and_restore_over_the_port(scored: Path, printer: Callable[..., object]) -> None:
    one = printer()
    result = run(scored, "reset", "--port", one.name_of_port, text="y\nn\n")
    assert result.exit_code == 0, result.output
    assert "never leave it alone" in result.stderr
    assert "Not saved" in result.stderr
    assert held(scored) == pytest.approx(np.zeros((4, 5)))
    assert one.z_mm == pytest.approx(np.zeros((4, 5)))
    assert one.saves == []
    words = ("--mesh", "first", "--port", one.name_of_port, "--yes", "--save")
    result = run(scored, "restore", *words)
    assert result.exit_code == 0, result.output
    assert "Saved." in result.stderr
    assert held(scored) == pytest.approx(Z_MM, abs=1e-6)


def test_reset_declined_sends_nothing(scored: Path, printer: Callable[..., object]) -> None:
    one = printer()
    result = run(scored, "reset", "--port", one.name_of_port, text="n\n")
    assert result.exit_code == 1
    assert "[send-declined]" in result.stderr
    assert held(scored) == pytest.approx(Z_MM)


def test_a_fault_while_resetting_says_what_is_in(
    scored: Path, printer: Callable[..., object]
) -> None:
    one = printer(fault="error", at=4)
    result = run(scored, "reset", "--port", one.name_of_port, "--yes", "--save")
    assert result.exit_code == 1
    assert "Edits" in result.stderr
    assert "Saved." not in result.stderr
    assert held(scored) == pytest.approx(Z_MM)
    assert "takes back" in (scored / "reset-back.gcode").read_text()


# --- edits --since-round --------------------------------------------------------------------


def test_all_changes_since_a_round(scored: Path, score_of: Callable[..., object]) -> None:
    folder = BedFolder(scored)
    edited = obeyed(run(scored, "edits").stdout, Z_MM)
    assert take_in(scored, edited).exit_code == 0
    # Applied already: a printer that fell back to the mesh of the sheet gets them once more.
    again = run(scored, "edits", "--since-round", "1")
    assert again.exit_code == 0, again.output
    assert obeyed(again.stdout, Z_MM) == pytest.approx(edited, abs=1e-9)
    gaps_mm = np.full((4, 5), 0.20)
    gaps_mm[0, 4] = 0.26
    add_round(scored, score_of, gaps_mm)
    newest = obeyed(run(scored, "edits").stdout, edited)
    result = run(scored, "edits", "--since-round", "1", "--json")
    assert result.exit_code == 0, result.output
    lines = "\n".join(edit["line"] for edit in json.loads(result.stdout)["edits"])
    assert obeyed(lines, Z_MM) == pytest.approx(newest, abs=1e-9)
    assert "all changes since the sheet of round 1" in result.stderr
    assert folder.round(2).applied_json.exists() is False


def test_since_round_goes_alone(scored: Path) -> None:
    for option in ("--keep-mean", "--empty-mesh", "--all"):
        assert run(scored, "edits", "--since-round", "1", option).exit_code == 2
    assert run(scored, "edits", "--since-round", "4").exit_code == 1


def test_only_changed_is_the_default(scored: Path) -> None:
    default, changed, every = (
        json.loads(run(scored, "edits", "--json", *words).stdout)["edits"]
        for words in ([], ["--only-changed"], ["--all"])
    )
    assert default == changed
    assert (len(changed), len(every)) == (2, 20)


def test_restore_says_what_no_mesh_takes_back(
    scored: Path, score_of: Callable[..., object]
) -> None:
    assert "Since the sheet" not in run(scored, "restore", "--round", "1").stderr
    assert run(scored, "applied", "--no-edits", "--screws", "--offset", "-0.03").exit_code == 0
    add_round(scored, score_of)
    assert run(scored, "applied", "--no-edits", "--offset", "-0.02").exit_code == 0
    told = " ".join(run(scored, "restore", "--round", "1").stderr.split())
    assert "Since the sheet of round 1 bed screws were turned (after round 1) and the " in told
    assert "common offset was lowered by 0.05 mm" in told
    told = " ".join(run(scored, "restore", "--round", "2").stderr.split())
    assert "Since the sheet of round 2 the common offset was lowered by 0.02 mm" in told


# --- taken in again -------------------------------------------------------------------------


def told_next(folder: Path, stderr: str) -> list[list[str]]:
    """Return the commands that are told as steps."""
    lines = [shlex.split(line) for line in stderr.splitlines() if line.startswith("     padsheet")]
    return [words[words.index(str(folder)) + 1 :] for words in lines]


def taken_in(folder: Path, z_mm: np.ndarray) -> Result:
    result = run(folder, "mesh", "-", "--yes", "--first-row", "front", text=table(z_mm))
    assert result.exit_code == 0, result.output
    assert "Look before you print" not in result.stderr
    return result


@pytest.mark.parametrize("common_mm", [0.0, 0.06])
@pytest.mark.parametrize("way", ["reset", "restore", "restore --mesh other"])
def test_a_mesh_that_was_reset_or_brought_back_is_known_again(
    tmp_path: Path, score_of: Callable[..., object], way: str, common_mm: float
) -> None:
    folder = make_folder(tmp_path / "bed", score_of)
    BedFolder(folder).store_mesh(Mesh(grid=GRID, z_mm=0.5 * Z_MM, name="other"))
    BedFolder(folder).store_mesh(Mesh(grid=GRID, z_mm=Z_MM, name="second"))
    shutil.rmtree(folder / "rounds")
    assert run(folder, "sheet").exit_code == 0
    bed, round_ = BedFolder(folder), BedFolder(folder).round(1)
    score = score_of(GRID, GAPS_MM + common_mm)
    advice = advise(score, bed.bed(), mesh=bed.active_mesh())
    assert (advice.work, advice.set_offset) == ("mesh", common_mm > 0)
    round_.scores_json.write_text(scores_to_json(score, advice), encoding="utf-8")
    after = obeyed(run(folder, "edits").stdout, Z_MM)
    taken_in(folder, after)
    lines = run(folder, *way.split())
    assert told_next(folder, lines.stderr) == [["mesh", "answer.txt"]]
    result = taken_in(folder, obeyed(lines.stdout, after))
    said = " ".join(result.stderr.split())
    known = {
        "reset": f"Every point is zero, as after `padsheet -C {folder} reset`",
        "restore": "This is the mesh 'second' again, as on the sheet of round 1",
        "restore --mesh other": "This is the mesh 'other' again, as after `padsheet",
    }
    assert known[way] in said
    assert "not as advised" not in said
    assert "Save it in the printer, unless this is what it has saved already: send M500." in said
    # What is told works, to the sheet.
    # The offset that was advised may be asked for first: it was not set.
    for words in told_next(folder, result.stderr):
        result = run(folder, *words)
        assert result.exit_code == 0, (words, result.output)
    if words == ["applied", "--offset", "0"]:
        for words in told_next(folder, result.stderr):
            assert run(folder, *words).exit_code == 0, words
    assert round_.read_applied().saved is None
    assert BedFolder(folder).round(2).read_sheet().mesh_name == bed.active_mesh().name


def test_over_a_cable_too_it_says_what_is_next(
    scored: Path, printer: Callable[..., object]
) -> None:
    one = printer(Z_MM)
    result = run(scored, "reset", "--port", one.name_of_port, "--yes", "--save")
    assert result.exit_code == 0, result.output
    said = result.stderr
    assert said.index("Saved.") < said.index("What to do now:")
    for words in told_next(scored, said):
        assert run(scored, *words).exit_code == 0, words
    assert BedFolder(scored).round(2).sheet_json.exists()


def test_the_rounds_name_the_next_sheet_as_the_record_does(scored: Path) -> None:
    recorded = run(scored, "applied", "--as-advised")
    assert recorded.exit_code == 0
    shown = run(scored, "rounds")
    assert shown.exit_code == 0, shown.output
    commands = told_next(scored, recorded.stderr)
    assert [words[0] for words in commands] == ["sheet"]
    assert told_next(scored, shown.stderr) == commands
    assert "Save the mesh in the printer now: send M500." in shown.stderr
