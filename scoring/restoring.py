"""Bringing the printer's mesh to one that is known: an earlier one, or none at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.advice import NodeAdvice
from padsheet.scoring.edit_styles import adds
from padsheet.scoring.edits import CAUTIONS, EditList, make_edits
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.phrases import points
from padsheet.scoring.read_back import same_mesh, tolerance_mm
from padsheet.scoring.round_edits import mesh_of_round
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.taking_in import advised_meshes

__all__ = [
    "change_in_words",
    "changed_besides",
    "edits_between",
    "edits_from_held",
    "edits_since",
    "mesh_to_restore",
    "reset_edits",
]

#: Printers show and take three decimals.
FINEST_MM = 0.001
#: A mesh that was in the printer once may differ from another by more than one round's edit.
LARGEST_MM = 10.0
#: Offsets are told in hundredths.
SMALLEST_OFFSET_MM = 0.005


def edits_between(bed: Bed, now: Mesh, target: Mesh) -> EditList:
    """Return the edits that turn one mesh into another, and the way back.

    Parameters
    ----------
    bed : Bed
        Edit style and grid.
    now : Mesh
        What the printer holds.
    target : Mesh
        What it shall hold, to three decimals. A mesh known by its values is no correction: the
        profile's largest edit does not limit it.

    Raises
    ------
    PadsheetError
        As `padsheet.scoring.edits.make_edits`; or if the meshes are of different grids.
    """
    if now.z_mm.shape != target.z_mm.shape:
        raise PadsheetError(
            f"the meshes '{now.name}' and '{target.name}' have different numbers of points",
            remedy="Name a mesh of the grid that bed.toml has now.",
            code="edits-other-grid",
        )
    change_mm = np.round(target.z_mm - now.z_mm, 3)
    nodes = [
        NodeAdvice(i=i, j=j, dz_mm=float(change_mm[j, i]), sigma_mm=0.0, changed=True)
        for i, j in bed.mesh.nodes
    ]
    return make_edits(nodes, _exact(bed), now)


def reset_edits(bed: Bed, now: Mesh | None) -> EditList:
    """Return the edits that set every point of the mesh to zero.

    Parameters
    ----------
    now : Mesh or None
        What the printer holds; may be unknown for a style that writes whole values.

    Raises
    ------
    PadsheetError
        As `padsheet.scoring.edits.make_edits`; or if the style adds and the mesh is not known.
    """
    if now is not None:
        flat = Mesh(grid=bed.mesh, z_mm=np.zeros_like(now.z_mm), name="none")
        return edits_between(bed, now, flat)
    if adds(bed.edits):
        raise PadsheetError(
            f"the style {bed.edits.style} adds to the mesh, and the mesh is not known",
            remedy="Read it back from the printer with `padsheet mesh FILE` first.",
            code="edits-mesh-unknown",
        )
    made = make_edits((), _exact(bed), None, empty_mesh=True)
    # Zero is what is written, not what is there: nothing is known that could be taken back.
    edits = tuple(replace(edit, old_mm=None, restore="") for edit in made.edits)
    caution = "Every point is set to zero. What it holds now is not known, so there is no way back."
    return replace(made, edits=edits, cautions=(*CAUTIONS, caution), restore_table=(), before=None)


def _exact(bed: Bed) -> Bed:
    """Return the profile without the limits that corrections have."""
    return replace(bed, edits=replace(bed.edits, smallest_mm=FINEST_MM, largest_mm=LARGEST_MM))


def mesh_to_restore(
    folder: BedFolder, *, number: int | None = None, name: str | None = None
) -> tuple[Mesh, Round | None]:
    """Return the mesh to go back to, and the round whose sheet was printed with it.

    Parameters
    ----------
    number : int or None
        Of the round; the newest if neither is given.
    name : str or None
        Of a stored mesh.

    Raises
    ------
    PadsheetError
        If there is no such mesh or round, or nobody knows the mesh of that round.
    """
    if name is not None:
        return folder.mesh(name), None
    round_ = folder.latest_round() if number is None else folder.round(number)
    target = None if round_ is None or not round_.begun else mesh_of_round(folder, round_)
    if round_ is None or target is None:
        which = "there is no round" if round_ is None else f"of round {round_.number} no mesh"
        raise PadsheetError(
            f"{which} is known to go back to",
            remedy="Name a stored mesh with --mesh, or see `padsheet rounds`.",
            code="restore-none",
        )
    return target, round_


def changed_besides(folder: BedFolder, number: int) -> str:
    """Say what no mesh takes back: screws turned and offset set since the sheet of a round.

    Empty if nothing of the kind is on record.

    Raises
    ------
    PadsheetError
        If a record cannot be read.
    """
    records = [(r.number, r.read_applied()) for r in folder.rounds() if r.number >= number]
    done = [(n, applied) for n, applied in records if applied is not None]
    turned = [str(n) for n, applied in done if applied.screws_turned]
    offset_mm = sum(applied.offset_mm or 0.0 for _, applied in done)
    parts = []
    if turned:
        rounds = "round" if len(turned) == 1 else "rounds"
        parts.append(f"bed screws were turned (after {rounds} {', '.join(turned)})")
    if abs(offset_mm) >= SMALLEST_OFFSET_MM:
        verb = "lowered" if offset_mm < 0 else "raised"
        parts.append(f"the common offset was {verb} by {abs(offset_mm):.2f} mm")
    if not parts:
        return ""
    return (
        f"Since the sheet of round {number} {' and '.join(parts)}: that stays as it is, so the bed "
        "will not be as it was on that sheet."
    )


def edits_since(folder: BedFolder, number: int, pending: EditList | None) -> EditList:
    """Return all edits since the sheet of a round, for a printer that holds that sheet's mesh.

    Such as one that was switched off before its mesh was saved.

    Parameters
    ----------
    number : int
        The round.
    pending : EditList or None
        The edits of the newest round, where they are not in yet.

    Raises
    ------
    PadsheetError
        If the mesh of that round or the present one is not known.
    """
    before, _ = mesh_to_restore(folder, number=number)
    target = folder.active_mesh() if pending is None else pending.expected
    if pending is None and target is not None and same_mesh(target, before, folder.bed()):
        # The printer was seen to hold it again: what it should hold is told by the record.
        target = _fallen_from(folder, number) or target
    if target is None:
        raise PadsheetError(
            "the mesh in the printer is not known",
            remedy="Take it in with `padsheet mesh FILE` first.",
            code="restore-unknown",
        )
    return edits_between(folder.bed(), before, target)


def _fallen_from(folder: BedFolder, number: int) -> Mesh | None:
    """Return what the printer held, or was to hold, before it fell back to the mesh of a round.

    None if the record tells of none.
    """
    for round_ in reversed([r for r in folder.rounds() if r.number >= number]):
        applied = round_.read_applied()
        if applied is not None and applied.lost_mesh:
            return folder.mesh(applied.lost_mesh)
    newest = folder.latest_round()
    if newest is None:
        return None
    meant = advised_meshes(folder, folder.bed(), newest) if newest.scores_json.exists() else ()
    return next((mesh for mesh, _ in meant), None) or mesh_of_round(folder, newest)


def edits_from_held(
    folder: BedFolder, bed: Bed, edits: EditList, held: Mesh, *, fallen_back: bool = True
) -> tuple[EditList, str] | None:
    """Return the edits from what the printer holds, where an earlier run or fall explains it.

    Parameters
    ----------
    edits : EditList
        As made from the mesh that was last read back.
    held : Mesh
        As just read from the printer.
    fallen_back : bool, optional
        Whether an earlier mesh of the folder explains it too. Not where the edits come from a
        sheet that may have been printed with that mesh.

    Returns
    -------
    (EditList, str) or None
        The edits that are left, perhaps none, and what explains the mesh. None where the printer
        holds what was last read back, or what nobody knows: then the sending refuses.
    """
    before, target = edits.before, edits.expected
    if before is None or target is None or same_mesh(held, before, bed):
        return None
    off_mm = [np.abs(held.z_mm - mesh.z_mm) for mesh in (before, target)]
    earlier = next((m.name for m in folder.known_meshes() if same_mesh(held, m, bed)), None)
    if np.all(np.minimum(*off_mm) <= tolerance_mm(bed)):
        said = "The printer holds this in part or wholly, as after a sending that broke off."
    elif earlier is not None and fallen_back:
        said = f"The printer is back at the mesh '{earlier}', as after being switched off unsaved."
    else:
        return None
    return edits_between(bed, replace(held, name=earlier or before.name), target), said


def change_in_words(edits: EditList) -> str:
    """Say how many points change, and by how much the nozzle goes up and down.

    Examples
    --------
    >>> from padsheet.patterns.bed import Bed, MeshGrid
    >>> grid = MeshGrid(columns=2, rows=2)
    >>> flat, other = (Mesh(grid=grid, z_mm=np.array([[0, z], [-z, 0]])) for z in (0.0, 0.05))
    >>> change_in_words(edits_between(Bed(mesh=grid), flat, other))
    '2 points change: the nozzle is raised by up to 0.050 mm and lowered by up to 0.050 mm'
    """
    up = max((edit.dz_mm for edit in edits.edits), default=0.0)
    down = -min((edit.dz_mm for edit in edits.edits), default=0.0)
    parts = [f"raised by up to {up:.3f} mm"] if up > 0 else []
    parts += [f"lowered by up to {down:.3f} mm"] if down > 0 else []
    count = len(edits.edits)
    if not parts:
        return f"{points(count)} {'is' if count == 1 else 'are'} written"
    verb = "changes" if count == 1 else "change"
    return f"{points(count)} {verb}: the nozzle is {' and '.join(parts)}"
