"""Straight paths over the plate: what they cross, and how high the nozzle travels."""

from __future__ import annotations

import math

from padsheet.patterns.bed import Motion, Plate, Rectangle

__all__ = ["CLIP_CLEAR_MM", "crosses", "travel_height_mm", "within_plate"]

CLIP_CLEAR_MM = 10.0
"""Nozzle height that clears the clips of a plate. Common practice, no source."""

_LEAST_LIFT_MM = 0.3


def crosses(
    area: Rectangle, start: tuple[float, float], end: tuple[float, float], *, slack_mm: float = 0.0
) -> bool:
    """Tell whether a straight path enters the inside of a rectangle.

    Parameters
    ----------
    area : Rectangle
        Its edge itself counts as outside.
    start, end : (x, y)
        Ends of the path in millimetres; they may coincide.
    slack_mm : float
        The rectangle is taken smaller by this on each side.

    Notes
    -----
    The path is clipped against one side after the other (Liang, Barsky, ACM Transactions on
    Graphics 3(1) (1984) 1-22).

    Examples
    --------
    >>> clip = Rectangle(x_min_mm=0, y_min_mm=0, x_max_mm=10, y_max_mm=10)
    >>> crosses(clip, (-5, 5), (15, 5)), crosses(clip, (-5, 0), (15, 0))
    (True, False)
    """
    enter, leave = 0.0, 1.0
    for here, there, low, high in (
        (start[0], end[0], area.x_min_mm + slack_mm, area.x_max_mm - slack_mm),
        (start[1], end[1], area.y_min_mm + slack_mm, area.y_max_mm - slack_mm),
    ):
        run = there - here
        if run == 0.0:
            if not low < here < high:
                return False
            continue
        first, last = sorted(((low - here) / run, (high - here) / run))
        enter, leave = max(enter, first), min(leave, last)
    # A point inside has enter = 0 and leave = 1; a touched edge has no length.
    return enter < leave


def within_plate(plate: Plate, x_mm: float, y_mm: float, *, slack_mm: float = 0.0) -> bool:
    """Tell whether a point lies in the printable area, keep-outs aside.

    The area is convex for both shapes of plate, so a straight path lies in it when its ends do.

    Parameters
    ----------
    plate : Plate
        The plate; its margin is respected.
    slack_mm : float
        How far outside still counts as inside.
    """
    area = plate.outline.grown(slack_mm - plate.margin_mm)
    if plate.shape == "round":
        centre_x, centre_y = area.centre_mm
        radius = (area.x_max_mm - area.x_min_mm) / 2
        return math.hypot(x_mm - centre_x, y_mm - centre_y) <= radius
    return area.x_min_mm <= x_mm <= area.x_max_mm and area.y_min_mm <= y_mm <= area.y_max_mm


def travel_height_mm(highest_mm: float, motion: Motion) -> float:
    """Return the lowest height for travels over a print whose highest nozzle height is given."""
    return highest_mm + max(motion.lift_mm, _LEAST_LIFT_MM)
