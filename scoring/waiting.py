"""A sheet that waits for its photo: whether it was written for the mesh that the printer holds."""

from __future__ import annotations

from dataclasses import replace

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring.recording import mesh_change
from padsheet.scoring.rounds import BedFolder, Round

__all__ = ["mark_corrected", "outdated"]


def outdated(folder: BedFolder, round_: Round) -> str:
    """Say why a sheet should be written afresh, unless it is printed already.

    Returns
    -------
    str
        To go on with after the sheet; empty for one that is as it should be, is not written, or
        has a photo.
    """
    if not round_.sheet_json.exists() or round_.scores_json.exists() or round_.photos():
        return ""
    try:
        sheet = round_.read_sheet()
    except PadsheetError:
        return ""  # whoever scores it says so
    if sheet.mesh_active != "yes" or not sheet.mesh_name:
        return ""
    if sheet.mesh_corrected:
        return "was written with its mesh the wrong way round"
    try:
        held, meant = folder.active_mesh(), folder.mesh(sheet.mesh_name)
    except PadsheetError:
        return ""  # a mesh that is gone or of another grid: whoever needs it says so
    if held is None or held.name == meant.name or not mesh_change(meant, held):
        return ""
    return "was written for another mesh than the printer is taken to hold"


def mark_corrected(round_: Round) -> None:
    """Note on a sheet that its mesh was turned over after it was written."""
    sheet = replace(round_.read_sheet(), mesh_corrected=True)
    write_atomic(round_.sheet_json, sheet_to_json(sheet))
