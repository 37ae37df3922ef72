"""Pictures of single pads, cut out of a photo and straightened, for the report."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.sheet import Pad, Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.medians import median
from padsheet.scoring.photo import Photo

__all__ = ["pad_crops"]

_CROP_PX_PER_MM = 10.0
# What is shown beside the outermost tracks, and before and behind them.
_RIM_X_MM, _RIM_Y_MM = 1.5, 3.0


def pad_crops(
    photo: Photo, camera: Camera, sheet: Sheet, pads: Sequence[Pad]
) -> dict[tuple[int, int], NDArray[np.uint8]]:
    """Straighten pictures of pads, seen from above with front below.

    Returns
    -------
    dict of (i, j) to ndarray of uint8, shape (M, N, 3)
        sRGB, all of one size: 10 pixels a millimetre, or as many as the photo if that has fewer.
    """
    half_x = max(abs(t.offset_mm) for t in sheet.tracks) + _RIM_X_MM
    half_y = sheet.track_length_mm / 2 + _RIM_Y_MM
    middles = np.array([[pad.x_mm, pad.y_mm] for pad in pads]).reshape(-1, 1, 2)
    scale = min(_CROP_PX_PER_MM, median(camera.px_per_mm(middles[:, 0], np.array([1.0, 0.0]))))
    size = (int(2 * half_x * scale), int(2 * half_y * scale))
    # A pad is so small that a plain perspective shows it as the lens does, for the eye.
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (np.array(size) - 1)
    across = ((corners + 0.5) / scale - np.array([half_x, half_y])) * np.array([1.0, -1.0])
    seen = camera.project(middles + across)[..., ::-1].astype(np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    frame = corners.astype(np.float32)
    crops = {}
    for pad, quad in zip(pads, seen, strict=True):
        warp = cv2.getPerspectiveTransform(frame, np.ascontiguousarray(quad))
        crop = cv2.warpPerspective(photo.rgb, warp, size, flags=flags)
        crops[pad.i, pad.j] = np.asarray(crop, np.uint8)
    return crops
