"""Registering a photo: from the markers to a camera that the printed lines themselves confirm."""

from __future__ import annotations

from dataclasses import dataclass

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
from padsheet.scoring.edges import fit_bars
from padsheet.scoring.finder import MarkerSightings
from padsheet.scoring.lines import (
    RIM_MM,
    Lines,
    block_profiles,
    colour_axis,
    pad_lines,
    sample_lines,
)
from padsheet.scoring.photo import Photo

__all__ = ["Registration", "register"]

Floats = NDArray[np.float64]

_MARKER_SIGMA_MM = 0.12
_LINE_SIGMA_MM = 0.02
_BAD_RMS_MM = 0.25
_PIECES = 3


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


def _see(photo: Photo, camera: Camera, lines: Lines, pieces: int, z_mm: float) -> _Sightings | None:
    """Find the middles of lines, cut into pieces, near where the camera predicts them."""
    patches = sample_lines(photo, camera, lines, z_mm)
    if not patches.whole:
        return None
    colour = colour_axis(patches)
    if colour.separation < 1.0:
        return None
    profiles = block_profiles(np.asarray(patches.light @ colour.axis, float), pieces)
    count, _, columns = profiles.shape
    fit = fit_bars(
        profiles.reshape(-1, columns),
        patches.u_mm,
        blur=np.full(count * pieces, 1.3 / patches.px_per_mm),
        blur_sd=0.5,
        rim=RIM_MM,
        rim_sd=0.1,
    )
    level = np.median(fit.contrast)
    good = fit.converged & (fit.contrast > 0.5 * level) & (fit.rms < 0.2 * fit.contrast)
    share = lines.length_mm * ((np.arange(pieces) + 0.5) / pieces - 0.5)
    along = (lines.middle_mm[:, None] + share[:, None] * lines.along[:, None]).reshape(-1, 2)
    across = np.repeat(lines.across, pieces, axis=0)
    predicted = np.c_[along, np.full(len(along), z_mm)]
    seen = np.c_[along + fit.middle[:, None] * across, predicted[:, 2]]
    unit = camera.project(np.c_[along + 0.5 * across, predicted[:, 2]]) - camera.project(
        np.c_[along - 0.5 * across, predicted[:, 2]]
    )
    scale = np.hypot(unit[:, 0], unit[:, 1])
    return _Sightings(
        xyz_mm=predicted[good],
        row_column=camera.project(seen)[good],
        across=(unit / scale[:, None])[good],
        scale=scale[good],
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
    rms, used = np.inf, 0
    for _ in range(2):
        found = [
            sightings
            for pad in sheet.pads
            for lines, pieces in ((pad_lines(sheet, pad), _PIECES), (_turns(sheet, pad), 1))
            if (sightings := _see(photo, camera, lines, pieces, z_mm)) is not None
        ]
        used = sum(len(f.xyz_mm) for f in found)
        if used < 40:
            raise PadsheetError(
                "the printed lines cannot be made out in the photo",
                remedy="Take the photo in focus and in even light without glare, as near as the "
                "whole sheet allows; if print and plate look alike, use another filament colour.",
                code="photo-no-lines",
            )
        scale = np.concatenate([f.scale for f in found])
        camera, residual = fit_camera(
            camera,
            np.concatenate([f.xyz_mm for f in found]),
            np.concatenate([f.row_column for f in found]),
            across=np.concatenate([f.across for f in found]),
            sigma_px=_LINE_SIGMA_MM * scale,
            shape=shape,
            focal_prior=prior,
        )
        # Half the residuals are below the median: a few strays do not count.
        rms = 1.4826 * float(np.median(np.abs(residual / scale)))
    if rms > _BAD_RMS_MM:
        raise PadsheetError(
            f"the printed lines lie {rms:.2f} mm from where the sheet has them",
            remedy="Check that the photo shows this sheet, and that no axis lost steps; lay the "
            "plate flat and take the photo again.",
            code="photo-registration",
        )
    return Registration(camera=camera, rms_mm=rms, lines_used=used)
