"""The preview as pixels: the same drawing as the SVG, at the same places."""

from __future__ import annotations

import io
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from padsheet.patterns.bed import Bed, MeshGrid, Plate, Rectangle
from padsheet.patterns.estimate import Estimate
from padsheet.patterns.preview import LIGHT, preview_svg
from padsheet.patterns.preview_png import preview_png
from padsheet.patterns.sheet import Sheet

Maker = Callable[..., Sheet]
ESTIMATE = Estimate(minutes=9.6, grams=1.23, heat_minutes=10.2)
SIDE = 1600


def pixels(sheet: Sheet, bed: Bed) -> tuple[NDArray[np.int64], Callable[[float, float], tuple]]:
    """Return the picture, and where bed millimetres lie in it as (row, column)."""
    svg = preview_svg(sheet, bed, ESTIMATE)
    png = preview_png(svg, longer_side_px=SIDE)
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    image = np.asarray(Image.open(io.BytesIO(png)).convert("RGB"), int)
    left, top, wide, high = (float(v) for v in svg.split('viewBox="')[1].split('"')[0].split())
    assert max(image.shape[:2]) == SIDE
    assert image.shape[1] / image.shape[0] == pytest.approx(wide / high, rel=0.002)
    scale = SIDE / max(wide, high)
    return image, lambda x, y: (round((-y - top) * scale), round((x - left) * scale))


def near(pixel: NDArray[np.int64], name: str) -> bool:
    code = LIGHT[name]
    wanted = np.array([int(code[k : k + 2], 16) for k in (1, 3, 5)])
    # The palette may move a colour by a few codes.
    return bool(np.abs(pixel - wanted).max() <= 8)


def test_tracks_coupon_plate_and_paper_are_where_they_belong(small_sheet: Maker) -> None:
    image, at = pixels(small_sheet(), Bed())
    # As in the test of the SVG: the lowest track at x 102, the coupon at x 101, y 116.
    assert near(image[at(102, 95)], "h0")
    assert near(image[at(101, 116)], "solid")
    assert near(image[at(150, 150)], "plate")
    assert near(image[at(-10, 210)], "paper")


def test_keep_out_is_crossed_out(small_sheet: Maker) -> None:
    clip = Rectangle(x_min_mm=160, y_min_mm=100, x_max_mm=200, y_max_mm=140)
    image, at = pixels(small_sheet(), Bed(plate=Plate(keep_out=(clip,))))
    for x, y in ((180, 120), (170, 110), (170, 130), (160, 120), (180, 140)):
        row, column = at(x, y)
        around = image[row - 3 : row + 4, column - 3 : column + 4].reshape(-1, 3)
        assert any(near(pixel, "clip") for pixel in around), (x, y)


def test_corners_of_a_round_plate_are_paper(small_sheet: Maker) -> None:
    image, at = pixels(small_sheet(), Bed(plate=Plate(shape="round", origin="centre")))
    assert near(image[at(0, -90)], "plate")
    assert near(image[at(-100, 100)], "paper")


@pytest.mark.parametrize("count", [2, 15])
def test_texts_are_drawn(small_sheet: Maker, count: int) -> None:
    bed = Bed(mesh=MeshGrid(columns=count, rows=count))
    image, at = pixels(small_sheet(), bed)
    row, column = at(110, -10.5)  # "front", below the plate
    patch = image[row - 12 : row + 13, column - 40 : column + 41].reshape(-1, 3)
    assert sum(near(pixel, "ink") for pixel in patch) > 30


def test_picture_is_small_enough_to_mail(small_sheet: Maker) -> None:
    assert len(preview_png(preview_svg(small_sheet(), Bed(), ESTIMATE))) < 150_000


def test_unknown_elements_are_not_passed_over(small_sheet: Maker) -> None:
    svg = preview_svg(small_sheet(), Bed()).replace("</svg>", "<polygon/></svg>")
    with pytest.raises(ValueError, match="polygon"):
        preview_png(svg)
