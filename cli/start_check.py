"""`padsheet start-check`: see whether the start code turns the mesh on."""

from __future__ import annotations

import difflib
import sys
from pathlib import Path

import click

from padsheet.cli.options import (
    fitted,
    folder_of,
    json_option,
    read_given,
    say,
    show_json,
    user_errors,
)
from padsheet.patterns.bed import Bed
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.startcode import StartCheck, check_start_code

__all__ = ["command"]

# Start code stands at the beginning; the rest of a long print need not be read.
HEAD_BYTES = 2_000_000


@click.command("start-check")
@click.argument("file", type=click.Path(path_type=Path), required=False, metavar="FILE")
@json_option
@click.pass_context
def command(ctx: click.Context, file: Path | None, as_json: bool) -> None:
    """Check that the start code in FILE ('-' for standard input) puts the mesh in force.

    FILE is the start code of the slicing program's printer profile, or a whole G-code file. It is
    never changed. Exit status 0 when the mesh is in force, 1 when not. In a bed folder its profile
    says how this printer homes and switches the mesh on.

    \b
    Example:
      padsheet start-check start.gcode
      padsheet -C my-bed start-check print.gcode
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    if file is None:
        raise click.UsageError(
            "Name the file with the start code, such as `padsheet start-check start.gcode`; - for "
            "standard input."
        )
    with user_errors():
        folder = BedFolder(folder_of(ctx))
        # Outside a bed folder the usual words count.
        outside = folder.path.is_dir() and not folder.profile.is_file()
        bed = Bed() if outside else folder.bed()
        remedy = "Save the start code of your slicing program as a text file, and give its path."
        text = read_given(file, HEAD_BYTES, remedy=remedy).decode("utf-8-sig", errors="replace")
        check = check_start_code(text, bed)
    if as_json:
        show_json(_data(check))
    else:
        _show(check, text)
    if not check.ok:
        ctx.exit(1)


def _data(check: StartCheck) -> dict[str, object]:
    findings = [
        {"code": f.code, "text": f.text, "line": f.line, "wrong": f.wrong} for f in check.findings
    ]
    return {"format": 1, "ok": check.ok, "findings": findings, "corrected": check.corrected}


def _show(check: StartCheck, text: str) -> None:
    """Print the verdict, what was found, and the lines to change."""
    click.echo(
        "The mesh is in force after this start code."
        if check.ok
        else "The mesh is NOT in force after this start code."
    )
    for finding in check.findings:
        where = "" if finding.line is None else f"line {finding.line}: "
        told = f"{'wrong' if finding.wrong else 'note'}: {where}{finding.text}"
        click.echo(fitted(told, sys.stdout))
    if check.ok:
        return
    change = difflib.unified_diff(
        text.splitlines(), check.corrected.splitlines(), "as it is", "as it should be", n=2,
        lineterm="",
    )  # fmt: skip
    click.echo("\n".join(["", *change]))
    say("Your file was not changed: make the change in your slicing program's printer profile.")
