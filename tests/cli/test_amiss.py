"""Edits mistyped, and edits lost: what is told, and that nothing wrong is saved."""

from __future__ import annotations

import dataclasses
import re
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
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring.advice import advise
from padsheet.scoring.amiss import newest_slip, slip_of
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.history import standing
from padsheet.scoring.lost import Lost, find_lost
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json
from padsheet.scoring.taking_in import advised_meshes, against_advice
from padsheet.scoring.todo import todo_of

GRID = MeshGrid(columns=5, rows=4, y_min_mm=30, y_max_mm=190)
# What the bed is off at each point before any edit, in all 0.05 mm too near.
ERRORS_MM = np.random.default_rng(4).normal(0, 0.05, (4, 5)).round(2) - 0.05
ERRORS_MM[0, 1] = 0.02


def run(folder: Path, *words: str, text: str | None = None) -> Result:
    return CliRunner().invoke(main, ["-C", str(folder), *words], input=text)


def done(folder: Path, *words: str) -> str:
    result = run(folder, *words)
    assert result.exit_code == 0, result.output
    return " ".join(result.stderr.split())


def take_in(folder: Path, z_mm: np.ndarray) -> Result:
    text = "\n".join(" ".join(f"{z:+.3f}" for z in row) for row in z_mm)
    result = run(folder, "mesh", "-", "--yes", "--first-row", "front", text=text)
    assert result.exit_code == 0, result.output
    return result


def said(result: Result) -> str:
    return " ".join(result.stderr.split())


def commands(folder: Path, stderr: str) -> list[list[str]]:
    """Return the commands that are told as steps."""
    lines = [shlex.split(line) for line in stderr.splitlines() if line.startswith("     padsheet")]
    return [words[words.index(str(folder)) + 1 :] for words in lines]


def obeyed(lines: str, z_mm: np.ndarray) -> np.ndarray:
    """Return the mesh after lines of M421, read by a reader of the test's own."""
    z_mm = z_mm.copy()
    for line in lines.splitlines():
        words = line.partition(";")[0].split()
        if words and words[0] == "M421":
            i, j, value = int(words[1][1:]), int(words[2][1:]), float(words[3][1:])
            z_mm[j, i] = value if words[3][0] == "Z" else z_mm[j, i] + value
    return z_mm


def score(folder: Path, score_of: Callable[..., object], errors_mm: np.ndarray) -> None:
    """Score the newest round as `padsheet score` does, without its photo."""
    bed_folder = BedFolder(folder)
    round_ = bed_folder.latest_round()
    made = score_of(GRID, 0.20 + errors_mm, number=round_.number)
    mesh = bed_folder.mesh_in_force(round_)
    stand = standing(bed_folder, round_.number, score=made, plate="")
    advice = advise(made, bed_folder.bed(), mesh=mesh, state=stand.state, proof=stand.proof)
    round_.scores_json.write_text(scores_to_json(made, advice), encoding="utf-8")


@pytest.fixture(scope="module")
def scored_once(
    tmp_path_factory: pytest.TempPathFactory, score_of: Callable[..., object]
) -> Callable[[Edits], Path]:
    """Make a folder with an empty mesh and one round scored, to be copied and left alone."""
    made: dict[Edits, Path] = {}

    def once(edits: Edits) -> Path:
        if edits not in made:
            made[edits] = folder = tmp_path_factory.mktemp("scored") / "bed"
            folder.mkdir()
            bed = Bed(mesh=GRID, edits=edits)
            (folder / "bed.toml").write_text(profile_text(bed), encoding="utf-8")
            take_in(folder, np.zeros((4, 5)))
            done(folder, "sheet")
            score(folder, score_of, ERRORS_MM)
        return made[edits]

    return once


@pytest.fixture
def scored(request, tmp_path: Path, scored_once: Callable[[Edits], Path]) -> Path:
    """Return a copy of the folder with an empty mesh and one round scored."""
    once = scored_once(Edits(**getattr(request, "param", {})))
    return shutil.copytree(once, tmp_path / "bed")


@pytest.fixture
def meant(scored: Path) -> np.ndarray:
    """Return the mesh after the edits as advised."""
    result = run(scored, "edits")
    assert result.exit_code == 0, result.output
    return obeyed(result.stdout, np.zeros((4, 5)))


@pytest.fixture
def mistyped(meant: np.ndarray) -> np.ndarray:
    """Return the mesh with one value ten times too large."""
    assert 0 > meant[0, 1] > -0.2
    wrong = meant.copy()
    wrong[0, 1] = 10 * meant[0, 1]
    return wrong


