"""The proof of the edit style on file, and whether it stands for a profile."""

from __future__ import annotations

import json

from padsheet.patterns.bed import Bed
from padsheet.scoring.rounds import BedFolder

__all__ = ["PROOF", "is_proved", "style_of"]

PROOF = "proof.json"


def style_of(bed: Bed) -> dict[str, object]:
    """Return all of the profile that a proof stands for."""
    return {
        "style": bed.edits.style,
        "g29_index": bed.edits.g29_index if bed.edits.style == "G29 S3" else "",
        "template": bed.edits.template if bed.edits.style == "custom" else "",
        "columns": bed.mesh.columns,
        "rows": bed.mesh.rows,
        "first_row": bed.mesh.table_first_row,
        "first_column": bed.mesh.table_first_column,
    }


def is_proved(folder: BedFolder, bed: Bed) -> bool:
    """Tell whether the proof on file passed and stands for this profile."""
    try:
        data = json.loads((folder.path / PROOF).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return False
    return (
        isinstance(data, dict)
        and data.get("format") == 1
        and data.get("kind") == "ok"
        and data.get("profile") == style_of(bed)
    )
