"""`padsheet mesh`: take in the mesh that the printer reports."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Literal

import click
import numpy as np

from padsheet.cli.options import (
    NUMBER,
    confirmed,
    folder_of,
    force_option,
    here,
    json_option,
    read_given,
    say,
    say_steps,
    show_json,
    user_errors,
)
from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.afterwards import after_lost, after_own, after_record, after_slip, next_steps
from padsheet.scoring.amiss import slip_of
from padsheet.scoring.applied import Applied
from padsheet.scoring.doing import score_again
from padsheet.scoring.kept_proof import is_proved
from padsheet.scoring.lost import Lost, find_lost, record_lost
from padsheet.scoring.mesh import Mesh, empty_mesh
from padsheet.scoring.mesh_check import Flip, flipped_in_history, show_map
from padsheet.scoring.mesh_table import OPPOSITE, TableReading, read_table
from padsheet.scoring.phrases import rounds_words
from padsheet.scoring.recording import mesh_change, now_text
from padsheet.scoring.round_edits import (
    free_mesh_name,
    mesh_of_round,
    record_read_back,
    round_to_record,
)
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.taking_in import (
    Correction,
    Turned,
    against_advice,
    correct_reading,
    expected_meshes,
    in_full,
    own_state,
    refuse_proof_answer,
    turned_over,
)

__all__ = ["command", "read_text"]

LARGEST_BYTES = 1_000_000


@click.command("mesh")
@click.argument("file", type=click.Path(path_type=Path), required=False, metavar="FILE")
@click.option(
    "--first-row",
    type=click.Choice(["front", "back"]),
    help="Which end of the bed the first printed row shows; else as the profile says.",
)
@click.option(
    "--first-column",
    type=click.Choice(["left", "right"]),
    help="Which side of the bed the first printed column shows; else as the profile says.",
)
@click.option(
    "--empty",
    "absent",
    is_flag=True,
    help="The printer holds no mesh: put that on record, no FILE.",
)
@click.option(
    "--name",
    metavar="NAME",
    help="Name in the bed folder; 'mesh', 'mesh-2' and so on if not given.",
)
@click.option("--bed-temp", type=NUMBER, metavar="C", help="Bed temperature it was made at.")
@click.option("--plate", metavar="NAME", help="Plate it belongs to; the profile's if not given.")
@click.option("--yes", is_flag=True, help="Take the map as right without asking.")
@force_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    file: Path | None,
    first_row: Literal["front", "back"] | None,
    first_column: Literal["left", "right"] | None,
    absent: bool,
    name: str | None,
    bed_temp: float | None,
    plate: str | None,
    yes: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Take in the mesh table that the printer shows, pasted into FILE ('-' for standard input).

    Nothing else tells the program which values the printer holds: do this after every change of
    the mesh. After edits it also records what was really applied.

    \b
    Example:
      padsheet -C my-bed mesh answer.txt
      padsheet mesh - --first-row back < answer.txt
      padsheet -C my-bed mesh --empty
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    if absent and (file is not None or first_row is not None or first_column is not None):
        raise click.UsageError("--empty says that there is no table: leave FILE and its rows out.")
    if absent:
        with user_errors():
            _take_in_none(BedFolder(folder_of(ctx)), name, bed_temp, plate, force, as_json=as_json)
        return
    if file is None:
        raise click.UsageError(
            "Name the text file with the mesh that the printer shows, such as `padsheet mesh "
            "answer.txt`; - for standard input. If the printer holds none: `padsheet mesh --empty`."
        )
    with user_errors():
        folder = BedFolder(folder_of(ctx))
        bed = folder.bed()
        reading = read_table(
            read_text(file), bed.mesh, first_row=first_row, first_column=first_column
        )
        _show(reading, as_json=as_json)
        if not force:
            refuse_proof_answer(folder, bed, reading.mesh, str(file))
        expected = list(expected_meshes(folder, bed))
        turned = turned_over(reading.mesh, expected, bed)
        turned = None if turned is None else in_full(folder, turned)
        flip = turned or flipped_in_history(
            reading.mesh, [mesh for mesh, _, _ in expected], [_called(*item) for item in expected]
        )
        told = first_row is not None or first_column is not None
        again = _other_ways(file, bed, first_row, first_column)
        _confirm(reading, flip, file, again, told=told, yes=yes, force=force)
        described = partial(_described, folder, bed, reading.mesh, name, bed_temp, plate)
        with folder.lock():
            taken = _take_in(
                folder, bed, reading.mesh, turned, described, named=name is not None, force=force
            )
    if as_json:
        show_json(
            {
                "format": 1,
                "name": taken.mesh.name,
                "z_mm": taken.mesh.z_mm.tolist(),
                "rows_from": "front",
                "columns_from": "left",
                "notes": list(reading.notes),
                "corrected": [] if taken.corrected is None else list(taken.corrected.names),
                "applied_nodes": None if taken.applied is None else len(taken.applied.nodes),
            }
        )
    _say_taken(folder, taken)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Taken:
    """What became of a mesh that was read: stored where, in place of which, and what it showed."""

    mesh: Mesh
    path: Path
    before: Mesh | None
    round: Round | None
    applied: Applied | None = None
    corrected: Correction | None = None
    lost: Lost | None = None


def _take_in(
    folder: BedFolder,
    bed: Bed,
    mesh: Mesh,
    turned: Turned | None,
    described: Callable[[], Mesh],
    *,
    named: bool,
    force: bool,
) -> _Taken:
    """Store a mesh that was read, and put on record what it shows; the lock is held.

    Parameters
    ----------
    mesh : Mesh
        As read.
    turned : Turned or None
        The mesh on record that it is, the other way round.
    described : callable
        Gives it with its name, plate and temperature.
    named : bool
        Whether the user gave it a name: then it is stored by that in any case.
    """
    corrected: Correction | None = None
    lost: Lost | None = None
    if turned is not None and turned.corrects:
        corrected = correct_reading(folder, turned)
    else:
        lost = find_lost(folder, bed, mesh)
    if lost is not None:
        record_lost(folder, lost)
    before, round_ = _before(folder), round_to_record(folder)
    applied = None
    if corrected is not None and not named and turned and turned.after_round is None:
        mesh = folder.mesh(turned.base.name)
        path = folder.store_mesh(mesh, force=True)
    elif lost is not None and not named:
        mesh = lost.held
        path = folder.store_mesh(mesh, force=True)
        if lost.back_in:
            applied = record_read_back(folder, before, mesh)
    else:
        mesh = described()
        path = folder.store_mesh(mesh, force=force)
        applied = record_read_back(folder, before, mesh)
    return _Taken(
        mesh=mesh,
        path=path,
        before=before,
        round=round_,
        applied=applied,
        corrected=corrected,
        lost=lost,
    )


def _say_taken(folder: BedFolder, taken: _Taken) -> None:
    """Say where a mesh was stored, what it showed, and what is next."""
    say(f"Wrote {taken.path}; it is now the mesh that the printer is taken to hold.")
    corrected = taken.corrected
    if corrected is not None:
        _say_corrected(corrected)
    if taken.lost is not None:
        _say_lost(folder, taken.lost)
    elif taken.applied is not None:
        _say_applied(folder, taken.mesh, taken.applied, taken.round)
    elif corrected is None:
        _say_next(folder, taken.before, taken.mesh)
    elif not corrected.score_again:
        _say_after_correction(folder, taken.before, taken.mesh, corrected)


def _take_in_none(
    folder: BedFolder,
    name: str | None,
    bed_temp: float | None,
    plate: str | None,
    force: bool,
    *,
    as_json: bool,
) -> None:
    """Put on record that the printer holds no mesh."""
    bed = folder.bed()
    with folder.lock():
        before, round_ = _before(folder), round_to_record(folder)
        held, applied = folder.active_mesh() if folder.active_mesh_fits() else None, None
        if held is not None and held.absent:
            mesh = held
        else:
            nothing = replace(empty_mesh(bed.mesh), name="empty", taken=now_text(), absent=True)
            mesh = _described(folder, bed, nothing, name, bed_temp, plate)
            folder.store_mesh(mesh, force=force)
            applied = record_read_back(folder, before, mesh)
    if as_json:
        show_json(
            {
                "format": 1,
                "name": mesh.name,
                "empty": True,
                "applied_nodes": None if applied is None else len(applied.nodes),
            }
        )
    say(
        f"On record as '{mesh.name}': the printer holds no mesh, and nothing is corrected. The "
        "first edits will write every point, from zero."
    )
    if applied is not None:
        _say_applied(folder, mesh, applied, round_)
    else:
        _say_next(folder, before, mesh)


def _say_corrected(corrected: Correction) -> None:
    """Say what was corrected and what to do about it, with the commands to copy."""
    names = " and ".join(f"'{name}'" for name in corrected.names)
    say(f"This corrects how {names} had been read; it is not taken for a change of the mesh.")
    if corrected.records:
        numbers = " and ".join(map(str, corrected.records))
        say(f"What is on record as applied after round {numbers} was reckoned anew from it.")
    if corrected.on_word:
        numbers = " and ".join(map(str, corrected.on_word))
        say(
            f"The edits of round {numbers} are on record on your word: unless the printer showed "
            "this table just now, let it show its mesh and take that in before anything is printed."
        )
    for number, word in corrected.unsaid:
        say(_taken_back(number, word))
    if corrected.score_again:
        if corrected.waits is not None:
            say(_written_wrongly(corrected.waits))
        say("Next: score again, so that the advice counts on the mesh as it lies:")
    for round_ in corrected.score_again:
        # Whole, however long: a command that is broken cannot be copied.
        click.echo(f"  {here(f'`{score_again(round_)}`').strip('`')}", err=True)


def _written_wrongly(round_: Round) -> str:
    return (
        f"The sheet of round {round_.number} was written with it the wrong way round. Unless it is "
        "printed already, write it afresh with `padsheet sheet --force`."
    )


def _say_lost(folder: BedFolder, lost: Lost) -> None:
    """Say that edits were lost, and what is next."""
    rounds, sheet = rounds_words([r.number for r in lost.rounds]), lost.sheet.number
    if lost.back_in:
        said = (
            f"The edits of {rounds} had been lost before the sheet of round {sheet}, and are "
            "in again, all of them. Both is now on record."
        )
    else:
        said = (
            f"The edits of {rounds} are lost: this is the mesh '{lost.before.name}' from "
            f"before them, and the sheet of round {sheet} was printed with it. That is now on "
            "record."
        )
    say(f"{said} What to do now:")
    say_steps(after_lost(folder, lost))


def _taken_back(number: int, word: Applied) -> str:
    """Say that a record on the user's word is gone, and what of it to say again."""
    said = (
        f"That the edits of round {number} are in is no longer on record: they were written from "
        "this mesh the wrong way round. Let the printer show its mesh now and take that in before "
        "anything is printed."
    )
    also = " --screws" if word.screws_turned else ""
    if word.offset_mm is not None:
        also += f" --offset {word.offset_mm:g}"
    return f"{said} Then repeat the rest of it: `padsheet applied{also}`." if also else said


