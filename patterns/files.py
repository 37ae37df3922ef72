"""Writing files so that a kill, a full disk or a crash never leaves one half-written."""

from __future__ import annotations

import os
import time
from pathlib import Path

from padsheet.patterns.errors import PadsheetError

__all__ = ["access_error", "write_atomic"]


def access_error(error: OSError, path: str = "") -> PadsheetError:
    """Return what a user is told of an operating system's error; `path` if it names no file.

    Examples
    --------
    >>> access_error(FileNotFoundError(2, "No such file", "a.toml")).problem
    'cannot use a.toml: No such file'
    """
    where = f" {error.filename or path}" if error.filename or path else ""
    return PadsheetError(
        f"cannot use{where}: {error.strerror or error}",
        remedy="Check the path, its permissions and the free space.",
        code="file-access",
    )


def write_atomic(path: Path, data: bytes | str) -> None:
    """Write a file whole or not at all: temporary file beside it, fsync, rename.

    Parameters
    ----------
    path : Path
        Where to write; its folder must exist.
    data : bytes or str
        Text is written as UTF-8 with line ends as given.

    Raises
    ------
    OSError
        If the folder cannot be written; the old file is then untouched.
    """
    raw = data.encode("utf-8") if isinstance(data, str) else data
    part = path.with_name(f".{path.name}.{os.getpid()}-{time.monotonic_ns():x}")
    try:
        # Only ever a new file: a name that someone else has taken is an error.
        with open(part, "xb") as stream:
            stream.write(raw)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
