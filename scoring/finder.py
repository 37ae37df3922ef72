"""Finding the printed markers in a photo, whatever the colours of filament and plate."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.markers import (
    CELLS,
    PLACES,
    SHEET_NUMBERS,
    dictionary,
    marker_cells,
    sheet_number_of,
)
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.photo import Photo

__all__ = ["MarkerSightings", "believed_numbers", "find_markers", "other_bed", "sheet_numbers_seen"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """How to look: longer side of the picture, widths of the threshold window, colours tried."""

    side: int
    windows: tuple[int, int, int]
    colours: int | None = None


# Marker cells are some 10 pixels wide at this size, and the fill lines inside them melt together.
# One look in grey with one window finds nearly every sheet; only where it does not, all colours
# and windows are tried, and then larger pictures.
_FIRST = _Look(side=1250, windows=(31, 31, 20), colours=1)
_THOROUGH = _Look(side=1500, windows=(15, 63, 24))
_DEEP = (
    _Look(side=2400, windows=(31, 71, 40), colours=5),
    _Look(side=3600, windows=(51, 51, 20), colours=2),
)
_FIRST_CELL_PX, _FIRST_MOST_SIDE = 6.5, 2400
# Markers of one sheet agree on its number, stand the same way up and are about as large; three
# are believed, since one or two may be shapes that only look like markers.
_BELIEVED = 3
_TURNED_RAD, _SIZE_RATIO = 0.6, 1.8
_ENOUGH = 8
# Two give the pose of the camera, and the lattice of pads completes it.
_FEWEST = 2
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
    elsewhere : int
        Markers of the sheet's number, alike in size and direction, that lie where it has none.
    """

    ids: tuple[int, ...]
    corners: Floats
    bed_xy_mm: Floats
    elsewhere: int = 0


def _marker_corners_mm(sheet: Sheet) -> dict[int, Floats]:
    corner = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) / 2
    return {m.id: np.array([m.x_mm, m.y_mm]) + corner * m.side_mm for m in sheet.markers}


def _detector(windows: tuple[int, int, int]) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 4
    parameters.adaptiveThreshWinSizeMin = windows[0]
    parameters.adaptiveThreshWinSizeMax = windows[1]
    parameters.adaptiveThreshWinSizeStep = windows[2]
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
    away = grey - _smoothed(grey, scale / 2)
    spread = np.sqrt(_smoothed(away * away, scale))
    spread += 1e-3
    away *= 50
    away /= spread
    away += 128
    return np.clip(away, 0, 255, out=away).astype(np.uint8)


def _projections(small: NDArray[np.uint8]) -> Iterator[NDArray[np.float32]]:
    """Yield the picture in several colour directions, the likeliest to show the print first."""
    rgb = small.astype(np.float32)
    yield np.asarray(cv2.transform(rgb, np.array([[0.3, 0.55, 0.15]], np.float32)), np.float32)
    red, green, blue = rgb[..., 0], rgb[..., 1], rgb[..., 2]
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
) -> Iterator[list[tuple[int, Floats]]]:
    """Yield ids and corners (row, column) of markers, of dark print and then of light print."""
    flat = _flattened(np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.2), np.float32))
    for picture in (flat, 255 - flat):
        corners, ids, _ = detector.detectMarkers(picture)
        yield [
            (int(identifier), np.asarray(quad, float).reshape(4, 2)[:, ::-1])
            for quad, identifier in zip(corners, np.ravel([] if ids is None else ids), strict=True)
        ]


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


def _scan(
    photo: Photo, looks: Iterable[_Look], wanted: set[int], enough: int
) -> Iterator[dict[int, Floats]]:
    """Yield all ids seen so far, corners in full-size pixels, after each picture looked at."""
    seen: dict[int, Floats] = {}
    learnt = False
    for look in looks:
        small, scale = photo.shrunk(look.side)
        detector = _detector(look.windows)
        queue = itertools.islice(_projections(small), look.colours)
        axes: list[NDArray[np.float32]] = []
        while (grey := axes.pop() if axes else next(queue, None)) is not None:
            for found in _detect(grey, detector):
                for identifier, corners in found:
                    seen.setdefault(identifier, (corners + 0.5) / scale - 0.5)
                yield seen
            hits = wanted & seen.keys()
            if hits and not learnt and len(hits) < enough:
                # The first marker found tells the colours of ink and plate.
                first = next(iter(sorted(hits)))
                axis = _ink_axis(small, (seen[first] + 0.5) * scale - 0.5, first)
                if axis is not None:
                    learnt = True
                    # Print darker than plate, as is looked for first.
                    axes.append(small.astype(np.float32) @ -axis)
        if scale == 1.0:
            return


def believed_numbers(seen: Mapping[int, NDArray[np.float64]]) -> Counter[int]:
    """Count, for each sheet number modulo 20, the markers that agree on it.

    Parameters
    ----------
    seen : mapping of int to ndarray, shape (4, 2)
        Corners (row, column) by id: back left, back right, front right, front left.

    Returns
    -------
    Counter of int
        Only numbers on which three or more markers agree that stand the same way up and are about
        as large: a texture or a glare may look like one marker, but not like a row of them.
    """
    groups: dict[int, list[Floats]] = {}
    for identifier, corners in seen.items():
        if identifier < PLACES * SHEET_NUMBERS:
            groups.setdefault(sheet_number_of(identifier), []).append(corners)
    counts: Counter[int] = Counter()
    for number, group in groups.items():
        quads = np.array(group)
        edge = quads[:, 1] - quads[:, 0] + quads[:, 2] - quads[:, 3]
        heading = np.arctan2(edge[:, 0], edge[:, 1])
        size = np.linalg.norm(quads - np.roll(quads, 1, axis=1), axis=2).mean(axis=1)
        turned = np.abs(np.angle(np.exp(1j * (heading[:, None] - heading))))
        ratio = np.abs(np.log(size[:, None] / size))
        alike = (turned < _TURNED_RAD) & (ratio < np.log(_SIZE_RATIO))
        if (agreeing := int(alike.sum(axis=1).max())) >= _BELIEVED:
            counts[number] = agreeing
    return counts