def _say_applied(folder: BedFolder, mesh: Mesh, applied: Applied, round_: Round | None) -> None:
    """Say what was recorded, whether it is as advised, and what comes next."""
    count = len(applied.nodes)
    differ = "1 point differs" if count == 1 else f"{count} points differ"
    beside = None if round_ is None else against_advice(folder, round_, applied)
    said = f"Recorded what was applied: {differ} from '{applied.before}'"
    if round_ is not None and round_ != folder.latest_round():
        said = (
            f"Recorded what was applied after round {round_.number}, before the sheet of the next: "
            f"{differ} from '{applied.before}'"
        )
    if round_ is None or beside is None or beside.as_meant:
        say(f"{said}{'' if beside is None else beside.words}. What to do now:")
        say_steps([] if round_ is None else after_record(folder, round_))
        return
    if own := own_state(folder, mesh, applied, round_):
        say(f"{said}. {own} What to do now:" if applied.nodes else f"{own} What to do now:")
        say_steps(after_own(folder, round_))
        return
    slip = slip_of(folder, round_)
    if slip is not None:
        say(f"{said}{beside.words}. What to do now:")
        say_steps(after_slip(folder, slip))
        return
    say(f"{said}{beside.words}.")
    say(
        "Look before you print: a line mistyped or left out, or a table read the wrong way round? "
        "Set those points as `edits.gcode` says and take the mesh in again, or bring it back with "
        "`padsheet restore`. Only if it was meant so, print a new sheet with `padsheet sheet`."
    )