# --- mistyped -------------------------------------------------------------------------------


def line_of(z_mm: np.ndarray) -> str:
    return f"M421 I1 J0 Z{z_mm[0, 1]:.3f}"


def warned(result: Result, meant: np.ndarray, mistyped: np.ndarray) -> None:
    """See that the point is named with the line to send again, and that nothing is saved."""
    told = said(result)
    holds = f"olumn 2, row 1 holds {mistyped[0, 1]:.3f}, advised {meant[0, 1]:.3f}"
    assert holds in told
    assert f"     {line_of(meant)}\n" in result.stderr
    assert "Look before you print or save" in told
    assert "Save the mesh" not in told
    assert "M500" not in told


def test_a_mistyped_mesh_is_never_to_be_saved(
    scored: Path, meant: np.ndarray, mistyped: np.ndarray
) -> None:
    taken = take_in(scored, mistyped)
    assert "not as advised at column 2, row 1" in said(taken)
    warned(taken, meant, mistyped)
    for words in (["applied", "--offset", "0.05"], ["rounds"]):
        result = run(scored, *words)
        assert result.exit_code == 0, result.output
        warned(result, meant, mistyped)
    mended = take_in(scored, obeyed(line_of(meant), mistyped))
    assert ", all as advised. What to do now: 1. Save the mesh in the printer now" in said(mended)
    # Once more, it is as wrong as it was.
    again = take_in(scored, mistyped)
    assert "not as advised at column 2, row 1" in said(again)
    warned(again, meant, mistyped)


def test_a_sheet_on_a_mistyped_mesh_is_refused_by_its_cause(
    scored: Path, meant: np.ndarray, mistyped: np.ndarray
) -> None:
    take_in(scored, mistyped)
    refused = run(scored, "sheet")
    assert refused.exit_code == 1
    told = said(refused)
    assert "sheet-too-near" in told
    assert f"column 2, row 1 holds {mistyped[0, 1]:.3f}, advised {meant[0, 1]:.3f}" in told
    assert f"Send {line_of(meant)} again, then take the mesh in again" in told
    assert "--offset" not in told
    assert "aise the nozzle" not in told


@pytest.mark.parametrize(
    "scored", [{}, {"style": "M421-offset"}], indirect=True, ids=["values", "changes"]
)
def test_edits_writes_what_mends_a_mistyped_mesh(
    scored: Path, meant: np.ndarray, mistyped: np.ndarray
) -> None:
    take_in(scored, mistyped)
    result = run(scored, "edits")
    assert result.exit_code == 0, result.output
    assert result.stdout.count("\nM421 ") == 1
    assert obeyed(result.stdout, mistyped) == pytest.approx(meant, abs=1e-9)
    round_ = BedFolder(scored).round(1)
    assert round_.edits_gcode.read_text(encoding="utf-8") == result.stdout
    back = round_.restore_gcode.read_text(encoding="utf-8")
    assert obeyed(back, meant) == pytest.approx(np.zeros((4, 5)), abs=1e-9)
    sent = run(scored, "send", "--port", "/dev/null", "--yes")
    assert sent.exit_code == 1
    assert "not as advised: column 2, row 1 holds" in said(sent)
    assert "Print a new sheet" not in said(sent)


def test_many_points_that_differ_are_written_to_a_file(scored: Path, meant: np.ndarray) -> None:
    wrong = np.where(meant == 0, meant, meant + 0.05 * np.sign(meant))
    taken = take_in(scored, wrong)
    # Three are named, the others counted.
    more = np.count_nonzero(meant) - 3
    assert more > 3
    assert f"; and {more} more. To mend that, have the lines written, and send them:" in said(taken)
    assert "M500" not in said(taken)
    assert commands(scored, taken.stderr)[0] == ["edits"]
    assert obeyed(run(scored, "edits").stdout, wrong) == pytest.approx(meant, abs=1e-9)


def test_a_mesh_put_back_was_meant_so(scored: Path, meant: np.ndarray) -> None:
    """It is not as advised, and nothing that needs mending."""
    take_in(scored, meant)
    taken = take_in(scored, np.zeros((4, 5)))
    assert "none of the edits is in" in said(taken)
    assert "Look before you print or save" not in said(taken)
    folder = BedFolder(scored)
    assert not against_advice(folder, folder.round(1), folder.round(1).read_applied()).as_meant
    assert slip_of(folder, folder.round(1)) is None


