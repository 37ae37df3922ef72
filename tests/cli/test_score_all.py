"""`padsheet score --all`: which photo of which bed, one failing alone, table, JSON, a cluster."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from padsheet.cli.main import main
from padsheet.demo_photos import scenario
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring import batch
from padsheet.scoring.batch import bed_folders, newest_photo, score_newest
from padsheet.scoring.rounds import BedFolder

NAME = "upside-down"


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def make_bed(path: Path, *, photo: str | None = "photo.jpg") -> BedFolder:
    """Make a bed folder whose first round has a sheet; the photo lies in the bed folder."""
    (path / "rounds" / "01").mkdir(parents=True)
    (path / "bed.toml").write_bytes((scenario(NAME) / "bed.toml").read_bytes())
    for name in ("sheet.json", "sheet.gcode"):
        (path / "rounds" / "01" / name).write_bytes((scenario(NAME) / name).read_bytes())
    if photo is not None:
        shutil.copyfile(scenario(NAME) / "photo.jpg", path / photo)
    return BedFolder(path)


def lines_of(result: Result) -> dict[str, dict[str, Any]]:
    """Return the lines of JSON by the name of the bed folder."""
    found = [json.loads(line) for line in result.stdout.splitlines()]
    return {Path(line["folder"]).name: line for line in found}


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a good bed, one whose photo is spoilt, and one without a photo."""
    path = tmp_path_factory.mktemp("room")
    make_bed(path / "good")
    spoilt = make_bed(path / "shelf" / "spoilt")
    (spoilt.path / "photo.jpg").write_bytes(b"\xff\xd8\xff nothing")
    make_bed(path / "idle", photo=None)
    (path / "no bed").mkdir()
    return path


@pytest.fixture(scope="module")
def first(room: Path) -> Result:
    return run("score", "--all", room, "--json")


def test_one_that_fails_does_not_stop_the_others(first: Result) -> None:
    assert first.exit_code == 1
    lines = lines_of(first)
    assert {name: line["state"] for name, line in lines.items()} == {
        "good": "scored",
        "spoilt": "failed",
        "idle": "skipped",
    }
    assert lines["spoilt"]["error"]["code"] == "photo-unreadable"
    assert "1 of 3 beds scored, 1 failed, 1 without a new photo." in first.stderr


def test_scores_are_those_of_the_bed_scored_by_itself(
    first: Result, room: Path, tmp_path: Path
) -> None:
    line = lines_of(first)["good"]
    assert (line["format"], line["round"]) == (1, 1)
    assert Path(line["photo"]).name == "photo.jpg"
    bed = make_bed(tmp_path / "alone")
    alone = json.loads(run("-C", bed.path, "score", bed.path / "photo.jpg", "--json").stdout)
    assert line["scores"]["pads"] == alone["pads"]
    # By all sheets together, as the table of the bed by itself has it.
    verdicts = [node["verdict"] for node in alone["advice"]["nodes"]]
    assert line["on_target"] == verdicts.count("on target")
    kept = room / "good" / "rounds" / "01"
    assert {p.name for p in kept.iterdir()} >= {"scores.json", "annotated.jpg", "photo-1.jpg"}


def test_what_is_scored_is_not_scored_again(first: Result, room: Path) -> None:
    again = lines_of(run("score", "--all", room, "--json"))
    assert again["good"]["state"] == "skipped"


def test_the_table_names_each_bed(first: Result, room: Path) -> None:
    result = run("score", "--all", room)
    assert result.exit_code == 1
    rows = {line.split("  ")[0]: line for line in result.stdout.splitlines()}
    assert "no new photo" in rows["good"]
    assert "no new photo" in rows["idle"]
    assert "photo-unreadable" in rows[str(Path("shelf") / "spoilt")]


def test_force_scores_the_newest_again(room: Path, first: Result, tmp_path: Path) -> None:
    place = tmp_path / "copy"
    shutil.copytree(room / "good", place / "good")
    result = run("score", "--all", place, "--force")
    assert result.exit_code == 0
    row = next(line for line in result.stdout.splitlines() if line.startswith("good"))
    assert "25" in row
    assert "good: " in result.stdout.partition("(mm, ")[2]