def _say_after_correction(
    folder: BedFolder, before: Mesh | None, mesh: Mesh, corrected: Correction
) -> None:
    """Say what comes next where no score counts on what was corrected."""
    newest = folder.latest_round()
    applied = None if newest is None else newest.read_applied()
    if corrected.waits is not None:
        say(f"{_written_wrongly(corrected.waits)} Then print it and score its photo.")
    elif newest is not None and applied is not None and newest.number in corrected.records:
        _say_applied(folder, mesh, applied, newest)
    else:
        _say_next(folder, before, mesh)


def _say_next(folder: BedFolder, before: Mesh | None, mesh: Mesh) -> None:
    """Say what comes next where nothing was recorded."""
    round_ = folder.latest_round()
    # Where edits wait, what holds no mesh would be taken for what became of them.
    waits = round_ is not None and round_.edits_unsaid
    if not (mesh.absent or mesh.z_mm.any() or waits or is_proved(folder, folder.bed())):
        say(
            "A mesh of zeros comes to none: if you say so with `padsheet mesh --empty`, the first "
            "edits write every point from zero and need no proof before."
        )
    if round_ is not None and round_.edits_unsaid and before is not None:
        if not mesh_change(before, mesh):
            say(
                f"It is as on the sheet of round {round_.number}: none of the edits is in. Next: "
                "`padsheet edits` or `padsheet send`."
            )
            return
    if round_ is not None and round_.edits_unsaid and before is None:
        say("Next: `padsheet edits` or `padsheet send`, which now know what they change.")
        return
    if round_ is None or round_.scores_json.exists():
        say(f"What to do now, with {'no mesh' if mesh.absent else 'this mesh'} in force:")
        say_steps(next_steps(folder))
        return
    held = None if before is None else mesh_change(before, mesh)
    if before is not None and not held:
        say(
            f"The sheet of round {round_.number} is written for these values. Next: print it, and "
            "read its photo with `padsheet score PHOTO`."
        )
        return
    other = "before the mesh was known" if before is None else "for other mesh values"
    printed = "printed already" if before is None else "printed with those"
    say(
        f"The sheet of round {round_.number} was written {other}. Unless it was {printed}, write "
        "it afresh with `padsheet sheet --force` and print that."
    )


