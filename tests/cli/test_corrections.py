"""The commands mesh, edits, send and start-check, from a scored round to a saved mesh."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from padsheet.cli.main import main
from padsheet.patterns.bed import Bed, Edits, MeshGrid
from padsheet.patterns.profile import profile_text
from padsheet.scoring.advice import advise
from padsheet.scoring.edit_proof import StyleProof
from padsheet.scoring.kept_proof import write_proof
from padsheet.scoring.mesh import Mesh, mesh_csv
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json
from padsheet.scoring.todo import todo_of

GRID = MeshGrid(columns=5, rows=4, y_min_mm=30, y_max_mm=190)
Z_MM = np.random.default_rng(11).normal(0, 0.1, (4, 5)).round(3)
TABLE = "\n".join(" ".join(f"{z:+.3f}" for z in row) for row in Z_MM)
# The bed is right but for one corner, where the nozzle is 0.08 mm too far, and a near one.
GAPS_MM = np.full((4, 5), 0.20)
GAPS_MM[3, 0] = 0.28
GAPS_MM[1, 3] = 0.13


def run(folder: Path, *words: str, text: str | bytes | None = None) -> Result:
    return CliRunner().invoke(main, ["-C", str(folder), *words], input=text)


def bed_with(**edits: object) -> Bed:
    return Bed(mesh=GRID, edits=Edits(**edits))


def write_bed(path: Path, bed: Bed) -> Path:
    path.mkdir(exist_ok=True)
    (path / "bed.toml").write_text(profile_text(bed), encoding="utf-8")
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_bed(tmp_path / "bed", bed_with())


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "answer.txt"
    path.write_text(TABLE)
    return path


@pytest.fixture
def scored(folder: Path, table: Path, score_of: Callable[..., object]) -> Path:
    """Return a folder with its mesh taken in and one scored round."""
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    add_round(folder, score_of)
    return folder


def add_round(
    folder: Path,
    score_of: Callable[..., object],
    gaps_mm: np.ndarray = GAPS_MM,
    *,
    of_sheet: bool = False,
) -> None:
    """Store scores in a round of their own, or in that whose sheet is written."""
    bed_folder = BedFolder(folder)
    score = score_of(GRID, gaps_mm)
    advice = advise(score, bed_folder.bed(), mesh=bed_folder.active_mesh())
    path = (bed_folder.latest_round() if of_sheet else bed_folder.next_round()).path
    path.mkdir(parents=True, exist_ok=of_sheet)
    (path / "scores.json").write_text(scores_to_json(score, advice), encoding="utf-8")


def test_mesh_is_shown_and_taken_in(folder: Path, table: Path) -> None:
    result = run(folder, "mesh", str(table), "--bed-temp", "60", "--plate", "smooth", text="y\n")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0].strip() == "back"
    assert f"{Z_MM[3, 0]:+.3f}" in lines[1]
    assert lines[6].strip() == "front"
    mesh = BedFolder(folder).active_mesh()
    assert mesh is not None
    assert mesh.z_mm == pytest.approx(Z_MM)
    assert (mesh.name, mesh.bed_c, mesh.plate) == ("mesh", 60.0, "smooth")
    assert mesh.taken


def test_mesh_from_standard_input_needs_a_word(folder: Path) -> None:
    refused = run(folder, "mesh", "-", text=TABLE)
    assert refused.exit_code == 1
    assert "mesh-unconfirmed" in refused.stderr
    assert BedFolder(folder).active_mesh() is None
    taken = run(folder, "mesh", "-", "--first-row", "back", "--yes", "--json", text=TABLE)
    assert taken.exit_code == 0, taken.output
    data = json.loads(taken.stdout)
    assert data["z_mm"] == Z_MM[::-1].tolist()


def test_mesh_declined_is_not_taken_in(folder: Path, table: Path) -> None:
    result = run(folder, "mesh", str(table), text="n\n")
    assert result.exit_code == 1
    assert "mesh-declined" in result.stderr
    assert not (folder / "meshes").exists()
    # Either, not both: both together turn the bed by half a turn.
    said = " ".join(result.stderr.split())
    one, other = f"mesh {table} --first-row back`", f"mesh {table} --first-column right`"
    assert (
        f"padsheet -C {folder} {one}. Or if left and right are: `padsheet -C {folder} {other}"
        in said
    )


def test_an_answer_that_is_neither_yes_nor_no_is_asked_again(folder: Path, table: Path) -> None:
    result = run(folder, "mesh", str(table), text="maybe\nY\n")
    assert result.exit_code == 0, result.output
    assert "Answer y for yes or n for no." in result.stderr
    assert "invalid input" not in result.stderr
    assert BedFolder(folder).active_mesh() is not None


def test_breaking_off_at_the_map_says_that_nothing_was_written(folder: Path, table: Path) -> None:
    result = run(folder, "mesh", str(table), text="")
    assert result.exit_code == 1
    assert result.stderr.endswith("\nBroken off: nothing was written.\n")
    assert not (folder / "meshes").exists()


def test_a_mesh_turned_over_is_not_taken_on_yes_alone(folder: Path, table: Path) -> None:
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    turned = "\n".join(reversed(TABLE.splitlines()))
    refused = run(folder, "mesh", "-", "--yes", text=turned)
    assert refused.exit_code == 1
    assert "front and back exchanged" in refused.stderr
    assert "mesh-looks-flipped" in refused.stderr
    told = run(folder, "mesh", "-", "--yes", "--first-row", "back", text=turned)
    assert told.exit_code == 0, told.output
    mesh = BedFolder(folder).active_mesh()
    assert mesh is not None
    assert mesh.z_mm == pytest.approx(Z_MM)
    assert mesh.name == "mesh-2"


@pytest.mark.parametrize(
    ("text", "code"),
    [
        (b"ok\n", "mesh-no-table"),
        (b"Bed Leveling Off\n", "mesh-no-table"),
        (b"0.1 0.2\n", "mesh-size"),
        (b"\x00\xff\xfe" * 50, "mesh-no-table"),
        (b"0.1 " * 400_000, "mesh-too-long"),
    ],
)
def test_what_is_no_mesh_is_one_sentence(folder: Path, text: bytes, code: str) -> None:
    result = run(folder, "mesh", "-", "--yes", text=text)
    assert result.exit_code == 1
    assert f"[{code}]" in result.stderr
    assert "Traceback" not in result.output
    # A printer without a mesh is no dead end.
    assert (f"`padsheet -C {folder} mesh --empty`" in result.stderr) is (code == "mesh-no-table")


def test_edits_are_written_with_the_way_back(scored: Path) -> None:
    result = run(scored, "edits")
    assert result.exit_code == 0, result.output
    round_ = BedFolder(scored).latest_round()
    assert round_ is not None
    text = round_.edits_gcode.read_text()
    assert text == result.stdout
    assert "M421 I0 J3 Z" in text
    assert "; lower by 0." in text
    assert "; raise by 0." in text
    back = round_.restore_gcode.read_text()
    assert f"M421 I0 J3 Z{Z_MM[3, 0]:.3f}" in back
    assert "edits --prove" in result.stderr
    data = json.loads(run(scored, "edits", "--json").stdout)
    (corner,) = [edit for edit in data["edits"] if (edit["i"], edit["j"]) == (0, 3)]
    assert corner["dz_mm"] < 0
    assert corner["new_mm"] == pytest.approx(Z_MM[3, 0] + corner["dz_mm"])


def test_edits_of_nothing_say_so(folder: Path) -> None:
    result = run(folder, "edits")
    assert result.exit_code == 1
    assert "edits-no-scores" in result.stderr


def test_edits_without_the_mesh_are_refused(folder: Path, score_of: Callable[..., object]) -> None:
    add_round(folder, score_of)
    result = run(folder, "edits")
    assert result.exit_code == 1
    assert "edits-mesh-unknown" in result.stderr
    assert f"`padsheet -C {folder} mesh FILE`" in result.stderr
    # A printer that holds none has nothing to compare before and after: no dead end, but a word.
    proof = run(folder, "edits", "--prove")
    assert proof.exit_code == 1
    assert f"`padsheet -C {folder} mesh --empty`" in proof.stderr
    written = run(folder, "edits", "--empty-mesh")
    assert written.exit_code == 0, written.output
    assert "edits --prove" not in written.stderr
    assert "compare what it shows" in " ".join(written.stderr.split())
    assert sum(line.startswith("M421") for line in written.stdout.splitlines()) == 20


def test_the_proof_by_hand(scored: Path, tmp_path: Path) -> None:
    shown = run(scored, "edits", "--prove")
    assert shown.exit_code == 0, shown.output
    (line,) = [line for line in shown.stdout.splitlines() if line.startswith("M421")]
    assert shown.stdout.startswith("; 1 mesh edit, style M421\n")
    assert "M500" not in shown.stdout
    i, j = int(line.split()[1][1:]), int(line.split()[2][1:])
    good, bad = Z_MM.copy(), Z_MM.copy()
    good[j, i] += 0.02
    bad[3 - j, i] = Z_MM[j, i] + 0.02

    def answer(z_mm: np.ndarray) -> str:
        return "\n".join(" ".join(f"{z:.3f}" for z in row) for row in z_mm)

    wrong = run(scored, "edits", "--proved", "-", text=answer(bad))
    assert wrong.exit_code == 1
    assert "Front and back are exchanged" in wrong.stdout
    # Nothing is written after it, unless forced; the reason and the remedy are told again.
    refused = run(scored, "edits")
    assert refused.exit_code == 1
    assert "failed its proof on this printer: " in " ".join(refused.stderr.split())
    assert "[proof-" in refused.stderr
    assert "edits --prove" in refused.stderr
    assert not (scored / "rounds" / "01" / "edits.gcode").exists()
    assert run(scored, "edits", "--force").exit_code == 0
    right = run(scored, "edits", "--proved", "-", "--json", text=answer(good))
    assert right.exit_code == 0, right.output
    assert json.loads(right.stdout)["kind"] == "ok"
    assert "edits --prove" not in run(scored, "edits").stderr
    # Another style is another proof.
    write_bed(scored, bed_with(style="M421-offset"))
    assert "edits --prove" in run(scored, "edits").stderr


def test_the_proof_is_asked_for_before_the_edits_are_shown(scored: Path) -> None:
    output = run(scored, "edits").output
    assert output.index("First prove the edit style") < output.index("M421 I")


def steps_of(text: str) -> list[str]:
    """Return what stands behind the numbers, each step on one line."""
    told = " ".join(text.partition("What to do now:")[2].split())
    return [part.strip() for part in re.split(r"(?:^| )\d\. ", told) if part.strip()]


def test_edits_are_followed_by_what_to_do_in_order(
    tmp_path: Path, table: Path, score_of: Callable[..., object]
) -> None:
    """What is only to be known stands before the steps, and each step names its command."""
    bed = bed_with(offset_style="M290")
    folder = write_bed(tmp_path / "steps", bed)
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    add_round(folder, score_of, GAPS_MM + 0.05)
    result = run(folder, "edits", "--keep-mean")
    assert result.exit_code == 0, result.output
    assert result.stderr.index("Wrote ") < result.stderr.index("What to do now:")
    prove, send, offset, record, sheet = steps_of(result.stderr)
    base = f"padsheet -C {folder}"
    assert f"{base} edits --prove {base} edits --proved answer.txt" in prove
    assert f"Send these edits. {base} send --port PORT --keep-mean Or without" in send
    assert send.endswith(f"{base} mesh answer-after.txt")
    assert offset.startswith("Common offset: ")
    assert "M290 Z-0.0" in offset
    assert record.endswith(f"{base} applied --offset -0.05")
    assert sheet.startswith(f"Print the next sheet. {base} sheet")
    # All changes since a round cannot be sent over a cable by one command.
    since = steps_of(run(folder, "edits", "--since-round", "1", "--force").stderr)
    assert since[1].startswith("Give the printer the lines of edits.gcode")
    assert not any("send --port" in step for step in since)


def test_without_edits_the_rest_is_told_as_steps_and_facts(
    tmp_path: Path, table: Path, score_of: Callable[..., object]
) -> None:
    folder = write_bed(tmp_path / "offset", bed_with(offset_style="M290"))
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    add_round(folder, score_of, np.full((4, 5), 0.26))
    assert BedFolder(folder).latest_round().read_advice().work == "offset"
    result = run(folder, "edits")
    assert result.exit_code == 0, result.output
    assert "No mesh point is to be changed now. What to do now:" in " ".join(result.stderr.split())
    steps = steps_of(result.stderr)
    (offset,) = (step for step in steps if step.startswith("Common offset"))
    assert "M290 Z-0.06" in offset
    # The way to these lines is not told to whoever has just gone it.
    assert not any(step.endswith(" edits") for step in steps)
    assert any(" applied --offset -0.06" in step for step in steps)


def test_the_steps_of_a_proof_are_numbered(scored: Path) -> None:
    give, judge, back = steps_of(run(scored, "edits", "--prove").stderr)
    assert "do not save" in give
    assert judge.endswith(f"padsheet -C {scored} edits --proved answer.txt")
    assert back.startswith("Take the edit back. M421 I")


def with_proof_edit(folder: Path) -> str:
    """Write the proof's edit, and return the mesh that a printer shows after it."""
    shown = run(folder, "edits", "--prove")
    (line,) = [line for line in shown.stdout.splitlines() if line.startswith("M421")]
    i, j = int(line.split()[1][1:]), int(line.split()[2][1:])
    after = Z_MM.copy()
    after[j, i] += 0.02
    return "\n".join(" ".join(f"{z:.3f}" for z in row) for row in after)


