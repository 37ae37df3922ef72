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
    CameraFit,
    camera_from_homography,
    fit_camera,
    focal_prior_px,
    homography,
)
from padsheet.scoring.finder import MarkerSightings, other_bed
from padsheet.scoring.medians import median, medians, quantiles
from padsheet.scoring.patches import Lines, pad_lines
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
# A fit is done when a step lowers its cost by less than this part: that of the last camera, and of
# those that only tell where to look next.
_STILL, _NEARLY_STILL = 1e-9, 1e-5
_SAMPLES_ALONG, _LEAST_ACROSS = 12, 16
_LEAST_SEPARATION = 1.0
_FEWEST_LINES, _FEWEST_GROWING = 40, 12
# Lines are looked for where a pad's place is known to this part of their pitch, and whole combs
# before that, so many standard deviations about their place.
_SURE_OF_PITCH = 0.12
_SEARCH_SIGMAS, _SEARCH_MM = 4.0, 6.0
_COMB_STEP_MM, _MARGIN_MM, _COMB_SIGMA_MM, _LEAST_MATCH = 0.2, 1.0, 0.2, 0.4
_CORRELATION = cv2.TM_CCOEFF_NORMED


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
    sigma_mm: Floats


def _corner_sightings(markers: MarkerSightings, camera: Camera) -> _Sightings:
    """Return the corners of the markers as sightings."""
    on_bed = markers.bed_xy_mm.reshape(-1, 2)
    flat = np.c_[on_bed, np.zeros(len(on_bed))]
    return _both_ways(flat, markers.corners.reshape(-1, 2), camera, _MARKER_SIGMA_MM)


def _both_ways(xyz_mm: Floats, row_column: Floats, camera: Camera, sigma_mm: float) -> _Sightings:
    """Return sightings of points (N, 3), which count both by row and by column."""
    scale = median(camera.px_per_mm(xyz_mm[:, :2], np.array([1.0, 0.0])))
    return _Sightings(
        xyz_mm=np.repeat(xyz_mm, 2, axis=0),
        row_column=np.repeat(row_column, 2, axis=0),
        across=np.tile(np.eye(2), (len(xyz_mm), 1)),
        scale=np.full(2 * len(xyz_mm), scale),
        sigma_mm=np.full(2 * len(xyz_mm), sigma_mm),
    )


def _fitted(
    start: Camera,
    found: Sequence[_Sightings],
    shape: tuple[int, int],
    prior: tuple[float, float],
    still: float = _STILL,
) -> CameraFit:
    """Fit the camera to all sightings together."""
    return fit_camera(
        start,
        np.concatenate([f.xyz_mm for f in found]),
        np.concatenate([f.row_column for f in found]),
        across=np.concatenate([f.across for f in found]),
        sigma_px=np.concatenate([f.sigma_mm * f.scale for f in found]),
        shape=shape,
        focal_prior=prior,
        still=still,
    )


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


def _spread_pads(pads: Sequence[Pad]) -> list[Pad]:
    """Choose up to `_MOST_PADS` pads, each as far as can be from those before it."""
    if len(pads) <= _MOST_PADS:
        return list(pads)
    places = np.array([[p.x_mm, p.y_mm] for p in pads])
    chosen = [int(np.argmax(np.hypot(*(places - places.mean(axis=0)).T)))]
    apart = np.full(len(places), np.inf)
    while len(chosen) < _MOST_PADS:
        apart = np.minimum(apart, np.hypot(*(places - places[chosen[-1]]).T))
        chosen.append(int(np.argmax(apart)))
    return [pads[k] for k in sorted(chosen)]


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
    scale = median(np.hypot(to_across[..., 0], to_across[..., 1]))
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
    on_print, on_plate = (medians(np.swapaxes(part, 1, 2)) for part in (printed, bare))
    away = np.concatenate([printed - on_print[:, None], bare - on_plate[:, None]], axis=1)
    # The nearest four in five: strings and specks do not count.
    size = np.abs(away).sum(axis=2)
    near = size <= quantiles(size, 0.8)[:, None]
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
    level = medians(values[:, np.abs(u) > u[-1] - 0.15])
    top = quantiles(values[:, np.abs(u) < 0.45], 0.8)
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
    usual_width, usual_contrast = median(width), median(contrast)
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
        sigma_mm=np.full(len(scale), _LINE_SIGMA_MM),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _LineFit:
    fit: CameraFit
    rms_mm: float
    lines_used: int