def read_text(file: Path) -> str:
    """Read a pasted block, whatever its encoding; refuse a file far too large."""
    remedy = (
        "Save the whole answer in which the printer shows its mesh as a text file, and give its "
        "path."
    )
    raw = read_given(file, LARGEST_BYTES + 1, remedy=remedy)
    if len(raw) > LARGEST_BYTES:
        raise PadsheetError(
            "the file is far larger than a mesh table",
            remedy="Copy only the table that the printer shows.",
            code="mesh-too-long",
        )
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", errors="replace")
    return raw.decode("utf-8-sig", errors="replace")


def _show(reading: TableReading, *, as_json: bool) -> None:
    """Print the map, which is data unless JSON is asked for."""
    click.echo(show_map(reading.mesh), err=as_json)
    for note in reading.notes:
        say(note)


def _confirm(
    reading: TableReading,
    flip: Turned | Flip | None,
    file: Path,
    again: str,
    *,
    told: bool,
    yes: bool,
    force: bool,
) -> None:
    """Let the user look at the map; a table that looks turned over is never taken unasked."""
    if flip is None and not np.ptp(reading.mesh.z_mm):
        return  # all values alike: it lies the same either way round
    certain = isinstance(flip, Turned) and flip.certain
    command = f"padsheet mesh {shlex.quote(str(file))}"
    options = "" if flip is None or certain else reading.other_way(flip.kind)
    other_way = f"`{command}{options}` takes it in the other way round" if options else ""
    if flip is not None:
        say(f"Look closely: {flip.text}.{f' {other_way}.' if other_way else ''}")
    if flip is not None and flip.kind == "transposed" and not force:
        raise PadsheetError(
            "columns and rows seem to be exchanged in this file, and so it was not taken in",
            remedy="Copy the table again, each line as the printer shows it, and take that in. "
            "Only if the printer does hold the mesh like this, take it in with --force.",
            code="mesh-looks-flipped",
        )
    if yes and (flip is None or told or certain):
        return
    if yes and flip is not None:
        remedy = "Look at the map."
        if options:
            remedy = f"Look at the map. `{command}{options} --yes` takes it in the other way round,"
            remedy += f" `{command}{reading.this_way} --yes` as it is."
        raise PadsheetError(
            "this mesh may be turned over", remedy=remedy, code="mesh-looks-flipped"
        )
    if file == Path("-"):
        raise PadsheetError(
            "this mesh may be turned over" if flip else "nobody said that the map is right",
            remedy="Look at the map, then give --first-row front or --first-row back, and --yes.",
            code="mesh-looks-flipped" if flip else "mesh-unconfirmed",
        )
    question = "Is this how the bed lies, the back of the bed on top?"
    if not confirmed(question, default=flip is None or certain):
        raise PadsheetError(
            "the mesh was not taken in",
            remedy=f"{other_way}." if other_way else again,
            code="mesh-declined",
        )


