"""The demo computes, and the score command refuses what cannot be used."""

from __future__ import annotations

import io
import json
import shlex
import shutil
import textwrap
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from padsheet.cli.main import main
from padsheet.demo_photos import SCENARIOS, mesh_file, scenario
from padsheet.patterns.bed import MeshGrid
from padsheet.patterns.make import make_sheet
from padsheet.patterns.profile import parse_bed
from padsheet.patterns.sheet_file import sheet_from_json
from padsheet.scoring.edits import CAUTIONS, SAVE_WARNING
from padsheet.scoring.mesh import parse_mesh_csv
from padsheet.scoring.photo import decode_photo
from padsheet.scoring.reading import PhotoReading, read_sheet_photo


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def files_of(name: str) -> tuple[bytes, str, dict[tuple[int, int], float]]:
    folder = scenario(name)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    gaps = {(p["i"], p["j"]): p["gap_mm"] for p in truth["pads"]}
    return (folder / "photo.jpg").read_bytes(), (folder / "sheet.json").read_text("utf-8"), gaps


def read(name: str, data: bytes | None = None) -> tuple[PhotoReading, np.ndarray]:
    photo, text, truth = files_of(name)
    sheet = sheet_from_json(text)
    mesh = None
    if sheet.mesh_name:
        table = mesh_file(sheet.mesh_name).read_text(encoding="utf-8")
        mesh = parse_mesh_csv(table, Path("mesh.csv"), MeshGrid(outside="hold"))
    reading = read_sheet_photo(decode_photo(data or photo), sheet, mesh=mesh)
    errors = [
        np.nan if p.gap_mm is None else p.gap_mm - truth[p.i, p.j] for p in reading.score.pads
    ]
    return reading, np.array(errors)


@pytest.fixture(scope="session")
def readings() -> dict[str, tuple[PhotoReading, np.ndarray]]:
    return {name: read(name) for name in SCENARIOS}


@pytest.mark.parametrize("name", SCENARIOS)
def test_gaps_agree_with_the_truth_of_the_photo(
    readings: dict[str, tuple[PhotoReading, np.ndarray]], name: str
) -> None:
    reading, errors = readings[name]
    limit = 0.006 if name == "ordinary" else 0.012
    assert np.nanstd(errors) < limit
    assert np.nanmax(np.abs(errors)) < 0.06
    assert np.isfinite(errors).sum() >= 20
    for pad in reading.score.pads:
        assert (pad.gap_mm is None) == (pad.reason is not None)


def test_second_round_is_flatter_than_the_first(
    readings: dict[str, tuple[PhotoReading, np.ndarray]],
) -> None:
    spread = {
        name: np.std([p.gap_mm for p in readings[name][0].score.pads if p.gap_mm is not None])
        for name in ("ordinary", "second-round")
    }
    assert spread["second-round"] < 0.5 * spread["ordinary"]


def test_a_pad_painted_over_is_refused_and_moves_no_other(
    readings: dict[str, tuple[PhotoReading, np.ndarray]],
) -> None:
    reading, errors = readings["ordinary"]
    pixels = np.array(decode_photo(files_of("ordinary")[0]).rgb)
    hidden = next(p for p in reading.score.pads if (p.i, p.j) == (3, 1))
    row, column = reading.registration.camera.project(np.array([hidden.x_mm, hidden.y_mm]))
    pixels[int(row) - 130 : int(row) + 130, int(column) - 130 : int(column) + 130] = 90
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG", quality=92)
    again, errors_again = read("ordinary", stream.getvalue())
    pad = next(p for p in again.score.pads if (p.i, p.j) == (3, 1))
    assert pad.gap_mm is None
    assert pad.reason is not None
    assert np.isfinite(errors_again).sum() == np.isfinite(errors).sum() - 1
    assert np.nanmax(np.abs(errors_again - errors)) < 0.01


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """Return the folder of a demo, to be left as it is, and what the demo said."""
    folder = tmp_path_factory.mktemp("demo") / "with space ü"
    return folder, run("demo", folder)


