"""Faults around the program: kills, full disks, other runs, other locales, closed pipes.

The bed folder and its files must come out whole, and what the user reads is one sentence.
"""

from __future__ import annotations

import errno
import hashlib
import io
import json
import locale
import os
import platform
import re
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from padsheet.cli import over_port
from padsheet.cli.main import main
from padsheet.patterns import files as files_module
from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.profile import profile_text
from padsheet.scoring import round_files, scorer
from padsheet.scoring.advice import advise
from padsheet.scoring.link import Waits
from padsheet.scoring.lock import LOCK_NAME
from padsheet.scoring.mesh import Mesh, mesh_csv
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json

COMMAND = (sys.executable, "-c", "from padsheet.cli.main import main; main(prog_name='padsheet')")
GRID = MeshGrid(columns=3, rows=3)
BED = Bed(mesh=GRID)
Z_MM = np.random.default_rng(4).normal(0, 0.05, (3, 3)).round(3)
TABLE = "\n".join(" ".join(f"{z:+.3f}" for z in row) for row in Z_MM)
GAPS_MM = 0.2 + np.array([0.08, 0, -0.07, 0, 0, 0, 0.05, 0, -0.06])


def run(folder: Path, *words: str, text: str = "") -> Result:
    return CliRunner().invoke(main, ["-C", str(folder), *words], input=text)


def outside(*words: str, **more: object) -> subprocess.CompletedProcess[bytes]:
    """Run the command in a process of its own."""
    return subprocess.run(
        [*COMMAND, *words],
        capture_output=True, timeout=120, check=False, **more,  # type: ignore[call-overload]
    )  # fmt: skip


