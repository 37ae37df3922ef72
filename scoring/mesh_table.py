"""Reading the mesh table that a printer prints."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.mesh import Mesh, parse_mesh_csv

__all__ = ["OPPOSITE", "TableReading", "read_table"]

LARGEST_TEXT = 1_000_000
LARGEST_HEIGHT_MM = 5.0

_COLOUR = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")
_CLOCK = r"\[?\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?\]?(?:\s*:(?!\S))?"
_KNOWN = r"(?:recv|received|rx|rcv|echo|info|read|debug)\s*[:>]"
_PREFIX = re.compile(rf"^\s*(?:(?:{_CLOCK}|{_KNOWN}|<+|>+|\$|//)\s*)+", re.IGNORECASE)
_WORD = re.compile(r"^\s*([A-Za-z]+)\s*:")
_ROW = re.compile(r"^\s*(?:row|line)\s*(\[?\d+\]?)\s*[:=|]?", re.IGNORECASE)
_NOISE = re.compile(r"^\s*(?:ok\b.*|wait|busy\b.*|processing|@?:?\s*[TB]\d*:.*)$", re.IGNORECASE)
_RULE = re.compile(r"^[\s=\-_+|*~:]*$")
_CORNERS = re.compile(r"^\s*(?:\(\s*-?[\d.]+\s*,\s*-?[\d.]+\s*\)\s*)+$")
_BETWEEN = re.compile(r"\]\s*,?\s*\[")
_OTHER_UNIT = re.compile(r"\d\s*(?:um|\u00b5m|\u03bcm|microns?|mil|inch|in|cm)\b", re.IGNORECASE)
_EMPTY = re.compile(
    r"no\s+(?:valid\s+)?(?:mesh|data|grid|leveling|points)|no mesh data|not\s+valid|invalid|"
    r"mesh\s+(?:is\s+)?(?:empty|not\s+set)|(?:has|have|was)\s+no(?:t)?\s+(?:data|been)",
    re.IGNORECASE,
)
_DECIMAL = re.compile(r"^[+-]?(?:\d+\.\d*|\.\d+)(?:e[+-]?\d+)?$", re.IGNORECASE)
_WHOLE = re.compile(r"^[+-]?\d+$")
_GAP = re.compile(r"^(?:[+-]?nan|[+-]?inf(?:inity)?|\.+|=+|-{2,}|\?+|\*+|x+|none|null)$", re.I)
_COMMA = re.compile(r"^[+-]?\d+,\d+$")

OPPOSITE = {"front": "back", "back": "front", "left": "right", "right": "left"}
"""The other end, or the other side, of the bed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableReading:
    """A mesh taken from a printed table.

    Attributes
    ----------
    mesh : Mesh
        The values, row by row from the front and from the left.
    notes : tuple of str
        What was noticed, as sentences.
    first_row, first_column : str
        Which end and side of the bed the first printed row and column were taken for; empty for a
        file that says so itself.
    """

    mesh: Mesh
    notes: tuple[str, ...] = ()
    first_row: str = ""
    first_column: str = ""

    def other_way(self, kind: str) -> str:
        """Return the options of `padsheet mesh` that read the table turned over; "" if none do.

        Parameters
        ----------
        kind : {"rows", "columns", "both", "transposed"}
            What is to be turned over.

        Examples
        --------
        >>> grid = MeshGrid(columns=2, rows=2)
        >>> read_table("0.1 0.2; 0.3 0.4".replace(";", chr(10)), grid).other_way("rows")
        ' --first-row back --first-column left'
        """
        turned = {"rows": (True, False), "columns": (False, True), "both": (True, True)}.get(kind)
        if turned is None or not self.first_row:
            return ""
        row, column = (
            OPPOSITE[end] if over else end
            for end, over in zip((self.first_row, self.first_column), turned, strict=True)
        )
        return f" --first-row {row} --first-column {column}"

    @property
    def this_way(self) -> str:
        """Return the options of `padsheet mesh` that read the table as it was read."""
        if not self.first_row:
            return ""
        return f" --first-row {self.first_row} --first-column {self.first_column}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    """Rows of number words that stand together, and the index line above or below them."""

    rows: tuple[tuple[str, ...], ...]
    head: tuple[int, ...] = ()


def read_table(
    text: str,
    grid: MeshGrid,
    *,
    first_row: Literal["front", "back"] | None = None,
    first_column: Literal["left", "right"] | None = None,
) -> TableReading:
    r"""Read the mesh from what a printer's terminal shows.

    Index numbers, separators, prompts, prefixes of the terminal, rules and other talk are left
    out. A file written by `padsheet.scoring.mesh.write_mesh_csv` is read as it says itself.

    Parameters
    ----------
    text : str
        The pasted block.
    grid : MeshGrid
        Which table is expected; its `table_first_row` and `table_first_column` apply where the
        next two are not given.
    first_row : {"front", "back"}, optional
        Which end of the bed the first printed row shows.
    first_column : {"left", "right"}, optional
        Which side of the bed the first printed column shows.

    Returns
    -------
    TableReading
        With a mesh that has every value.

    Raises
    ------
    PadsheetError
        If there is no table, no mesh in the printer, a table of another size, a value that is
        missing or no number, decimal commas, or a unit other than millimetres.

    Examples
    --------
    >>> grid = MeshGrid(columns=3, rows=2)
    >>> reading = read_table("0: +0.10 +0.20 +0.30\n1: -0.10 0.00 0.05", grid, first_row="back")
    >>> reading.mesh.z_mm[0].tolist()
    [-0.1, 0.0, 0.05]
    """
    if len(text) > LARGEST_TEXT:
        raise PadsheetError(
            f"the text has {len(text)} characters, far more than a mesh table",
            remedy="Copy only the table that the printer shows.",
            code="mesh-too-long",
        )
    if text.lstrip("\ufeff").startswith("# bed mesh, format "):
        return TableReading(mesh=parse_mesh_csv(text, Path("mesh.csv"), grid))
    blocks = _blocks(text, grid)
    if not blocks:
        raise _nothing(text)
    printed, notes = _choose(blocks, grid)
    from_front = (first_row or grid.table_first_row) == "front"
    from_left = (first_column or grid.table_first_column) == "left"
    z_mm = printed[:: 1 if from_front else -1, :: 1 if from_left else -1]
    return TableReading(
        mesh=Mesh(grid=grid, z_mm=np.ascontiguousarray(z_mm)),
        notes=notes,
        first_row="front" if from_front else "back",
        first_column="left" if from_left else "right",
    )


def _nothing(text: str) -> PadsheetError:
    """Tell an empty mesh from a text without a table."""
    if _EMPTY.search(text):
        return PadsheetError(
            "the printer says that it holds no mesh",
            remedy="Put that on record with `padsheet mesh --empty`, and go on without one.",
            code="mesh-none",
        )
    return PadsheetError(
        "there is no mesh table in this text",
        remedy="Ask the printer for its mesh (often 'M420 V') and copy the whole answer. If it "
        "says that it holds none, put that on record with `padsheet mesh --empty`.",
        code="mesh-no-table",
    )


def _blocks(text: str, grid: MeshGrid) -> list[_Block]:
    """Find the groups of number rows in the text."""
    lines = _BETWEEN.sub("]\n[", _COLOUR.sub("", text).replace("\u2212", "-")).splitlines()
    words = Counter(found.group(1).lower() for line in lines if (found := _WORD.match(line)))
    common = {word for word, count in words.items() if count >= grid.rows}
    blocks: list[_Block] = []
    rows: list[tuple[str, ...]] = []
    head: tuple[int, ...] = ()

    def close() -> None:
        nonlocal rows, head
        if rows:
            blocks.append(_Block(rows=tuple(rows), head=head))
        rows, head = [], ()

    for line in lines:
        bare = _bare(line, common)
        if any(idle.match(bare) for idle in (_NOISE, _RULE, _CORNERS)):
            continue
        row = _words(bare)
        index = _run(row) if row is not None and len(row) >= 2 else None
        if row is not None and index is None:
            rows.append(row)
        elif index is not None and not rows:
            head = index
        else:
            # Talk or a line of column numbers ends a table; the numbers may also stand below it.
            head = head or index or ()
            close()
    close()
    return blocks


def _bare(line: str, common: set[str]) -> str:
    """Take the terminal's own prefixes off a line."""
    line = _PREFIX.sub("", line)
    found = _WORD.match(line)
    if found and found.group(1).lower() in common and found.group(1).lower() not in ("t", "b"):
        line = line[found.end() :]
    return _ROW.sub(lambda row: row.group(1).strip("[]") + " ", line)


