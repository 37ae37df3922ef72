"""Registering a photo: from the markers to a camera that the printed lines themselves confirm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Pad, Sheet
from padsheet.scoring.camera import (
    Camera,
    camera_from_homography,
    fit_camera,
    focal_prior_px,
    homography,
)
from padsheet.scoring.finder import MarkerSightings
from padsheet.scoring.lines import Lines, pad_lines
from padsheet.scoring.photo import Photo, linear_light

__all__ = ["Registration", "register"]

Floats = NDArray[np.float64]

_MARKER_SIGMA_MM = 0.12
_LINE_SIGMA_MM = 0.02
_BAD_RMS_MM = 0.06
_PIECES = 3
# Some hundreds of sightings all over the bed fix the camera; more only take time.
_MOST_PADS = 36
# A first camera that was farther off than this did not see the lines' middles well.
_STEADY_MM = 0.3
_PASSES = 3
_SAMPLES_ALONG, _LEAST_ACROSS = 12, 16
_LEAST_SEPARATION = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Registration:
    """A registered photo.

    Attributes
    ----------
    camera : Camera
    rms_mm : float
        Residual of the lines' middles about their predicted places, across the lines.
    lines_used : int
    """

    camera: Camera
    rms_mm: float
    lines_used: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sightings:
    xyz_mm: Floats
    row_column: Floats
    across: Floats
    scale: Floats


def _marker_camera(
    sightings: MarkerSightings, shape: tuple[int, int], prior: tuple[float, float]
) -> Camera:
    corners = sightings.corners.reshape(-1, 2)
    on_bed = sightings.bed_xy_mm.reshape(-1, 2)
    start = camera_from_homography(homography(on_bed, corners), shape, prior[0])
    flat = np.c_[on_bed, np.zeros(len(on_bed))]
    scale = float(np.median(start.px_per_mm(on_bed, np.array([1.0, 0.0]))))
    camera, _ = fit_camera(
        start,
        np.repeat(flat, 2, axis=0),
        np.repeat(corners, 2, axis=0),
        across=np.tile(np.eye(2), (len(flat), 1)),
        sigma_px=np.full(2 * len(flat), _MARKER_SIGMA_MM * scale),
        shape=shape,
        focal_prior=prior,
    )
    return camera


def _turns(sheet: Sheet, pad: Pad) -> Lines:
    """Return the short cross pieces that join neighbouring tracks: they fix the y direction."""
    offsets = [t.offset_mm for t in sheet.tracks]
    half = sheet.track_length_mm / 2
    places = []
    for k in range(4):
        side = half if k % 2 == 0 else -half
        places.append((pad.x_mm + (offsets[k] + offsets[k + 1]) / 2, pad.y_mm + side))
        places.append((pad.x_mm + (offsets[9 - k] + offsets[8 - k]) / 2, pad.y_mm + side))
    return Lines(
        middle_mm=np.array(places),
        along=np.tile([1.0, 0.0], (len(places), 1)),
        length_mm=0.8,
        reach_mm=0.9,
    )


def _spread_pads(sheet: Sheet) -> list[Pad]:
    """Choose up to `_MOST_PADS` pads, each as far as can be from those before it."""
    if len(sheet.pads) <= _MOST_PADS:
        return list(sheet.pads)
    places = np.array([[p.x_mm, p.y_mm] for p in sheet.pads])
    chosen = [int(np.argmax(np.hypot(*(places - places.mean(axis=0)).T)))]
    apart = np.full(len(places), np.inf)
    while len(chosen) < _MOST_PADS:
        apart = np.minimum(apart, np.hypot(*(places - places[chosen[-1]]).T))
        chosen.append(int(np.argmax(apart)))
    return [sheet.pads[k] for k in sorted(chosen)]


def _pieces(lines: Lines, pieces: int) -> Lines:
    """Cut lines into pieces along them."""
    share = lines.length_mm * ((np.arange(pieces) + 0.5) / pieces - 0.5)
    middle = lines.middle_mm[:, None] + share[:, None] * lines.along[:, None]
    return Lines(
        middle_mm=middle.reshape(-1, 2),
        along=np.repeat(lines.along, pieces, axis=0),
        length_mm=lines.length_mm / pieces,
        reach_mm=lines.reach_mm,
    )


def _profiles(
    photo: Photo, camera: Camera, pads: Sequence[Lines], z_mm: float
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Sample the lines of P pads, N lines each, and average along them.

    A piece is so short that picture and bed differ by a straight map over it.

    Returns
    -------
    profiles : ndarray, shape (P, N, U, 3)
        Linear light across the lines.
    u_mm : ndarray, shape (U,)
    whole : ndarray of bool, shape (P,)
        Whether all lines of the pad lie inside the picture.
    """
    middle = np.stack([lines.middle_mm for lines in pads])
    along = np.stack([lines.along for lines in pads]) * pads[0].length_mm
    across = np.stack([lines.across for lines in pads])

    def seen(xy: Floats) -> Floats:
        return camera.project(np.concatenate([xy, np.full_like(xy[..., :1], z_mm)], axis=-1))

    centre = seen(middle)
    to_along = seen(middle + along / 2) - seen(middle - along / 2)
    to_across = seen(middle + across / 2) - seen(middle - across / 2)
    scale = float(np.median(np.hypot(to_across[..., 0], to_across[..., 1])))
    reach = pads[0].reach_mm
    columns = max(_LEAST_ACROSS, int(np.ceil(2 * reach * scale)))
    u = np.linspace(-reach, reach, columns)
    s = (np.arange(_SAMPLES_ALONG) + 0.5) / _SAMPLES_ALONG - 0.5
    places = (
        centre[..., None, None, :]
        + s[:, None, None] * to_along[..., None, None, :]
        + u[:, None] * to_across[..., None, None, :]
    ).astype(np.float32)
    # OpenCV takes maps of up to 32767 rows and columns.
    flat = places.reshape(-1, _SAMPLES_ALONG * columns, 2)
    rows, columns_seen = np.ascontiguousarray(flat[..., 0]), np.ascontiguousarray(flat[..., 1])
    codes = cv2.remap(photo.rgb, columns_seen, rows, cv2.INTER_LINEAR)
    shape = (*middle.shape[:2], _SAMPLES_ALONG, columns, 3)
    profiles = linear_light(np.asarray(codes, np.uint8)).reshape(shape).mean(axis=2)
    ends = np.array(photo.rgb.shape[:2]) - 1
    whole = ((places >= 0) & (places <= ends)).all(axis=(1, 2, 3, 4))
    return np.asarray(profiles, float), u, np.asarray(whole)


