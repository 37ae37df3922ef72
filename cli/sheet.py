"""`padsheet sheet`: write the G-code of the next pad sheet."""

from __future__ import annotations

import re
import shlex

import click

from padsheet.cli.options import folder_of, force_option, json_option, say, show_json, user_errors
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.ladder import LARGEST_MM
from padsheet.scoring.done import done_round
from padsheet.scoring.hand_offset import hand_offset_mm, hand_offset_words
from padsheet.scoring.overwriting import write_group
from padsheet.scoring.phrases import reach_mm, reach_word, within_95
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.sheet_choice import Chosen, plan_sheet
from padsheet.scoring.waiting import outdated

__all__ = ["command"]

_MESH_FIRST = (
    "Before you print: which mesh the printer holds is not on record. Put it there first, with "
    "`padsheet mesh FILE`, or `padsheet mesh --empty` if it holds none; then write this sheet "
    "afresh with `padsheet sheet --force`."
)
_POINT = re.compile(r"(\d+)\s*,\s*(\d+)")


def _reach(ctx: click.Context, option: click.Parameter, value: str | None) -> float | str | None:
    """Accept `fine`, `first` or a number of millimetres."""
    if value is None or value in ("fine", "first"):
        return value
    try:
        reach = float(value)
    except ValueError as error:
        raise click.BadParameter(
            f"{value!r} is neither fine, first nor a number of millimetres"
        ) from error
    if not 0 < reach <= LARGEST_MM:
        raise click.BadParameter(f"{value} mm is not above 0 and up to {LARGEST_MM:.2f} mm")
    return reach


def _points(
    ctx: click.Context, option: click.Parameter, values: tuple[str, ...]
) -> tuple[tuple[int, int], ...]:
    """Read COLUMN,ROW pairs, counted from 1."""
    found = []
    for value in values:
        for word in value.split():
            match = _POINT.fullmatch(word)
            if match is None:
                raise click.BadParameter(f"{word!r} is not COLUMN,ROW such as 3,2")
            found.append((int(match[1]) - 1, int(match[2]) - 1))
    return tuple(found)


