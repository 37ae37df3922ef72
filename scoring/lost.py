"""Edits that were lost before a sheet was printed: found by the sheet and the mesh shown after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.scoring.all_lost import unsaved_chain
from padsheet.scoring.applied import Applied, applied_to_json, keeps_offset
from padsheet.scoring.history import standing
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.read_back import same_mesh
from padsheet.scoring.recording import mesh_change
from padsheet.scoring.round_edits import name_mesh_anew
from padsheet.scoring.rounds import BedFolder, Round

__all__ = ["Lost", "find_lost", "lost_since", "record_lost"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """Edits that were not in force on the sheet after them, though they were read back.

    Attributes
    ----------
    rounds : tuple of Round
        Whose edits were lost, oldest first; mostly one.
    sheet : Round
        The one whose sheet shows that.
    record : Applied
        What is on record of the last of the edits.
    before, after : Mesh
        The mesh without and with all of them.
    earlier_offset_mm : float
        Common offset on record after all of these rounds but the last.
    back_in : bool
        Whether the printer holds them again: lines were written to send them once more.
    """

    rounds: tuple[Round, ...]
    sheet: Round
    record: Applied
    before: Mesh
    after: Mesh
    back_in: bool
    earlier_offset_mm: float = 0.0

    @property
    def round(self) -> Round:
        """The last of the rounds: the sheet after it shows the loss."""
        return self.rounds[-1]

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
    if record is None or not record.nodes or record.lost or not (record.before and record.after):
        return None
    if (known is not None and known.nodes) or sheet.read_sheet().mesh_name != record.after:
        return None
    rounds = unsaved_chain(folder, since) or ((since, record),)
    # The newest first: mostly it is the last edits alone.
    starts = [rounds[k:] for k in reversed(range(len(rounds)))]
    seen = [lost for start in starts if (lost := _fallen_to(folder, bed, mesh, start, sheet))]
    if not seen:
        return None
    proof = standing(folder, sheet.number).proof
    if proof is None or proof.verdict != "not in force":
        return None
    first = since.number if proof.lost_since is None else proof.lost_since
    return next((lost for lost in seen if lost.rounds[0].number == first), None)


def _fallen_to(
    folder: BedFolder,
    bed: Bed,
    mesh: Mesh,
    rounds: Sequence[tuple[Round, Applied]],
    sheet: Round,
) -> Lost | None:
    """Return the loss of the edits of some rounds if the printer holds what it would hold then."""
    (_, first), (_, last) = rounds[0], rounds[-1]
    earlier = [applied for _, applied in rounds[:-1]]
    if any(keeps_offset(applied) for applied in earlier):
        return None  # which of the offsets that the printer keeps is lost, nobody knows
    try:
        before, after = folder.mesh(first.before or ""), folder.mesh(last.after or "")
    except PadsheetError:
        return None  # a mesh that is gone or of another grid tells nothing
    if mesh.z_mm.shape != before.z_mm.shape or same_mesh(before, after, bed):
        return None
    back_in = same_mesh(mesh, after, bed) and sheet.edits_gcode.exists()
    if not back_in and not same_mesh(mesh, before, bed):
        return None
    return Lost(
        rounds=tuple(round_ for round_, _ in rounds),
        sheet=sheet,
        record=last,
        before=before,
        after=after,
        back_in=back_in,
        earlier_offset_mm=sum(applied.offset_mm or 0.0 for applied in earlier),
    )


def lost_since(folder: BedFolder, round_: Round) -> tuple[int, ...]:
    """Return the rounds whose edits were lost by the record of one; empty if none were.

    The first of them began with the mesh that the printer fell back to.

    Raises
    ------
    PadsheetError
        If a record cannot be read.
    """
    applied = round_.read_applied()
    if applied is None or not applied.lost:
        return ()
    numbers: list[int] = [round_.number]
    wanted = applied.before
    for earlier in reversed([r for r in folder.rounds() if r.number < round_.number]):
        if wanted == applied.after:
            break
        record = earlier.read_applied()
        if record is not None and record.after == wanted and record.nodes:
            numbers.append(earlier.number)
            wanted = record.before
    return tuple(reversed(numbers))


def record_lost(folder: BedFolder, lost: Lost) -> None:
    """Put on record that edits were lost: the sheet after them was printed without.

    The edits of earlier rounds were in force on the sheets between: they stay as they are, and the
    last record says that they were taken back.

    An offset that the printer keeps may be lost with them: it is no longer taken to be known.

    Parameters
    ----------
    folder : BedFolder
        Its lock should be held.
    """
    record = lost.record
    kept = keeps_offset(record)
    # What the last sheet but one was printed with: of several rounds the earlier edits were in it.
    then = lost.before if len(lost.rounds) == 1 else folder.mesh(record.before or "")
    again = replace(
        record,
        nodes=mesh_change(then, lost.before),
        after=lost.before.name,
        offset_mm=None if kept else record.offset_mm,
        saved=None,
        lost=record.nodes if len(lost.rounds) == 1 else mesh_change(lost.before, lost.after),
        lost_mesh=record.after,
    )
    write_atomic(lost.round.applied_json, applied_to_json(again))
    name_mesh_anew(folder, lost.round, lost.after.name, lost.before.name)
