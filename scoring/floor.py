"""Noticing a printer that does not go as low as it is told: its lowest steps come out alike."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bead import gap_mm, round_diameter_mm
from padsheet.patterns.widths import Comb
from padsheet.scoring.medians import median

__all__ = ["height_floor_mm"]

Floats = NDArray[np.float64]

# A step counts as missing where the gap rises by less than this part of it, and as printed where by
# more than that: strands that lie round from every height rise by little and nowhere by much.
_LEAST_RISE, _PLAIN_RISE = 0.35, 0.6
# Only tracks well between choked and round tell a step, whatever flow and photo add.
_LEAST_GAP_MM, _MOST_OF_ROUND = 0.11, 0.85
_FEWEST_PADS = 3


def height_floor_mm(comb: Comb, width_mm: Floats) -> float | None:
    """Return the height below which the printer seems not to go, or None if it goes all the way.

    Each width is turned into a gap by the relation in `padsheet.patterns.bead`. What flow, photo
    and bed add to it hardly differs between the same track's neighbours in height, so the rise
    from one step to the next is that of the nozzle.

    Parameters
    ----------
    comb : Comb
        T tracks.
    width_mm : ndarray, shape (P, T)
        Their widths on P pads; NaN where nothing was read.

    Returns
    -------
    float or None
        The lowest height in millimetres that was really printed, to within one step; None too if
        the steps above it are not seen to rise.
    """
    told = gap_mm(comb.area_mm2, width_mm)
    plain = (told > _LEAST_GAP_MM) & (told < _MOST_OF_ROUND * round_diameter_mm(comb.area_mm2))
    told = np.where(plain, told, np.nan)
    read = np.isfinite(width_mm).any(axis=1).sum()
    heights = comb.heights_mm
    floor = None
    for level in range(comb.levels - 1):
        rises = _rises(comb, told, level) / (heights[level + 1] - heights[level])
        rises = rises[np.isfinite(rises)]
        if len(rises) < max(_FEWEST_PADS, read / 2):
            return None
        if median(rises) > _LEAST_RISE:
            return floor if median(rises) > _PLAIN_RISE else None
        floor = float(heights[level + 1])
    return None


def _rises(comb: Comb, told: Floats, level: int) -> Floats:
    """Return by how much each pad's gap rises from a level to the next, mean over the areas."""
    rises: list[Floats] = []
    for low in np.flatnonzero(comb.level == level):
        next_up = (comb.level == level + 1) & np.isclose(comb.area_mm2, comb.area_mm2[low])
        rises.extend(told[:, high] - told[:, low] for high in np.flatnonzero(next_up))
    if not rises:
        return np.full(len(told), np.nan)
    return np.asarray(np.mean(rises, axis=0))