def test_demo_runs_the_whole_job_and_scores_again_to_the_same(
    demo: tuple[Path, Result], tmp_path: Path
) -> None:
    result = demo[1]
    assert result.exit_code == 0, result.output
    assert "M421 I" in result.output
    folder = shutil.copytree(demo[0], tmp_path / demo[0].name)
    round_ = folder / "rounds" / "01"
    names = {path.name for path in round_.iterdir()}
    assert {
        "sheet.gcode",
        "sheet.json",
        "preview.svg",
        "preview.png",
        "photo-1.jpg",
        "scores.json",
        "annotated.jpg",
        "report.html",
        "edits.gcode",
        "restore.gcode",
    } <= names
    first = (round_ / "scores.json").read_bytes()
    (round_ / "scores.json").unlink()
    result = run("-C", folder, "score", round_ / "photo-1.jpg")
    assert result.exit_code == 0, result.output
    again = json.loads((round_ / "scores.json").read_bytes())
    before = json.loads(first)
    again.pop("photos"), before.pop("photos")
    assert again == before
    refused = run("-C", folder, "score", round_ / "photo-1.jpg")
    assert refused.exit_code == 1
    assert "--force" in refused.output
    assert run("demo", folder).exit_code == 1


def _altered(name: str) -> bytes:
    # Half the size: a refusal looks at everything several times, and this is quicker.
    pixels = np.array(decode_photo(files_of("ordinary")[0]).rgb[::2, ::2])
    if name == "no sheet":
        pixels = np.random.default_rng(1).integers(0, 255, (900, 1200, 3), np.uint8)
    elif name == "blurred":
        pixels = cv2.GaussianBlur(pixels, (0, 0), 7)
    elif name == "over-exposed":
        pixels = np.clip(pixels.astype(int) * 12 + 120, 0, 255).astype(np.uint8)
    elif name == "mirrored":
        pixels = np.ascontiguousarray(pixels[:, ::-1])
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG", quality=90)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("no sheet", "photo-no-sheet"),
        ("blurred", "photo-"),
        ("over-exposed", "photo-"),
        ("mirrored", "photo-mirrored"),
    ],
)
def test_photo_that_cannot_be_used_is_one_sentence(tmp_path: Path, name: str, code: str) -> None:
    (tmp_path / "sheet.json").write_text(files_of("ordinary")[1], encoding="utf-8")
    (tmp_path / "photo.jpg").write_bytes(_altered(name))
    result = run("score", tmp_path / "photo.jpg", "--sheet", tmp_path / "sheet.json")
    assert result.exit_code == 1, result.output
    assert f"[{code}" in result.output
    assert "Traceback" not in result.output
    assert {p.name for p in tmp_path.iterdir()} == {"sheet.json", "photo.jpg"}


@pytest.mark.parametrize("data", [b"", b"not a picture", b"\xff\xd8\xff\xe0 cut"])
def test_file_that_is_no_photo_is_one_sentence(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "sheet.json").write_text(files_of("ordinary")[1], encoding="utf-8")
    (tmp_path / "photo.jpg").write_bytes(data)
    result = run("score", tmp_path / "photo.jpg", "--sheet", tmp_path / "sheet.json")
    assert result.exit_code == 1
    assert "[photo-" in result.output


def test_another_sheets_photo_is_refused(tmp_path: Path) -> None:
    (tmp_path / "sheet.json").write_text(files_of("second-round")[1], encoding="utf-8")
    (tmp_path / "photo.jpg").write_bytes(files_of("ordinary")[0])
    result = run("score", tmp_path / "photo.jpg", "--sheet", tmp_path / "sheet.json")
    assert result.exit_code == 1
    assert "[photo-other-sheet]" in result.output


def test_demo_goes_on_to_the_second_round(demo: tuple[Path, Result], tmp_path: Path) -> None:
    # The commands are those that the demo tells the user to try.
    commands = [
        shlex.split(line)[1:]
        for line in demo[1].stderr.splitlines()
        if line.startswith("     padsheet -C")
    ]
    assert [words[2] for words in commands] == ["mesh", "sheet", "score", "rounds"]
    folder = shutil.copytree(demo[0], tmp_path / demo[0].name)
    for words in commands:
        result = run(*[word.replace(str(demo[0]), str(folder)) for word in words])
        assert result.exit_code == 0, result.output
        # What the demo itself brings about is announced, and reported as no mistake of the user's.
        assert "not as advised" not in result.stderr
    assert "its mesh.csv differs from them by up to" in " ".join(demo[1].stderr.split())
    sheet = sheet_from_json((folder / "rounds/02/sheet.json").read_text(encoding="utf-8"))
    assert sheet.id == sheet_from_json(files_of("second-round")[1]).id
    scores = json.loads((folder / "rounds/02/scores.json").read_text(encoding="utf-8"))
    assert scores["advice"]["warp_done"]
    assert (folder / "rounds/01/applied.json").is_file()
    assert scores["advice"]["done"]
    # A bed is done with the mesh of its sheet, not with one that the printer holds afterwards.
    table = (folder / "second-round/mesh.csv").read_text(encoding="utf-8")
    (folder / "other.csv").write_text(table.replace("-0.060", "-0.160"), encoding="utf-8")
    assert run("-C", folder, "mesh", folder / "other.csv", "--yes").exit_code == 0
    again = run("-C", folder, "score", folder / "second-round/photo.jpg", "--force")
    assert again.exit_code == 0, again.output
    assert "the bed is done" not in again.stdout
    assert "Print another sheet" in again.stderr
    told = json.loads((folder / "rounds/02/scores.json").read_text(encoding="utf-8"))
    assert not told["advice"]["done"]
    assert told["advice"]["warp_done"]


