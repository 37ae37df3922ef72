"""`padsheet restore`: bring the printer's mesh back to an earlier one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from padsheet.cli.options import folder_of, here, say, say_steps, user_errors
from padsheet.cli.over_port import (
    ask,
    baud_option,
    greeted,
    port_option,
    save_option,
    saved,
    yes_option,
)
from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.scoring.afterwards import next_steps
from padsheet.scoring.doing import Step
from padsheet.scoring.edits import EditList
from padsheet.scoring.link import check_port
from padsheet.scoring.restoring import (
    change_in_words,
    changed_besides,
    edits_between,
    edits_from_held,
    mesh_to_restore,
)
from padsheet.scoring.round_edits import free_mesh_name, named, record_read_back, sheet_mesh
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.sending import (
    Outcome,
    SendFault,
    check_sendable,
    read_mesh,
    restore_after,
    send_edits,
)

__all__ = ["carry", "change", "command"]


@click.command("restore")
@click.option(
    "--round",
    "number",
    type=click.IntRange(min=1),
    metavar="N",
    help="Go back to before the edits of this round.",
)
@click.option("--mesh", "name", metavar="NAME", help="Go back to this stored mesh instead.")
@port_option
@baud_option
@yes_option
@save_option
@click.pass_context
def command(
    ctx: click.Context,
    number: int | None,
    name: str | None,
    port: str | None,
    baud: int,
    yes: bool,
    save: bool,
) -> None:
    """Bring the mesh in the printer back to what it was on the newest round's sheet.

    Says first what that changes. Without --port the lines are written to restore.gcode and
    nothing is sent.

    \b
    Example:
      padsheet -C my-bed restore
      padsheet -C my-bed restore --mesh before-1 --port /dev/ttyUSB0
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    if number is not None and name is not None:
        raise click.UsageError("--round and --mesh exclude each other")
    with user_errors():
        folder = BedFolder(folder_of(ctx))
        bed = folder.bed()
        with folder.lock():
            now = folder.active_mesh()
            if now is None:
                raise PadsheetError(
                    "the mesh in the printer is not known",
                    remedy="Take it in with `padsheet mesh FILE` first.",
                    code="restore-unknown",
                )
            target, round_ = mesh_to_restore(folder, number=number, name=name)
            edits = edits_between(bed, now, target)
            of = f", as on the sheet of round {round_.number}" if round_ is not None else ""
            say(f"This brings the printer's mesh from '{now.name}' back to '{target.name}'{of}.")
            if round_ is not None and (besides := changed_besides(folder, round_.number)):
                say(besides)
            if not edits.edits and port is None:
                say("They do not differ: there is nothing to restore.")
                return
            say(change(edits))
            carry(folder, bed, edits, "restore", port, baud, yes=yes, save=save)


def carry(
    folder: BedFolder,
    bed: Bed,
    edits: EditList,
    word: str,
    port: str | None,
    baud: int,
    *,
    yes: bool,
    save: bool,
) -> None:
    """Write the lines, and send them if there is a port; the way back lies beside them."""
    path, back = (folder.path / name for name in (f"{word}.gcode", f"{word}-back.gcode"))
    known = edits.before is not None
    _write(path, back, edits)
    if port is None:
        click.echo("\n".join(edits.lines))
        way_back = f", and the way back, {back}" if known else ""
        say(f"Wrote {path}{way_back}. Nothing was sent.")
        say("What to do now:")
        say_steps([_by_hand(bed)])
        return
    check_sendable(edits)
    check_port(port)
    ask(edits.cautions, _question(edits, port), yes=yes)
    with greeted(port, baud, bed) as link:
        found = edits_from_held(folder, bed, edits, read_mesh(link, bed))
        if found is not None:
            edits, explained = found
            say(explained)
            say(change(edits))
            _write(path, back, edits)
            ask((), _question(edits, port), yes=yes)
        try:
            outcome = send_edits(link, edits, bed, tell=say)
        except SendFault as fault:
            write_atomic(back, "\n".join(restore_after(fault, bed)) + "\n")
            say(f"The way back is in {back}.")
            raise
        say("Every value of the mesh was read back as meant.")
        _record(folder, bed, edits, outcome, word)
        if saved(link, outcome, bed, save=save):
            say("Saved.")
    say("What to do now:")
    say_steps(next_steps(folder, keep_mesh=True))


def _by_hand(bed: Bed) -> Step:
    """Return the step of telling the printer without a port."""
    told = bed.edits
    how = "Type these values in" if told.style == "table" else "Give the printer these lines"
    show = f" ({told.show})" if told.show else ""
    return Step(
        text=f"{how}, let it show its mesh{show}, save the answer as a text file and take that in: "
        "that tells whether it is right to save, and what is next.",
        commands=(here("`padsheet mesh answer.txt`").strip("`"),),
    )


def _write(path: Path, back: Path, edits: EditList) -> None:
    """Write the way back, where the mesh before is known, and then the lines."""
    if edits.before is not None:
        write_atomic(back, "\n".join(edits.restore) + "\n")
    else:
        back.unlink(missing_ok=True)  # one of another day would bring back another mesh
    write_atomic(path, "\n".join(edits.lines) + "\n")


def change(edits: EditList) -> str:
    """Say what changes, as far as is known before the printer is asked."""
    if not edits.edits:
        return "By what was last read back it holds that already; now the printer is asked."
    return f"{change_in_words(edits)}. Print a new sheet before anything else."


def _question(edits: EditList, port: str) -> str:
    """Ask for leave to send."""
    if not edits.edits:
        return f"Read the mesh over {port}?"
    return f"Send {len(edits.edits)} edit{'' if len(edits.edits) == 1 else 's'} to {port}?"


def _record(folder: BedFolder, bed: Bed, edits: EditList, outcome: Outcome, word: str) -> None:
    """Keep the mesh read back, and what it tells was applied."""
    before, known = sheet_mesh(folder), folder.active_mesh()
    if known is None or edits_between(bed, known, outcome.after).edits:
        known = named(outcome.after, free_mesh_name(folder, f"after-{word}"), bed)
        if edits.before is not None:
            known = replace(known, bed_c=edits.before.bed_c)
        folder.store_mesh(known)
        say(f"Wrote meshes/{known.name}.csv; it is now the mesh that the printer is taken to hold.")
    record_read_back(folder, before, known)
