"""The sheet to print next: its reach by what it will meet, and none that comes too near."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.ladder import FINE_MM, FIRST_MM, LARGEST_MM
from padsheet.patterns.layout import SELF_CHECK_LIFT_MM
from padsheet.patterns.make import SheetFiles, make_sheet
from padsheet.scoring.ahead import Ahead, Nearest, highest, look_ahead, nearest
from padsheet.scoring.mesh import Mesh, empty_mesh
from padsheet.scoring.phrases import listed, place, reach_mm, reach_word
from padsheet.scoring.rounds import BedFolder

__all__ = [
    "Chosen",
    "TooNear",
    "Way",
    "advised_reach",
    "choose_sheet",
    "plan_sheet",
]

#: Offsets are told in hundredths.
SMALLEST_TOLD_MM = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """A sheet that keeps clear of the bed, as far as is known.

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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Options:
    """What was asked of a sheet besides its reach."""

    points: tuple[tuple[int, int], ...]
    self_check: bool
    no_mesh: bool

    @property
    def words(self) -> str:
        """The options, to go on with after others."""
        places = " ".join(f"{i + 1},{j + 1}" for i, j in self.points)
        return (
            (f" --points {places}" if places else "")
            + (" --self-check" if self.self_check else "")
            + (" --no-mesh" if self.no_mesh else "")
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """What can be done about a sheet that comes too near: a sentence, and commands for it.

    `commands` are without the program's name, and empty where there is nothing to type.
    """

    text: str
    commands: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """All of it in one sentence."""
        if not self.commands:
            return self.text
        told = ", ".join(f"`padsheet {command}`" for command in self.commands)
        return f"{self.text.rstrip('.')}: {told}."


class TooNear(PadsheetError):
    """A sheet whose lowest lines might come nearer to the bed than the clearance.

    Attributes
    ----------
    ways : tuple of Way
        What can be done, one instead of the other.
    reach : str
        Of the sheet, as the option takes it.
    up_mm : float
        By how much the nozzle has to be raised for a sheet of that reach, where raising it is the
        last of the ways; else 0.
    in_all : str
        What that makes with the offset on record, to go on with; empty where none is.
    """

    def __init__(
        self,
        problem: str,
        *,
        ways: tuple[Way, ...],
        reach: str,
        up_mm: float = 0.0,
        in_all: str = "",
    ) -> None:
        said = [way.sentence for way in ways]
        later = [f"Or {text[0].lower()}{text[1:]}" for text in said[1:]]
        super().__init__(problem, remedy=" ".join([*said[:1], *later]), code="sheet-too-near")
        self.ways, self.reach, self.up_mm, self.in_all = ways, reach, up_mm, in_all


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
    suppose_done: bool = False,
) -> Chosen:
    """Make the sheet that a bed folder is to print with a mesh; nothing is written.

    Parameters
    ----------
    mesh : Mesh or None
        What the printer is taken to hold when the sheet is printed; None if that is not known.
    number : int
        Of the sheet.
    asked_mm, self_check, no_mesh, force
        As in `choose_sheet`.
    points : sequence of (i, j), optional
        Only these grid points.
    suppose_done : bool
        As in `padsheet.scoring.ahead.look_ahead`.

    Raises
    ------
    PadsheetError
        As `choose_sheet`; or if a file of a round cannot be read.
    """
    held = None if no_mesh else mesh

    def make(reach_mm: float) -> SheetFiles:
        return make_sheet(
            bed,
            reach_mm=(-reach_mm, reach_mm),
            number=number,
            points=points or None,
            mesh_active="no" if no_mesh else "yes" if held else "unknown",
            mesh_name=None if held is None else held.name,
            mesh_z_mm=None if held is None else held.z_mm,
            self_check=self_check,
        )

    in_force = empty_mesh(bed.mesh) if no_mesh else mesh
    try:
        return choose_sheet(
            make,
            look_ahead(folder, bed, in_force, suppose_done=suppose_done),
            bed,
            asked_mm=asked_mm,
            points=points,
            self_check=self_check,
            no_mesh=no_mesh,
            force=force,
        )
    except TooNear as refusal:
        amiss = None if no_mesh else _read_amiss(folder, mesh, refusal)
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
        As in `plan_sheet`.
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
    chosen = plan_sheet(folder, bed, mesh, number, suppose_done=suppose_done)
    if not advised:
        return ""
    held_mm = -chosen.files.sheet.reach_mm[0]
    return reach_word(held_mm) if held_mm > reach_mm(advised) + 1e-9 else advised


