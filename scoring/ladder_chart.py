"""The ladder of one pad as inline SVG: line widths over nozzle heights, with the fit."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from html import escape

from padsheet.scoring.curves import LadderCurve
from padsheet.scoring.phrases import place
from padsheet.scoring.squish import Z95, PadScore
from padsheet.scoring.svg import tag, text_at

__all__ = ["ladder_chart"]

Spans = tuple[tuple[float, float], tuple[float, float]]
Place = Callable[[float, float], tuple[float, float]]

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
    x_mm = [height + shift_mm for height in curve.height_mm]
    spans = _spans(curve, x_mm, pad, target_gap_mm)
    at = _place_on(spans)
    parts = [*_axes(spans, at)]
    parts += _target_and_interval(pad, target_gap_mm, spans, at)
    for index, area in enumerate(sorted(set(curve.area_mm2))):
        parts.append(_one_area(curve, x_mm, area, index, at))
    name = "nozzle gap at each line, mm" if pad.gap_mm is not None else "commanded height, mm"
    parts.append(text_at((PLOT[0] + PLOT[2]) / 2, CHART[1] - 6, name, 12.0, class_="ink"))
    turn = f"translate(11 {(PLOT[1] + PLOT[3]) / 2:.0f}) rotate(-90)"
    parts.append(text_at(0, 0, "line width, mm", 12.0, class_="ink", transform=turn))
    return tag(
        "svg",
        "".join(parts),
        viewBox=f"0 0 {CHART[0]:.0f} {CHART[1]:.0f}",
        class_="ladder",
        role="img",
        aria_label=f"Line widths at {place(curve.i, curve.j)}",
    )


def _place_on(spans: Spans) -> Place:
    """Return what puts a pair of values on its place in the drawing."""
    (x0, x1), (y0, y1) = spans
    left, top, right, bottom = PLOT
    by_x, by_y = (right - left) / (x1 - x0), (bottom - top) / (y1 - y0)
    return lambda x, y: (left + (x - x0) * by_x, bottom - (y - y0) * by_y)


def _spans(curve: LadderCurve, x_mm: Sequence[float], pad: PadScore, target_gap_mm: float) -> Spans:
    """Return the ranges of both axes, with some room."""
    xs = [*x_mm, target_gap_mm, *(v for v in pad.interval_mm or () if v is not None)]
    ys = [w for w in (*curve.width_mm, *curve.fitted_mm) if w is not None] or [0.3, 0.9]
    x_room = 0.06 * (max(xs) - min(xs)) or 0.02
    y_room = 0.1 * (max(ys) - min(ys)) or 0.05
    return (min(xs) - x_room, max(xs) + x_room), (min(ys) - y_room, max(ys) + y_room)


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Return round numbers between two limits, at most `most` + 1 of them."""
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough * 0.999)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [step * k for k in range(first, last + 1)]


def _axes(spans: Spans, at: Place) -> Iterator[str]:
    (x0, x1), (y0, y1) = spans
    columns = [(at(x, y0)[0], x) for x in _ticks(x0, x1, 6)]
    rows = [(at(x0, y)[1], y) for y in _ticks(y0, y1, 5)]
    lines = [f"M{px:.1f} {PLOT[1]}V{PLOT[3]}" for px, _ in columns]
    lines += [f"M{PLOT[0]} {py:.1f}H{PLOT[2]}" for py, _ in rows]
    yield tag("path", d="".join(lines), class_="grid")
    # Most of a chart are ticks and dots, written at once: of hundreds of charts they take the time.
    ticks = [f'<text x="{px:.1f}" y="{PLOT[3] + 16}">{x:.2f}</text>' for px, x in columns]
    yield tag("g", "".join(ticks), font_size=12.0, text_anchor="middle", class_="ink")
    ticks = [f'<text x="{PLOT[0] - 5}" y="{py + 4:.1f}">{y:.2f}</text>' for py, y in rows]
    yield tag("g", "".join(ticks), font_size=12.0, text_anchor="end", class_="ink")


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
        yield tag(
            "rect", x=left, y=PLOT[1], width=max(right - left, 1.0), height=PLOT[3] - PLOT[1],
            class_="interval",
        )  # fmt: skip
        gap, _ = at(pad.gap_mm, y0)
        yield tag("path", d=f"M{gap:.1f} {PLOT[1]}V{PLOT[3]}", class_="measured")
    yield tag("path", d=f"M{target:.1f} {PLOT[1]}V{PLOT[3]}", class_="target")


def _one_area(
    curve: LadderCurve, x_mm: Sequence[float], area_mm2: float, index: int, at: Place
) -> str:
    """Draw the fit and the widths of the tracks of one cross-section."""
    rows = [k for k, area in enumerate(curve.area_mm2) if area == area_mm2]
    fitted = {x_mm[k]: f for k in rows if (f := curve.fitted_mm[k]) is not None}
    parts, bars, dots = [], [], []
    if len(fitted) > 1:
        points = [at(x, fitted[x]) for x in sorted(fitted)]
        path = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
        parts.append(tag("path", d=f"M{path}", class_="fit"))
    for k in rows:
        width = curve.width_mm[k]
        if width is None:
            continue
        x, y = at(x_mm[k], width)
        _, low = at(x_mm[k], width - Z95 * curve.sigma_mm[k])
        _, high = at(x_mm[k], width + Z95 * curve.sigma_mm[k])
        bars.append(f"M{x:.1f} {low:.1f}V{high:.1f}")
        class_ = "dot" if curve.state[k] == "used" else "dot out"
        title = f"line {k + 1}: {width:.3f} mm, {escape(curve.state[k])}"
        dots.append(_dot(index, x, y, class_, title))
    if bars:
        parts.append(tag("path", d="".join(bars), class_="bar"))
    return tag("g", "".join([*parts, *dots]), class_=f"series s{index % 2}")


def _dot(index: int, x: float, y: float, class_: str, title: str) -> str:
    """Draw one width: round for the first cross-section, square for the second."""
    if index % 2:
        shape, where = "rect", f'x="{x - 4.5:.2f}" y="{y - 4.5:.2f}" width="9" height="9"'
    else:
        shape, where = "circle", f'cx="{x:.2f}" cy="{y:.2f}" r="5"'
    return f'<{shape} {where} class="{class_}"><title>{title}</title></{shape}>'
