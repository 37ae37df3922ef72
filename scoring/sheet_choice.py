"""The sheet to print next: its reach by what it will meet, and none that comes too near."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.ladder import FINE_MM, FIRST_MM, LARGEST_MM
from padsheet.patterns.layout import SELF_CHECK_LIFT_MM
from padsheet.patterns.make import SheetFiles
from padsheet.scoring.ahead import Ahead, Nearest, highest, nearest
from padsheet.scoring.phrases import listed, place

__all__ = ["Chosen", "choose_sheet"]


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


def choose_sheet(
    make: Callable[[float], SheetFiles],
    ahead: Ahead | None,
    bed: Bed,
    *,
    asked_mm: float | None = None,
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
    self_check, no_mesh : bool
        What the sheet is for, and whether it leaves the mesh off.
    force : bool
        Whether a reach that was asked for is used though it comes too near.

    Raises
    ------
    PadsheetError
        If the sheet cannot be made, or its lowest lines might come nearer to the bed than the
        clearance at the 95 % bound.
    """
    if asked_mm is not None:
        files = make(asked_mm)
        if ahead is None:
            return Chosen(files=files)
        refusal = _refusal(make, files, ahead, bed, self_check=self_check, no_mesh=no_mesh)
        if refusal is None or force:
            return Chosen(files=files, caution=refusal.problem if refusal else ahead.unknown)
        raise refusal
    wide_mm = round(LARGEST_MM - SELF_CHECK_LIFT_MM, 6) if self_check else FIRST_MM
    if ahead is None:
        return Chosen(files=make(FINE_MM if self_check else wide_mm))
    if ahead.unknown:
        wide = _made(make, wide_mm)
        files = wide or make(FINE_MM)
        far = _refusal(make, files, ahead, bed, self_check=self_check, no_mesh=no_mesh)
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
        far = _refusal(make, wide, ahead, bed, self_check=self_check, no_mesh=no_mesh)
        if far is not None:
            raise far
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
    near = _refusal(make, fine, ahead, bed, self_check=self_check, no_mesh=no_mesh)
    if near is not None:
        raise near
    return Chosen(files=fine)


def _instead(reach_mm: float) -> str:
    return f"Reach {_reach_word(reach_mm)} in place of fine"


def _reach_word(reach_mm: float) -> str:
    named = {FINE_MM: "fine", FIRST_MM: "first"}
    return named.get(reach_mm, f"{reach_mm:.2f}")


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
    *,
    self_check: bool,
    no_mesh: bool,
) -> PadsheetError | None:
    """Return why a sheet must not be printed, None if it keeps clear of the bed or nobody knows."""
    if not ahead.states:
        return None
    near = nearest(ahead, files.sheet)
    missing_mm = _missing_mm(near, bed)
    if missing_mm <= 1e-9:
        return None
    reach_mm = round(-files.sheet.reach_mm[0], 6)
    if ahead.doubtful and _missing_mm(nearest(ahead, files.sheet, sure=True), bed) <= 1e-9:
        return _doubted(ahead, near, bed, reach_mm)
    remedies = [
        f"If what was advised is done, say `padsheet applied {done}`; if not, `padsheet applied "
        f"{left}`."
        for done, left in ahead.unsaid
    ]
    if ahead.unknown:
        remedies.append(
            "If the printer holds another mesh by now, take it in with `padsheet mesh FILE`."
        )
    if no_mesh and ahead.mesh_lowered:
        remedies.append("Leave out --no-mesh: without its mesh the bed is that far off.")
    elif ahead.mesh_lowered:
        remedies.append("`padsheet restore` brings back the mesh of the newest sheet.")
    if wider := _wider(make, ahead, bed, reach_mm, missing_mm, self_check=self_check):
        remedies.append(f"--reach {wider} keeps clear of the bed.")
    elif not ahead.unsaid:
        up_mm = math.ceil(missing_mm * 100 - 1e-6) / 100
        remedies.append(
            f"{'Or raise' if remedies else 'Raise'} the nozzle everywhere by {up_mm:.2f} mm, for "
            "this sheet too, and put that on record: `padsheet applied --offset "
            f"{ahead.offset_mm + up_mm:.2f}`."
        )
    unsaid = " (what was advised after it is not on record)" if ahead.unsaid else ""
    return PadsheetError(
        f"by round {ahead.since} and what is on record since{unsaid}, this sheet of reach "
        f"{_reach_word(reach_mm)} may bring the nozzle {_to(near)}; the clearance is "
        f"{bed.motion.clearance_mm:.2f} mm",
        remedy=" ".join(remedies),
        code="sheet-too-near",
    )


def _missing_mm(near: Nearest, bed: Bed) -> float:
    return bed.motion.clearance_mm - near.gap_mm


def _to(near: Nearest) -> str:
    to = f"to {near.gap_mm:.2f} mm from" if near.gap_mm > 0 else f"{-near.gap_mm:.2f} mm into"
    return f"{to} the bed near {place(near.i, near.j)} (95 % bound)"


def _doubted(ahead: Ahead, near: Nearest, bed: Bed, reach_mm: float) -> PadsheetError:
    """Return the refusal of a sheet that is safe only if screws were turned the right way."""
    one = len(ahead.doubtful) == 1
    knobs = f"the {ahead.doubtful[0]} knob" if one else f"the knobs {listed(ahead.doubtful)}"
    return PadsheetError(
        "turns of bed screws went the other way before. If those of round "
        f"{ahead.since} do so too, this sheet of reach {_reach_word(reach_mm)} may bring the "
        f"nozzle {_to(near)}; the clearance is {bed.motion.clearance_mm:.2f} mm",
        remedy=f"Look which way {knobs} {'moves' if one else 'move'} the bed. Where that is not "
        f"as round {ahead.since} says, turn back twice as far and correct raises in bed.toml. "
        "Once all are turned the right way, write the sheet with `padsheet sheet --reach "
        f"{_reach_word(reach_mm)} --force`.",
        code="sheet-too-near",
    )


def _wider(
    make: Callable[[float], SheetFiles],
    ahead: Ahead,
    bed: Bed,
    reach_mm: float,
    missing_mm: float,
    *,
    self_check: bool,
) -> str:
    """Return the least reach that keeps clear, as its option; empty if there is none."""
    most_mm = LARGEST_MM - (SELF_CHECK_LIFT_MM if self_check else 0.0)
    least_mm = math.ceil((reach_mm + missing_mm) * 100 - 1e-6) / 100
    for wider_mm in sorted({least_mm, max(least_mm, FIRST_MM)}, reverse=True):
        if wider_mm > most_mm + 1e-9 or wider_mm <= reach_mm:
            continue
        files = _made(make, wider_mm)
        if (
            files is not None
            and nearest(ahead, files.sheet).gap_mm >= bed.motion.clearance_mm - 1e-9
        ):
            return _reach_word(wider_mm)
    return ""
