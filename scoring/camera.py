"""The phone's camera over the bed: millimetres to pixels and back, and its fit to sightings.

The only place where bed coordinates ``(x_mm, y_mm, z_mm)``, x right, y to the back, z up, meet
image coordinates ``(row, column)`` with pixel centres at whole numbers.

A pinhole with two radial terms: ``xd = xn (1 + k1 r^2 + k2 r^4)``, the usual polynomial of Brown,
Photogrammetric Engineering 37(8) (1971) 855-866, as in OpenCV.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Camera",
    "CameraFit",
    "camera_from_homography",
    "fit_camera",
    "focal_prior_px",
    "homography",
]

Floats = NDArray[np.float64]

_FILM_DIAGONAL_MM = 43.267
_USUAL_FOCAL_35MM = 26.0
# How far lens and sensor may be from the usual: focal length (relative), place of the optical
# axis (relative to the diagonal) and radial terms.
_FOCAL_SD_TOLD, _FOCAL_SD_GUESSED = 0.06, 0.20
_CENTRE_SD, _K1_SD, _K2_SD = 0.01, 0.04, 0.02
# Beyond this many standard deviations a sighting pulls no harder the farther off it is.
_SOFT_SIGMAS = 2.0
_FIT_STEPS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A camera that looks at the bed.

    Attributes
    ----------
    focal_px : float
        Focal length in pixels.
    centre : (row, column)
        Where the optical axis meets the picture.
    k1, k2 : float
        Radial distortion in normalised image coordinates.
    rotation : ndarray, shape (3, 3)
        Bed axes to camera axes (x right, y down, z forward).
    shift_mm : ndarray, shape (3,)
        The bed's origin in camera axes.
    """

    focal_px: float
    centre: tuple[float, float]
    k1: float
    k2: float
    rotation: Floats
    shift_mm: Floats

    @property
    def position_mm(self) -> Floats:
        """Where the lens is, in bed coordinates."""
        return np.asarray(-self.rotation.T @ self.shift_mm)

    def project(self, xyz_mm: Floats) -> Floats:
        """Return the pixels (row, column) of bed points.

        Parameters
        ----------
        xyz_mm : ndarray, shape (..., 3)
            Points; two columns count as z = 0.

        Returns
        -------
        ndarray, shape (..., 2)
            Rows and columns.
        """
        points = np.asarray(xyz_mm, float)
        z_mm = points[..., 2] if points.shape[-1] > 2 else 0.0
        return np.stack(self.place(points[..., 0], points[..., 1], z_mm), axis=-1)

    def place(self, x_mm: Floats, y_mm: Floats, z_mm: Floats | float) -> tuple[Floats, Floats]:
        """Return row and column of bed points given coordinate by coordinate.

        The same as `project`, and quicker: arrays whose last axis is 2 or 3 long are slow to work
        on.
        """
        turn, shift = self.rotation, self.shift_mm
        depth = turn[2, 0] * x_mm + turn[2, 1] * y_mm + (turn[2, 2] * z_mm + shift[2])
        x = (turn[0, 0] * x_mm + turn[0, 1] * y_mm + (turn[0, 2] * z_mm + shift[0])) / depth
        y = (turn[1, 0] * x_mm + turn[1, 1] * y_mm + (turn[1, 2] * z_mm + shift[1])) / depth
        r2 = x * x + y * y
        bend = self.focal_px * (1 + r2 * (self.k1 + self.k2 * r2))
        return y * bend + self.centre[0], x * bend + self.centre[1]

    def to_bed(self, row_column: Floats, z_mm: float = 0.0) -> Floats:
        """Return where the rays of pixels (..., 2) meet the plane at height `z_mm`, as (x, y)."""
        pixels = np.asarray(row_column, float)
        bent = (pixels[..., ::-1] - np.array(self.centre)[::-1]) / self.focal_px
        normal = bent.copy()
        for _ in range(8):
            r2 = (normal**2).sum(axis=-1, keepdims=True)
            normal = bent / (1 + r2 * (self.k1 + self.k2 * r2))
        rays = np.concatenate([normal, np.ones_like(normal[..., :1])], axis=-1) @ self.rotation
        position = self.position_mm
        distance = (z_mm - position[2]) / rays[..., 2:]
        return np.asarray(position[:2] + distance * rays[..., :2])

    def px_per_mm(self, xy_mm: Floats, direction: Floats) -> Floats:
        """Return the scale at points (..., 2) along a unit `direction` (2,) on the bed."""
        here = np.asarray(xy_mm, float)
        step = 0.5 * np.asarray(direction, float)
        apart = self.project(here + step) - self.project(here - step)
        return np.asarray(np.hypot(apart[..., 0], apart[..., 1]))

    def view_tangent(self, xy_mm: Floats, direction: Floats) -> Floats:
        """Return the tangent of the viewing angle from the vertical, along `direction`.

        Positive where the lens stands on the side that `direction` points to.
        """
        position = self.position_mm
        away = position[:2] - np.asarray(xy_mm, float)
        return np.asarray(away @ np.asarray(direction, float) / position[2])


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraFit:
    """A camera fitted to sightings.

    Attributes
    ----------
    camera : Camera
    residual_px : ndarray, shape (N,)
        Seen minus predicted, along the direction in which each sighting counts.
    covariance : ndarray, shape (11, 11)
        Of turn (3), shift (3, in distances of the bed), log focal length, centre (2, in diagonals
        of the picture) and radial terms (2), as far as the sightings and priors fix them.
    diagonal_px : float
        Diagonal of the picture.
    """

    camera: Camera
    residual_px: Floats
    covariance: Floats
    diagonal_px: float

    def sigma_px(self, xyz_mm: Floats) -> Floats:
        """Return how well the places of bed points (N, 3) are known: (N,), the worse direction."""
        slopes = np.stack(
            [
                _slopes(self.camera, xyz_mm, np.tile(way, (len(xyz_mm), 1)), self.diagonal_px)
                for way in np.eye(2)
            ],
            axis=1,
        )
        spread = slopes @ self.covariance @ np.swapaxes(slopes, 1, 2)
        return np.asarray(np.sqrt(np.linalg.eigvalsh(spread)[:, -1]))