def make_folder(path: Path) -> Path:
    path.mkdir(parents=True)
    (path / "bed.toml").write_text(profile_text(BED), encoding="utf-8")
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with its profile alone."""
    return make_folder(tmp_path / "bed")


@pytest.fixture(scope="module")
def scored_once(tmp_path_factory: pytest.TempPathFactory, score_of: Callable[..., object]) -> Path:
    """Return a folder with a mesh, a sheet and scores, to be copied and left alone."""
    folder = make_folder(tmp_path_factory.mktemp("scored") / "bed")
    assert run(folder, "mesh", "-", "--yes", "--first-row", "front", text=TABLE).exit_code == 0
    assert run(folder, "sheet", "--points", "1,1", "3,2", "2,3").exit_code == 0
    bed_folder = BedFolder(folder)
    score = score_of(GRID, GAPS_MM)
    advice = advise(score, BED, mesh=bed_folder.active_mesh())
    text = scores_to_json(score, advice, plate="plate", bed_c=60.0)
    bed_folder.round(1).scores_json.write_text(text, encoding="utf-8")
    assert advice.work == "mesh"
    flat = Mesh(grid=GRID, z_mm=np.zeros((3, 3)), name="flat")
    (folder / "meshes" / "flat.csv").write_text(mesh_csv(flat), encoding="utf-8")
    return folder


@pytest.fixture
def scored(scored_once: Path, tmp_path: Path) -> Path:
    """Return a copy of the folder with a mesh, a sheet and scores."""
    return shutil.copytree(scored_once, tmp_path / "bed")


@pytest.fixture
def quick_score(monkeypatch: pytest.MonkeyPatch, score_of: Callable[..., object]) -> None:
    """Let `score` take any photo for a good one: what counts here is what it writes."""
    score = score_of(GRID, GAPS_MM)
    monkeypatch.setattr(scorer, "read_print", lambda *_, **__: (score, []))
    monkeypatch.setattr(scorer, "read_photo", lambda path: SimpleNamespace(name=path.name))
    monkeypatch.setattr(round_files, "photo_with_scores", lambda *_: Image.new("RGB", (8, 8)))
    monkeypatch.setattr(round_files, "_report", lambda *_: "<p>report</p>")


def photo_at(path: Path) -> Path:
    Image.new("RGB", (700, 700)).save(path)
    return path


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and not p.name.startswith(".")
    }


# ---- kills

BROUGHT_BACK = ("restore", "reset")
WRITERS = {
    "init": ("init", "--force", "--mesh", "3", "3"),
    "sheet": ("sheet", "--points", "1,1", "3,2", "2,3", "--force"),
    "score": ("score", "PHOTO", "--force", "--round", "1"),
    "mesh": ("mesh", "-", "--yes", "--first-row", "front"),
    "edits": ("edits",),
    "prove": ("edits", "--prove"),
    "proved": ("edits", "--proved", "-"),
    "applied": ("applied", "--as-advised", "--offset", "-0.03", "--screws"),
    "restore": ("restore", "--mesh", "flat"),
    "reset": ("reset",),
}


def in_a_fork(action: Callable[[], object]) -> int:
    """Run something in a copy of this process; return its exit status."""
    pid = os.fork()
    if pid == 0:
        try:
            action()
            os._exit(0)
        except BaseException:
            os._exit(99)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def dying(folder: Path, at: int, action: Callable[[], object]) -> Callable[[], None]:
    """Return the action, which ends without any clean-up at its `at`-th change of the folder."""

    def act() -> None:
        left = at

        def watch(name: str, given: tuple[object, ...]) -> None:
            nonlocal left
            writes = name == "open" and bool(int(given[2] or 0) & (os.O_WRONLY | os.O_RDWR))  # type: ignore[call-overload]
            changes = name in ("os.rename", "os.remove", "os.mkdir", "os.chmod", "os.rmdir")
            if (writes or changes) and str(given[0]).startswith(str(folder)):
                left -= 1
                if left == 0:
                    os._exit(9)

        sys.addaudithook(watch)
        action()

    return act


def whole(folder: Path) -> None:
    """See that all that a reader would take for whole is so."""
    bed_folder = BedFolder(folder)
    assert bed_folder.bed().mesh.columns == 3
    for path in (folder / "meshes").glob("*.csv"):
        bed_folder.mesh(path.stem)
    bed_folder.active_mesh()
    for round_ in bed_folder.rounds():
        if round_.sheet_json.exists():
            digest = round_.read_sheet().gcode_sha256
            assert hashlib.sha256(round_.sheet_gcode.read_bytes()).hexdigest() == digest
            assert round_.preview_svg.read_text(encoding="utf-8").rstrip().endswith("</svg>")
        if round_.scores_json.exists():
            round_.read_score()
        for photo in round_.photos():
            Image.open(io.BytesIO(photo.read_bytes())).load()
        for path, back in (
            (round_.edits_gcode, round_.restore_gcode),
            *((folder / f"{word}.gcode", folder / f"{word}-back.gcode") for word in BROUGHT_BACK),
        ):
            for one in (path, back):
                assert not one.exists() or "To save, send" in one.read_text(encoding="utf-8")
            assert back.exists() or not path.exists()
        round_.read_applied()
    for path in (folder / "proof.json",):
        assert not path.exists() or json.loads(path.read_text(encoding="utf-8"))["format"] == 1


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
@pytest.mark.parametrize("name", WRITERS)
def test_a_kill_at_any_change_leaves_a_folder_that_works(
    scored: Path, quick_score: None, tmp_path: Path, name: str
) -> None:
    picture = photo_at(tmp_path / "photo.png")
    words = [str(picture) if word == "PHOTO" else word for word in WRITERS[name]]

    def act() -> None:
        given = [str(scored), *words[1:]] if name == "init" else ["-C", str(scored), *words]
        if name == "init":
            given = ["init", *given]
        result = CliRunner().invoke(main, given, input=TABLE)
        assert result.exit_code in (0, 1), result.output
        # A proof of an unchanged mesh fails, which is what it should say.
        assert result.exit_code == 0 or name == "proved", result.output

    kills = 0
    for at in range(1, 60):
        status = in_a_fork(dying(scored, at, act))
        assert status in (0, 9), status
        whole(scored)
        if status == 0:
            break
        kills += 1
    assert status == 0
    assert kills >= 3  # the lock, a temporary file and its rename at the least
    act()
    whole(scored)


@pytest.fixture
def a_printer(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Any]]:
    """Return the maker of printers at the other end of a pseudo-terminal."""
    pytest.importorskip("tty", reason="pseudo-terminals are a POSIX thing")
    from serial_printer import SerialPrinter

    waits = Waits(greeting_s=0.02, quiet_s=0.12, reply_s=2.0, busy_s=8.0, resend_ok_s=0.2)
    monkeypatch.setattr(over_port, "WAITS", waits)
    made: list[Any] = []

    def make(z_mm: Any, **options: Any) -> Any:
        made.append(SerialPrinter(z_mm, **options))
        made[-1].start()
        return made[-1]

    yield make
    for one in made:
        one.stop()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
@pytest.mark.parametrize("stays_on", [True, False])
def test_a_kill_while_sending_is_made_good_by_sending_again(
    scored: Path, tmp_path: Path, a_printer: Callable[..., Any], stays_on: bool
) -> None:
    assert run(scored, "edits", "--json").exit_code == 0
    wanted = Z_MM.copy()
    for edit in json.loads(run(scored, "edits", "--json").stdout)["edits"]:
        wanted[edit["j"], edit["i"]] = edit["new_mm"]
    (scored / "rounds" / "01" / "edits.gcode").unlink()
    (scored / "rounds" / "01" / "restore.gcode").unlink()
    kills = finished = 0
    for at in range(1, 60):
        folder = tmp_path / f"killed at {at}"
        shutil.copytree(scored, folder)
        printer = a_printer(Z_MM)
        words = ("send", "--port", printer.name_of_port, "--yes", "--save")

        def act(folder: Path = folder, words: tuple[str, ...] = words) -> None:
            assert run(folder, *words).exit_code == 0

        status = in_a_fork(dying(folder, at, act))
        assert status in (0, 9), status
        whole(folder)
        assert not printer.forbidden
        # What the printer keeps is the old mesh or the new one, never a part of the edits.
        kept = printer.stored
        assert np.allclose(kept, Z_MM) or np.allclose(kept, wanted)
        # Switched off and on, it has what it kept. The next run finishes the job either way.
        after = printer if stays_on else a_printer(kept)
        again = run(folder, "send", "--port", after.name_of_port, "--yes", "--save")
        printer.stop()
        after.stop()
        assert np.allclose(after.stored, wanted), again.output
        record = BedFolder(folder).round(1).read_applied()
        assert record is not None
        assert record.saved
        given = record.on_grid(GRID)
        assert given is not None
        assert Z_MM.ravel() + given == pytest.approx(wanted.ravel(), abs=1e-6)
        if again.exit_code != 0:  # killed after all was done and on record
            assert again.output.rstrip().endswith("[edits-applied]"), again.output
            assert np.allclose(kept, wanted)
            finished += 1
        whole(folder)
        if status == 0:
            break
        kills += 1
    assert kills >= 10
    assert finished <= 3  # the record of the saving, and the lock's end


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
@pytest.mark.parametrize("said_again", [True, False])
def test_a_kill_while_filling_an_empty_printer_is_made_good_by_sending_again(
    folder: Path,
    tmp_path: Path,
    score_of: Callable[..., object],
    a_printer: Callable[..., Any],
    said_again: bool,
) -> None:
    """With --empty-mesh or, once the printer holds the edits, without: they never add up."""
    score = score_of(GRID, GAPS_MM)
    advice = advise(score, BED, mesh=None)
    path = BedFolder(folder).next_round().path
    path.mkdir(parents=True)
    text = scores_to_json(score, advice, plate="plate", bed_c=60.0)
    (path / "scores.json").write_text(text, encoding="utf-8")
    wanted = np.zeros((3, 3))
    for node in advice.nodes:
        wanted[node.j, node.i] = node.dz_mm
    kills = 0
    for at in range(1, 60):
        copy = tmp_path / f"killed at {at}"
        shutil.copytree(folder, copy)
        printer = a_printer(np.zeros((3, 3)), mesh=False)
        words = ("send", "--port", printer.name_of_port, "--empty-mesh", "--yes", "--save")

        def act(copy: Path = copy, words: tuple[str, ...] = words) -> None:
            assert run(copy, *words).exit_code == 0

        status = in_a_fork(dying(copy, at, act))
        assert status in (0, 9), status
        again = run(copy, *(word for word in words if said_again or word != "--empty-mesh"))
        if "edits-mesh-unknown" in again.output:  # killed before anything was known
            assert not said_again
            assert BedFolder(copy).active_mesh() is None
            again = run(copy, *words)
        printer.stop()
        if "send-other-mesh" in again.output:  # the edits are in, but only the empty mesh is known
            assert not said_again
            table = "\n".join(" ".join(f"{z:.3f}" for z in row) for row in printer.z_mm)
            assert "all as advised" in run(copy, "mesh", "-", "--yes", text=table).output
        record = BedFolder(copy).round(1).read_applied()
        assert record is not None, again.output
        assert np.allclose(printer.z_mm, wanted), again.output
        if "send-other-mesh" not in again.output:
            assert record.saved, again.output
            assert np.allclose(printer.stored, wanted), again.output
            # Refused only where it was killed after all was done and on record.
            assert again.exit_code == 0 or "[edits-applied]" in again.output, again.output
        given = record.on_grid(GRID)
        assert given is not None
        assert given == pytest.approx(wanted.ravel(), abs=1e-6)
        whole(copy)
        if status == 0:
            break
        kills += 1
    assert kills >= 10


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
@pytest.mark.parametrize("sheet_tells", [True, False])
def test_a_kill_while_recording_the_word_is_made_good_by_saying_it_again(
    scored: Path, tmp_path: Path, sheet_tells: bool
) -> None:
    wanted = Z_MM.copy()
    for edit in json.loads(run(scored, "edits", "--json").stdout)["edits"]:
        wanted[edit["j"], edit["i"]] = edit["new_mm"]
    if not sheet_tells:  # as with sheets printed while nobody knew the mesh
        (scored / "rounds" / "01" / "sheet.json").unlink()
    kills = 0
    for at in range(1, 60):
        folder = tmp_path / f"killed at {at}"
        shutil.copytree(scored, folder)

        def act(folder: Path = folder) -> None:
            assert run(folder, *WRITERS["applied"]).exit_code == 0

        status = in_a_fork(dying(folder, at, act))
        assert status in (0, 9), status
        whole(folder)
        again = run(folder, *WRITERS["applied"])
        assert again.exit_code == 0, again.output
        whole(folder)
        # The edits count once, however often they are said to be in.
        bed_folder = BedFolder(folder)
        held = bed_folder.active_mesh()
        assert held is not None
        assert held.z_mm == pytest.approx(wanted, abs=1e-6)
        record = bed_folder.round(1).read_applied()
        assert record is not None
        assert (record.offset_mm, record.screws_turned) == (-0.03, True)
        given = record.on_grid(GRID)
        assert given is not None
        assert Z_MM.ravel() + given == pytest.approx(wanted.ravel(), abs=1e-6)
        if status == 0:
            break
        kills += 1
    assert status == 0
    assert kills >= 8


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
@pytest.mark.parametrize("off_and_on", [True, False])
@pytest.mark.parametrize("name", BROUGHT_BACK)
def test_a_kill_while_bringing_back_is_made_good_by_the_next_run(
    scored: Path, tmp_path: Path, a_printer: Callable[..., Any], name: str, off_and_on: bool
) -> None:
    wanted = np.zeros((3, 3))
    kills = 0
    for at in range(1, 60):
        folder = tmp_path / f"killed at {at}"
        shutil.copytree(scored, folder)
        printer = a_printer(Z_MM)

        def act(folder: Path = folder, port: str = printer.name_of_port) -> None:
            assert run(folder, *WRITERS[name], "--port", port, "--yes", "--save").exit_code == 0

        status = in_a_fork(dying(folder, at, act))
        assert status in (0, 9), status
        whole(folder)
        assert not printer.forbidden
        # What the printer keeps is the old mesh or the new one, never a part of the edits.
        assert np.allclose(printer.stored, Z_MM) or np.allclose(printer.stored, wanted)
        # Switched off and on it has what it kept, left on what it was told.
        after = a_printer(printer.stored)
        if not off_and_on:
            after.z_mm = printer.z_mm.copy()
        again = run(folder, *WRITERS[name], "--port", after.name_of_port, "--yes", "--save")
        printer.stop()
        after.stop()
        assert again.exit_code == 0, again.output
        assert "Saved." in again.output
        assert after.z_mm == pytest.approx(wanted, abs=1e-6)
        assert after.stored == pytest.approx(wanted, abs=1e-6)
        whole(folder)
        held = BedFolder(folder).active_mesh()
        assert held is not None
        assert held.z_mm == pytest.approx(wanted, abs=1e-6)
        if status == 0:
            break
        kills += 1
    assert status == 0
    assert kills >= 8


def test_a_part_of_a_broken_sending_is_finished_and_a_strange_mesh_is_refused(
    scored: Path, a_printer: Callable[..., Any]
) -> None:
    part = Z_MM.copy()
    part[0] = 0.0
    printer = a_printer(part)
    done = run(scored, "reset", "--port", printer.name_of_port, "--yes", "--save")
    assert done.exit_code == 0, done.output
    assert "holds this in part or wholly" in done.output
    assert printer.stored == pytest.approx(np.zeros((3, 3)))
    strange = a_printer(Z_MM + 0.05)
    refused = run(scored, "restore", "--port", strange.name_of_port, "--yes", "--save")
    assert refused.exit_code == 1
    assert "[send-other-mesh]" in refused.output
    assert strange.saves == []
    assert strange.z_mm == pytest.approx(Z_MM + 0.05)


# ---- full disk, read-only folder


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EDQUOT])
@pytest.mark.parametrize("name", WRITERS)
def test_a_full_disk_is_one_sentence_and_leaves_what_was_there(
    scored: Path, quick_score: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str,
    code: int,
) -> None:  # fmt: skip
    picture = photo_at(tmp_path / "photo.png")
    words = [str(picture) if word == "PHOTO" else word for word in WRITERS[name]]
    given = ["init", str(scored), *words[1:]] if name == "init" else ["-C", str(scored), *words]
    before = contents(scored)
    real = os.fsync
    for at in range(1, 12):
        count = 0

        def full(handle: int, at: int = at) -> None:
            nonlocal count
            count += 1
            if count == at:
                raise OSError(code, os.strerror(code))
            real(handle)

        monkeypatch.setattr(files_module.os, "fsync", full)
        result = CliRunner().invoke(main, given, input=TABLE)
        monkeypatch.setattr(files_module.os, "fsync", real)
        whole(scored)
        assert not [p for p in scored.rglob(".*")], "a temporary file or the lock was left"
        if count < at:
            break
        assert result.exit_code == 1, result.output
        assert result.output.rstrip().endswith("[file-access]")
        assert "Traceback" not in result.output
        if at == 1 and name not in ("sheet", "score"):  # these say first that the old is void
            assert contents(scored) == before
    assert at >= 2


@pytest.mark.skipif(sys.platform == "win32", reason="needs limits of file size")
def test_a_file_that_may_grow_no_further_is_one_sentence(folder: Path) -> None:
    code = (
        "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (4000, 4000)); "
        "from padsheet.cli.main import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "-C", str(folder), "sheet", "--points", "2,2"],
        capture_output=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert b"[file-access]" in done.stderr
    assert b"Traceback" not in done.stderr
    assert not [p for p in (folder / "rounds").rglob("*") if p.is_file()]
    assert run(folder, "sheet", "--points", "2,2").exit_code == 0


@pytest.mark.parametrize("name", [n for n in WRITERS if n not in ("init", "score")])
def test_a_read_only_folder_is_one_sentence_and_can_be_read(
    scored: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    real = os.open

    def read_only(path: object, flags: int, *more: object, **named: object) -> int:
        if flags & (os.O_WRONLY | os.O_RDWR) and str(path).startswith(str(scored)):
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return real(path, flags, *more, **named)  # type: ignore[arg-type]

    before = contents(scored)
    monkeypatch.setattr(os, "open", read_only)
    result = run(scored, *WRITERS[name], text=TABLE)
    assert result.exit_code == 1
    assert "Permission denied" in result.output
    assert result.output.rstrip().endswith("[file-access]")
    assert run(scored, "rounds", "--json").exit_code == 0
    monkeypatch.undo()
    assert contents(scored) == before


# ---- two runs at once


@pytest.mark.parametrize("name", [n for n in WRITERS if n != "init"])
def test_a_second_run_is_told_who_works_there(scored: Path, quick_score: None, name: str) -> None:
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as other:
        lock = {"pid": other.pid, "host": platform.node()}
        (scored / LOCK_NAME).write_text(json.dumps(lock), encoding="utf-8")
        picture = photo_at(scored.parent / "photo.png")
        words = [str(picture) if word == "PHOTO" else word for word in WRITERS[name]]
        before = contents(scored)
        result = run(scored, *words, text=TABLE)
        assert result.exit_code == 1
        assert f"process {other.pid} on" in result.output
        assert "[folder-busy]" in result.output
        assert contents(scored) == before
        other.communicate(b"\n")
    assert run(scored, *words, text=TABLE).exit_code in (0, 1)
    assert not (scored / LOCK_NAME).exists()


def test_runs_at_the_same_time_write_one_sheet(folder: Path) -> None:
    command = [*COMMAND, "-C", str(folder), "sheet"]
    runs = [
        subprocess.Popen([*command, "--points", "2,2"], stdout=-3, stderr=subprocess.PIPE)
        for _ in range(3)
    ]
    told = [process.communicate(timeout=120)[1].decode() for process in runs]
    assert sorted({process.returncode for process in runs}) in ([0], [0, 1])
    for process, text in zip(runs, told, strict=True):
        assert process.returncode == 0 or re.search(r"\[(folder-busy|file-exists)\]", text), text
    whole(folder)
    assert [r.number for r in BedFolder(folder).rounds()] == [1]


# ---- clocks and formats


def test_a_clock_that_was_set_back_does_not_keep_a_lock(folder: Path) -> None:
    lock = folder / LOCK_NAME
    lock.write_text("", encoding="utf-8")
    later = time.time() + 86_400
    os.utime(lock, (later, later))
    assert run(folder, "sheet", "--points", "2,2").exit_code == 0


def test_rounds_and_meshes_go_by_their_numbers_not_by_the_clock(
    scored: Path, quick_score: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    for path in scored.rglob("*"):
        os.utime(path, (2e9, 2e9))  # all written in the future
    assert run(scored, "sheet", "--points", "2,2", "--force").exit_code == 0
    assert BedFolder(scored).latest_round().number == 2  # type: ignore[union-attr]
    assert run(scored, "mesh", "-", "--yes", "--first-row", "front", text=TABLE).exit_code == 0
    assert BedFolder(scored).active_mesh().name == "mesh-2"  # type: ignore[union-attr]
    assert run(scored, "edits", "--round", "1").exit_code == 0


NEWER = {
    "rounds/01/sheet.json": ("edits", "file-newer"),
    "rounds/01/scores.json": ("edits", "file-newer"),
    "rounds/01/applied.json": ("rounds", "file-newer"),
    "meshes/mesh.csv": ("edits", "mesh-file-newer"),
}


@pytest.mark.parametrize("name", NEWER)
def test_a_newer_format_is_refused_and_left_alone(scored: Path, name: str) -> None:
    path, (command, code) = scored / name, NEWER[name]
    if path.suffix == ".csv":
        text = path.read_text(encoding="utf-8").replace("format 1;", "format 2;")
    elif path.exists():
        data = json.loads(path.read_text(encoding="utf-8"))
        text = json.dumps(data | {"format": 2, "new": {"key": 1}})
    else:
        text = '{"format": 2}'
    path.write_text(text, encoding="utf-8")
    result = run(scored, command)
    assert result.exit_code == 1
    assert f"[{code}]" in result.output
    assert "pdate padsheet" in result.output
    assert path.read_text(encoding="utf-8") == text


def test_a_proof_of_a_newer_format_counts_as_none(scored: Path) -> None:
    (scored / "proof.json").write_text('{"format": 2, "kind": "ok"}', encoding="utf-8")
    assert "First prove the edit style" in run(scored, "edits").output


# ---- line ends, names of folders, locales


def test_windows_line_ends_change_nothing(scored: Path, tmp_path: Path) -> None:
    other = make_folder(tmp_path / "windows")
    for path in scored.rglob("*"):
        if path.is_file():
            target = other / path.relative_to(scored)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    assert BedFolder(other).bed() == BED
    for words in (["rounds", "--json"], ["edits", "--json"]):
        results = [run(f, *words) for f in (scored, other)]
        assert [r.exit_code for r in results] == [0, 0], results[1].output
        assert results[0].stdout == results[1].stdout
    start = tmp_path / "start.gcode"
    start.write_bytes(b"G28\r\nM420 S1\r\nG1 Z5 F300\r\n")
    assert run(other, "start-check", str(start)).exit_code == 0
    taken = run(
        other, "mesh", "-", "--yes", "--first-row", "front", text=TABLE.replace("\n", "\r\n")
    )
    assert taken.exit_code == 0


@pytest.mark.parametrize("name", ["my bed", "Дрюк стіл", "打印床 ♨", "bed; rm -rf ~ 'x'", "-C"])
def test_any_name_of_a_folder_works(tmp_path: Path, quick_score: None, name: str) -> None:
    folder = make_folder(tmp_path / name)
    assert run(folder, "mesh", "-", "--yes", "--first-row", "front", text=TABLE).exit_code == 0
    made = run(folder, "sheet", "--points", "1,1", "3,2", "2,3")
    assert made.exit_code == 0, made.output
    picture = photo_at(folder / "ein Foto 写真.png")
    scored = run(folder, "score", str(picture))
    assert scored.exit_code == 0, scored.output
    for words in (["edits"], ["rounds"], ["edits", "--prove"]):
        result = run(folder, *words)
        assert result.exit_code == 0, result.output
    # A command that is to be copied is quoted where it must be.
    (told,) = re.findall(r"`(padsheet -C .* score) PHOTO`", made.stderr)
    assert shlex.split(told)[2] == str(folder)


# Where no such locale is installed the variables change nothing; the other ones still do.
PLACES = (
    {"PYTHONHASHSEED": "1", "LC_ALL": "C", "TZ": "UTC"},
    {"PYTHONHASHSEED": "2", "LC_ALL": "de_DE.UTF-8", "TZ": "Asia/Kathmandu"},
    {"PYTHONHASHSEED": "3", "LC_ALL": "tr_TR.UTF-8", "TZ": "America/St_Johns", "PYTHONUTF8": "1"},
    {"PYTHONHASHSEED": "4", "LC_ALL": "fr_FR.ISO-8859-1", "OPENBLAS_NUM_THREADS": "1"},
)


def test_same_input_same_bytes_wherever_it_runs(tmp_path: Path) -> None:
    found = []
    for number, place in enumerate(PLACES):
        folder = make_folder(tmp_path / f"place {number}" / "bed")
        env = {**os.environ, **place}
        work = tmp_path if number % 2 else folder
        for words in (["mesh", "-", "--yes", "--first-row", "front"], ["sheet", "--reach", "fine"]):
            done = outside("-C", str(folder), *words, input=TABLE.encode(), env=env, cwd=work)
            assert done.returncode == 0, done.stderr
        data = contents(folder)
        mesh = data.pop("meshes/mesh.csv")
        data["mesh"] = re.sub(rb"# taken: .*", b"", mesh)  # tells when it was read
        found.append(data)
    assert set(found[0]) >= {"rounds/01/sheet.gcode", "rounds/01/sheet.json", "mesh"}
    for other in found[1:]:
        assert other == found[0]


@pytest.mark.filterwarnings("error")
def test_a_decimal_comma_locale_writes_points(tmp_path: Path) -> None:
    names = ("de_DE.UTF-8", "fr_FR.UTF-8", "nl_NL.UTF-8", "de_DE", "German_Germany.1252")
    before = locale.setlocale(locale.LC_ALL)
    for name in names:
        try:
            locale.setlocale(locale.LC_ALL, name)
            break
        except locale.Error:
            continue
    else:
        # None is installed: let the C library say what such a locale would.
        pytest.skip("no locale with a decimal comma is installed")
    try:
        folder = make_folder(tmp_path / "bed")
        assert run(folder, "sheet", "--points", "2,2").exit_code == 0
        text = BedFolder(folder).round(1).sheet_gcode.read_text(encoding="utf-8")
        code = "\n".join(line.split(";")[0] for line in text.splitlines())
        assert "," not in code
        assert json.loads(BedFolder(folder).round(1).sheet_json.read_text(encoding="utf-8"))
    finally:
        locale.setlocale(locale.LC_ALL, before)


def test_a_terminal_without_the_letters_gets_no_traceback(tmp_path: Path) -> None:
    folder = make_folder(tmp_path / "床 ♨")
    env = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    made = outside("-C", str(folder), "sheet", "--points", "2,2", "--json", env=env)
    assert made.returncode == 0, made.stderr
    assert Path(json.loads(made.stdout)["folder"]) == folder / "rounds" / "01"
    for words in (["rounds"], ["explain"], ["--help"]):
        done = outside("-C", str(folder), *words, env=env)
        assert done.returncode == 0, done.stderr
        assert b"Traceback" not in done.stderr


# ---- output that nobody takes


@pytest.mark.skipif(sys.platform == "win32", reason="needs a shell with pipes")
@pytest.mark.parametrize(
    "words", [["explain"], ["rounds"], ["edits"], ["--help"], ["sheet", "--json"]]
)
def test_a_reader_that_stops_reading_gets_no_traceback(scored: Path, words: list[str]) -> None:
    # The reader is gone before the first byte: the hardest case of `| head -1`.
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "wb") as closed:
        done = subprocess.run(
            [*COMMAND, "-C", str(scored), *words],
            stdout=closed, stderr=subprocess.PIPE, timeout=120, check=False,
        )  # fmt: skip
    assert done.returncode in (0, 1)
    assert b"Traceback" not in done.stderr
    assert b"BrokenPipe" not in done.stderr
    whole(scored)


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs /dev/full")
@pytest.mark.parametrize("words", [["explain"], ["rounds", "--json"], ["edits"]])
def test_output_onto_a_full_disk_is_one_sentence(scored: Path, words: list[str]) -> None:
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [*COMMAND, "-C", str(scored), *words],
            stdout=full, stderr=subprocess.PIPE, timeout=120, check=False,
        )  # fmt: skip
    assert done.returncode == 1
    assert b"Traceback" not in done.stderr
    assert b"[file-access]" in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX shell")
@pytest.mark.parametrize("closed", [">&-", "<&-", "2>&-", "<&- >&- 2>&-"])
@pytest.mark.parametrize("words", [["rounds"], ["init"], ["edits"], ["score", "--by-eye"]])
def test_standard_streams_closed_altogether(scored: Path, words: list[str], closed: str) -> None:
    command = f"{shlex.join([*COMMAND, '-C', str(scored), *words])} {closed}"
    done = subprocess.run(command, shell=True, capture_output=True, timeout=120, check=False)
    assert done.returncode in (0, 1, 2)
    assert b"Traceback" not in done.stderr
    assert b"Exception" not in done.stderr
    whole(scored)


def test_a_mesh_kept_by_hand_is_read(folder: Path) -> None:
    BedFolder(folder).store_mesh(Mesh(grid=GRID, z_mm=Z_MM, name="by hand ✋"))
    assert BedFolder(folder).active_mesh().name == "by hand ✋"  # type: ignore[union-attr]