def _words(bare: str) -> tuple[str, ...] | None:
    """Split a line into the words of one row; None if the line is talk.

    Raises
    ------
    PadsheetError
        If it is a row with decimal commas, with another unit or with a word that is no number.
    """
    pieces = re.sub(r"[|;\t\[\]{}()]", " ", bare).split()
    commas = [piece for piece in pieces if _COMMA.match(piece)]
    if (
        commas
        and "." not in bare
        and _run(tuple(re.split(r"[\s|,;]+", bare.strip("\t |,;")))) is None
    ):
        raise _decimal_comma(commas[0])
    words = re.sub(r"[|;,\t\[\]{}()]", " ", bare)
    words = re.sub(r"([+-])\s+(?=[\d.])", r"\1", words)
    words = re.sub(r"(?<=[\d.])\s*mm\b", " ", words)
    row = tuple(re.sub(r"^(\d+):$", r"\1", word) for word in words.split())
    odd = [word for word in row if not (_is_number(word) or _GAP.match(word))]
    decimals = sum(1 for word in row if _DECIMAL.match(word))
    if not odd:
        return row if len(row) >= 2 or decimals else None
    if len(_OTHER_UNIT.findall(bare)) >= 2:
        raise PadsheetError(
            f"the table is not in millimetres: '{bare.strip()[:40]}'",
            remedy="Convert the values to millimetres and paste them again.",
            code="mesh-unit",
        )
    if decimals < 2 or any(re.match(r"^[A-Za-z]\w*[:=]", word) for word in row):
        return None
    raise PadsheetError(
        f"'{odd[0][:20]}' in the row '{bare.strip()[:50]}' is not a number",
        remedy="Copy the printer's answer again; a line may have been damaged on its way.",
        code="mesh-not-a-number",
    )


