"""What the commands share: options, the bed folder, and how errors reach the user."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from padsheet.patterns.errors import PadsheetError

__all__ = ["folder_of", "force_option", "json_option", "say", "show_json", "user_errors"]

json_option: Callable[[Any], Any] = click.option(
    "--json", "as_json", is_flag=True, help="Print JSON on standard output."
)
force_option: Callable[[Any], Any] = click.option(
    "--force", is_flag=True, help="Overwrite what is already there."
)


def folder_of(ctx: click.Context) -> Path:
    """Return the bed folder given with -C, or the current folder."""
    folder: Path = ctx.obj if ctx.obj is not None else Path()
    return folder


@contextmanager
def user_errors() -> Iterator[None]:
    """Turn a `PadsheetError` or an operating-system error into one sentence and exit status 1."""
    try:
        yield
    except PadsheetError as error:
        raise click.ClickException(str(error)) from error
    except OSError as error:
        if isinstance(error, BrokenPipeError):
            raise
        where = f" {error.filename}" if error.filename else ""
        raise click.ClickException(
            f"cannot use{where}: {error.strerror or error}. "
            "Check the path, its permissions and the free space. [file-access]"
        ) from error


def say(text: str) -> None:
    """Print talk, which goes to standard error."""
    click.echo(text, err=True)


def show_json(data: object) -> None:
    """Print data as JSON on standard output; NaN is refused, as JSON has none."""
    click.echo(json.dumps(data, allow_nan=False, indent=2, ensure_ascii=False))
