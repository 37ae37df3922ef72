"""`padsheet reset`: set every point of the printer's mesh to zero."""

from __future__ import annotations

import click

from padsheet.cli.options import folder_of, say, user_errors
from padsheet.cli.over_port import baud_option, port_option, save_option, yes_option
from padsheet.cli.restore import carry, change
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.restoring import reset_edits
from padsheet.scoring.rounds import BedFolder

__all__ = ["command"]


@click.command("reset")
@port_option
@baud_option
@yes_option
@save_option
@click.pass_context
def command(ctx: click.Context, port: str | None, baud: int, yes: bool, save: bool) -> None:
    """Set every point of the mesh in the printer to zero: it then corrects nothing.

    Says first what that changes. Without --port the lines are written to reset.gcode and nothing
    is sent.

    \b
    Example:
      padsheet -C my-bed reset
      padsheet -C my-bed reset --port /dev/ttyUSB0
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    with user_errors():
        folder = BedFolder(folder_of(ctx))
        bed = folder.bed()
        with folder.lock():
            now = folder.active_mesh()
            edits = reset_edits(bed, now)
            back = (
                "What it holds now is not known here, so there is no way back: to keep one, let "
                "the printer show its mesh and take it in with `padsheet mesh FILE` first."
                if now is None
                else "`padsheet restore` brings the present one back."
            )
            say(
                "This sets every point of the mesh in the printer to zero: nothing is corrected "
                f"any more until a new mesh is in. {back}"
            )
            if not edits.edits and port is None:
                say("Every point is zero already: there is nothing to reset.")
                return
            if port is not None and now is None:
                raise PadsheetError(
                    "the mesh in the printer is not known",
                    remedy="Take it in first with `padsheet mesh FILE`, or give the printer the "
                    "lines of reset.gcode by hand.",
                    code="restore-unknown",
                )
            say(change(edits))
            carry(folder, bed, edits, "reset", port, baud, yes=yes, save=save)
