"""The drawings: well-formed, true to their numbers, and linked to the list of points."""

from __future__ import annotations

import dataclasses
import re
from xml.etree import ElementTree

import numpy as np
import pytest

from padsheet.scoring.charts import (
    PLOT,
    _ticks,
    bad_photo,
    bed_map,
    good_photo,
    ladder_chart,
)
from padsheet.scoring.colours import pad_colour
from padsheet.scoring.curves import LadderCurve


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


@pytest.mark.parametrize(("columns", "rows"), [(2, 2), (5, 5), (7, 3), (15, 15)])
def test_map_shows_each_point_where_it_lies(make_scored, columns, rows):
    example = make_scored(columns, rows)
    svg = ElementTree.fromstring(bed_map(example.sheet, example.score, example.advice))
    links = list(svg.iter("a"))
    assert len(links) == columns * rows
    for link, pad in zip(links, example.score.pads, strict=True):
        assert link.get("href") == f"#pad-{pad.i + 1}-{pad.j + 1}"
        rect = link.find("rect")
        centre = [
            float(rect.get(a)) + float(rect.get(b)) / 2
            for a, b in ("x width".split(), "y height".split())
        ]
        # y points down in SVG, so the front of the bed (smallest y) is at the bottom.
        expected = [example.sheet.nodes_x_mm[pad.i], -example.sheet.nodes_y_mm[pad.j]]
        assert centre == pytest.approx(expected, abs=0.02)
        assert rect.get("fill") == pad_colour(pad, 0.2, 0.03).fill


def test_map_cells_do_not_touch(make_scored):
    for columns, rows in ((5, 5), (15, 4), (3, 15)):
        example = make_scored(columns, rows)
        svg = ElementTree.fromstring(bed_map(example.sheet, example.score, None))
        rect = next(svg.iter("a")).find("rect")
        assert float(rect.get("width")) < np.diff(example.sheet.nodes_x_mm).min()
        assert float(rect.get("height")) < np.diff(example.sheet.nodes_y_mm).min()


def test_map_says_sign_number_interval_and_action(scored):
    svg = ElementTree.fromstring(bed_map(scored.sheet, scored.score, scored.advice))
    link = list(svg.iter("a"))[13]  # column 4, row 3
    pad = scored.score.pads[13]
    half = (pad.interval_mm[1] - pad.interval_mm[0]) / 2
    assert texts(link) == ["+0.04", f"\N{PLUS-MINUS SIGN} {half:.3f}", "lower 0.04"]
    negative = list(svg.iter("a"))[10]
    assert texts(negative)[0] == "\N{MINUS SIGN}0.07"
    title = link.find("title").text
    assert title.startswith("column 4, row 3: gap 0.239 mm, 0.039 mm too far")


def test_texts_stay_inside_their_cells(make_scored):
    for size in (3, 5, 9, 15):
        example = make_scored(size, size)
        svg = ElementTree.fromstring(bed_map(example.sheet, example.score, example.advice))
        for link in svg.iter("a"):
            rect = link.find("rect")
            top, height = float(rect.get("y")), float(rect.get("height"))
            for text in link.iter("text"):
                font = float(text.get("font-size"))
                assert 0.55 * font * len(text.text) < float(rect.get("width"))
                assert top < float(text.get("y")) - 0.7 * font
                assert float(text.get("y")) < top + height


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


@pytest.mark.parametrize("drawing", [good_photo, bad_photo])
def test_guide_drawings_are_well_formed(drawing):
    svg = ElementTree.fromstring(drawing())
    assert svg.get("aria-label")
    clips = {n.get("id") for n in svg.iter("clipPath")}
    used = set(re.findall(r"url\(#([\w-]+)\)", drawing()))
    assert used == clips


def test_curve_of_unequal_lengths_is_refused(curve):
    with pytest.raises(ValueError, match="differ in length"):
        dataclasses.replace(curve, sigma_mm=(0.01,))


def test_round_plate_has_its_front_at_the_bottom_of_the_disc(scored):
    svg = ElementTree.fromstring(
        bed_map(scored.sheet, scored.score, scored.advice, round_plate=True)
    )
    (disc,) = svg.iter("circle")
    assert [float(disc.get(key)) for key in ("cx", "cy", "r")] == [110.0, -110.0, 110.0]
    (front,) = (path for path in svg.iter("path") if path.get("class") == "front")
    x0, y0, _, _, _, _, _, x1, y1 = (float(v) for v in re.findall(r"[-\d.]+", front.get("d")))
    # On the rim, and nearer to the user than any grid point (y points down in SVG).
    for x, y in ((x0, y0), (x1, y1)):
        assert np.hypot(x - 110.0, y + 110.0) == pytest.approx(110.0, abs=0.1)
        assert y > -20.0
    assert x0 < x1


def test_dense_maps_show_signed_hundredths(make_scored):
    example = make_scored(15, 15)
    svg = ElementTree.fromstring(bed_map(example.sheet, example.score, example.advice))
    for link, pad in zip(svg.iter("a"), example.score.pads, strict=True):
        (text,) = texts(link)
        if pad.gap_mm is None:
            # Off scale above 0.287 mm, target 0.20 mm; or not read at all.
            assert text == {"off scale high": ">+9", "unread": "?"}[pad.verdict]
            continue
        hundredths = round((pad.gap_mm - 0.20) * 100)
        sign = {1: "+", -1: "\N{MINUS SIGN}", 0: ""}[int(np.sign(hundredths))]
        assert text == f"{sign}{abs(hundredths)}"


@pytest.mark.parametrize("columns", [2, 3, 5])
def test_cells_beyond_the_plate_and_their_numbers_are_in_the_picture(make_scored, columns):
    example = make_scored(columns, columns)
    svg = ElementTree.fromstring(bed_map(example.sheet, example.score, example.advice))
    left, top, wide, high = (float(v) for v in svg.get("viewBox").split())
    for link in svg.iter("a"):
        rect = link.find("rect")
        x, y, w, h = (float(rect.get(key)) for key in ("x", "y", "width", "height"))
        assert left < x < x + w < left + wide
        assert top < y < y + h < top + high
    cells = [float(link.find("rect").get("x")) for link in svg.iter("a")]
    counts = [text for text in svg.iter("text") if text.get("class") == "count"]
    assert max(float(text.get("x")) for text in counts[columns:]) < min(cells)
