"""Bed folders near a folder that is none: what a person most likely meant."""

from __future__ import annotations

import difflib
import os
import shlex
from itertools import islice
from pathlib import Path

__all__ = ["meant"]

#: So many entries of a folder are looked at, and so many of its bed folders named.
LOOKED_AT, NAMED = 1000, 3


def meant(path: Path, profile: str) -> str:
    """Return the commands' beginnings for the bed folders near a folder; empty without any.

    Those around it count first, then those in it; of a folder that is not there, those beside it
    with a name like its own.

    Parameters
    ----------
    path : Path
        A folder without a profile, or one that does not exist.
    profile : str
        Name of the profile's file.
    """
    try:
        found = _near(path.resolve(), profile)
    except OSError:
        return ""
    return " or ".join(f"`padsheet -C {shlex.quote(_from_here(bed))}`" for bed in found)


def _near(path: Path, profile: str) -> list[Path]:
    if not path.is_dir():
        beds = {bed.name: bed for bed in _beds_in(path.parent, profile)}
        return [beds[name] for name in difflib.get_close_matches(path.name, beds, n=1)]
    around = [parent for parent in path.parents[:2] if (parent / profile).is_file()]
    return around[:1] or sorted(_beds_in(path, profile))[:NAMED]


def _beds_in(folder: Path, profile: str) -> list[Path]:
    if not folder.is_dir():
        return []
    return [p for p in islice(folder.iterdir(), LOOKED_AT) if (p / profile).is_file()]


def _from_here(path: Path) -> str:
    """Name a folder from the current one, as a person would type it."""
    try:
        return os.path.relpath(path)
    except ValueError:  # another drive
        return str(path)