@click.command("sheet")
@click.option(
    "--reach",
    callback=_reach,
    metavar="fine|first|MM",
    help="How far off the bed may be: fine (0.08 mm), first (0.15 mm), or millimetres. "
    "Default: what holds all that is known of the bed; first for one never scored. A reach that "
    "may come too near the bed is refused; --reach and --force together print it.",
)
@click.option(
    "--points",
    multiple=True,
    callback=_points,
    metavar="COLUMN,ROW",
    help="Only these grid points, counted from 1 at the front left: --points 3,3 4,3.",
)
@click.option(
    "--self-check",
    is_flag=True,
    help="Lift every other pad by a known 0.06 mm: the score then tells whether the ruler can be "
    "trusted on this printer.",
)
@click.option("--no-mesh", is_flag=True, help="Print without the mesh, to see the bed itself.")
@force_option
@json_option
@click.argument("more_points", nargs=-1, callback=_points, metavar="")
@click.pass_context
def command(
    ctx: click.Context,
    reach: float | str | None,
    points: tuple[tuple[int, int], ...],
    self_check: bool,
    no_mesh: bool,
    force: bool,
    as_json: bool,
    more_points: tuple[tuple[int, int], ...],
) -> None:
    """Write the G-code of a pad sheet for the next round.

    \b
    Example:
      padsheet -C my-bed sheet
      padsheet -C my-bed sheet --reach fine --points 3,3 4,3
      padsheet -C my-bed sheet --self-check
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    if more_points and not points:
        raise click.UsageError("Grid points are given with --points, such as --points 3,3 4,3.")
    with user_errors():
        folder = BedFolder(folder_of(ctx))
        bed = folder.bed()
        with folder.lock():
            round_ = _round(folder)
            _refuse_writing_again(folder, round_, reach, self_check=self_check, force=force)
            known = folder.active_mesh()
            unsaid = folder.unsaid_edits(known.name) if known and not no_mesh else None
            if unsaid is not None and known is not None and not force:
                raise _unsaid(unsaid, known.name, newest=folder.latest_round())

            chosen = plan_sheet(
                folder,
                bed,
                known,
                round_.number,
                asked_mm=reach_mm(reach) if isinstance(reach, str) else reach,
                points=[*points, *more_points],
                self_check=self_check,
                no_mesh=no_mesh,
                force=force,
            )
            files = chosen.files
            notes = _not_on_record(folder, unsaid)
            done = None if self_check else done_round(folder, bed.mesh)
            if done is not None:
                notes.append(
                    f"The bed is done, as round {done.number} found, and no change is on record "
                    "since: another sheet is needed only to look again."
                )
            if chosen.files.sheet.mesh_active == "unknown":
                notes.append(_MESH_FIRST)
            by_hand = hand_offset_words(hand_offset_mm(folder, bed), bed.edits.offset_style)
            write_group(round_.path, files.by_name, force=force)
    if as_json:
        show_json(_data(round_, chosen))
    if chosen.caution:
        say(f"Caution: {chosen.caution}.")
    for note in notes:
        say(note)
    _talk(round_, chosen, folder, by_hand)


def _unsaid(round_: Round, held: str, *, newest: Round | None) -> PadsheetError:
    """Refuse a sheet for a mesh that the printer may hold no longer."""
    late = "" if newest is None or newest.number == round_.number else f" --round {round_.number}"
    return PadsheetError(
        f"what became of the mesh edits of round {round_.number} is not on record, so which mesh "
        "the printer holds is not known",
        remedy="If they are in, read the mesh back first with `padsheet mesh FILE`; if none were "
        f"made, say `padsheet applied --no-edits{late}`. --force writes the sheet for '{held}' all "
        "the same.",
        code="sheet-unsaid",
    )


def _not_on_record(folder: BedFolder, unsaid: Round | None) -> list[str]:
    """Say what was advised and is not on record, though it would change what this sheet shows."""
    notes = []
    if unsaid is not None:
        notes.append(
            f"Caution: what became of the mesh edits of round {unsaid.number} is not on record."
        )
    scored = [r for r in folder.rounds() if r.scores_json.exists()]
    advice = scored[-1].read_advice() if scored else None
    if advice is None or advice.work not in ("screws", "offset") or scored[-1].read_applied():
        return notes
    option = "--screws" if advice.work == "screws" else f"--offset {advice.offset_mm:.2f}"
    what = "screws" if advice.work == "screws" else "common offset"
    late = f" --round {scored[-1].number}"
    notes.append(
        f"The {what} of round {scored[-1].number}: nothing is on record. If that was done, say "
        f"`padsheet applied {option}{late}` before this sheet is scored."
    )
    return notes


def _round(folder: BedFolder) -> Round:
    """Return the round to write to: the newest one if it has no scores yet, else the next."""
    latest = folder.latest_round()
    if latest is not None and not latest.scores_json.exists() and not latest.photos():
        return latest
    return folder.next_round()


def _refuse_writing_again(
    folder: BedFolder,
    round_: Round,
    reach: float | str | None,
    *,
    self_check: bool,
    force: bool,
) -> None:
    if not round_.sheet_json.exists() or force:
        return
    if why := outdated(folder, round_):
        raise PadsheetError(
            f"the sheet of round {round_.number} is written, but it {why}",
            remedy="Unless it is printed already, write it afresh with --force.",
            code="file-exists",
        )
    sheet = round_.read_sheet()
    has = reach_word(sheet.reach_mm[1])
    asked = reach_word(reach) if isinstance(reach, float) else reach or has
    remedy = "After a change of bed.toml or of the mesh write it afresh with --force."
    if self_check and not sheet.self_check:
        remedy = "If it is not printed yet, --force puts the self-check in its place."
    elif reach_mm(asked) > reach_mm(has):
        remedy = (
            f"If it is not printed yet, `padsheet sheet --reach {asked} --force` puts one of reach "
            f"{asked} in its place."
        )
    elif asked != has:
        # Forced, a reach that is asked for would not be refused where it comes too near.
        remedy = (
            f"If it is not printed yet and you want reach {asked}, which is laid lower, delete "
            f"{round_.path} and ask again: whether that keeps clear of the bed is then looked at."
        )
    raise PadsheetError(
        f"the sheet of round {round_.number}, of reach {has}, is written and waits for its photo: "
        f"{round_.sheet_gcode}",
        remedy=f"Print it and read its photo with `padsheet score PHOTO`. {remedy}",
        code="file-exists",
    )


def _data(round_: Round, chosen: Chosen) -> dict[str, object]:
    files, sheet = chosen.files, chosen.files.sheet
    return {
        "format": 1,
        "sheet": sheet.id,
        "round": round_.number,
        "folder": str(round_.path),
        "pads": len(sheet.pads),
        "markers": len(sheet.markers),
        "reach_mm": list(sheet.reach_mm),
        "reach_why": chosen.why,
        "caution": chosen.caution,
        "sigma_mm": sheet.sigma_mm,
        "minutes": round(files.estimate.minutes, 2),
        "heat_minutes": round(files.estimate.heat_minutes, 2),
        "grams": round(files.estimate.grams, 2),
        "self_check": sheet.self_check,
        "notes": list(files.notes),
    }


def _talk(round_: Round, chosen: Chosen, folder: BedFolder, by_hand: str) -> None:
    files = chosen.files
    sheet, spent = files.sheet, files.estimate
    low, high = sheet.reach_mm
    say(f"Wrote {round_.sheet_gcode}, preview.svg, preview.png and sheet.json.")
    say(
        f"Sheet {sheet.number}: {len(sheet.pads)} pads, {len(sheet.markers)} markers, about "
        f"{spent.minutes:.0f} minutes and {spent.grams:.1f} g, heating and soak apart."
    )
    say(
        f"It reads gap errors from {low:+.2f} to {high:+.2f} mm, at the worst to "
        f"{within_95(sheet.sigma_mm, 3)}."
    )
    if chosen.why:
        say(chosen.why)
    for note in files.notes:
        say(note)
    if by_hand:
        say(f"Common offset, in this print too: {by_hand} (as on record).")
    if sheet.self_check:
        lifted = [pad for pad in sheet.pads if pad.lift_mm]
        say(
            f"Self-check: {len(lifted)} pads are printed {lifted[0].lift_mm:.2f} mm higher than "
            "the others. Its score tells whether the ruler finds just that; it gives no advice."
        )
    say(
        "Caution: nozzle and bed are hot and the axes move. Stay with the printer, keep a hand at "
        "the power switch, and follow the printer's manual first."
    )
    then = "Next: print it"
    if sheet.mesh_active == "unknown":
        then = "Next: the mesh, as said first. Then print the sheet"
    say(
        f"{then} on a clean plate, photograph it from above before the bed cools, then run "
        f"`padsheet -C {shlex.quote(str(folder.path))} score PHOTO`."
    )
