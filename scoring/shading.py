"""By how much the sides of a bead, lit less than its flat top, change the width that is seen."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["SIDE_LOSS", "seen_narrower"]

SIDE_LOSS = (1 - math.pi / 4) / 2
"""Light that both sides lack, as a part of the bead's height times what the top sends: a matt
semicircular side under an even sky gets (1 + cos b)/2 where it falls by the angle b (Liu and
Jordan, Solar Energy 7 (1963) 53-74; from memory), averaged over the half circle."""

# Beyond these print and plate are nearly equal, and the sides no shading of a bar but lines in it.
_LEVELS = (-1.0, 2.0)


def seen_narrower(print_level: ArrayLike) -> NDArray[np.float64]:
    """Return by which part of its height a line is seen narrower.

    Parameters
    ----------
    print_level : array_like of float, any shape
        What the print reads where no light reads 0 and print minus plate is 1, see `ColourAxis`:
        dark sides look like the plate where that is dark, and like the print where that is dark.
    """
    return np.asarray(SIDE_LOSS * np.clip(print_level, *_LEVELS), np.float64)
