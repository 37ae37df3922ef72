"""What to do now, in order, with the commands to copy: for the report and the phone page."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from padsheet.patterns.bed import Bed, Edits
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.advice import Advice
from padsheet.scoring.applied import EACH_PRINT_STYLES, KEPT_STYLES, Applied, keeps_offset
from padsheet.scoring.kept_proof import is_proved
from padsheet.scoring.offset import offset_how
from padsheet.scoring.offset_kept import with_present_offset
from padsheet.scoring.phrases import rounds_words
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.steps import OFFSET_WORDS
from padsheet.scoring.waiting import outdated

if TYPE_CHECKING:
    from padsheet.scoring.amiss import Slip
    from padsheet.scoring.lost import Lost
    from padsheet.scoring.mesh import Mesh
    from padsheet.scoring.round_edits import RoundEdits
    from padsheet.scoring.too_near import TooNear

__all__ = [
    "Step",
    "after_edits",
    "after_lost",
    "after_own",
    "after_record",
    "after_slip",
    "after_writing",
    "command_base",
    "done_steps",
    "hand_offset_mm",
    "hand_offset_words",
    "next_steps",
    "score_again",
    "sheet_steps",
    "todo",
    "todo_of",
]

#: A common offset below this cannot be set by hand.
SMALLEST_BY_HAND_MM = 0.005
#: More lines for the printer than this are left to a file.
MOST_LINES = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do now: a sentence, and the commands to copy for it, one a line.

    `other` is another way to the same end, to be taken instead. What is a `fact` is nothing to do,
    and stands apart from the steps.
    """

    text: str
    commands: tuple[str, ...] = ()
    other: Step | None = None
    fact: bool = False


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
            steps += _before_edits(base, proved=proved, mesh_known=mesh_known)
            way = _edits_step(step.text, base, told)
            steps.append(_files_first(way) if files_first else way)
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
    steps = _with_record(steps, _record(advice, base, told))
    return sorted(steps, key=lambda step: step.fact)


def command_base(folder: Path) -> str:
    """Return how a command for this bed folder begins."""
    return "padsheet" if folder == Path() else f"padsheet -C {shlex.quote(str(folder))}"


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
        unsaved=_unsaved(_newest_edits(folder)),
        by_hand_mm=hand_offset_mm(folder, bed),
    )


def _done_steps(base: str, told: Edits, *, unsaved: bool, by_hand_mm: float) -> list[Step]:
    """Return the saving, an offset by hand, and what looks after the user's own prints."""
    steps = [_save_step(told, sure=False)] if unsaved else []
    if words := hand_offset_words(by_hand_mm, told.offset_style):
        steps.append(
            Step(
                text=f"In every print from now on: {words}. A printer that keeps an offset set "
                f"{_set_how(told)} has lost it once it is switched off, unless it was saved after "
                "that."
            )
        )
    own = Step(
        text="See that your own prints use the mesh: check the slicing program's start code, saved "
        "as a text file.",
        commands=(f"{base} start-check start.gcode",),
    )
    return [*steps, own]


def _edits_step(text: str, base: str, told: Edits) -> Step:
    """Return the step of the mesh edits: over a cable, or by hand, read back and saved."""
    table = told.style == "table"
    how = "type the new values in" if table else "give the printer the lines of edits.gcode"
    save = f"send {told.save}" if told.save else "as the printer's manual says"
    if told.show:
        back = (
            f"{how}, let it show its mesh ({told.show}), save the answer as a text file and take "
            "that in."
        )
        commands = (f"{base} edits", f"{base} mesh answer-after.txt")
    else:
        back = f"{how}, and put it on record."
        commands = (f"{base} edits", f"{base} applied --as-advised")
    back += f" If all is as advised, save it in the printer: {save}."
    if table:
        return Step(text=f"{text} To do so, {back}", commands=commands)
    other = Step(text=f"Or without a serial cable: {back}", commands=commands)
    return Step(text=text, commands=(f"{base} send --port PORT",), other=other)


def _files_first(step: Step) -> Step:
    """Return the step of the mesh edits with the way by hand before that over a cable."""
    if step.other is None:
        return step
    by_hand = step.other.text.removeprefix("Or without a serial cable: ")
    return Step(
        text=f"{step.text} {by_hand[0].upper()}{by_hand[1:]}",
        commands=step.other.commands,
        other=Step(text="Or over a serial cable:", commands=step.commands),
    )


def _carries_files(folder: BedFolder) -> bool:
    """Tell whether the newest edits on record were carried by hand: no sending saw to saving."""
    newest = _newest_edits(folder)
    return newest is not None and newest.saved is None


