from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace

import pytest

from padsheet.patterns.bead import width_mm
from padsheet.patterns.bed import Bed, MeshGrid, Plate, Rectangle
from padsheet.patterns.estimate import Estimate
from padsheet.patterns.make import make_sheet
from padsheet.patterns.preview import preview_svg
from padsheet.patterns.profile import parse_bed
from padsheet.patterns.sheet import Pad, Sheet

Maker = Callable[..., Sheet]
ESTIMATE = Estimate(minutes=9.6, grams=1.23, heat_minutes=10.2, hold_minutes=4.0)


def drawn(sheet: Sheet, bed: Bed) -> ET.Element:
    svg = re.sub(r' xmlns="[^"]+"', "", preview_svg(sheet, bed, ESTIMATE))
    return ET.fromstring(svg)


def of_class(root: ET.Element, name: str) -> list[ET.Element]:
    return [e for e in root.iter() if name in e.get("class", "").split()]


def texts(root: ET.Element) -> list[str]:
    return [e.text or "" for e in root.iter("text")]


def test_front_is_at_the_bottom_and_left_is_left(small_sheet: Maker) -> None:
    root = drawn(small_sheet(), Bed())
    place = {e.text: float(e.get("y", "nan")) for e in root.iter("text")}
    assert place["front"] > 0 > place["back"]  # SVG's y runs down; the plate is y 0 to 220
    (plate,) = of_class(root, "plate")
    assert (plate.get("y"), plate.get("height")) == ("-220.00", "220.00")
    # The coupon stands at x 101, y 116, behind the comb.
    (coupon,) = of_class(root, "coupon")
    assert (coupon.get("x"), coupon.get("y")) == ("97.50", "-119.50")


def test_tracks_have_the_width_of_their_bead_and_a_shade_for_their_height(
    small_sheet: Maker,
) -> None:
    root = drawn(small_sheet(), Bed())
    low, high = of_class(root, "h0")[0], of_class(root, "h4")[0]
    assert float(low.get("stroke-width", "")) == pytest.approx(float(width_mm(0.1, 0.2)), abs=0.005)
    assert float(high.get("stroke-width", "")) == pytest.approx(
        float(width_mm(0.1, 0.24)), abs=0.005
    )
    assert low.get("d") == "M102.00 -90.00L102.00 -110.00"
    assert {"0.200", "0.240"} <= set(texts(root))


def test_captions(small_sheet: Maker) -> None:
    words = "\n".join(texts(drawn(small_sheet(), Bed())))
    assert "steel <A>: 1 pads, 1 markers" in words
    assert "about 10 min printing after 10 min heating, bed held 4 min; 1.2 g" in words
    assert "min printing" not in preview_svg(small_sheet(), Bed())


@pytest.mark.parametrize("count", [2, 5, 15])
def test_columns_and_rows_are_numbered_from_one(small_sheet: Maker, count: int) -> None:
    bed = Bed(mesh=MeshGrid(columns=count, rows=count))
    found = [e for e in drawn(small_sheet(), bed).iter("text") if (e.text or "").isdigit()]
    assert [e.text for e in found] == [str(k) for k in range(1, count + 1)] * 2
    assert float(found[0].get("x", "")) == 20.0  # the first column is at the left
    assert float(found[count].get("y", "")) == -20.0  # the first row is at the front


def test_crowded_numbers_are_thinned(small_sheet: Maker) -> None:
    mesh = MeshGrid(columns=15, rows=15, x_max_mm=62.0, y_max_mm=62.0)
    found = [t for t in texts(drawn(small_sheet(), Bed(mesh=mesh))) if t.isdigit()]
    assert found == [str(k) for k in range(1, 16, 3)] * 2


def on_grid(sheet: Sheet) -> Sheet:
    """Return a sheet whose grid points are where its pads are."""
    x_mm, y_mm = [0.0] * 15, [0.0] * 15
    for pad in sheet.pads:
        x_mm[pad.i], y_mm[pad.j] = pad.x_mm, pad.y_mm
    return replace(sheet, nodes_x_mm=tuple(x_mm), nodes_y_mm=tuple(y_mm))


