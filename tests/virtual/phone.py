"""From linear light to the file of a phone: lens, sensor, processing, JPEG, orientation."""

from __future__ import annotations

import io

import cv2
import numpy as np
from PIL import Image

from .printer import Print
from .render import PhotoTruth, expose
from .scenes import Scene

__all__ = ["encode", "photograph", "stored_from_displayed"]

LEVELS = 16384
LUMA = np.array([0.299, 0.587, 0.114], np.float32)


def _lens(picture: np.ndarray, scene: Scene, scale: float) -> np.ndarray:
    """Blur by the lens, shake, and enlarge red and blue a little against green."""
    if scene.fringe:
        height, width = picture.shape[:2]
        for channel, sign in ((0, 1.0), (2, -1.0)):
            zoom = 1 + sign * scene.fringe
            shift = np.array([(width - 1) / 2, (height - 1) / 2]) * (1 - zoom)
            matrix = np.array([[zoom, 0, shift[0]], [0, zoom, shift[1]]])
            picture[..., channel] = cv2.warpAffine(
                picture[..., channel],
                matrix,
                (width, height),
                flags=cv2.INTER_CUBIC,
                borderMode=cv2.BORDER_REPLICATE,
            )
    if scene.blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), max(scene.blur_px * scale, 0.45))
    if scene.motion_px * scale > 0.3:
        picture = cv2.filter2D(picture, -1, _streak(scene.motion_px * scale, scene.motion_deg))
    return picture


def _streak(length: float, angle_deg: float) -> np.ndarray:
    """Return the kernel of a straight even shake."""
    size = int(np.ceil(length / 2)) + 1
    t = np.linspace(-length / 2, length / 2, 64)
    a = np.radians(angle_deg)
    x, y = t * np.cos(a), t * np.sin(a)
    grid = np.arange(-size, size + 1)
    wx = np.maximum(1 - np.abs(grid[:, None] - x), 0)
    wy = np.maximum(1 - np.abs(grid[:, None] - y), 0)
    kernel = wy @ wx.T
    return (kernel / kernel.sum()).astype(np.float32)


def _sensor(picture: np.ndarray, scene: Scene, scale: float) -> np.ndarray:
    """Expose and add shot and read noise, smoothed as phones do."""
    bright = np.percentile(picture[::16, ::16].max(-1), 97)
    picture *= np.float32(scene.exposure / max(float(bright), 1e-3))
    if not scene.electrons:
        return picture
    rng = np.random.default_rng([scene.seed, 61])
    for k in range(3):
        noise = rng.standard_normal(picture.shape[:2], dtype=np.float32)
        if scene.noise_blur_px * scale > 0.25:
            noise = cv2.GaussianBlur(noise, (3, 3), scene.noise_blur_px * scale)
        level = np.maximum(picture[..., k], 0) * np.float32(1 / scene.electrons)
        level += np.float32((scene.read_noise / scene.electrons) ** 2)
        picture[..., k] += noise * np.sqrt(level)
    return picture


def encode(linear: np.ndarray, contrast: float = 0.0) -> np.ndarray:
    """Apply the sRGB curve (IEC 61966-2-1) and a contrast curve that leaves 0, 1/2 and 1."""
    v = np.linspace(0, 1, LEVELS)
    e = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
    e = e + contrast * (e * e * (3 - 2 * e) - e)
    index = np.clip(linear * np.float32(LEVELS - 1) + np.float32(0.5), 0, LEVELS - 1)
    return np.take(e.astype(np.float32), index.astype(np.uint16))


def _process(picture: np.ndarray, scene: Scene, scale: float) -> np.ndarray:
    """Encode and sharpen; return 8 bits."""
    out = encode(picture, scene.contrast)
    if scene.sharpen:
        luma = cv2.transform(out, LUMA[None])
        soft = cv2.GaussianBlur(luma, (0, 0), max(scene.sharpen_px * scale, 0.5))
        luma -= soft
        luma *= np.float32(scene.sharpen)
        out += luma[..., None]
    out *= np.float32(255)
    return cv2.convertScaleAbs(np.maximum(out, 0, out=out))


def stored_from_displayed(picture: np.ndarray, orientation: int) -> np.ndarray:
    """Turn the displayed picture so that the EXIF orientation (CIPA DC-008) turns it back."""
    turns = {1: 0, 3: 2, 6: 1, 8: 3}[orientation]
    return np.ascontiguousarray(np.rot90(picture, turns))


def photograph(job: Print, scene: Scene, *, width_px: int = 4032) -> tuple[bytes, PhotoTruth]:
    """Photograph a print.

    Returns
    -------
    jpeg : bytes
        The file; its pixels are turned as its EXIF orientation says.
    truth : PhotoTruth
        In pixels of the displayed picture.
    """
    picture, truth = expose(job, scene, width_px=width_px)
    scale = width_px / 4032
    picture = _sensor(_lens(picture, scene, scale), scene, scale)
    stored = stored_from_displayed(_process(picture, scene, scale), scene.orientation)
    exif = Image.Exif()
    exif[0x0112] = scene.orientation
    file = io.BytesIO()
    Image.fromarray(stored).save(
        file, "JPEG", quality=scene.quality, exif=exif, subsampling="4:2:0"
    )
    return file.getvalue(), truth
