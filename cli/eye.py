"""The lines that look just right: asked for, one pad after the other, or read from a file."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import click

from padsheet.cli.options import prompted, read_given, say
from padsheet.cli.questions import BACK
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.by_eye import Pick, by_eye_words, check_lines, picks_from_csv

__all__ = ["picks_of"]

_LARGEST_FILE_BYTES = 1_000_000


def picks_of(sheet: Sheet, files: Sequence[Path]) -> tuple[Pick, ...]:
    """Read the picks from the one file given (``-`` for standard input), or ask for them.

    Raises
    ------
    click.UsageError
        If more than one file is given, or none and nobody can be asked.
    PadsheetError
        If the file cannot be used.
    """
    if len(files) > 1:
        raise click.UsageError("With --by-eye give one file of lines, or none to be asked.")
    if files:
        return picks_from_csv(_text(files[0]), sheet)
    if not _can_ask():
        raise click.UsageError(
            "With --by-eye give a file of column,row,line (- for standard input), or run it in a "
            "terminal to be asked."
        )
    return _ask(sheet)


def _can_ask() -> bool:
    """Whether a person sits at standard input."""
    return sys.stdin.isatty()


def _text(path: Path) -> str:
    """Read a file of picks."""
    remedy = "Give a text file of column,row,line, one row a pad, or none to be asked."
    data = read_given(path, _LARGEST_FILE_BYTES + 1, remedy=remedy)
    try:
        if len(data) <= _LARGEST_FILE_BYTES and b"\0" not in data:
            return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        pass
    raise PadsheetError(
        f"{path} is not a table of lines picked by eye",
        remedy="Give a text file of column,row,line, one row a pad; for a photo leave --by-eye "
        "away.",
        code="eye-file",
    )


def _ask(sheet: Sheet) -> tuple[Pick, ...]:
    """Ask for each pad in turn; `<` or `b` goes back to the one before."""
    for sentence in by_eye_words(sheet):
        say(sentence)
    say(
        "Enter alone: cannot tell. < or b: back to the pad before. Ctrl-C: stop, nothing is "
        "written."
    )
    lines: list[tuple[int, ...]] = []
    while len(lines) < len(sheet.pads):
        pad = sheet.pads[len(lines)]
        answer = prompted(f"Column {pad.i + 1}, row {pad.j + 1}, line")
        if answer.lower() in BACK:
            lines = lines[:-1]
            continue
        words = answer.replace(",", " ").split()
        if not all(word.isascii() and word.isdecimal() and len(word) < 6 for word in words):
            say("Give the number of a line, such as 3, or two such as 3 8; Enter: cannot tell.")
            continue
        picked = tuple(int(word) for word in words)
        if problem := check_lines(sheet, picked):
            say(f"{problem[0].upper()}{problem[1:]}.")
            continue
        lines.append(picked)
    return tuple(
        Pick(i=pad.i, j=pad.j, lines=picked) for pad, picked in zip(sheet.pads, lines, strict=True)
    )
