"""The ladder chart: well-formed, and true to its numbers."""

from __future__ import annotations

import dataclasses
import re
from xml.etree import ElementTree

import numpy as np
import pytest

from padsheet.scoring.curves import LadderCurve
from padsheet.scoring.ladder_chart import PLOT, _ticks, ladder_chart


@pytest.fixture
def curve() -> LadderCurve:
    heights = (0.28, 0.24, 0.20, 0.16, 0.12) * 2
    areas = (0.10,) * 5 + (0.14,) * 5
    widths = tuple(a / h + 0.2 * h for a, h in zip(areas, heights, strict=True))
    return LadderCurve(
        i=2,
        j=1,
        height_mm=heights,
        area_mm2=areas,
        width_mm=(*widths[:9], None),
        sigma_mm=(0.01,) * 10,
        fitted_mm=widths,
        state=("used",) * 8 + ("choked", "hidden"),
    )


def texts(svg: ElementTree.Element) -> list[str]:
    return [node.text or "" for node in svg.iter("text")]


def test_ladder_chart_draws_each_measured_line(curve, scored):
    pad = scored.score.pads[7]
    svg = ElementTree.fromstring(ladder_chart(curve, pad, 0.20))
    dots = [n for n in svg.iter() if "dot" in (n.get("class") or "").split()]
    assert len(dots) == 9
    assert sum("out" in n.get("class").split() for n in dots) == 1
    circles = [n for n in dots if n.tag == "circle"]
    x, y = (np.array([float(n.get(key)) for n in circles]) for key in ("cx", "cy"))
    # Same scale for all: pixels against millimetres is one straight line.
    for pixels, values in ((x, curve.height_mm[:5]), (y, curve.width_mm[:5])):
        fit = np.polyfit(values, pixels, 1)
        np.testing.assert_allclose(np.polyval(fit, values), pixels, atol=0.02)
    assert np.all(np.diff(x) < 0)
    assert np.all(np.diff(y) < 0)  # wider is higher up


def test_ladder_chart_puts_target_and_interval_on_the_same_axis(curve, scored):
    pad = scored.score.pads[7]
    svg = ElementTree.fromstring(ladder_chart(curve, pad, 0.20))
    by_class = {n.get("class"): n for n in svg.iter()}
    circles = [n for n in svg.iter("circle")]
    shift = pad.gap_mm - 0.20
    scale, start = np.polyfit(
        np.array(curve.height_mm[:5]) + shift, [float(n.get("cx")) for n in circles], 1
    )

    def place(path: str) -> float:
        return float(re.match(r"M([\d.]+)", by_class[path].get("d"))[1])

    assert place("target") == pytest.approx(start + scale * 0.20, abs=0.1)
    assert place("measured") == pytest.approx(start + scale * pad.gap_mm, abs=0.1)
    band = by_class["interval"]
    assert float(band.get("x")) == pytest.approx(start + scale * pad.interval_mm[0], abs=0.1)
    width = scale * (pad.interval_mm[1] - pad.interval_mm[0])
    assert float(band.get("width")) == pytest.approx(width, abs=0.1)


def test_ladder_chart_of_a_refused_pad_shows_commanded_heights(curve, scored):
    pad = next(p for p in scored.score.pads if p.verdict == "unread")
    empty = dataclasses.replace(curve, fitted_mm=(None,) * 10)
    svg = ElementTree.fromstring(ladder_chart(empty, pad, 0.20))
    assert "commanded height, mm" in texts(svg)
    assert not [n for n in svg.iter() if n.get("class") in ("interval", "measured")]
    assert not [n for n in svg.iter() if "fit" in (n.get("class") or "").split()]
    nothing = dataclasses.replace(empty, width_mm=(None,) * 10)
    ElementTree.fromstring(ladder_chart(nothing, pad, 0.20))


def test_ladder_chart_stays_inside_its_plot(curve, scored):
    for pad in scored.score.pads:
        svg = ElementTree.fromstring(ladder_chart(curve, pad, 0.20))
        for circle in svg.iter("circle"):
            assert PLOT[0] <= float(circle.get("cx")) <= PLOT[2]
            assert PLOT[1] <= float(circle.get("cy")) <= PLOT[3]


@pytest.mark.parametrize(("low", "high"), [(0.11, 0.29), (0.3, 0.9), (0.2, 3.1), (0.199, 0.2)])
def test_ticks_are_round_and_few(low, high):
    ticks = _ticks(low, high, 6)
    assert 2 <= len(ticks) <= 7
    assert low - 1e-9 <= ticks[0] <= ticks[-1] <= high + 1e-9
    step = np.diff(ticks)[0]
    assert f"{step:.0e}"[0] in "125"


def test_text_cannot_break_out_of_the_drawing(curve, scored):
    bad = dataclasses.replace(curve, state=("<script>&\"'",) * 10)
    svg = ladder_chart(bad, scored.score.pads[7], 0.20)
    assert "<script" not in svg
    ElementTree.fromstring(svg)


def test_curve_of_unequal_lengths_is_refused(curve):
    with pytest.raises(ValueError, match="differ in length"):
        dataclasses.replace(curve, sigma_mm=(0.01,))
