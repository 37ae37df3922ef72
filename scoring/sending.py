"""Edits over a serial link: send, read back, compare every value; saving only what was proved."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.gcode_comments import with_comment
from padsheet.scoring.edit_proof import StyleProof, judge_proof, prove_edit
from padsheet.scoring.edit_styles import adds
from padsheet.scoring.edits import Edit, EditList
from padsheet.scoring.link import Link
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.mesh_table import read_table
from padsheet.scoring.read_back import same_mesh, tolerance_mm

__all__ = [
    "Outcome",
    "SendFault",
    "check_sendable",
    "prove_over_link",
    "read_mesh",
    "restore_after",
    "save_mesh",
    "send_edits",
]

POWER_REMEDY = (
    "Nothing was saved: switching the printer off and on brings its saved mesh back; or send the "
    "lines of the restore file. Then read the mesh and compare."
)


class SendFault(PadsheetError):
    """Sending stopped; says which edits are in the printer and which are not.

    Attributes
    ----------
    taken, doubtful, missing : tuple of Edit
        Edits that are in, those of which it is not known, and those that are not in.
    """

    def __init__(
        self,
        problem: str,
        *,
        code: str,
        taken: Sequence[Edit] = (),
        doubtful: Sequence[Edit] = (),
        missing: Sequence[Edit] = (),
    ) -> None:
        self.taken, self.doubtful, self.missing = tuple(taken), tuple(doubtful), tuple(missing)
        state = "; ".join(
            f"{name}: {_places(edits)}"
            for name, edits in (
                ("in the printer", self.taken),
                ("not known", self.doubtful),
                ("not in", self.missing),
            )
            if edits
        )
        problem = f"{problem}. Edits {state}" if state else problem
        remedy = POWER_REMEDY if self.taken or self.doubtful else "No edit is in the printer."
        super().__init__(problem, remedy=remedy, code=code)


def _places(edits: Sequence[Edit]) -> str:
    return ", ".join(f"column {edit.i + 1} row {edit.j + 1}" for edit in edits)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Edits that are in the printer's memory and were read back, but are not saved.

    Attributes
    ----------
    before, after : Mesh
        The mesh as read before and after; `after` has every value that was meant.
    """

    before: Mesh
    after: Mesh


def read_mesh(link: Link, bed: Bed, *, empty: bool = False) -> Mesh:
    """Ask the printer for its mesh and read it in the profile's row and column order.

    Parameters
    ----------
    link : Link
        After `Link.greet`.
    bed : Bed
        Its `edits.show` is sent.
    empty : bool, optional
        Take the answer that there is no mesh for a flat one.

    Raises
    ------
    PadsheetError
        On a fault of the link, or if the answer is no whole mesh.
    """
    try:
        return read_table("\n".join(link.ask(bed.edits.show)), bed.mesh).mesh
    except PadsheetError as error:
        if not (empty and error.code == "mesh-none"):
            raise
    return Mesh(grid=bed.mesh, z_mm=np.zeros((bed.mesh.rows, bed.mesh.columns)), name="empty")


def check_sendable(edits: EditList) -> None:
    """Refuse a style that has no lines.

    Raises
    ------
    PadsheetError
        If it is the table style.
    """
    if edits.style == "table":
        raise PadsheetError(
            "the style 'table' has no lines to send",
            remedy="Type the table of `padsheet edits` in by hand, or choose another style in "
            "bed.toml.",
            code="send-table",
        )


