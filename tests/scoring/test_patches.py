"""Straightened patches of drawn lines, straight from what was drawn on the bed."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from drawn_lines import (
    OFFSETS_MM,
    PX_PER_MM,
    SHAPE,
    bed_of,
    camera_at,
    comb_lines,
    photo_of,
)

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.layout import lay_out_sheet
from padsheet.scoring.patches import Lines, pad_lines, sample_lines, sample_pads


@pytest.mark.parametrize(("tilt_deg", "k1"), [(0.0, 0.0), (20.0, 0.0), (-25.0, 0.15)])
def test_patches_lie_where_the_lines_are(tilt_deg: float, k1: float) -> None:
    """Red goes with x and green with y on the bed: what is sampled tells its own place."""
    shape, wave_mm, places = (1200, 1200), 8.0, [(85.0, 120.0), (110.0, 110.0), (140.0, 80.0)]
    camera = camera_at(110, 110, shape, tilt_deg, k1)
    x, y = bed_of(camera, shape)
    turn = 2 * math.pi / wave_mm
    light = np.stack([0.5 + 0.4 * np.sin(turn * x), 0.5 + 0.4 * np.sin(turn * y), 0 * x], axis=-1)
    pads = [comb_lines(*place) for place in places]
    found = {
        k: one
        for some, patches in sample_pads(photo_of(light), camera, pads, 0.0)
        for k, one in zip(some, patches, strict=True)
    }
    assert sorted(found) == [0, 1, 2]
    for k, (x_mm, y_mm) in enumerate(places):
        seen = found[k]
        assert seen.whole
        assert np.abs(seen.u_mm).max() == pytest.approx(0.95)
        assert np.ptp(seen.s_mm) == pytest.approx(10.0 - np.diff(seen.s_mm)[0])
        place_x = (x_mm + OFFSETS_MM)[:, None, None] + seen.u_mm
        place_y = y_mm + seen.s_mm[:, None]
        for colour, place in enumerate(np.broadcast_arrays(place_x, place_y)):
            values = seen.along(np.eye(3)[colour])
            away = values - (0.5 + 0.4 * np.sin(turn * place))
            steep = 0.4 * turn * np.cos(turn * place)
            shift = (away * steep).sum(axis=(1, 2)) / (steep**2).sum(axis=(1, 2))
            assert np.abs(shift).max() < 0.005
            # Nor is a patch stretched.
            out = steep * (place - place.mean(axis=(1, 2), keepdims=True))
            stretch = (away * out).sum(axis=(1, 2)) / (out**2).sum(axis=(1, 2))
            assert np.abs(stretch).max() * np.ptp(place[0]) / 2 < 0.01
            assert np.abs(away).max() < 0.03
            np.testing.assert_array_equal(seen.light[..., colour], values[:, ::3])
        # Two samples a pixel across, one along.
        across, along = (camera.px_per_mm(np.array([x_mm, y_mm]), way) for way in np.eye(2))
        assert seen.px_per_mm == pytest.approx(across, rel=0.02)
        assert 1.95 < len(seen.u_mm[1:]) / (1.9 * across) < 2.15
        assert 0.95 < len(seen.s_mm) / (10.0 * along) < 1.02


@pytest.mark.parametrize("to", [(-1, 0), (1, 0), (0, -1), (0, 1)])
def test_a_pad_is_whole_if_its_lines_are_inside_the_picture_with_a_rim(to) -> None:
    """Samples between pixels, and their smoothing, need pixels on all sides."""
    photo = photo_of(np.full((*SHAPE, 3), 0.3))
    # The comb's outermost samples are 9.95 mm to either side and 5 mm before and behind.
    room = np.array([SHAPE[1] - 1, SHAPE[0] - 1]) / 2 / PX_PER_MM - [9.95, 5.0]
    for rim_px, whole in ((5.0, True), (0.5, False), (-20.0, False)):
        by = np.array(to) * (room - rim_px / PX_PER_MM)
        seen = sample_lines(photo, camera_at(0, 0, SHAPE), comb_lines(*by), 0.0)
        assert seen.whole is whole
        np.testing.assert_allclose(seen.light, 0.3, atol=0.005)


def test_only_a_plate_that_is_burnt_out_counts_as_glare() -> None:
    """White lines are no glare; white plate beside a quarter of one line's length is."""
    x, y = bed_of(camera_at(0, 0, SHAPE), SHAPE)
    on_line = np.abs(x[..., None] - OFFSETS_MM).min(axis=-1) < 0.3
    light = np.where(on_line, 1.0, 0.1)
    burnt = (np.abs(x - OFFSETS_MM[3]) < 1.0) & (y > 2.5)
    light = np.where(burnt, 1.0, light)
    photo = photo_of(np.repeat(light[..., None], 3, axis=-1))
    clipped = sample_lines(photo, camera_at(0, 0, SHAPE), comb_lines(), 0.0).clipped
    assert clipped[3] == pytest.approx(0.25, abs=0.03)
    assert np.delete(clipped, 3).max() < 0.02
    # One colour at the top of the scale is enough.
    red = np.stack([light, 0.1 + 0 * light, 0.1 + 0 * light], axis=-1)
    assert sample_lines(photo_of(red), camera_at(0, 0, SHAPE), comb_lines(), 0.0).clipped[
        3
    ] == pytest.approx(0.25, abs=0.03)


