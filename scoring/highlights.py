"""What highlights that a camera cuts off do to the edges beside them.

A sensor or a tone curve that cuts the bright side of a blurred edge off leaves an edge that looks
sharper than the lens made it and lies farther out on the dark side. The lens's own blur is that of
the pads whose highlights are whole: what others lack of it tells how far their edges have moved.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from padsheet.scoring.lines import PadWidths
from padsheet.scoring.medians import median

__all__ = ["WIDTH_PER_LOST_BLUR", "highlight_shift_mm"]

Floats = NDArray[np.float64]

WIDTH_PER_LOST_BLUR = 3.2
"""Width gained for each unit of blur lost: of a Gaussian edge that is cut off at 0.85 to 0.35 of
its height and fitted with a Gaussian edge, 2.5 to 4.1, both edges together."""

# Linear light, in the brightest channel, from which on highlights may be cut off, and surely are.
_MAYBE_CUT, _SURELY_CUT = 0.85, 0.95
_FEWEST_WHOLE = 3
# With no pad whose highlights are whole, one of the most blurred pads comes nearest to the lens.
_USUAL_QUANTILE = 0.9


def highlight_shift_mm(widths: Sequence[PadWidths]) -> Floats:
    """Return by how much cut-off highlights seem to have widened the lines of each pad, shape (P,).

    Negative where the plate is the brighter side, and the lines have become narrower; zero where
    highlights are whole or nothing was read.
    """
    blur_px = np.array([w.blur_px for w in widths])
    cut = np.array([w.brightest for w in widths])
    cut = np.clip((cut - _MAYBE_CUT) / (_SURELY_CUT - _MAYBE_CUT), 0.0, 1.0)
    read = np.array([w.whole and bool(np.isfinite(w.width_mm).any()) for w in widths])
    if not read.any():
        return np.zeros(len(widths))
    whole = read & (cut < 0.3)
    if whole.sum() >= _FEWEST_WHOLE:
        usual_px = median(blur_px[whole])
    else:
        usual_px = float(np.quantile(blur_px[read], _USUAL_QUANTILE))
    lost_px = np.where(read, cut * np.maximum(usual_px - blur_px, 0.0), 0.0)
    print_is_bright = np.array([np.sum(w.apart) > 0 for w in widths])
    scale = np.array([w.px_per_mm for w in widths])
    sign = np.where(print_is_bright, 1.0, -1.0)
    return np.asarray(sign * WIDTH_PER_LOST_BLUR * lost_px / scale, float)
