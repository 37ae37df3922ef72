"""The lock of a bed folder."""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
import time

import pytest

from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.lock import LOCK_NAME, locked


def leave_lock(folder, pid, host=None):
    data = {"pid": pid, "host": host or platform.node()}
    (folder / LOCK_NAME).write_text(json.dumps(data), encoding="utf-8")


@pytest.fixture
def dead_pid():
    """The number of a process that has ended."""
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


def test_a_lock_is_there_while_held_and_gone_after(tmp_path):
    with locked(tmp_path):
        assert json.loads((tmp_path / LOCK_NAME).read_text())["pid"] == os.getpid()
    assert list(tmp_path.iterdir()) == []


def test_an_error_inside_releases_the_lock(tmp_path):
    with pytest.raises(RuntimeError), locked(tmp_path):
        raise RuntimeError
    assert list(tmp_path.iterdir()) == []


def test_a_second_holder_is_refused_and_the_first_keeps_it(tmp_path):
    with locked(tmp_path):
        with pytest.raises(PadsheetError) as caught, locked(tmp_path):
            pass
        assert (tmp_path / LOCK_NAME).exists()
    assert caught.value.code == "folder-busy"
    assert f"process {os.getpid()}" in caught.value.problem
    assert LOCK_NAME in caught.value.remedy


def test_another_running_process_is_refused(tmp_path):
    code = (
        "import sys, pathlib\n"
        "from padsheet.scoring.lock import locked\n"
        "with locked(pathlib.Path(sys.argv[1])):\n"
        "    print('held', flush=True)\n"
        "    sys.stdin.read()\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    with process:
        assert process.stdout.readline() == "held\n"
        with pytest.raises(PadsheetError, match=f"process {process.pid}"), locked(tmp_path):
            pass
        process.kill()
    # Killed while it held the lock: the file stays, and the next one takes it over.
    assert (tmp_path / LOCK_NAME).exists()
    with locked(tmp_path):
        pass
    assert list(tmp_path.iterdir()) == []


def test_the_lock_of_a_dead_process_is_taken_over(tmp_path, dead_pid):
    leave_lock(tmp_path, dead_pid)
    with locked(tmp_path):
        assert json.loads((tmp_path / LOCK_NAME).read_text())["pid"] == os.getpid()
    assert list(tmp_path.iterdir()) == []


def test_the_own_number_from_an_earlier_life_is_stale(tmp_path):
    leave_lock(tmp_path, os.getpid())
    with locked(tmp_path):
        pass


def test_the_lock_of_another_computer_is_respected(tmp_path, dead_pid):
    leave_lock(tmp_path, dead_pid, host="another-computer")
    with pytest.raises(PadsheetError, match="another-computer"), locked(tmp_path):
        pass


def test_an_empty_lock_is_being_written_until_it_is_old(tmp_path):
    path = tmp_path / LOCK_NAME
    path.write_text("")
    with pytest.raises(PadsheetError, match="another program"), locked(tmp_path):
        pass
    long_ago = time.time() - 60
    os.utime(path, (long_ago, long_ago))
    with locked(tmp_path):
        pass
