"""What a finished bed is told: that it is done, and that looking at it again leaves it so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.doing import Step, command_base
from padsheet.scoring.history import newest_counted
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.todo import done_steps

__all__ = ["after_self_check", "done_round"]


def done_round(folder: BedFolder, grid: MeshGrid) -> Round | None:
    """Return the newest round that tells of the bed, if that is done and nothing was changed since.

    Raises
    ------
    PadsheetError
        If a record cannot be read.
    """
    newest = newest_counted(folder, grid)
    advice = None if newest is None else newest.read_advice()
    if newest is None or advice is None or not advice.done:
        return None
    records = [r.read_applied() for r in folder.rounds() if r.number >= newest.number]
    changed = any(a and (a.nodes or a.offset_mm or a.screws_turned) for a in records)
    return None if changed else newest


def after_self_check(
    folder: BedFolder, grid: MeshGrid, outcome: str, doing: Sequence[str]
) -> list[Step]:
    """Return what to do after a self-check of the ruler.

    Parameters
    ----------
    outcome : str
        As in `padsheet.scoring.selfcheck.SelfCheck`.
    doing : sequence of str
        What is to be done because it did not pass; see `padsheet.scoring.selfcheck.what_next`.

    Raises
    ------
    PadsheetError
        If a record cannot be read.
    """
    base = command_base(folder.path)
    done = done_round(folder, grid)
    steps = [Step(text=text) for text in doing]
    if done is None:
        return [*steps, Step(text="Then an ordinary sheet.", commands=(f"{base} sheet",))]
    if outcome == "trusted":
        said = f"The bed is done, as round {done.number} found, and the ruler can be trusted."
        first, *rest = done_steps(folder)
        return [replace(first, text=f"{said} {first.text}"), *rest]
    said = (
        f"Round {done.number} found the bed done. How far that can be trusted, the self-check "
        "leaves open."
    )
    again = Step(text="The self-check again:", commands=(f"{base} sheet --self-check",))
    return [*steps, again, Step(text=said, fact=True)]