def choose_sheet(
    make: Callable[[float], SheetFiles],
    ahead: Ahead | None,
    bed: Bed,
    *,
    asked_mm: float | None = None,
    points: Sequence[tuple[int, int]] = (),
    self_check: bool = False,
    no_mesh: bool = False,
    force: bool = False,
) -> Chosen:
    """Make the sheet whose reach holds what is expected, and refuse one that comes too near.

    Parameters
    ----------
    make : callable
        Makes the sheet of a reach in millimetres.
    ahead : Ahead or None
        What the sheet will meet, None for a bed never read.
    bed : Bed
        The profile.
    asked_mm : float or None
        The reach that was asked for; None to choose it.
    points, self_check, no_mesh
        Which grid points and what the sheet is for, and whether it leaves the mesh off: the options
        that go with another reach.
    force : bool
        Whether a reach that was asked for is used though it comes too near.

    Raises
    ------
    PadsheetError
        If the sheet cannot be made, or its lowest lines might come nearer to the bed than the
        clearance at the 95 % bound.
    """
    options = _Options(points=tuple(points), self_check=self_check, no_mesh=no_mesh)
    if asked_mm is not None:
        files = make(asked_mm)
        if ahead is None:
            return Chosen(files=files)
        refusal = _refusal(make, files, ahead, bed, options)
        if refusal is None and ahead.screws and ahead.unknown and asked_mm < FIRST_MM - 1e-9:
            refusal = _after_own_turns(ahead, asked_mm, options)
        if refusal is None or force:
            return Chosen(files=files, caution=refusal.problem if refusal else ahead.unknown)
        raise refusal
    wide_mm = round(LARGEST_MM - SELF_CHECK_LIFT_MM, 6) if self_check else FIRST_MM
    if ahead is None:
        return Chosen(files=make(FINE_MM if self_check else wide_mm))
    if ahead.unknown:
        wide = _made(make, wide_mm)
        files = wide or make(FINE_MM)
        far = _refusal(make, files, ahead, bed, options)
        if far is not None:
            raise far
        return Chosen(files=files, why=f"{_instead(wide_mm)}: {ahead.unknown}." if wide else "")
    fine = make(FINE_MM)
    low, high = nearest(ahead, fine.sheet), highest(ahead, fine.sheet)
    clear = low.gap_mm >= bed.motion.clearance_mm - 1e-9
    if clear and high[0] <= FINE_MM and not ahead.screws:
        return Chosen(files=fine)
    wide = _made(make, wide_mm)
    if wide is not None:
        far = _refusal(make, wide, ahead, bed, options)
        if far is not None:
            # What can be put on record, or looked at, comes before a sheet that reads coarser.
            asks_first = ahead.unsaid or ahead.doubtful
            wider = None if asks_first else _wider(make, wide, ahead, bed, self_check=self_check)
            if wider is None:
                raise far
            wide, wide_mm = wider, -wider.sheet.reach_mm[0]
        why = f"by round {ahead.since} and what is on record since, the gap error "
        if not clear:
            where = place(low.i, low.j)
            why += f"near {where} may be as low as {low.error_mm:+.2f} mm (95 % bound)"
        elif high[0] > FINE_MM:
            why += f"at {place(*high[1:])} is expected to be {high[0]:+.2f} mm"
        else:
            why = f"the screws were to be turned after round {ahead.since}, which no hand does to "
            why += "a hundredth"
        return Chosen(files=wide, why=f"{_instead(wide_mm)}: {why}.")
    near = _refusal(make, fine, ahead, bed, options)
    if near is not None:
        raise near
    return Chosen(files=fine)


def _instead(reach_mm: float) -> str:
    return f"Reach {reach_word(reach_mm)} in place of fine"


def _made(make: Callable[[float], SheetFiles], reach_mm: float) -> SheetFiles | None:
    """Return a sheet of wider reach than usual; None where this nozzle or sheet has no such."""
    try:
        return make(reach_mm)
    except PadsheetError as error:
        if error.code in ("ladder-impossible", "ladder-reach", "layout-self-check"):
            return None
        raise