def test_keep_outs_purge_travel_and_bare_points(small_sheet: Maker) -> None:
    clip = Rectangle(x_min_mm=0, y_min_mm=100, x_max_mm=8, y_max_mm=120)
    root = drawn(on_grid(small_sheet()), Bed(plate=Plate(keep_out=(clip,))))
    assert [e.tag for e in of_class(root, "clip")] == [
        "rect",
        "path",
    ]  # on the plate and in the key
    assert len(of_class(root, "clip-lines")) == 2
    assert of_class(root, "purge")[0].get("d") == "M30.00 -10.00L70.00 -10.00"
    assert of_class(root, "way")[0].get("d") == "M70.00 -10.00L100.00 -90.00"
    assert len(of_class(root, "node")) == 24 + 1
    assert {"keep-out", "purge line", "travel", "no pad here", "coupon"} <= set(texts(root))


def test_a_sheet_read_from_a_file_has_no_strokes(small_sheet: Maker) -> None:
    root = drawn(replace(small_sheet(), strokes=()), Bed())
    (marker,) = of_class(root, "marker-box")
    assert (marker.get("x"), marker.get("y"), marker.get("width")) == ("14.00", "-66.00", "12.00")
    assert not of_class(root, "way")


def test_a_full_mesh_without_coupons_needs_no_words_for_them(small_sheet: Maker) -> None:
    bed = Bed(mesh=MeshGrid(columns=2, rows=2))
    pads = tuple(Pad(i=i, j=j, x_mm=100.0, y_mm=100.0) for i, j in bed.mesh.nodes)
    root = drawn(on_grid(small_sheet(pads=pads)), bed)
    assert not {"coupon", "no pad here", "keep-out"} & set(texts(root))
    assert not of_class(root, "node")
    # Comb lead-ins and turns are thin lines; coupons are drawn as squares only.
    assert [e.get("stroke-width") for e in of_class(root, "comb")] == ["0.30"]


def test_round_plate_about_its_centre(small_sheet: Maker) -> None:
    plate = Plate(shape="round", origin="centre")
    (circle,) = of_class(drawn(small_sheet(), Bed(plate=plate)), "plate")
    assert (circle.get("cx"), circle.get("cy"), circle.get("r")) == ("0", "0", "110")


def test_one_height_has_one_shade(small_sheet: Maker) -> None:
    sheet = small_sheet()
    flat = replace(sheet, tracks=sheet.tracks[1:])
    root = drawn(flat, Bed())
    assert of_class(root, "h0")
    assert not of_class(root, "h1")


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (IEC 61966-2-1; weights of ITU-R BT.709)."""
    if len(colour) == 4:
        colour = "#" + "".join(c * 2 for c in colour[1:])
    codes = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    r, g, b = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in codes)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.1, definition of contrast ratio)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("screen", [0, 1])
def test_colours_are_told_apart_by_lightness_alone(small_sheet: Maker, screen: int) -> None:
    svg = preview_svg(small_sheet(), Bed())
    light, dark = svg.split("@media (prefers-color-scheme: dark)")
    colours = dict(re.findall(r"--(\w+): (#\w+)", (light, dark)[screen]))
    paper = re.findall(r"background: (#\w+)", svg)[screen]
    shades = [luminance(colours[f"h{k}"]) for k in range(5)]
    assert shades == sorted(shades, reverse=bool(screen))
    for k in range(4):
        assert contrast(colours[f"h{k}"], colours[f"h{k + 1}"]) > 1.4
    # WCAG 2.1: 4.5 for text (success criterion 1.4.3), 3 for the lowest tracks (1.4.11).
    assert contrast(colours["ink"], paper) > 4.5
    assert contrast(colours["h0"], colours["plate"]) > 3
    assert contrast(colours["clip"], colours["plate"]) > 3


@pytest.mark.parametrize(
    ("outside", "reach_mm", "why"),
    [
        ("unknown", 0.15, 'outside = "unknown" in bed.toml'),
        ("hold", 0.15, "a bed that bends might rise into the nozzle"),
        ("unknown", 0.08, 'outside = "unknown" in bed.toml'),
        ("hold", 0.08, ""),
    ],
)
def test_pads_beside_their_grid_points_are_explained(
    outside: str, reach_mm: float, why: str
) -> None:
    bed = parse_bed(f'[mesh]\noutside = "{outside}"\n')
    files = make_sheet(bed, reach_mm=(-reach_mm, reach_mm))
    told = [note for note in files.notes if "inside their grid points" in note]
    assert len(told) == bool(why)
    assert all(why in note for note in told)
    in_words = "outside = &quot;unknown&quot;" in files.svg or 'outside = "unknown"' in files.svg
    assert in_words == (outside == "unknown")
    assert ("beyond the mesh a bed that bends might rise" in files.svg) == ("rise" in why)
    assert ('class="node"' in files.svg) == bool(why)
    assert (">grid point<" in files.svg) == bool(why)