def test_the_proofs_answer_is_no_mesh_to_take_in(scored: Path) -> None:
    """It would go on record as the round's edits, one point not as advised."""
    answer, folder = with_proof_edit(scored), BedFolder(scored)
    before = folder.active_mesh()
    refused = run(scored, "mesh", "-", "--yes", text=answer)
    assert refused.exit_code == 1
    told = " ".join(refused.stderr.split())
    assert "the small edit of the proof in it: +0.020 mm at column" in told
    assert "edits --proved -" in told
    assert "[mesh-proof]" in told
    assert folder.active_mesh().name == before.name
    assert folder.latest_round().read_applied() is None
    # Judged, it is still not taken in: the edit has to be taken back first.
    proved = run(scored, "edits", "--proved", "-", text=answer)
    back, then = steps_of(proved.stderr)
    assert back.startswith("Take the edit back. M421 I")
    assert then == f"Write the edits. padsheet -C {scored} edits"
    again = run(scored, "mesh", "-", "--yes", text=answer)
    assert again.exit_code == 1
    assert "take the edit back (M421 I" in " ".join(again.stderr.split())
    assert run(scored, "mesh", "-", "--yes", "--force", text=answer).exit_code == 0


def test_a_mesh_without_the_proofs_edit_is_taken_in_though_a_proof_was_written(
    scored: Path,
) -> None:
    with_proof_edit(scored)
    for changed in (0, 2):
        z_mm = Z_MM.copy()
        z_mm.ravel()[:changed] += 0.02
        text = "\n".join(" ".join(f"{z:.3f}" for z in row) for row in z_mm)
        result = run(scored, "mesh", "-", "--yes", text=text)
        assert result.exit_code == 0, result.output


