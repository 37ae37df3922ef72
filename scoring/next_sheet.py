"""The step of the next sheet, or what has to come before it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from padsheet.patterns.bed import Edits
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.advice import Advice
from padsheet.scoring.doing import Step, command_base
from padsheet.scoring.hand_offset import hand_offset_mm, hand_offset_words
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.steps import OFFSET_WORDS
from padsheet.scoring.waiting import outdated

if TYPE_CHECKING:
    from padsheet.scoring.mesh import Mesh
    from padsheet.scoring.too_near import TooNear

__all__ = [
    "sheet_steps",
    "sheet_waits",
]


def sheet_steps(
    folder: BedFolder,
    advice: Advice | None,
    *,
    mesh: Mesh | None = None,
    suppose_done: bool = False,
    keep_mesh: bool = False,
) -> list[Step]:
    """Return the step of the next sheet, with a command that will not be refused.

    Where no sheet keeps clear of the bed as it is, what to do before stands in its place.

    Parameters
    ----------
    advice : Advice or None
        Of the newest round; the reach that it names is taken, or a wider one where the record shows
        that this is needed by now.
    mesh : Mesh or None
        What the printer will hold then; what it is taken to hold now, if left out.
    suppose_done : bool
        Whether turns of screws and a common offset that are not on record are done before.
    keep_mesh : bool
        Whether an earlier mesh is not to be offered.

    Raises
    ------
    PadsheetError
        If profile or record cannot be read.
    """
    from padsheet.scoring.sheet_choice import advised_reach
    from padsheet.scoring.too_near import TooNear

    bed, base = folder.bed(), command_base(folder.path)
    planned = () if advice is None else advice.steps
    reach = next((step.reach for step in planned if step.kind == "sheet"), "")
    try:
        held = folder.active_mesh() if mesh is None else mesh
        reach = advised_reach(folder, bed, held, reach, suppose_done=suppose_done)
    except TooNear as refusal:
        return _before_sheet(refusal, bed.edits, base, keep_mesh=keep_mesh)
    except PadsheetError:
        pass  # what else keeps a sheet from being made is told by the command itself
    newest = folder.latest_round()
    if newest is not None and outdated(folder, newest):
        return [sheet_waits(folder, base, newest.number)]
    return [_print_next(base, reach)]


def _print_next(base: str, reach: str) -> Step:
    command = f"{base} sheet --reach {reach}" if reach else f"{base} sheet"
    return Step(text="Print the next sheet.", commands=(command,))


def _before_sheet(
    refusal: TooNear, told: Edits, base: str, *, keep_mesh: bool = False
) -> list[Step]:
    """Return what has to be done before a sheet can be printed, or what to do instead."""
    back = ("restore",)
    ways = [w for w in refusal.ways if not keep_mesh or w.commands != back] or refusal.ways
    why = f"{refusal.problem[0].upper()}{refusal.problem[1:]}."
    first, *others = (
        Step(text=way.text, commands=tuple(f"{base} {command}" for command in way.commands))
        for way in ways
    )
    if others:
        more = " ".join(
            f"Or {way.sentence[0].lower()}{way.sentence[1:]}" for way in ways[1:]
        ).replace("`padsheet ", f"`{base} ")
        text = f"Do not print the next sheet yet. {why} {first.text}"
        return [replace(first, text=text, other=Step(text=more))]
    if not refusal.up_mm:
        return [replace(first, text=f"Do not print the next sheet yet. {why} {first.text}")]
    how = OFFSET_WORDS.get(told.offset_style, "")
    how = f" ({how})" if how else ""
    text = (
        f"Before the next sheet raise the nozzle everywhere by {refusal.up_mm:.2f} mm{how}"
        f"{refusal.in_all}, and put that on record. {why}"
    )
    return [replace(first, text=text), _print_next(base, refusal.reach)]


def sheet_waits(folder: BedFolder, base: str, number: int) -> Step:
    """Return the step of a sheet that is written and not scored yet."""
    bed = folder.bed()
    words = hand_offset_words(hand_offset_mm(folder, bed), bed.edits.offset_style)
    by_hand = f" In that print: {words}." if words else ""
    if why := outdated(folder, folder.round(number)):
        return Step(
            text=f"The sheet of round {number} {why}: unless it is printed already, write it "
            f"afresh. Then print it, photograph it, and score the photo.{by_hand}",
            commands=(f"{base} sheet --force", f"{base} score PHOTO"),
        )
    return Step(
        text=f"The sheet of round {number} is written. Print it, photograph it, and score the "
        f"photo.{by_hand}",
        commands=(f"{base} score PHOTO",),
    )
