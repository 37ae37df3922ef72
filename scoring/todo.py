"""What to do now, in order, with the commands to copy: for the report and the phone page."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from padsheet.scoring.advice import Advice
from padsheet.scoring.kept_proof import is_proved
from padsheet.scoring.rounds import BedFolder, Round

__all__ = ["Step", "todo", "todo_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do now: a sentence, and the commands to copy for it, one a line."""

    text: str
    commands: tuple[str, ...] = ()


def todo(
    advice: Advice,
    folder: Path,
    *,
    proved: bool,
    mesh_known: bool,
    photos: Sequence[Path] = (),
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

    Returns
    -------
    list of Step
        At least one.
    """
    base = "padsheet" if folder == Path() else f"padsheet -C {shlex.quote(str(folder))}"
    edits = advice.work == "mesh" and any(node.changed for node in advice.nodes)
    steps: list[Step] = []
    for step in advice.steps:
        commands: tuple[str, ...] = ()
        if step.kind == "sheet":
            commands = (f"{base} sheet --reach {step.reach}" if step.reach else f"{base} sheet",)
        elif step.kind == "by eye":
            commands = (f"{base} applied --offset MM",)
        elif step.kind == "offset" and advice.work == "offset":
            commands = (f"{base} edits",)  # beside mesh edits it is among them
        elif step.kind == "photo":
            again = [shlex.quote(str(path)) for path in photos]
            commands = (" ".join([base, "score", *again, "NEW-PHOTO.jpg", "--force"]),)
        elif step.kind == "edits" and edits:
            steps += _before_edits(base, proved=proved, mesh_known=mesh_known)
            commands = (f"{base} edits", f"{base} send --port PORT")
        steps.append(Step(text=step.text, commands=commands))
    sheet = any("sheet" in command.split() for step in steps for command in step.commands)
    if advice.done:
        steps.append(
            Step(
                text="See that your own prints use the mesh: check the slicing program's start "
                "code, saved as a text file.",
                commands=(f"{base} start-check start.gcode",),
            )
        )
    elif not sheet and advice.work in ("screws", "mesh", "offset"):
        steps.append(Step(text="Then the next sheet.", commands=(f"{base} sheet",)))
    return _with_record(steps, _record(advice, base))


def _record(advice: Advice, base: str) -> list[Step]:
    """Return the step that records what no mesh read back shows."""
    if advice.work == "screws":
        text, option = "Once the screws are turned, put it on record.", "--screws"
    elif advice.set_offset:
        text = "Once the offset is set, put it on record."
        option = f"--offset {advice.offset_mm:.2f}"
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
                "whole answer as a text file and take it in. If it holds none, add --empty-mesh to "
                "the commands of the next step instead.",
                commands=(f"{base} mesh answer.txt",),
            )
        ]
    if proved:
        return []
    return [
        Step(
            text="Once, before the first edits: prove that the printer counts points and signs as "
            "bed.toml says. The first command writes one small edit and what to do with it, the "
            "second judges the mesh shown after it. With a serial cable this step is part of "
            "the next one's send.",
            commands=(f"{base} edits --prove", f"{base} edits --proved answer.txt"),
        )
    ]


def todo_of(folder: BedFolder, round_: Round, advice: Advice) -> list[Step]:
    """Return what to do now in a bed folder, with the commands to copy.

    Raises
    ------
    PadsheetError
        If the profile cannot be read.
    """
    return todo(
        advice,
        folder.path,
        proved=is_proved(folder, folder.bed()),
        mesh_known=folder.active_mesh() is not None,
        photos=round_.photos(),
    )