def test_prove_and_proved_exclude_each_other(scored: Path, table: Path) -> None:
    assert run(scored, "edits", "--prove", "--proved", str(table)).exit_code == 2


def test_the_mesh_read_back_records_what_was_applied(scored: Path) -> None:
    assert run(scored, "edits").exit_code == 0
    round_ = BedFolder(scored).latest_round()
    assert round_ is not None
    after = Z_MM.copy()
    after[3, 0] -= 0.05
    text = "\n".join(" ".join(f"{z:.3f}" for z in row) for row in after)
    result = run(scored, "mesh", "-", "--yes", text=text)
    assert result.exit_code == 0, result.output
    assert "1 point differs from 'mesh'; not as advised at column" in result.stderr
    applied = round_.read_applied()
    assert applied is not None
    assert applied.nodes == ((0, 3, pytest.approx(-0.05)),)
    assert (applied.before, applied.after) == ("mesh", "mesh-2")
    again = run(scored, "edits")
    assert again.exit_code == 0, again.output
    assert "on record, but not as advised" in again.stderr


@pytest.mark.parametrize(
    ("shift_mm", "word"), [(0.0, ", all as advised."), (0.01, "'mesh'. What to")]
)
def test_the_mesh_read_back_is_compared_with_the_advice(
    scored: Path, shift_mm: float, word: str
) -> None:
    assert run(scored, "edits").exit_code == 0
    advice = BedFolder(scored).latest_round().read_advice()
    after = Z_MM + np.array([node.dz_mm for node in advice.nodes]).reshape(Z_MM.shape) + shift_mm
    text = "\n".join(" ".join(f"{z:.3f}" for z in row) for row in after)
    result = run(scored, "mesh", "-", "--yes", text=text)
    assert result.exit_code == 0, result.output
    assert word in result.stderr
    # Nothing else saves what was done by hand.
    assert "1. Save the mesh in the printer now: send M500." in result.stderr
    assert result.stderr.index("M500") < result.stderr.index("sheet --reach fine")


