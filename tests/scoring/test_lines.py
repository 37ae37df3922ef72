"""Patches and widths of drawn lines, straight from what was drawn on the bed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.layout import lay_out_sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.lines import (
    Lines,
    PadWidths,
    block_profiles,
    measure_pad,
    measure_pads,
    pad_lines,
    pad_profiles,
    sample_lines,
    sample_pads,
)
from padsheet.scoring.photo import Photo, srgb_to_linear

Floats = NDArray[np.float64]
PX_PER_MM, BLUR_PX = 10.0, 1.2
SHAPE = (180, 260)  # of a picture of one pad
HEIGHT_MM = 300.0
OFFSETS_MM = (np.arange(10) - 4.5) * 2.0
WIDTHS_MM = np.array([0.42, 0.55, 0.5, 0.7, 0.62, 0.8, 0.58, 0.66, 0.45, 0.5])


def camera_at(
    x_mm: float, y_mm: float, shape: tuple[int, int], tilt_deg: float = 0.0, k1: float = 0.0
) -> Camera:
    """Return a camera that looks at a place of the bed, its back on top, tilted about two axes."""
    turned = Rotation.from_euler("xyz", [tilt_deg, tilt_deg / 2, tilt_deg], degrees=True)
    rotation = turned.as_matrix() @ np.diag([1.0, -1.0, -1.0])
    return Camera(
        focal_px=PX_PER_MM * HEIGHT_MM,
        centre=((shape[0] - 1) / 2, (shape[1] - 1) / 2),
        k1=k1,
        k2=0.0,
        rotation=rotation,
        shift_mm=np.array([0.0, 0.0, HEIGHT_MM]) - rotation @ np.array([x_mm, y_mm, 0.0]),
    )


def bed_of(camera: Camera, shape: tuple[int, int]) -> tuple[Floats, Floats]:
    """Return where on the bed each pixel is: x and y."""
    pixels = np.stack(np.mgrid[: shape[0], : shape[1]], axis=-1).astype(float)
    x, y = np.moveaxis(camera.to_bed(pixels), -1, 0)
    return x, y


def photo_of(linear: Floats) -> Photo:
    """Return the photo of a picture in linear light, through the curve of IEC 61966-2-1."""
    codes = srgb_to_linear(np.arange(256) / 255)
    return Photo(rgb=np.searchsorted((codes[1:] + codes[:-1]) / 2, linear).astype(np.uint8))


def comb_lines(x_mm: float = 0.0, y_mm: float = 0.0) -> Lines:
    return Lines(
        middle_mm=np.stack([x_mm + OFFSETS_MM, np.full(10, y_mm)], axis=1),
        along=np.tile([0.0, 1.0], (10, 1)),
        length_mm=10.0,
        reach_mm=0.95,
    )


Shape = Callable[[Floats, Floats], Floats]


def cover_of(
    x: Floats, y: Floats, half_mm: Shape | None = None, middle_mm: Shape | None = None
) -> Floats:
    """Return how much of each pixel is print, blurred, (rows, columns, 10) for the ten lines."""
    nearest = np.abs(x[..., None] - OFFSETS_MM)
    along = np.broadcast_to(y[..., None], nearest.shape)
    half = WIDTHS_MM / 2 if half_mm is None else WIDTHS_MM / 2 + half_mm(OFFSETS_MM, along)
    away = x[..., None] - OFFSETS_MM
    if middle_mm is not None:
        away = away - middle_mm(OFFSETS_MM, along)
    sharp = np.clip((half - np.abs(away)) * PX_PER_MM + 0.5, 0, 1)
    sharp = np.where(half > 0, sharp, 0.0)
    return np.asarray(cv2.GaussianBlur(sharp.astype(np.float32), (0, 0), BLUR_PX), float)


def drawn(
    half_mm: Shape | None = None,
    middle_mm: Shape | None = None,
    *,
    brightness: Floats | float = 1.0,
    noise: float = 0.01,
    seed: int = 1,
) -> Photo:
    """Draw a comb of light grey lines on a dark plate, seen from straight above."""
    cover = (
        cover_of(*bed_of(camera_at(0, 0, SHAPE), SHAPE), half_mm, middle_mm)
    ) @ np.broadcast_to(np.asarray(brightness, float), (10,))
    rng = np.random.default_rng(seed)
    grey = 0.05 + 0.5 * cover + rng.normal(0, noise, cover.shape)
    return photo_of(np.repeat(np.clip(grey, 0, 1)[..., None], 3, axis=-1))


def measured(photo: Photo) -> PadWidths:
    return measure_pad(sample_lines(photo, camera_at(0, 0, SHAPE), comb_lines(), 0.0))


# Patches


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


# Averages along the lines


def test_blocks_are_averages_in_the_order_of_the_line() -> None:
    """Of 40 rows six blocks take 36, those left out lie at both ends alike."""
    rows = np.arange(40.0)
    values = np.stack([rows, 10 * rows], axis=1)[None].astype(np.float32)
    averages = block_profiles(values)
    expected = 2 + 6 * np.arange(6) + 2.5
    np.testing.assert_allclose(averages, np.stack([expected, 10 * expected], axis=1)[None])
    np.testing.assert_allclose(block_profiles(values, 4)[0, :, 0], 4.5 + 10 * np.arange(4))


@pytest.mark.parametrize(
    ("rows", "first", "each"), [(40, 2, 6), (58, 2, 9), (72, 0, 12), (77, 2, 12)]
)
def test_blocks_lie_in_the_middle_of_the_line(rows: int, first: int, each: int) -> None:
    averages = block_profiles(np.arange(float(rows), dtype=np.float32)[None, :, None])
    expected = first + each * np.arange(6) + (each - 1) / 2
    np.testing.assert_allclose(averages[0, :, 0], expected, rtol=1e-6)


def test_specks_on_a_fifth_of_a_block_do_not_count() -> None:
    values = np.full((1, 60, 3), 0.4, np.float32)
    values[0, 10:12, 1] = 9.0
    values[0, 30:32, 2] = -9.0
    np.testing.assert_allclose(block_profiles(values), 0.4, rtol=1e-6)


# Widths


def test_widths_and_blur_are_those_drawn() -> None:
    pad = measured(drawn())
    np.testing.assert_allclose(pad.width_mm, WIDTHS_MM, atol=0.012)
    assert np.abs((pad.width_mm - WIDTHS_MM).mean()) < 0.004
    np.testing.assert_allclose(pad.middle_mm, 0.0, atol=0.006)
    # A pixel is as wide as 0.29 of itself in standard deviations, twice: drawn and sampled.
    assert pad.blur_px == pytest.approx(math.hypot(BLUR_PX, 0.29), rel=0.06)
    assert pad.px_per_mm == pytest.approx(PX_PER_MM)
    assert pad.blur_mm == pytest.approx(pad.blur_px / PX_PER_MM)
    np.testing.assert_allclose(pad.contrast, 1.0, atol=0.06)
    np.testing.assert_allclose(pad.apart, 0.5 / 0.55, atol=0.02)
    assert pad.misfit < 0.03
    assert pad.whole
    assert pad.clipped_share == 0.0
    assert pad.brightest == pytest.approx(0.55, abs=0.02)
    assert pad.luminance_blur_px is None


@pytest.mark.parametrize(("left", "right"), [(1.0, 1.0), (1.5, 0.5)])
def test_bright_rims_belong_to_no_width(left: float, right: float) -> None:
    """Gloss along the edges, as bright again as the line, 0.06 mm to either side of them.

    A plain bar would be 0.12 mm wider. Seen from near, so that a rim is three pixels wide.
    """
    shape, near = (440, 640), 25.0
    camera = replace(camera_at(0, 0, shape), focal_px=near * HEIGHT_MM)
    x, _ = bed_of(camera, shape)
    away = x[..., None] - OFFSETS_MM
    light = np.clip((WIDTHS_MM / 2 - np.abs(away)) * near + 0.5, 0, 1)
    for strength, side in ((left, -1), (right, 1)):
        beside = np.abs(away - side * WIDTHS_MM / 2)
        light = light + strength * np.clip((0.06 - beside) * near + 0.5, 0, 1)
    grey = 0.1 + 0.3 * cv2.GaussianBlur(light.sum(axis=-1).astype(np.float32), (0, 0), BLUR_PX)
    grey = grey + np.random.default_rng(1).normal(0, 0.006, shape)
    photo = photo_of(np.repeat(np.clip(grey, 0, 1)[..., None], 3, axis=-1))
    pad = measure_pad(sample_lines(photo, camera, comb_lines(), 0.0))
    assert pad.misfit > 0.08
    np.testing.assert_allclose(pad.width_mm, WIDTHS_MM, atol=0.012)
    np.testing.assert_allclose(pad.middle_mm, 0.0, atol=0.006)


def test_the_scatter_that_is_told_is_the_real_one() -> None:
    """Each line's width again and again, with other noise each time.

    Of wide lines: narrow ones also share the error of the pad's blur, which no scatter shows.
    """
    pads = [measured(drawn(noise=0.06, seed=seed)) for seed in range(12)]
    wide = WIDTHS_MM > 0.57
    real = np.std([pad.width_mm[wide] for pad in pads], axis=0, ddof=1)
    told = np.mean([pad.sigma_mm[wide] for pad in pads], axis=0)
    # Five lines, twelve photos: 9 %.
    assert 0.75 < np.sqrt(np.mean(real**2)) / np.sqrt(np.mean(told**2)) < 1.5


def test_middles_are_told_to_the_right_and_wander_along_the_line() -> None:
    moved = np.where(np.arange(10) == 2, 0.1, 0.0) - np.where(np.arange(10) == 7, 0.15, 0.0)
    swing_mm = 0.06

    def middle(offset: Floats, y: Floats) -> Floats:
        swung = np.where(np.arange(10) == 5, swing_mm * np.sign(np.sin(y * math.pi / (10 / 6))), 0)
        return np.asarray(moved + swung)

    pad = measured(drawn(middle_mm=middle))
    np.testing.assert_allclose(np.delete(pad.middle_mm, 5), np.delete(moved, 5), atol=0.008)
    # Six blocks, one to either side in turn: the deviation of six values of +-a is 1.1 a.
    assert pad.wander_mm[5] == pytest.approx(1.095 * swing_mm, rel=0.15)
    assert np.delete(pad.wander_mm, 5).max() < 0.012
    np.testing.assert_allclose(pad.width_mm, WIDTHS_MM, atol=0.02)


def test_a_line_whose_flow_changes_differs_at_its_ends() -> None:
    """The first third is the front one; the others tell how much lines scatter by themselves."""

    def half(offset: Floats, y: Floats) -> Floats:
        wider = np.where(np.arange(10) == 4, 0.03 * (y > 10 / 6), 0.0)
        return np.asarray(wider + np.where(np.arange(10) == 8, 0.03 * (y < -10 / 6), 0.0))

    pad = measured(drawn(half))
    assert pad.ends_differ[4] > 6
    assert pad.ends_differ[8] < -6
    assert np.abs(np.delete(pad.ends_differ, [4, 8])).max() < 5
    # Each end is the mean of a third of six blocks, whose scatter is that of the mean times root 6.
    assert pad.ends_differ[4] * np.sqrt(6) * pad.sigma_mm[4] == pytest.approx(0.06, rel=0.2)
    assert pad.ends_differ[8] * np.sqrt(6) * pad.sigma_mm[8] == pytest.approx(-0.06, rel=0.2)


def test_a_lump_on_a_sixth_of_a_line_is_left_out() -> None:
    def half(offset: Floats, y: Floats) -> Floats:
        return np.where((np.arange(10) == 6) & (np.abs(y - 2.5) < 0.7), 0.2, 0.0)

    pad = measured(drawn(half))
    assert pad.width_mm[6] == pytest.approx(WIDTHS_MM[6], abs=0.012)


@pytest.mark.parametrize(("share", "read"), [(1 / 6, True), (2 / 6, True), (3 / 6, False)])
def test_a_line_that_came_off_on_more_than_a_third_is_not_read(share: float, read: bool) -> None:
    def half(offset: Floats, y: Floats) -> Floats:
        return np.where((np.arange(10) == 1) & (y > 5 - 10 * share), -9.0, 0.0)

    pad = measured(drawn(half))
    assert np.isfinite(pad.width_mm[1]) == read
    assert np.isfinite(np.delete(pad.width_mm, 1)).all()
    if read:
        assert pad.width_mm[1] == pytest.approx(WIDTHS_MM[1], abs=0.015)


def test_a_faint_line_tells_its_contrast() -> None:
    """A wide line shows its own; only those as narrow as the blur take that of the others."""
    brightness = np.where(np.arange(10) == 5, 0.5, 1.0)
    pad = measured(drawn(brightness=brightness, noise=0.04))
    assert pad.contrast[5] == pytest.approx(0.5, abs=0.05)
    assert pad.width_mm[5] == pytest.approx(WIDTHS_MM[5], abs=0.02)
    gone = measured(drawn(brightness=np.where(np.arange(10) == 5, 0.0, 1.0)))
    assert np.isnan(gone.width_mm[5])
    assert gone.contrast[5] == 0.0


def test_several_pads_measured_together_are_as_by_themselves() -> None:
    photos = [drawn(), drawn(seed=2), drawn(brightness=0.4, noise=0.03)]
    profiles = [
        pad_profiles([sample_lines(p, camera_at(0, 0, SHAPE), comb_lines(), 0.0)])[0]
        for p in photos
    ]
    for one, alone in zip(measure_pads(profiles), profiles, strict=True):
        [by_itself] = measure_pads([alone])
        np.testing.assert_allclose(one.width_mm, by_itself.width_mm, atol=2e-5)
        np.testing.assert_allclose(one.sigma_mm, by_itself.sigma_mm, atol=2e-5)
        assert one.blur_px == pytest.approx(by_itself.blur_px, rel=1e-4)


def test_colour_is_kept_only_where_luminance_is_in_doubt() -> None:
    cases = [drawn(noise=0.01), drawn(brightness=0.1, noise=0.02)]
    patches = [sample_lines(p, camera_at(0, 0, SHAPE), comb_lines(), 0.0) for p in cases]
    clear, doubtful = pad_profiles(patches)
    assert clear.colour.separation > 8.0
    assert clear.in_colour is None
    assert doubtful.colour.separation <= 8.0
    assert doubtful.in_colour is not None
    assert doubtful.in_colour.in_colour is None


def test_colour_is_blurred_where_it_is_so_by_half_more_than_luminance() -> None:
    pad = replace(measured(drawn()), blur_px=1.55)
    assert not pad.only_colour_is_blurred
    assert replace(pad, luminance_blur_px=1.0).only_colour_is_blurred
    assert not replace(pad, luminance_blur_px=1.1).only_colour_is_blurred
