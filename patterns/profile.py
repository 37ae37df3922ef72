"""The bed profile as a file: reading, checking and writing bed.toml."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from padsheet.patterns.bed import Bed, Rectangle
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.profile_checks import check_bed
from padsheet.patterns.profile_keys import ARRAYS, MESH_SIDES, TABLES, Key, Table, inset_sides
from padsheet.patterns.profile_writer import profile_text

__all__ = ["DEFAULT_INSET_MM", "bed_from_tables", "load_bed", "parse_bed", "profile_text"]

# Where a profile gives the mesh neither an inset nor its sides.
DEFAULT_INSET_MM = 20.0

# Far above any profile; keeps a wrong file from being read whole.
_LARGEST_FILE_BYTES = 1_000_000

_LONGEST_NAME = 60
_LONGEST_LINE = 200


def load_bed(path: Path) -> Bed:
    """Read and check a profile.

    Parameters
    ----------
    path : Path
        The file, or the bed folder with a ``bed.toml`` in it.

    Returns
    -------
    Bed
        The checked bed.

    Raises
    ------
    PadsheetError
        If there is no such file or it cannot be used; the path is named.
    """
    if path.is_dir():
        path = path / "bed.toml"
    try:
        with path.open("rb") as stream:
            raw = stream.read(_LARGEST_FILE_BYTES + 1)
    except FileNotFoundError as error:
        raise PadsheetError(
            f"there is no bed profile {path}",
            remedy="Make one with `padsheet init DIR`, or name its folder with -C DIR.",
            code="profile-missing",
        ) from error
    except OSError as error:
        raise PadsheetError(
            f"the bed profile {path} cannot be read: {error.strerror or error}",
            remedy="Check the file and its permissions.",
            code="profile-unreadable",
        ) from error
    try:
        if len(raw) > _LARGEST_FILE_BYTES:
            raise _syntax(f"the file is larger than {_LARGEST_FILE_BYTES} bytes")
        try:
            # Some editors put a byte order mark in front.
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = raw[: error.start].count(b"\n") + 1
            raise _syntax(f"line {line} is not UTF-8 text") from error
        return parse_bed(text)
    except PadsheetError as error:
        raise PadsheetError(
            f"{path}: {error.problem}", remedy=error.remedy, code=error.code
        ) from error


# A command asks for the profile over and over, with each mesh and each round that it reads.
@lru_cache(maxsize=8)
def parse_bed(text: str) -> Bed:
    r"""Read and check the text of a profile.

    Parameters
    ----------
    text : str
        TOML; keys that are left out have their defaults.

    Returns
    -------
    Bed
        The checked bed.

    Raises
    ------
    PadsheetError
        Names the table, the key, the value and what to do.

    Examples
    --------
    >>> parse_bed("[mesh]\ncolumns = 3\nrows = 4").mesh.pitch_mm
    (90.0, 60.0)
    """
    try:
        # The line end lets an error in the last line be told by its number.
        data = tomllib.loads(text + "\n")
    except (ValueError, RecursionError) as error:
        # ValueError: besides TOML's own, whole numbers of thousands of digits.
        reason = "it is nested too deeply" if isinstance(error, RecursionError) else str(error)
        reason = reason.replace("Cannot overwrite a value", "a key is given twice")
        raise _comma(text, reason) or _syntax(reason) from error
    return bed_from_tables(data)


def bed_from_tables(data: Mapping[str, Any]) -> Bed:
    """Check a profile given as nested tables, as TOML reads it, and return the bed.

    Parameters
    ----------
    data : mapping
        Such as ``{"plate": {"size_x_mm": 200.0}, "screw": [{"name": ...}]}``.

    Raises
    ------
    PadsheetError
        Names the table, the key, the value and what to do.
    """
    tops = [path for path in TABLES if "." not in path]
    for name, value in data.items():
        if name not in tops:
            raise _unknown_top(name, value, tops)
    parts: dict[str, Any] = {}
    inset_mm: float | None = None
    for name in tops:
        if name in ARRAYS:
            continue
        raw = _table_of(data, name)
        if name == "plate":
            clips = _read_blocks(TABLES["plate.keep_out"], raw.pop("keep_out", []))
            parts[name] = TABLES[name].fills(
                **_read_table(TABLES[name], raw, extra=("keep_out",)), keep_out=clips
            )
        elif name == "mesh":
            values, inset_mm = _mesh_values(raw, parts["plate"].outline)
            parts[name] = TABLES[name].fills(**values)
        else:
            parts[name] = TABLES[name].fills(**_read_table(TABLES[name], raw))
    bed = Bed(**parts, screws=_read_blocks(TABLES["screw"], data.get("screw", [])))
    check_bed(bed, inset_mm=inset_mm)
    return bed


def _table_of(data: Mapping[str, Any], name: str) -> dict[str, Any]:
    raw = data.get(name, {})
    if not isinstance(raw, Mapping):
        raise PadsheetError(
            f"[{name}] is {_shown(raw)}; it must be a table",
            remedy=f"Write [{name}] on a line by itself and its keys below it.",
            code="profile-type",
        )
    return dict(raw)


def _read_blocks(table: Table, raw: object) -> tuple[Any, ...]:
    """Read the blocks of a [[...]] table."""
    if not isinstance(raw, list) or not all(isinstance(block, dict) for block in raw):
        raise PadsheetError(
            f"[[{table.path}]] is {_shown(raw)}; it must be one block for each",
            remedy=f"Write [[{table.path}]], in double brackets, on a line by itself before each "
            "block of keys.",
            code="profile-type",
        )
    return tuple(table.fills(**_read_table(table, block)) for block in raw)


def _read_table(
    table: Table, raw: Mapping[str, Any], *, extra: tuple[str, ...] = ()
) -> dict[str, Any]:
    """Check the keys that a table gives; what it leaves out is left out."""
    for name in raw:
        if name not in table.names:
            raise _unknown_key(table, name, raw[name], extra)
    for key in table.keys:
        if key.required and key.name not in raw:
            raise PadsheetError(
                f"{_label(table)} has no {key.name}",
                remedy=f"Give it {key.allowed}: {key.comment}",
                code="profile-missing",
            )
    return {
        key.name: _read_value(f"{_label(table)} {key.name}", key, raw[key.name])
        for key in table.keys
        if key.name in raw
    }


def _mesh_values(raw: Mapping[str, Any], outline: Rectangle) -> tuple[dict[str, Any], float | None]:
    """Read [mesh], whose place is given by an inset or by its four sides."""
    values = _read_table(TABLES["mesh"], raw)
    given = [side for side in MESH_SIDES if side in values]
    if not given:
        inset_mm: float = values.pop("inset_mm", DEFAULT_INSET_MM)
        return values | inset_sides(outline, inset_mm), inset_mm
    if "inset_mm" in values:
        raise PadsheetError(
            f"[mesh] has both inset_mm = {values['inset_mm']:g} and {given[0]} = "
            f"{values[given[0]]:g}",
            remedy="Give either inset_mm or the four sides, and put a # before the other.",
            code="profile-geometry",
        )
    missing = [side for side in MESH_SIDES if side not in values]
    if missing:
        raise PadsheetError(
            f"[mesh] has {given[0]} = {values[given[0]]:g} but no {missing[0]}",
            remedy=f"Give all of {', '.join(MESH_SIDES)}, or inset_mm alone.",
            code="profile-missing",
        )
    return values, None


def _read_value(where: str, key: Key, value: object) -> Any:
    """Return a value as the dataclass holds it, or refuse it by type or range."""
    match key.kind:
        case "number" | "whole":
            return _read_number(where, key, value)
        case "flag":
            if not isinstance(value, bool):
                raise _wrong_type(where, key, value)
            return value
        case "choice":
            return _read_choice(where, key, value)
        case "text":
            if not isinstance(value, str):
                raise _wrong_type(where, key, value)
            if not (value.strip() and len(value) <= _LONGEST_NAME and value.isprintable()):
                raise _wrong_range(where, key, value)
            return value
        case "gcode":
            if not isinstance(value, str):
                raise _wrong_type(where, key, value)
            return _gcode_line(where, value)
        case "lines":
            return _read_lines(where, key, value)
        case "nodes":
            return _read_nodes(where, key, value)


def _read_number(where: str, key: Key, value: object) -> float | int:
    kinds = (int,) if key.kind == "whole" else (int, float)
    if isinstance(value, bool) or not isinstance(value, kinds):
        raise _wrong_type(where, key, value)
    # Compared before it is made a float: a whole number may be too large for one.
    if not (key.least <= value <= key.most):
        raise _wrong_range(where, key, value)
    return value if key.kind == "whole" else float(value)


def _read_choice(where: str, key: Key, value: object) -> object:
    # By type as well: true equals 1 and 1.0 equals 1.
    if not any(type(value) is type(choice) for choice in key.choices):
        raise _wrong_type(where, key, value)
    if value not in key.choices:
        near = difflib.get_close_matches(str(value).lower(), [str(c) for c in key.choices], n=1)
        raise _wrong_range(where, key, value, hint=f' Did you mean "{near[0]}"?' if near else "")
    return value


def _read_lines(where: str, key: Key, value: object) -> tuple[str, ...]:
    if isinstance(value, str):
        lines = value.split("\n")
    elif isinstance(value, list) and all(isinstance(line, str) for line in value):
        lines = value
    else:
        raise _wrong_type(where, key, value)
    return tuple(_gcode_line(where, line.strip(" \r")) for line in lines if line.strip(" \r"))


def _gcode_line(where: str, line: str) -> str:
    for place, sign in enumerate(line, start=1):
        if not " " <= sign <= "~":
            raise PadsheetError(
                f"{where} is {_shown(line)}, with the character {sign!a} at place {place}",
                remedy="Write one line of plain ASCII for each command: printers know no other "
                "letters, tabs or control characters.",
                code="profile-gcode",
            )
    if len(line) > _LONGEST_LINE:
        raise PadsheetError(
            f"{where} is {_shown(line)}, a line of {len(line)} characters",
            remedy=f"Keep each line below {_LONGEST_LINE} characters.",
            code="profile-gcode",
        )
    return line


def _read_nodes(where: str, key: Key, value: object) -> tuple[tuple[int, int], ...]:
    """Turn pairs counted from 1 into nodes counted from 0."""
    if not isinstance(value, list):
        raise _wrong_type(where, key, value)
    nodes = []
    for pair in value:
        if not (isinstance(pair, list) and len(pair) == 2 and all(type(n) is int for n in pair)):
            raise _wrong_type(where, key, value)
        if not all(1 <= n <= 15 for n in pair) or (pair[0] - 1, pair[1] - 1) in nodes:
            raise _wrong_range(where, key, value)
        nodes.append((pair[0] - 1, pair[1] - 1))
    return tuple(nodes)


def _wrong_type(where: str, key: Key, value: object) -> PadsheetError:
    return PadsheetError(
        f"{where} is {_shown(value)}; it must be {key.allowed}",
        remedy=f"Correct it, or leave it out for the default: {key.comment}"
        if not key.required
        else f"Correct it: {key.comment}",
        code="profile-type",
    )


def _wrong_range(where: str, key: Key, value: object, *, hint: str = "") -> PadsheetError:
    return PadsheetError(
        f"{where} is {_shown(value)}; it must be {key.allowed}",
        remedy=f"Correct it: {key.comment}{hint}",
        code="profile-range",
    )


def _unknown_top(name: str, value: object, tops: list[str]) -> PadsheetError:
    homes = [path for path, table in TABLES.items() if name in table.names]
    if isinstance(value, dict | list) or not homes:
        near = difflib.get_close_matches(name, tops, n=1, cutoff=0.5)
        advice = f"Did you mean [{near[0]}]?" if near else f"The tables are {', '.join(tops)}."
        problem = f"there is no table or key {_shown(name)} at the top of a profile"
    else:
        advice = f"Move it below [{homes[0]}]."
        problem = f"{_shown(name)} = {_shown(value)} stands outside its table"
    return PadsheetError(problem, remedy=advice, code="profile-unknown-key")


def _unknown_key(table: Table, name: str, value: object, extra: tuple[str, ...]) -> PadsheetError:
    names = [*table.names, *extra]
    near = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    homes = [path for path, other in TABLES.items() if name in other.names]
    if homes:
        advice = f"Move it to [{homes[0]}], where it belongs."
    elif near:
        advice = f"Did you mean {near[0]}?"
    else:
        advice = f"Delete it; the keys here are {', '.join(names)}."
    return PadsheetError(
        f"{_label(table)} has no key {_bare(name)}, which is given as {_shown(value)}",
        remedy=advice,
        code="profile-unknown-key",
    )


def _comma(text: str, reason: str) -> PadsheetError | None:
    """Return what to say of a number with a decimal comma; None if the line told has none."""
    line = re.search(r"at line (\d+)", reason)
    lines = text.split("\n")
    if line is None or not 1 <= int(line[1]) <= len(lines):
        return None
    slip = re.match(r"\s*(\w+)\s*=\s*([-+]?\d+),(\d+)\s*(#|$)", lines[int(line[1]) - 1])
    if slip is None:
        return None
    key, whole, part = slip[1], slip[2], slip[3]
    return PadsheetError(
        f"line {line[1]} of the profile has a decimal comma: {_bare(key)} = {whole},{part}"[:200],
        remedy=f"Write a decimal point: {_bare(key)} = {whole}.{part}"[:100] + ".",
        code="profile-syntax",
    )


def _syntax(reason: str) -> PadsheetError:
    return PadsheetError(
        f"the profile is not valid TOML: {reason.rstrip('.')}",
        remedy="Correct that place: a value is written as key = value, with words in quotes.",
        code="profile-syntax",
    )


def _label(table: Table) -> str:
    return f"[[{table.path}]]" if table.path in ARRAYS else f"[{table.path}]"


def _bare(name: str) -> str:
    return name if name.isprintable() and len(name) <= _LONGEST_NAME else _shown(name)


def _shown(value: object) -> str:
    """Return a value as it may stand in an error: as in TOML, and short."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=not value.isprintable())
    elif isinstance(value, int) and abs(value) >= 10**15:
        # Python refuses to print whole numbers of thousands of digits.
        text = "a whole number too large"
    elif isinstance(value, Mapping):
        text = "a table"
    elif isinstance(value, list):
        text = f"[{', '.join(_shown(item) for item in value[:8])}]"
    else:
        text = str(value)
    return text if len(text) <= _LONGEST_NAME + 2 else text[:_LONGEST_NAME] + "..."