def _refusal(
    make: Callable[[float], SheetFiles],
    files: SheetFiles,
    ahead: Ahead,
    bed: Bed,
    options: _Options,
) -> TooNear | None:
    """Return why a sheet must not be printed, None if it keeps clear of the bed or nobody knows."""
    if not ahead.states:
        return None
    near = nearest(ahead, files.sheet)
    missing_mm = _missing_mm(near, bed)
    if missing_mm <= 1e-9:
        return None
    if ahead.doubtful and _missing_mm(nearest(ahead, files.sheet, sure=True), bed) <= 1e-9:
        return _doubted(ahead, near, bed, reach_word(-files.sheet.reach_mm[0]))
    ways = [
        Way(
            text="If what was advised is done, say the first of these; if not, the second.",
            commands=(f"applied {done}", f"applied {left}"),
        )
        for done, left in ahead.unsaid
    ]
    if ahead.unknown:
        ways.append(
            Way(
                text="If the printer holds another mesh by now, take it in.",
                commands=("mesh FILE",),
            )
        )
    if options.no_mesh and ahead.mesh_lowered:
        ways.append(Way(text="Leave out --no-mesh: without its mesh the bed is that far off."))
    elif ahead.mesh_lowered:
        ways.append(Way(text="Bring back the mesh of the newest sheet.", commands=("restore",)))
    wider, up_mm = _wider(make, files, ahead, bed, self_check=options.self_check), 0.0
    in_all = ""
    if wider is not None:
        word = reach_word(-wider.sheet.reach_mm[0])
        ways.append(
            Way(
                text="Print a sheet of wider reach, which keeps clear of the bed.",
                commands=(f"sheet --reach {word}{options.words}",),
            )
        )
    elif not ahead.unsaid:
        up_mm = math.ceil(missing_mm * 100 - 1e-6) / 100
        if abs(ahead.set_in_all_mm) >= SMALLEST_TOLD_MM:
            total_mm = ahead.set_in_all_mm + up_mm
            in_all = f", {total_mm:+.2f} mm in all with what is on record"
        ways.append(
            Way(
                text=f"Raise the nozzle everywhere by {up_mm:.2f} mm{in_all}, for the next sheet "
                "too, and put that on record.",
                commands=(f"applied --offset {ahead.offset_mm + up_mm:.2f}",),
            )
        )
    unsaid = " (what was advised after it is not on record)" if ahead.unsaid else ""
    reach = reach_word(-files.sheet.reach_mm[0])
    return TooNear(
        f"by round {ahead.since} and what is on record since{unsaid}, a sheet of reach {reach} may "
        f"bring the nozzle {_to(near)}; the clearance is {bed.motion.clearance_mm:.2f} mm",
        ways=tuple(ways),
        reach=reach,
        up_mm=up_mm,
        in_all=in_all,
    )


def _after_own_turns(ahead: Ahead, asked_mm: float, options: _Options) -> TooNear:
    """Return the refusal of a sheet whose lines lie low, where nobody knows how the bed lies."""
    word = reach_word(asked_mm)
    return TooNear(
        f"{ahead.unknown}; a sheet of reach {word} may then come too near the bed, or not read it",
        ways=(
            Way(
                text="Print one of wider reach.", commands=(f"sheet --reach first{options.words}",)
            ),
        ),
        reach="first",
    )


def _missing_mm(near: Nearest, bed: Bed) -> float:
    return bed.motion.clearance_mm - near.gap_mm


def _to(near: Nearest) -> str:
    to = f"to {near.gap_mm:.2f} mm from" if near.gap_mm > 0 else f"{-near.gap_mm:.2f} mm into"
    return f"{to} the bed near {place(near.i, near.j)} (95 % bound)"


def _doubted(ahead: Ahead, near: Nearest, bed: Bed, reach: str) -> TooNear:
    """Return the refusal of a sheet that is safe only if screws were turned the right way."""
    one = len(ahead.doubtful) == 1
    knobs = f"the {ahead.doubtful[0]} knob" if one else f"the knobs {listed(ahead.doubtful)}"
    look = Way(
        text=f"Look which way {knobs} {'moves' if one else 'move'} the bed. Where that is not "
        f"as round {ahead.since} says, turn back twice as far and correct raises in bed.toml. "
        "Once all are turned the right way, write the sheet.",
        commands=(f"sheet --reach {reach} --force",),
    )
    return TooNear(
        "turns of bed screws went the other way before. If those of round "
        f"{ahead.since} do so too, a sheet of reach {reach} may bring the nozzle {_to(near)}; the "
        f"clearance is {bed.motion.clearance_mm:.2f} mm",
        ways=(look,),
        reach=reach,
    )


def _wider(
    make: Callable[[float], SheetFiles],
    files: SheetFiles,
    ahead: Ahead,
    bed: Bed,
    *,
    self_check: bool,
) -> SheetFiles | None:
    """Return a sheet of wider reach than one that comes too near; None if none keeps clear."""
    reach_mm = round(-files.sheet.reach_mm[0], 6)
    missing_mm = bed.motion.clearance_mm - nearest(ahead, files.sheet).gap_mm
    most_mm = LARGEST_MM - (SELF_CHECK_LIFT_MM if self_check else 0.0)
    least_mm = math.ceil((reach_mm + missing_mm) * 100 - 1e-6) / 100
    for wider_mm in sorted({least_mm, max(least_mm, FIRST_MM)}, reverse=True):
        if wider_mm > most_mm + 1e-9 or wider_mm <= reach_mm:
            continue
        wider = _made(make, wider_mm)
        if (
            wider is not None
            and nearest(ahead, wider.sheet).gap_mm >= bed.motion.clearance_mm - 1e-9
        ):
            return wider
    return None
