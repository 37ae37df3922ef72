"""Drawings of the report as inline SVG: the bed from above, ladder curves, good and bad photos.

They carry no colours of their own but those of `padsheet.scoring.colours`; lines and text take the
page's colours through classes, so that they follow its light and dark dress.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from html import escape

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.sheet import Sheet
from padsheet.scoring.advice import Advice, NodeAdvice
from padsheet.scoring.colours import pad_colour
from padsheet.scoring.curves import LadderCurve
from padsheet.scoring.squish import PadScore, SheetScore
from padsheet.scoring.words import adjustment, error_sentence, interval_half_mm, place, signed_mm

__all__ = ["bad_photo", "bed_map", "good_photo", "is_dense", "ladder_chart", "typographic"]

MINUS = "\N{MINUS SIGN}"
PLUS_MINUS = "\N{PLUS-MINUS SIGN}"
# Widths of digits in the wider of the common sans-serif faces, in units of the type size.
BOLD_EM, REGULAR_EM = 0.72, 0.62
ROOMY_PART = 1 / 9  # of the plate: wider cells show the interval and what to do as well
WIDEST_CELL_MM = 60.0

Spans = tuple[tuple[float, float], tuple[float, float]]
Place = Callable[[float, float], tuple[float, float]]


def typographic(text: str) -> str:
    """Put a true minus sign before numbers.

    Examples
    --------
    >>> ord(typographic("-0.04")[0])
    8722
    """
    return text.replace("-", MINUS)


def _tag(name: str, body: str | None = None, /, **attributes: object) -> str:
    """Write one element; `_` in attribute names stands for `-`, `class_` for `class`."""
    pairs = []
    for key, value in attributes.items():
        if value is None:
            continue
        text = f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)
        pairs.append(f' {key.rstrip("_").replace("_", "-")}="{escape(text)}"')
    start = f"<{name}{''.join(pairs)}"
    return f"{start}/>" if body is None else f"{start}>{body}</{name}>"


def _text(x: float, y: float, words: str, size: float, **attributes: object) -> str:
    return _tag("text", escape(words), x=x, y=y, font_size=size, text_anchor="middle", **attributes)


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
    dense = is_dense(sheet)
    # Cells of outer points may reach beyond the plate; numbers and picture make room for them.
    left = min(x_min, min(sheet.nodes_x_mm) - cell[0] / 2)
    right = max(x_max, max(sheet.nodes_x_mm) + cell[0] / 2)
    nodes = {} if advice is None else {(node.i, node.j): node for node in advice.nodes}
    parts = _round_plate(sheet) if round_plate else _square_plate(sheet)
    for number, x in enumerate(sheet.nodes_x_mm, start=1):
        parts.append(_text(x, -y_min + 0.6 * rim, str(number), 0.45 * rim, class_="count"))
    for number, y in enumerate(sheet.nodes_y_mm, start=1):
        at = (left - 0.5 * rim, -y + 0.16 * rim)
        parts.append(_text(*at, str(number), 0.45 * rim, class_="count"))
    words = "front \N{EM DASH} where you stand"
    parts.append(_text((x_min + x_max) / 2, -y_min + 1.25 * rim, words, 0.5 * rim, class_="side"))
    parts.append(_text((x_min + x_max) / 2, -y_max - 0.3 * rim, "back", 0.45 * rim, class_="side"))
    for pad in score.pads:
        centre = (sheet.nodes_x_mm[pad.i], -sheet.nodes_y_mm[pad.j])
        node = nodes.get((pad.i, pad.j))
        parts.append(_cell(pad, node, score, centre, cell, dense=dense))
    box = (left - rim, -y_max - rim, right - left + 1.4 * rim, y_max - y_min + 2.5 * rim)
    return _tag(
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
        _tag("rect", x=x_min, y=-y_max, width=x_max - x_min, height=y_max - y_min,
             rx=size / 60, class_="plate"),
        _tag("path", d=f"M{x_min:.1f} {-y_min:.1f}H{x_max:.1f}", class_="front"),
    ]  # fmt: skip


def _round_plate(sheet: Sheet) -> list[str]:
    """Draw the disc with the part of its rim that is nearest to the user marked."""
    x_min, y_min, x_max, y_max = sheet.plate_outline_mm
    x, y, r = (x_min + x_max) / 2, -(y_min + y_max) / 2, (x_max - x_min) / 2
    reach, drop = r * math.sin(math.pi / 6), r * math.cos(math.pi / 6)
    rim = f"M{x - reach:.1f} {y + drop:.1f}A{r:.1f} {r:.1f} 0 0 0 {x + reach:.1f} {y + drop:.1f}"
    return [_tag("circle", cx=x, cy=y, r=r, class_="plate"), _tag("path", d=rim, class_="front")]


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
    pad: PadScore, node: NodeAdvice | None, score: SheetScore, *, dense: bool
) -> list[tuple[str, float]]:
    """Return the texts of a cell with their sizes relative to the first."""
    if dense:
        # The rest is in the list of points.
        return [(typographic(_hundredths(pad, score)), 1.0)]
    lines = [(typographic(headline(pad, score)), 1.0)]
    half_mm = interval_half_mm(pad)
    if half_mm is not None:
        lines.append((f"{PLUS_MINUS} {half_mm:.3f}", 0.62))
    return lines if node is None else [*lines, (adjustment(node), 0.68)]


def _font_size(
    lines: list[tuple[str, float]], width: float, height: float, *, dense: bool
) -> float:
    widest = max(len(t) * s * (BOLD_EM if s == 1.0 else REGULAR_EM) for t, s in lines)
    # For three lines with the longest usual words, so that all cells of a map look alike.
    if dense:
        usual, high = len("+12") * BOLD_EM, height * 0.66
    else:
        usual, high = len("lower 0.04") * 0.68 * REGULAR_EM, height * 0.84 / (2.3 * 1.15)
    return min(width * 0.94 / max(widest, usual), high)


def _cell(
    pad: PadScore,
    node: NodeAdvice | None,
    score: SheetScore,
    centre: tuple[float, float],
    size: tuple[float, float],
    *,
    dense: bool,
) -> str:
    """Draw the coloured cell of one pad, a link to its details."""
    entry = pad_colour(pad, score.target_gap_mm, score.tolerance_mm)
    (x, y), (width, height) = centre, size
    dashed = pad.verdict in ("uncertain", "unread")
    body = _tag("title", escape(_cell_title(pad, node, score)))
    body += _tag(
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
    lines = _cell_lines(pad, node, score, dense=dense)
    font = _font_size(lines, width, height, dense=dense)
    at = y - 0.575 * font * sum(scale for _, scale in lines)
    for text, scale in lines:
        at += 1.15 * scale * font
        weight = 700 if scale == 1.0 else None
        body += _text(x, at - 0.27 * scale * font, text, font * scale,
                      fill=entry.ink, font_weight=weight)  # fmt: skip
    return _tag("a", body, href=f"#pad-{pad.i + 1}-{pad.j + 1}")


def headline(pad: PadScore, score: SheetScore) -> str:
    """Return the signed gap error in millimetres, or a sign for what was read instead."""
    if pad.gap_mm is not None:
        return signed_mm(pad.gap_mm - score.target_gap_mm)
    low, high = pad.interval_mm or (None, None)
    if pad.verdict == "off scale high":
        return "+ far" if low is None else f"> {signed_mm(low - score.target_gap_mm)}"
    if pad.verdict == "off scale low":
        return "- near" if high is None else f"< {signed_mm(high - score.target_gap_mm)}"
    return "?"


def _cell_title(pad: PadScore, node: NodeAdvice | None, score: SheetScore) -> str:
    todo = "" if node is None else f", {adjustment(node)}"
    if pad.verdict == "unread":
        return f"{place(pad.i, pad.j)}: not read{todo}"
    return f"{place(pad.i, pad.j)}: {error_sentence(pad, score.target_gap_mm)}{todo}"


CHART = (360.0, 230.0)
PLOT = (52.0, 12.0, 350.0, 186.0)  # left, top, right, bottom


def ladder_chart(curve: LadderCurve, pad: PadScore, target_gap_mm: float) -> str:
    """Draw the widths of one pad's tracks with the fit, the target and the interval.

    Parameters
    ----------
    curve : LadderCurve
        Widths and fit.
    pad : PadScore
        Its answer; with a gap the axis shows the nozzle gap of each track, else its commanded
        height.
    target_gap_mm : float
        The gap that is wanted at the target height.

    Returns
    -------
    str
        One ``<svg>``.
    """
    shift_mm = 0.0 if pad.gap_mm is None else pad.gap_mm - target_gap_mm
    x_mm = np.array(curve.height_mm) + shift_mm
    spans = _spans(curve, x_mm, pad, target_gap_mm)

    def at(x: float, y: float) -> tuple[float, float]:
        (x0, x1), (y0, y1) = spans
        left, top, right, bottom = PLOT
        return (
            left + (x - x0) / (x1 - x0) * (right - left),
            bottom - (y - y0) / (y1 - y0) * (bottom - top),
        )

    parts = [*_axes(spans, at)]
    parts += _target_and_interval(pad, target_gap_mm, spans, at)
    for index, area in enumerate(sorted(set(curve.area_mm2))):
        parts += _one_area(curve, x_mm, area, index, at)
    name = "nozzle gap at each line, mm" if pad.gap_mm is not None else "commanded height, mm"
    parts.append(_text((PLOT[0] + PLOT[2]) / 2, CHART[1] - 6, name, 12.0, class_="ink"))
    turn = f"translate(11 {(PLOT[1] + PLOT[3]) / 2:.0f}) rotate(-90)"
    parts.append(_text(0, 0, "line width, mm", 12.0, class_="ink", transform=turn))
    return _tag(
        "svg",
        "".join(parts),
        viewBox=f"0 0 {CHART[0]:.0f} {CHART[1]:.0f}",
        class_="ladder",
        role="img",
        aria_label=f"Line widths at {place(curve.i, curve.j)}",
    )


def _spans(
    curve: LadderCurve, x_mm: NDArray[np.float64], pad: PadScore, target_gap_mm: float
) -> Spans:
    """Return the ranges of both axes, with some room."""
    xs = [*x_mm.tolist(), target_gap_mm, *(v for v in pad.interval_mm or () if v is not None)]
    ys = [w for w in (*curve.width_mm, *curve.fitted_mm) if w is not None] or [0.3, 0.9]
    x_room = 0.06 * (max(xs) - min(xs)) or 0.02
    y_room = 0.1 * (max(ys) - min(ys)) or 0.05
    return (min(xs) - x_room, max(xs) + x_room), (min(ys) - y_room, max(ys) + y_room)


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Return round numbers between two limits, at most `most` + 1 of them."""
    rough = (high - low) / most
    power = 10.0 ** np.floor(np.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough * 0.999)
    first = np.ceil(low / step - 1e-9)
    return [float(step * k) for k in np.arange(first, np.floor(high / step + 1e-9) + 1)]


