"""A comb drawn on the bed, as a camera sees it: what patches and widths are tested on."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from padsheet.scoring.camera import Camera
from padsheet.scoring.patches import Lines
from padsheet.scoring.photo import Photo, srgb_to_linear

Floats = NDArray[np.float64]
PX_PER_MM, BLUR_PX = 10.0, 1.2
SHAPE = (180, 260)  # of a picture of one pad
HEIGHT_MM = 300.0
OFFSETS_MM = (np.arange(10) - 4.5) * 2.0
WIDTHS_MM = np.array([0.42, 0.55, 0.5, 0.7, 0.62, 0.8, 0.58, 0.66, 0.45, 0.5])


def camera_at(
    x_mm: float, y_mm: float, shape: tuple[int, int], tilt_deg: float = 0.0, k1: float = 0.0
) -> Camera:
    """Return a camera that looks at a place of the bed, its back on top, tilted about two axes."""
    turned = Rotation.from_euler("xyz", [tilt_deg, tilt_deg / 2, tilt_deg], degrees=True)
    rotation = turned.as_matrix() @ np.diag([1.0, -1.0, -1.0])
    return Camera(
        focal_px=PX_PER_MM * HEIGHT_MM,
        centre=((shape[0] - 1) / 2, (shape[1] - 1) / 2),
        k1=k1,
        k2=0.0,
        rotation=rotation,
        shift_mm=np.array([0.0, 0.0, HEIGHT_MM]) - rotation @ np.array([x_mm, y_mm, 0.0]),
    )


def bed_of(camera: Camera, shape: tuple[int, int]) -> tuple[Floats, Floats]:
    """Return where on the bed each pixel is: x and y."""
    pixels = np.stack(np.mgrid[: shape[0], : shape[1]], axis=-1).astype(float)
    x, y = np.moveaxis(camera.to_bed(pixels), -1, 0)
    return x, y


def photo_of(linear: Floats) -> Photo:
    """Return the photo of a picture in linear light, through the curve of IEC 61966-2-1."""
    codes = srgb_to_linear(np.arange(256) / 255)
    return Photo(rgb=np.searchsorted((codes[1:] + codes[:-1]) / 2, linear).astype(np.uint8))


def comb_lines(x_mm: float = 0.0, y_mm: float = 0.0) -> Lines:
    return Lines(
        middle_mm=np.stack([x_mm + OFFSETS_MM, np.full(10, y_mm)], axis=1),
        along=np.tile([0.0, 1.0], (10, 1)),
        length_mm=10.0,
        reach_mm=0.95,
    )


Shape = Callable[[Floats, Floats], Floats]


def cover_of(
    x: Floats, y: Floats, half_mm: Shape | None = None, middle_mm: Shape | None = None
) -> Floats:
    """Return how much of each pixel is print, blurred, (rows, columns, 10) for the ten lines."""
    nearest = np.abs(x[..., None] - OFFSETS_MM)
    along = np.broadcast_to(y[..., None], nearest.shape)
    half = WIDTHS_MM / 2 if half_mm is None else WIDTHS_MM / 2 + half_mm(OFFSETS_MM, along)
    away = x[..., None] - OFFSETS_MM
    if middle_mm is not None:
        away = away - middle_mm(OFFSETS_MM, along)
    sharp = np.clip((half - np.abs(away)) * PX_PER_MM + 0.5, 0, 1)
    sharp = np.where(half > 0, sharp, 0.0)
    return np.asarray(cv2.GaussianBlur(sharp.astype(np.float32), (0, 0), BLUR_PX), float)


def drawn(
    half_mm: Shape | None = None,
    middle_mm: Shape | None = None,
    *,
    brightness: Floats | float = 1.0,
    noise: float = 0.01,
    seed: int = 1,
) -> Photo:
    """Draw a comb of light grey lines on a dark plate, seen from straight above."""
    cover = (
        cover_of(*bed_of(camera_at(0, 0, SHAPE), SHAPE), half_mm, middle_mm)
    ) @ np.broadcast_to(np.asarray(brightness, float), (10,))
    rng = np.random.default_rng(seed)
    grey = 0.05 + 0.5 * cover + rng.normal(0, noise, cover.shape)
    return photo_of(np.repeat(np.clip(grey, 0, 1)[..., None], 3, axis=-1))
