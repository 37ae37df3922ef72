"""What to do now, in order, with the commands to copy: for the report and the phone page."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from padsheet.patterns.bed import Edits
from padsheet.scoring.advice import Advice
from padsheet.scoring.afterwards import after_edits, next_steps
from padsheet.scoring.applied import Applied
from padsheet.scoring.doing import Step, command_base, score_again
from padsheet.scoring.edits_steps import (
    before_edits,
    by_file_first,
    carries_files,
    edits_step,
    is_unsaved,
    newest_edits,
    record_steps,
    save_step,
    saves_with_offset,
    with_record,
    with_save,
)
from padsheet.scoring.hand_offset import hand_offset_mm, hand_offset_words, in_all_words, set_how
from padsheet.scoring.kept_proof import is_proved
from padsheet.scoring.next_sheet import sheet_steps, sheet_waits
from padsheet.scoring.offset import offset_how
from padsheet.scoring.offset_kept import with_present_offset
from padsheet.scoring.rounds import BedFolder, Round

if TYPE_CHECKING:
    from padsheet.scoring.round_edits import RoundEdits

__all__ = [
    "Step",
    "after_writing",
    "done_steps",
    "next_steps",
    "todo",
    "todo_of",
]


def todo(
    advice: Advice,
    folder: Path,
    *,
    proved: bool,
    mesh_known: bool,
    photos: Sequence[Path] = (),
    edits: Edits | None = None,
    unsaved: bool = False,
    by_hand_mm: float = 0.0,
    files_first: bool = False,
    again: str = "",
) -> list[Step]:
    """Put the advice in the order of doing, each step with its commands.

    Parameters
    ----------
    advice : Advice
        Its sentences are kept as they are.
    folder : Path
        The bed folder, as the commands are to name it.
    proved : bool
        Whether the printer has been shown to take edits as the profile says.
    mesh_known : bool
        Whether the mesh in the printer has been read back.
    photos : sequence of Path
        Photos of this round; a further one is scored together with them.
    edits : Edits or None
        How the printer is told, by the profile; the default way if left out.
    unsaved : bool
        Whether mesh edits are in of which nobody knows that the printer has saved them.
    by_hand_mm : float
        Common offset on record that is set by hand in each print.
    files_first : bool
        Whether files are carried to the printer, by what was done before: named before the cable.
    again : str
        The command that scores this round anew from what it was scored from.

    Returns
    -------
    list of Step
        At least one; those that are facts come last.
    """
    base, told = command_base(folder), Edits() if edits is None else edits
    with_offset = saves_with_offset(advice, told)
    steps: list[Step] = []
    for step in advice.steps:
        commands: tuple[str, ...] = ()
        if step.kind == "sheet":
            commands = (f"{base} sheet --reach {step.reach}" if step.reach else f"{base} sheet",)
        elif step.kind == "by eye":
            commands = (f"{base} applied --offset MM",)
        elif step.kind == "offset" and advice.work == "offset" and told.offset_style != "hand":
            commands = (f"{base} edits",)  # beside mesh edits it is among them
        elif step.kind == "photo":
            given = [shlex.quote(str(path)) for path in photos]
            commands = (" ".join([base, "score", *given, "NEW-PHOTO.jpg", "--force"]),)
        elif step.kind == "raises":
            commands = (again or f"{base} score PHOTO --force",)
        elif step.kind == "edits" and advice.has_edits:
            steps += before_edits(base, proved=proved, mesh_known=mesh_known)
            way = edits_step(step.text, base, told, save_later=with_offset)
            steps.append(by_file_first(way) if files_first else way)
            continue
        text = step.text.replace("`padsheet ", f"`{base} ")
        if step.kind == "offset":
            text += offset_how(told, advice.offset_to_set_mm)
            text += in_all_words(by_hand_mm, advice.offset_to_set_mm)
        steps.append(Step(text=text, commands=commands, fact=step.kind == "fact"))
    sheet = any("sheet" in command.split() for step in steps for command in step.commands)
    if advice.done:
        steps += _done_steps(base, told, unsaved=unsaved, by_hand_mm=by_hand_mm)
    elif not sheet and advice.work in ("screws", "mesh", "offset"):
        steps.append(Step(text="Then the next sheet.", commands=(f"{base} sheet",)))
    steps = with_record(steps, record_steps(advice, base, told))
    if with_offset:
        steps = with_save(steps, told, unsaved=False)
    return sorted(steps, key=lambda step: step.fact)


def todo_of(folder: BedFolder, round_: Round, advice: Advice) -> list[Step]:
    """Return what to do now in a bed folder, with the commands to copy.

    Raises
    ------
    PadsheetError
        If the profile cannot be read.
    """
    bed, base = folder.bed(), command_base(folder.path)
    later = [r for r in folder.rounds() if r.number > round_.number]
    if later and later[-1].scores_json.exists():
        return _past(round_, later[-1], base)
    if _on_record(advice, round_.read_applied()):
        said = f"What was done after round {round_.number} is on record already: do not do it again"
        left = (
            [sheet_waits(folder, base, later[-1].number)] if later else after_edits(folder, round_)
        )
        return [Step(text=f"{said}."), *left]
    held = folder.active_mesh()
    return todo(
        advice,
        folder.path,
        # Where the printer holds no mesh there is nothing to prove on.
        proved=is_proved(folder, bed) or (held is not None and held.absent),
        mesh_known=held is not None,
        photos=round_.photos(),
        edits=with_present_offset(folder, bed, before=round_.number).edits,
        unsaved=advice.done and is_unsaved(newest_edits(folder)),
        by_hand_mm=hand_offset_mm(folder, bed),
        files_first=carries_files(folder),
        again=score_again(round_, base),
    )


def _past(round_: Round, newest: Round, base: str) -> list[Step]:
    """Say that a round's advice is of another day, and which one counts."""
    advice = newest.read_advice()
    done = ", by which the bed is done" if advice is not None and advice.done else ""
    return [
        Step(
            text=f"Round {round_.number} is past: do nothing by its advice. The newest is round "
            f"{newest.number}{done}."
        ),
        Step(
            text=f"What round {newest.number} says counts on the scores of round {round_.number} "
            "as they were before: score its photo again.",
            commands=(score_again(newest, base),),
        ),
    ]