def _print_from_plate(profiles: Floats, u: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Project profiles (P, N, U, 3) on the colour axis that tells print from plate: (P, N, U).

    The plate reads 0 and the print 1. The axis is Fisher's linear discriminant (Annals of Eugenics
    7 (1936) 179-188), of each pad by itself. The second array (P,) tells where it tells them apart.
    """
    pads = len(profiles)
    printed = profiles[:, :, np.abs(u) < max(0.12, 0.6 * (u[1] - u[0]))].reshape(pads, -1, 3)
    bare = profiles[:, :, np.abs(u) > u[-1] - 0.15].reshape(pads, -1, 3)
    on_print, on_plate = np.median(printed, axis=1), np.median(bare, axis=1)
    away = np.concatenate([printed - on_print[:, None], bare - on_plate[:, None]], axis=1)
    # The nearest four in five: strings and specks do not count.
    size = np.abs(away).sum(axis=2)
    near = size <= np.quantile(size, 0.8, axis=1, keepdims=True)
    away = np.where(near[..., None], away, 0.0)
    within = np.einsum("pni,pnj->pij", away, away) / np.maximum(near.sum(axis=1), 1)[:, None, None]
    trace = np.trace(within, axis1=1, axis2=2)
    within += (1e-7 + 1e-2 * trace)[:, None, None] * np.eye(3)
    apart = on_print - on_plate
    axis = np.linalg.solve(within, apart[..., None])[..., 0]
    gain = np.maximum((axis * apart).sum(axis=1), 1e-12)
    away = profiles - on_plate[:, None, None]
    values = np.einsum("pnuc,pc->pnu", away, axis / gain[:, None])
    return np.asarray(values), np.sqrt(gain) >= _LEAST_SEPARATION


def _middles(values: Floats, u: Floats) -> Floats:
    """Return the middle between the half levels of bars (N, U); NaN where there is no bar.

    The half-way threshold has the smallest error (Cho, Yoon, Jung, Sensors 18(8) (2018) 2644, doi
    10.3390/s18082644); a bias of the two edges that is alike cancels in their middle.
    """
    level = np.median(values[:, np.abs(u) > u[-1] - 0.15], axis=1)
    top = np.quantile(values[:, np.abs(u) < 0.45], 0.8, axis=1)
    contrast = top - level
    share = (values - level[:, None]) / np.where(np.abs(contrast) > 1e-9, contrast, np.nan)[:, None]
    low = ~(share > 0.5)
    # The bar is the run of high values about the highest place near the expected middle.
    start = np.argmax(np.where(np.abs(u) < 0.6, share, -np.inf), axis=1)
    columns, n = len(u), np.arange(len(values))
    ends = []
    for step in (-1, 1):
        beyond = low & ((np.arange(columns) - start[:, None]) * step > 0)
        first = beyond.argmax(axis=1) if step > 0 else columns - 1 - beyond[:, ::-1].argmax(axis=1)
        inside = np.clip(first - step, 0, columns - 1)
        high, under = share[n, inside], share[n, first]
        with np.errstate(invalid="ignore", divide="ignore"):
            at = u[inside] + (high - 0.5) / (high - under) * (u[first] - u[inside])
        ends.append(np.where(beyond.any(axis=1), at, np.nan))
    left, right = ends
    width = right - left
    if not np.isfinite(width).any():
        return width
    usual_width, usual_contrast = np.nanmedian(width), np.median(contrast)
    good = (contrast > 0.5 * usual_contrast) & (width > 0.4 * usual_width)
    good &= width < 2.2 * usual_width
    return np.where(good, (left + right) / 2, np.nan)


def _see(photo: Photo, camera: Camera, pads: Sequence[Lines], z_mm: float) -> _Sightings | None:
    """Find the middles of lines near where the camera predicts them."""
    profiles, u, whole = _profiles(photo, camera, pads, z_mm)
    values, clear = _print_from_plate(profiles[whole], u)
    kept = [lines for lines, inside in zip(pads, whole, strict=True) if inside]
    kept = [lines for lines, seen in zip(kept, clear, strict=True) if seen]
    if not kept:
        return None
    middle = _middles(values[clear].reshape(-1, len(u)), u)
    good = np.isfinite(middle)
    middle_mm = np.concatenate([lines.middle_mm for lines in kept])[good]
    across = np.concatenate([lines.across for lines in kept])[good]
    middle = middle[good]

    def seen(offset: Floats | float) -> Floats:
        xy = middle_mm + np.reshape(offset, (-1, 1)) * across
        return camera.project(np.c_[xy, np.full(len(xy), z_mm)])

    unit = seen(0.5) - seen(-0.5)
    scale = np.hypot(unit[:, 0], unit[:, 1])
    return _Sightings(
        xyz_mm=np.c_[middle_mm, np.full(len(middle_mm), z_mm)],
        row_column=seen(middle),
        across=unit / scale[:, None],
        scale=scale,
    )


def register(photo: Photo, sheet: Sheet, markers: MarkerSightings) -> Registration:
    """Fit the camera to the printed lines, starting from the markers.

    Raises
    ------
    PadsheetError
        If the lines are not where markers and sheet say.
    """
    shape = photo.rgb.shape[:2]
    prior = focal_prior_px(shape, photo.focal_35mm)
    camera = _marker_camera(markers, shape, prior)
    z_mm = sheet.target_gap_mm / 2
    pads = _spread_pads(sheet)
    kinds = (
        [_pieces(pad_lines(sheet, pad), _PIECES) for pad in pads],
        [_turns(sheet, pad) for pad in pads],
    )
    rms, used = np.inf, 0
    for _ in range(_PASSES):
        seen = [_see(photo, camera, lines, z_mm) for lines in kinds]
        found = [sightings for sightings in seen if sightings is not None]
        used = sum(len(f.xyz_mm) for f in found)
        if used < 40:
            raise PadsheetError(
                "the printed lines cannot be made out in the photo",
                remedy="Take the photo in focus and in even light without glare, as near as the "
                "whole sheet allows; if print and plate look alike, use another filament colour.",
                code="photo-no-lines",
            )
        xyz_mm = np.concatenate([f.xyz_mm for f in found])
        across = np.concatenate([f.across for f in found])
        scale = np.concatenate([f.scale for f in found])
        before = camera
        camera, residual = fit_camera(
            before,
            xyz_mm,
            np.concatenate([f.row_column for f in found]),
            across=across,
            sigma_px=_LINE_SIGMA_MM * scale,
            shape=shape,
            focal_prior=prior,
        )
        change = ((camera.project(xyz_mm) - before.project(xyz_mm)) * across).sum(axis=1)
        # Half the residuals are below the median: a few strays do not count.
        rms = 1.4826 * float(np.median(np.abs(residual / scale)))
        if np.abs(change / scale).max() < _STEADY_MM:
            break
    if rms > _BAD_RMS_MM:
        raise PadsheetError(
            f"the printed lines lie {rms:.2f} mm from where the sheet has them",
            remedy="Check that the photo shows this sheet, and that no axis lost steps; lay the "
            "plate flat and take the photo again.",
            code="photo-registration",
        )
    return Registration(camera=camera, rms_mm=rms, lines_used=used)