def focal_prior_px(shape: tuple[int, int], focal_35mm: float | None) -> tuple[float, float]:
    """Return focal length in pixels and its relative standard deviation, from the EXIF value.

    Parameters
    ----------
    shape : (rows, columns)
        Size of the picture.
    focal_35mm : float or None
        In terms of 35 mm film (36 x 24 mm, diagonal 43.267 mm).
    """
    diagonal = math.hypot(*shape)
    told = focal_35mm is not None
    focal = (focal_35mm or _USUAL_FOCAL_35MM) / _FILM_DIAGONAL_MM * diagonal
    return focal, _FOCAL_SD_TOLD if told else _FOCAL_SD_GUESSED


def homography(bed_xy_mm: Floats, row_column: Floats) -> Floats:
    """Estimate the homography of points by the normalised direct linear transform.

    Parameters
    ----------
    bed_xy_mm : ndarray, shape (N, 2)
        Points on the bed, N at least 4.
    row_column : ndarray, shape (N, 2)
        Their pixels.

    Returns
    -------
    ndarray, shape (3, 3)
        Maps (x, y, 1) to (column, row, 1) up to scale. Hartley, Zisserman, Multiple View Geometry
        (2003), algorithm 4.2.
    """
    source, target = np.asarray(bed_xy_mm, float), np.asarray(row_column, float)[:, ::-1]

    def normalising(points: Floats) -> Floats:
        middle = points.mean(axis=0)
        scale = math.sqrt(2) / np.hypot(*(points - middle).T).mean()
        return np.array([[scale, 0, -scale * middle[0]], [0, scale, -scale * middle[1]], [0, 0, 1]])

    t_source, t_target = normalising(source), normalising(target)
    a = np.c_[source, np.ones(len(source))] @ t_source.T
    b = np.c_[target, np.ones(len(target))] @ t_target.T
    zero = np.zeros_like(a)
    rows = np.concatenate([np.c_[a, zero, -b[:, :1] * a], np.c_[zero, a, -b[:, 1:2] * a]])
    h = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    full = np.linalg.inv(t_target) @ h @ t_source
    return np.asarray(full / full[2, 2])


