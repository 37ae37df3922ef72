"""From a bed's tilt to turns of its screws."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Screw
from padsheet.scoring.plane import MM_PER_M

__all__ = [
    "ScrewTurn",
    "can_level",
    "expected_rise",
    "left_over",
    "moved_plane",
    "raising",
    "screw_turns",
    "tilts_by",
    "turn_in_words",
    "turn_mm",
]

#: Turns are given in eighths: 45 degrees is about what a hand can set.
PARTS_OF_TURN = 8
#: How exactly a hand turns a screw: to a sixteenth of a turn, evenly spread (common practice, no
#: source).
HAND_SIGMA_TURNS = 1 / 16 / math.sqrt(3)
_OTHER_WAY = {
    "clockwise": "counter-clockwise",
    "counter-clockwise": "clockwise",
    "unknown": "unknown",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ScrewTurn:
    """What one screw needs, and what the rounded turn does.

    Attributes
    ----------
    wanted_mm : float
        How far the bed must go up (positive) or down at this screw.
    bed_mm : float
        How far the rounded turn moves it.
    turns : float
        Unsigned, a multiple of 1/8.
    direction : {"clockwise", "counter-clockwise", "unknown", "leave"}
        Seen from above; unknown where the profile does not say which turn raises the bed.
    """

    screw: Screw
    wanted_mm: float
    bed_mm: float
    turns: float
    direction: str

    @property
    def text(self) -> str:
        """The whole sentence."""
        if self.direction == "leave":
            return f"Leave the {self.screw.name} screw as it is."
        side = "up" if self.bed_mm > 0 else "down"
        if self.direction == "unknown":
            return (
                f"Turn the {self.screw.name} screw {_turns_in_words(self.turns)}, the way that "
                f"brings the bed {side} there, by {abs(self.bed_mm):.3f} mm."
            )
        return (
            f"Turn the {self.screw.name} screw {_turns_in_words(self.turns)} {self.direction} "
            f"seen from above: the bed goes {side} there by {abs(self.bed_mm):.3f} mm."
        )


def raising(bed_mm: float, direction: str) -> str:
    """Return which turn raises the bed, by the direction of one that was to move it so far.

    Examples
    --------
    >>> raising(0.1, "clockwise"), raising(-0.1, "clockwise"), raising(0.0, "leave")
    ('clockwise', 'counter-clockwise', 'unknown')
    """
    told = direction if bed_mm > 0 else _OTHER_WAY.get(direction, "unknown")
    return told if told in _OTHER_WAY else "unknown"


def turn_mm(pitch_mm: float, turns: float) -> float:
    """Return how far a screw moves the bed: pitch times turns.

    Examples
    --------
    45 degrees on M4 and a quarter turn on M3, coarse threads of ISO 261.

    >>> round(turn_mm(0.7, 1 / 8), 6), round(turn_mm(0.5, 1 / 4), 6)
    (0.0875, 0.125)
    """
    return pitch_mm * turns


def can_level(screws: Sequence[Screw]) -> bool:
    """Tell whether the screws can tilt the bed: three or more that are not in one line."""
    if len(screws) < 3:
        return False
    places = np.array([[screw.x_mm, screw.y_mm] for screw in screws])
    # Within a millimetre of one line they set one direction only.
    return bool(np.linalg.svd(places - places.mean(axis=0), compute_uv=False)[1] > 1.0)


def screw_turns(
    screws: Sequence[Screw],
    tilt_mm_per_m: tuple[float, float],
    *,
    centre_mm: tuple[float, float],
) -> tuple[ScrewTurn, ...]:
    """Return the turns that take a tilt out and keep the height at the centre.

    Parameters
    ----------
    screws : sequence of Screw
        In profile order.
    tilt_mm_per_m : (float, float)
        Slope of the gap along x and y. Where the gap is too large the bed must go up.
    centre_mm : (x, y)
        The place that keeps its height: the middle of the mesh.

    Returns
    -------
    tuple of ScrewTurn
        In the order of `screws`.
    """
    return tuple(
        _turn(
            screw,
            (
                tilt_mm_per_m[0] * (screw.x_mm - centre_mm[0])
                + tilt_mm_per_m[1] * (screw.y_mm - centre_mm[1])
            )
            / MM_PER_M,
        )
        for screw in screws
    )


def moved_plane(
    turns: Sequence[ScrewTurn], *, centre_mm: tuple[float, float]
) -> NDArray[np.float64]:
    """Return how the rounded turns move the bed: height at the centre (mm), slopes (mm per m).

    Shape (3,). Four screws do not lie in one plane after rounding; a stiff plate follows their
    least-squares plane.
    """
    plane: NDArray[np.float64] = np.linalg.lstsq(
        _design(turns, centre_mm), np.array([t.bed_mm for t in turns]), rcond=None
    )[0]
    return plane


def expected_rise(
    screws: Sequence[Screw], moves_mm: Sequence[float], xy_mm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how turns lift a stiff bed at places, shape (P,), and its covariance, shape (P, P).

    Parameters
    ----------
    screws : sequence of Screw
        Three or more.
    moves_mm : sequence of float
        How far the bed was to go up at each screw.
    xy_mm : ndarray of float, shape (P, 2)
        The places.
    """
    corners = np.array([[screw.x_mm, screw.y_mm] for screw in screws])
    middle = corners.mean(axis=0)
    design, places = (
        np.column_stack([np.ones(len(xy)), (xy - middle) / MM_PER_M]) for xy in (corners, xy_mm)
    )
    follow = places @ np.linalg.pinv(design)
    sigma_mm = HAND_SIGMA_TURNS * np.array([s.pitch_mm for s in screws])
    return follow @ np.asarray(moves_mm), (follow * sigma_mm**2) @ follow.T