def test_all_pads_are_sampled_once_in_parts_of_one_shape() -> None:
    shape = (900, 900)
    camera = camera_at(0, 0, shape, 30.0)
    places = [(3.0 * i - 27, 3.0 * j - 27) for j in range(19) for i in range(19)]
    lines = [replace(comb_lines(*p), middle_mm=np.array([p]), along=np.eye(2)[1:]) for p in places]
    parts = list(sample_pads(photo_of(np.full((*shape, 3), 0.3)), camera, lines, 0.0))
    assert sorted(k for some, _ in parts for k in some) == list(range(len(places)))
    for some, patches in parts:
        assert len(some) == len(patches) <= 32
        assert len({(one.rows.shape, len(one.u_mm), len(one.s_mm)) for one in patches}) == 1
        for k, one in zip(some, patches, strict=True):
            scale = camera.px_per_mm(np.array(places[k]), np.array([1.0, 0.0]))
            assert one.px_per_mm == pytest.approx(scale, rel=2e-3)


def test_samples_are_as_dense_along_and_across_as_the_picture_whatever_their_reach() -> None:
    """Patches nearly as wide as long: a side, and no diagonal, tells how many pixels it has."""
    camera = camera_at(0, 0, SHAPE)
    for length_mm, reach_mm in ((6.0, 2.5), (4.0, 3.0)):
        lines = replace(comb_lines(), length_mm=length_mm, reach_mm=reach_mm)
        seen = sample_lines(photo_of(np.full((*SHAPE, 3), 0.3)), camera, lines, 0.0)
        assert seen.px_per_mm == pytest.approx(PX_PER_MM, rel=1e-6)
        assert len(seen.s_mm) == pytest.approx(length_mm * PX_PER_MM, abs=1)
        assert len(seen.u_mm) == pytest.approx(4 * reach_mm * PX_PER_MM + 1, abs=2)
        # Each stands for its own part of the length, and they lie alike to both ends.
        step_mm = length_mm / len(seen.s_mm)
        ends_mm = (step_mm - length_mm) / 2, (length_mm - step_mm) / 2
        np.testing.assert_allclose(seen.s_mm[[0, -1]], ends_mm, atol=1e-9)


def test_across_is_to_the_right_of_along() -> None:
    lines = Lines(
        middle_mm=np.zeros((2, 2)),
        along=np.array([[0.0, 1.0], [0.6, 0.8]]),
        length_mm=1.0,
        reach_mm=1.0,
    )
    np.testing.assert_allclose(lines.across, [[1.0, 0.0], [0.8, -0.6]])


@pytest.mark.parametrize("columns", [5, 9])
def test_lines_of_a_pad_are_its_tracks_and_never_its_neighbours(columns: int) -> None:
    grid = MeshGrid(columns=columns, rows=columns, outside="hold")
    sheet = lay_out_sheet(Bed(mesh=grid), reach_mm=(-0.08, 0.08)).sheet
    pad = sheet.pads[1]
    lines = pad_lines(sheet, pad)
    offsets = np.array([t.offset_mm for t in sheet.tracks])
    np.testing.assert_allclose(lines.middle_mm[:, 0] - pad.x_mm, offsets)
    np.testing.assert_allclose(lines.middle_mm[:, 1], pad.y_mm)
    np.testing.assert_allclose(lines.across, np.tile([1.0, 0.0], (10, 1)))
    assert lines.length_mm == sheet.window_mm < sheet.track_length_mm
    pitch = np.diff(offsets).min()
    # No width above the nozzle's flat counts; and more plate is seen beside a line than its own.
    assert lines.reach_mm > sheet.flat_mm / 2 or lines.reach_mm == pytest.approx(pitch / 2)
    assert lines.reach_mm <= pitch - sheet.flat_mm / 2
