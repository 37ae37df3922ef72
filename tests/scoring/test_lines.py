"""Widths of drawn lines, straight from what was drawn on the bed."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from drawn_lines import (
    BLUR_PX,
    HEIGHT_MM,
    OFFSETS_MM,
    PX_PER_MM,
    SHAPE,
    WIDTHS_MM,
    Floats,
    bed_of,
    camera_at,
    comb_lines,
    cover_of,
    drawn,
    photo_of,
)

from padsheet.scoring.lines import PadWidths, block_profiles, measure_pads, pad_profiles
from padsheet.scoring.patches import Patches, sample_lines
from padsheet.scoring.photo import Photo


def widths_in(patches: Patches) -> PadWidths:
    """Return the widths of one pad, in colour where luminance hardly shows it."""
    [profiles] = pad_profiles([patches])
    return measure_pads([profiles.in_colour or profiles])[0]


def measured(photo: Photo) -> PadWidths:
    return widths_in(sample_lines(photo, camera_at(0, 0, SHAPE), comb_lines(), 0.0))


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
    pad = widths_in(sample_lines(photo, camera, comb_lines(), 0.0))
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


def test_a_line_that_is_wider_over_a_third_differs_at_its_ends() -> None:
    """The first third is the front one; the others tell how much lines scatter by themselves."""

    def half(offset: Floats, y: Floats) -> Floats:
        wider = np.where(np.arange(10) == 4, 0.03 * (y > 10 / 6), 0.0)
        return np.asarray(wider + np.where(np.arange(10) == 8, 0.03 * (y < -10 / 6), 0.0))

    pad = measured(drawn(half))
    assert pad.ends_differ[4] > 6
    assert pad.ends_differ[8] < -6
    assert np.abs(np.delete(pad.ends_differ, [4, 8])).max() < 5
    # Each end is the mean of a third of six blocks, whose scatter is that of the mean times root 6.
    assert pad.ends_differ[4] * np.sqrt(6) * pad.sigma_mm[4] == pytest.approx(0.06, rel=0.1)
    assert pad.ends_differ[8] * np.sqrt(6) * pad.sigma_mm[8] == pytest.approx(-0.06, rel=0.1)


@pytest.mark.parametrize("lines", [[4], list(range(10))])
def test_a_line_that_grows_steadily_is_not_told_by_its_ends(lines: list[int]) -> None:
    """Its scatter grows with it; and a bed that slopes along it looks the same."""

    def half(offset: Floats, y: Floats) -> Floats:
        return np.where(np.isin(np.arange(10), lines), 0.008 * y, 0.0)

    assert np.abs(measured(drawn(half)).ends_differ).max() < 5


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


def test_narrow_lines_take_the_contrast_of_the_wide_ones() -> None:
    """Of a line hardly wider than its blur the light tells contrast times width only."""
    widths_mm = WIDTHS_MM.copy()
    narrow = [0, 1, 2, 8, 9]
    widths_mm[narrow] = [0.16, 0.2, 0.18, 0.22, 0.25]

    def half(offset: Floats, y: Floats) -> Floats:
        return np.broadcast_to((widths_mm - WIDTHS_MM) / 2, y.shape)

    pads = [measured(drawn(half, noise=0.02, seed=seed)) for seed in range(3)]
    away_mm = np.array([pad.width_mm - widths_mm for pad in pads])
    # As well as the wide ones; a contrast of their own would make their widths scatter by 0.006.
    assert np.sqrt(np.mean(away_mm[:, narrow] ** 2)) < 0.003
    assert np.abs(away_mm.mean(axis=0)).max() < 0.006
    for pad in pads:
        assert np.ptp(pad.contrast[narrow]) < 0.06
        assert pad.contrast[narrow].mean() == pytest.approx(pad.contrast[3:8].mean(), rel=0.03)


def test_wide_lines_with_soft_edges_do_not_tell_the_blur_of_the_others() -> None:
    """What is smeared on a few of them is none of the camera's doing."""
    soft = [3, 5, 7]
    cover = cover_of(*bed_of(camera_at(0, 0, SHAPE), SHAPE))
    cover[..., soft] = cv2.GaussianBlur(cover[..., soft], (0, 0), 2.0)
    grey = 0.05 + 0.5 * cover.sum(axis=-1) + np.random.default_rng(1).normal(0, 0.01, SHAPE)
    pad = measured(photo_of(np.repeat(np.clip(grey, 0, 1)[..., None], 3, axis=-1)))
    assert pad.blur_px == pytest.approx(math.hypot(BLUR_PX, 0.29), rel=0.06)
    sharp = np.delete(pad.width_mm - WIDTHS_MM, soft)
    assert np.abs(sharp).max() < 0.012
    assert abs(sharp.mean()) < 0.005


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