def test_a_mesh_taken_in_for_edits_that_wait_leads_to_them(
    folder: Path, table: Path, score_of: Callable[..., object]
) -> None:
    add_round(folder, score_of)
    told = run(folder, "mesh", str(table), "--yes").stderr
    assert f"Next: `padsheet -C {folder} edits`" in told


@pytest.mark.parametrize(
    ("text", "status", "word"),
    [
        ("G28\nM420 S1\n", 0, "is in force"),
        ("M420 S1\nG28\n", 1, "NOT in force"),
        ("", 1, "start-empty"),
    ],
)
def test_start_check(folder: Path, text: str, status: int, word: str) -> None:
    result = run(folder, "start-check", "-", text=text)
    assert result.exit_code == status
    assert word in result.output
    assert "Traceback" not in result.output


def test_start_check_shows_the_change_and_leaves_the_file(folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "start.gcode"
    path.write_text("M420 S1\nG28\n")
    result = run(folder, "start-check", str(path))
    assert "-M420 S1" in result.stdout
    assert "+M420 S1 ; mesh on, after homing" in result.stdout
    assert path.read_text() == "M420 S1\nG28\n"
    data = json.loads(run(folder, "start-check", str(path), "--json").stdout)
    assert data["ok"] is False
    assert data["corrected"].startswith("G28")


def test_start_check_works_outside_a_bed_folder(tmp_path: Path) -> None:
    assert run(tmp_path, "start-check", "-", text="G28\nM420 S1\n").exit_code == 0


# --- send -----------------------------------------------------------------------------------


def test_send_proves_sends_compares_records_and_saves(
    scored: Path, printer: Callable[..., object]
) -> None:
    one = printer()
    result = run(scored, "send", "--port", one.name_of_port, text="y\ny\n")
    assert result.exit_code == 0, result.output
    assert "never leave it alone" in result.stderr
    assert "Proved:" in result.stderr
    assert "Saving stores every other change" in result.stderr
    folder = BedFolder(scored)
    after = folder.active_mesh()
    round_ = folder.latest_round()
    assert after is not None
    assert round_ is not None
    assert len(one.saves) == 1
    assert one.saves[0] == pytest.approx(after.z_mm, abs=1e-6)
    assert after.z_mm[3, 0] < Z_MM[3, 0]
    applied = round_.read_applied()
    assert applied is not None
    assert applied.before == "mesh"
    assert {(i, j): dz for i, j, dz in applied.nodes}[0, 3] == pytest.approx(
        after.z_mm[3, 0] - Z_MM[3, 0]
    )
    assert one.forbidden == []
    assert f"Z{Z_MM[3, 0]:.3f}" in round_.restore_gcode.read_text()
    assert result.stderr.index("Saved.") < result.stderr.index("What to do now:")
    (sheet,) = steps_of(result.stderr)
    assert sheet.startswith(f"Print the next sheet. padsheet -C {scored} sheet")


@pytest.mark.parametrize("save", [False, True])
def test_after_sending_the_offset_comes_before_the_next_sheet(
    tmp_path: Path,
    table: Path,
    score_of: Callable[..., object],
    printer: Callable[..., object],
    save: bool,
) -> None:
    folder = write_bed(tmp_path / "offset", bed_with(offset_style="M290"))
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    add_round(folder, score_of, GAPS_MM + 0.05)
    words = ["send", "--port", printer().name_of_port, "--yes", *(["--save"] if save else [])]
    result = run(folder, *words, text="n\n")
    assert result.exit_code == 0, result.output
    assert "Not sent, as it is yours to do: common offset" in result.stderr
    steps = steps_of(result.stderr)
    assert steps[0].startswith("Save the mesh in the printer now") is not save
    offset, record, sheet = steps[-3:]
    assert "Lower the nozzle everywhere by 0.05 mm" in offset
    assert "applied --offset -0.05" in record
    assert sheet.startswith("Print the next sheet.")


def test_a_mesh_may_have_any_name_and_is_proved_all_the_same(
    folder: Path, table: Path, score_of: Callable[..., object], printer: Callable[..., object]
) -> None:
    """The word that stands for a printer without a mesh is a name like any other."""
    assert run(folder, "mesh", str(table), "--yes", "--name", "empty").exit_code == 0
    add_round(folder, score_of)
    one = printer()
    result = run(folder, "send", "--port", one.name_of_port, "--yes", "--save")
    assert result.exit_code == 0, result.output
    assert "Proved:" in result.stderr
    assert BedFolder(folder).latest_round().read_applied().before == "empty"


def test_send_saves_only_when_told(scored: Path, printer: Callable[..., object]) -> None:
    one = printer()
    result = run(scored, "send", "--port", one.name_of_port, "--yes", text="n\n")
    assert result.exit_code == 0, result.output
    assert one.saves == []
    assert "To save: M500" in result.stderr


@pytest.mark.parametrize("switched_off", [False, True])
def test_edits_that_were_not_saved_are_saved_by_sending_again(
    scored: Path, printer: Callable[..., object], switched_off: bool
) -> None:
    one = printer()
    assert run(scored, "send", "--port", one.name_of_port, "--yes", text="n\n").exit_code == 0
    assert one.saves == []
    told = run(scored, "edits")
    assert told.exit_code == 1
    assert "not that the printer has saved it" in told.stderr
    assert "M500" in told.stderr
    after = printer() if switched_off else one  # a new one has the mesh from before the edits
    again = run(scored, "send", "--port", after.name_of_port, "--yes", "--save")
    assert again.exit_code == 0, again.output
    assert ("switched off unsaved" in again.stderr) is switched_off
    (kept,) = after.saves
    held = BedFolder(scored).active_mesh()
    assert held is not None
    assert kept == pytest.approx(held.z_mm, abs=1e-6)
    assert kept[3, 0] < Z_MM[3, 0] - 0.02
    third = run(scored, "send", "--port", after.name_of_port, "--yes", "--save")
    assert third.exit_code == 1
    assert "[edits-applied]" in third.stderr
    assert "not that the printer" not in third.stderr
    assert len(after.saves) == 1


def test_a_mesh_that_nobody_knows_is_not_saved_for_the_recorded_one(
    scored: Path, printer: Callable[..., object]
) -> None:
    one = printer()
    assert run(scored, "send", "--port", one.name_of_port, "--yes", text="n\n").exit_code == 0
    other = printer(Z_MM + 0.1)
    again = run(scored, "send", "--port", other.name_of_port, "--yes", "--save")
    assert again.exit_code == 1
    assert "[send-other-mesh]" in again.stderr
    assert other.saves == []
    assert not any(line.startswith("M421") for line in other.heard)


def test_send_declined_sends_nothing(scored: Path, printer: Callable[..., object]) -> None:
    one = printer()
    result = run(scored, "send", "--port", one.name_of_port, text="n\n")
    assert result.exit_code == 1
    assert one.heard == []


@pytest.mark.parametrize("twist", ["flipped-rows", "one-based", "swap", "deaf"])
def test_send_stops_at_a_proof_that_fails(
    scored: Path, printer: Callable[..., object], twist: str
) -> None:
    one = printer(twist=twist)
    result = run(scored, "send", "--port", one.name_of_port, "--yes", "--save")
    assert result.exit_code == 1
    assert "[proof-" in result.stderr
    assert one.saves == []
    assert sum(line.startswith("M421") for line in one.heard) == 1
    round_ = BedFolder(scored).latest_round()
    assert round_ is not None
    assert not round_.applied_json.exists()


@pytest.mark.parametrize("at", [0, 1, 2, 3, 4, 5, 6, 7, 8])
@pytest.mark.parametrize("fault", ["drop-ok", "error", "close", "restart"])
def test_send_with_a_fault_never_saves(
    scored: Path, printer: Callable[..., object], fault: str, at: int
) -> None:
    one = printer(fault=fault, at=at)
    result = run(scored, "send", "--port", one.name_of_port, "--yes", "--save")
    assert "Traceback" not in result.output
    if at == 0 and fault != "close":
        # Numbering is agreed on twice; a fault the first time does no harm, or stops the link.
        assert result.exit_code in (0, 1)
        return
    assert result.exit_code == 1
    assert result.stderr.rstrip().endswith("]")
    assert one.saves == []


def test_a_broken_sending_leaves_the_right_way_back(
    scored: Path, printer: Callable[..., object]
) -> None:
    assert run(scored, "edits").exit_code == 0
    one = printer(fault="drop-ok", at=7)
    result = run(scored, "send", "--port", one.name_of_port, "--yes", "--save")
    assert result.exit_code == 1
    assert "Edits in the printer: " in result.stderr
    round_ = BedFolder(scored).latest_round()
    assert round_ is not None
    z_mm = one.z_mm.copy()
    assert np.abs(z_mm - Z_MM).max() > 0.01
    for line in round_.restore_gcode.read_text().splitlines():
        if line.startswith("M421"):
            _, i, j, z, *_ = line.split()
            z_mm[int(j[1:]), int(i[1:])] = float(z[1:])
    assert z_mm == pytest.approx(Z_MM, abs=1e-6)


def test_send_fills_an_empty_printer(
    folder: Path, score_of: Callable[..., object], printer: Callable[..., object]
) -> None:
    add_round(folder, score_of)
    one = printer(np.zeros((4, 5)), mesh=False)
    result = run(folder, "send", "--port", one.name_of_port, "--empty-mesh", "--yes", "--save")
    assert result.exit_code == 0, result.output
    assert len(one.saves) == 1
    applied = BedFolder(folder).latest_round().read_applied()
    assert applied.before == "round-01-before"


def test_an_empty_printer_filled_by_hand_is_on_record_and_not_filled_twice(
    folder: Path, score_of: Callable[..., object]
) -> None:
    add_round(folder, score_of)
    lines = run(folder, "edits", "--empty-mesh").stdout.splitlines()
    wanted = np.zeros((4, 5))
    for line in lines:
        if line.startswith("M421"):
            i, j, z = line.split()[1:4]
            wanted[int(j[1:]), int(i[1:])] = float(z[1:])
    assert wanted.any()
    # Until the mesh is read back, the same edits are made, whether it is said again or not.
    for words in (["--empty-mesh"], ["--all"]):
        again = [
            line.split(";")[0].strip() for line in run(folder, "edits", *words).stdout.splitlines()
        ]
        assert {line for line in again if line} >= {
            line.split(";")[0].strip() for line in lines if line.startswith("M421")
        }
    text = "\n".join(" ".join(f"{z:.3f}" for z in row) for row in wanted)
    assert "all as advised" in run(folder, "mesh", "-", "--yes", text=text).stderr
    record = BedFolder(folder).latest_round().read_applied()
    assert record.on_grid(GRID) == pytest.approx(wanted.ravel())
    for words in ([], ["--empty-mesh"]):
        refused = run(folder, "edits", *words)
        assert refused.exit_code == 1
        assert "edits-applied" in refused.stderr


def test_an_offset_set_by_hand_is_not_forgotten(
    tmp_path: Path, table: Path, score_of: Callable[..., object]
) -> None:
    """It has to be set in the next sheet too, or that one is off by it."""
    folder = write_bed(tmp_path / "by hand", bed_with(offset_style="hand"))
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    add_round(folder, score_of, GAPS_MM + 0.05)
    round_ = BedFolder(folder).latest_round()
    advice = round_.read_advice()
    assert advice.set_offset
    assert run(folder, "edits").exit_code == 0
    after = Z_MM + np.array([node.dz_mm for node in advice.nodes]).reshape(Z_MM.shape)
    text = "\n".join(" ".join(f"{z:.3f}" for z in row) for row in after)
    told = run(folder, "mesh", "-", "--yes", text=text).stderr
    assert "Lower the nozzle everywhere by 0.05 mm by hand at the start of each print" in told
    record = f"applied --offset {advice.offset_mm:.2f}"
    assert told.index("M500") < told.index("Lower the nozzle everywhere") < told.index(record)
    result = run(folder, *record.split())
    assert result.exit_code == 0, result.output
    sheet = " ".join(run(folder, "sheet").stderr.split())
    assert "in this print too: lower the nozzle by 0.05 mm by hand as it starts" in sheet
    # The second is told as a further one, with what that makes in all.
    add_round(folder, score_of, GAPS_MM + 0.05)
    second = " ".join(run(folder, "edits", "--force").stderr.split())
    assert (
        "set lower by 0.10 mm in all from now on, in place of lower by 0.05 mm as on record"
        in second
    )


def test_an_offset_on_record_after_the_sheet_was_written_is_told_all_the_same(
    tmp_path: Path, table: Path, score_of: Callable[..., object]
) -> None:
    folder = write_bed(tmp_path / "late", bed_with(offset_style="hand"))
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    add_round(folder, score_of, np.full((4, 5), 0.26))
    assert BedFolder(folder).latest_round().read_advice().work == "offset"
    assert run(folder, "sheet").exit_code == 0
    told = " ".join(run(folder, "applied", "--offset", "-0.04").stderr.split())
    assert "The sheet of round 2 is written" in told
    assert "In that print: lower the nozzle by 0.04 mm by hand as it starts" in told
    assert "in place of" not in told
    again = " ".join(run(folder, "applied", "--offset", "-0.06", "--force").stderr.split())
    assert "in place of the offset of -0.04 mm on record for this round" in again


def test_an_offset_that_the_printer_keeps_is_not_set_again(
    tmp_path: Path, table: Path, score_of: Callable[..., object]
) -> None:
    folder = write_bed(tmp_path / "kept", bed_with(offset_style="M290"))
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    add_round(folder, score_of, GAPS_MM + 0.03)
    assert run(folder, "applied", "--as-advised", "--offset", "-0.03").exit_code == 0
    assert "by hand" not in run(folder, "sheet").stderr


def test_only_an_offset_that_was_set_by_hand_is_set_by_hand_again(
    tmp_path: Path, table: Path, score_of: Callable[..., object]
) -> None:
    """One that the printer keeps, set when the profile said so, would else be set twice."""
    folder = write_bed(tmp_path / "changed", bed_with(offset_style="M290"))
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    add_round(folder, score_of, GAPS_MM + 0.03)
    assert run(folder, "applied", "--no-edits", "--offset", "-0.03").exit_code == 0
    write_bed(folder, bed_with(offset_style="hand"))
    # What is said of the screws, or read back, says nothing new of the offset.
    assert run(folder, "applied", "--screws").exit_code == 0
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    assert BedFolder(folder).latest_round().read_applied().offset_style == "M290"
    assert "by hand" not in run(folder, "sheet").stderr
    add_round(folder, score_of, GAPS_MM + 0.02)
    assert run(folder, "applied", "--no-edits", "--offset", "-0.02").exit_code == 0
    sheet = " ".join(run(folder, "sheet").stderr.split())
    assert "lower the nozzle by 0.02 mm by hand as it starts" in sheet
    # A record that does not tell is taken for what the profile says.
    first = BedFolder(folder).round(1).applied_json
    first.write_text(first.read_text().replace('"offset_style": "M290",', ""))
    sheet = " ".join(run(folder, "sheet", "--force").stderr.split())
    assert "lower the nozzle by 0.05 mm by hand as it starts" in sheet


def test_an_empty_mesh_is_refused_where_the_sheet_was_printed_with_another(scored: Path) -> None:
    """The advice is to be added to the mesh of the sheet, not to zero."""
    for words in (["edits", "--empty-mesh"], ["send", "--dry-run", "--empty-mesh"]):
        result = run(scored, *words)
        assert result.exit_code == 1
        assert "edits-stale" in result.stderr
    assert not BedFolder(scored).latest_round().edits_gcode.exists()


def test_dry_run_shows_the_wire_and_opens_nothing(scored: Path) -> None:
    result = run(scored, "send", "--dry-run")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0] == "N0 M110 N0*125"
    assert lines[1].startswith("N1 M420 V*")
    assert lines[2].startswith("N2 M421 I")
    # Each edit once, with its meaning behind it.
    edits = [line for line in lines if " M421 I" in line]
    assert all(re.search(r"\*\d+  ; (lower|raise) by 0\.\d+ mm at column", line) for line in edits)
    assert "at column" not in result.stderr
    assert not any("M500" in line for line in lines)
    assert not BedFolder(scored).latest_round().edits_gcode.exists()