def _called(mesh: Mesh, base: Mesh, after_round: int | None) -> str:
    """Name a mesh that is expected, where its own name does not tell."""
    if after_round is None:
        return f"'{mesh.name}'"
    return f"'{base.name}' with the edits of round {after_round} in it"


def _other_ways(file: Path, bed: Bed, first_row: str | None, first_column: str | None) -> str:
    """Say how the same table is taken in turned over, one way or the other."""
    row, column = first_row or bed.mesh.table_first_row, first_column or bed.mesh.table_first_column
    other_row, other_column = OPPOSITE[row], OPPOSITE[column]
    command = f"`padsheet mesh {shlex.quote(str(file))}"
    keep_row = f" --first-row {first_row}" if first_row else ""
    keep_column = f" --first-column {first_column}" if first_column else ""
    return (
        f"If front and back are exchanged: {command} --first-row {other_row}{keep_column}`. Or if "
        f"left and right are: {command}{keep_row} --first-column {other_column}`."
    )


def _before(folder: BedFolder) -> Mesh | None:
    """Return the mesh to compare with; one of another grid is none."""
    try:
        round_ = folder.latest_round()
        return folder.active_mesh() if round_ is None else mesh_of_round(folder, round_)
    except PadsheetError as error:
        if error.code in ("mesh-other-grid", "mesh-none"):
            return None
        raise


def _described(
    folder: BedFolder,
    bed: Bed,
    mesh: Mesh,
    name: str | None,
    bed_temp: float | None,
    plate: str | None,
) -> Mesh:
    """Add name, time, temperature and plate; what a mesh file tells of itself stays."""
    stem = mesh.name if mesh.taken else "mesh"
    return replace(
        mesh,
        name=name if name is not None else free_mesh_name(folder, stem),
        taken=mesh.taken or now_text(),
        bed_c=mesh.bed_c if bed_temp is None else bed_temp,
        plate=plate if plate is not None else mesh.plate or bed.plate.name,
    )
