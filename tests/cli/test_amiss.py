"""Edits mistyped, and edits lost: what is told, and that nothing wrong is saved."""

from __future__ import annotations

import shlex
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
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json

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
    mesh, stand = bed_folder.mesh_in_force(round_), standing(bed_folder, round_.number, score=made)
    advice = advise(made, bed_folder.bed(), mesh=mesh, state=stand.state, proof=stand.proof)
    round_.scores_json.write_text(scores_to_json(made, advice), encoding="utf-8")


@pytest.fixture
def scored(request, tmp_path: Path, score_of: Callable[..., object]) -> Path:
    """Return a folder with an empty mesh and one round scored."""
    folder = tmp_path / "bed"
    folder.mkdir()
    edits = Edits(**getattr(request, "param", {}))
    (folder / "bed.toml").write_text(profile_text(Bed(mesh=GRID, edits=edits)), encoding="utf-8")
    take_in(folder, np.zeros((4, 5)))
    done(folder, "sheet")
    score(folder, score_of, ERRORS_MM)
    return folder


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
    assert "more. To mend that, have the lines written, and send them:" in said(taken)
    assert "M500" not in said(taken)
    assert commands(scored, taken.stderr)[0] == ["edits"]
    assert obeyed(run(scored, "edits").stdout, wrong) == pytest.approx(meant, abs=1e-9)
