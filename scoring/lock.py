"""One program at a time in a bed folder: a lock file with the holder's process number."""

from __future__ import annotations

import json
import os
import platform
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from padsheet.patterns.errors import PadsheetError

__all__ = ["LOCK_NAME", "locked"]

LOCK_NAME = ".lock"
#: A lock without a readable holder is one being written, unless it has been so for long.
WRITING_S = 10.0
_held_here: set[str] = set()


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the lock of a folder; the lock of a process that no longer runs is taken over.

    Raises
    ------
    PadsheetError
        If another running process holds it.
    """
    path = folder / LOCK_NAME
    # A second turn is for a stale lock, a third for one who was quicker to take it over.
    for _ in range(3):
        if _created(path):
            break
        holder = _holder(path)
        if _stale(path, holder):
            _take_away(path, holder)
        else:
            raise _busy(path, holder)
    else:
        raise _busy(path, _holder(path))
    key = os.path.realpath(path)
    _held_here.add(key)
    try:
        yield
    finally:
        _held_here.discard(key)
        path.unlink(missing_ok=True)


def _created(path: Path) -> bool:
    """Make the lock file; False if there is one."""
    try:
        handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644)
    except FileExistsError:
        return False
    with os.fdopen(handle, "w", encoding="utf-8") as stream:
        json.dump({"pid": os.getpid(), "host": platform.node()}, stream)
    return True


def _holder(path: Path) -> tuple[int, str] | None:
    """Return process number and computer of the holder; None if the file does not tell."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        return int(data["pid"]), str(data["host"])
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None


def _stale(path: Path, holder: tuple[int, str] | None) -> bool:
    """Tell whether nobody holds the lock any more."""
    if holder is None:
        try:
            # A clock that was set back must not keep a lock for ever.
            return abs(time.time() - path.stat().st_mtime) > WRITING_S
        except FileNotFoundError:
            return True
    pid, host = holder
    if host != platform.node():
        return False  # a shared folder: nobody here can tell whether that process lives
    if pid == os.getpid():
        return os.path.realpath(path) not in _held_here  # the number was used before
    return not _running(pid)


def _running(pid: int) -> bool:
    """Tell whether a process runs."""
    if pid <= 0:
        return False
    if sys.platform == "win32":  # signal 0 would end the process there
        import ctypes

        handle = ctypes.windll.kernel32.OpenProcess(0x1000, False, pid)
        if handle:
            ctypes.windll.kernel32.CloseHandle(handle)
        return bool(handle)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


def _take_away(path: Path, holder: tuple[int, str] | None) -> None:
    """Remove a stale lock; one that somebody else made meanwhile is put back."""
    aside = path.with_name(f"{path.name}.{os.getpid()}.stale")
    try:
        os.replace(path, aside)
    except FileNotFoundError:
        return
    if _holder(aside) != holder and not path.exists():
        os.replace(aside, path)
    aside.unlink(missing_ok=True)


def _busy(path: Path, holder: tuple[int, str] | None) -> PadsheetError:
    """Return the error that names the holder."""
    who = "another program" if holder is None else f"process {holder[0]} on {holder[1]}"
    return PadsheetError(
        f"{who} is working in the bed folder {path.parent}",
        remedy=f"Wait until it is done; if it no longer runs, remove {path}.",
        code="folder-busy",
    )
