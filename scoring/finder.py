"""Finding the printed markers in a photo, whatever the colours of filament and plate."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.markers import CELLS, dictionary, marker_cells, sheet_number_of
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.photo import Photo

__all__ = ["MarkerSightings", "find_markers", "sheet_numbers_seen"]

Floats = NDArray[np.float64]

# Marker cells are some 10 pixels wide at this size, and the fill lines inside them melt together.
_WORK_SIDES = (1500, 2400, 3600)
_ENOUGH = 8
_FEWEST = 3
_OUTLIER_MM = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkerSightings:
    """Markers of a sheet seen in a photo.

    Attributes
    ----------
    ids : tuple of int
        N of the sheet's marker ids.
    corners : ndarray, shape (N, 4, 2)
        Rows and columns of their corners in the full photo: back left, back right, front right,
        front left of the bed.
    bed_xy_mm : ndarray, shape (N, 4, 2)
        The same corners on the bed.
    """

    ids: tuple[int, ...]
    corners: Floats
    bed_xy_mm: Floats


def _marker_corners_mm(sheet: Sheet) -> dict[int, Floats]:
    corner = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) / 2
    return {m.id: np.array([m.x_mm, m.y_mm]) + corner * m.side_mm for m in sheet.markers}


def _detector() -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 4
    parameters.adaptiveThreshWinSizeMin = 11
    parameters.adaptiveThreshWinSizeMax = 71
    parameters.adaptiveThreshWinSizeStep = 20
    parameters.minMarkerPerimeterRate = 0.03
    parameters.polygonalApproxAccuracyRate = 0.06
    # The printed border has gaps where the filament pulled back.
    parameters.maxErroneousBitsInBorderRate = 0.25
    parameters.errorCorrectionRate = 0.4
    parameters.perspectiveRemovePixelPerCell = 8
    return cv2.aruco.ArucoDetector(dictionary(), parameters)


def _smoothed(image: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    """Blur widely; on a smaller copy, since a wide kernel needs no fine grid."""
    factor = max(1, int(sigma_px / 4))
    rows, columns = image.shape[:2]
    small = cv2.resize(
        image,
        (max(1, columns // factor), max(1, rows // factor)),
        interpolation=cv2.INTER_AREA,
    )
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / factor)
    large = cv2.resize(small, (columns, rows), interpolation=cv2.INTER_LINEAR)
    return np.asarray(large, np.float32)


def _flattened(grey: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Take out uneven light and stretch the local contrast."""
    scale = max(grey.shape) / 25
    level = _smoothed(grey, scale / 2)
    away = grey - level
    spread = np.sqrt(_smoothed(away * away, scale)) + 1e-3
    return np.clip(128 + 50 * away / spread, 0, 255).astype(np.uint8)


def _projections(small: NDArray[np.uint8]) -> Iterator[NDArray[np.float32]]:
    """Yield the picture in several colour directions, the likeliest to show the print first."""
    rgb = small.astype(np.float32)
    red, green, blue = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    yield 0.3 * red + 0.55 * green + 0.15 * blue
    yield red - blue
    yield red
    yield blue
    yield red - green
    yield green - blue
    detail = rgb - _smoothed(rgb, max(small.shape) / 50)
    sample = detail[::8, ::8].reshape(-1, 3)
    for axis in np.linalg.eigh(np.cov(sample.T))[1].T[::-1]:
        yield rgb @ axis.astype(np.float32)


def _ink_axis(
    small: NDArray[np.uint8], corners: Floats, identifier: int
) -> NDArray[np.float32] | None:
    """Return the colour direction that best tells printed cells of this marker from bare ones."""
    side = CELLS * 8
    frame = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32)
    warp = cv2.getPerspectiveTransform(corners[:, ::-1].astype(np.float32), frame)
    patch = cv2.warpPerspective(small, warp, (side, side)).astype(np.float32)
    ink = np.kron(marker_cells(identifier), np.ones((8, 8), bool))
    printed, bare = patch[ink], patch[~ink]
    if len(printed) < 10 or len(bare) < 10:
        return None
    within = np.cov(printed.T) + np.cov(bare.T) + 4.0 * np.eye(3)
    axis = np.linalg.solve(within, printed.mean(axis=0) - bare.mean(axis=0))
    return np.asarray(axis / max(float(np.linalg.norm(axis)), 1e-9), np.float32)


def _detect(
    grey: NDArray[np.float32], detector: cv2.aruco.ArucoDetector
) -> Iterator[tuple[int, Floats]]:
    """Yield id and corners (row, column) of markers in either polarity."""
    flat = _flattened(np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.2), np.float32))
    for picture in (flat, 255 - flat):
        corners, ids, _ = detector.detectMarkers(picture)
        if ids is None:
            continue
        for quad, identifier in zip(corners, np.ravel(ids), strict=True):
            yield int(identifier), np.asarray(quad, float).reshape(4, 2)[:, ::-1]


