"""What `padsheet score` does with one bed: score, and show the scores.

A module of its own, so that the command can begin to decode the photo before all this is imported.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from padsheet.cli.options import columns_of, fitted, say, say_steps, show_json
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import sheet_from_json
from padsheet.scoring.done import after_self_check
from padsheet.scoring.rounds import BedFolder, Round, refuse_rescoring
from padsheet.scoring.scorer import (
    Scored,
    round_by_eye,
    score_by_eye,
    score_photos,
    score_round,
    score_round_by_eye,
)
from padsheet.scoring.scores import scores_to_data
from padsheet.scoring.selfcheck import self_check_table, what_next
from padsheet.scoring.textmap import score_map, score_table
from padsheet.scoring.todo import todo_of
from padsheet.scoring.words import summary

__all__ = ["score_one", "show_scores"]


def score_one(
    place: Path,
    photos: tuple[Path, ...],
    *,
    by_eye: bool,
    sheet_path: Path | None,
    number: int | None,
    force: bool,
    as_json: bool,
) -> None:
    """Score photos, or lines picked by eye, and print what was read."""
    folder = BedFolder(place)
    if by_eye:
        scored, round_ = _score_by_eye(folder, photos, sheet_path, number, force)
    elif sheet_path is not None and not folder.profile.is_file():
        scored, round_ = score_photos(photos, _read_sheet(sheet_path)), None
    else:
        folder.require()
        with folder.lock():
            chosen = _chosen_round(folder, sheet_path, number)
            scored, round_ = score_round(folder, photos, round_=chosen, force=force)
    if as_json:
        show_json(scores_to_data(scored.score, scored.advice, **scored.context))
    else:
        show_scores(scored)
    if round_ is not None:
        say(f"Wrote scores.json, annotated.jpg and report.html to {round_.path}.")
        _say_steps(folder, round_, scored)


def _say_steps(folder: BedFolder, round_: Round, scored: Scored) -> None:
    """Say what to do now, in order, with the commands to copy."""
    if scored.advice is None:
        if (check := scored.check) is not None:
            say("\nWhat to do now:")
            grid = folder.bed().mesh
            say_steps(after_self_check(folder, grid, check.outcome, what_next(check)))
        return
    say("\nWhat to do now:")
    say_steps(todo_of(folder, round_, scored.advice))


def _score_by_eye(
    folder: BedFolder,
    files: tuple[Path, ...],
    sheet_path: Path | None,
    number: int | None,
    force: bool,
) -> tuple[Scored, Round | None]:
    """Score a sheet from picked lines; the second value is the round that was written to."""
    from padsheet.cli.eye import picks_of

    if sheet_path is not None and not folder.profile.is_file():
        sheet = _read_sheet(sheet_path)
        return score_by_eye(picks_of(sheet, files), sheet), None
    folder.require()
    # Nobody may have to wait for a person who counts lines: the lock is taken afterwards.
    round_ = round_by_eye(folder, _chosen_round(folder, sheet_path, number))
    refuse_rescoring(round_, force)
    picks = picks_of(round_.read_sheet(), files)
    with folder.lock():
        return score_round_by_eye(folder, round_, picks, force=force), round_


def _read_sheet(path: Path) -> Sheet:
    try:
        return sheet_from_json(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise PadsheetError(
            f"there is no readable sheet file {path}",
            remedy="Give the sheet.json that padsheet wrote beside the sheet's G-code.",
            code="sheet-missing",
        ) from error


def _chosen_round(folder: BedFolder, sheet_path: Path | None, number: int | None) -> Round | None:
    """Return the round that the options name, None if the photo is to tell."""
    if number is not None:
        chosen = folder.round(number)
        if not chosen.sheet_json.exists():
            raise PadsheetError(
                f"round {number} has no sheet",
                remedy="See `padsheet rounds` for the rounds of this bed.",
                code="round-none",
            )
        return chosen
    if sheet_path is None:
        return None
    wanted = _read_sheet(sheet_path)
    for round_ in folder.rounds():
        if round_.sheet_json.exists() and round_.read_sheet().id == wanted.id:
            return round_
    raise PadsheetError(
        f"{sheet_path} is not a sheet of this bed folder",
        remedy="Leave --sheet away, or work outside a bed folder to only look.",
        code="round-none",
    )


#: Said below the figures of a self-check.
NOT_OF_THE_BED = "A self-check judges the ruler: no point of the bed is corrected by it."


def show_scores(scored: Scored, *, in_short: bool = False) -> None:
    """Print table, map and the one sentence that sums them up; no table if `in_short`."""
    colour = sys.stdout.isatty() and not _no_colour()
    width = columns_of(sys.stdout)
    if scored.check is not None:
        click.echo(self_check_table(scored.check))
        click.echo()
        for sentence in scored.check.words:
            click.echo(fitted(sentence, sys.stdout))
        click.echo(fitted(NOT_OF_THE_BED, sys.stdout))
        return
    if not in_short:
        click.echo(score_table(scored.score, scored.advice, width=width))
        click.echo()
    reasons = "the report" if in_short else "the table"
    click.echo(score_map(scored.score, scored.advice, colour=colour, width=width, reasons=reasons))
    click.echo()
    click.echo(fitted(summary(scored.score, scored.advice), sys.stdout))
    say(_printed_with(scored))
    for warning in scored.score.warnings:
        say(warning)


def _printed_with(scored: Scored) -> str:
    """Say which mesh and plate the sheet was printed with."""
    name = f" '{scored.mesh}'" if scored.mesh else ""
    plate = f" on plate '{scored.plate}'" if scored.plate else ""
    mesh = {"yes": f" with the mesh{name} in force", "no": " with the mesh off"}.get(
        scored.mesh_active
    )
    if mesh is None:
        return f"Printed{plate or ' on this plate'}; it is not known which mesh was in force."
    if scored.mesh_absent and scored.mesh_active == "yes":
        mesh = f"{',' if plate else ''} with the mesh: none ({scored.mesh})"
    return f"Printed{plate}{mesh}."


def _no_colour() -> bool:
    return bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"
