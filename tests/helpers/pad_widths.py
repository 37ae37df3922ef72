"""Measured widths of a pad, for tests that say only what matters to them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from padsheet.scoring.lines import PadWidths

DARK_ON_BRIGHT = np.array([-0.6, -0.5, -0.4])
"""Print minus plate of a dark print on a bright plate."""


def pad_widths(width_mm: ArrayLike = (0.5,) * 10, **told: object) -> PadWidths:
    """Return the widths of a pad that is clearly seen in a sharp photo, but for what is told.

    Numbers stand for all tracks alike.
    """
    width = np.asarray(width_mm, float)
    plain: dict[str, object] = {
        "width_mm": width,
        "sigma_mm": 0.004,
        "middle_mm": 0.0,
        "wander_mm": 0.008,
        "ends_differ": 0.0,
        "blur_px": 1.0,
        "separation": 20.0,
        "apart": DARK_ON_BRIGHT,
        "print_level": 0.0,
        "contrast": 1.0,
        "misfit": 0.02,
        "whole": True,
        "clipped_share": 0.0,
        "px_per_mm": 10.0,
        "brightest": 0.6,
    }
    every = plain | told
    for name in ("sigma_mm", "middle_mm", "wander_mm", "ends_differ", "contrast"):
        every[name] = np.broadcast_to(np.asarray(every[name], float), width.shape).copy()
    return PadWidths(**every)  # type: ignore[arg-type]