def send_edits(
    link: Link, edits: EditList, bed: Bed, *, tell: Callable[[str], None] | None = None
) -> Outcome:
    """Send all edits, read the mesh back and compare every value; saves nothing.

    Parameters
    ----------
    link : Link
        After `Link.greet`.
    edits : EditList
        Made for the mesh that the printer holds.
    bed : Bed
        Says how the mesh is asked for and read.
    tell : callable, optional
        Gets a word about each edit that the printer has taken.

    Returns
    -------
    Outcome

    Raises
    ------
    SendFault
        On any fault; says which edits are in.
    PadsheetError
        If the style has no lines, or the link fails before anything was sent.
    """
    check_sendable(edits)
    before = read_mesh(link, bed, empty=edits.from_nothing)
    if edits.before is not None and not same_mesh(before, edits.before, bed):
        raise PadsheetError(
            "the mesh in the printer is not the one that the edits were made for: it differs at "
            + _differences(before.z_mm, edits.before.z_mm, bed),
            remedy="Take the present mesh in with `padsheet mesh FILE`; if it changed after the "
            "sheet was printed, print a new sheet.",
            code="send-other-mesh",
        )
    done = 0
    try:
        for edit in edits.edits:
            link.ask(edit.line)
            done += 1
            if tell is not None:
                tell(f"{done} of {len(edits.edits)}: {edit.comment}")
        after = read_mesh(link, bed)
    except PadsheetError as error:
        raise _stopped(link, edits, bed, before, done, error) from error
    except KeyboardInterrupt as error:
        raise _stopped(link, edits, bed, before, done, _by_hand()) from error
    return Outcome(before=before, after=_compared(before, after, edits, bed))


def _by_hand() -> PadsheetError:
    return PadsheetError("stopped by hand", remedy=POWER_REMEDY, code="send-stopped")


def _meant(before: Mesh, edits: EditList) -> NDArray[np.float64]:
    """Return the mesh values that must be there after all edits."""
    z_mm = before.z_mm.copy()
    for edit in edits.edits:
        z_mm[edit.j, edit.i] = (
            edit.new_mm if edit.new_mm is not None else z_mm[edit.j, edit.i] + edit.dz_mm
        )
    return z_mm


def _compared(before: Mesh, after: Mesh, edits: EditList, bed: Bed) -> Mesh:
    """Return the mesh read back if every value is as meant."""
    meant_mm = _meant(before, edits)
    wrong = np.abs(after.z_mm - meant_mm) > tolerance_mm(bed)
    if not np.any(wrong):
        return after
    raise SendFault(
        "the mesh read back is not as meant at "
        + _differences(after.z_mm, meant_mm, bed)
        + _turned(after.z_mm - before.z_mm, meant_mm - before.z_mm, bed),
        code="send-not-as-meant",
        taken=[edit for edit in edits.edits if not wrong[edit.j, edit.i]],
        doubtful=[edit for edit in edits.edits if wrong[edit.j, edit.i]],
    )


def _differences(got_mm: NDArray[np.float64], meant_mm: NDArray[np.float64], bed: Bed) -> str:
    places = np.argwhere(np.abs(got_mm - meant_mm) > tolerance_mm(bed))
    words = [
        f"column {i + 1} row {j + 1} ({got_mm[j, i]:.3f} instead of {meant_mm[j, i]:.3f} mm)"
        for j, i in places[:4]
    ]
    more = f" and {len(places) - 4} more" if len(places) > 4 else ""
    return ", ".join(words) + more


def _turned(got_mm: NDArray[np.float64], meant_mm: NDArray[np.float64], bed: Bed) -> str:
    """Say so when the changes are those that were meant, but the other way round."""
    views = {
        "with front and back exchanged": meant_mm[::-1],
        "with left and right exchanged": meant_mm[:, ::-1],
        "with columns and rows exchanged": meant_mm.T,
        "with the wrong sign": -meant_mm,
    }
    for words, view in views.items():
        if view.shape == got_mm.shape and np.all(np.abs(got_mm - view) <= tolerance_mm(bed)):
            return f"; the changes are in, but {words}"
    return ""


def _stopped(
    link: Link, edits: EditList, bed: Bed, before: Mesh, done: int, error: PadsheetError
) -> SendFault:
    """Find out which edits are in after a fault; if the link is dead, what is known."""
    taken, doubtful = list(edits.edits[:done]), list(edits.edits[done : done + 1])
    missing = list(edits.edits[done + 1 :])
    if error.code == "link-restart":
        # The mesh in memory went with the restart; the saved one is back.
        return SendFault(error.problem, code=error.code, missing=edits.edits)
    if error.code != "link-lost":
        try:
            link.resume()
            now = read_mesh(link, bed)
        except PadsheetError:
            pass
        else:
            meant_mm = _meant(before, edits)
            taken, doubtful, missing = [], [], []
            for edit in edits.edits:
                value_mm = now.z_mm[edit.j, edit.i]
                if abs(value_mm - meant_mm[edit.j, edit.i]) <= tolerance_mm(bed):
                    taken.append(edit)
                elif abs(value_mm - before.z_mm[edit.j, edit.i]) <= tolerance_mm(bed):
                    missing.append(edit)
                else:
                    doubtful.append(edit)
    return SendFault(
        error.problem, code=error.code, taken=taken, doubtful=doubtful, missing=missing
    )