def _axes(spans: Spans, at: Place) -> Iterator[str]:
    (x0, x1), (y0, y1) = spans
    for x in _ticks(x0, x1, 6):
        px, _ = at(x, y0)
        yield _tag("path", d=f"M{px:.1f} {PLOT[1]}V{PLOT[3]}", class_="grid")
        yield _text(px, PLOT[3] + 16, f"{x:.2f}", 12.0, class_="ink")
    for y in _ticks(y0, y1, 5):
        _, py = at(x0, y)
        yield _tag("path", d=f"M{PLOT[0]} {py:.1f}H{PLOT[2]}", class_="grid")
        yield _tag(
            "text", f"{y:.2f}", x=PLOT[0] - 5, y=py + 4, font_size=12.0, text_anchor="end",
            class_="ink",
        )  # fmt: skip


def _target_and_interval(
    pad: PadScore, target_gap_mm: float, spans: Spans, at: Place
) -> Iterator[str]:
    """Draw where the gap should be and, when it was read, where it is, at the target height."""
    (x0, x1), (y0, _) = spans
    target, _ = at(target_gap_mm, y0)
    if pad.gap_mm is not None and pad.interval_mm is not None:
        low, high = pad.interval_mm
        left, _ = at(x0 if low is None else max(low, x0), y0)
        right, _ = at(x1 if high is None else min(high, x1), y0)
        yield _tag(
            "rect", x=left, y=PLOT[1], width=max(right - left, 1.0), height=PLOT[3] - PLOT[1],
            class_="interval",
        )  # fmt: skip
        gap, _ = at(pad.gap_mm, y0)
        yield _tag("path", d=f"M{gap:.1f} {PLOT[1]}V{PLOT[3]}", class_="measured")
    yield _tag("path", d=f"M{target:.1f} {PLOT[1]}V{PLOT[3]}", class_="target")