def test_the_installed_command_uses_processes(tmp_path: Path) -> None:
    """More than one bed goes to worker processes, and a bar would be drawn on standard error."""
    for name in ("a", "b"):
        make_bed(tmp_path / name, photo=None)
    code = "from padsheet.cli.main import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "score", "--all", str(tmp_path), "--json"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert [json.loads(line)["state"] for line in done.stdout.splitlines()] == ["skipped"] * 2
    assert "Scoring 2 beds" in done.stderr


def test_newest_of_bed_folder_and_rounds(tmp_path: Path) -> None:
    bed = make_bed(tmp_path / "bed", photo=None)
    assert newest_photo(bed) is None
    round_ = bed.round(1)
    for age, name in ((30, "photo-1.jpg"), (20, "IMG_2.JPG"), (0, "annotated.jpg")):
        (round_.path / name).write_bytes(name.encode())
        os.utime(round_.path / name, (1e9 - age, 1e9 - age))
    assert newest_photo(bed) == (round_.path / "IMG_2.JPG", round_)
    (bed.path / "late.heic").write_bytes(b"late")
    os.utime(bed.path / "late.heic", (1e9 - 10, 1e9 - 10))
    assert newest_photo(bed) == (bed.path / "late.heic", None)


def test_a_copy_of_a_scored_photo_is_not_new(tmp_path: Path) -> None:
    bed = make_bed(tmp_path / "bed", photo=None)
    round_ = bed.round(1)
    (round_.path / "photo-1.jpg").write_bytes(b"one")
    (bed.path / "download.jpg").write_bytes(b"one")
    assert newest_photo(bed) is not None
    round_.scores_json.write_text("{}")
    assert newest_photo(bed) is None
    assert newest_photo(bed, again=True) is not None
    (bed.path / "other.jpg").write_bytes(b"two")
    assert newest_photo(bed) == (bed.path / "other.jpg", None)


def test_bed_folders_are_found_at_any_depth(tmp_path: Path) -> None:
    wanted = [tmp_path / "a" / "deep" / "bed", tmp_path / "b"]
    for path in [*wanted, tmp_path / "b" / "rounds" / "01" / "within", tmp_path / ".hidden"]:
        path.mkdir(parents=True, exist_ok=True)
        (path / "bed.toml").write_text("")
    assert bed_folders(tmp_path) == wanted
    with pytest.raises(PadsheetError) as refusal:
        bed_folders(tmp_path / "b" / "rounds" / "02")
    assert refusal.value.code == "batch-no-beds"


def test_what_nobody_foresaw_becomes_an_outcome(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise MemoryError("no more")

    bed = make_bed(tmp_path / "bed")
    monkeypatch.setattr(batch, "score_round", broken)
    outcome = score_newest(str(bed.path))
    assert (outcome.state, (outcome.error or {})["code"]) == ("failed", "batch-broken")
    assert "MemoryError" in outcome.summary


@pytest.mark.parametrize(
    "words",
    [
        ("--scheduler", "tcp://localhost:1", "photo.jpg"),
        ("--all", ".", "photo.jpg"),
        ("--all", ".", "--by-eye"),
        ("--all", ".", "--round", "2"),
    ],
)
def test_contradicting_options_are_a_wrong_command_line(words: tuple[str, ...]) -> None:
    assert run("score", *words).exit_code == 2


@pytest.mark.filterwarnings("default")  # dask's own, of which nothing here can take care
def test_a_local_dask_cluster_does_the_same(first: Result, tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    make_bed(tmp_path / "good")
    make_bed(tmp_path / "idle", photo=None)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, dashboard_address=None
    ) as cluster:
        result = run("score", "--all", tmp_path, "--json", "--scheduler", cluster.scheduler_address)
    assert result.exit_code == 0, result.stderr
    lines = lines_of(result)
    assert lines["idle"]["state"] == "skipped"
    assert lines["good"]["scores"]["pads"] == lines_of(first)["good"]["scores"]["pads"]


@pytest.mark.filterwarnings("default")
def test_a_scheduler_that_does_not_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    monkeypatch.setattr(batch, "_CONNECT_SECONDS", 1)
    make_bed(tmp_path / "bed", photo=None)
    result = run("score", "--all", tmp_path, "--scheduler", "tcp://127.0.0.1:9")
    assert result.exit_code == 1
    assert "[cluster-unreachable]" in result.stderr


def test_without_the_extra_it_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    make_bed(tmp_path / "bed", photo=None)
    result = run("score", "--all", tmp_path, "--scheduler", "tcp://127.0.0.1:9")
    assert result.exit_code == 1
    assert "[cluster-extra-missing]" in result.stderr