def test_send_without_port_or_with_a_dead_one(scored: Path) -> None:
    assert run(scored, "send").exit_code == 2
    # Looked for before anything is asked.
    result = run(scored, "send", "--port", "/dev/there-is-no-such-port")
    assert result.exit_code == 1
    assert "Send" not in result.stderr
    assert "[link-open]" in result.stderr


def test_prove_alone(scored: Path, printer: Callable[..., object]) -> None:
    one = printer()
    result = run(scored, "send", "--port", one.name_of_port, "--prove", "--yes")
    assert result.exit_code == 0, result.output
    assert one.z_mm == pytest.approx(Z_MM, abs=1e-6)
    assert one.saves == []
    assert "edits --prove" not in run(scored, "edits").stderr


@pytest.mark.parametrize("command", ["mesh", "edits", "send", "start-check"])
def test_help(command: str) -> None:
    result = CliRunner().invoke(main, [command, "--help"])
    assert result.exit_code == 0
    assert "Example:" in result.stdout


def test_a_mesh_that_is_there_is_not_overwritten(folder: Path, table: Path) -> None:
    words = ("mesh", str(table), "--yes", "--name", "warm")
    assert run(folder, *words).exit_code == 0
    result = run(folder, *words)
    assert result.exit_code == 1
    assert "file-exists" in result.stderr
    assert run(folder, *words, "--force").exit_code == 0


