"""How long a sheet takes and how much filament it needs."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from padsheet.patterns.bed import Bed
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.interpreter import Event, Move, interpret
from padsheet.patterns.sheet import Sheet

__all__ = ["Estimate", "estimate"]

# Corners up to this angle are taken without slowing down, sharper ones from a full stop.
_EASY_CORNER_DEG = 20.0
# Warming up from a room, and homing: common practice, no source.
_ROOM_C = 20.0
_BED_C_PER_MIN = 15.0
_NOZZLE_C_PER_MIN = 90.0
_HOME_MIN = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """Time and filament of one print.

    Attributes
    ----------
    minutes : float
        Printing, travels and retractions, from the first move after heating to the last one.
    grams : float
        Filament drawn from the spool, priming included.
    heat_minutes : float
        Before it: warming up, soak and homing.
    hold_minutes : float
        After it: how long the bed is held warm.
    """

    minutes: float
    grams: float
    heat_minutes: float
    hold_minutes: float = 0.0


def estimate(text_or_sheet: str | Sheet, bed: Bed) -> Estimate:
    """Estimate time and filament.

    Each unbroken run of moves is driven at constant acceleration (trapezoids): it starts and ends
    at rest, as does every corner sharper than 20 degrees, every change of direction of Z or of the
    filament, and no speed is higher than the way to the next stop allows. Printers that round their
    corners are somewhat faster.

    Parameters
    ----------
    text_or_sheet : str or Sheet
        Finished G-code, or a sheet with its strokes, which is written first.
    bed : Bed
        Acceleration, speed of Z, filament and heat.

    Raises
    ------
    PadsheetError
        If the G-code cannot be read, or the sheet cannot be written.
    """
    text = write_gcode(text_or_sheet, bed) if isinstance(text_or_sheet, Sheet) else text_or_sheet
    steps = interpret(text, home=bed.code.home).steps
    hot = _first_extrusion(steps)
    begin = max((k for k, s in enumerate(steps[:hot]) if isinstance(s, Event)), default=0)
    moving_s = sum(
        _run_seconds(run, bed) for run in _runs([s for s in steps[begin:] if isinstance(s, Move)])
    )
    return Estimate(
        minutes=moving_s / 60,
        grams=_grams(steps, bed),
        heat_minutes=_heat_minutes(steps[:hot], bed),
        hold_minutes=sum(_dwell_s(s) for s in steps[hot:]) / 60,
    )


def _first_extrusion(steps: tuple[Move | Event, ...]) -> int:
    for k, step in enumerate(steps):
        if isinstance(step, Move) and step.e_mm > 0:
            return k
    return len(steps)


def _dwell_s(step: Move | Event) -> float:
    """Return the seconds of a wait: S in seconds, P in milliseconds (common practice)."""
    if isinstance(step, Move) or step.kind != "dwell":
        return 0.0
    seconds = step.get("S")
    return (step.get("P") or 0.0) / 1000 if seconds is None else seconds


def _heat_minutes(steps: tuple[Move | Event, ...], bed: Bed) -> float:
    waits = {s.word for s in steps if isinstance(s, Event) and s.kind == "heat"}
    homes = any(isinstance(s, Event) and s.kind == "home" for s in steps)
    minutes = sum(_dwell_s(s) for s in steps) / 60 + (_HOME_MIN if homes else 0.0)
    if "M190" in waits:
        minutes += max(0.0, bed.heat.bed_c - _ROOM_C) / _BED_C_PER_MIN
    if "M109" in waits:
        minutes += max(0.0, bed.heat.nozzle_c - _ROOM_C) / _NOZZLE_C_PER_MIN
    return minutes


def _grams(steps: tuple[Move | Event, ...], bed: Bed) -> float:
    fed = peak = 0.0
    for step in steps:
        if isinstance(step, Move):
            fed += step.e_mm
            # Filament drawn back is fed again later: only the furthest feed counts.
            peak = max(peak, fed)
    return peak * bed.nozzle.filament_area_mm2 * bed.heat.filament_density_g_cm3 / 1000


def _runs(moves: list[Move]) -> list[list[Move]]:
    """Split moves into runs that are driven without a stop."""
    runs: list[list[Move]] = []
    for move in moves:
        if runs and _flows(runs[-1][-1], move):
            runs[-1].append(move)
        else:
            runs.append([move])
    return runs


def _flows(before: Move, after: Move) -> bool:
    """Tell whether the corner between two moves is taken without a stop."""
    if not (before.xy_mm and after.xy_mm) or (before.e_mm > 0) != (after.e_mm > 0):
        return False
    turn = sum(a * b for a, b in zip(_direction(before), _direction(after), strict=True))
    return turn >= math.cos(math.radians(_EASY_CORNER_DEG))


def _direction(move: Move) -> tuple[float, float, float]:
    length = move.length_mm
    return (
        (move.x1_mm - move.x0_mm) / length,
        (move.y1_mm - move.y0_mm) / length,
        (move.z1_mm - move.z0_mm) / length,
    )


def _run_seconds(run: list[Move], bed: Bed) -> float:
    """Return the time of a run from rest to rest."""
    acceleration = bed.motion.acceleration_mm_s2
    lengths = [move.length_mm or abs(move.e_mm) for move in run]
    speeds = [_speed(move, bed) for move in run]
    # Speed at each joint: what both moves allow, then what the ways to either end allow.
    joints = [0.0, *(min(a, b) for a, b in itertools.pairwise(speeds)), 0.0]
    for k, length in enumerate(lengths):
        joints[k + 1] = min(joints[k + 1], math.sqrt(joints[k] ** 2 + 2 * acceleration * length))
    for k in reversed(range(len(lengths))):
        reachable = math.sqrt(joints[k + 1] ** 2 + 2 * acceleration * lengths[k])
        joints[k] = min(joints[k], reachable)
    return sum(
        _trapezoid_s(length, speed, joints[k], joints[k + 1], acceleration)
        for k, (length, speed) in enumerate(zip(lengths, speeds, strict=True))
    )


def _speed(move: Move, bed: Bed) -> float:
    """Return the speed a move is driven at: as asked, or slower where Z cannot follow."""
    asked = move.feed_mm_s or bed.motion.travel_mm_s
    rise = abs(move.z1_mm - move.z0_mm)
    return min(asked, bed.motion.z_mm_s * move.length_mm / rise) if rise else asked


def _trapezoid_s(
    length_mm: float, speed: float, first: float, last: float, acceleration: float
) -> float:
    """Return the time of one move that begins and ends at given speeds.

    Examples
    --------
    >>> _trapezoid_s(10.0, 10.0, 0.0, 0.0, 100.0)  # 0.1 s up, 9 mm at 10 mm/s, 0.1 s down
    1.1
    >>> _trapezoid_s(0.25, 10.0, 0.0, 0.0, 100.0)  # too short for full speed: 2 sqrt(s / a)
    0.1
    """
    top = min(speed, math.sqrt(acceleration * length_mm + (first**2 + last**2) / 2))
    ramps_mm = (2 * top**2 - first**2 - last**2) / (2 * acceleration)
    return (2 * top - first - last) / acceleration + max(0.0, length_mm - ramps_mm) / top