def restore_after(fault: SendFault, bed: Bed) -> tuple[str, ...]:
    """Return the lines that take back what a broken sending left in the printer.

    Lines that set a value are right whether the edit is in or not; a line that takes back a change
    must only be sent if the change is in, so doubtful ones stay comments.
    """
    lines = ["; takes back the edits of a sending that broke off"]
    for edit in reversed(fault.taken):
        lines += with_comment(edit.restore, f"was taken: {edit.comment}")
    for edit in fault.doubtful:
        if adds(bed.edits):
            lines.append(f"; only if the mesh shows that it is in: {edit.restore}")
        else:
            lines += with_comment(edit.restore, f"not known whether taken: {edit.comment}")
    return tuple(lines)


def save_mesh(link: Link, outcome: Outcome, bed: Bed) -> None:
    """Save the mesh, after one more look that it is still the one that was compared.

    Raises
    ------
    PadsheetError
        If it is not, or the printer does not confirm.
    """
    if not same_mesh(read_mesh(link, bed), outcome.after, bed):
        raise PadsheetError(
            "the mesh in the printer has changed since it was compared; it was not saved",
            remedy="Start again with `padsheet mesh FILE`.",
            code="send-changed",
        )
    try:
        link.ask(bed.edits.save)
    except PadsheetError as error:
        raise PadsheetError(
            f"it is not known whether the mesh was saved: {error.problem}",
            remedy=f"Ask the printer for its mesh; if it is as wanted, send {bed.edits.save} by "
            "hand.",
            code="send-save",
        ) from error


def prove_over_link(link: Link, bed: Bed, *, mesh: Mesh | None = None) -> StyleProof:
    """Prove the edit style: one edit of +0.02 mm, read back, judged, and taken back.

    Parameters
    ----------
    link : Link
        After `Link.greet`.
    bed : Bed
        The profile whose style is proved.
    mesh : Mesh, optional
        The mesh as known; the one in the printer must agree with it.

    Returns
    -------
    StyleProof

    Raises
    ------
    PadsheetError
        On a fault of the link, or if the edit could not be taken back.
    """
    before = read_mesh(link, bed)
    if mesh is not None and not same_mesh(before, mesh, bed):
        raise PadsheetError(
            "the mesh in the printer is not the one that is known: it differs at "
            + _differences(before.z_mm, mesh.z_mm, bed),
            remedy="Take the present mesh in with `padsheet mesh FILE`.",
            code="send-other-mesh",
        )
    edits = prove_edit(bed, before)
    try:
        return _proved(link, bed, edits, before)
    except KeyboardInterrupt as error:
        raise _stopped(link, edits, bed, before, 0, _by_hand()) from error
    except PadsheetError as error:
        if not error.code.startswith(("link-", "mesh-")):
            raise
        raise _stopped(link, edits, bed, before, 0, error) from error


def _proved(link: Link, bed: Bed, edits: EditList, before: Mesh) -> StyleProof:
    """Send the proof's edit, judge what the printer made of it, and take it back."""
    link.ask(edits.edits[0].line)
    proof = judge_proof(before, read_mesh(link, bed), bed)
    if proof.kind == "not-applied":
        return proof
    if not proof.ok:
        # A printer that counts or adds otherwise would take the way back otherwise too.
        raise PadsheetError(
            proof.text.rstrip("."),
            remedy="The proof's change is not taken back, as that would go wrong too. Nothing was "
            "saved: switch the printer off and on, correct bed.toml, and prove again.",
            code=f"proof-{proof.kind}",
        )
    link.ask(edits.edits[0].restore)
    if not same_mesh(read_mesh(link, bed), before, bed):
        raise PadsheetError(
            "the proof's edit could not be taken back", remedy=POWER_REMEDY, code="proof-restore"
        )
    return proof
