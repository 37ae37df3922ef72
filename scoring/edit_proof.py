"""The proof of an edit style: one small edit, read back, tells how this printer counts and adds."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from padsheet.patterns.bed import Bed
from padsheet.scoring.advice import NodeAdvice
from padsheet.scoring.edit_styles import adds
from padsheet.scoring.edits import EditList, make_edits
from padsheet.scoring.kept_proof import Kind
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.phrases import place

__all__ = ["StyleProof", "judge_proof", "proof_node", "prove_edit", "tells_setting"]

PROOF_MM = 0.02
# The table shows two or three decimals: half a unit of the second, and some air.
SAME_MM = 0.006

Node = tuple[int, int]
_TURNS: tuple[Kind, ...] = ("flipped-rows", "flipped-columns", "transposed")


@dataclass(frozen=True, slots=True, kw_only=True)
class StyleProof:
    """What the proof showed.

    Attributes
    ----------
    kind : str
        "ok", or what this printer does otherwise than the profile says.
    text : str
        What was seen and what to change, in sentences.
    setting_open : bool
        Whether it left open if the printer adds or sets: the old value was near zero.
    """

    kind: Kind
    text: str
    setting_open: bool = False

    @property
    def ok(self) -> bool:
        """Whether the edit style may be used."""
        return self.kind == "ok"


def proof_change_mm(bed: Bed) -> float:
    """Return the size of the proof's edit: 0.02 mm, or what the printer's smallest edit allows."""
    return round(math.ceil(PROOF_MM / bed.edits.smallest_mm - 1e-9) * bed.edits.smallest_mm, 6)


def _near_zero(value_mm: float) -> bool:
    """Tell whether adding to a value and setting it look alike."""
    return abs(value_mm) <= 2 * SAME_MM


def tells_setting(bed: Bed, mesh: Mesh) -> bool:
    """Tell whether a proof on this mesh would tell a printer that adds from one that sets."""
    i, j = proof_node(bed, mesh)
    return not _near_zero(float(mesh.z_mm[j, i]))


def _elsewhere(bed: Bed, node: Node) -> dict[Kind, Node]:
    """Return where the edit of a node would land under each wrong way of counting."""
    (i, j), columns, rows = node, bed.mesh.columns, bed.mesh.rows
    places: dict[Kind, Node] = {
        "one-based": (i - 1, j - 1),
        "zero-based": (i + 1, j + 1),
        "flipped-rows": (i, rows - 1 - j),
        "flipped-columns": (columns - 1 - i, j),
        "transposed": (j, i),
    }
    return {k: p for k, p in places.items() if 0 <= p[0] < columns and 0 <= p[1] < rows}


def proof_node(bed: Bed, mesh: Mesh) -> Node:
    """Choose the node whose edit tells the most wrong ways of counting, adding and setting apart.

    It lies off every axis of symmetry, its value is not near zero (else adding and setting look
    alike), and the nodes that a wrong count would hit have other values (else setting one of them
    would change nothing).

    Parameters
    ----------
    bed : Bed
        Its mesh grid counts.
    mesh : Mesh
        The mesh before the edit.

    Returns
    -------
    (i, j)
    """
    change_mm = proof_change_mm(bed)

    def worth(node: Node) -> tuple[int, int, bool, int, float]:
        i, j = node
        places = _elsewhere(bed, node)
        new_mm = mesh.z_mm[j, i] + change_mm
        seen = sum(abs(mesh.z_mm[q, p] - new_mm) > 2 * SAME_MM for p, q in places.values())
        turned = {places.get(kind, node) for kind in _TURNS} - {node}
        distinct = set(places.values()) - {node}
        old_mm = abs(float(mesh.z_mm[j, i]))
        middle = math.hypot(i - (bed.mesh.columns - 1) / 2, j - (bed.mesh.rows - 1) / 2)
        return len(turned), len(distinct), not _near_zero(old_mm), seen, -middle

    return max(bed.mesh.nodes, key=worth)


def prove_edit(bed: Bed, mesh: Mesh) -> EditList:
    """Make one edit of +0.02 mm at an asymmetric node, in the profile's style.

    It raises the nozzle there, so that it can do no harm; its restore line takes it back.

    Parameters
    ----------
    bed : Bed
        Style and grid.
    mesh : Mesh
        The mesh as read just now.

    Raises
    ------
    PadsheetError
        As `padsheet.scoring.edits.make_edits`.
    """
    i, j = proof_node(bed, mesh)
    change_mm = proof_change_mm(bed)
    advice = NodeAdvice(i=i, j=j, dz_mm=change_mm, sigma_mm=0.0, changed=True)
    return make_edits([advice], bed, mesh)


def judge_proof(before: Mesh, after: Mesh, bed: Bed) -> StyleProof:
    """Say what the printer made of the edit of `prove_edit`.

    Parameters
    ----------
    before, after : Mesh
        Read from the printer before and after the edit.
    bed : Bed
        The profile that `prove_edit` was given.

    Returns
    -------
    StyleProof
        Only ``kind == "ok"`` lets edits pass.
    """
    node = proof_node(bed, before)
    change = after.z_mm - before.z_mm
    moved = [(int(i), int(j)) for j, i in np.argwhere(np.abs(change) > SAME_MM)]
    where = place(*node)
    if not moved:
        return StyleProof(
            kind="not-applied",
            text=f"The mesh is unchanged: the printer did not take the edit at {where}. Check that "
            "the mesh was read after the edit and that the printer knows this word.",
        )
    if len(moved) > 1:
        return StyleProof(
            kind="other",
            text=f"{len(moved)} points changed where one was to change: the printer does something "
            "else with this word. Restore the mesh and choose another style.",
        )
    if moved[0] == node:
        return _judge_value(before, after, bed, node)
    return _judge_place(before, after, bed, node, moved[0])


def _judge_value(before: Mesh, after: Mesh, bed: Bed, node: Node) -> StyleProof:
    """Judge the new value at the right place."""
    i, j = node
    dz_mm, old_mm = proof_change_mm(bed), float(before.z_mm[j, i])
    got_mm = float(after.z_mm[j, i])
    seen = f"at {place(i, j)} the value went from {old_mm:.3f} to {got_mm:.3f} mm"
    if abs(got_mm - old_mm - dz_mm) <= SAME_MM:
        text = f"The edit was taken as meant: {seen}."
        setting_open = _near_zero(old_mm)
        if setting_open:
            text += (
                " The old value is near zero, so this does not tell adding from setting: once the "
                "mesh is no longer flat, another proof stands before the next edits."
            )
        return StyleProof(kind="ok", text=text, setting_open=setting_open)
    if abs(got_mm - old_mm + dz_mm) <= SAME_MM:
        return StyleProof(
            kind="wrong-sign",
            text=f"The sign is wrong: {seen}, it should have risen by {dz_mm:.3f}. Use a custom "
            "template, or check that the right mesh was read.",
        )
    if adds(bed.edits) and abs(got_mm - dz_mm) <= SAME_MM:
        return StyleProof(
            kind="absolute-for-additive",
            text=f"The printer set the value where it should have added: {seen}. Choose a style "
            "that sends the new value.",
        )
    if not adds(bed.edits) and abs(got_mm - (2 * old_mm + dz_mm)) <= SAME_MM:
        return StyleProof(
            kind="additive-for-absolute",
            text=f"The printer added the value where it should have set it: {seen}. Choose a style "
            "that sends the change.",
        )
    return StyleProof(
        kind="other",
        text=f"The value is not what was sent: {seen}. Restore the mesh and choose another style.",
    )


def _judge_place(before: Mesh, after: Mesh, bed: Bed, node: Node, moved: Node) -> StyleProof:
    """Judge an edit that landed at another node."""
    kinds = [kind for kind, hit in _elsewhere(bed, node).items() if hit == moved]
    (i, j), (p, q) = node, moved
    got_mm, dz_mm = float(after.z_mm[q, p]), proof_change_mm(bed)
    meant_mm = (before.z_mm[q, p] if adds(bed.edits) else before.z_mm[j, i]) + dz_mm
    seen = f"the edit of {place(i, j)} changed {place(p, q)} of the mesh"
    if len(kinds) != 1 or abs(got_mm - float(meant_mm)) > SAME_MM:
        return StyleProof(
            kind="other",
            text=f"Something else changed: {seen}. Restore the mesh; check the order of rows and "
            "columns of the printed table, then the style.",
        )
    return StyleProof(kind=kinds[0], text=f"{_PLACE_WORDS[kinds[0]]}: {seen}. {_REMEDY[kinds[0]]}")


_PLACE_WORDS: dict[Kind, str] = {
    "one-based": "This printer counts from 1 where the style counts from 0",
    "zero-based": "This printer counts from 0 where the style counts from 1",
    "flipped-rows": "Front and back are exchanged",
    "flipped-columns": "Left and right are exchanged",
    "transposed": "Columns and rows are exchanged",
}
_REMEDY: dict[Kind, str] = {
    "one-based": "Use style custom with {column1} and {row1}.",
    "zero-based": "Use g29_index = 'IJ0', or style custom with {column0} and {row0}.",
    "flipped-rows": "Look where the first row of the printed table lies: most likely "
    "table_first_row in bed.toml is the wrong way round. After changing it take the mesh in again "
    "(`padsheet mesh FILE`): that corrects how it was read, and the photo of the sheet still "
    "counts.",
    "flipped-columns": "Most likely table_first_column in bed.toml is the wrong way round. After "
    "changing it take the mesh in again (`padsheet mesh FILE`): that corrects how it was read, and "
    "the photo of the sheet still counts.",
    "transposed": "Use style custom with the column and row fields exchanged, or paste the printed "
    "table with its columns as rows.",
}
