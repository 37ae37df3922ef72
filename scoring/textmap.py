"""The answer on a terminal: a table with one row a pad, and a map as one stands before the printer.

Plain ASCII, so that it survives every terminal, pipe and code page.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence

from padsheet.scoring.advice import Advice, NodeAdvice
from padsheet.scoring.colours import gap_error_mm, pad_colour, xterm_index
from padsheet.scoring.phrases import place, signed, within_95
from padsheet.scoring.remarks import short_remark
from padsheet.scoring.squish import Z95, PadScore, SheetScore
from padsheet.scoring.together import (
    in_shape_only,
    judged,
    judged_by,
    shapes_mm,
    shared_words,
)
from padsheet.scoring.words import (
    LATER,
    UNSURE,
    adjustment,
    both_together,
    fine_tuning,
    headline,
    in_all,
    interval_half_mm,
    verdict_label,
    waiting,
)

__all__ = ["score_map", "score_table"]

RESET = "\x1b[0m"
ESCAPE = re.compile("\x1b\\[[0-9;]*m")
LABEL = 3  # characters for the row number and its blank
ROOMY, DENSE = 8, 5  # characters of one column of the map
MAP_ROOM = ROOMY - 2  # a blank on both sides
FULL_WIDTH = 80  # columns of a table with remarks
HEADER = ("Col Row", "  Gap    +-", "Squish", f"{'Verdict':<15}", f"{'Adjustment':<12}", "Remark")
#: Stands in the place of the squish scores where the adjustments do not go by the gap itself.
SHAPE = " Shape"
NUMBERS_WIDTH = len("  ".join(HEADER[:-1]))
REMARK_ROOM = FULL_WIDTH - NUMBERS_WIDTH - 2
NAMED = 6  # points named for one remark; the rest are counted

Pads = Mapping[tuple[int, int], PadScore]
Nodes = Mapping[tuple[int, int], NodeAdvice]


def score_table(score: SheetScore, advice: Advice | None, *, width: int = 80) -> str:
    """Write one row for each pad.

    Parameters
    ----------
    score : SheetScore
        The scores; rows come in the order of its pads.
    advice : Advice or None
        For the adjustments; without it that column is empty.
    width : int, optional
        Columns of the terminal; where there are fewer than 80, remarks stand below only, and where
        the numbers do not fit either, the squish scores are left out. Where all points share an
        offset of their own, the shape stands in the place of the squish scores.

    Returns
    -------
    str
        Lines joined by line feeds, without one at the end. The first say why no point is
        adjusted, if none is, or what the shape is. ``+-`` is half the 95 % interval. The
        reasons of refused pads with their points, and the whole of remarks that stand in a few
        words in the rows, follow below.
    """
    score, nodes = judged(score, advice), _by_node(advice)
    room = REMARK_ROOM if width >= FULL_WIDTH else 0
    shown = [
        k for k in range(len(HEADER)) if (k != 5 or room) and (k != 2 or width >= NUMBERS_WIDTH)
    ]
    shown_width = max(20, min(width, FULL_WIDTH))
    shapes = shapes_mm(advice)
    above, head = waiting(advice), HEADER
    if advice is not None and shapes:
        above = f"Shape: what a point is off beside {shared_words(advice)}. Adjustments go by it."
        head = (*HEADER[:2], SHAPE, *HEADER[3:])
    rows = [*textwrap.wrap(above, shown_width), _row(head, shown)]
    below: dict[str, list[str]] = {}
    for pad in score.pads:
        node = nodes.get((pad.i, pad.j))
        remark = _plain(_remark(pad, node, in_all(node, advice)))
        short = short_remark(remark, room) if room else ""
        numbers = _numbers(pad, node)
        if shapes:
            shape_mm = shapes.get((pad.i, pad.j))
            told = "-" if shape_mm is None else signed(shape_mm, 3)
            numbers = (*numbers[:2], f"{told:>6}", *numbers[3:])
        rows.append(_row((*numbers, short), shown))
        here = [place(pad.i, pad.j)]
        if pad.reason is not None:
            remark = _plain(f"{pad.reason.code}: {pad.reason.text}")
        elif short == remark:
            continue
        elif short:
            remark = remark if short.rstrip(".") in remark else f"{short}: {remark}"
            here = []  # the rows say where
        below.setdefault(remark, []).extend(here)
    for text, places in below.items():
        said = f"{text} ({_named(places)})" if places else text
        rows += ["", *textwrap.wrap(said, shown_width, subsequent_indent="  ")]
    if advice is not None:
        told_below = (fine_tuning(advice), both_together(advice))
        for text in filter(None, told_below):
            rows += ["", *textwrap.wrap(text, shown_width)]
        below_all = (
            f"{judged_by(advice)} The other figures are this print's alone, so a verdict may "
            "differ from the gap beside it. +- is half the 95 % interval of the gap"
            f"{_of_shapes(advice, shapes)}."
        )
        rows += ["", *textwrap.wrap(below_all, shown_width)]
    return "\n".join(rows)


def _of_shapes(advice: Advice, shapes: Mapping[tuple[int, int], float]) -> str:
    """Say how well the shapes are known, which the verdicts go by; empty without any."""
    half_mm = [Z95 * node.sigma_mm for node in advice.nodes if (node.i, node.j) in shapes]
    if not half_mm:
        return ""
    best, worst = min(half_mm), max(half_mm)
    return f", that of the shape +-{best:.3f} to {worst:.3f} mm"


def score_map(
    score: SheetScore,
    advice: Advice | None,
    *,
    colour: bool,
    width: int = 80,
    reasons: str = "the table",
) -> str:
    """Draw the bed seen from above, front at the bottom, with the signed gap error at each point.

    Where adjustments go by the shape of the bed and not by the gap itself, the shape is drawn.

    Parameters
    ----------
    score, advice
        What to draw; the advice adds what to do at each point.
    colour : bool
        Whether to colour the cells, for terminals with 256 colours.
    width : int, optional
        Columns of the terminal. Meshes that are too wide even for the dense form (hundredths of a
        millimetre) are drawn in several blocks of columns.
    reasons : str, optional
        Where the reasons of points that were not read are told.

    Returns
    -------
    str
        Lines joined by line feeds, none wider than `width` (escape sequences not counted).
    """
    score = judged(score, advice)
    shapes = shapes_mm(advice)
    score = in_shape_only(score, advice)
    pads = {(pad.i, pad.j): pad for pad in score.pads}
    nodes = _by_node(advice)
    columns = 1 + max(i for i, _ in [*pads, *nodes])
    rows = 1 + max(j for _, j in [*pads, *nodes])
    roomy = LABEL + ROOMY * columns <= width
    cell = ROOMY if roomy else DENSE
    fitting = max(1, (width - LABEL) // cell)
    blocks = [range(at, min(at + fitting, columns)) for at in range(0, columns, fitting)]
    lines: list[str] = []
    if advice is not None and shapes:
        title = f"The shape of the bed, beside {shared_words(advice)}:"
        lines += [*textwrap.wrap(title, max(20, width)), ""]
    for block in blocks:
        head = "".join(str(i + 1).center(cell) for i in block)
        lines += [f"{'':{LABEL}}{'back'.center(cell * len(block))}".rstrip()]
        for j in reversed(range(rows)):
            sums = {(i, j): in_all(nodes.get((i, j)), advice) for i in block}
            lines += _map_row(score, pads, nodes, sums, block, j, roomy, colour)
        lines += [f"{'':{LABEL}}{head}".rstrip()]
        lines += [f"{'':{LABEL}}{'front'.center(cell * len(block))}".rstrip(), ""]
    waits = waiting(advice)
    what = "Shape" if shapes else "Gap error"
    drawn = ESCAPE.sub("", "\n".join(lines))
    sigma_mm = score.common_sigma_mm if advice is None else advice.offset_sigma_mm
    extra = (fine_tuning(advice), both_together(advice)) if roomy else ()
    legend = _legend(
        sigma_mm, roomy, drawn, width, what=what, waits=waits, reasons=reasons, extra=extra
    )
    return "\n".join([*lines, *legend])


def _by_node(advice: Advice | None) -> dict[tuple[int, int], NodeAdvice]:
    return {} if advice is None else {(node.i, node.j): node for node in advice.nodes}


def _plain(text: str) -> str:
    """Keep printable ASCII: file names and notes must not steer the terminal."""
    return "".join(c if " " <= c <= "~" else "?" for c in " ".join(text.split()))


def _named(places: list[str]) -> str:
    """Name the first few points and count the rest."""
    more = len(places) - NAMED
    return "; ".join(places[:NAMED]) + (f"; and {more} more" if more > 0 else "")


def _row(cells: Sequence[str], shown: Sequence[int]) -> str:
    """Join those cells of a row that are shown."""
    return "  ".join(cells[k] for k in shown).rstrip()


def _numbers(pad: PadScore, node: NodeAdvice | None) -> tuple[str, ...]:
    """Return the cells of a pad's row as wide as in `HEADER`, but for the remark."""
    gap = "-" if pad.gap_mm is None else f"{pad.gap_mm:.3f}"
    half_mm = interval_half_mm(pad)
    half = "-" if half_mm is None else f"{half_mm:.3f}"
    squish = "-" if pad.squish is None else f"{pad.squish:.0f}"
    return (
        f"{pad.i + 1:3d} {pad.j + 1:3d}",
        f"{gap:>5} {half:>5}",
        f"{squish:>6}",
        f"{verdict_label(pad):<15}",
        f"{adjustment(node):<12}",
    )


