"""The colours of gap errors: seven classes, from nozzle too near to nozzle too far.

Lightness rises all the way from the darkest class (nozzle very much too near) to the lightest
(nozzle very much too far), and the hue goes from blue over green to yellow. So the order survives
in greyscale, and the blue-yellow axis, which red-green colour-blind readers keep, carries the sign.
Colour is never the only sign: whoever draws with it also prints the signed number.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from padsheet.scoring.squish import PadScore

__all__ = [
    "CLASSES",
    "DARK_INK",
    "LIGHT_INK",
    "UNREAD",
    "ColourClass",
    "colour_class",
    "contrast_ratio",
    "gap_error_mm",
    "hex_to_rgb",
    "pad_colour",
    "relative_luminance",
    "xterm_index",
]

DARK_INK = "#14161a"
LIGHT_INK = "#ffffff"

# Classes end at these multiples of the tolerance: within it, up to twice, up to four times, beyond.
LIMITS = (-4.0, -2.0, -1.0, 1.0, 2.0, 4.0)

# The six levels of the colour cube that terminals with 256 colours share; common practice.
CUBE_LEVELS = (0, 95, 135, 175, 215, 255)


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourClass:
    """One class of gap error.

    Attributes
    ----------
    name : str
        Short stable name, fit for a CSS class.
    words : str
        What it means, in words.
    fill, ink : str
        Colour of the area and of the text on it, ``#rrggbb``.
    """

    name: str
    words: str
    fill: str
    ink: str


CLASSES = (
    ColourClass(name="near3", words="very much too near", fill="#231c6d", ink=LIGHT_INK),
    ColourClass(name="near2", words="much too near", fill="#353d96", ink=LIGHT_INK),
    ColourClass(name="near1", words="too near", fill="#5461a5", ink=LIGHT_INK),
    ColourClass(name="good", words="within the tolerance", fill="#5e9687", ink=DARK_INK),
    ColourClass(name="far1", words="too far", fill="#cda95d", ink=DARK_INK),
    ColourClass(name="far2", words="much too far", fill="#f8c94c", ink=DARK_INK),
    ColourClass(name="far3", words="very much too far", fill="#fbf3ab", ink=DARK_INK),
)
UNREAD = ColourClass(name="unread", words="unread", fill="#ffffff", ink=DARK_INK)


def hex_to_rgb(colour: str) -> tuple[int, int, int]:
    """Split ``#rrggbb`` into red, green and blue codes, 0 to 255.

    Examples
    --------
    >>> hex_to_rgb("#ff8000")
    (255, 128, 0)
    """
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def relative_luminance(colour: str) -> float:
    """Return the relative luminance of ``#rrggbb``: 0 for black, 1 for white.

    Parameters
    ----------
    colour : str
        An sRGB colour.

    Returns
    -------
    float
        ``0.2126 R + 0.7152 G + 0.0722 B`` of the linear components, as Web Content Accessibility
        Guidelines (WCAG) 2.2 define it.

    Examples
    --------
    >>> relative_luminance("#ffffff")
    1.0
    """
    code = np.array(hex_to_rgb(colour)) / 255
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return float(linear @ np.array([0.2126, 0.7152, 0.0722]))


def contrast_ratio(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.2; 4.5 is level AA for text).

    Examples
    --------
    >>> contrast_ratio("#000000", "#ffffff")
    21.0
    """
    low, high = sorted((relative_luminance(one), relative_luminance(other)))
    return (high + 0.05) / (low + 0.05)


def colour_class(error_mm: float, tolerance_mm: float) -> ColourClass:
    """Return the class of a gap error.

    Parameters
    ----------
    error_mm : float
        Gap minus target; positive where the nozzle is too far from the bed.
    tolerance_mm : float
        Half width of the class in the middle; above 0.

    Examples
    --------
    >>> colour_class(-0.05, 0.03).words
    'too near'
    """
    ratio = error_mm / tolerance_mm
    if abs(ratio) <= 1.0 + 1e-9:
        return CLASSES[3]
    return CLASSES[int(np.searchsorted(LIMITS, ratio))]


def gap_error_mm(pad: PadScore, target_gap_mm: float) -> float | None:
    """Return gap minus target of a pad, or None where no gap was read.

    Examples
    --------
    >>> pad = PadScore(i=0, j=0, x_mm=20, y_mm=20, verdict="too little", gap_mm=0.25)
    >>> round(gap_error_mm(pad, 0.20), 3)
    0.05
    """
    return None if pad.gap_mm is None else pad.gap_mm - target_gap_mm


def pad_colour(pad: PadScore, target_gap_mm: float, tolerance_mm: float) -> ColourClass:
    """Return the class of a pad: by its gap error, by what is proven when off scale, else unread.

    A bound that leaves it open whether the pad is within tolerance tells no class.

    Examples
    --------
    >>> pad = PadScore(
    ...     i=0, j=0, x_mm=20, y_mm=20, verdict="off scale low", interval_mm=(None, 0.22)
    ... )
    >>> pad_colour(pad, 0.20, 0.03).words
    'unread'
    """
    if pad.verdict.startswith("off scale"):
        high = pad.verdict == "off scale high"
        bound_mm = None if pad.interval_mm is None else pad.interval_mm[0 if high else 1]
        if bound_mm is None:
            return CLASSES[-1 if high else 0]
        proven_mm = (bound_mm - target_gap_mm) * (1 if high else -1)
        if proven_mm <= tolerance_mm:
            return UNREAD
        return colour_class(bound_mm - target_gap_mm, tolerance_mm)
    error_mm = gap_error_mm(pad, target_gap_mm)
    return UNREAD if error_mm is None else colour_class(error_mm, tolerance_mm)


def xterm_index(colour: str) -> int:
    """Return the nearest of the 240 fixed colours of a 256-colour terminal.

    Examples
    --------
    >>> xterm_index("#ffffff")
    231
    """
    rgb = np.array(hex_to_rgb(colour), dtype=float)
    levels = np.array(CUBE_LEVELS, dtype=float)
    steps = np.abs(levels[:, None] - rgb).argmin(axis=0)
    cube_error = float(np.sum((levels[steps] - rgb) ** 2))
    grey = int(np.clip(round((rgb.mean() - 8) / 10), 0, 23))
    grey_error = float(np.sum((8 + 10 * grey - rgb) ** 2))
    if grey_error < cube_error:
        return 232 + grey
    return int(16 + steps @ np.array([36, 6, 1]))