def test_a_slip_is_of_the_mesh_that_the_printer_holds(
    scored: Path, meant: np.ndarray, mistyped: np.ndarray
) -> None:
    take_in(scored, mistyped)
    folder = BedFolder(scored)
    slip = newest_slip(folder)
    assert slip is not None
    assert slip.held.z_mm == pytest.approx(mistyped)
    assert slip.meant.z_mm == pytest.approx(meant)
    assert slip.lines == (line_of(meant),)
    # What it holds by now was not read back after the edits of that round.
    folder.store_mesh(dataclasses.replace(slip.held, name="other"))
    assert folder.active_mesh().name == "other"
    assert newest_slip(folder) is None
    (folder.meshes / "active.txt").unlink()
    assert folder.active_mesh() is None
    assert newest_slip(folder) is None


@pytest.mark.parametrize("scored", [{"style": "table"}], indirect=True)
def test_where_values_are_typed_in_no_lines_are_to_be_sent_again(scored: Path) -> None:
    folder = BedFolder(scored)
    meant, _ = next(iter(advised_meshes(folder, folder.bed(), folder.round(1))))
    wrong = meant.z_mm.copy()
    wrong[0, 1] = 10 * meant.z_mm[0, 1]
    taken = take_in(scored, wrong)
    slip = newest_slip(folder)
    assert slip is not None
    assert slip.lines == ()
    holds = f"column 2, row 1 holds {wrong[0, 1]:.3f}, advised {meant.z_mm[0, 1]:.3f}"
    assert slip.points == holds
    told = said(taken)
    assert f"{holds}. To mend that, type this value in again." in told
    assert "M421" not in told
    assert "Send" not in told


# --- lost -----------------------------------------------------------------------------------

KEPT = {"offset_style": "M851", "offset_now_mm": 0.0}


@pytest.fixture
def lost(scored: Path, meant: np.ndarray, score_of: Callable[..., object]) -> Path:
    """Return the folder after a sheet whose mesh was lost when the printer was switched off."""
    take_in(scored, meant)
    done(scored, "applied", "--offset", "0.05")
    done(scored, "sheet")
    noise_mm = np.random.default_rng(1).normal(0, 0.004, (4, 5))
    score(scored, score_of, ERRORS_MM + noise_mm)
    assert BedFolder(scored).round(2).read_advice().work == "withheld"
    return scored


@pytest.mark.parametrize("scored", [{}, KEPT], indirect=True, ids=["hand", "kept"])
@pytest.mark.parametrize("looked", [True, False])
def test_lost_edits_are_known_sent_again_and_saved(
    lost: Path, meant: np.ndarray, looked: bool
) -> None:
    bed, kept = BedFolder(lost), BedFolder(lost).bed().edits.offset_style == "M851"
    if looked:
        taken = take_in(lost, np.zeros((4, 5)))
        assert "The edits of round 1 are lost: this is the mesh 'mesh' from before" in said(taken)
        assert "into the bed" not in said(taken)
        assert "higher by 0.05 mm" in said(taken)
        words = [["applied", "--offset", "0.05"]] if kept else []
        assert commands(lost, taken.stderr) == [*words, ["edits", "--since-round", "1"]]
        assert commands(lost, run(lost, "rounds").stderr) == [["edits", "--since-round", "1"]]
        assert bed.mesh_in_force(bed.round(2)).name == "mesh"
        assert standing(bed, 2).proof is None
    again = run(lost, "edits", "--since-round", "1")
    assert again.exit_code == 0, again.output
    assert obeyed(again.stdout, np.zeros((4, 5))) == pytest.approx(meant, abs=1e-9)
    taken = take_in(lost, meant)
    told = said(taken)
    assert (", all as advised" if looked else "are in again, all of them") in told
    assert told.count("send M500") == 1
    assert told.index("send M500") < told.index("Print the next sheet")
    assert "aise the nozzle" not in told
    first, second = (bed.round(k).read_applied() for k in (1, 2))
    count = np.count_nonzero(meant)
    assert (len(first.nodes), len(first.lost), len(second.nodes)) == (0, count, count)
    assert first.offset_mm == (None if kept else 0.05)
    shown = " ".join(run(lost, "rounds").stdout.split())
    assert f"{count} points that were lost before the next sheet" in shown
    assert f"round 2: applied: {count} points" in shown
    assert "send M500" in done(lost, "applied", "--offset", "0.13")