def _fit_lines(
    photo: Photo,
    sheet: Sheet,
    pads: Sequence[Pad],
    start: Camera,
    prior: tuple[float, float],
    corners: Sequence[_Sightings] = (),
) -> _LineFit | None:
    """Fit the camera to the lines of some pads, and to corners; None where few lines are seen."""
    z_mm = sheet.target_gap_mm / 2
    chosen = _spread_pads(pads)
    kinds = (
        [_pieces(pad_lines(sheet, pad), _PIECES) for pad in chosen],
        [_turns(sheet, pad) for pad in chosen],
    )
    camera = start
    for _ in range(_PASSES):
        seen = [_see(photo, camera, lines, z_mm) for lines in kinds]
        found = [sightings for sightings in seen if sightings is not None]
        used = sum(len(f.xyz_mm) for f in found)
        if used < (_FEWEST_GROWING if corners else _FEWEST_LINES):
            return None
        still = _NEARLY_STILL if corners else _STILL
        fit = _fitted(camera, [*found, *corners], photo.rgb.shape[:2], prior, still)
        moved = [
            ((fit.camera.project(f.xyz_mm) - camera.project(f.xyz_mm)) * f.across).sum(axis=1)
            / f.scale
            for f in found
        ]
        camera = fit.camera
        if np.abs(np.concatenate(moved)).max() < _STEADY_MM:
            break
    residual_mm = fit.residual_px[:used] / np.concatenate([f.scale for f in found])
    # Half the residuals are below the median: a few strays do not count.
    rms_mm = 1.4826 * median(np.abs(residual_mm))
    return _LineFit(fit=fit, rms_mm=rms_mm, lines_used=used)


def _comb_places(
    photo: Photo, sheet: Sheet, pads: Sequence[Pad], camera: Camera, reach_mm: float
) -> _Sightings | None:
    """Find whole combs near where they are expected, by normalised correlation.

    Unlike a single track, a comb cannot be taken for its neighbour: its ends do not match then.
    """
    half_x = max(abs(t.offset_mm) for t in sheet.tracks) + _MARGIN_MM
    half_y = sheet.track_length_mm / 2 + _MARGIN_MM
    steps_x, steps_y, search = (
        int(np.ceil(length / _COMB_STEP_MM)) for length in (half_x, half_y, reach_mm)
    )
    x = _COMB_STEP_MM * np.arange(-steps_x, steps_x + 1, dtype=float)
    y = _COMB_STEP_MM * np.arange(-steps_y, steps_y + 1, dtype=float)
    on_track = np.abs(x[:, None] - [t.offset_mm for t in sheet.tracks]).min(axis=1) < 0.3
    comb = np.outer(np.abs(y) <= sheet.track_length_mm / 2, on_track).astype(np.float32)
    wide_x: Floats = _COMB_STEP_MM * np.arange(-steps_x - search, steps_x + search + 1, dtype=float)
    wide_y: Floats = _COMB_STEP_MM * np.arange(-steps_y - search, steps_y + search + 1, dtype=float)
    z_mm = sheet.target_gap_mm / 2
    places = []
    for pad in pads:
        row, column = camera.place(pad.x_mm + wide_x, pad.y_mm + wide_y[:, None], z_mm)
        seen = cv2.remap(
            photo.rgb, column.astype(np.float32), row.astype(np.float32), cv2.INTER_LINEAR
        )
        # Whichever colour shows the comb best, darker or brighter than the plate.
        match = np.max(
            [
                np.abs(cv2.matchTemplate(seen[..., c].astype(np.float32), comb, _CORRELATION))
                for c in range(3)
            ],
            axis=0,
        )
        best = np.unravel_index(int(np.argmax(match)), match.shape)
        if match[best] > _LEAST_MATCH:
            places.append(
                [pad.x_mm, pad.y_mm, wide_x[best[1] + steps_x], wide_y[best[0] + steps_y]]
            )
    if not places:
        return None
    found = np.array(places)
    flat = np.c_[found[:, :2], np.full(len(found), z_mm)]
    there = camera.project(np.c_[found[:, :2] + found[:, 2:], flat[:, 2]])
    return _both_ways(flat, there, camera, _COMB_SIGMA_MM)


