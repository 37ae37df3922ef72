"""`padsheet applied`: record on the user's word what was done to the bed after a round."""

from __future__ import annotations

import click

from padsheet.cli.options import (
    NUMBER,
    folder_of,
    force_option,
    round_option,
    say,
    say_steps,
    user_errors,
)
from padsheet.scoring.afterwards import after_record
from padsheet.scoring.history import applied_words, summaries
from padsheet.scoring.offset_kept import present_offset_mm
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.user_word import record_word

__all__ = ["command"]


@click.command("applied")
@round_option
@click.option("--as-advised", is_flag=True, help="The mesh edits are in, all of them.")
@click.option("--no-edits", is_flag=True, help="No mesh point was changed.")
@click.option("--screws", is_flag=True, help="Bed screws were turned.")
@click.option(
    "--offset", "offset_mm", type=NUMBER, metavar="MM", help="Added to the common offset; - lowers."
)
@force_option
@click.pass_context
def command(
    ctx: click.Context,
    number: int | None,
    as_advised: bool,
    no_edits: bool,
    screws: bool,
    offset_mm: float | None,
    force: bool,
) -> None:
    """Record what was done to the bed after the newest round, where only you know it.

    Nothing is taken for done that nobody says. A mesh that the printer can show is better read
    back with `padsheet mesh`; this adds what it does not show: screws turned, the offset set.

    \b
    Example:
      padsheet -C my-bed applied --screws
      padsheet -C my-bed applied --offset -0.04
      padsheet -C my-bed applied --as-advised --offset 0
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    if as_advised and no_edits:
        raise click.UsageError("--as-advised and --no-edits exclude each other.")
    if not (as_advised or no_edits or screws or offset_mm is not None):
        raise click.UsageError(
            "Say what was done: --as-advised, --no-edits, --screws, --offset MM."
        )
    with user_errors():
        folder = BedFolder(folder_of(ctx))
        with folder.lock():
            mesh_points = "advised" if as_advised else "none" if no_edits else ""
            before = {r.number: r.read_applied() for r in folder.rounds()}
            round_ = record_word(
                folder,
                number,
                mesh_points=mesh_points,
                screws=screws,
                offset_mm=offset_mm,
                force=force,
            )
        row = next(row for row in summaries(folder) if row.number == round_.number)
    words = applied_words(row)
    told = "that nothing was changed" if words == "nothing" else words
    known = before[round_.number]
    if offset_mm is not None and known is not None and known.offset_mm not in (None, offset_mm):
        told += (
            f". That stands in place of the offset of {known.offset_mm:+.2f} mm on record for this "
            "round: if it comes on top of it, give the sum"
        )
    with user_errors():
        bed = folder.bed()
        now_mm = None if offset_mm is None else present_offset_mm(folder, bed)
        if now_mm is not None:
            told += (
                f" (so the printer is taken to hold {bed.edits.offset_style} Z{now_mm:.3f} now; "
                "bed.toml can stay as it is)"
            )
        say(f"Recorded after round {round_.number}: {told}. What to do now:")
        say_steps(after_record(folder, round_))
