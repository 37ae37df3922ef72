"""What the printer holds otherwise than the edits of a round meant, and how to mend it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.edits import EditList
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.phrases import place
from padsheet.scoring.restoring import edits_between
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.taking_in import SHOWN_MM, advised_meshes, against_advice, own_state

__all__ = ["Slip", "newest_slip", "slip_of"]

#: More points than this are counted, not named.
MOST_NAMED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """Points that were read back otherwise than a round's edits were to make them.

    Attributes
    ----------
    round : Round
        Whose edits they are.
    held, meant : Mesh
        What was read back, and what it should have been.
    edits : EditList
        From the one to the other.
    back : tuple of str
        The lines that lead from the mesh as meant to that before the edits of the round.
    """

    round: Round
    held: Mesh
    meant: Mesh
    edits: EditList
    back: tuple[str, ...]

    @property
    def points(self) -> str:
        """What the points hold and should hold."""
        edits = self.edits.edits
        told = [
            f"{place(e.i, e.j)} holds {_mm(self.held, e.i, e.j)}, advised "
            f"{_mm(self.meant, e.i, e.j)}"
            for e in edits[:MOST_NAMED]
        ]
        more = f"; and {len(edits) - MOST_NAMED} more" if len(edits) > MOST_NAMED else ""
        return "; ".join(told) + more

    @property
    def lines(self) -> tuple[str, ...]:
        """The lines to send again; none where values are typed in."""
        return tuple(edit.line for edit in self.edits.edits if edit.line)


def _mm(mesh: Mesh, i: int, j: int) -> str:
    return f"{round(float(mesh.z_mm[j, i]), 3) + 0.0:.3f}"


def newest_slip(folder: BedFolder) -> Slip | None:
    """Return what was read back amiss after the newest round, None if nothing was.

    Raises
    ------
    PadsheetError
        If profile or record cannot be read.
    """
    round_ = folder.latest_round()
    return None if round_ is None else slip_of(folder, round_)


def slip_of(folder: BedFolder, round_: Round) -> Slip | None:
    """Return what was read back amiss after a round, None if nothing was.

    Where the mesh is zero, or one that the printer held before, it was meant so. What went over a
    cable was compared point by point as it was sent.

    Raises
    ------
    PadsheetError
        If profile or record cannot be read.
    """
    applied = round_.read_applied()
    if applied is None or applied.how != "meshes" or applied.after is None:
        return None
    if applied.saved is not None:
        return None
    if against_advice(folder, round_, applied).as_meant:
        return None
    bed = folder.bed()
    try:
        held = folder.active_mesh()
        if held is None or held.name != applied.after or own_state(folder, held, applied, round_):
            return None
        most_mm, found = bed.edits.smallest_mm + SHOWN_MM, []
        for meant, base in advised_meshes(folder, bed, round_):
            wrong = np.abs(meant.z_mm - held.z_mm) > most_mm
            target = replace(held, z_mm=np.where(wrong, meant.z_mm, held.z_mm))
            found.append((int(wrong.sum()), meant, base, target))
        if not found:
            return None
        _, meant, base, target = min(found, key=lambda item: item[0])
        edits = edits_between(bed, held, target)
        back = edits_between(bed, target, base).lines
    except PadsheetError:
        return None  # a mesh that is gone or of another grid tells nothing
    if not edits.edits:
        return None
    return Slip(round=round_, held=held, meant=meant, edits=edits, back=back)