def _one_area(
    curve: LadderCurve, x_mm: NDArray[np.float64], area_mm2: float, index: int, at: Place
) -> Iterator[str]:
    """Draw the fit and the widths of the tracks of one cross-section."""
    series = f"series s{index % 2}"
    rows = [k for k, area in enumerate(curve.area_mm2) if area == area_mm2]
    fitted = {float(x_mm[k]): f for k in rows if (f := curve.fitted_mm[k]) is not None}
    if len(fitted) > 1:
        points = [at(x, fitted[x]) for x in sorted(fitted)]
        path = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
        yield _tag("path", d=f"M{path}", class_=f"{series} fit")
    for k in rows:
        width = curve.width_mm[k]
        if width is None:
            continue
        x, y = at(float(x_mm[k]), width)
        _, low = at(float(x_mm[k]), width - 1.96 * curve.sigma_mm[k])
        _, high = at(float(x_mm[k]), width + 1.96 * curve.sigma_mm[k])
        yield _tag("path", d=f"M{x:.1f} {low:.1f}V{high:.1f}", class_=f"{series} bar")
        used = "dot" if curve.state[k] == "used" else "dot out"
        title = _tag("title", escape(f"line {k + 1}: {width:.3f} mm, {curve.state[k]}"))
        if index % 2:
            yield _tag("rect", title, x=x - 4.5, y=y - 4.5, width=9, height=9,
                       class_=f"{series} {used}")  # fmt: skip
        else:
            yield _tag("circle", title, cx=x, cy=y, r=5, class_=f"{series} {used}")


