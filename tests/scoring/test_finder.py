"""Markers found in rendered photos, and the photos in which none of this sheet are."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.finder import believed_numbers, find_markers, sheet_numbers_seen
from padsheet.scoring.photo import Photo
from padsheet.scoring.reading import read_sheet_photo


def quad(x: float, y: float, side: float = 60.0, turn_deg: float = 0.0) -> NDArray[np.float64]:
    """Return the corners (row, column) of a marker in the picture, its back edge upwards."""
    turn = np.radians(turn_deg)
    corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * side / 2
    turned = corner @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return (turned + np.array([x, y]))[:, ::-1]


def test_markers_are_where_the_camera_put_them(rendered) -> None:
    found = find_markers(rendered.photo, rendered.sheet)
    assert len(found.ids) >= 8
    seen = found.corners.reshape(-1, 2)
    on_bed = found.bed_xy_mm.reshape(-1, 2)
    true = rendered.truth.project(on_bed[:, 0], on_bed[:, 1])[:, ::-1]
    away_mm = np.hypot(*(seen - true).T) / rendered.px_per_mm
    # A marker's edge is a bead's rounded side: half a bead, 0.25 mm, is what a corner may be off.
    assert np.median(away_mm) < 0.25
    assert away_mm.max() < 0.6


@pytest.mark.parametrize("turn", [cv2.ROTATE_180, cv2.ROTATE_90_CLOCKWISE])
def test_a_turned_photo_is_found_too(rendered, turn: int) -> None:
    photo = Photo(rgb=cv2.rotate(rendered.photo.rgb, turn))
    assert len(find_markers(photo, rendered.sheet).ids) >= 8


def test_another_sheets_photo_is_refused_by_its_number(rendered) -> None:
    markers = tuple(replace(m, id=m.id + 12) for m in rendered.sheet.markers)
    second = replace(rendered.sheet, number=2, markers=markers)
    with pytest.raises(PadsheetError, match="sheet number 1, not sheet number 2") as refusal:
        find_markers(rendered.photo, second)
    assert refusal.value.code == "photo-other-sheet"
    assert sheet_numbers_seen(rendered.photo).most_common(1)[0][0] == 1


def test_a_photo_of_another_bed_with_a_sheet_of_the_same_number_is_told(rendered) -> None:
    """The lines do not match either, but that is not the cause."""
    away_mm = np.random.default_rng(4).uniform(-30, 30, (len(rendered.sheet.markers), 2))
    moved = tuple(
        replace(marker, x_mm=marker.x_mm + x_mm, y_mm=marker.y_mm + y_mm)
        for marker, (x_mm, y_mm) in zip(rendered.sheet.markers, away_mm, strict=True)
    )
    with pytest.raises(PadsheetError, match="sheet number 1 of another bed") as refusal:
        read_sheet_photo(rendered.photo, replace(rendered.sheet, markers=moved))
    assert refusal.value.code == "photo-other-sheet"
    assert find_markers(rendered.photo, rendered.sheet).elsewhere <= 1


def test_a_mirrored_photo_is_refused(rendered) -> None:
    photo = Photo(rgb=np.ascontiguousarray(rendered.photo.rgb[:, ::-1]))
    with pytest.raises(PadsheetError) as refusal:
        find_markers(photo, rendered.sheet)
    assert refusal.value.code == "photo-mirrored"


def test_half_the_markers_hidden(rendered) -> None:
    """A hand or a tool over one half of the bed leaves at least three markers."""
    hidden = rendered.photo.rgb.copy()
    hidden[: len(hidden) // 2] = 128
    found = find_markers(Photo(rgb=hidden), rendered.sheet)
    assert 3 <= len(found.ids) < len(rendered.sheet.markers)


def covered(rendered, but: int) -> Photo:
    """Return the photo with all markers but so many pasted over."""
    spoilt = rendered.photo.rgb.copy()
    for marker in rendered.sheet.markers[but:]:
        corner = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * (marker.side_mm / 2 + 0.5)
        x, y = (corner + np.array([marker.x_mm, marker.y_mm])).T
        places = rendered.truth.project(x, y, 0.0)
        cv2.fillPoly(spoilt, [np.round(places).astype(np.int32)], (128, 128, 128))
    return Photo(rgb=spoilt)


def test_two_markers_left_read_the_whole_sheet(rendered) -> None:
    photo = covered(rendered, 2)
    assert len(find_markers(photo, rendered.sheet).ids) == 2
    whole = read_sheet_photo(rendered.photo, rendered.sheet).score
    found = read_sheet_photo(photo, rendered.sheet).score
    assert found.order == whole.order
    away = [
        abs(a.gap_mm - b.gap_mm)
        for a, b in zip(found.pads, whole.pads, strict=True)
        if a.gap_mm is not None and b.gap_mm is not None
    ]
    assert max(away) < 0.002


def test_a_single_marker_is_not_believed(rendered) -> None:
    with pytest.raises(PadsheetError) as refusal:
        find_markers(covered(rendered, 1), rendered.sheet)
    assert refusal.value.code == "photo-no-sheet"
    assert "only 1 of the sheet's markers" in str(refusal.value)


def test_an_over_exposed_photo_names_no_other_sheet(rendered) -> None:
    """Burnt-out light leaves shapes that may pass for one marker of any number."""
    photo = Photo(rgb=cv2.convertScaleAbs(rendered.photo.rgb, alpha=9.0))
    assert not set(sheet_numbers_seen(photo)) - {1}
    with pytest.raises(PadsheetError) as refusal:
        find_markers(photo, replace(rendered.sheet, markers=rendered.sheet.markers[:2]))
    assert refusal.value.code == "photo-no-sheet"


def test_noise_is_no_sheet(rendered) -> None:
    rng = np.random.default_rng(5)
    coarse = rng.integers(0, 255, (300, 400, 3), dtype=np.uint8)
    photo = Photo(rgb=cv2.resize(coarse, (1600, 1200), interpolation=cv2.INTER_CUBIC))
    assert not sheet_numbers_seen(photo)
    with pytest.raises(PadsheetError) as refusal:
        find_markers(photo, rendered.sheet)
    assert refusal.value.code == "photo-no-sheet"


def test_three_markers_that_agree_are_believed() -> None:
    # Ids 24 to 35 are those of sheet number 2.
    seen = {24: quad(100, 100), 27: quad(900, 150, 52, 9), 35: quad(500, 700, 66, -8)}
    assert believed_numbers(seen) == {2: 3}


@pytest.mark.parametrize(
    "third",
    [
        pytest.param({}, id="only two"),
        pytest.param({36: quad(500, 700)}, id="of another number"),
        pytest.param({35: quad(500, 700, 60, 90)}, id="turned"),
        pytest.param({35: quad(500, 700, 160)}, id="too large"),
        pytest.param({245: quad(500, 700)}, id="an id that no sheet has"),
    ],
)
def test_what_does_not_agree_is_not_believed(third: dict[int, NDArray[np.float64]]) -> None:
    seen = {24: quad(100, 100), 27: quad(900, 150)} | third
    assert not believed_numbers(seen)


def test_the_turn_that_counts_is_that_between_markers() -> None:
    """A sheet seen upside down is believed like one seen upright."""
    for turn in (178.0, -91.0):
        seen = {k: quad(100.0 * k, 50.0 * k, 60, turn + 4 * k) for k in (1, 2, 3)}
        assert believed_numbers(seen) == {0: 3}