def _remark(pad: PadScore, node: NodeAdvice | None, both: str) -> str:
    if both and (pad.gap_mm is None or not (node and node.note)):
        return f"in all {both}"
    if pad.reason is not None:
        return pad.reason.code
    if node is not None and node.note and not node.waits:
        return node.note
    return pad.notes[0] if pad.notes else ""


def _map_row(
    score: SheetScore,
    pads: Pads,
    nodes: Nodes,
    sums: Mapping[tuple[int, int], str],
    block: range,
    j: int,
    roomy: bool,
    colour: bool,
) -> list[str]:
    top = bottom = last = ""
    told = False
    for i in block:
        pad, node = pads.get((i, j)), nodes.get((i, j))
        texts = _roomy_cell(score, pad, node) if roomy else (_dense_cell(score, pad, node), "")
        told |= bool(texts[1].strip())
        top += _painted(texts[0], score, pad, colour)
        bottom += _painted(texts[1], score, pad, colour)
        both = sums[i, j].replace("none", "0.00")
        last += _painted(f" {_action(f'= {both}') if both else '':<6} ", score, pad, colour)
    lines = [f"{j + 1:>{LABEL - 1}} {top}".rstrip()]
    if roomy:
        lines += [f"{'':{LABEL}}{bottom}".rstrip()] if told else []
        lines += [f"{'':{LABEL}}{last}".rstrip()] if any(sums.values()) else []
        lines += [""]
    return lines


