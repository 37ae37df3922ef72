"""applied.json: what was really done to the bed after a round."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.json_values import (
    FORMAT,
    flag,
    number,
    parts_of,
    read_json,
    text_in,
    whole,
)

__all__ = [
    "EACH_PRINT_STYLES",
    "KEPT_STYLES",
    "Applied",
    "applied_from_json",
    "applied_to_json",
    "keeps_offset",
]

#: No correction of a mesh point or offset is larger.
LARGEST_MM = 100.0
#: Ways to set the common offset by its new value, kept in the printer once it is saved.
KEPT_STYLES = ("M851", "M206")
#: Ways to move the nozzle while a print runs, with no step that surely keeps that in the printer.
EACH_PRINT_STYLES = ("hand", "M290")


@dataclass(frozen=True, slots=True, kw_only=True)
class Applied:
    """What was really done to the bed after a round.

    Attributes
    ----------
    how : {"meshes", "word"}
        The difference of two meshes read back, or the user's explicit word.
    nodes : tuple of (i, j, dz_mm)
        What was added to the mesh; nodes left out got nothing.
    before, after : str or None
        Names of the two meshes; on the user's word `after` is one that was reckoned, not read.
    offset_mm : float or None
        What was added to the common offset; None if nobody said.
    offset_style : str
        How the profile said then that the offset is set; empty if that was not recorded.
    offset_profile_mm : float or None
        What the profile gave then for the offset's present value, in styles that take a new value;
        None where it gave none. What is recorded counts from there; see `present_offset_mm`.
    screws_turned : bool
        Whether a bed screw was turned.
    taken : str
        When it was recorded, ISO 8601.
    saved : bool or None
        Whether the printer confirmed that it saved the mesh; None if nobody saw to that.
    lost : tuple of (i, j, dz_mm)
        What had been added to the mesh and was lost before the next sheet; not among `nodes`.
    lost_mesh : str or None
        Name of the mesh that held it.
    """

    how: str
    nodes: tuple[tuple[int, int, float], ...]
    before: str | None = None
    after: str | None = None
    offset_mm: float | None = None
    offset_style: str = ""
    offset_profile_mm: float | None = None
    screws_turned: bool = False
    taken: str = ""
    saved: bool | None = None
    lost: tuple[tuple[int, int, float], ...] = ()
    lost_mesh: str | None = None

    def on_grid(self, grid: MeshGrid) -> NDArray[np.float64] | None:
        """Return what each node got, shape (N,); None if a node is not on the grid."""
        place = {node: k for k, node in enumerate(grid.nodes)}
        dz_mm = np.zeros(len(place))
        for i, j, value in self.nodes:
            if (i, j) not in place:
                return None
            dz_mm[place[i, j]] = value
        return dz_mm


def applied_to_json(applied: Applied) -> str:
    """Write applied.json."""
    data: dict[str, object] = {
        "format": FORMAT,
        "how": applied.how,
        "taken": applied.taken,
        "before": applied.before,
        "after": applied.after,
        "offset_mm": applied.offset_mm,
        "offset_style": applied.offset_style,
        "offset_profile_mm": applied.offset_profile_mm,
        "screws_turned": applied.screws_turned,
        "saved": applied.saved,
        "nodes": [{"i": i, "j": j, "dz_mm": dz_mm} for i, j, dz_mm in applied.nodes],
    }
    if applied.lost:
        data["lost"] = [{"i": i, "j": j, "dz_mm": dz_mm} for i, j, dz_mm in applied.lost]
        data["lost_mesh"] = applied.lost_mesh
    return json.dumps(data, allow_nan=False, indent=1) + "\n"


def applied_from_json(text: str) -> Applied:
    """Read applied.json; unknown keys are ignored.

    Raises
    ------
    PadsheetError
        If it is not JSON, is of a newer format, lacks something or holds impossible values.
    """
    data = read_json(text, "applied.json", code="applied-file")
    with parts_of("applied.json", "applied-file"):
        return Applied(
            how=text_in(data["how"]),
            nodes=_changes(data["nodes"]),
            before=_name(data.get("before")),
            after=_name(data.get("after")),
            offset_mm=None if data.get("offset_mm") is None else _length_mm(data["offset_mm"]),
            offset_style=text_in(data.get("offset_style", "")),
            offset_profile_mm=None
            if data.get("offset_profile_mm") is None
            else _length_mm(data["offset_profile_mm"]),
            screws_turned=flag(data.get("screws_turned", False)),
            taken=text_in(data.get("taken", "")),
            saved=None if data.get("saved") is None else flag(data["saved"]),
            lost=_changes(data.get("lost", [])),
            lost_mesh=_name(data.get("lost_mesh")),
        )


def keeps_offset(applied: Applied) -> bool:
    """Tell whether a common offset is on record that the printer itself keeps once it saves."""
    return bool(applied.offset_mm) and applied.offset_style in KEPT_STYLES


def _changes(nodes: Any) -> tuple[tuple[int, int, float], ...]:
    """Read what was added to mesh points; the caller catches what is no list of them."""
    return tuple((_index(n["i"]), _index(n["j"]), _length_mm(n["dz_mm"])) for n in nodes)


def _length_mm(value: object) -> float:
    """Read a length; one far longer than any correction is none."""
    length_mm = number(value)
    if not abs(length_mm) <= LARGEST_MM:
        raise ValueError("not credible")
    return length_mm


def _index(value: object) -> int:
    """Read a place in the grid."""
    index = whole(value)
    if not 0 <= index < 15:
        raise ValueError("not a column or row")
    return index


def _name(value: object) -> str | None:
    """Read a name or null."""
    return None if value is None else text_in(value)
