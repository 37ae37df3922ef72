"""Writing bed.toml: every key with its meaning, its range and its value."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterable, Iterator
from typing import Any

from padsheet.patterns.bed import Bed, MeshGrid, Plate
from padsheet.patterns.profile_keys import FAR_MM, MESH_SIDES, TABLES, Key, Table, inset_sides

__all__ = ["profile_text"]

_WIDTH = 94

_HEADER = (
    "The profile of one bed of one printer.",
    "The printer's own manual comes first: check these values against it before you print. The "
    "nozzle and the bed get hot and the printer moves by itself; stay with it.",
    'A line that begins with "# " is a remark. A line that begins with "#" and no blank is a '
    "value that is not set: take its # away to set it. A key that is left out has its default, "
    "which is what a profile made by `padsheet init` without options shows.",
)


def profile_text(bed: Bed | None = None) -> str:
    """Return the commented text of bed.toml for a bed.

    Parameters
    ----------
    bed : Bed, optional
        A bed that passes the checks; the default bed if left out.

    Returns
    -------
    str
        TOML which `padsheet.patterns.profile.parse_bed` reads back as the same bed.

    Examples
    --------
    >>> profile_text().splitlines()[0]
    '# The profile of one bed of one printer.'
    """
    bed = Bed() if bed is None else bed
    lines: list[str] = []
    for paragraph in _HEADER:
        lines += [*_remark(paragraph), "#"]
    lines.pop()
    for path, table in TABLES.items():
        lines += ["", "", *_remark(table.comment)]
        if path == "plate.keep_out":
            lines += _blocks(table, bed.plate.keep_out)
        elif path == "screw":
            lines += _blocks(table, bed.screws)
        else:
            values = _values(table, getattr(bed, path))
            unset = _mesh_places(bed.mesh, bed.plate, values) if path == "mesh" else frozenset()
            lines += [f"[{path}]", *_key_lines(table, values, unset=unset)]
    return "\n".join(lines) + "\n"


def _blocks(table: Table, parts: Iterable[Any]) -> Iterator[str]:
    """Write the [[...]] blocks; with none, an example that is commented out."""
    first = True
    for part in parts:
        yield from (["", f"[[{table.path}]]"] if not first else [f"[[{table.path}]]"])
        yield from _key_lines(table, _values(table, part), bare=not first)
        first = False
    if first:
        yield f"#[[{table.path}]]"
        example = {key.name: key.example for key in table.keys if key.example is not None}
        example |= {key.name: key.choices[-1] for key in table.keys if key.choices}
        yield from _key_lines(table, example, unset=frozenset(table.names))


def _key_lines(
    table: Table,
    values: dict[str, Any],
    *,
    unset: frozenset[str] = frozenset(),
    bare: bool = False,
) -> Iterator[str]:
    for key in table.keys:
        value = values[key.name]
        mark = "#" if key.name in unset or value is None else ""
        if bare and mark:
            continue
        if not bare:
            yield ""
            yield from _remark(_words(key))
        text = f"{key.name} = {_written(key, key.example if value is None else value)}"
        yield from (mark + line for line in text.split("\n"))


def _words(key: Key) -> str:
    """Return the comment with the range, where that says more than the comment."""
    if key.kind == "choice":
        allowed = key.allowed
        return f"{key.comment} {allowed[0].upper()}{allowed[1:]}."
    if key.kind in ("number", "whole") and key.most < FAR_MM:
        return f"{key.comment} {key.least:g} to {key.most:g} {key.unit}."
    return key.comment


def _values(table: Table, part: object) -> dict[str, Any]:
    return {name: getattr(part, name, None) for name in table.names}


def _mesh_places(mesh: MeshGrid, plate: Plate, values: dict[str, Any]) -> frozenset[str]:
    """Choose between the inset and the four sides; fill in the inset, return what stays unset.

    The inset is only taken where it gives back exactly the sides that the bed has.
    """
    outline = plate.outline
    for inset_mm in (mesh.x_min_mm - outline.x_min_mm, outline.x_max_mm - mesh.x_max_mm):
        rounded = round(inset_mm, 6)
        for candidate in (rounded, inset_mm):
            sides = inset_sides(outline, candidate)
            if candidate >= 0 and all(sides[side] == values[side] for side in MESH_SIDES):
                values["inset_mm"] = candidate
                return frozenset(MESH_SIDES)
    values["inset_mm"] = max(0.0, round(mesh.x_min_mm - outline.x_min_mm, 6))
    return frozenset({"inset_mm"})


def _written(key: Key, value: Any) -> str:
    """Return a value as TOML."""
    match key.kind:
        case "flag":
            return str(value).lower()
        case "number":
            return repr(float(value))
        case "lines":
            items = [json.dumps(line) for line in value]
            if len(items) <= 1:
                return f"[{', '.join(items)}]"
            return "[\n" + "".join(f"    {item},\n" for item in items) + "]"
        case "nodes":
            return f"[{', '.join(f'[{i + 1}, {j + 1}]' for i, j in value)}]"
        case _:
            # JSON's strings and whole numbers are TOML's too.
            return json.dumps(value, ensure_ascii=False)


def _remark(text: str) -> list[str]:
    return textwrap.wrap(
        text,
        width=_WIDTH,
        initial_indent="# ",
        subsequent_indent="# ",
        break_long_words=False,
        break_on_hyphens=False,
    )