def _roomy_cell(
    score: SheetScore, pad: PadScore | None, node: NodeAdvice | None
) -> tuple[str, str]:
    """Two lines of 8 characters: the gap error, and what to do."""
    action = ""
    if node is not None and not (pad is None and adjustment(node) == UNSURE):
        action = _action(adjustment(node))
    error = _error_text(score, pad)
    if error[:1] not in "+-<>":  # numbers stand below each other, whether they have a sign or not
        error = " " + error
    # The last character stays blank, so that coloured cells do not touch.
    return f" {error:<6} ", f" {action:<6} "


def _action(todo: str) -> str:
    """Return what to do in 6 characters.

    Examples
    --------
    >>> [_action(todo) for todo in ("lower 0.04", "(raise 0.02)", "lower 0.025", "(lower 0.025)")]
    ['v 0.04', '(^.02)', 'v .025', '(v.03)']
    """
    short = todo.replace("lower", "v").replace("raise", "^")
    if len(short) > MAP_ROOM:
        short = short.replace("0.", ".")
    if len(short) > MAP_ROOM:
        short = short.replace(" ", "")
    if len(short) > MAP_ROOM and (number := re.search(r"\.\d+", short)):
        rounded = f"{math.floor(float(number[0]) * 100 + 0.5) / 100:.2f}"[1:]
        short = short.replace(number[0], rounded)
    return short


