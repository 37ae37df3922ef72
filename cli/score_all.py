"""`padsheet score --all`: many bed folders at once, with a progress bar and a table."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click

from padsheet.cli.options import fitted, say
from padsheet.scoring.batch import Outcome, bed_folders, outcome_data, score_all

__all__ = ["score_many"]


def score_many(folder: Path, *, force: bool, as_json: bool, scheduler: str | None) -> bool:
    """Score the newest photo of each bed folder in `folder`; tell whether none failed."""
    beds = bed_folders(folder)
    outcomes: list[Outcome] = []
    label = f"Scoring {len(beds)} bed{'' if len(beds) == 1 else 's'}"
    with click.progressbar(length=len(beds), label=label, file=sys.stderr) as bar:
        for outcome in score_all(beds, force=force, scheduler=scheduler):
            outcomes.append(outcome)
            bar.update(1)
            if as_json:
                # One line for each bed, as soon as it is there.
                click.echo(json.dumps(outcome_data(outcome), allow_nan=False))
    outcomes.sort(key=lambda outcome: outcome.folder)
    if not as_json:
        click.echo(_table(outcomes, folder))
    failed = [outcome for outcome in outcomes if outcome.state == "failed"]
    for outcome in failed:
        say(f"{_name(outcome, folder)}: {outcome.summary}")
    scored = sum(outcome.state == "scored" for outcome in outcomes)
    say(
        f"{scored} of {len(outcomes)} beds scored, {len(failed)} failed, "
        f"{len(outcomes) - scored - len(failed)} without a new photo."
    )
    return not failed


def _name(outcome: Outcome, folder: Path) -> str:
    """Return the bed folder as seen from the folder that was named."""
    path, root = Path(outcome.folder), folder.resolve()
    return str(path.relative_to(root)) if path != root and path.is_relative_to(root) else path.name


def _table(outcomes: list[Outcome], folder: Path) -> str:
    """Return one row for each bed, and below it what its scores say."""
    head = ("bed", "round", "read", "on target", "common", "worst", "")
    rows = [head, *((_name(o, folder), *_cells(o)) for o in outcomes)]
    widths = [max(len(row[k]) for row in rows) for k in range(len(head))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
    told = [f"{_name(o, folder)}: {o.summary}" for o in outcomes if o.state == "scored"]
    notes = [fitted(text, sys.stdout) for text in told]
    key = "(mm, gap less target; common: what all points share)"
    return "\n".join([*lines, key, "", *notes]).rstrip()


def _cells(outcome: Outcome) -> tuple[str, ...]:
    """Return round, pads read, pads on target, common and worst error, and a word on the state."""
    if outcome.scores is None:
        word = "no new photo" if outcome.state == "skipped" else (outcome.error or {})["code"]
        return ("", "", "", "", "", word)
    pads, target = outcome.scores["pads"], outcome.scores["target_gap_mm"]
    errors = [pad["gap_mm"] - target for pad in pads if pad["gap_mm"] is not None]
    advice = outcome.scores["advice"]
    return (
        str(outcome.round),
        f"{len(errors)} of {len(pads)}",
        str(outcome.on_target),
        f"{advice['common_mm']:+.3f}" if errors and advice else "",
        f"{max(errors, key=abs):+.3f}" if errors else "",
        _state(advice),
    )


def _state(advice: dict[str, Any] | None) -> str:
    """Say in a word what of the bed is done."""
    if not advice:
        return ""
    if advice["done"]:
        return "done"
    return "shape done" if advice["work"] == "nothing" and advice["warp_done"] else ""