def _consistent(
    seen: dict[int, Floats], places: dict[int, Floats], px_per_mm: float
) -> dict[int, Floats]:
    """Keep the sightings that one homography explains."""
    ids = [k for k in seen if k in places]
    if len(ids) < 2:
        return {k: seen[k] for k in ids}
    source = np.concatenate([places[k] for k in ids]).astype(np.float32)
    target = np.concatenate([seen[k][:, ::-1] for k in ids]).astype(np.float32)
    _, inside = cv2.findHomography(source, target, cv2.RANSAC, _OUTLIER_MM * px_per_mm)
    if inside is None:
        return {}
    kept = inside.reshape(-1, 4).sum(axis=1) >= 3
    return {k: seen[k] for k, good in zip(ids, kept, strict=True) if good}


def _shrunk(photo: Photo, side: int) -> tuple[NDArray[np.uint8], float]:
    scale = min(1.0, side / max(photo.rgb.shape[:2]))
    if scale == 1.0:
        return photo.rgb, 1.0
    size = (round(photo.rgb.shape[1] * scale), round(photo.rgb.shape[0] * scale))
    small = cv2.resize(photo.rgb, size, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8), scale


def _scan(photo: Photo, wanted: set[int], enough: int) -> Iterator[dict[int, Floats]]:
    """Yield all ids seen so far, corners in full-size pixels, after each projection tried."""
    detector = _detector()
    seen: dict[int, Floats] = {}
    learnt = False
    for side in _WORK_SIDES:
        small, scale = _shrunk(photo, side)
        queue = list(_projections(small))
        while queue:
            for identifier, corners in _detect(queue.pop(0), detector):
                seen.setdefault(identifier, (corners + 0.5) / scale - 0.5)
            yield seen
            hits = wanted & seen.keys()
            if hits and not learnt and len(hits) < enough:
                # The first marker found tells the colours of ink and plate.
                first = next(iter(sorted(hits)))
                axis = _ink_axis(small, (seen[first] + 0.5) * scale - 0.5, first)
                if axis is not None:
                    learnt = True
                    queue.insert(0, small.astype(np.float32) @ axis)
        if scale == 1.0:
            return


def sheet_numbers_seen(photo: Photo) -> Counter[int]:
    """Count, for each sheet number modulo 20, how many markers of it the photo shows."""
    best: Counter[int] = Counter()
    for seen in _scan(photo, set(), _ENOUGH):
        best = Counter(sheet_number_of(k) for k in seen if k < 240)
        if best and best.most_common(1)[0][1] >= 4:
            break
    return best


def find_markers(photo: Photo, sheet: Sheet) -> MarkerSightings:
    """Find the sheet's markers.

    Raises
    ------
    PadsheetError
        If the photo shows another sheet, is mirrored, or shows fewer than three markers.
    """
    places = _marker_corners_mm(sheet)
    outline = sheet.plate_outline_mm
    px_per_mm = max(photo.rgb.shape[:2]) / max(outline[2] - outline[0], outline[3] - outline[1])
    enough = min(_ENOUGH, len(places))
    good: dict[int, Floats] = {}
    everything: dict[int, Floats] = {}
    for seen in _scan(photo, set(places), enough):
        everything = seen
        good = _consistent(seen, places, px_per_mm)
        if len(good) >= enough:
            break
    if len(good) < _FEWEST:
        raise _why_not(photo, sheet, everything, len(good))
    ids = tuple(sorted(good))
    return MarkerSightings(
        ids=ids,
        corners=np.array([good[k] for k in ids]),
        bed_xy_mm=np.array([places[k] for k in ids]),
    )


def _why_not(photo: Photo, sheet: Sheet, seen: dict[int, Floats], found: int) -> PadsheetError:
    """Say why the sheet was not found."""
    numbers = Counter(sheet_number_of(k) for k in seen if k < 240)
    others = [n for n, count in numbers.items() if count >= 3 and n != sheet.number % 20]
    if others:
        return PadsheetError(
            f"the photo shows sheet number {others[0]}, not sheet number {sheet.number % 20}",
            remedy="Give the photo of this sheet, or name the other sheet with --sheet.",
            code="photo-other-sheet",
        )
    mirrored = Photo(rgb=np.ascontiguousarray(photo.rgb[:, ::-1]), name=photo.name)
    places = set(_marker_corners_mm(sheet))
    for flipped in _scan(mirrored, places, _FEWEST):
        if len(places & flipped.keys()) >= _FEWEST:
            return PadsheetError(
                "the photo is mirrored",
                remedy="Switch off mirroring, or take the photo with the camera on the back.",
                code="photo-mirrored",
            )
        break
    what = "no marker of the sheet" if not found else f"only {found} of the sheet's markers"
    return PadsheetError(
        f"{what} could be found in the photo",
        remedy="Take the whole sheet into the frame, in focus and even light without glare, from "
        "above; clean the lens.",
        code="photo-no-sheet",
    )
