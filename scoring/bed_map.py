"""The bed from above as inline SVG: a coloured cell for each point, the front at the bottom."""

from __future__ import annotations

import math
from html import escape

import numpy as np

from padsheet.patterns.sheet import Sheet
from padsheet.scoring.advice import Advice, NodeAdvice
from padsheet.scoring.colours import pad_colour
from padsheet.scoring.phrases import PLUS_MINUS, place, typographic
from padsheet.scoring.squish import Z95, PadScore, SheetScore
from padsheet.scoring.svg import tag, text_at
from padsheet.scoring.together import in_shape_only, shapes_mm
from padsheet.scoring.words import adjustment, error_sentence, headline, interval_half_mm

__all__ = ["DOWN", "UP", "bed_map", "has_intervals", "is_dense"]

DOWN, UP = "\N{BLACK DOWN-POINTING TRIANGLE}", "\N{BLACK UP-POINTING TRIANGLE}"

# Widths of digits in the wider of the common sans-serif faces, in units of the type size.
BOLD_EM, REGULAR_EM = 0.72, 0.62
ROOMY_PART = 1 / 9  # of the plate: wider cells show what to do as well
INTERVAL_PART = 1 / 6  # of the plate: wider cells show the interval too
#: Size of what stands below the number: on the width of a phone still some eleven pixels.
BELOW = 0.9
WIDEST_CELL_MM = 60.0


def bed_map(
    sheet: Sheet, score: SheetScore, advice: Advice | None, *, round_plate: bool = False
) -> str:
    """Draw the bed from above, front at the bottom: gap error, interval and what to do.

    Parameters
    ----------
    sheet, score, advice
        What was printed, what was read, and what to change.
    round_plate : bool, optional
        Whether the plate is a disc, not a rectangle.

    Returns
    -------
    str
        One ``<svg>``, in millimetres of the bed. Each point links to ``#pad-COLUMN-ROW``.
    """
    x_min, y_min, x_max, y_max = sheet.plate_outline_mm
    size = max(x_max - x_min, y_max - y_min)
    rim = 0.07 * size
    cell = _cell_size(sheet)
    below = 0 if is_dense(sheet) else 2 if has_intervals(sheet) else 1
    # Cells of outer points may reach beyond the plate; numbers and picture make room for them.
    left = min(x_min, min(sheet.nodes_x_mm) - cell[0] / 2)
    right = max(x_max, max(sheet.nodes_x_mm) + cell[0] / 2)
    nodes = {} if advice is None else {(node.i, node.j): node for node in advice.nodes}
    shapes = shapes_mm(advice)
    shown = {(pad.i, pad.j): pad for pad in in_shape_only(score, advice).pads}
    parts = _round_plate(sheet) if round_plate else _square_plate(sheet)
    for number, x in enumerate(sheet.nodes_x_mm, start=1):
        parts.append(text_at(x, -y_min + 0.6 * rim, str(number), 0.45 * rim, class_="count"))
    for number, y in enumerate(sheet.nodes_y_mm, start=1):
        at = (left - 0.5 * rim, -y + 0.16 * rim)
        parts.append(text_at(*at, str(number), 0.45 * rim, class_="count"))
    words = "front \N{EM DASH} where you stand"
    parts.append(text_at((x_min + x_max) / 2, -y_min + 1.25 * rim, words, 0.5 * rim, class_="side"))
    parts.append(
        text_at((x_min + x_max) / 2, -y_max - 0.3 * rim, "back", 0.45 * rim, class_="side")
    )
    for pad in score.pads:
        centre = (sheet.nodes_x_mm[pad.i], -sheet.nodes_y_mm[pad.j])
        node = nodes.get((pad.i, pad.j))
        half_mm = None
        if has_intervals(sheet):
            half_mm = interval_half_mm(pad)
            if node is not None and (pad.i, pad.j) in shapes:
                half_mm = None if pad.gap_mm is None else Z95 * node.sigma_mm
        title = _cell_title(pad, node, score)
        here = shown[pad.i, pad.j]
        # A self-check judges no point: there nothing but an unread one is in doubt.
        doubtful = ("unread",) if sheet.self_check else ("uncertain", "unread")
        dashed = here.verdict in doubtful
        parts.append(
            _cell(here, node, score, centre, cell, half_mm, title, below=below, dashed=dashed)
        )
    box = (left - rim, -y_max - rim, right - left + 1.4 * rim, y_max - y_min + 2.5 * rim)
    return tag(
        "svg",
        "".join(parts),
        viewBox=" ".join(f"{value:.1f}" for value in box),
        class_="bedmap",
        role="group",
        aria_label="Map of the bed from above, front at the bottom",
    )


def _square_plate(sheet: Sheet) -> list[str]:
    """Draw the plate with its front edge marked."""
    x_min, y_min, x_max, y_max = sheet.plate_outline_mm
    size = max(x_max - x_min, y_max - y_min)
    return [
        tag("rect", x=x_min, y=-y_max, width=x_max - x_min, height=y_max - y_min,
             rx=size / 60, class_="plate"),
        tag("path", d=f"M{x_min:.1f} {-y_min:.1f}H{x_max:.1f}", class_="front"),
    ]  # fmt: skip