def sheet_numbers_seen(photo: Photo) -> Counter[int]:
    """Count, for each sheet number modulo 20, how many markers of it the photo shows.

    Only numbers that several markers agree on count; see `believed_numbers`.
    """
    numbers: Counter[int] = Counter()
    for seen in _scan(photo, (_FIRST, _THOROUGH), set(), _ENOUGH):
        numbers = believed_numbers(seen)
        if numbers and numbers.most_common(1)[0][1] > _BELIEVED:
            break
    return numbers


def find_markers(photo: Photo, sheet: Sheet) -> MarkerSightings:
    """Find the sheet's markers.

    Raises
    ------
    PadsheetError
        If the photo shows another sheet, is mirrored, or shows fewer than two markers.
    """
    places = _marker_corners_mm(sheet)
    outline = sheet.plate_outline_mm
    plate_mm = max(outline[2] - outline[0], outline[3] - outline[1])
    px_per_mm = max(photo.rgb.shape[:2]) / plate_mm
    enough = min(_ENOUGH, len(places))
    good: dict[int, Floats] = {}
    for looks in ((_first_look(sheet, plate_mm),), (_THOROUGH,), _DEEP):
        everything: dict[int, Floats] = {}
        for seen in _scan(photo, looks, set(places), enough):
            everything = seen
            found = _consistent(seen, places, px_per_mm)
            good = max(good, found, key=len)
            if len(good) >= enough:
                break
        if len(good) >= enough:
            break
        if len(good) < _FEWEST:
            _refuse_other(photo, sheet, everything)
    if len(good) < _FEWEST:
        own = believed_numbers(everything)[sheet.number % SHEET_NUMBERS]
        raise other_bed(sheet, len(good), own - len(good)) or _not_found(len(good))
    ids = tuple(sorted(good))
    own = believed_numbers(everything)[sheet.number % SHEET_NUMBERS]
    return MarkerSightings(
        elsewhere=max(0, own - len(good)),
        ids=ids,
        corners=np.array([good[k] for k in ids]),
        bed_xy_mm=np.array([places[k] for k in ids]),
    )


def _first_look(sheet: Sheet, plate_mm: float) -> _Look:
    """Return the first look, at a size that shows the cells of small markers well enough."""
    cell_mm = min((m.side_mm for m in sheet.markers), default=10.0) / CELLS
    side = round(_FIRST_CELL_PX * plate_mm / cell_mm)
    return replace(_FIRST, side=min(max(side, _FIRST.side), _FIRST_MOST_SIDE))


def _refuse_other(photo: Photo, sheet: Sheet, seen: dict[int, Floats]) -> None:
    """Raise if the photo shows another sheet or is mirrored."""
    own = sheet.number % SHEET_NUMBERS
    others = [number for number, _ in believed_numbers(seen).most_common() if number != own]
    if others:
        raise PadsheetError(
            f"the photo shows sheet number {others[0]}, not sheet number {own}",
            remedy="Give the photo of this sheet, or name the other sheet with --sheet.",
            code="photo-other-sheet",
        )
    small, _ = photo.shrunk(_THOROUGH.side)
    mirrored = Photo(rgb=np.ascontiguousarray(small[:, ::-1]), name=photo.name)
    grey = replace(_THOROUGH, colours=1)
    for flipped in _scan(mirrored, (grey,), set(), _ENOUGH):
        if believed_numbers(flipped)[own] >= _BELIEVED:
            raise PadsheetError(
                "the photo is mirrored",
                remedy="Switch off mirroring, or take the photo with the camera on the back.",
                code="photo-mirrored",
            )


def other_bed(sheet: Sheet, here: int, elsewhere: int) -> PadsheetError | None:
    """Return what to say of a photo whose markers have the right number at the wrong places.

    Parameters
    ----------
    sheet : Sheet
        Which the photo is taken for.
    here, elsewhere : int
        How many of its markers lie where it has them, and how many do not.

    Returns
    -------
    PadsheetError or None
        None where the markers do not tell.
    """
    if elsewhere < _BELIEVED or elsewhere <= here:
        return None
    return PadsheetError(
        f"the photo shows sheet number {sheet.number} of another bed, or of this one with another "
        f"bed.toml: {elsewhere} of {here + elsewhere} markers lie elsewhere than on this sheet",
        remedy="Score it in that bed's folder (`padsheet -C DIR score PHOTO`).",
        code="photo-other-sheet",
    )


def _not_found(found: int) -> PadsheetError:
    """Say that the sheet was not found."""
    what = "no marker of the sheet" if not found else f"only {found} of the sheet's markers"
    return PadsheetError(
        f"{what} could be found in the photo",
        remedy="Take the whole sheet into the frame, in focus and even light without glare, from "
        "above; clean the lens.",
        code="photo-no-sheet",
    )