def _on_record(advice: Advice, applied: Applied | None) -> bool:
    """Tell whether what a round advises is on record as done."""
    if applied is None:
        return False
    return {
        "mesh": bool(applied.nodes),
        "screws": applied.screws_turned,
        "offset": applied.offset_mm is not None,
    }.get(advice.work, False)


def done_steps(folder: BedFolder) -> list[Step]:
    """Return what is left to do once the bed is done, by the record: it may have been done already.

    Raises
    ------
    PadsheetError
        If profile or record cannot be read.
    """
    bed = folder.bed()
    return _done_steps(
        command_base(folder.path),
        bed.edits,
        unsaved=is_unsaved(newest_edits(folder)),
        by_hand_mm=hand_offset_mm(folder, bed),
    )


def _done_steps(base: str, told: Edits, *, unsaved: bool, by_hand_mm: float) -> list[Step]:
    """Return the saving, an offset by hand, and what looks after the user's own prints."""
    steps = [save_step(told, sure=False)] if unsaved else []
    if words := hand_offset_words(by_hand_mm, told.offset_style):
        steps.append(
            Step(
                text=f"In every print from now on: {words}. A printer that keeps an offset set "
                f"{set_how(told)} has lost it once it is switched off, unless it was saved after "
                "that."
            )
        )
    own = Step(
        text="See that your own prints use the mesh: check the slicing program's start code, saved "
        "as a text file.",
        commands=(f"{base} start-check start.gcode",),
    )
    return [*steps, own]


def after_writing(
    folder: BedFolder, round_: Round, made: RoundEdits, *, options: str = "", by_hand: bool = False
) -> list[Step]:
    """Return what to do once the edits of a round are written, none of them sent yet.

    Parameters
    ----------
    made : RoundEdits
        Where it holds no edits of the mesh, the rest of the advice is to be done.
    options : str, optional
        What `padsheet send` has to be told to send these edits.
    by_hand : bool, optional
        Whether `padsheet send` has no way to send them.

    Raises
    ------
    PadsheetError
        If profile or record cannot be read.
    """
    bed, base = folder.bed(), command_base(folder.path)
    if not made.edits.edits:
        told = todo_of(folder, round_, made.advice)
        return [
            _offset_step(made, step.text) if step.commands == (f"{base} edits",) else step
            for step in told
        ]
    steps = []
    if not made.edits.from_nothing and not is_proved(folder, bed):
        steps = before_edits(base, proved=False, mesh_known=True)
    sets_offset = made.offset is not None or bool(made.offset_problem)
    with_offset = sets_offset and saves_with_offset(made.advice, bed.edits)
    way = edits_step("Send these edits.", base, bed.edits, save_later=with_offset)
    hand = way if way.other is None else way.other
    hand = replace(hand, commands=tuple(c for c in hand.commands if c != f"{base} edits"))
    if way.other is None or by_hand:
        text = hand.text.removeprefix("Or without a serial cable: ")
        steps.append(replace(hand, text=text[0].upper() + text[1:]))
    else:
        way = replace(way, commands=(f"{way.commands[0]}{options}",), other=hand)
        steps.append(by_file_first(way) if carries_files(folder) else way)
    if sets_offset:
        planned = (step.text for step in made.advice.steps if step.kind == "offset")
        offset = _offset_step(made, next(planned, ""))
        more = in_all_words(hand_offset_mm(folder, bed), made.advice.offset_mm)
        steps += [replace(offset, text=offset.text + more)]
        steps += record_steps(made.advice, base, bed.edits)
    if with_offset:
        steps = with_save(steps, bed.edits, unsaved=False)
    expected = made.edits.expected
    return [*steps, *sheet_steps(folder, made.advice, mesh=expected, suppose_done=True)]


def _offset_step(made: RoundEdits, text: str = "") -> Step:
    """Return the step of the common offset, with the lines that set it."""
    if made.offset is None:
        return Step(text=f"{text or 'Set the common offset.'} {made.offset_problem}".rstrip())
    back = " ".join(made.offset.restore)
    way_back = f" The way back: {back}" if back else ""
    said = f"{made.offset.text[0].lower()}{made.offset.text[1:]}"
    return Step(text=f"Common offset: {said}{way_back}", commands=made.offset.lines)