def tilts_by(screws: Sequence[Screw]) -> NDArray[np.float64]:
    """Return the slopes of the bed along x and y, mm per m, that a millimetre up at each makes.

    Shape (2, S); a stiff plate follows the least-squares plane of more than three screws.
    """
    places = np.array([[screw.x_mm, screw.y_mm] for screw in screws])
    design = np.column_stack([np.ones(len(places)), (places - places.mean(axis=0)) / MM_PER_M])
    slopes: NDArray[np.float64] = np.linalg.pinv(design)[1:]
    return slopes


def turn_in_words(screw: Screw, bed_mm: float) -> str:
    """Return the turn, in whole eighths, that moves the bed so far; empty for less than half one.

    Examples
    --------
    >>> turn_in_words(Screw(name="front", x_mm=0, y_mm=0, pitch_mm=0.7, raises="clockwise"), -0.17)
    '1/4 turn counter-clockwise seen from above'
    """
    turn = _turn(screw, bed_mm)
    if turn.direction == "leave":
        return ""
    words = _turns_in_words(turn.turns)
    if turn.direction == "unknown":
        return f"{words}, the way that brings the bed {'up' if bed_mm > 0 else 'down'}"
    return f"{words} {turn.direction} seen from above"


def left_over(
    turns: Sequence[ScrewTurn],
    tilt_mm_per_m: tuple[float, float],
    size_mm: tuple[float, float],
    *,
    centre_mm: tuple[float, float],
) -> float:
    """Return the tilt to expect after the turns, end to end of the mesh, in millimetres.

    What rounding leaves, and twice the standard deviation of what a hand adds.

    Parameters
    ----------
    size_mm : (float, float)
        Size of the mesh along x and y.
    """
    size_m = np.asarray(size_mm) / MM_PER_M
    left = np.asarray(tilt_mm_per_m) - moved_plane(turns, centre_mm=centre_mm)[1:]
    weights = np.linalg.pinv(_design(turns, centre_mm))[1:]
    hand = np.array([HAND_SIGMA_TURNS * t.screw.pitch_mm for t in turns])
    slopes = np.sqrt(((weights * hand) ** 2).sum(axis=1))
    return math.hypot(float(np.abs(left) @ size_m), 2 * math.hypot(*(slopes * size_m)))


def _design(turns: Sequence[ScrewTurn], centre_mm: tuple[float, float]) -> NDArray[np.float64]:
    """Return the matrix from height and slopes (mm per m) to the heights at the screws."""
    places = np.array([[t.screw.x_mm, t.screw.y_mm] for t in turns])
    return np.column_stack([np.ones(len(turns)), (places - centre_mm) / MM_PER_M])


def _turn(screw: Screw, wanted_mm: float) -> ScrewTurn:
    """Round one screw's turn to an eighth and give it its direction."""
    eighths = round(abs(wanted_mm) / screw.pitch_mm * PARTS_OF_TURN)
    turns = eighths / PARTS_OF_TURN
    direction = screw.raises if wanted_mm > 0 else _OTHER_WAY[screw.raises]
    return ScrewTurn(
        screw=screw,
        wanted_mm=wanted_mm,
        bed_mm=turn_mm(screw.pitch_mm, turns) * (1 if wanted_mm > 0 else -1) + 0.0,
        turns=turns,
        direction=direction if eighths else "leave",
    )


def _turns_in_words(turns: float) -> str:
    """Write a multiple of 1/8 as a person says it.

    Examples
    --------
    >>> _turns_in_words(0.25), _turns_in_words(1.0), _turns_in_words(1.375)
    ('1/4 turn', '1 turn', '1 3/8 turns')
    """
    whole, eighths = divmod(round(turns * PARTS_OF_TURN), PARTS_OF_TURN)
    if not eighths:
        return f"{whole} turn{'s' if whole > 1 else ''}"
    top, bottom = eighths, PARTS_OF_TURN
    while top % 2 == 0:
        top, bottom = top // 2, bottom // 2
    return f"{whole} {top}/{bottom} turns" if whole else f"{top}/{bottom} turn"
