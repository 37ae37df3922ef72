"""The proof of the edit style on file: keeping it, and whether it stands for a profile."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Literal, get_args

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.scoring.recording import now_text
from padsheet.scoring.rounds import BedFolder

if TYPE_CHECKING:
    from padsheet.scoring.edit_proof import StyleProof

__all__ = [
    "PROOF",
    "PROVE_GCODE",
    "Kind",
    "forget_proof",
    "is_proved",
    "refuse_failed_proof",
    "style_of",
    "write_proof",
]

PROOF = "proof.json"
PROVE_GCODE = "prove.gcode"
"""The one edit of a proof, as written for the user."""

Kind = Literal[
    "ok",
    "one-based",
    "zero-based",
    "flipped-rows",
    "flipped-columns",
    "transposed",
    "wrong-sign",
    "absolute-for-additive",
    "additive-for-absolute",
    "not-applied",
    "other",
]
"""What a proof shows of the edit style."""


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


def write_proof(folder: BedFolder, bed: Bed, proof: StyleProof) -> Path:
    """Keep the proof's result with the part of the profile it stands for."""
    path = folder.path / PROOF
    data = {
        "format": 1,
        "kind": proof.kind,
        "text": proof.text,
        "setting_open": proof.setting_open,
        "taken": now_text(),
        "profile": style_of(bed),
    }
    write_atomic(path, json.dumps(data, indent=1, ensure_ascii=False) + "\n")
    return path


def forget_proof(folder: BedFolder) -> None:
    """Take an older proof off the file."""
    (folder.path / PROOF).unlink(missing_ok=True)


def is_proved(folder: BedFolder, bed: Bed) -> bool:
    """Tell whether the proof on file passed, stands for this profile, and leaves nothing open.

    One on a flat mesh does not tell a printer that adds from one that sets: it stands only until
    the mesh, as it is known now, lets another proof tell that.
    """
    data = _kept(folder, bed)
    if data.get("kind") != "ok":
        return False
    if not data.get("setting_open") or not folder.active_mesh_fits():
        return True
    from padsheet.scoring.edit_proof import tells_setting

    mesh = folder.active_mesh()
    return mesh is None or mesh.absent or not tells_setting(bed, mesh)


def refuse_failed_proof(folder: BedFolder, bed: Bed) -> None:
    """Refuse edits where the newest proof failed and the profile is still as it was then.

    Raises
    ------
    PadsheetError
        Names what failed and what to change.
    """
    data = _kept(folder, bed)
    kind, text = data.get("kind"), data.get("text")
    if kind == "ok" or not isinstance(kind, str) or not isinstance(text, str):
        return
    # What was seen, up to the first sentence's end, and what to change.
    seen, _, remedy = text.partition(". ")
    seen = f"{seen[:1].lower()}{seen[1:].rstrip('.')}"
    raise PadsheetError(
        f"the edit style failed its proof on this printer: {seen}",
        remedy=f"{remedy} Then prove again with `padsheet edits --prove`. --force writes the edits "
        "all the same.".lstrip(),
        code=f"proof-{kind if kind in get_args(Kind) else 'other'}",
    )


def _kept(folder: BedFolder, bed: Bed) -> dict[str, object]:
    """Return the proof on file; empty where there is none that stands for this profile."""
    try:
        data = json.loads((folder.path / PROOF).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    stands = (
        isinstance(data, dict) and data.get("format") == 1 and data.get("profile") == style_of(bed)
    )
    return data if stands else {}
