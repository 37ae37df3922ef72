"""The printed markers as OpenCV's own detector sees them, drawn from the finished G-code."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.interpreter import interpret
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.markers import (
    CELLS,
    PLACES,
    dictionary,
    marker_cells,
    marker_id,
    marker_strokes,
    sheet_number_of,
)
from padsheet.patterns.sheet import Marker, Sheet

PX_PER_MM = 10


def raster(text: str, bed: Bed) -> NDArray[np.uint8]:
    """Draw every extruding move as a bar of its own width, seen from above, white on black.

    The width is what a flattened bead of the volume fed has at its height, without the rounding
    of its sides: volume / (length x height). Row 0 is the back of the plate.
    """
    outline = bed.plate.outline
    size = (
        round((outline.y_max_mm - outline.y_min_mm) * PX_PER_MM),
        round((outline.x_max_mm - outline.x_min_mm) * PX_PER_MM),
    )
    picture = np.zeros(size, np.uint8)
    for move in interpret(text).moves:
        if move.e_mm <= 0 or move.xy_mm < 1e-6:
            continue
        area = move.e_mm * math.pi * (bed.nozzle.filament_mm / 2) ** 2 / move.xy_mm
        half = area / move.z1_mm / 2
        along = np.array([move.x1_mm - move.x0_mm, move.y1_mm - move.y0_mm]) / move.xy_mm
        across = np.array([-along[1], along[0]])
        begin = np.array([move.x0_mm, move.y0_mm]) - half * along
        end = np.array([move.x1_mm, move.y1_mm]) + half * along
        corners = np.array(
            [begin - half * across, begin + half * across, end + half * across, end - half * across]
        )
        pixels = (corners - [outline.x_min_mm, outline.y_max_mm]) * [PX_PER_MM, -PX_PER_MM]
        # Four fractional bits, half a pixel to the left: pixel centres at whole numbers.
        shifted = np.round((pixels - 0.5) * 16).astype(np.int32)
        cv2.fillConvexPoly(picture, shifted, 255, lineType=cv2.LINE_AA, shift=4)
    return picture


def detected(picture: NDArray[np.uint8]) -> dict[int, NDArray[np.float64]]:
    """Return the markers' corners as (column, row), four to an id."""
    detector = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250), cv2.aruco.DetectorParameters()
    )
    corners, ids, _ = detector.detectMarkers(picture)
    return (
        {} if ids is None else {int(k): c[0] for k, c in zip(np.ravel(ids), corners, strict=True)}
    )


@pytest.fixture(scope="module", params=[1, 7, 19])
def printed(request: pytest.FixtureRequest) -> tuple[Sheet, NDArray[np.uint8]]:
    bed = Bed()
    sheet = lay_out_sheet(bed, reach_mm=(-0.08, 0.08), number=request.param).sheet
    return sheet, raster(write_gcode(sheet, bed), bed)


@pytest.mark.parametrize("print_is_dark", [True, False])
def test_all_markers_are_found_at_their_places(
    printed: tuple[Sheet, NDArray[np.uint8]], print_is_dark: bool
) -> None:
    sheet, ink = printed
    picture = 255 - ink if print_is_dark else ink
    # A light print on a dark plate is the marker's negative; the detector wants dark cells.
    found = detected(cv2.GaussianBlur(picture if print_is_dark else 255 - picture, (0, 0), 1.5))
    assert set(found) == {m.id for m in sheet.markers}
    for marker in sheet.markers:
        half = marker.side_mm / 2
        x0, x1 = marker.x_mm - half, marker.x_mm + half
        y0, y1 = marker.y_mm - half, marker.y_mm + half
        # First corner is the marker's own top left: it stands at the back left of the bed.
        expected = np.array([[x0, y1], [x1, y1], [x1, y0], [x0, y0]])
        seen = (found[marker.id] + 0.5) / PX_PER_MM
        on_bed = np.stack([seen[:, 0], 220 - seen[:, 1]], axis=1)
        assert np.abs(on_bed - expected).max() < 0.35
        assert np.abs(on_bed.mean(axis=0) - [marker.x_mm, marker.y_mm]).max() < 0.15


def test_a_light_print_is_found_with_inverted_detection(
    printed: tuple[Sheet, NDArray[np.uint8]],
) -> None:
    """Let the detector itself take the negative, as a second way to the other polarity."""
    sheet, ink = printed
    parameters = cv2.aruco.DetectorParameters()
    parameters.detectInvertedMarker = True
    detector = cv2.aruco.ArucoDetector(dictionary(), parameters)
    _, ids, _ = detector.detectMarkers(cv2.GaussianBlur(ink, (0, 0), 1.5))
    assert {m.id for m in sheet.markers} <= set(np.ravel(ids).tolist())


def test_no_pad_looks_like_a_marker(printed: tuple[Sheet, NDArray[np.uint8]]) -> None:
    sheet, ink = printed
    own = {m.id for m in sheet.markers}
    for picture in (ink, 255 - ink):
        assert set(detected(picture)) <= own


@pytest.mark.parametrize("identifier", [0, 1, 17, 100, 239])
def test_cells_are_those_of_the_dictionary(identifier: int) -> None:
    side = CELLS * 8
    picture = cv2.aruco.generateImageMarker(dictionary(), identifier, side)
    np.testing.assert_array_equal(marker_cells(identifier), picture[4::8, 4::8] == 0)
    assert marker_cells(identifier)[[0, -1]].all()
    assert marker_cells(identifier)[:, [0, -1]].all()


def test_ids_are_unique_and_within_the_dictionary() -> None:
    ids = [marker_id(place, number) for number in range(20) for place in range(PLACES)]
    assert len(set(ids)) == 240
    assert max(ids) < len(dictionary().bytesList) == 250
    for number in range(20):
        for place in range(PLACES):
            assert marker_id(place, number) % PLACES == place
            assert sheet_number_of(marker_id(place, number)) == number
    assert marker_id(3, 21) == marker_id(3, 1)


@pytest.mark.parametrize("identifier", [0, 42, 239])
@pytest.mark.parametrize("height_mm", [0.15, 0.21, 0.3])
def test_strokes_cover_the_black_cells_and_no_others(identifier: int, height_mm: float) -> None:
    marker = Marker(id=identifier, x_mm=50.0, y_mm=60.0, side_mm=10.8)
    strokes = marker_strokes(marker, height_mm=height_mm, bore_area_mm2=0.1257, speed_mm_s=25.0)
    scale = 40
    picture = np.zeros((round(10.8 * scale),) * 2, np.uint8)
    for stroke in strokes:
        assert stroke.part == "marker"
        spacing = stroke.area_mm2[0] / height_mm
        for a, b in zip(stroke.xyz_mm, stroke.xyz_mm[1:], strict=False):
            assert a[2] == b[2] == height_mm
            low = np.minimum(a[:2], b[:2]) - np.array([44.6, 54.6]) - spacing / 2
            high = np.maximum(a[:2], b[:2]) - np.array([44.6, 54.6]) + spacing / 2
            c0, r0 = np.round(low * scale).astype(int)
            c1, r1 = np.round(high * scale).astype(int)
            picture[len(picture) - r1 : len(picture) - r0, c0:c1] = 1
    cells = cv2.resize(picture.astype(np.float32), (CELLS, CELLS), interpolation=cv2.INTER_AREA)
    black = marker_cells(identifier)
    assert cells[black].min() > 0.98
    assert cells[~black].max() < 0.02
