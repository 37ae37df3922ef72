"""The sheet drawn as it lies on the bed, for scores that come without a photo."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bead import width_mm
from padsheet.patterns.sheet import Sheet

__all__ = ["draw_sheet", "to_drawing"]

_PX_PER_MM = 8.0
_RIM_MM = 6.0
_PLATE, _PRINT = (232, 232, 226), (70, 78, 92)
_SUBPIXEL = 3  # OpenCV draws lines to eighths of a pixel


def _scale(sheet: Sheet) -> float:
    """Return pixels a millimetre; a large plate is drawn smaller."""
    x0, y0, x1, y1 = sheet.plate_outline_mm
    return min(_PX_PER_MM, 2400.0 / (max(x1 - x0, y1 - y0) + 2 * _RIM_MM))


def to_drawing(sheet: Sheet, xy_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn bed millimetres, shape (N, 2), into pixels (column, row) of the drawing, back on top."""
    x0, _, _, y1 = sheet.plate_outline_mm
    xy = np.asarray(xy_mm, float)
    scale = _scale(sheet)
    return np.stack(
        [(xy[..., 0] - x0 + _RIM_MM) * scale, (y1 + _RIM_MM - xy[..., 1]) * scale], axis=-1
    )


def draw_sheet(sheet: Sheet) -> NDArray[np.uint8]:
    """Draw combs, coupons and markers as they are commanded, seen from above with front below.

    Returns
    -------
    ndarray of uint8, shape (M, N, 3)
        sRGB.
    """
    x0, y0, x1, y1 = sheet.plate_outline_mm
    scale = _scale(sheet)
    size = [round((span + 2 * _RIM_MM) * scale) for span in (y1 - y0, x1 - x0)]
    picture = np.full((*size, 3), _PLATE, np.uint8)
    half = sheet.track_length_mm / 2
    for pad in sheet.pads:
        for track in sheet.tracks:
            x = pad.x_mm + track.offset_mm
            wide = float(width_mm(track.area_mm2, track.height_mm))
            _line(picture, sheet, [(x, pad.y_mm - half), (x, pad.y_mm + half)], wide * scale)
        if sheet.tick_mm:
            x, y = pad.x_mm + sheet.tracks[0].offset_mm, pad.y_mm - half
            _line(picture, sheet, [(x - sheet.tick_mm, y), (x, y)], 0.4 * scale)
        if pad.coupon is not None:
            _square(picture, sheet, pad.coupon.x_mm, pad.coupon.y_mm, pad.coupon.side_mm)
    for marker in sheet.markers:
        _square(picture, sheet, marker.x_mm, marker.y_mm, marker.side_mm)
    return picture


def _line(
    picture: NDArray[np.uint8], sheet: Sheet, ends: list[tuple[float, float]], wide_px: float
) -> None:
    places = np.round(to_drawing(sheet, np.array(ends)) * 2**_SUBPIXEL).astype(int)
    first, last = ((int(p[0]), int(p[1])) for p in places)
    cv2.line(picture, first, last, _PRINT, max(1, round(wide_px)), cv2.LINE_AA, _SUBPIXEL)


def _square(picture: NDArray[np.uint8], sheet: Sheet, x: float, y: float, side: float) -> None:
    corners = to_drawing(
        sheet, np.array([(x - side / 2, y - side / 2), (x + side / 2, y + side / 2)])
    )
    low, high = np.round(corners.min(axis=0)).astype(int), np.round(corners.max(axis=0)).astype(int)
    picture[low[1] : high[1], low[0] : high[0]] = _PRINT
