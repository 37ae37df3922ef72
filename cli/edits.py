"""`padsheet edits`: the G-code that corrects the mesh, its way back, and the proof of the style."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import click

from padsheet.cli.mesh import read_text
from padsheet.cli.options import (
    command_here,
    fitted,
    folder_of,
    force_option,
    here,
    json_option,
    round_option,
    say,
    say_steps,
    show_json,
    user_errors,
)
from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.scoring.afterwards import after_slip
from padsheet.scoring.amiss import Slip, newest_slip
from padsheet.scoring.doing import Step
from padsheet.scoring.edit_proof import judge_proof, prove_edit
from padsheet.scoring.edits import EditList
from padsheet.scoring.kept_proof import (
    PROVE_GCODE,
    is_proved,
    refuse_failed_proof,
    write_proof,
)
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.mesh_table import read_table
from padsheet.scoring.restoring import edits_since
from padsheet.scoring.round_edits import (
    RoundEdits,
    edits_of_round,
    record_cut_short,
    round_to_edit,
    store_empty,
    write_edits,
)
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.todo import after_writing

__all__ = ["command", "show_talk"]


@click.command("edits")
@round_option
@click.option(
    "--since-round",
    "since",
    type=click.IntRange(min=1),
    metavar="N",
    help="All changes since the sheet of round N, for a printer that still holds its mesh.",
)
@click.option(
    "--only-changed/--all",
    "only_changed",
    default=True,
    help="Leave out points that do not change (the default), or write every point.",
)
@click.option(
    "--keep-mean", is_flag=True, help="Correct the shape only: do not lower the nozzle everywhere."
)
@click.option("--empty-mesh", is_flag=True, help="The printer holds no mesh: write all from zero.")
@click.option("--prove", is_flag=True, help="Write one edit that proves the edit style.")
@click.option(
    "--proved",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The mesh as shown after the proof's edit ('-' for standard input).",
)
@force_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    number: int | None,
    since: int | None,
    only_changed: bool,
    keep_mean: bool,
    empty_mesh: bool,
    prove: bool,
    proved: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Write the G-code that corrects the mesh after the newest round, and the way back.

    Before the first edits, prove that the printer counts and adds as the profile says: send the
    line of --prove, show the mesh, and give it to --proved.

    \b
    Example:
      padsheet -C my-bed edits --prove
      padsheet -C my-bed edits --proved answer.txt
      padsheet -C my-bed edits
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    if since is not None and (keep_mean or empty_mesh or not only_changed):
        raise click.UsageError("--since-round goes without --keep-mean, --empty-mesh and --all")
    if prove and proved is not None:
        raise click.UsageError("--prove and --proved exclude each other")
    with user_errors():
        folder = BedFolder(folder_of(ctx))
        bed = folder.bed()
        if prove:
            _prove(folder, bed, as_json=as_json)
            return
        if proved is not None:
            _judge(ctx, folder, bed, read_text(proved), as_json=as_json)
            return
        with folder.lock():
            if not force and since is None:
                _finish(folder, bed, number, keep_mean=keep_mean)
                slip = newest_slip(folder)
                if slip is not None and number in (None, slip.round.number):
                    _mend(folder, slip, as_json=as_json)
                    return
            round_ = round_to_edit(folder, number, force=force or since is not None)
            held = folder.active_mesh()
            if not (force or empty_mesh or (held is not None and held.absent)):
                refuse_failed_proof(folder, bed)
            if since is not None:
                made = _since(folder, bed, round_, since)
            else:
                made = edits_of_round(
                    folder,
                    bed,
                    round_,
                    only_changed=only_changed,
                    keep_mean=keep_mean,
                    empty_mesh=empty_mesh,
                )
            if made.edits.edits:
                if made.edits.from_nothing:
                    store_empty(folder, round_, made.edits, bed)
                write_edits(round_, made.edits)
    _show(folder, bed, round_, made, as_json=as_json, empty_mesh=empty_mesh)
    words = "".join(
        f" {word}"
        for word, given in (
            (f"--round {number}", number),
            ("--keep-mean", keep_mean),
            ("--empty-mesh", empty_mesh),
            ("--force", force),
        )
        if given
    )
    by_hand = since is not None or not only_changed
    with user_errors():
        show_talk(folder, round_, made, options=words, by_hand=by_hand)


def _show(
    folder: BedFolder,
    bed: Bed,
    round_: Round,
    made: RoundEdits,
    *,
    as_json: bool,
    empty_mesh: bool,
) -> None:
    """Print the edits, and say what has to be looked at before they are sent."""
    from_nothing = made.edits.from_nothing
    if made.edits.edits and not from_nothing and not is_proved(folder, bed):
        say("First prove the edit style (step 1 below): none of these lines is to be sent before.")
    if as_json:
        show_json(_data(made, round_.number))
    elif made.edits.edits:  # nothing to change is said in a line
        click.echo("\n".join(made.edits.lines))
    if made.edits.edits and from_nothing:
        say(
            "With no mesh in the printer nothing can be proved before: compare what it shows after "
            "these edits point by point, with care, before anything is printed or saved."
        )
    if made.edits.edits:
        say(f"Wrote {round_.edits_gcode} and the way back, {round_.restore_gcode}.")


def _mend(folder: BedFolder, slip: Slip, *, as_json: bool) -> None:
    """Write the lines for the points that were read back otherwise than advised."""
    round_ = slip.round
    write_atomic(round_.restore_gcode, "\n".join(slip.back) + "\n")
    write_atomic(round_.edits_gcode, "\n".join(slip.edits.lines) + "\n")
    if as_json:
        show_json({"format": 1, "round": round_.number, **_list_data(slip.edits), "offset": None})
    else:
        click.echo("\n".join(slip.edits.lines))
    say(
        f"The edits of round {round_.number} are on record, but not as advised: these lines are "
        f"for the points that differ only. Wrote {round_.edits_gcode} and the way back to the mesh "
        f"before all edits, {round_.restore_gcode}. What to do now:"
    )
    say_steps(after_slip(folder, slip, written=True))


def _finish(folder: BedFolder, bed: Bed, number: int | None, *, keep_mean: bool) -> None:
    """Put edits on record that a sending made, if it ended before its record."""
    round_ = folder.latest_round()
    if round_ is not None and number in (None, round_.number):
        record_cut_short(folder, bed, round_, keep_mean=keep_mean)


def _since(folder: BedFolder, bed: Bed, round_: Round, since: int) -> RoundEdits:
    """Return all edits since a round; those of the newest are counted in if they are not in."""
    advice = round_.read_advice()
    # Where the newest sheet shows that edits did not reach the printer, it gives none of its own.
    withheld = advice is not None and advice.work == "withheld"
    if round_.applied_json.exists() or withheld:
        if advice is None:
            raise PadsheetError(
                f"the scores of round {round_.number} hold no advice",
                remedy="Score the photo again inside the bed folder.",
                code="edits-no-advice",
            )
        made = RoundEdits(advice=advice, edits=edits_since(folder, since, None))
    else:
        made = edits_of_round(folder, bed, round_)
        made = replace(made, edits=edits_since(folder, since, made.edits))
    say(
        f"These are all changes since the sheet of round {since}: only for a printer that holds "
        "the mesh of that sheet, such as one that was switched off before it was saved."
    )
    return made


def show_talk(
    folder: BedFolder, round_: Round, made: RoundEdits, *, options: str = "", by_hand: bool = False
) -> None:
    """Say what to do now: with the edits, with the common offset, and after them."""
    if not made.edits.edits:
        say("No mesh point is to be changed now.")
    say("What to do now:")
    say_steps(after_writing(folder, round_, made, options=options, by_hand=by_hand))


def _data(made: RoundEdits, number: int) -> dict[str, object]:
    """Return the edits as plain data."""
    offset = None
    if made.offset is not None:
        offset = {
            "text": made.offset.text,
            "lines": list(made.offset.lines),
            "restore": list(made.offset.restore),
        }
    return {"format": 1, "round": number, **_list_data(made.edits), "offset": offset}


def _list_data(edits: EditList) -> dict[str, object]:
    return {
        "style": edits.style,
        "edits": [
            {
                "i": edit.i,
                "j": edit.j,
                "dz_mm": edit.dz_mm,
                "old_mm": edit.old_mm,
                "new_mm": edit.new_mm,
                "line": edit.line,
                "restore": edit.restore,
                "text": edit.words,
            }
            for edit in edits.edits
        ],
        "table": list(edits.table),
        "show": edits.show,
        "save": edits.save,
        "cautions": list(edits.cautions),
    }


def _known_mesh(folder: BedFolder) -> Mesh:
    mesh = folder.active_mesh()
    if mesh is None:
        raise PadsheetError(
            "the mesh in the printer is not known, and a proof compares it before and after",
            remedy="Take it in first with `padsheet mesh FILE`; if the printer holds none, put "
            "that on record with `padsheet mesh --empty`: then there is nothing to prove yet.",
            code="proof-no-mesh",
        )
    if mesh.absent:
        raise PadsheetError(
            "the printer holds no mesh, so there is nothing yet to prove the edit style on",
            remedy="`padsheet edits` writes every point; compare what the printer shows after.",
            code="proof-no-mesh",
        )
    return mesh


def _prove(folder: BedFolder, bed: Bed, *, as_json: bool) -> None:
    """Write the one edit of the proof."""
    edits = prove_edit(bed, _known_mesh(folder))
    path = folder.path / PROVE_GCODE
    with folder.lock():
        write_atomic(path, "\n".join(edits.unsaved_lines) + "\n")
    if as_json:
        show_json({"format": 1, **_list_data(edits)})
    else:
        click.echo("\n".join(edits.unsaved_lines))
    say(f"Wrote {path}. What to do now:")
    say_steps(
        [
            Step(text="Give the printer the line above, and do not save."),
            Step(
                text=f"Let it show its mesh ({edits.show}), save the answer as a text file and "
                "have it judged.",
                commands=(command_here("edits --proved answer.txt"),),
            ),
            Step(
                text="Take the edit back.",
                commands=(edits.edits[0].restore or "the old value",),
            ),
        ]
    )


def _after_proof(folder: BedFolder) -> Step:
    """Return what comes once the edit style is proved: the edits, or a sheet to have some."""
    round_ = folder.latest_round()
    if round_ is None or not round_.scores_json.exists():
        word = "sheet" if round_ is None else "score PHOTO"
        text = "Go on with the sheet: edits come from its photo."
        return Step(text=text, commands=(command_here(word),))
    return Step(text="Write the edits.", commands=(command_here("edits"),))


def _judge(ctx: click.Context, folder: BedFolder, bed: Bed, text: str, *, as_json: bool) -> None:
    """Judge the mesh read after the proof's edit, and keep the result."""
    before = _known_mesh(folder)
    proof = judge_proof(before, read_table(text, bed.mesh).mesh, bed)
    with folder.lock():
        write_proof(folder, bed, proof)
    if as_json:
        show_json({"format": 1, "kind": proof.kind, "ok": proof.ok, "text": proof.text})
    else:
        click.echo(fitted(here(proof.text), sys.stdout))
    if proof.ok:
        restore = prove_edit(bed, before).edits[0].restore
        say("What to do now:")
        say_steps(
            [
                Step(text="Take the edit back.", commands=(restore or "the old value",)),
                _after_proof(folder),
            ]
        )
        return
    say("Nothing is to be saved: switching the printer off and on brings its saved mesh back.")
    ctx.exit(1)
