"""What the commands share: options, the bed folder, and how errors reach the user."""

from __future__ import annotations

import json
import os
import re
import shlex
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import access_error

if TYPE_CHECKING:
    from padsheet.scoring.doing import Step

__all__ = [
    "NOTHING_WRITTEN",
    "NUMBER",
    "columns_of",
    "command_here",
    "confirmed",
    "fitted",
    "folder_of",
    "force_option",
    "here",
    "json_option",
    "prompted",
    "read_given",
    "refuse_file",
    "round_option",
    "say",
    "say_steps",
    "show_json",
    "user_errors",
]

DEFAULT_COLUMNS = 80

# A command told in a sentence, of those that work in the bed folder; `init` and the like do not.
_TOLD = re.compile(
    r"`padsheet "
    r"(?=(?:sheet|score|mesh|edits|send|applied|restore|reset|rounds|phone|start-check)\b)"
)


class _Number(click.types.FloatParamType):
    """A number, refused in a user's words."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        try:
            return float(value)
        except ValueError:
            self.fail(f"{value!r} is not a number such as 0.2.", param, ctx)


NUMBER = _Number()

# A command in a sentence, and what stands for its blanks while lines are broken.
_COMMAND = re.compile(r"`padsheet [^`]+`")
_KEPT = "\0"

json_option: Callable[[Any], Any] = click.option(
    "--json", "as_json", is_flag=True, help="Print JSON on standard output."
)
force_option: Callable[[Any], Any] = click.option(
    "--force", is_flag=True, help="Overwrite what is already there."
)

round_option: Callable[[Any], Any] = click.option(
    "--round",
    "number",
    type=click.IntRange(min=1),
    metavar="N",
    help="The round; the newest if not given.",
)


def folder_of(ctx: click.Context) -> Path:
    """Return the bed folder given with -C, or the current folder."""
    folder: Path = ctx.obj if ctx.obj is not None else Path()
    return folder


def refuse_file(path: Path) -> None:
    """Refuse a file where a folder is wanted.

    Raises
    ------
    PadsheetError
        If it is one.
    """
    if path.exists() and not path.is_dir():
        raise PadsheetError(
            f"{path} is a file, not a folder",
            remedy="Name a folder; one that does not exist yet is made by `padsheet init DIR`.",
            code="folder-none",
        )


def read_given(path: Path, most_bytes: int, *, remedy: str) -> bytes:
    """Read the beginning of a file named on the command line; ``-`` is standard input.

    Raises
    ------
    PadsheetError
        If it is not there, is a folder, or may not be read.
    """
    try:
        with click.open_file(path, "rb") as file:
            data: bytes = file.read(most_bytes)
    except FileNotFoundError as error:
        where = "" if path.is_absolute() else f" in {Path.cwd()}"
        raise PadsheetError(
            f"there is no file {path}{where}", remedy=remedy, code="input-missing"
        ) from error
    except OSError as error:
        raise PadsheetError(
            f"{path} cannot be read ({error.strerror})",
            remedy="Name a file, not a folder, that you may read.",
            code="input-unreadable",
        ) from error
    return data


def here(text: str) -> str:
    """Let the commands told in a text name the folder given with -C, so that they can be copied."""
    ctx = click.get_current_context(silent=True)
    folder = None if ctx is None else ctx.obj
    if not isinstance(folder, Path) or folder == Path():
        return text
    return _TOLD.sub(lambda _: f"`padsheet -C {shlex.quote(str(folder))} ", text)


def command_here(words: str) -> str:
    """Return a command of padsheet to copy, with the folder given with -C; see `here`."""
    return here(f"`padsheet {words}`").strip("`")


class _UserError(click.ClickException):
    """An error as the user is told it, broken between words."""

    def show(self, file: IO[Any] | None = None) -> None:
        stream = sys.stderr if file is None else file
        click.echo(fitted(f"Error: {self.message}", stream), file=stream)


class _BrokenOff(click.ClickException):
    """A question was answered with Ctrl-C, or the answers came to an end."""

    def show(self, file: IO[Any] | None = None) -> None:
        stream = sys.stderr if file is None else file
        # The line of the question is not ended yet.
        click.echo(f"\n{fitted(here(self.message), stream)}", file=stream)


NOTHING_WRITTEN = "Broken off: nothing was written."


def prompted(text: str, default: str = "", *, broken_off: str = NOTHING_WRITTEN) -> str:
    """Ask for a line of text on standard error; an empty answer gives the default.

    Parameters
    ----------
    text : str
        The question.
    default : str, optional
        Shown in brackets, if there is one.
    broken_off : str, optional
        What is said after Ctrl-C.
    """
    try:
        answer = click.prompt(text, default=default, show_default=bool(default), err=True)
    except click.Abort as error:
        raise _BrokenOff(broken_off) from error
    return str(answer).strip()


def confirmed(question: str, *, default: bool, broken_off: str = NOTHING_WRITTEN) -> bool:
    """Ask a question until the answer is yes or no; see `prompted`."""
    while True:
        answer = prompted(f"{question} [{'Y/n' if default else 'y/N'}]", broken_off=broken_off)
        if not answer:
            return default
        if answer.lower() in ("y", "yes", "n", "no"):
            return answer.lower() in ("y", "yes")
        say("Answer y for yes or n for no.")


@contextmanager
def user_errors() -> Iterator[None]:
    """Turn a `PadsheetError` or an operating-system error into one sentence and exit status 1."""
    try:
        yield
    except PadsheetError as error:
        raise _UserError(here(str(error))) from error
    except OSError as error:
        if isinstance(error, BrokenPipeError):
            raise
        raise _UserError(str(access_error(error))) from error


def fitted(text: str, stream: IO[Any], *, hang: int = 0, piped: bool = False) -> str:
    """Break lines between words where a terminal would break them anywhere; else leave them.

    With `piped` they are broken at 80 columns where there is no terminal, too.

    Lines after a break are set in by `hang` more characters than the line itself.
    """
    if not (piped or stream.isatty()):
        return text
    width = max(20, columns_of(stream))
    lines = []
    for line in text.splitlines():
        indent = line[: len(line) - len(line.lstrip())]
        wrapper = textwrap.TextWrapper(
            width=width,
            initial_indent=indent,
            subsequent_indent=indent + " " * hang,
            # A path or a command that is cut cannot be copied.
            break_long_words=False,
            break_on_hyphens=False,
        )
        if len(line) > width:
            whole = _COMMAND.sub(lambda told: told[0].replace(" ", _KEPT), line.strip())
            line = wrapper.fill(whole).replace(_KEPT, " ")
        lines.append(line)
    return "\n".join(lines)


def columns_of(stream: IO[Any]) -> int:
    """Return the columns of the terminal that a stream writes to; 80 where there is none.

    The other stream may be a pipe, whose width says nothing of this one's.
    """
    try:
        return os.get_terminal_size(stream.fileno()).columns or DEFAULT_COLUMNS
    except (OSError, ValueError):
        return DEFAULT_COLUMNS


def say(text: str, *, hang: int = 0, piped: bool = False) -> None:
    """Print talk, which goes to standard error; see `fitted`."""
    click.echo(fitted(here(text), sys.stderr, hang=hang, piped=piped), err=True)


def say_steps(steps: Iterable[Step]) -> None:
    """Say what to do now, in order, with the commands to copy; see `padsheet.scoring.todo`."""
    listed = list(steps)
    for number, step in enumerate((step for step in listed if not step.fact), start=1):
        say(f"{number}. {step.text}", hang=3, piped=True)
        _say_commands(step.commands)
        if step.other is not None:
            say(f"   {step.other.text}", piped=True)
            _say_commands(step.other.commands)
    if facts := [step.text for step in listed if step.fact]:
        say("Good to know:")
        for text in facts:
            say(f"- {text}", hang=2, piped=True)


def _say_commands(commands: Iterable[str]) -> None:
    for command in commands:
        # Whole, however long: a command that is broken cannot be copied.
        click.echo(f"     {command}", err=True)


def show_json(data: object) -> None:
    """Print data as JSON on standard output; NaN is refused, as JSON has none."""
    # Escapes are for whoever cannot take the letters themselves.
    plain = not (getattr(sys.stdout, "encoding", None) or "ascii").lower().startswith("utf")
    click.echo(json.dumps(data, allow_nan=False, indent=2, ensure_ascii=plain))