def find(folder: Path, z_mm: np.ndarray) -> Lost | None:
    """Tell what a mesh just read shows."""
    bed = BedFolder(folder)
    return find_lost(bed, bed.bed(), Mesh(grid=GRID, z_mm=z_mm, name="new"))


def test_lost_edits_are_told_by_the_mesh_from_before_or_once_sent_again_with_them(
    lost: Path, meant: np.ndarray
) -> None:
    zero, round_ = np.zeros((4, 5)), BedFolder(lost).round(2)
    found = find(lost, zero)
    assert found is not None
    assert (found.round.number, found.sheet.number, found.back_in) == (1, 2, False)
    assert found.held.z_mm == pytest.approx(zero)
    # The mesh with the edits tells nothing as long as nobody wrote them once more.
    assert find(lost, meant) is None
    round_.edits_gcode.write_text("", encoding="utf-8")
    found = find(lost, meant)
    assert found is not None
    assert found.back_in
    assert found.held.z_mm == pytest.approx(meant)
    # Neither of the two.
    assert find(lost, meant + 0.02) is None
    assert find(lost, zero + 0.02) is None


def test_edits_are_not_called_lost_where_the_records_do_not_show_it(lost: Path) -> None:
    folder = BedFolder(lost)
    first, second = folder.round(1), folder.round(2)
    record, sheet, later = first.read_applied(), second.read_sheet(), Applied(how="word", nodes=())
    folder.store_mesh(dataclasses.replace(folder.mesh(record.before), name="alike"))

    def found(record: Applied, *, later: Applied = later, mesh_name: str | None = None) -> bool:
        name = record.after if mesh_name is None else mesh_name
        shown = dataclasses.replace(sheet, mesh_name=name)
        second.sheet_json.write_text(sheet_to_json(shown), encoding="utf-8")
        first.applied_json.write_text(applied_to_json(record), encoding="utf-8")
        second.applied_json.write_text(applied_to_json(later), encoding="utf-8")
        return find(lost, np.zeros((4, 5))) is not None

    assert found(record)
    assert not found(record, mesh_name="another")
    assert not found(record, later=dataclasses.replace(later, nodes=((0, 0, 0.05),)))
    for change in ({"before": None}, {"after": None}, {"nodes": ()}, {"after": "alike"}):
        assert not found(dataclasses.replace(record, **change)), change
    first.applied_json.unlink()
    assert find(lost, np.zeros((4, 5))) is None


def test_edits_that_are_seen_in_force_are_not_lost(
    scored: Path, meant: np.ndarray, score_of: Callable[..., object]
) -> None:
    """Though the printer holds the mesh from before them by now."""
    take_in(scored, meant)
    done(scored, "applied", "--offset", "0.05")
    done(scored, "sheet")
    noise_mm = np.random.default_rng(1).normal(0, 0.004, (4, 5))
    score(scored, score_of, ERRORS_MM + meant + 0.05 + noise_mm)
    assert standing(BedFolder(scored), 2).proof.verdict == "in force"
    assert find(scored, np.zeros((4, 5))) is None


def test_a_slip_among_edits_sent_again_is_not_saved(
    lost: Path, meant: np.ndarray, mistyped: np.ndarray
) -> None:
    take_in(lost, np.zeros((4, 5)))
    done(lost, "edits", "--since-round", "1")
    warned(take_in(lost, mistyped), meant, mistyped)


@pytest.mark.parametrize("scored", [KEPT], indirect=True)
def test_an_offset_that_the_printer_keeps_is_saved_with_the_mesh(
    scored: Path, meant: np.ndarray
) -> None:
    told = said(take_in(scored, meant))
    assert told.count("send M500") == 1
    assert told.index("applied --offset 0.05") < told.index("send M500") < told.index("sheet --")
    told = done(scored, "applied", "--offset", "0.05")
    assert "1. Save mesh and offset in the printer now: send M500" in told


@pytest.mark.parametrize("scored", [KEPT], indirect=True)
def test_no_list_says_to_save_the_mesh_before_an_offset_that_is_saved_with_it(
    scored: Path, meant: np.ndarray
) -> None:
    """Neither that of the scores nor that of the edits; both as the one after the mesh is in."""
    bed = BedFolder(scored)
    round_ = bed.round(1)
    steps = todo_of(bed, round_, round_.read_advice())
    texts = [s.text + (s.other.text if s.other else "") for s in steps]
    told = done(scored, "edits", "--force")
    for said_there in (" ".join(texts), told):
        assert said_there.count("send M500") == 1
        assert "go on: it is saved once the common offset is set, with it." in said_there
    last = [k for k, text in enumerate(texts) if "send M500" in text]
    record = [k for k, s in enumerate(steps) if any("applied --offset" in c for c in s.commands)]
    assert [k - 1 for k in last] == record
    assert texts[last[0]].startswith("Save mesh and offset in the printer now")
    assert told.index("applied --offset 0.05") < told.index("send M500") < told.index("sheet --")


