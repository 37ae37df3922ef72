"""`padsheet score`: read photos of a printed sheet.

Only what the command line needs is imported here: while the photo is being decoded, the rest is.
"""

from __future__ import annotations

import atexit
import ctypes
import gc
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from padsheet.cli.options import folder_of, force_option, json_option, user_errors

__all__ = ["command"]


@click.command("score")
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path), metavar="PHOTO...")
@click.option(
    "--by-eye",
    is_flag=True,
    help="Without a photo: name for each pad the line that looks just right. Asks for them, or "
    "reads column,row,line from the file given in place of PHOTO (- for standard input).",
)
@click.option(
    "--sheet",
    "sheet_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The sheet.json of this print; found by the markers if not given. Outside a bed folder "
    "nothing is written.",
)
@click.option(
    "--round",
    "number",
    type=click.IntRange(min=1),
    metavar="N",
    help="The round it belongs to.",
)
@click.option(
    "--all",
    "many",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Score the newest photo of every bed folder in FOLDER, on all cores.",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="With --all: use the Dask cluster whose scheduler is at ADDRESS.",
)
@force_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    photos: tuple[Path, ...],
    by_eye: bool,
    sheet_path: Path | None,
    number: int | None,
    many: Path | None,
    scheduler: str | None,
    force: bool,
    as_json: bool,
) -> None:
    """Read photos of the printed sheet: the nozzle gap at every point, and what to adjust.

    \b
    Example:
      padsheet -C my-bed score photo.jpg
      padsheet score photo.jpg --sheet sheet.json --json
      padsheet -C my-bed score --by-eye
      padsheet score --all my-printers
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    if scheduler is not None and many is None:
        raise click.UsageError("--scheduler goes with --all.")
    if many is not None:
        if photos or by_eye or sheet_path or number:
            raise click.UsageError("--all finds photos and rounds itself; give it no others.")
        from padsheet.cli.score_all import score_many

        with user_errors():
            good = score_many(many, force=force, as_json=as_json, scheduler=scheduler)
        ctx.exit(0 if good else 1)
    if not photos and not by_eye:
        raise click.UsageError(
            "Name the photo, such as `padsheet score photo.jpg`, or give --by-eye."
        )
    with _short_run():
        from padsheet.scoring.photo import begin_reading

        if not by_eye:
            begin_reading(photos)
        from padsheet.cli.score_one import score_one

        with user_errors():
            score_one(
                folder_of(ctx),
                photos,
                by_eye=by_eye,
                sheet_path=sheet_path,
                number=number,
                force=force,
                as_json=as_json,
            )


# Of glibc's malloc.h.
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3


@contextmanager
def _short_run() -> Iterator[None]:
    """Set Python and its libraries up for one photo and an end: a tenth of the time."""
    # Matrices are small here: a second thread of the linear algebra would only spin.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # No need to look what is garbage: at the end the system takes all memory back at once.
    collecting = gc.isenabled()
    gc.disable()
    atexit.register(gc.freeze)
    # Pictures come and go: memory that was freed is better kept than asked for again.
    try:
        c_library = ctypes.CDLL(None)
        c_library.mallopt(_M_MMAP_THRESHOLD, 32 << 20)
        c_library.mallopt(_M_TRIM_THRESHOLD, 512 << 20)
    except (AttributeError, OSError, TypeError):
        pass  # another C library than glibc
    try:
        yield
    finally:
        if collecting:
            gc.enable()
