"""`padsheet score`: formats, half photos, rounds, and the same answer every time.

What the demo photos give against their truth, and the photos that are refused, are in test_demo.
"""

from __future__ import annotations

import gc
import io
import json
import re
import shutil
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
import pytest
from click.testing import CliRunner, Result
from numpy.typing import NDArray
from PIL import Image

from padsheet.cli.main import main
from padsheet.cli.score_one import show_scores
from padsheet.demo_photos import scenario
from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.photo import decode_photo
from padsheet.scoring.scorer import Scored

# White on blue tape, with no mesh in force: the same scores inside a bed folder and outside.
NAME = "upside-down"


def run(*words: str | Path) -> Result:
    assert gc.isenabled()  # as before, whatever an earlier command did to be quick
    return CliRunner().invoke(main, [str(word) for word in words])


def gaps_of(scores: dict[str, Any]) -> NDArray[np.float64]:
    return np.array([np.nan if p["gap_mm"] is None else p["gap_mm"] for p in scores["pads"]])


@pytest.fixture(scope="module")
def truth() -> NDArray[np.float64]:
    told = json.loads((scenario(NAME) / "truth.json").read_text(encoding="utf-8"))
    return np.array([pad["gap_mm"] for pad in told["pads"]])


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder, no bed folder, with a photo and its sheet.json."""
    path = tmp_path_factory.mktemp("place")
    for name in ("photo.jpg", "sheet.json"):
        (path / name).write_bytes((scenario(NAME) / name).read_bytes())
    return path


@pytest.fixture(scope="module")
def pixels(place: Path) -> NDArray[np.uint8]:
    return np.array(decode_photo((place / "photo.jpg").read_bytes()).rgb)


@pytest.fixture(scope="module")
def outside(place: Path) -> Result:
    """Return the scores of that photo, outside a bed folder."""
    words = ("score", place / "photo.jpg", "--sheet", place / "sheet.json", "--json")
    return run("-C", place, *words)


@pytest.fixture
def bed_folder(tmp_path: Path) -> Path:
    """Return a bed folder whose first round has that sheet and no photo yet."""
    round_ = tmp_path / "bed" / "rounds" / "01"
    round_.mkdir(parents=True)
    (tmp_path / "bed" / "bed.toml").write_bytes((scenario(NAME) / "bed.toml").read_bytes())
    for name in ("sheet.json", "sheet.gcode"):
        (round_ / name).write_bytes((scenario(NAME) / name).read_bytes())
    return tmp_path / "bed"


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def saved(pixels: NDArray[np.uint8], path: Path, **options: Any) -> Path:
    Image.fromarray(np.ascontiguousarray(pixels)).save(path, **options)
    return path


def test_outside_a_bed_folder_nothing_is_written(place: Path, outside: Result) -> None:
    assert outside.exit_code == 0, outside.output
    assert {path.name for path in place.iterdir()} == {"photo.jpg", "sheet.json"}


def test_json_stands_alone_on_standard_output(outside: Result) -> None:
    scores = json.loads(outside.stdout, parse_constant=pytest.fail)
    assert scores["format"] == 1
    assert scores["advice"] is None
    assert (
        np.shape(scores["covariance_mm2"]["rows"]) == (len(scores["covariance_mm2"]["order"]),) * 2
    )
    for pad in scores["pads"]:
        assert (pad["gap_mm"] is None) == (pad["reason"] is not None)
        if pad["gap_mm"] is not None:
            low, high = pad["interval_mm"]
            assert low < pad["gap_mm"] < high
            assert pad["squish"] == pytest.approx(100 * 0.2 / pad["gap_mm"])


def test_same_photo_same_bytes(place: Path, outside: Result) -> None:
    again = run("score", place / "photo.jpg", "--sheet", place / "sheet.json", "--json")
    assert again.stdout == outside.stdout


def test_heic_copy_gives_the_same_gaps(
    place: Path, pixels: NDArray[np.uint8], outside: Result, tmp_path: Path
) -> None:
    photo = tmp_path / "photo.heic"
    # The encoder's slow default takes longer than all the rest of this file.
    heif = pillow_heif.from_pillow(Image.fromarray(pixels))
    heif.save(photo, quality=85, enc_params={"preset": "ultrafast"})
    result = run("score", photo, "--sheet", place / "sheet.json", "--json")
    assert result.exit_code == 0, result.output
    change = gaps_of(json.loads(result.stdout)) - gaps_of(json.loads(outside.stdout))
    assert np.isfinite(change).sum() == 25
    assert np.abs(change).max() < 0.004


def test_half_a_sheet_is_read_and_the_other_half_says_why(
    place: Path, pixels: NDArray[np.uint8], truth: NDArray[np.float64], tmp_path: Path
) -> None:
    half = saved(pixels[:, : pixels.shape[1] // 2], tmp_path / "half.jpg", quality=92)
    result = run("score", half, "--sheet", place / "sheet.json", "--json")
    assert result.exit_code == 0, result.output
    scores = json.loads(result.stdout)
    errors = gaps_of(scores) - truth
    assert 8 <= np.isfinite(errors).sum() <= 17
    assert np.nanmax(np.abs(errors)) < 0.03
    reasons = {pad["reason"]["code"] for pad in scores["pads"] if pad["gap_mm"] is None}
    assert "pad-outside" in reasons


def test_a_corner_of_a_sheet_is_refused(
    place: Path, pixels: NDArray[np.uint8], tmp_path: Path
) -> None:
    corner = saved(pixels[:1000, :1300], tmp_path / "corner.jpg", quality=92)
    result = run("score", corner, "--sheet", place / "sheet.json")
    assert result.exit_code == 1, result.output
    assert "Take the whole sheet into the frame" in result.stderr
    assert result.stdout == ""


def test_photo_out_of_focus_is_refused_or_right(
    place: Path, pixels: NDArray[np.uint8], truth: NDArray[np.float64], tmp_path: Path
) -> None:
    """A blur of 1.5 pixels moves all gaps by 0.03 mm and more; the intervals must say so."""
    photo = saved(cv2.GaussianBlur(pixels, (0, 0), 1.5), tmp_path / "soft.jpg", quality=92)
    result = run("score", photo, "--sheet", place / "sheet.json", "--json")
    if result.exit_code == 1:
        assert "focus" in result.stderr
        return
    pads = zip(json.loads(result.stdout)["pads"], truth, strict=True)
    held = [
        low <= true_mm <= high
        for pad, true_mm in pads
        if pad["gap_mm"] is not None
        for low, high in [pad["interval_mm"]]
    ]
    assert np.mean(held) > 0.8


def test_photo_finds_its_round_and_the_round_keeps_it(
    place: Path, bed_folder: Path, outside: Result
) -> None:
    result = run("-C", bed_folder, "score", place / "photo.jpg")
    assert result.exit_code == 0, result.output
    round_ = bed_folder / "rounds" / "01"
    wanted = {"scores.json", "annotated.jpg", "report.html", "photo-1.jpg"}
    assert wanted <= {path.name for path in round_.iterdir()}
    assert (round_ / "photo-1.jpg").read_bytes() == (place / "photo.jpg").read_bytes()
    scores = json.loads((round_ / "scores.json").read_text(encoding="utf-8"))
    assert scores["pads"] == json.loads(outside.stdout)["pads"]
    assert len(scores["advice"]["nodes"]) == 25
    sheet = json.loads((place / "sheet.json").read_text(encoding="utf-8"))
    said = [scores[key] for key in ("plate", "mesh", "mesh_active")]
    assert said == [sheet["plate_name"], sheet["mesh_name"] or None, sheet["mesh_active"]]
    assert scores["bed_c"] > 0
    assert "it is not known which mesh was in force" in result.stderr
    # What to do now is said as in the report: in order, with the commands to copy.
    told = result.stderr.partition("What to do now:\n")[2].splitlines()
    assert told[0].startswith("1. Let the printer show the mesh")
    assert f"     padsheet -C {bed_folder} mesh answer.txt" in told[1:3]
    assert f"     padsheet -C {bed_folder} send --port PORT" in told
    before = contents(bed_folder)
    again = run("-C", bed_folder, "score", place / "photo.jpg")
    assert again.exit_code == 1
    assert "--force" in again.stderr
    assert contents(bed_folder) == before
    report = (round_ / "report.html").read_text(encoding="utf-8")
    assert "http://" not in report.replace("http://www.w3.org/", "")
    assert "https://" not in report


def test_photo_that_is_refused_leaves_the_bed_folder_as_it_was(
    bed_folder: Path, pixels: NDArray[np.uint8], tmp_path: Path
) -> None:
    before = contents(bed_folder)
    mirrored = saved(pixels[::3, ::-3], tmp_path / "mirrored.jpg", quality=92)
    result = run("-C", bed_folder, "score", mirrored)
    assert result.exit_code == 1
    assert "mirrored" in result.stderr
    assert contents(bed_folder) == before


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["missing.jpg"], "photo-missing"),
        (["photo.jpg", "--round", "3"], "round-none"),
        (["photo.jpg", "--sheet", "missing.json"], "sheet-missing"),
    ],
)
def test_what_is_not_there_is_one_sentence(
    bed_folder: Path,
    place: Path,
    words: list[str],
    code: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(place)
    before = contents(bed_folder)
    result = run("-C", bed_folder, "score", *words)
    assert result.exit_code == 1
    assert f"[{code}]" in result.stderr
    assert contents(bed_folder) == before


def test_sheet_of_another_bed_is_refused(bed_folder: Path, place: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.json"
    other.write_bytes((scenario("ordinary") / "sheet.json").read_bytes())
    result = run("-C", bed_folder, "score", place / "photo.jpg", "--sheet", other)
    assert result.exit_code == 1
    assert "[round-none]" in result.stderr


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"format": 99}', "\x00"])
def test_spoilt_sheet_file_is_one_sentence(place: Path, tmp_path: Path, text: str) -> None:
    (tmp_path / "sheet.json").write_text(text, encoding="utf-8")
    result = run("score", place / "photo.jpg", "--sheet", tmp_path / "sheet.json")
    assert result.exit_code == 1
    assert result.stderr.startswith("Error: ")
    assert "Traceback" not in result.output


def test_no_photo_is_a_wrong_command_line(bed_folder: Path) -> None:
    assert run("-C", bed_folder, "score").exit_code == 2


def test_two_photos_of_one_print_agree_with_the_truth(
    place: Path, pixels: NDArray[np.uint8], truth: NDArray[np.float64], tmp_path: Path
) -> None:
    """A second photo, turned by a quarter and smaller, that misses some pads."""
    turned = np.rot90(pixels)[: int(0.8 * pixels.shape[1])]
    second = saved(turned, tmp_path / "second.png", compress_level=1)
    shutil.copy(place / "photo.jpg", tmp_path / "first.jpg")
    words = ("score", tmp_path / "first.jpg", second, "--sheet", place / "sheet.json", "--json")
    result = run(*words)
    assert result.exit_code == 0, result.output
    scores = json.loads(result.stdout)
    assert scores["photos"] == ["first.jpg", "second.png"]
    errors = gaps_of(scores) - truth
    assert np.isfinite(errors).sum() == 25
    assert np.std(errors) < 0.006


def test_photo_that_cannot_be_read_is_left_out_of_two(place: Path, tmp_path: Path) -> None:
    stream = io.BytesIO()
    Image.new("RGB", (1200, 900), (150, 120, 90)).save(stream, "JPEG")
    (tmp_path / "table.jpg").write_bytes(stream.getvalue())
    result = run(
        "score", place / "photo.jpg", tmp_path / "table.jpg", "--sheet", place / "sheet.json"
    )
    assert result.exit_code == 0, result.output
    assert "One photo was left out" in result.stderr


def test_json_in_a_bed_folder_is_what_was_written(place: Path, bed_folder: Path) -> None:
    result = run("-C", bed_folder, "score", place / "photo.jpg", "--json")
    assert result.exit_code == 0, result.output
    written = (bed_folder / "rounds" / "01" / "scores.json").read_text(encoding="utf-8")
    assert json.loads(result.stdout) == json.loads(written)


@pytest.mark.parametrize(
    ("terminal", "environment", "coloured"),
    [
        (True, {"TERM": "xterm-256color"}, True),
        (False, {"TERM": "xterm-256color"}, False),
        (True, {"TERM": "xterm-256color", "NO_COLOR": "1"}, False),
        (True, {"TERM": "dumb"}, False),
    ],
)
def test_colour_only_on_terminals_that_want_it(
    score_of, monkeypatch, terminal, environment, coloured
):
    for name in ("TERM", "NO_COLOR"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    stream = io.StringIO()
    monkeypatch.setattr(stream, "isatty", lambda: terminal, raising=False)
    monkeypatch.setattr(sys, "stdout", stream)
    monkeypatch.setenv("COLUMNS", "80")
    grid = MeshGrid(columns=3, rows=3)
    score = score_of(grid, np.full((3, 3), 0.26))
    show_scores(Scored(score=score, advice=None, readings=()))
    text = stream.getvalue()
    assert ("\x1b[48;5;" in text) is coloured
    plain = re.sub(r"\x1b\[[\d;]*m", "", text)
    assert "+0.06" in plain
    lines = plain.splitlines()
    # Where it is no terminal the sentence stays one line, for other programs to read.
    assert max(len(line) for line in (lines if terminal else lines[:-1])) <= 80