def _save_step(told: Edits, *, sure: bool) -> Step:
    """Return the step that saves the mesh in the printer; `sure` where it is not saved for sure."""
    how = f"send {told.save}" if told.save else "as its manual says"
    what = "mesh and offset" if told.offset_style in KEPT_STYLES else "the mesh"
    when = f"Save {what} in the printer now" if sure else f"If it is not saved yet, save {what}"
    return Step(
        text=f"{when}: {how}. Else it is gone when the printer is switched off. Saving also stores "
        "whatever else is pending in the printer."
    )


def _set_how(told: Edits) -> str:
    return "with M290" if told.offset_style == "M290" else "in its menu"


def hand_offset_words(offset_mm: float, style: str = "hand") -> str:
    """Say which common offset has to be set anew in a print; empty if none.

    Examples
    --------
    >>> hand_offset_words(-0.02)
    'lower the nozzle by 0.02 mm by hand as it starts, unless the printer still holds that'
    """
    if abs(offset_mm) < SMALLEST_BY_HAND_MM:
        return ""
    verb = "lower" if offset_mm < 0 else "raise"
    how = "with M290" if style == "M290" else "by hand"
    return (
        f"{verb} the nozzle by {abs(offset_mm):.2f} mm {how} as it starts, unless the printer "
        "still holds that"
    )


def in_all_words(set_mm: float, more_mm: float) -> str:
    """Say what a further common offset makes with one that is set by hand in each print already.

    Parameters
    ----------
    set_mm, more_mm : float
        What is on record as set by hand, and what is to be added now; negative lowers.

    Returns
    -------
    str
        Sentences to go on with; empty where either is nothing.

    Examples
    --------
    >>> in_all_words(-0.05, -0.05).partition(",")[0]
    ' So set lower by 0.10 mm in all from now on'
    >>> in_all_words(-0.05, 0.0)
    ''
    """
    if min(abs(set_mm), abs(more_mm)) < SMALLEST_BY_HAND_MM:
        return ""
    total_mm = set_mm + more_mm
    told = f" So set {_moved(total_mm)} mm in all from now on"
    if abs(total_mm) < SMALLEST_BY_HAND_MM:
        told = " So set no offset by hand from now on"
    return (
        f"{told}, in place of {_moved(set_mm)} mm as on record. If that was not set on this print, "
        "print this sheet again with it before you change anything."
    )


def _moved(offset_mm: float) -> str:
    return f"{'lower' if offset_mm < 0 else 'higher'} by {abs(offset_mm):.2f}"


def hand_offset_mm(folder: BedFolder, bed: Bed) -> float:
    """Return the common offset on record that is set in each print, by hand or with M290.

    It is 0 in other styles. What was set in another way, when the profile said so, is not counted:
    the printer keeps that.

    Raises
    ------
    PadsheetError
        If a record cannot be read.
    """
    style = bed.edits.offset_style
    if style not in EACH_PRINT_STYLES:
        return 0.0
    records = (round_.read_applied() for round_ in folder.rounds())
    return sum(
        applied.offset_mm
        for applied in records
        if applied is not None
        and applied.offset_mm is not None
        and applied.offset_style in ((style, "") if style == "hand" else (style,))
    )


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
        steps += _record(advice, base, bed.edits)
    steps += sheet_steps(folder, advice, suppose_done=bool(first))
    return _with_save(steps, bed.edits, unsaved=_unsaved(applied))


def _with_save(steps: list[Step], told: Edits, *, unsaved: bool) -> list[Step]:
    """Put the saving where all is sent: after an offset that the printer keeps, before the sheet.

    Nothing is to be saved that is to be taken back.
    """
    sets = [
        k for k, step in enumerate(steps) if any(" applied --offset " in c for c in step.commands)
    ]
    kept = told.offset_style in KEPT_STYLES and bool(sets)
    back = any(command.endswith(" restore") for step in steps for command in step.commands)
    if back or not (unsaved or kept):
        return steps
    at = sets[-1] + 1 if kept else 0
    return [*steps[:at], _save_step(told, sure=True), *steps[at:]]


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
        in_all_mm = earlier_mm + (record.offset_mm or 0.0)
        return [
            Step(
                text="The common offset on record after "
                f"{rounds_words([r.number for r in lost.rounds])} ({_moved(in_all_mm)} mm in all) "
                "is gone with a printer switched off, too. If it was not set in the print of round "
                f"{sheet.number}, say so: `{base} applied --round {number} --offset "
                f"{-earlier_mm:.2f} --force`."
            )
        ]
    if not record.offset_mm:
        return []
    moved = f"{_moved(record.offset_mm)} mm"
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
        return [_sheet_waits(folder, base, newest.number)]
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
        steps = _before_edits(base, proved=False, mesh_known=True)
    way = _edits_step("Send these edits.", base, bed.edits)
    hand = way if way.other is None else way.other
    hand = replace(hand, commands=tuple(c for c in hand.commands if c != f"{base} edits"))
    if way.other is None or by_hand:
        text = hand.text.removeprefix("Or without a serial cable: ")
        steps.append(replace(hand, text=text[0].upper() + text[1:]))
    else:
        way = replace(way, commands=(f"{way.commands[0]}{options}",), other=hand)
        steps.append(_files_first(way) if _carries_files(folder) else way)
    if made.offset is not None or made.offset_problem:
        planned = (step.text for step in made.advice.steps if step.kind == "offset")
        offset = _offset_step(made, next(planned, ""))
        more = in_all_words(hand_offset_mm(folder, bed), made.advice.offset_mm)
        steps += [replace(offset, text=offset.text + more)]
        steps += _record(made.advice, base, bed.edits)
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
    return steps if later[-1] in again else [*steps, _sheet_waits(folder, base, number)]


