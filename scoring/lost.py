"""Edits that were lost before a sheet was printed: found by the sheet and the mesh shown after."""

from __future__ import annotations

from dataclasses import dataclass, replace

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.scoring.applied import Applied, applied_to_json, keeps_offset
from padsheet.scoring.history import standing
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.read_back import same_mesh
from padsheet.scoring.round_edits import name_mesh_anew
from padsheet.scoring.rounds import BedFolder, Round

__all__ = ["Lost", "find_lost", "record_lost"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """Edits of a round that were not in force on the sheet after it, though they were read back.

    Attributes
    ----------
    round, sheet : Round
        Whose edits were lost, and the one whose sheet shows that.
    record : Applied
        What is on record of the edits.
    before, after : Mesh
        The mesh without and with them.
    back_in : bool
        Whether the printer holds them again: lines were written to send them once more.
    """

    round: Round
    sheet: Round
    record: Applied
    before: Mesh
    after: Mesh
    back_in: bool

    @property
    def held(self) -> Mesh:
        """The one of the two that the printer holds."""
        return self.after if self.back_in else self.before


def find_lost(folder: BedFolder, bed: Bed, mesh: Mesh) -> Lost | None:
    """Tell whether a mesh just read shows that edits had been lost when the newest sheet came.

    Its scores say that the edits before it were not in force, and the printer now holds the mesh
    from before them, or, once lines for that were written, the one with them.

    Parameters
    ----------
    mesh : Mesh
        As just read.

    Raises
    ------
    PadsheetError
        If a file of a round cannot be read.
    """
    scored = [r for r in folder.rounds() if r.scores_json.exists()]
    sheet = folder.latest_round()
    if sheet is None or len(scored) < 2 or scored[-1] != sheet or not sheet.sheet_json.exists():
        return None
    since, known, record = scored[-2], sheet.read_applied(), scored[-2].read_applied()
    if record is None or not record.nodes or not (record.before and record.after):
        return None
    if (known is not None and known.nodes) or sheet.read_sheet().mesh_name != record.after:
        return None
    try:
        before, after = folder.mesh(record.before), folder.mesh(record.after)
    except PadsheetError:
        return None  # a mesh that is gone or of another grid tells nothing
    if mesh.z_mm.shape != before.z_mm.shape or same_mesh(before, after, bed):
        return None
    back_in = same_mesh(mesh, after, bed) and sheet.edits_gcode.exists()
    if not back_in and not same_mesh(mesh, before, bed):
        return None
    proof = standing(folder, sheet.number).proof
    if proof is None or proof.verdict != "not in force":
        return None
    return Lost(
        round=since, sheet=sheet, record=record, before=before, after=after, back_in=back_in
    )


def record_lost(folder: BedFolder, lost: Lost) -> None:
    """Put on record that edits were lost: the sheet after them was printed without.

    An offset that the printer keeps may be lost with them: it is no longer taken to be known.

    Parameters
    ----------
    folder : BedFolder
        Its lock should be held.
    """
    record = lost.record
    kept = keeps_offset(record)
    again = replace(
        record,
        nodes=(),
        after=record.before,
        offset_mm=None if kept else record.offset_mm,
        saved=None,
        lost=record.nodes,
        lost_mesh=record.after,
    )
    write_atomic(lost.round.applied_json, applied_to_json(again))
    name_mesh_anew(folder, lost.round, lost.after.name, lost.before.name)
