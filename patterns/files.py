"""Writing files so that a kill, a full disk or a crash never leaves one half-written."""

from __future__ import annotations

import os
import tempfile
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
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(raw)
            stream.flush()
            os.fsync(stream.fileno())
        # mkstemp makes private files; these are for the user's other programs too.
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(name, 0o666 & ~umask)
        os.replace(name, path)
    except BaseException:
        if os.path.exists(name):
            os.unlink(name)
        raise