def test_active_mesh_has_the_grid_of_the_profile(folder: Path, table: Path) -> None:
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    mesh = BedFolder(folder).active_mesh()
    assert isinstance(mesh, Mesh)
    assert mesh.grid.rows == 4


def test_a_sheet_that_waits_is_written_afresh_for_another_mesh(folder: Path, table: Path) -> None:
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    assert run(folder, "sheet").exit_code == 0
    same = run(folder, "mesh", str(table), "--yes")
    assert "was written for other mesh values" not in same.stderr
    told = " ".join(same.stderr.split())
    assert "The sheet of round 1 is written for these values. Next: print it" in told
    assert f"`padsheet -C {folder} score PHOTO`" in told
    held = BedFolder(folder).active_mesh()
    other = replace(held, z_mm=held.z_mm + 0.02)
    result = run(folder, "mesh", "-", "--first-row", "front", "--yes", text=mesh_csv(other))
    said = " ".join(result.stderr.split())
    assert result.exit_code == 0
    assert "The sheet of round 1 was written for other mesh values." in said
    assert f"`padsheet -C {folder} sheet --force`" in said


# --- a printer that holds no mesh -------------------------------------------------------------


def test_that_the_printer_holds_no_mesh_is_put_on_record_by_a_command(
    folder: Path, score_of: Callable[..., object]
) -> None:
    """Each message names the command whole, and what it names works, to the first edits."""
    answer = folder / "answer.txt"
    answer.write_text("echo: Mesh bed leveling has no valid mesh\n")
    none = f"`padsheet -C {folder} mesh --empty`"
    add_round(folder, score_of)
    for words in (["mesh", str(answer)], ["edits"], ["edits", "--prove"]):
        refused = run(folder, *words)
        assert refused.exit_code == 1
        assert none in refused.stderr, words
        assert "--empty-mesh" not in refused.stderr
    bed = BedFolder(folder)
    steps = todo_of(bed, bed.round(1), bed.round(1).read_advice())
    assert steps[0].other.commands == (f"padsheet -C {folder} mesh --empty",)
    recorded = run(folder, "mesh", "--empty")
    assert recorded.exit_code == 0, recorded.output
    assert "the printer holds no mesh, and nothing is corrected" in recorded.stderr
    held = bed.active_mesh()
    assert held.absent
    assert not held.z_mm.any()
    told = [c for s in todo_of(bed, bed.round(1), bed.round(1).read_advice()) for c in s.commands]
    assert f"padsheet -C {folder} send --port PORT" in told
    assert not any("prove" in command for command in told)
    # Every point is written, though no option says so, and nothing is asked to be proved.
    written = run(folder, "edits")
    assert written.exit_code == 0, written.output
    assert written.stdout.count("\nM421 ") == 20
    assert "--prove" not in written.stderr
    assert "is said to hold no mesh" in written.stdout
    assert "nothing yet to prove" in run(folder, "edits", "--prove").stderr
    # Said twice it is as said once; the mesh read back afterwards is none of these.
    assert run(folder, "mesh", "--empty").exit_code == 0
    assert [path.name for path in bed.meshes.glob("*.csv")] == ["empty.csv"]
    after = "\n".join(" ".join(f"{z:.3f}" for z in row) for row in bed.active_mesh().z_mm + 0.03)
    assert run(folder, "mesh", "-", "--first-row", "front", "--yes", text=after).exit_code == 0
    assert not bed.active_mesh().absent
    assert bed.round(1).read_applied().before == "empty"


