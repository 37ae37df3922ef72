"""The demo computes, and the score command refuses what cannot be used."""

from __future__ import annotations

import io
import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from padsheet.cli.main import main
from padsheet.demo_photos import SCENARIOS, mesh_file, scenario
from padsheet.patterns.bed import MeshGrid
from padsheet.patterns.sheet_file import sheet_from_json
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


def test_demo_runs_the_whole_job_and_scores_again_to_the_same(tmp_path: Path) -> None:
    folder = tmp_path / "with space ü"
    result = run("demo", folder)
    assert result.exit_code == 0, result.output
    assert "M421 I" in result.output
    round_ = folder / "rounds" / "01"
    names = {path.name for path in round_.iterdir()}
    assert {
        "sheet.gcode",
        "sheet.json",
        "preview.svg",
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
    pixels = np.array(decode_photo(files_of("ordinary")[0]).rgb)
    if name == "no sheet":
        pixels = np.random.default_rng(1).integers(0, 255, (900, 1200, 3), np.uint8)
    elif name == "blurred":
        pixels = cv2.GaussianBlur(pixels, (0, 0), 14)
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


def test_score_outside_a_bed_folder_writes_nothing(tmp_path: Path) -> None:
    data, text, _ = files_of("upside-down")
    (tmp_path / "sheet.json").write_text(text, encoding="utf-8")
    (tmp_path / "photo.jpg").write_bytes(data)
    photo, sheet = tmp_path / "photo.jpg", tmp_path / "sheet.json"
    result = CliRunner().invoke(
        main, ["-C", str(tmp_path), "score", str(photo), "--sheet", str(sheet), "--json"]
    )
    assert result.exit_code == 0, result.output
    scores = json.loads(result.stdout)
    assert scores["format"] == 1
    assert len(scores["pads"]) == 25
    assert {p.name for p in tmp_path.iterdir()} == {"sheet.json", "photo.jpg"}
