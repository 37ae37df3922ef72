"""The camera that the printed lines give, against the rendered photo's own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Pad
from padsheet.scoring.finder import find_markers
from padsheet.scoring.photo import Photo
from padsheet.scoring.registration import _spread_pads, register


@pytest.fixture(scope="module")
def markers(rendered):
    return find_markers(rendered.photo, rendered.sheet)


def grid_mm(rendered) -> np.ndarray:
    return np.array([[pad.x_mm, pad.y_mm] for pad in rendered.sheet.pads])


def test_pads_are_where_the_camera_put_them(rendered, markers) -> None:
    found = register(rendered.photo, rendered.sheet, markers)
    xy = grid_mm(rendered)
    z = rendered.sheet.target_gap_mm / 2
    true = rendered.truth.project(xy[:, 0], xy[:, 1], z)[:, ::-1]
    away = found.camera.to_bed(true, z) - xy
    # One-sided light may shift all lines alike, which no width is measured by.
    assert np.abs(away.mean(axis=0)).max() < 0.1
    assert (away - away.mean(axis=0)).std() < 0.02
    assert found.rms_mm < 0.03
    assert found.lines_used > 0.9 * 38 * len(xy)


def test_scale_is_right_to_a_thousandth(rendered, markers) -> None:
    """A width is as wrong as the scale: a thousandth of 0.5 mm is nothing."""
    camera = register(rendered.photo, rendered.sheet, markers).camera
    xy, half = grid_mm(rendered), np.array([0.5, 0.0])
    right, left = (rendered.truth.project(*(xy + s * half).T, 0.0) for s in (1, -1))
    true = np.hypot(*(right - left).T)
    np.testing.assert_allclose(camera.px_per_mm(xy, np.array([1.0, 0.0])), true, rtol=1e-3)


def test_a_part_of_the_sheet_is_enough(rendered, markers) -> None:
    """Where the picture ends, pads are left out and the others still fix the camera."""
    rows = len(rendered.photo.rgb) * 2 // 3
    part = Photo(rgb=rendered.photo.rgb[:rows])
    seen = (markers.corners[..., 0] < rows - 5).all(axis=1)
    kept = replace(
        markers,
        ids=tuple(np.array(markers.ids)[seen].tolist()),
        corners=markers.corners[seen],
        bed_xy_mm=markers.bed_xy_mm[seen],
    )
    whole = register(rendered.photo, rendered.sheet, markers)
    found = register(part, rendered.sheet, kept)
    assert 40 < found.lines_used < 0.8 * whole.lines_used
    xy = grid_mm(rendered)
    inside = whole.camera.project(xy)[:, 0] < rows - 100
    away = found.camera.to_bed(whole.camera.project(xy[inside])) - xy[inside]
    assert np.abs(away).max() < 0.05


def only(markers, chosen: list[int]):
    return replace(
        markers,
        ids=tuple(markers.ids[k] for k in chosen),
        corners=markers.corners[chosen],
        bed_xy_mm=markers.bed_xy_mm[chosen],
    )


def neighbours(markers) -> list[list[int]]:
    """Each marker with the one nearest to it."""
    middle = markers.bed_xy_mm.mean(axis=1)
    apart = np.linalg.norm(middle[:, None] - middle, axis=2)
    np.fill_diagonal(apart, np.inf)
    return [[k, int(np.argmin(row))] for k, row in enumerate(apart)]


def test_two_markers_side_by_side_are_enough(rendered, markers) -> None:
    """The lattice of pads completes what two markers leave open."""
    whole = register(rendered.photo, rendered.sheet, markers)
    xy = grid_mm(rendered)
    for pair in neighbours(markers):
        found = register(rendered.photo, rendered.sheet, only(markers, pair))
        assert np.abs(found.camera.to_bed(whole.camera.project(xy)) - xy).max() < 0.02
        assert found.lines_used > 0.95 * whole.lines_used


def test_far_pads_are_found_where_the_near_ones_are_covered(rendered, markers) -> None:
    """The place of a pad on the other side of the bed is off by millimetres at first.

    Two markers and the three pads farthest from them are left to see.
    """
    whole = register(rendered.photo, rendered.sheet, markers).camera
    xy = grid_mm(rendered)
    half = int(13 * rendered.px_per_mm)
    found = []
    for pair in neighbours(markers):
        away = np.linalg.norm(xy - markers.bed_xy_mm[pair].mean(axis=(0, 1)), axis=1)
        *covered, _, _, _ = np.argsort(away)
        rgb = rendered.photo.rgb.copy()
        for row, column in whole.project(xy[covered]).astype(int):
            rgb[max(row - half, 0) : row + half, max(column - half, 0) : column + half] = 90
        seen = np.delete(xy, covered, axis=0)
        try:
            camera = register(Photo(rgb=rgb), rendered.sheet, only(markers, pair)).camera
        except PadsheetError:
            continue  # too little to be sure
        found.append(np.abs(camera.to_bed(whole.project(seen)) - seen).max())
    assert len(found) >= 10
    assert max(found) < 0.05


def test_specks_and_a_strip_of_glare_do_not_move_it(rendered, markers) -> None:
    rng = np.random.default_rng(8)
    spoilt = rendered.photo.rgb.copy()
    for row, column in rng.integers(0, np.array(spoilt.shape[:2]) - 6, (3000, 2)):
        spoilt[row : row + 3, column : column + 3] = rng.integers(0, 255)
    spoilt[:, 600:700] = 255
    whole = register(rendered.photo, rendered.sheet, markers).camera
    found = register(Photo(rgb=spoilt), rendered.sheet, markers).camera
    xy = grid_mm(rendered)
    assert np.abs(found.to_bed(whole.project(xy)) - xy).max() < 0.03


def test_of_many_pads_some_all_over_the_bed_fix_the_camera() -> None:
    """No pad left out is farther from those chosen than they are from each other."""
    pads = [Pad(i=i, j=j, x_mm=20.0 * i, y_mm=22.0 * j) for j in range(10) for i in range(12)]
    chosen = _spread_pads(pads)
    assert len({(pad.i, pad.j) for pad in chosen}) == len(chosen) == 36
    assert chosen == [pad for pad in pads if pad in chosen]
    every, some = (np.array([[p.x_mm, p.y_mm] for p in which]) for which in (pads, chosen))
    apart = np.linalg.norm(some[:, None] - some, axis=2)
    np.fill_diagonal(apart, np.inf)
    left_out = np.linalg.norm(every[:, None] - some, axis=2).min(axis=1)
    assert left_out.max() <= apart.min()
    assert _spread_pads(pads[:36]) == pads[:36]


def test_markers_without_lines_are_refused(rendered, markers) -> None:
    blank = Photo(rgb=np.full_like(rendered.photo.rgb, 90))
    with pytest.raises(PadsheetError) as refusal:
        register(blank, rendered.sheet, markers)
    assert refusal.value.code == "photo-no-lines"