ZEROS = "\n".join(["0.000 0.000 0.000 0.000 0.000"] * 4)


def take_in_text(folder: Path, text: str) -> str:
    result = run(folder, "mesh", "-", "--first-row", "front", "--yes", text=text)
    assert result.exit_code == 0, result.output
    return " ".join(result.stderr.split())


@pytest.mark.parametrize("printed", [False, True])
def test_zeros_may_be_put_on_record_as_no_mesh_which_saves_the_proof(
    tmp_path: Path, score_of: Callable[..., object], printed: bool
) -> None:
    """The same edits either way: what is told is true, and works after a sheet is written, too."""
    written = {}
    for kind in ("zeros", "empty"):
        folder = write_bed(tmp_path / kind, bed_with())
        if printed:
            assert run(folder, "sheet").exit_code == 0
        told = take_in_text(folder, ZEROS)
        assert f"if you say so with `padsheet -C {folder} mesh --empty`" in told
        if kind == "empty":
            result = run(folder, "mesh", "--empty")
            assert result.exit_code == 0, result.output
            assert "comes to none" not in result.stderr
        add_round(folder, score_of, of_sheet=printed)
        bed = BedFolder(folder)
        steps = todo_of(bed, bed.round(1), bed.round(1).read_advice())
        proofs = [c for s in steps for c in s.commands if "--prove" in c]
        assert bool(proofs) == (kind == "zeros")
        result = run(folder, "edits", "--all") if kind == "zeros" else run(folder, "edits")
        assert result.exit_code == 0, result.output
        lines = [x for x in result.stdout.splitlines() if x.startswith("M421")]
        written[kind] = [line.partition(";")[0] for line in lines]
    assert len(written["zeros"]) == 20
    assert written["zeros"] == written["empty"]


