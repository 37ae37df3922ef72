"""`padsheet send`: the edits over a serial port, read back, compared, and saved only then."""

from __future__ import annotations

from dataclasses import replace

import click

from padsheet.cli.edits import show_talk
from padsheet.cli.options import folder_of, force_option, round_option, say, say_steps, user_errors
from padsheet.cli.over_port import ask, baud_option, greeted, save_option, saved, yes_option
from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.scoring.afterwards import after_edits
from padsheet.scoring.edits import CAUTIONS, EditList
from padsheet.scoring.kept_proof import forget_proof, is_proved, write_proof
from padsheet.scoring.link import Link, allowed_lines, check_port, framed, ports_seen
from padsheet.scoring.recording import record_applied, record_saved
from padsheet.scoring.restoring import change_in_words, edits_between, edits_from_held
from padsheet.scoring.round_edits import (
    RoundEdits,
    edits_of_round,
    free_mesh_name,
    in_but_not_saved,
    named,
    record_cut_short,
    round_to_edit,
    write_edits,
)
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.sending import (
    Outcome,
    SendFault,
    check_sendable,
    prove_over_link,
    read_mesh,
    restore_after,
    send_edits,
)

__all__ = ["command"]


@click.command("send")
@click.option("--port", metavar="PORT", help="Serial port, such as /dev/ttyUSB0 or COM3.")
@baud_option
@round_option
@click.option(
    "--keep-mean", is_flag=True, help="Correct the shape only: do not lower the nozzle everywhere."
)
@click.option("--empty-mesh", is_flag=True, help="The printer holds no mesh: write all from zero.")
@click.option("--prove", is_flag=True, help="Only prove the edit style, then take the edit back.")
@click.option("--dry-run", is_flag=True, help="Show what would be sent; open no port.")
@yes_option
@save_option
@force_option
@click.pass_context
def command(
    ctx: click.Context,
    port: str | None,
    baud: int,
    number: int | None,
    keep_mean: bool,
    empty_mesh: bool,
    prove: bool,
    dry_run: bool,
    yes: bool,
    save: bool,
    force: bool,
) -> None:
    """Send the mesh edits to the printer, read the mesh back and compare every value.

    Only lines that set, show or save the mesh are sent: nothing heats, nothing moves. Before the
    first edits the edit style is proved with one small edit that is taken back. Saving is a step
    of its own, and only for a mesh that was read back as meant.

    \b
    Example:
      padsheet -C my-bed send --dry-run
      padsheet -C my-bed send --port /dev/ttyUSB0
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    if port is None and not dry_run:
        raise click.UsageError(f"Give --port, or --dry-run to only look. {ports_seen()}")
    with user_errors():
        folder = BedFolder(folder_of(ctx))
        bed = folder.bed()
        if port is not None and not dry_run:
            check_port(port)
        with folder.lock():
            if prove:
                _prove_only(folder, bed, port, baud, dry_run=dry_run, yes=yes)
                return
            if not force and (port is not None) and not dry_run:
                ends = _finished(
                    folder, bed, number, port, baud, keep_mean=keep_mean, yes=yes, save=save
                )
                if ends:
                    return
            round_ = round_to_edit(folder, number, force=force)
            made = edits_of_round(folder, bed, round_, keep_mean=keep_mean, empty_mesh=empty_mesh)
            check_sendable(made.edits)
            if not made.edits.edits:
                show_talk(folder, round_, made)
                return
            if dry_run or port is None:
                _show_lines(made.edits, bed)
                return
            ask(made.edits.cautions, f"Send {len(made.edits.edits)} edits to {port}?", yes=yes)
            write_edits(round_, made.edits)
            _send(folder, bed, round_, made.edits, port, baud, yes=yes, save=save, force=force)
            _say_left(folder, round_, made)


def _finished(
    folder: BedFolder,
    bed: Bed,
    number: int | None,
    port: str,
    baud: int,
    *,
    keep_mean: bool,
    yes: bool,
    save: bool,
) -> bool:
    """Finish a sending that ended before the mesh was saved; tell whether there was one.

    The printer is asked for its mesh. If it was switched off since, the edits are sent again.
    """
    round_ = folder.latest_round()
    if round_ is None or number not in (None, round_.number):
        return False
    record_cut_short(folder, bed, round_, keep_mean=keep_mean)
    active = folder.active_mesh()
    if active is None or not in_but_not_saved(folder, round_):
        return False
    say(
        f"The edits of round {round_.number} were sent and read back, but it is not on record that "
        "the printer has saved them: now it is asked."
    )
    edits = edits_between(bed, active, active)
    ask(edits.cautions, f"Read the mesh over {port}?", yes=yes)
    with greeted(port, baud, bed) as link:
        found = edits_from_held(folder, bed, edits, read_mesh(link, bed, empty=True))
        if found is not None:
            edits, explained = found
            say(f"{explained} {change_in_words(edits)}.")
            ask((), f"Send {len(edits.edits)} edits to {port}?", yes=yes)
        outcome = _taken(link, edits, bed, round_)
        _saved(link, outcome, bed, round_, save=save)
    _say_left(folder, round_)
    return True


def _say_left(folder: BedFolder, round_: Round, made: RoundEdits | None = None) -> None:
    """Say what is left to do once the edits are in; the common offset is the user's own to set."""
    if made is not None and made.offset is not None:
        say(f"Not sent, as it is yours to do: common offset: {made.offset.text}")
    if made is not None and made.offset_problem:
        say(f"Common offset: {made.offset_problem}")
    say("What to do now:")
    say_steps(after_edits(folder, round_))


