"""applied.json: what was really done to the bed after a round."""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.scores import FORMAT, read_json, spoilt

__all__ = ["Applied", "applied_from_json", "applied_to_json"]


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
        Names of the two meshes.
    offset_mm : float or None
        What was added to the common offset; None if nobody said.
    screws_turned : bool
        Whether a bed screw was turned.
    taken : str
        When it was recorded, ISO 8601.
    """

    how: str
    nodes: tuple[tuple[int, int, float], ...]
    before: str | None = None
    after: str | None = None
    offset_mm: float | None = None
    screws_turned: bool = False
    taken: str = ""

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
    data = {
        "format": FORMAT,
        "how": applied.how,
        "taken": applied.taken,
        "before": applied.before,
        "after": applied.after,
        "offset_mm": applied.offset_mm,
        "screws_turned": applied.screws_turned,
        "nodes": [{"i": i, "j": j, "dz_mm": dz_mm} for i, j, dz_mm in applied.nodes],
    }
    return json.dumps(data, allow_nan=False, indent=1) + "\n"


def applied_from_json(text: str) -> Applied:
    """Read applied.json; unknown keys are ignored.

    Raises
    ------
    PadsheetError
        If it is not JSON, is of a newer format, lacks something or holds impossible values.
    """
    data = read_json(text, "applied.json", code="applied-file")
    try:
        offset_mm = data.get("offset_mm")
        return Applied(
            how=str(data["how"]),
            nodes=tuple((int(n["i"]), int(n["j"]), float(n["dz_mm"])) for n in data["nodes"]),
            before=data.get("before"),
            after=data.get("after"),
            offset_mm=None if offset_mm is None else float(offset_mm),
            screws_turned=bool(data.get("screws_turned", False)),
            taken=str(data.get("taken", "")),
        )
    except KeyError as error:
        raise spoilt("applied.json", f"{error.args[0]} is missing", "applied-file") from error
    except (TypeError, ValueError, AttributeError) as error:
        raise spoilt("applied.json", "a part of it has the wrong form", "applied-file") from error