@pytest.mark.parametrize(("style", "saves"), [("M851", True), ("hand", False)])
def test_an_offset_alone_is_saved_where_the_printer_keeps_it(
    tmp_path: Path, score_of: Callable[..., object], style: str, saves: bool
) -> None:
    bed = Bed(mesh=GRID, edits=Edits(offset_style=style, offset_now_mm=0.0))
    (tmp_path / "bed.toml").write_text(profile_text(bed), encoding="utf-8")
    take_in(tmp_path, np.zeros((4, 5)))
    done(tmp_path, "sheet")
    score(tmp_path, score_of, np.full((4, 5), -0.06))
    told = done(tmp_path, "applied", "--no-edits", "--offset", "0.06")
    assert ("send M500" in told) is saves


def test_a_raise_before_the_sheet_is_told_in_all(scored: Path, meant: np.ndarray) -> None:
    take_in(scored, meant)
    done(scored, "applied", "--offset", "0.05")
    # As meant in its shape, and 0.3 mm lower everywhere.
    told = said(take_in(scored, meant - 0.3))
    found = re.search(r"everywhere by (\d\.\d\d) mm, \+(\d\.\d\d) mm in all", told)
    assert found, told
    assert float(found[2]) == pytest.approx(float(found[1]) + 0.05)


# --- several rounds lost together -----------------------------------------------------------

#: What the first edits left wrong, as if the first photo had been a poor one.
LEFT_MM = np.random.default_rng(11).normal(0, 0.04, (4, 5)).round(3)


def noise_mm(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 0.003, (4, 5))


def edited_twice(
    folder: Path, meant: np.ndarray, score_of: Callable[..., object], *, saved: bool = False
) -> np.ndarray:
    """Let two rounds of edits be in, write the third sheet, and return the mesh after them."""
    bed = BedFolder(folder)
    take_in(folder, meant)
    done(folder, "applied", "--offset", "0.05")
    if saved:
        record = dataclasses.replace(bed.round(1).read_applied(), saved=True)
        bed.round(1).applied_json.write_text(applied_to_json(record), encoding="utf-8")
    done(folder, "sheet")
    score(folder, score_of, ERRORS_MM + meant + 0.05 + LEFT_MM + noise_mm(1))
    assert bed.round(2).read_advice().work == "mesh"
    again = obeyed(run(folder, "edits").stdout, meant)
    take_in(folder, again)
    done(folder, "sheet")
    assert bed.round(3).read_sheet().mesh_name == bed.round(2).read_applied().after
    return again


@pytest.fixture
def all_lost(
    request, scored: Path, meant: np.ndarray, score_of: Callable[..., object]
) -> tuple[Path, np.ndarray]:
    """Return the folder after a sheet printed with the mesh from before two rounds, and both."""
    both = edited_twice(scored, meant, score_of)
    score(scored, score_of, ERRORS_MM + 0.05 + LEFT_MM + noise_mm(2))
    assert BedFolder(scored).round(3).read_advice().work == "withheld"
    return scored, both


