"""The annotated photo: outlines where the pads are, text that can be read, sizes within bounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring import annotate as annotate_module
from padsheet.scoring.annotate import LARGEST_SIDE_PX, Style, _label_lines, annotate
from padsheet.scoring.colours import CLASSES, hex_to_rgb, pad_colour


def turned(size_px: float, angle_deg: float, width: int, height: int):
    """Map the 220 mm bed to a square of `size_px`, turned about the middle of the picture."""
    angle = np.deg2rad(angle_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def to_pixel(xy_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        centred = (np.asarray(xy_mm) - 110.0) * size_px / 220.0
        return (centred * [1, -1]) @ turn.T + [width / 2, height / 2]

    return to_pixel


def nearest(picture: NDArray[np.uint8], at, radius: int) -> NDArray[np.int64]:
    column, row = np.round(at).astype(int)
    patch = picture[row - radius : row + radius + 1, column - radius : column + radius + 1]
    return patch.reshape(-1, 3).astype(int)


@pytest.mark.parametrize("ground", [12, 128, 246])
@pytest.mark.parametrize("angle", [0, 90, 180, -35])
def test_each_pad_is_outlined_in_its_colour(scored, ground, angle):
    photo = np.full((1000, 1300, 3), ground, dtype=np.uint8)
    to_pixel = turned(640, angle, 1300, 1000)
    picture = np.asarray(annotate(photo, scored.sheet, scored.score, to_pixel))
    for pad in scored.score.pads:
        entry = pad_colour(pad, 0.2, 0.03)
        # The middle of the back side of the outline (10 tracks of 2 mm, 14 mm long, 1.5 mm rim);
        # a label hangs below its pad in the picture, so look at each side and take the best.
        around = [(0, 8.5), (0, -8.5), (10.5, 0), (-10.5, 0)]
        sides = np.add(around, [pad.x_mm, pad.y_mm])
        found = [
            np.abs(nearest(picture, at, 2) - hex_to_rgb(entry.fill)).sum(axis=1).min()
            for at in to_pixel(sides)
        ]
        assert sorted(found)[1] < 60, (pad.i, pad.j, found)


def test_photo_is_left_alone_and_far_corners_too(scored):
    photo = np.full((1000, 1300, 3), 90, dtype=np.uint8)
    before = photo.copy()
    picture = np.asarray(annotate(photo, scored.sheet, scored.score, turned(500, 0, 1300, 1000)))
    np.testing.assert_array_equal(photo, before)
    np.testing.assert_array_equal(picture[:100], photo[:100])
    assert picture.dtype == np.uint8
    assert picture.shape == photo.shape


@pytest.mark.parametrize("shape", [(3000, 4000), (4000, 3000), (2401, 1200)])
def test_large_photos_shrink_and_the_marks_shrink_with_them(scored, shape):
    photo = np.full((*shape, 3), 40, dtype=np.uint8)
    to_pixel = turned(min(shape) * 0.7, 0, shape[1], shape[0])
    picture = np.asarray(annotate(photo, scored.sheet, scored.score, to_pixel))
    assert max(picture.shape[:2]) == LARGEST_SIDE_PX
    scale = LARGEST_SIDE_PX / max(shape)
    pad = scored.score.pads[12]
    at = to_pixel(np.array([(pad.x_mm, pad.y_mm + 8.5)]))[0] * scale
    fill = hex_to_rgb(pad_colour(pad, 0.2, 0.03).fill)
    assert np.abs(nearest(picture, at, 3) - fill).sum(axis=1).min() < 60


def test_text_is_large_for_the_photo_and_stays_upright(scored):
    """The pad's label is a box of its colour, wider than high, a tenth of the pitch or more."""
    for angle in (0, 180, 90):
        photo = np.full((1500, 1500, 3), 40, dtype=np.uint8)
        to_pixel = turned(1000, angle, 1500, 1500)
        picture = np.asarray(annotate(photo, scored.sheet, scored.score, to_pixel)).astype(int)
        pad = scored.score.pads[12]
        fill = hex_to_rgb(CLASSES[3].fill)
        column, row = np.round(to_pixel(np.array([(pad.x_mm, pad.y_mm)]))[0]).astype(int)
        around = picture[row : row + 130, column - 90 : column + 90]
        painted = np.abs(around - fill).sum(axis=2) < 20
        painted &= np.cumsum(painted, axis=0) > 0
        block = painted[:, 60:120].sum(axis=1) > 25
        assert block.sum() > 0.1 * 1000 * 45 / 220
        widths = painted[block].sum(axis=1)
        assert widths.max() > block.sum()


