"""The sheet to print next: its reach by what it will meet, and none that comes too near."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from padsheet.patterns.bed import Bed
from padsheet.patterns.make import SheetFiles, make_sheet, predict_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.ahead import look_ahead
from padsheet.scoring.mesh import Mesh, empty_mesh
from padsheet.scoring.phrases import reach_mm, reach_word
from padsheet.scoring.reach_choice import Choice, SheetOptions, choose_reach
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.too_near import TooNear, Way

__all__ = ["Chosen", "advised_reach", "foresee_sheet", "plan_sheet"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """A sheet that keeps clear of the bed, as far as is known, with its files.

    Attributes
    ----------
    why : str
        Why its reach is another than usual; empty if it is not.
    caution : str
        What makes the reach that was asked for a danger, where it is used; else empty.
    """

    files: SheetFiles
    why: str = ""
    caution: str = ""


def plan_sheet(
    folder: BedFolder,
    bed: Bed,
    mesh: Mesh | None,
    number: int,
    *,
    asked_mm: float | None = None,
    points: Sequence[tuple[int, int]] = (),
    self_check: bool = False,
    no_mesh: bool = False,
    force: bool = False,
) -> Chosen:
    """Make the sheet that a bed folder is to print with a mesh; nothing is written.

    Parameters
    ----------
    mesh : Mesh or None
        What the printer is taken to hold when the sheet is printed; None if that is not known.
    number : int
        Of the sheet.
    asked_mm, force
        As in `padsheet.scoring.reach_choice.choose_reach`.
    points : sequence of (i, j), optional
        Only these grid points.
    self_check, no_mesh
        What the sheet is for, and whether it leaves the mesh off.

    Raises
    ------
    TooNear
        If its lowest lines might come nearer to the bed than the clearance at the 95 % bound.
    PadsheetError
        If the sheet cannot be made, or a file of a round cannot be read.
    """
    options = SheetOptions(points=tuple(points), self_check=self_check, no_mesh=no_mesh)
    made: dict[str, SheetFiles] = {}
    make = _with_reach(make_sheet, bed, mesh, number, options)

    def lay(reach_mm: float) -> Sheet:
        files = make(reach_mm)
        made[files.sheet.id] = files
        return files.sheet

    choice = _choose(folder, bed, mesh, lay, options, asked_mm=asked_mm, force=force)
    return Chosen(files=made[choice.sheet.id], why=choice.why, caution=choice.caution)


def foresee_sheet(
    folder: BedFolder, bed: Bed, mesh: Mesh | None, number: int, *, suppose_done: bool = False
) -> Choice:
    """Tell the sheet that `plan_sheet` makes if nothing is asked of it, without making its files.

    Parameters
    ----------
    mesh, number
        As in `plan_sheet`.
    suppose_done : bool
        As in `padsheet.scoring.ahead.look_ahead`.

    Raises
    ------
    PadsheetError
        As `plan_sheet`.
    """
    options = SheetOptions()
    lay = _with_reach(predict_sheet, bed, mesh, number, options)
    return _choose(folder, bed, mesh, lay, options, suppose_done=suppose_done)


def _with_reach(
    make: Callable[..., T], bed: Bed, mesh: Mesh | None, number: int, options: SheetOptions
) -> Callable[[float], T]:
    """Return what makes the sheet of a reach in millimetres."""
    held = None if options.no_mesh else mesh

    def of(reach_mm: float) -> T:
        return make(
            bed,
            reach_mm=(-reach_mm, reach_mm),
            number=number,
            points=options.points or None,
            mesh_active="no" if options.no_mesh else "yes" if held else "unknown",
            mesh_name=None if held is None else held.name,
            mesh_z_mm=None if held is None else held.z_mm,
            self_check=options.self_check,
        )

    return of


def _choose(
    folder: BedFolder,
    bed: Bed,
    mesh: Mesh | None,
    lay: Callable[[float], Sheet],
    options: SheetOptions,
    *,
    asked_mm: float | None = None,
    force: bool = False,
    suppose_done: bool = False,
) -> Choice:
    """Choose by what the bed folder tells of the bed, and name what is amiss with its mesh."""
    in_force = empty_mesh(bed.mesh) if options.no_mesh else mesh
    ahead = look_ahead(folder, bed, in_force, suppose_done=suppose_done)
    try:
        return choose_reach(lay, ahead, bed, options, asked_mm=asked_mm, force=force)
    except TooNear as refusal:
        amiss = None if options.no_mesh else _read_amiss(folder, mesh, refusal)
        if amiss is None:
            raise
        raise amiss from refusal


def _read_amiss(folder: BedFolder, mesh: Mesh | None, refusal: TooNear) -> TooNear | None:
    """Return a refusal that names points read back otherwise than advised, if there are any."""
    from padsheet.scoring.amiss import newest_slip

    slip = newest_slip(folder)
    if slip is None or mesh is None or mesh.name != slip.held.name:
        return None
    several = len(slip.edits.edits) > 1
    mend = Way(
        text=f"Mend {'these points' if several else 'this point'}, then take the mesh in again.",
        commands=("edits", "mesh answer-after.txt"),
    )
    if slip.lines and not several:
        mend = Way(
            text=f"Send {slip.lines[0]} again, then take the mesh in again.",
            commands=("mesh answer-after.txt",),
        )
    back = [way for way in refusal.ways if way.commands == ("restore",)]
    return TooNear(
        f"the mesh is not as advised: {slip.points}. {refusal.problem[0].upper()}"
        f"{refusal.problem[1:]}",
        ways=(mend, *back),
        reach=refusal.reach,
    )


def advised_reach(
    folder: BedFolder,
    bed: Bed,
    mesh: Mesh | None,
    advised: str = "",
    *,
    suppose_done: bool = False,
) -> str:
    """Return the reach that `padsheet sheet` is to be given, as its option takes it.

    It is told by what `padsheet sheet` itself goes by, so that no command is named that would then
    be refused.

    Parameters
    ----------
    mesh, suppose_done
        As in `foresee_sheet`.
    advised : str
        The reach that the scores ask for, which is never made smaller; may be empty.

    Returns
    -------
    str
        Empty where nothing was advised and the usual choice holds.

    Raises
    ------
    TooNear
        If no sheet keeps clear of the bed before something else is done.
    PadsheetError
        If none can be made, or a file of a round cannot be read.
    """
    number = folder.next_round().number
    choice = foresee_sheet(folder, bed, mesh, number, suppose_done=suppose_done)
    if not advised:
        return ""
    held_mm = -choice.sheet.reach_mm[0]
    return reach_word(held_mm) if held_mm > reach_mm(advised) + 1e-9 else advised