def _grown(
    photo: Photo,
    sheet: Sheet,
    markers: MarkerSightings,
    prior: tuple[float, float],
) -> Camera:
    """Find the camera from the markers, and carry it from there outward over the lattice of pads.

    Far from any marker the first camera may be off by more than half the pitch of the tracks, and
    would take one track for the next. Pads are looked at once their place is known well enough,
    and with each fit those a little farther off are.
    """
    shape = photo.rgb.shape[:2]
    on_bed, seen = markers.bed_xy_mm.reshape(-1, 2), markers.corners.reshape(-1, 2)
    start = camera_from_homography(homography(on_bed, seen), shape, prior[0])
    corners = [_corner_sightings(markers, start)]
    fit = _fitted(start, corners, shape, prior, _NEARLY_STILL)
    centres = np.array([[pad.x_mm, pad.y_mm, sheet.target_gap_mm / 2] for pad in sheet.pads])
    pitch_mm = float(np.diff([t.offset_mm for t in sheet.tracks]).min())
    taken = 0
    while taken < len(centres):
        scale = fit.camera.px_per_mm(centres[:, :2], np.array([1.0, 0.0]))
        sigma_mm = fit.sigma_px(centres) / scale
        order = np.argsort(sigma_mm, kind="stable")
        known = int((sigma_mm < _SURE_OF_PITCH * pitch_mm).sum())
        if known == len(centres):
            break
        taken = max(known, taken + 1)
        near = _spread_pads([sheet.pads[k] for k in order[:taken]])
        farthest_mm = min(max(_SEARCH_SIGMAS * float(sigma_mm[order[taken - 1]]), 1.0), _SEARCH_MM)
        combs = _comb_places(photo, sheet, near, fit.camera, farthest_mm)
        if combs is not None:
            fit = _fitted(fit.camera, [*corners, combs], shape, prior, _NEARLY_STILL)
        lines = _fit_lines(photo, sheet, near, fit.camera, prior, corners)
        fit = fit if lines is None else lines.fit
    return fit.camera


def register(photo: Photo, sheet: Sheet, markers: MarkerSightings) -> Registration:
    """Fit the camera to the printed lines, starting from the markers.

    Two markers are enough: the lattice of pads itself completes what they leave open.

    Raises
    ------
    PadsheetError
        If the lines are not where markers and sheet say.
    """
    prior = focal_prior_px(photo.rgb.shape[:2], photo.focal_35mm)
    lines = _fit_lines(photo, sheet, sheet.pads, _grown(photo, sheet, markers, prior), prior)
    if lines is None or lines.rms_mm > _BAD_RMS_MM:
        # Markers tell it more surely than lines; but where all lines agree, few markers may do.
        other = other_bed(sheet, len(markers.ids), markers.elsewhere)
        if other is not None:
            raise other
    if lines is None:
        raise PadsheetError(
            "the printed lines cannot be made out in the photo",
            remedy="Take the photo in focus and in even light without glare, as near as the "
            "whole sheet allows; if print and plate look alike, use another filament colour. Or is "
            "it the photo of another bed? Then work in that bed's folder.",
            code="photo-no-lines",
        )
    if lines.rms_mm > _BAD_RMS_MM:
        raise PadsheetError(
            f"the printed lines lie {lines.rms_mm:.2f} mm from where the sheet has them",
            remedy="Check that the photo shows this sheet, that print and plate differ in "
            "brightness, and that no axis lost steps; lay the plate flat and take the photo again.",
            code="photo-registration",
        )
    return Registration(camera=lines.fit.camera, rms_mm=lines.rms_mm, lines_used=lines.lines_used)