def test_front_edge_is_marked_on_its_own_side(scored):
    photo = np.full((1400, 1400, 3), 128, dtype=np.uint8)
    x_mm = np.array([42.5, 132.5, 177.5])  # between the columns, where no label hides the edge
    for angle in (0, 90, 180):
        to_pixel = turned(900, angle, 1400, 1400)
        picture = np.asarray(annotate(photo, scored.sheet, scored.score, to_pixel))
        for y_mm, level in ((0.0, 255), (220.0, 128)):
            places = to_pixel(np.column_stack([x_mm, np.full_like(x_mm, y_mm)]))
            assert [nearest(picture, at, 0).min() for at in places] == [level] * 3


def test_a_sheet_that_leaves_the_photo_is_drawn_as_far_as_it_goes(scored):
    photo = np.full((600, 600, 3), 200, dtype=np.uint8)
    picture = np.asarray(annotate(photo, scored.sheet, scored.score, turned(1500, 20, 600, 600)))
    assert picture.shape == photo.shape
    assert np.any(picture != photo)


def test_a_dense_mesh_still_has_a_number_at_each_point(make_scored):
    example = make_scored(15, 15)
    photo = np.full((2400, 2400, 3), 20, dtype=np.uint8)
    to_pixel = turned(2100, 0, 2400, 2400)
    picture = np.asarray(annotate(photo, example.sheet, example.score, to_pixel)).astype(int)
    for pad in example.score.pads[::17]:
        entry = pad_colour(pad, 0.2, 0.03)
        bottom = to_pixel(
            np.array([(pad.x_mm, pad.y_mm - example.sheet.track_length_mm / 2 - 1.5)])
        )
        column, row = np.round(bottom[0]).astype(int)
        label = picture[row : row + 40, column - 30 : column + 30].reshape(-1, 3)
        assert (np.abs(label - hex_to_rgb(entry.fill)).sum(axis=1) < 20).sum() > 150
        assert (np.abs(label - hex_to_rgb(entry.ink)).sum(axis=1) < 60).sum() > 30


@pytest.mark.parametrize("angle", [0, 17, 90, 160, 180, 250])
def test_numbers_and_front_cover_no_label(scored, monkeypatch, angle):
    """Read where each box was written; where there is room none lies on another."""
    written: list[tuple[str, tuple[float, ...]]] = []
    write = annotate_module._write_box

    def recorded(draw, at, lines, fill, ink):
        box = write(draw, at, lines, fill, ink)
        written.append((lines[0][0], box))
        return box

    monkeypatch.setattr(annotate_module, "_write_box", recorded)
    photo = np.full((1600, 1600, 3), 90, dtype=np.uint8)
    annotate(photo, scored.sheet, scored.score, turned(900, angle, 1600, 1600))
    named = [f"{what} {number}" for what in ("col", "row") for number in range(1, 6)]
    counts = [box for text, box in written if text in (*named, "FRONT")]
    assert len(counts) == 11
    for box in counts:
        for other in (other for _, other in written if other is not box):
            apart = (
                box[2] <= other[0] or other[2] <= box[0] or box[3] <= other[1] or other[3] <= box[1]
            )
            assert apart, (box, other)


@pytest.mark.parametrize(
    ("verdict", "interval_mm", "told"),
    [
        ("off scale high", (0.15, None), "or farther"),
        ("off scale high", (0.24, None), "off scale, far"),
        ("off scale low", (None, 0.25), "or nearer"),
        ("off scale low", (None, 0.16), "off scale, near"),
    ],
)
def test_a_bound_on_the_near_side_of_the_target_is_not_called_too_far(
    score_of, verdict, interval_mm, told
):
    score = score_of(MeshGrid(), np.full((5, 5), 0.2))
    pad = replace(score.pads[0], gap_mm=None, squish=None, verdict=verdict, interval_mm=interval_mm)
    assert told in [
        text for text, _ in _label_lines(pad, score, Style(large=20, small=10, line=2, count=10))
    ]