def _error_text(score: SheetScore, pad: PadScore | None) -> str:
    if pad is None:
        return "."
    if pad.verdict.startswith("off scale"):
        return headline(pad, score).replace(" ", "")
    error_mm = gap_error_mm(pad, score.target_gap_mm)
    if error_mm is None:
        return "?"
    return signed(error_mm) + ("~" if pad.verdict == "uncertain" else "")


def _dense_cell(score: SheetScore, pad: PadScore | None, node: NodeAdvice | None) -> str:
    """One cell of 5 characters: signed hundredths of a millimetre and a mark for what to do."""
    mark = " "
    if node is not None and node.changed and node.dz_mm:
        mark = "v" if node.dz_mm < 0 else "^"
    if pad is None:
        return f"   .{mark}"[-DENSE:]
    if pad.verdict == "off scale high":
        return f" +++{mark}"
    if pad.verdict == "off scale low":
        return f" ---{mark}"
    error_mm = gap_error_mm(pad, score.target_gap_mm)
    if error_mm is None:
        return f"   ?{mark}"
    hundredths = round(error_mm * 100)
    return f"{hundredths:+4d}{mark}" if hundredths else f"   0{mark}"


def _painted(text: str, score: SheetScore, pad: PadScore | None, colour: bool) -> str:
    if not colour or pad is None or not text:
        return text
    entry = pad_colour(pad, score.target_gap_mm, score.tolerance_mm)
    fill, ink = xterm_index(entry.fill), xterm_index(entry.ink)
    body, gap = (text[:-1], " ") if len(text) == ROOMY else (text, "")
    return f"\x1b[48;5;{fill}m\x1b[38;5;{ink}m{body}{RESET}{gap}"


def _legend(
    sigma_mm: float,
    roomy: bool,
    drawn: str,
    width: int,
    *,
    what: str,
    waits: str,
    reasons: str,
    extra: Sequence[str],
) -> Iterator[str]:
    """Explain the signs and words that the map shows."""
    unit = "mm" if roomy else "hundredths of a millimetre"
    parts = [f"{what} in {unit}: + the nozzle is too far from the bed, - too near"]
    if "?" in drawn:
        parts.append("? unread")
    if re.search(r"[<>]|\+\+\+|---", drawn):
        signs = [s for s in (">", "<", "+++", "---") if s in drawn]
        parts.append(f"{' and '.join(signs)} off scale, by more than this sheet reads")
    if "~" in drawn:
        parts.append("~ uncertain")
    text = "; ".join(parts) + "."
    if waits:
        text += f" {waits}"
    elif re.search(r"[v^]", drawn):
        text += " What to do there: v lower the nozzle, ^ raise it."
    for more in filter(None, extra):
        text += f" {more.replace(chr(39) + 'in all' + chr(39), chr(39) + '=' + chr(39))}"
    if LATER in drawn:
        text += (
            f" Where it says '{LATER}', the nozzle is to come lower in another round: now it keeps "
            "clear of the bed."
        )
    if "unsure" in drawn:
        text += f" Where it says 'unsure', what to do is not known; {reasons} says why."
    text += (
        f" The mean of all points is known to {within_95(sigma_mm, 3)}: they "
        "may be off together, and their differences are surer."
    )
    yield from textwrap.wrap(text, max(20, width))
