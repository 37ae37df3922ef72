"""The map: well-formed, true to its numbers, and linked to the list of points."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from padsheet.scoring.bed_map import DOWN, bed_map
from padsheet.scoring.colours import pad_colour


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
    assert texts(link) == ["+0.04", f"\N{PLUS-MINUS SIGN} {half:.3f}", f"{DOWN} 0.04"]
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


def test_dashed_is_what_is_in_doubt_and_in_a_self_check_only_what_was_not_read(make_scored):
    example = make_scored(5, 5)
    verdicts = [pad.verdict for pad in example.score.pads]
    assert {"uncertain", "unread", "on target"} <= set(verdicts)
    lifted = tuple(replace(p, lift_mm=0.06 * ((p.i + p.j) % 2)) for p in example.sheet.pads)
    checked = replace(example.sheet, pads=lifted)
    for sheet, doubtful in ((example.sheet, {"uncertain", "unread"}), (checked, {"unread"})):
        svg = ElementTree.fromstring(bed_map(sheet, example.score, None))
        dashed = [a.find("rect").get("stroke-dasharray") is not None for a in svg.iter("a")]
        assert dashed == [verdict in doubtful for verdict in verdicts]


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


PHONE_PX = 350  # what is left of the width of a phone for the map


@pytest.mark.parametrize("columns", [3, 5, 6])
def test_what_stands_in_a_cell_can_be_read_on_a_phone(make_scored, columns):
    example = make_scored(columns, columns)
    svg = ElementTree.fromstring(bed_map(example.sheet, example.score, example.advice))
    scale = PHONE_PX / float(svg.get("viewBox").split()[2])
    sizes = [
        float(text.get("font-size")) * scale for link in svg.iter("a") for text in link.iter("text")
    ]
    # Ends off scale ("> +0.09") are longer than the numbers and may be a little smaller.
    assert sorted(sizes)[2] >= 11.0


def test_where_adjustments_go_by_the_shape_the_map_shows_it(scored):
    pads = {(pad.i, pad.j): pad for pad in scored.score.pads}
    nodes = tuple(
        replace(node, shape_mm=pads[node.i, node.j].gap_mm and pads[node.i, node.j].gap_mm - 0.15)
        for node in scored.advice.nodes
    )
    advice = replace(scored.advice, nodes=nodes, estimate_mm=-0.05)
    svg = ElementTree.fromstring(bed_map(scored.sheet, scored.score, advice))
    links = list(svg.iter("a"))
    assert texts(links[13])[0] == "+0.09"  # the gap is 0.04 mm off
    half = 1.96 * nodes[13].sigma_mm
    assert texts(links[13])[1] == f"\N{PLUS-MINUS SIGN} {half:.3f}"
    assert texts(links[4])[0] == "> +0.14"  # off scale, from 0.287 mm on
