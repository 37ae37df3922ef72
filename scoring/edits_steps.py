"""The steps around mesh edits: what comes before, sending, putting on record, and saving."""

from __future__ import annotations

from padsheet.patterns.bed import Edits
from padsheet.scoring.advice import Advice
from padsheet.scoring.applied import EACH_PRINT_STYLES, KEPT_STYLES, Applied, keeps_offset
from padsheet.scoring.doing import Step
from padsheet.scoring.rounds import BedFolder

__all__ = [
    "before_edits",
    "by_file_first",
    "carries_files",
    "edits_step",
    "is_unsaved",
    "newest_edits",
    "record_steps",
    "save_step",
    "saves_with_offset",
    "with_record",
    "with_save",
]


def before_edits(base: str, *, proved: bool, mesh_known: bool) -> list[Step]:
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


def edits_step(text: str, base: str, told: Edits, *, save_later: bool = False) -> Step:
    """Return the step of the mesh edits: over a cable, or by hand, read back and saved.

    With `save_later` a step to come saves them: once, together with the common offset.
    """
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
    if save_later:
        back += " If all is as advised, go on: it is saved once the common offset is set, with it."
    else:
        back += f" If all is as advised, save it in the printer: {save}."
    if table:
        return Step(text=f"{text} To do so, {back}", commands=commands)
    other = Step(text=f"Or without a serial cable: {back}", commands=commands)
    return Step(text=text, commands=(f"{base} send --port PORT",), other=other)


def by_file_first(step: Step) -> Step:
    """Return the step of the mesh edits with the way by hand before that over a cable."""
    if step.other is None:
        return step
    by_hand = step.other.text.removeprefix("Or without a serial cable: ")
    return Step(
        text=f"{step.text} {by_hand[0].upper()}{by_hand[1:]}",
        commands=step.other.commands,
        other=Step(text="Or over a serial cable:", commands=step.commands),
    )


def carries_files(folder: BedFolder) -> bool:
    """Tell whether the newest edits on record were carried by hand: no sending saw to saving."""
    newest = newest_edits(folder)
    return newest is not None and newest.saved is None


def newest_edits(folder: BedFolder) -> Applied | None:
    """Return the newest record of mesh edits, or of an offset that the printer keeps."""
    records = [round_.read_applied() for round_ in folder.rounds()]
    changed = (a for a in reversed(records) if a is not None and (a.nodes or keeps_offset(a)))
    return next(changed, None)


def record_steps(advice: Advice, base: str, told: Edits) -> list[Step]:
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


def saves_with_offset(advice: Advice, told: Edits) -> bool:
    """Tell whether a common offset is to be set that the printer keeps once it is saved."""
    return bool(advice.offset_to_set_mm) and told.offset_style in KEPT_STYLES


def with_record(steps: list[Step], record: list[Step]) -> list[Step]:
    """Put the record before the next sheet."""
    at = next(
        (k for k, step in enumerate(steps) if any("sheet" in c.split() for c in step.commands)),
        len(steps),
    )
    return [*steps[:at], *record, *steps[at:]]


def is_unsaved(applied: Applied | None) -> bool:
    """Tell whether edits or an offset are in that the printer is not known to have saved."""
    if applied is None or applied.saved is True:
        return False
    return bool(applied.nodes) or keeps_offset(applied)


def save_step(told: Edits, *, sure: bool) -> Step:
    """Return the step that saves the mesh in the printer; `sure` where it is not saved for sure."""
    how = f"send {told.save}" if told.save else "as its manual says"
    what = "mesh and offset" if told.offset_style in KEPT_STYLES else "the mesh"
    when = f"Save {what} in the printer now" if sure else f"If it is not saved yet, save {what}"
    return Step(
        text=f"{when}: {how}. Else it is gone when the printer is switched off. Saving also stores "
        "whatever else is pending in the printer."
    )


def with_save(steps: list[Step], told: Edits, *, unsaved: bool) -> list[Step]:
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
    return [*steps[:at], save_step(told, sure=True), *steps[at:]]
