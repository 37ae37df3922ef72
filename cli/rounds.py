"""`padsheet rounds`: the rounds so far, as a table and small charts."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Sequence
from dataclasses import asdict

import click

from padsheet.cli.options import (
    columns_of,
    folder_of,
    json_option,
    say,
    say_steps,
    show_json,
    user_errors,
)
from padsheet.scoring.afterwards import after_edits, next_steps
from padsheet.scoring.done import after_self_check, done_round
from padsheet.scoring.history import RoundSummary, applied_words, summaries
from padsheet.scoring.phrases import place, signed, within_95
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.waiting import outdated

__all__ = ["command"]

#: Half the width of the chart, and what one character stands for.
HALF_CHARS = 20
CHAR_MM = 0.01

#: What a round's advice is about, in words.
ADVISED = {
    "mesh": "mesh edits advised",
    "screws": "turning screws advised",
    "offset": "setting the common offset advised",
    "nothing": "no change advised",
    "self-check": "a self-check of the ruler, no advice",
}


@click.command("rounds")
@json_option
@click.pass_context
def command(ctx: click.Context, as_json: bool) -> None:
    """Show the rounds so far: spread, worst point, flow, and what was applied.

    \b
    Example:
      padsheet -C my-bed rounds
      padsheet -C my-bed rounds --json
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    with user_errors():
        folder = BedFolder(folder_of(ctx))
        folder.bed()
        rows = summaries(folder)
    if as_json:
        show_json({"format": 1, "rounds": [_data(row) for row in rows]})
        return
    if not rows:
        say("No rounds yet. Write the first sheet with `padsheet sheet`.")
        return
    # A self-check judges the ruler and not the bed.
    scored = [row for row in rows if row.errors_mm and row.work != "self-check"]
    width = columns_of(sys.stdout)
    blocks = [_table(rows, width), *([_charts(scored)] if scored else [])]
    if told := [row for row in scored if row.expected_peak_to_valley_mm is not None]:
        blocks.append("\n".join(_as_expected(row, width) for row in told))
    if len(scored) > 1:
        blocks.append(_before_after(scored[0], scored[-1], width))
    click.echo("\n\n".join(blocks))
    newest = folder.round(rows[-1].number)
    if rows[-1].work == "self-check" and not rows[-1].applied:
        say("What to do now:")
        with user_errors():
            outcome = newest.read_self_check()
            doing = "The self-check did not pass: `padsheet score` said what to look at."
            look = () if outcome == "trusted" else (doing,)
            say_steps(after_self_check(folder, folder.bed().mesh, outcome, look))
        return
    if words := _next(folder, rows[-1]):
        say(words)
        return
    say("What to do now:")
    with user_errors():
        say_steps(after_edits(folder, newest) if rows[-1].applied else next_steps(folder))


def _data(row: RoundSummary) -> dict[str, object]:
    """Return one round as plain data."""
    data = asdict(row)
    data["errors_mm"] = [{"i": i, "j": j, "error_mm": e} for i, j, e in row.errors_mm]
    if row.worst is not None:
        i, j, error_mm = row.worst
        data["worst"] = {"i": i, "j": j, "error_mm": error_mm}
    if row.applied is not None:
        data["applied"]["nodes"] = [{"i": i, "j": j, "dz_mm": dz} for i, j, dz in row.applied.nodes]
    return data


def _table(rows: Sequence[RoundSummary], columns: int) -> str:
    """Return the table of rounds; too wide a one tells the farthest point below, in words."""
    head = ("round", "read", "common", "spread", "range", "farthest off", "flow")
    lines = [head, *(_cells(row) for row in rows)]
    text = _aligned(lines)
    farthest = []
    if max(len(line) for line in text) > columns:
        at = head.index("farthest off")
        farthest = [f"round {line[0]}: farthest off {line[at]}" for line in lines[1:] if line[at]]
        text = _aligned([(*line[:at], *line[at + 1 :]) for line in lines])
    told = [line for row in rows for line in _told(row, columns)]
    note = textwrap.wrap(
        "(mm, gap less target: - too near, + too far; common: what all points share, by all sheets "
        "so far, as `score` tells it; the rest is of the one print. spread: standard deviation of "
        "the points; range: from the lowest to the highest; flow: plastic that came out over what "
        "was asked for, 1 is right)",
        columns,
    )
    return "\n".join([*text, *farthest, *note, *([""] if told else []), *told])