def camera_from_homography(h: Floats, shape: tuple[int, int], focal_px: float) -> Camera:
    """Split a homography into a pose, for a lens of known focal length without distortion.

    Parameters
    ----------
    h : ndarray, shape (3, 3)
        Maps (x_mm, y_mm, 1) to (column, row, 1).
    shape : (rows, columns)
        Size of the picture; the optical axis is taken to meet its middle.
    focal_px : float
        Focal length.
    """
    centre = ((shape[0] - 1) / 2, (shape[1] - 1) / 2)
    k = np.array([[focal_px, 0, centre[1]], [0, focal_px, centre[0]], [0, 0, 1]])
    m = np.linalg.inv(k) @ h
    m *= math.copysign(2 / (np.linalg.norm(m[:, 0]) + np.linalg.norm(m[:, 1])), m[2, 2])
    axes = np.c_[m[:, 0], m[:, 1], np.cross(m[:, 0], m[:, 1])]
    u, _, vt = np.linalg.svd(axes)
    rotation = u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt
    return Camera(
        focal_px=focal_px, centre=centre, k1=0.0, k2=0.0, rotation=rotation, shift_mm=m[:, 2]
    )


def _moved(camera: Camera, step: Floats, diagonal: float) -> Camera:
    """Return the camera after a step: turn (3), shift (3), log focal length, centre (2), lens (2).

    The turn is a rotation vector; shifts count in distances of the bed, centres in diagonals.
    """
    return replace(
        camera,
        focal_px=camera.focal_px * math.exp(step[6]),
        centre=(camera.centre[0] + step[7] * diagonal, camera.centre[1] + step[8] * diagonal),
        k1=camera.k1 + float(step[9]),
        k2=camera.k2 + float(step[10]),
        rotation=np.asarray(cv2.Rodrigues(step[:3])[0]) @ camera.rotation,
        shift_mm=camera.shift_mm + step[3:6] * camera.shift_mm[2],
    )


def _slopes(camera: Camera, xyz_mm: Floats, across: Floats, diagonal: float) -> Floats:
    """Return how the predicted places move along `across` (N, 2) for a small step: (N, 11)."""
    turned = xyz_mm @ camera.rotation.T
    x, y, z = (turned + camera.shift_mm).T
    nx, ny = x / z, y / z
    # How normalised coordinates move for a step of the point in camera axes: (N, 3) each.
    zero = np.zeros_like(z)
    dx, dy = np.stack([1 / z, zero, -nx / z], axis=1), np.stack([zero, 1 / z, -ny / z], axis=1)
    to_row, to_column = across.T
    r2 = nx**2 + ny**2
    stretch = 1 + r2 * (camera.k1 + camera.k2 * r2)
    along = to_row * ny + to_column * nx
    bend = 2 * (camera.k1 + 2 * camera.k2 * r2) * along
    per_point = camera.focal_px * (
        (stretch * to_column + bend * nx)[:, None] * dx
        + (stretch * to_row + bend * ny)[:, None] * dy
    )
    slopes = np.empty((len(xyz_mm), 11))
    slopes[:, :3] = np.cross(turned, per_point)
    slopes[:, 3:6] = per_point * camera.shift_mm[2]
    slopes[:, 6] = camera.focal_px * stretch * along
    slopes[:, 7:9] = across * diagonal
    slopes[:, 9] = camera.focal_px * along * r2
    slopes[:, 10] = slopes[:, 9] * r2
    return slopes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sought:
    """What a fitted camera has to agree with: sightings, and what is usual; see `fit_camera`."""

    xyz_mm: Floats
    row_column: Floats
    across: Floats
    sigma_px: Floats
    shape: tuple[int, int]
    focal_prior: tuple[float, float]

    @property
    def diagonal_px(self) -> float:
        return math.hypot(*self.shape)

    def errors_px(self, camera: Camera) -> Floats:
        """Return seen minus predicted, across: (N,)."""
        away = self.row_column - camera.project(self.xyz_mm)
        return np.asarray((away * self.across).sum(axis=1))

    def residuals(self, camera: Camera) -> Floats:
        """Return all errors in standard deviations, those of sightings first: (N + 5,)."""
        middle = (self.shape[0] - 1) / 2, (self.shape[1] - 1) / 2
        focal_px, focal_sd = self.focal_prior
        prior = [
            math.log(camera.focal_px / focal_px) / focal_sd,
            (camera.centre[0] - middle[0]) / self.diagonal_px / _CENTRE_SD,
            (camera.centre[1] - middle[1]) / self.diagonal_px / _CENTRE_SD,
            camera.k1 / _K1_SD,
            camera.k2 / _K2_SD,
        ]
        return np.concatenate([self.errors_px(camera) / self.sigma_px, prior])

    def equations(self, camera: Camera, residual: Floats) -> tuple[Floats, Floats]:
        """Return the normal matrix (11, 11) and the gradient (11,), far-off sightings held down."""
        # Of the priors, as of the sightings, what counts is how they change with a step.
        prior = np.zeros((5, 11))
        sd = (self.focal_prior[1], _CENTRE_SD, _CENTRE_SD, _K1_SD, _K2_SD)
        prior[range(5), range(6, 11)] = [1 / one for one in sd]
        sighted = _slopes(camera, self.xyz_mm, self.across, self.diagonal_px)
        slopes = np.concatenate([-sighted / self.sigma_px[:, None], prior])
        weight = 1 / np.sqrt(1 + (residual / _SOFT_SIGMAS) ** 2)
        return slopes.T @ (weight[:, None] * slopes), slopes.T @ (weight * residual)