def _is_number(word: str) -> bool:
    return bool(_DECIMAL.match(word) or _WHOLE.match(word))


def _decimal_comma(word: str) -> PadsheetError:
    return PadsheetError(
        f"'{word}' has a decimal comma, which may also part two numbers",
        remedy="Replace the decimal commas by points and paste the table again.",
        code="mesh-decimal-comma",
    )


def _run(words: tuple[str, ...]) -> tuple[int, ...] | None:
    """Return whole numbers that count up from 0 or 1, or down to it; else None."""
    # No mesh has as many points as three digits count, and Python reads no number of thousands.
    if not all(re.match(r"^\d{1,3}$", word) for word in words):
        return None
    numbers = tuple(int(word) for word in words)
    first = min(numbers)
    up = tuple(range(first, first + len(numbers)))
    return numbers if first in (0, 1) and numbers in (up, up[::-1]) else None


def _choose(blocks: list[_Block], grid: MeshGrid) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Return the one table of the right size, as printed, and what was noticed."""
    opened = [_without_index(block) for block in blocks]
    fitting = [
        (rows, notes)
        for rows, notes in opened
        if len(rows) == grid.rows and all(len(row) == grid.columns for row in rows)
    ]
    if not fitting:
        raise _wrong_size(max((rows for rows, _ in opened), key=len), grid)
    tables = [_values(rows) for rows, _ in fitting]
    if any(not np.array_equal(table, tables[0]) for table in tables[1:]):
        raise PadsheetError(
            f"the text holds {len(tables)} different mesh tables",
            remedy="Paste only one of them.",
            code="mesh-several",
        )
    notes = fitting[0][1]
    if len(blocks) > len(fitting):
        notes = (*notes, f"Other tables than the one of {grid.columns} x {grid.rows} were left.")
    return tables[0], notes


def _without_index(block: _Block) -> tuple[list[tuple[str, ...]], tuple[str, ...]]:
    """Take the column of row numbers off, and say how the printer counts."""
    rows = list(block.rows)
    notes = []
    labels = _run(tuple(row[0] for row in rows)) if len(rows) >= 2 else None
    pointed = any("." in word for row in rows for word in row[1:])
    if labels and all(len(row) > 2 for row in rows) and (pointed or block.head):
        first = [row[0] for row in rows]
        if [row[-1] for row in rows] == first:
            rows = [row[:-1] for row in rows]
        rows = [row[1:] for row in rows]
        notes.append(f"The rows are numbered from {labels[0]} to {labels[-1]}.")
        if labels[0] > labels[-1]:
            notes.append(
                "Numbers that fall from row to row often mean that the first row is the back of "
                "the bed; they do not prove it."
            )
    if len(block.head) > 1 and block.head[0] > block.head[-1]:
        notes.append("The columns are numbered backwards: the first may be the right side.")
    return rows, tuple(notes)


def _wrong_size(rows: list[tuple[str, ...]], grid: MeshGrid) -> PadsheetError:
    widths = {len(row) for row in rows}
    expected = f"{grid.columns} columns and {grid.rows} rows"
    if not any("." in word for row in rows for word in row) and any(
        re.match(r"^[+-]?0\d+$", word) for row in rows for word in row
    ):
        return _decimal_comma(",".join(rows[0][:2]))
    if len(widths) > 1:
        number = next(n for n, row in enumerate(rows, 1) if len(row) != len(rows[0]))
        return PadsheetError(
            f"row {number} of the table has {len(rows[number - 1])} values, the first row "
            f"{len(rows[0])}",
            remedy="Copy the whole table, each row on a line of its own.",
            code="mesh-ragged",
        )
    found = f"{len(rows[0])} columns and {len(rows)} rows"
    return PadsheetError(
        f"the table has {found}, the mesh of the profile {expected}",
        remedy="Copy the whole table; if it is whole, correct [mesh] columns and rows in bed.toml.",
        code="mesh-size",
    )


def _values(rows: list[tuple[str, ...]]) -> NDArray[np.float64]:
    """Turn the words of a table of the right size into numbers."""
    unset = [
        (row_number, column)
        for row_number, row in enumerate(rows, 1)
        for column, word in enumerate(row, 1)
        if not _is_number(word)
    ]
    if unset:
        where = "; ".join(f"line {row}, value {column}" for row, column in unset[:4])
        raise PadsheetError(
            f"{len(unset)} points of the mesh have no value ({where})",
            remedy="Fill the mesh on the printer (its manual says how), then ask for it again.",
            code="mesh-incomplete",
        )
    z_mm = np.array([[float(word) for word in row] for row in rows])
    worst = float(z_mm.flat[int(np.argmax(np.abs(z_mm)))])
    if not abs(worst) <= LARGEST_HEIGHT_MM:
        raise PadsheetError(
            f"a mesh height of {worst:g} mm is not credible",
            remedy="Check that the table is in millimetres and that it is the mesh.",
            code="mesh-too-large",
        )
    return z_mm
