"""`padsheet score`: read photos of a printed sheet."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from padsheet.cli.options import folder_of, force_option, json_option, say, show_json, user_errors
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import sheet_from_json
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.scorer import Scored, score_photos, score_round
from padsheet.scoring.scores import scores_to_data
from padsheet.scoring.textmap import score_map, score_table
from padsheet.scoring.words import summary

__all__ = ["command", "show_scores"]


@click.command("score")
@click.argument(
    "photos", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PHOTO..."
)
@click.option(
    "--sheet",
    "sheet_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The sheet.json of this print; found by the markers if not given. Outside a bed folder "
    "nothing is written.",
)
@click.option("--round", "number", type=click.IntRange(min=1), help="The round it belongs to.")
@force_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    photos: tuple[Path, ...],
    sheet_path: Path | None,
    number: int | None,
    force: bool,
    as_json: bool,
) -> None:
    """Read photos of the printed sheet: the nozzle gap at every point, and what to adjust.

    \b
    Example:
      padsheet -C my-bed score photo.jpg
      padsheet score photo.jpg --sheet sheet.json --json
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    with user_errors():
        folder = BedFolder(folder_of(ctx))
        if sheet_path is not None and not folder.profile.is_file():
            scored, written = score_photos(photos, _read_sheet(sheet_path)), None
        else:
            with folder.lock():
                chosen = _chosen_round(folder, sheet_path, number)
                scored, round_ = score_round(folder, photos, round_=chosen, force=force)
                written = round_.path
    if as_json:
        show_json(scores_to_data(scored.score, scored.advice))
    else:
        show_scores(scored)
    if written is not None:
        say(f"Wrote scores.json, annotated.jpg and report.html to {written}.")
        for step in scored.advice.steps if scored.advice else ():
            say(step)


def _read_sheet(path: Path) -> Sheet:
    try:
        return sheet_from_json(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, UnicodeDecodeError) as error:
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


def show_scores(scored: Scored) -> None:
    """Print table, map and the one sentence that sums them up."""
    colour = sys.stdout.isatty() and not _no_colour()
    click.echo(score_table(scored.score, scored.advice))
    click.echo()
    click.echo(score_map(scored.score, scored.advice, colour=colour))
    click.echo()
    click.echo(summary(scored.score, scored.advice))
    for warning in scored.score.warnings:
        say(warning)


def _no_colour() -> bool:
    return bool(os.environ.get("NO_COLOR"))