def test_zeros_are_not_called_none_where_that_helps_nobody(
    tmp_path: Path, score_of: Callable[..., object]
) -> None:
    values = write_bed(tmp_path / "values", bed_with())
    assert "comes to none" not in take_in_text(values, ZEROS.replace("0.000 0", "0.010 0", 1))
    # With edits that wait, "no mesh" would be what became of them.
    waiting = write_bed(tmp_path / "waiting", bed_with())
    add_round(waiting, score_of)
    told = take_in_text(waiting, ZEROS)
    assert "which now know what they change" in told
    assert "comes to none" not in told
    # A proof on file spares the next one anyway.
    proved = write_bed(tmp_path / "proved", bed_with())
    proof = StyleProof(kind="ok", text="Proved.", setting_open=False)
    write_proof(BedFolder(proved), bed_with(), proof)
    assert "comes to none" not in take_in_text(proved, ZEROS)


def test_a_printer_without_a_mesh_is_sent_all_points_over_a_cable(
    folder: Path, score_of: Callable[..., object], printer: Callable[..., object]
) -> None:
    add_round(folder, score_of)
    assert run(folder, "mesh", "--empty").exit_code == 0
    one = printer(np.zeros((4, 5)), mesh=False)
    result = run(folder, "send", "--port", one.name_of_port, "--yes", "--save")
    assert result.exit_code == 0, result.output
    assert "never proved" not in result.stderr
    assert BedFolder(folder).round(1).read_applied().saved is True


def test_no_mesh_and_a_table_exclude_each_other(folder: Path, table: Path) -> None:
    for words in (["mesh", str(table), "--empty"], ["mesh", "--empty", "--first-row", "back"]):
        assert run(folder, *words).exit_code == 2
    assert BedFolder(folder).active_mesh() is None


def test_after_a_turn_of_ones_own_no_offset_is_advised_by_the_old_photo(
    folder: Path, table: Path, score_of: Callable[..., object]
) -> None:
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    add_round(folder, score_of, GAPS_MM + 0.06)
    bed = BedFolder(folder)
    advice = bed.latest_round().read_advice()
    assert advice.set_offset
    assert advice.has_edits
    said = " ".join(run(folder, "applied", "--screws", "--no-edits").stderr.split())
    assert "Leave the common offset as it is" in said
    assert "ower the nozzle everywhere" not in said
    assert "applied --offset" not in said


def test_an_offset_alone_is_told_without_an_empty_list_of_edits(
    folder: Path, table: Path, score_of: Callable[..., object]
) -> None:
    assert run(folder, "mesh", str(table), "--yes").exit_code == 0
    add_round(folder, score_of, np.full((4, 5), 0.26))
    result = run(folder, "edits")
    assert result.exit_code == 0, result.output
    assert result.stdout == ""
    assert result.stderr.startswith("No mesh point is to be changed now.")
    assert "offset" in result.stderr