def _soft_cost(residual: Floats) -> float:
    return float((np.sqrt(1 + (residual / _SOFT_SIGMAS) ** 2) - 1).sum())


def fit_camera(
    start: Camera,
    xyz_mm: Floats,
    row_column: Floats,
    *,
    across: Floats,
    sigma_px: Floats,
    shape: tuple[int, int],
    focal_prior: tuple[float, float],
    still: float = 1e-9,
) -> CameraFit:
    """Fit pose and lens to sightings by robust least squares.

    Damped Gauss-Newton steps (Levenberg, Quarterly of Applied Mathematics 2 (1944) 164-168) on the
    loss ``2 (sqrt(1 + (r/c)^2) - 1)``, whose weights fall off beyond c = 2 standard deviations.

    Parameters
    ----------
    start : Camera
        Where to begin.
    xyz_mm : ndarray, shape (N, 3)
        Points on the bed.
    row_column : ndarray, shape (N, 2)
        Where they were seen.
    across : ndarray, shape (N, 2)
        Unit vector (row, column) along which each sighting counts; a point on a line counts only
        across the line.
    sigma_px : ndarray, shape (N,)
        Standard deviation of each sighting.
    shape : (rows, columns)
        Size of the picture.
    focal_prior : (focal_px, relative sd)
        See `focal_prior_px`.
    still : float
        The fit is done when a step lowers the cost by less than this part of it.

    Returns
    -------
    CameraFit
        With residuals along `across`.
    """
    sought = _Sought(
        xyz_mm=xyz_mm,
        row_column=row_column,
        across=across,
        sigma_px=sigma_px,
        shape=shape,
        focal_prior=focal_prior,
    )
    camera, damping = start, 1e-4
    residual = sought.residuals(camera)
    now = _soft_cost(residual)
    normal, pull = sought.equations(camera, residual)
    for _ in range(_FIT_STEPS):
        damped = normal.copy()
        damped[np.diag_indices(11)] *= 1 + damping
        step = -np.asarray(np.linalg.solve(damped, pull), float)
        trial = _moved(camera, step, sought.diagonal_px)
        left = sought.residuals(trial)
        then = _soft_cost(left)
        if then <= now:
            gain = now - then
            camera, residual, now, damping = trial, left, then, max(damping / 10, 1e-9)
            normal, pull = sought.equations(camera, residual)
            if gain < still * (now + 1e-9):
                break
        elif damping > 1e6:
            break
        else:
            damping = max(damping, 1e-6) * 10
    return CameraFit(
        camera=camera,
        residual_px=sought.errors_px(camera),
        covariance=np.asarray(np.linalg.inv(normal)),
        diagonal_px=sought.diagonal_px,
    )
