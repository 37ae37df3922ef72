"""What to do once something is on record: edits, a slip among them, their loss, an older mesh."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from padsheet.scoring.applied import keeps_offset
from padsheet.scoring.doing import Step, command_base, score_again
from padsheet.scoring.edits_steps import is_unsaved, record_steps, with_save
from padsheet.scoring.hand_offset import (
    SMALLEST_BY_HAND_MM,
    hand_offset_mm,
    in_all_words,
    moved_words,
)
from padsheet.scoring.next_sheet import sheet_steps, sheet_waits
from padsheet.scoring.offset import offset_how
from padsheet.scoring.offset_kept import with_present_offset
from padsheet.scoring.phrases import rounds_words
from padsheet.scoring.rounds import BedFolder, Round

if TYPE_CHECKING:
    from padsheet.scoring.amiss import Slip
    from padsheet.scoring.lost import Lost

__all__ = [
    "MOST_LINES",
    "after_edits",
    "after_lost",
    "after_own",
    "after_record",
    "after_slip",
    "next_steps",
]

#: More lines for the printer than this are left to a file.
MOST_LINES = 8


def after_edits(folder: BedFolder, round_: Round) -> list[Step]:
    """Return what is left to do once the record says that a round's mesh edits are in.

    Raises
    ------
    PadsheetError
        If profile or record cannot be read.
    """
    from padsheet.scoring.amiss import slip_of

    slip = slip_of(folder, round_)
    if slip is not None:
        return after_slip(folder, slip)
    bed, base = folder.bed(), command_base(folder.path)
    advice, applied = round_.read_advice(), round_.read_applied()
    steps: list[Step] = []
    said = applied is not None and applied.offset_mm is not None
    first = advice is not None and advice.set_offset and not said
    if advice is not None and first and applied is not None and applied.screws_turned:
        first = False
        text = "Leave the common offset as it is: the turned screws have changed it, and the next "
        text += "sheet shows by how much it is off now."
        steps.append(Step(text=text))
    elif advice is not None and first:
        more = in_all_words(hand_offset_mm(folder, bed), advice.offset_mm)
        edits = with_present_offset(folder, bed, before=round_.number).edits
        more = offset_how(edits, advice.offset_mm) + more
        steps += [Step(text=step.text + more) for step in advice.steps if step.kind == "offset"]
        steps += record_steps(advice, base, bed.edits)
    steps += sheet_steps(folder, advice, suppose_done=bool(first))
    return with_save(steps, bed.edits, unsaved=is_unsaved(applied))


def after_slip(folder: BedFolder, slip: Slip, *, written: bool = False) -> list[Step]:
    """Return what to do where points were read back otherwise than advised: nothing is saved yet.

    Parameters
    ----------
    written : bool, optional
        Whether the lines are shown and written to a file already.

    Raises
    ------
    PadsheetError
        If the profile cannot be read.
    """
    base, told = command_base(folder.path), folder.bed().edits
    several = len(slip.edits.edits) > 1
    lines: tuple[str, ...] = ()
    if not slip.lines:
        how = f"type {'these values' if several else 'this value'} in again"
    elif written or len(slip.lines) > MOST_LINES:
        how = (
            "send the lines of edits.gcode" if written else "have the lines written, and send them"
        )
        lines = () if written else (f"{base} edits",)
    else:
        how = f"send {'these lines' if several else 'this line'}"
        lines = slip.lines
    look = Step(
        text="Look before you print or save: a line mistyped or left out, or a table read the "
        f"wrong way round? {slip.points[0].upper()}{slip.points[1:]}. To mend that, {how}:"
        if lines
        else f"Look before you print or save: {slip.points}. To mend that, {how}.",
        commands=lines,
    )
    show = f" ({told.show})" if told.show else ""
    take_in = Step(
        text=f"Let the printer show its mesh{show}, save the answer as a text file and take it in. "
        "If all is as advised then, it says what is next.",
        commands=(f"{base} mesh answer-after.txt",),
        other=Step(
            text=f"Or bring the mesh of the sheet back with `{base} restore`. Only if it was meant "
            f"so, print a new sheet with `{base} sheet`."
        ),
    )
    return [look, take_in]


def after_lost(folder: BedFolder, lost: Lost) -> list[Step]:
    """Return what to do once it is on record that edits were lost.

    Raises
    ------
    PadsheetError
        If profile or record cannot be read.
    """
    base, offset = command_base(folder.path), _lost_offset(lost, command_base(folder.path))
    if lost.back_in:
        return [*offset, *after_edits(folder, lost.sheet)]
    return [*offset, _write_lost(base, [round_.number for round_ in lost.rounds])]


def _write_lost(base: str, numbers: Sequence[int]) -> Step:
    return Step(
        text=f"Write the lost edits of {rounds_words(numbers)} again, to be sent and saved.",
        commands=(f"{base} edits --since-round {numbers[0]}",),
    )


def _lost_offset(lost: Lost, base: str) -> list[Step]:
    """Return the step that asks for a common offset that may be lost, too."""
    record, number, sheet = lost.record, lost.round.number, lost.sheet
    earlier_mm = lost.earlier_offset_mm
    if abs(earlier_mm) >= SMALLEST_BY_HAND_MM:
        in_all = f"{moved_words(earlier_mm + (record.offset_mm or 0.0))} mm in all"
        return [
            Step(
                text="The common offset on record after "
                f"{rounds_words([r.number for r in lost.rounds])} ({in_all}) "
                "is gone with a printer switched off, too. If it was not set in the print of round "
                f"{sheet.number}, say so: `{base} applied --round {number} --offset "
                f"{-earlier_mm:.2f} --force`."
            )
        ]
    if not record.offset_mm:
        return []
    moved = f"{moved_words(record.offset_mm)} mm"
    if keeps_offset(record):
        return [
            Step(
                text=f"The common offset set after round {number} ({moved}) may be lost, too: look "
                "what the printer holds. Only if it is lost, set it again and put that on record.",
                commands=(f"{base} applied --offset {record.offset_mm:.2f}",),
            )
        ]
    return [
        Step(
            text=f"The common offset on record after round {number} ({moved}) is gone with a "
            f"printer switched off, too. If it was not set in the print of round {sheet.number}, "
            f"say so: `{base} applied --round {number} --offset 0 --force`."
        )
    ]


def after_record(folder: BedFolder, round_: Round) -> list[Step]:
    """Return what is left to do once something is on record after a round, be it late.

    Raises
    ------
    PadsheetError
        If profile or record cannot be read.
    """
    later = [r for r in folder.rounds() if r.number > round_.number]
    again = [r for r in later if r.scores_json.exists()]
    if not later:
        return after_edits(folder, round_)
    base, number = command_base(folder.path), later[-1].number
    steps = [
        Step(
            text=f"Score the photo of round {r.number} again: its advice counts on the record as "
            "it was.",
            commands=(score_again(r, base),),
        )
        for r in again
    ]
    return steps if later[-1] in again else [*steps, sheet_waits(folder, base, number)]


def after_own(folder: BedFolder, round_: Round) -> list[Step]:
    """Return what is left to do once a mesh that was reset or brought back is on record.

    What was advised after the round counted on another one.

    Raises
    ------
    PadsheetError
        If profile or record cannot be read.
    """
    if round_ != folder.latest_round():
        return after_record(folder, round_)
    applied, told = round_.read_applied(), folder.bed().edits
    if applied is not None and applied.saved is True:
        return next_steps(folder, keep_mesh=True)
    how = f"send {told.save}" if told.save else "as its manual says"
    save = Step(
        text=f"Save it in the printer, unless this is what it has saved already: {how}. Else what "
        "it saved last is back once it is switched off. Saving also stores whatever else is "
        "pending in the printer."
    )
    return [save, *next_steps(folder, keep_mesh=True)]


def next_steps(folder: BedFolder, *, keep_mesh: bool = False) -> list[Step]:
    """Return the step of the next sheet, or what has to come before, by the record alone.

    With `keep_mesh` an earlier mesh is not offered: the present one is as it was meant to be.

    Raises
    ------
    PadsheetError
        If profile or record cannot be read.
    """
    scored = [r for r in folder.rounds() if r.scores_json.exists()]
    record = scored[-2].read_applied() if len(scored) > 1 else None
    if record is not None and record.lost and scored[-1].read_applied() is None:
        from padsheet.scoring.lost import lost_since

        return [_write_lost(command_base(folder.path), lost_since(folder, scored[-2]))]
    return sheet_steps(folder, None, keep_mesh=keep_mesh)