def _taken(link: Link, edits: EditList, bed: Bed, round_: Round) -> Outcome:
    """Send and compare; where that breaks off, leave the way back."""
    try:
        outcome = send_edits(link, edits, bed, tell=say)
    except SendFault as fault:
        write_atomic(round_.restore_gcode, "\n".join(restore_after(fault, bed)) + "\n")
        say(f"The way back is in {round_.restore_gcode}.")
        raise
    say("Every value of the mesh was read back as meant.")
    return outcome


def _saved(link: Link, outcome: Outcome, bed: Bed, round_: Round, *, save: bool) -> None:
    """Save if the user says so, and put it on record."""
    if saved(link, outcome, bed, save=save):
        record_saved(round_)
        say("Saved.")


def _show_lines(edits: EditList, bed: Bed) -> None:
    """Print the lines as they would go over the wire, each edit's meaning behind it."""
    lines = ["M110 N0", bed.edits.show, *(edit.line for edit in edits.edits), bed.edits.show]
    words = ["", "", *(f"  ; {edit.comment}" for edit in edits.edits), ""]
    allowed = allowed_lines(bed)
    for number, line in enumerate(lines):
        if not allowed(line):
            raise PadsheetError(
                f"the line '{line}' would not be sent",
                remedy="Check show, save and template in [edits] of bed.toml.",
                code="link-forbidden",
            )
        click.echo(framed(number, line).decode("ascii").rstrip() + words[number])
    say(f"Nothing was sent. To save, only after every value was verified: {edits.save}")


def _prove_only(
    folder: BedFolder, bed: Bed, port: str | None, baud: int, *, dry_run: bool, yes: bool
) -> None:
    """Prove the edit style and keep the result."""
    if dry_run or port is None:
        raise click.UsageError("--prove needs the printer: leave --dry-run out")
    ask(CAUTIONS, "Send one edit of +0.02 mm and take it back?", yes=yes)
    with greeted(port, baud, bed) as link:
        _prove(folder, bed, link)


def _prove(folder: BedFolder, bed: Bed, link: Link) -> None:
    """Prove the edit style; an older proof counts no more, however this one ends."""
    forget_proof(folder)
    proof = prove_over_link(link, bed, mesh=folder.active_mesh())
    write_proof(folder, bed, proof)
    if not proof.ok:
        raise PadsheetError(
            proof.text.rstrip("."),
            remedy="Nothing was changed or saved. Correct [edits] in bed.toml and prove again.",
            code=f"proof-{proof.kind}",
        )
    say(f"Proved: {proof.text}")


def _send(
    folder: BedFolder,
    bed: Bed,
    round_: Round,
    edits: EditList,
    port: str,
    baud: int,
    *,
    yes: bool,
    save: bool,
    force: bool,
) -> None:
    """Prove if need be, send, record, and save if the user says so."""
    with greeted(port, baud, bed) as link:
        left = None
        # A printer without a mesh has nothing to prove on; every value is compared anyway.
        if edits.from_nothing or is_proved(folder, bed):
            held = read_mesh(link, bed, empty=edits.from_nothing)
            left = edits_from_held(folder, bed, edits, held, fallen_back=False)
        else:
            say("The edit style was never proved on this printer: one edit first, taken back.")
            _prove(folder, bed, link)
        if left is None:
            outcome = _taken(link, edits, bed, round_)
        else:
            rest, explained = left
            count = len(rest.edits)
            say(f"{explained} {count} of {len(edits.edits)} edits are left to send.")
            if rest.edits:
                ask((), f"Send {count} edit{'' if count == 1 else 's'} to {port}?", yes=yes)
            outcome = _taken(link, rest, bed, round_)
            outcome = replace(outcome, before=edits.before or outcome.before)
        _record(folder, bed, round_, outcome, edits, force=force)
        _saved(link, outcome, bed, round_, save=save)


def _record(
    folder: BedFolder,
    bed: Bed,
    round_: Round,
    outcome: Outcome,
    edits: EditList,
    *,
    force: bool,
) -> None:
    """Store the mesh read back and record what was applied."""
    if edits.before is not None and not edits.from_nothing:
        before = replace(outcome.before, name=edits.before.name)
    else:
        name = free_mesh_name(folder, f"round-{round_.number:02d}-before")
        before = named(outcome.before, name, bed)
        folder.store_mesh(before)
    name = free_mesh_name(folder, f"round-{round_.number:02d}-after")
    after = replace(named(outcome.after, name, bed), bed_c=before.bed_c)
    folder.store_mesh(after)
    record_applied(round_, before, after, saved=False, force=force)
    say(f"Wrote {round_.applied_json} and meshes/{name}.csv.")
