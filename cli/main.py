"""The `padsheet` command: a group whose commands are imported only when they are called."""

from __future__ import annotations

import difflib
import importlib
import io
import os
import sys
from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

from padsheet.cli.options import refuse_file, user_errors

__all__ = ["main"]

# One line of help for each command, so that `padsheet --help` imports none of them.
COMMANDS = {
    "demo": "Run the whole job on an example photo, with no printer.",
    "init": "Make a bed folder with its profile, bed.toml.",
    "sheet": "Write the G-code of a pad sheet.",
    "score": "Read a photo of the printed sheet.",
    "mesh": "Take in the mesh that the printer reports.",
    "edits": "Write the G-code that corrects the mesh.",
    "send": "Send the edits to the printer over a serial port.",
    "applied": "Record what was done to the bed, on your word.",
    "restore": "Bring the printer's mesh back to an earlier one.",
    "reset": "Set every point of the printer's mesh to zero.",
    "start-check": "Check that your start code turns the mesh on.",
    "rounds": "Show the rounds so far.",
    "phone": "Take photos straight from the phone.",
    "explain": "Say what an error code means.",
}


class LazyGroup(click.Group):
    """A group that finds `name` in the module ``padsheet.cli.name`` (dashes as underscores)."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command's module and return its `command`."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"padsheet.cli.{cmd_name.replace('-', '_')}")
        command: click.Command = module.command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; of a name that is none say which one it is like."""
        name = args[0]
        if name not in COMMANDS and not name.startswith("-") and not ctx.resilient_parsing:
            near = difflib.get_close_matches(name.lower(), COMMANDS, n=1, cutoff=0.6)
            hint = f" Did you mean '{near[0]}'?" if near else ""
            ctx.fail(f"No such command {name[:40]!r}.{hint}")
        return super().resolve_command(ctx, args)

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Complete a command's name, with its one line of help; options as click does."""
        if incomplete.startswith("-"):
            return click.Command.shell_complete(self, ctx, incomplete)
        return [
            CompletionItem(name, help=text)
            for name, text in COMMANDS.items()
            if name.startswith(incomplete)
        ]

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; what its output meets, such as a full disk, is one sentence too."""
        _open_closed_streams()
        for stream in (sys.stdout, sys.stderr):
            # A terminal that does not know a letter gets its number instead of a traceback.
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="backslashreplace")
        with user_errors():
            return super().invoke(ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


def _open_closed_streams() -> None:
    """Give a program that was started without a standard stream an empty one.

    Python leaves None there, which has no `isatty` and no `fileno`.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="padsheet")
@click.option(
    "-C",
    "folder",
    type=click.Path(path_type=Path),
    default=Path(),
    metavar="DIR",
    help="Work in this bed folder instead of the current one.",
)
@click.pass_context
def main(ctx: click.Context, folder: Path) -> None:
    """Measure the nozzle gap at every point of a bed mesh, from a phone photo of a printed sheet.

    \b
    Example:
      padsheet demo
      padsheet init my-bed
      padsheet -C my-bed sheet
      padsheet -C my-bed score photo.jpg
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    refuse_file(folder)
    ctx.obj = folder