def _sheet_drawing(columns: int, pitch: float) -> str:
    """Draw a bed with its pads as the guide's photos show it, the middle at (0, 0)."""
    half = columns * pitch / 2
    body = _tag("rect", x=-half, y=-half, width=2 * half, height=2 * half, rx=4, class_="plate")
    comb = "".join(f"M{-7 + 3.5 * k:.1f} -6v12" for k in range(5))
    for i in range(columns):
        for j in range(columns):
            x, y = (i + 0.5) * pitch - half, (j + 0.5) * pitch - half
            body += _tag("path", d=comb, class_="print", transform=f"translate({x:.1f} {y:.1f})")
    return body


def _screen(body: str, name: str) -> str:
    """Draw a phone's screen of 200 x 150 with something on it, cut off at its edges."""
    clip = f"clip-{name}"
    return (
        _tag("rect", x=-112, y=-84, width=224, height=168, rx=16, class_="phone")
        + _tag("clipPath", _tag("rect", x=-98, y=-76, width=196, height=152, rx=4), id=clip)
        + _tag("rect", x=-98, y=-76, width=196, height=152, rx=4, class_="desk")
        + _tag("g", body, clip_path=f"url(#{clip})")
    )


def _side_view(x: float, angle_deg: float, height: float, lamp: str) -> str:
    """Draw the phone above the bed from the side, with the field that it sees."""
    phone = _tag("rect", x=-26, y=-4, width=52, height=8, rx=4, class_="phone")
    field = _tag("path", d=f"M0 4L-52 {height:.0f}H52Z", class_="field")
    camera = _tag(
        "g", field + phone, transform=f"translate({x:.0f} {-height:.0f}) rotate({angle_deg:.0f})"
    )
    bed = _tag("rect", x=-64, y=0, width=128, height=7, rx=2, class_="plate")
    return camera + bed + lamp


def _guide(screen: str, side: str, label: str) -> str:
    body = _tag("g", screen, transform="translate(124 100)")
    body += _tag("g", side, transform="translate(352 150)")
    return _tag("svg", body, viewBox="0 0 440 200", class_="guide", role="img", aria_label=label)


def good_photo() -> str:
    """Draw how to hold the phone: level above the middle, whole sheet seen, soft light."""
    window = _tag("path", d="M-84 -116h26v36h-26zM-71 -116v36M-84 -98h26", class_="window")
    window += _tag("path", d="M-50 -84L-30 -58M-50 -100L-18 -60", class_="ray")
    return _guide(
        _screen(_sheet_drawing(5, 28.0), "good"),
        _side_view(0.0, 0.0, 104.0, window),
        "Good: the phone level above the middle, the whole sheet seen, light from a window",
    )


def bad_photo() -> str:
    """Draw what spoils a photo: tilted phone, sheet cut off, reflection of a lamp."""
    sheet = _tag("g", _sheet_drawing(5, 34.0), transform="translate(38 26) rotate(17) skewX(-24)")
    glare = "".join(
        _tag("ellipse", cx=-22, cy=-18, rx=r, ry=0.7 * r, class_="glare") for r in (44, 32, 20)
    )
    lamp = _tag("path", d="M-74 -128h34l8 22h-50zM-57 -128v-12", class_="window")
    lamp += _tag("path", d="M-54 -100L-8 -3L32 -82", class_="ray")
    return _guide(
        _screen(sheet + glare, "bad"),
        _side_view(44.0, 30.0, 92.0, lamp),
        "Bad: the phone tilted, part of the sheet outside, a lamp reflected in the bed",
    )