def _round_plate(sheet: Sheet) -> list[str]:
    """Draw the disc with the part of its rim that is nearest to the user marked."""
    x_min, y_min, x_max, y_max = sheet.plate_outline_mm
    x, y, r = (x_min + x_max) / 2, -(y_min + y_max) / 2, (x_max - x_min) / 2
    reach, drop = r * math.sin(math.pi / 6), r * math.cos(math.pi / 6)
    rim = f"M{x - reach:.1f} {y + drop:.1f}A{r:.1f} {r:.1f} 0 0 0 {x + reach:.1f} {y + drop:.1f}"
    return [tag("circle", cx=x, cy=y, r=r, class_="plate"), tag("path", d=rim, class_="front")]


def _cell_size(sheet: Sheet) -> tuple[float, float]:
    """Choose width and height of the cells so that neighbours do not touch."""

    def pitch(nodes: tuple[float, ...]) -> float:
        return float(np.diff(nodes).min()) if len(nodes) > 1 else 40.0

    width = min(0.92 * pitch(sheet.nodes_x_mm), WIDEST_CELL_MM)
    return width, min(0.9 * pitch(sheet.nodes_y_mm), 0.8 * width, 42.0)


def is_dense(sheet: Sheet) -> bool:
    """Tell whether the map's cells have room for the number alone, in hundredths of a mm."""
    x_min, _, x_max, _ = sheet.plate_outline_mm
    return _cell_size(sheet)[0] <= ROOMY_PART * (x_max - x_min)


def has_intervals(sheet: Sheet) -> bool:
    """Tell whether the map's cells have room for half the interval as well."""
    x_min, _, x_max, _ = sheet.plate_outline_mm
    return _cell_size(sheet)[0] > INTERVAL_PART * (x_max - x_min)


def _hundredths(pad: PadScore, score: SheetScore) -> str:
    """Return the signed gap error in hundredths of a millimetre, or a sign in its place."""

    def signed(gap_mm: float) -> str:
        return f"{round((gap_mm - score.target_gap_mm) * 100):+d}".replace("+0", "0")

    if pad.gap_mm is not None:
        return signed(pad.gap_mm)
    low, high = pad.interval_mm or (None, None)
    if pad.verdict == "off scale high":
        return "+++" if low is None else f">{signed(low)}"
    if pad.verdict == "off scale low":
        return "---" if high is None else f"<{signed(high)}"
    return "?"


def _cell_lines(
    pad: PadScore,
    node: NodeAdvice | None,
    score: SheetScore,
    half_mm: float | None,
    *,
    dense: bool,
) -> list[tuple[str, float]]:
    """Return the texts of a cell with their sizes relative to the first."""
    if dense:
        # The rest is in the list of points.
        return [(typographic(_hundredths(pad, score)), 1.0)]
    lines = [(typographic(headline(pad, score)), 1.0)]
    if half_mm is not None:
        lines.append((f"{PLUS_MINUS} {half_mm:.3f}", BELOW))
    todo = adjustment(node).replace("lower", DOWN).replace("raise", UP)
    return [*lines, (todo, BELOW)] if todo else lines


def _font_size(lines: list[tuple[str, float]], width: float, height: float, *, below: int) -> float:
    widest = max(len(t) * s * (BOLD_EM if s == 1.0 else REGULAR_EM) for t, s in lines)
    # For as many lines as there may be, with usual words, so that all cells of a map look alike.
    if not below:
        usual, high = len("+12") * BOLD_EM, height * 0.66
    else:
        high = height * 0.88 / ((1 + below * BELOW) * 1.15)
        word = f"{PLUS_MINUS} 0.023" if below > 1 else f"{DOWN} 0.04"
        usual = len(word) * BELOW * REGULAR_EM
    return min(width * 0.94 / max(widest, usual), high)


def _cell(
    pad: PadScore,
    node: NodeAdvice | None,
    score: SheetScore,
    centre: tuple[float, float],
    size: tuple[float, float],
    half_mm: float | None,
    title: str,
    *,
    below: int,
    dashed: bool,
) -> str:
    """Draw the coloured cell of one pad, a link to its details."""
    entry = pad_colour(pad, score.target_gap_mm, score.tolerance_mm)
    (x, y), (width, height) = centre, size
    body = tag("title", escape(title))
    body += tag(
        "rect",
        x=x - width / 2,
        y=y - height / 2,
        width=width,
        height=height,
        rx=height / 8,
        fill=entry.fill,
        stroke_width=height / (32 if dashed else 60),
        stroke_dasharray=f"{height / 13:.2f} {height / 18:.2f}" if dashed else None,
        class_="cell dashed" if dashed else "cell",
    )
    lines = _cell_lines(pad, node, score, half_mm, dense=not below)
    font = _font_size(lines, width, height, below=below)
    at = y - 0.575 * font * sum(scale for _, scale in lines)
    for text, scale in lines:
        at += 1.15 * scale * font
        weight = 700 if scale == 1.0 else None
        body += text_at(x, at - 0.27 * scale * font, text, font * scale,
                      fill=entry.ink, font_weight=weight)  # fmt: skip
    return tag("a", body, href=f"#pad-{pad.i + 1}-{pad.j + 1}")


def _cell_title(pad: PadScore, node: NodeAdvice | None, score: SheetScore) -> str:
    todo = f", {adjustment(node)}" if adjustment(node) else ""
    if pad.verdict == "unread":
        return f"{place(pad.i, pad.j)}: unread{todo}"
    return f"{place(pad.i, pad.j)}: {error_sentence(pad, score.target_gap_mm)}{todo}"