def test_demo_says_what_a_person_needs_and_no_more(demo: tuple[Path, Result]) -> None:
    """Two screens of 31 lines of 80 columns; the rest is in the report. No caution is left out."""
    said = demo[1].output.replace(str(demo[0]), "padsheet-demo").splitlines()
    assert sum(max(1, len(textwrap.wrap(line, 80))) for line in said) <= 62
    flat = " ".join(demo[1].stderr.split())
    for caution in (*CAUTIONS, SAVE_WARNING):
        assert f"! {caution}" in flat
    assert flat.index(CAUTIONS[0]) < flat.index("What to do now:")
    assert f"{(demo[0] / 'rounds/01/report.html').resolve()}" in demo[1].stderr
    edits = (demo[0] / "rounds/01/edits.gcode").read_text(encoding="utf-8")
    count = sum(line.startswith("M421 ") for line in edits.splitlines())
    assert f"{count} lines such as M421 I" in flat
    assert "points need lowering" in demo[1].stdout


def test_where_a_point_is_not_read_demo_says_where_the_reason_stands(tmp_path: Path) -> None:
    result = run("demo", tmp_path / "dark", "--photo", "dark")
    assert result.exit_code == 0, result.output
    assert "24 of 25 pads" in result.stdout
    assert "the report says why" in " ".join(result.stdout.split())


def test_demo_touches_no_folder_but_its_own(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    for words in ([], ["--force"]):
        result = run("demo", tmp_path, *words)
        assert result.exit_code == 1
        assert "is not empty" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]
    assert run("demo", tmp_path / "notes.txt").exit_code == 1
    assert run("demo", tmp_path / "new", "--photo", "unknown").exit_code == 2


def test_force_begins_afresh_and_keeps_what_the_demo_did_not_write(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    (folder / "rounds" / "07").mkdir(parents=True)
    (folder / ".padsheet-demo").write_text("made by padsheet demo\n", encoding="utf-8")
    (folder / "notes.txt").write_text("mine", encoding="utf-8")
    result = run("demo", folder, "--force", "--photo", "upside-down", "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)["demo"]
    assert told["pads"] == 25
    assert told["relative_rms_mm"] < 0.012
    assert Path(told["report"]).is_absolute()
    assert Path(told["report"]).is_file()
    assert [path.name for path in (folder / "rounds").iterdir()] == ["01"]
    assert (folder / "notes.txt").read_text(encoding="utf-8") == "mine"
    # A bed without a mesh: every point is written, from zero.
    edits = (folder / "rounds/01/edits.gcode").read_text(encoding="utf-8")
    assert sum(line.startswith("M421 ") for line in edits.splitlines()) == 25


@pytest.mark.parametrize("name", SCENARIOS)
def test_shipped_sheet_is_what_is_written_today(name: str) -> None:
    folder = scenario(name)
    shipped = sheet_from_json(files_of(name)[1])
    table = mesh_file(shipped.mesh_name).read_text("utf-8") if shipped.mesh_name else None
    bed = parse_bed((folder / "bed.toml").read_text(encoding="utf-8"))
    files = make_sheet(
        bed,
        reach_mm=shipped.reach_mm,
        number=shipped.number,
        mesh_active=shipped.mesh_active,
        mesh_name=shipped.mesh_name,
        mesh_z_mm=parse_mesh_csv(table, Path("mesh.csv"), bed.mesh).z_mm if table else None,
    )
    assert files.gcode.encode() == (folder / "sheet.gcode").read_bytes()
    assert files.json == files_of(name)[1]
