"""`padsheet explain`: what an error code means."""

from __future__ import annotations

import sys

import click

from padsheet.cli.options import fitted, json_option, show_json, user_errors
from padsheet.patterns.error_codes import GROUPS, explain, nearest
from padsheet.patterns.errors import PadsheetError

__all__ = ["command"]


@click.command("explain")
@click.argument("codes", nargs=-1, metavar="[CODE]...")
@json_option
def command(codes: tuple[str, ...], as_json: bool) -> None:
    """Say what an error code means and what to do; without CODE list them all.

    \b
    Example:
      padsheet explain photo-no-sheet
      padsheet explain
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    with user_errors():
        told = {code.strip("[] ").lower(): _paragraph(code) for code in codes} or {
            entry.code: entry.paragraph for entries in GROUPS.values() for entry in entries
        }
    if as_json:
        show_json({"format": 1, "codes": told})
        return
    for code, paragraph in told.items():
        click.echo(fitted(f"{code}: {paragraph}", sys.stdout))


def _paragraph(code: str) -> str:
    paragraph = explain(code)
    if paragraph is None:
        near = nearest(code)
        raise PadsheetError(
            f"there is no error code {code[:40]!a}",
            remedy=f"Did you mean {', '.join(near)}?" if near else "`padsheet explain` lists all.",
            code="code-unknown",
        )
    return paragraph
