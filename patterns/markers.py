"""Printed ArUco markers: which id stands where, and the strokes that fill its black cells."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Rectangle
from padsheet.patterns.pad import zigzag
from padsheet.patterns.sheet import Marker, Stroke

__all__ = [
    "CELLS",
    "PLACES",
    "SHEET_NUMBERS",
    "dictionary",
    "marker_cells",
    "marker_id",
    "marker_strokes",
    "sheet_number_of",
]

PLACES = 12
"""Most markers on a sheet."""

CELLS = 6
"""Cells along a marker's side: four of code and one of border on either side."""

SHEET_NUMBERS = 20
"""How many sheet numbers the ids tell apart: they carry the number modulo this."""


def dictionary() -> cv2.aruco.Dictionary:
    """Return the marker dictionary: 4 x 4 bits, 250 markers."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250)


def marker_id(place: int, number: int) -> int:
    """Return the id at a place of sheet `number`.

    Examples
    --------
    >>> marker_id(3, 2)
    27
    """
    return place + PLACES * (number % SHEET_NUMBERS)


def sheet_number_of(identifier: int) -> int:
    """Return the sheet number, modulo 20, that an id carries."""
    return identifier // PLACES


@cache
def _bits(identifier: int) -> bytes:
    image = cv2.aruco.generateImageMarker(dictionary(), identifier, CELLS)
    return bytes((np.asarray(image) == 0).astype(np.uint8).tobytes())


def marker_cells(identifier: int) -> NDArray[np.bool_]:
    """Return which cells are black (printed), shape (6, 6), row 0 at the back of the bed."""
    return np.frombuffer(_bits(identifier), np.uint8).reshape(CELLS, CELLS).astype(bool)


@cache
def _rectangles(identifier: int) -> tuple[tuple[int, int, int, int], ...]:
    """Split black cells into few rectangles (row, column, rows, columns), largest first."""
    left = marker_cells(identifier).copy()
    found = []
    while left.any():
        best = (0, 0, 0, 0)
        for r, c in np.argwhere(left):
            width = CELLS
            for rows in range(1, CELLS - int(r) + 1):
                row = left[r + rows - 1, c:]
                run = int(np.argmin(row)) if not row.all() else len(row)
                width = min(width, run)
                if width == 0:
                    break
                if rows * width > best[2] * best[3]:
                    best = (int(r), int(c), rows, width)
        r, c, rows, width = best
        left[r : r + rows, c : c + width] = False
        found.append(best)
    return tuple(found)


def marker_strokes(
    marker: Marker, *, height_mm: float, bore_area_mm2: float, speed_mm_s: float
) -> tuple[Stroke, ...]:
    """Fill the black cells of a marker.

    Parameters
    ----------
    marker : Marker
        Id, centre and side.
    height_mm : float
        Nozzle height; the area of the lines is chosen to fill the cells from there.
    bore_area_mm2 : float
        Lines are near this area, at which they are most stable.
    speed_mm_s : float
        Printing speed.
    """
    cell = marker.side_mm / CELLS
    x0, y1 = marker.x_mm - marker.side_mm / 2, marker.y_mm + marker.side_mm / 2
    lines = max(1, round(cell / (bore_area_mm2 / height_mm)))
    spacing = cell / lines
    strokes = []
    for row, column, rows, columns in _rectangles(marker.id):
        corners = zigzag(
            Rectangle(
                x_min_mm=x0 + column * cell,
                y_min_mm=y1 - (row + rows) * cell,
                x_max_mm=x0 + (column + columns) * cell,
                y_max_mm=y1 - row * cell,
            ),
            spacing,
        )
        strokes.append(
            Stroke(
                part="marker",
                label=f"marker {marker.id}",
                xyz_mm=tuple((round(x, 4), round(y, 4), height_mm) for x, y in corners),
                area_mm2=(spacing * height_mm,) * (len(corners) - 1),
                speed_mm_s=speed_mm_s,
            )
        )
    return tuple(strokes)