def _aligned(lines: Sequence[tuple[str, ...]]) -> list[str]:
    """Return the cells of a table as lines of text, each column as wide as its widest cell."""
    widths = [max(len(cell) for cell in column) for column in zip(*lines, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in lines
    ]


def _told(row: RoundSummary, columns: int) -> list[str]:
    """Say what a round advised and what was applied after it, within so many columns."""
    advised = _advised(row)
    applied = applied_words(row)
    parts = [part for part in (advised, f"applied: {applied}" if applied else "") if part]
    if not parts:
        return []
    return textwrap.wrap(f"round {row.number}: {'; '.join(parts)}", columns, subsequent_indent="  ")


def _cells(row: RoundSummary) -> tuple[str, ...]:
    """Return the cells of one row."""
    if not row.errors_mm:
        said = "photo not scored" if row.progress == "photo" else "no photo yet"
        return (str(row.number), said, *[""] * 5)
    worst = ""
    if row.worst is not None:
        i, j, error_mm = row.worst
        worst = f"{place(i, j)}: {_signed(error_mm)}"
    return (
        str(row.number),
        f"{row.read} of {row.pads}",
        _signed(row.common_mm),
        "" if row.spread_mm is None else f"{row.spread_mm:.3f}",
        "" if row.peak_to_valley_mm is None else f"{row.peak_to_valley_mm:.3f}",
        worst,
        "" if row.flow is None else f"{row.flow:.3f}",
    )


def _advised(row: RoundSummary) -> str:
    """Say in a few words what was advised, or what of the bed is done."""
    if row.done:
        return "the bed is done"
    if row.work == "nothing" and row.shape_done:
        return "the shape is done, the common offset not yet"
    return ADVISED.get(row.work, "") if row.errors_mm else ""


def _charts(rows: Sequence[RoundSummary]) -> str:
    """Return one line for each round: how many points lie how far from the target."""
    scale = f"{-HALF_CHARS * CHAR_MM:.2f}".ljust(HALF_CHARS - 1) + "target".center(3)
    scale += f"+{HALF_CHARS * CHAR_MM:.2f}".rjust(2 * HALF_CHARS + 1 - len(scale))
    lines = [
        "how many points lie how far from the target:",
        f"{CHAR_MM:.2f} mm a character, # ten or more, [ ] tolerance",
    ]
    lines += [f"         {scale}"]
    lines += [f"round {row.number:<2d} {_chart(row)}" for row in rows]
    return "\n".join([*lines, "         too near" + "too far".rjust(2 * HALF_CHARS + 1 - 8)])


def _chart(row: RoundSummary) -> str:
    """Return the counts of one round; the outermost characters hold all that is beyond."""
    counts = [0] * (2 * HALF_CHARS + 1)
    for _, _, error_mm in row.errors_mm:
        if error_mm is not None:
            chars = round(error_mm / CHAR_MM)
            counts[max(-HALF_CHARS, min(HALF_CHARS, chars)) + HALF_CHARS] += 1
    limit = round(row.tolerance_mm / CHAR_MM)
    marks = {HALF_CHARS - limit - 1: "[", HALF_CHARS + limit + 1: "]", HALF_CHARS: "|"}
    return "".join(
        (str(count) if count < 10 else "#") if count else marks.get(k, ".")
        for k, count in enumerate(counts)
    )


def _as_expected(row: RoundSummary, columns: int) -> str:
    """Say which range the edits before a round let expect, and which came."""
    came_mm, expected_mm = row.peak_to_valley_mm or 0.0, row.expected_peak_to_valley_mm or 0.0
    told = "as good as that" if came_mm <= expected_mm + row.tolerance_mm / 2 else "more than that"
    text = (
        f"round {row.number}: range {came_mm:.3f} mm, where {expected_mm:.3f} was expected after "
        f"what was applied: {told}"
    )
    return textwrap.fill(text, columns, subsequent_indent="  ")


def _before_after(first: RoundSummary, last: RoundSummary, columns: int) -> str:
    """Return the gap errors of the first and the last round as seen from above.

    Side by side where so many columns hold both, else one above the other.
    """
    shown = sorted({i for i, _, _ in (*first.errors_mm, *last.errors_mm)})
    rows = sorted({j for _, j, _ in (*first.errors_mm, *last.errors_mm)}, reverse=True)
    before, after = (_block(_by_node(row), shown, rows) for row in (first, last))
    count = " ".join(f"{i + 1:>4d}" for i in shown)
    edge = [f"column  {count}", *(f"row {j + 1:>2d}  {line}" for j, line in before)]
    note = "(the back of the bed is on top; ? not read)"
    head = "gap less target in hundredths of a mm:"
    if len(edge[0]) + 5 + len(count) <= columns:
        right = [count, *(line for _, line in after)]
        lines = [f"{left}     {line}" for left, line in zip(edge, right, strict=True)]
        return "\n".join([f"{head} round {first.number}, then round {last.number}", *lines, note])
    below = [f"column  {count}", *(f"row {j + 1:>2d}  {line}" for j, line in after)]
    return "\n".join([head, f"round {first.number}", *edge, f"round {last.number}", *below, note])


def _block(
    errors_mm: dict[tuple[int, int], float | None], columns: Sequence[int], rows: Sequence[int]
) -> list[tuple[int, str]]:
    """Return each row of the bed, the back first, with its gap errors in hundredths."""
    return [(j, " ".join(_hundredths(errors_mm.get((i, j))) for i in columns)) for j in rows]


def _by_node(row: RoundSummary) -> dict[tuple[int, int], float | None]:
    """Return the errors by node."""
    return {(i, j): error_mm for i, j, error_mm in row.errors_mm}


def _hundredths(error_mm: float | None) -> str:
    """Write a gap error in hundredths of a millimetre."""
    if error_mm is None:
        return "   ?"
    value = round(100 * error_mm)
    return f"{value:>+4d}" if value else "   0"


def _signed(value_mm: float | None) -> str:
    """Write a length with its sign, or nothing."""
    return "" if value_mm is None else signed(value_mm, 3)


def _next(folder: BedFolder, row: RoundSummary) -> str:
    """Say what comes next; empty where that is the next sheet."""
    if row.progress == "sheet":
        gcode = folder.round(row.number).sheet_gcode
        if why := outdated(folder, folder.round(row.number)):
            return (
                f"The sheet of round {row.number} {why}. Unless it is printed already, write it "
                "afresh with `padsheet sheet --force`. Print it, photograph it, then `padsheet "
                "score PHOTO`."
            )
        return f"Print {gcode}, photograph it, then `padsheet score PHOTO`."
    if row.progress == "photo":
        return "Read the photo with `padsheet score PHOTO`."
    if row.done and done_round(folder, folder.bed().mesh) is not None:
        return "The bed is done. See that your prints use it: `padsheet start-check FILE`."
    if row.progress == "scored" and row.work == "mesh":
        return "Write the edits with `padsheet edits`."
    if row.progress == "scored" and row.work == "screws":
        return "Turn the screws, record it (`padsheet applied --screws`), print the next sheet."
    if row.progress == "scored" and row.work == "offset":
        offset = "MM" if row.common_mm is None else f"{-row.common_mm:.2f}"
        return (
            f"Set the offset, record it (`padsheet applied --offset {offset}`), print the next "
            "sheet."
        )
    if (
        row.work == "nothing"
        and row.shape_done
        and not row.done
        and row.offset_sigma_mm is not None
    ):
        return (
            "The shape of the bed is within tolerance; only the common offset is not sure, known "
            f"to {within_95(row.offset_sigma_mm, 2)}. Score another photo of the same print, "
            "print the next sheet (`padsheet sheet`), or judge it by eye."
        )
    return ""
