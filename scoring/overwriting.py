"""Nothing is overwritten unasked, and files that belong together are written whole."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic

__all__ = ["refuse_overwrite", "write_group"]


def refuse_overwrite(path: Path, force: bool) -> None:
    """Refuse to overwrite a file without `force`.

    Raises
    ------
    PadsheetError
        If the file is there and `force` is False.
    """
    if path.exists() and not force:
        raise PadsheetError(
            f"{path} is there already",
            remedy="Give --force to overwrite it, or begin a new round with `padsheet sheet`.",
            code="file-exists",
        )


def write_group(folder: Path, files: Mapping[str, bytes | str], *, force: bool = False) -> None:
    """Write files that belong together; the last one vouches for the others.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    files : mapping of str to bytes or str
        Name and content in writing order. The last is written last and, when overwriting, removed
        first: a run that is cut short leaves a group without it, and the next run writes all again.

    Raises
    ------
    PadsheetError
        If the last file is there and `force` is False.
    """
    folder.mkdir(parents=True, exist_ok=True)
    mark = folder / list(files)[-1]
    refuse_overwrite(mark, force)
    mark.unlink(missing_ok=True)
    for name, data in files.items():
        write_atomic(folder / name, data)