@pytest.mark.parametrize("looked", [True, False])
def test_two_rounds_lost_together_are_known_sent_again_and_saved(
    all_lost: tuple[Path, np.ndarray], looked: bool
) -> None:
    folder, both = all_lost
    bed = BedFolder(folder)
    proof = standing(bed, 3).proof
    assert (proof.verdict, proof.lost_since) == ("not in force", 1)
    assert "of all that was applied since round 1" in proof.text
    assert "`padsheet edits --since-round 1`" in bed.round(3).read_advice().steps[0].text
    if looked:
        taken = take_in(folder, np.zeros((4, 5)))
        told = said(taken)
        assert "The edits of rounds 1 and 2 are lost: this is the mesh 'mesh' from before" in told
        assert "Write the lost edits of rounds 1 and 2 again, to be sent and saved" in told
        # Both sheets after the first edits needed the offset; the third may have come without.
        assert "after rounds 1 and 2 (higher by 0.05 mm in all) is gone" in told
        assert "applied --round 2 --offset -0.05 --force" in told
        assert commands(folder, taken.stderr) == [["edits", "--since-round", "1"]]
        assert commands(folder, run(folder, "rounds").stderr) == [["edits", "--since-round", "1"]]
        assert bed.mesh_in_force(bed.round(3)).name == "mesh"
        assert standing(bed, 3).proof is None
        # The first edits were in force on the second sheet, and gone on the third.
        first, second = (bed.round(k).read_applied() for k in (1, 2))
        undone = {(i, j): -dz for i, j, dz in first.nodes}
        assert {(i, j): dz for i, j, dz in second.nodes} == pytest.approx(undone)
        assert find(folder, np.zeros((4, 5))) is None
    again = run(folder, "edits", "--since-round", "1")
    assert again.exit_code == 0, again.output
    assert obeyed(again.stdout, np.zeros((4, 5))) == pytest.approx(both, abs=1e-9)
    taken = take_in(folder, both)
    told = said(taken)
    assert (", all as advised" if looked else "of rounds 1 and 2 had been lost before") in told
    assert told.count("send M500") == 1
    assert told.index("send M500") < told.index("Print the next sheet")
    count = np.count_nonzero(both)
    records = [bed.round(k).read_applied() for k in (1, 2, 3)]
    assert [len(record.lost) for record in records] == [0, count, 0]
    assert len(records[2].nodes) == count
    shown = " ".join(run(folder, "rounds").stdout.split())
    assert f"{count} points that were lost before the next sheet" in shown


def test_two_rounds_lost_are_told_by_the_mesh_from_before_both(
    all_lost: tuple[Path, np.ndarray], meant: np.ndarray
) -> None:
    folder, both = all_lost
    found = find(folder, np.zeros((4, 5)))
    assert [round_.number for round_ in found.rounds] == [1, 2]
    assert (found.round.number, found.sheet.number, found.back_in) == (2, 3, False)
    # By the gaps it was not the mesh between the two.
    assert find(folder, meant) is None
    assert find(folder, both) is None
    BedFolder(folder).round(3).edits_gcode.write_text("", encoding="utf-8")
    found = find(folder, both)
    assert found.back_in
    assert len(found.rounds) == 2


def test_of_two_rounds_the_last_alone_may_be_lost(
    scored: Path, meant: np.ndarray, score_of: Callable[..., object]
) -> None:
    edited_twice(scored, meant, score_of)
    score(scored, score_of, ERRORS_MM + meant + 0.05 + LEFT_MM + noise_mm(2))
    proof = standing(BedFolder(scored), 3).proof
    assert (proof.verdict, proof.lost_since) == ("not in force", None)
    assert "`padsheet edits --since-round 2`" in proof.text
    found = find(scored, meant)
    assert [round_.number for round_ in found.rounds] == [2]
    assert find(scored, np.zeros((4, 5))) is None


def test_of_two_rounds_in_force_none_is_lost(
    scored: Path, meant: np.ndarray, score_of: Callable[..., object]
) -> None:
    both = edited_twice(scored, meant, score_of)
    score(scored, score_of, ERRORS_MM + both + 0.05 + LEFT_MM + noise_mm(2))
    proof = standing(BedFolder(scored), 3).proof
    assert (proof.verdict, proof.lost_since) == ("in force", None)
    assert find(scored, np.zeros((4, 5))) is None


def test_edits_that_were_saved_are_not_taken_to_be_lost(
    scored: Path, meant: np.ndarray, score_of: Callable[..., object]
) -> None:
    """Whatever the gaps look like: what was saved comes back when the printer is switched on."""
    edited_twice(scored, meant, score_of, saved=True)
    score(scored, score_of, ERRORS_MM + 0.05 + LEFT_MM + noise_mm(2))
    assert standing(BedFolder(scored), 3).proof.lost_since is None
    assert find(scored, np.zeros((4, 5))) is None


@pytest.mark.parametrize("scored", [KEPT], indirect=True, ids=["kept"])
def test_several_rounds_are_not_put_on_record_as_lost_with_an_offset_that_the_printer_keeps(
    all_lost: tuple[Path, np.ndarray],
) -> None:
    """Which of its offsets is lost, nobody knows; what the gaps show is told all the same."""
    folder, _ = all_lost
    assert standing(BedFolder(folder), 3).proof.lost_since == 1
    assert find(folder, np.zeros((4, 5))) is None
