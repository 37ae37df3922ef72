"""Random scenes: colours, light, pose, camera and what the phone does to the picture."""

from __future__ import annotations

import colorsys
from dataclasses import dataclass, replace

import numpy as np

__all__ = ["Scene", "linear_of", "plain_scene", "random_scene"]

Colour = tuple[float, float, float]


def linear_of(srgb: object) -> np.ndarray:
    """Undo the sRGB curve (IEC 61966-2-1)."""
    v = np.asarray(srgb, float)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Everything about a photo but the print. Lengths `_px` are those of a 4032 pixel wide photo.

    Attributes
    ----------
    tilt_deg, azimuth_deg, roll_deg, focal, k1, margin, centre_shift, portrait
        The camera; see `camera.aim`.
    frame : (x0, y0, x1, y1) or None
        What the camera aims at, in millimetres; None for the whole plate.
    bed_rgb, filament_rgb, table_rgb : tuple of float
        Colours in linear light, 0 to 1.
    smooth, grain, scratches, brushed : float
        Relative contrast of the bed's texture.
    translucency_mm : float
        Thickness at which the filament hides 63 % of the bed; 0 for opaque.
    light_azimuth_deg, light_elevation_deg : float
        Where the main light comes from.
    shadow, side_dark, highlight, mottle : float
        Depth of the shadow beside a bead, darkening of its sides, its gloss, streaks on its top.
    gradient, gradient_deg, vignette : float
        Uneven light over the picture.
    glare : float
        Brightness of a window's reflection on the bed.
    blur_px, motion_px, motion_deg, fringe : float
        Point spread (sigma), shake, and relative scale of the red and blue pictures.
    electrons, read_noise, noise_blur_px : float
        Full well (shot noise), read noise in electrons, smoothing of the noise by the phone.
    exposure : float
        Where the bright parts of the picture end up, linear, 1 is white.
    sharpen, sharpen_px, contrast : float
        The phone's processing.
    quality, orientation : int
        JPEG quality and EXIF orientation (1, 3, 6 or 8).
    """

    name: str = "plain"
    seed: int = 0
    tilt_deg: float = 0.0
    azimuth_deg: float = 270.0
    roll_deg: float = 0.0
    focal: float = 0.75
    k1: float = 0.0
    margin: float = 0.03
    centre_shift: tuple[float, float] = (0.0, 0.0)
    portrait: bool = False
    frame: tuple[float, float, float, float] | None = None
    bed_rgb: Colour = (0.05, 0.05, 0.05)
    filament_rgb: Colour = (0.7, 0.7, 0.7)
    table_rgb: Colour = (0.2, 0.15, 0.1)
    smooth: float = 0.0
    grain: float = 0.0
    scratches: float = 0.0
    brushed: float = 0.0
    translucency_mm: float = 0.0
    light_azimuth_deg: float = 120.0
    light_elevation_deg: float = 50.0
    shadow: float = 0.0
    side_dark: float = 0.0
    highlight: float = 0.0
    mottle: float = 0.0
    gradient: float = 0.0
    gradient_deg: float = 0.0
    vignette: float = 0.0
    glare: float = 0.0
    blur_px: float = 0.0
    motion_px: float = 0.0
    motion_deg: float = 0.0
    fringe: float = 0.0
    electrons: float = 0.0
    read_noise: float = 0.0
    noise_blur_px: float = 0.0
    exposure: float = 0.8
    sharpen: float = 0.0
    sharpen_px: float = 1.2
    contrast: float = 0.0
    quality: int = 92
    orientation: int = 1

    def but(self, **changes: object) -> Scene:
        """Return the scene with some settings changed."""
        return replace(self, **changes)


def plain_scene(**changes: object) -> Scene:
    """Return even light, a lens straight above, no blur, no noise, no processing."""
    return Scene(**changes)


def _colours(rng: np.random.Generator, low: float, high: float) -> tuple[Colour, Colour]:
    """Draw bed and filament whose lightness (encoded) differs by low to high, either way round."""
    for _ in range(400):
        dark_bed = rng.random() < 0.6
        bed = colorsys.hsv_to_rgb(
            rng.random(),
            rng.uniform(0, 0.12 if rng.random() < 0.8 else 0.6),
            rng.uniform(0.08, 0.35) if dark_bed else rng.uniform(0.5, 0.85),
        )
        saturation = rng.choice([rng.uniform(0, 0.1), rng.uniform(0.6, 0.95)])
        filament = colorsys.hsv_to_rgb(rng.random(), saturation, rng.uniform(0.08, 0.97))
        luma = np.array([0.299, 0.587, 0.114])
        if low <= abs(float(luma @ np.subtract(filament, bed))) <= high:
            break
    as_colour = [tuple(float(v) for v in linear_of(c)) for c in (bed, filament)]
    return as_colour[0], as_colour[1]


def _table(rng: np.random.Generator) -> Colour:
    """Draw what lies around the plate: mostly greys and browns."""
    hue, saturation = (0.08, rng.uniform(0.1, 0.6)) if rng.random() < 0.5 else (rng.random(), 0.08)
    colour = linear_of(colorsys.hsv_to_rgb(hue, saturation, rng.uniform(0.1, 0.8)))
    return (float(colour[0]), float(colour[1]), float(colour[2]))


RANGES = {
    # contrast, tilt, blur, electrons at full scale, uneven light, chance of glare
    "clear": ((0.35, 0.8), (0.0, 12.0), (0.6, 0.9), (6000.0, 12000.0), 0.15, 0.0),
    "ordinary": ((0.18, 0.6), (3.0, 24.0), (0.7, 1.2), (2500.0, 7000.0), 0.35, 0.1),
    "hard": ((0.05, 0.2), (12.0, 35.0), (1.0, 1.5), (900.0, 3000.0), 0.6, 0.5),
}


def random_scene(seed: int, kind: str = "ordinary") -> Scene:
    """Draw a scene; `kind` is "clear", "ordinary" or "hard"."""
    contrast, tilt, blur, electrons, uneven, glare = RANGES[kind]
    rng = np.random.default_rng([seed, 41, sorted(RANGES).index(kind)])
    bed, filament = _colours(rng, *contrast)
    u = rng.uniform
    orientation = int(rng.choice([1, 3, 6, 8]))
    straight = float(rng.choice([0, 90, 180, 270])) + float(rng.normal(0, 6))
    texture = {"clear": 0.6, "ordinary": 1.0, "hard": 1.5}[kind]
    return Scene(
        name=f"{kind}-{seed}",
        seed=seed,
        tilt_deg=u(*tilt),
        azimuth_deg=u(0, 360),
        roll_deg=u(0, 360) if kind == "hard" or rng.random() < 0.25 else straight,
        focal=u(0.68, 0.85),
        k1=u(-0.03, 0.03),
        margin=u(0.015, 0.06),
        centre_shift=(float(rng.normal(0, 0.003)), float(rng.normal(0, 0.003))),
        portrait=orientation in (6, 8),
        bed_rgb=bed,
        filament_rgb=filament,
        table_rgb=_table(rng),
        smooth=texture * u(0.01, 0.06),
        grain=texture * u(0.01, 0.07),
        scratches=texture * u(0.0, 0.12),
        brushed=texture * u(0.03, 0.09) if rng.random() < 0.2 else 0.0,
        translucency_mm=u(0.02, 0.06) if rng.random() < 0.25 else 0.0,
        light_azimuth_deg=u(0, 360),
        light_elevation_deg=u(25, 75),
        shadow=u(0.1, 0.5),
        side_dark=u(0.15, 0.5),
        highlight=u(0.0, {"clear": 0.1, "ordinary": 0.18, "hard": 0.3}[kind]),
        mottle=u(0.01, 0.05),
        gradient=uneven * u(0.3, 1.0),
        gradient_deg=u(0, 360),
        vignette=u(0.02, 0.2),
        glare=u(0.1, 0.4) if rng.random() < glare else 0.0,
        blur_px=u(*blur),
        motion_px=u(0.5, 2.0) if kind != "clear" and rng.random() < 0.3 else 0.0,
        motion_deg=u(0, 180),
        fringe=u(-1.5e-4, 1.5e-4),
        electrons=u(*electrons),
        read_noise=u(2.0, 8.0),
        noise_blur_px=u(0.3, 0.8),
        exposure=u(0.45, 0.85) if kind == "hard" else u(0.6, 0.9),
        sharpen=u(0.1, 0.9),
        sharpen_px=u(0.9, 2.0),
        contrast=u(0.0, 0.35),
        quality=int(rng.integers(80, 96)),
        orientation=orientation,
    )