def _sheet_waits(folder: BedFolder, base: str, number: int) -> Step:
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


def _unsaved(applied: Applied | None) -> bool:
    """Tell whether edits or an offset are in that the printer is not known to have saved."""
    if applied is None or applied.saved is True:
        return False
    return bool(applied.nodes) or keeps_offset(applied)


def _newest_edits(folder: BedFolder) -> Applied | None:
    """Return the newest record of mesh edits, or of an offset that the printer keeps."""
    records = [round_.read_applied() for round_ in folder.rounds()]
    changed = (a for a in reversed(records) if a is not None and (a.nodes or keeps_offset(a)))
    return next(changed, None)


def _record(advice: Advice, base: str, told: Edits) -> list[Step]:
    """Return the step that records what no mesh read back shows."""
    if advice.work == "screws":
        text, option = "Once the screws are turned, put it on record.", "--screws"
    elif advice.offset_to_set_mm:
        text = "Once the offset is set, put it on record."
        if told.offset_style in EACH_PRINT_STYLES:
            where = "with M290" if told.offset_style == "M290" else "in the printer's menu"
            text = (
                "Put that on record: the next sheet has to be printed with it. Set "
                f"{where} it is lost once the printer is switched off, unless it is saved after "
                "that."
            )
            if told.offset_style == "M290":
                text += (
                    " Whether saving keeps it too, the printer's manual says; else give it again "
                    "in every print."
                )
        option = f"--offset {advice.offset_to_set_mm:.2f}"
    else:
        return []
    return [Step(text=text, commands=(f"{base} applied {option}",))]


def _with_record(steps: list[Step], record: list[Step]) -> list[Step]:
    """Put the record before the next sheet."""
    at = next(
        (k for k, step in enumerate(steps) if any("sheet" in c.split() for c in step.commands)),
        len(steps),
    )
    return [*steps[:at], *record, *steps[at:]]


def _before_edits(base: str, *, proved: bool, mesh_known: bool) -> list[Step]:
    """Return what has to come before the first edits."""
    if not mesh_known:
        return [
            Step(
                text="Let the printer show the mesh that it holds (often with M420 V), save the "
                "whole answer as a text file and take it in.",
                commands=(f"{base} mesh answer.txt",),
                other=Step(
                    text="Or, if it says that it holds none, put that on record:",
                    commands=(f"{base} mesh --empty",),
                ),
            )
        ]
    if proved:
        return []
    return [
        Step(
            text="Before these edits, once: prove that the printer counts points and signs as "
            "bed.toml says. The first command writes one small edit and what to do with it, the "
            "second judges the mesh shown after it. With a serial cable this step is part of "
            "the next one's send.",
            commands=(f"{base} edits --prove", f"{base} edits --proved answer.txt"),
        )
    ]


def score_again(round_: Round, base: str = "padsheet") -> str:
    """Return the command that scores a round again from what it was scored from."""
    picks = round_.path / "by-eye.csv"
    photos = round_.photos()
    given = [shlex.quote(str(path)) for path in photos] or ["PHOTO"]
    if picks.exists() and not photos:
        given = ["--by-eye", shlex.quote(str(picks))]
    return " ".join([base, "score", *given, f"--round {round_.number} --force"])


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
            [_sheet_waits(folder, base, later[-1].number)] if later else after_edits(folder, round_)
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
        unsaved=advice.done and _unsaved(_newest_edits(folder)),
        by_hand_mm=hand_offset_mm(folder, bed),
        files_first=_carries_files(folder),
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
