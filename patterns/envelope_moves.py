"""Checks of the moves in finished G-code, with what is known of the printer at each of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed
from padsheet.patterns.clearance import lowest_heights_mm
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.interpreter import Event, Move, Program
from padsheet.patterns.paths import CLIP_CLEAR_MM, crosses, travel_height_mm, within_plate

__all__ = [
    "MESH_PART",
    "ROUNDING_MM",
    "Extent",
    "MoveChecks",
    "extent_of",
    "is_extrusion",
    "lowest_over_mesh_mm",
    "refusal",
]

ROUNDING_MM = 0.001
"""Slack of the checks of places: what the fixed decimals of the text may take or add."""

# Where the bed goes on beyond the mesh is a guess, and so is how the correction fades. What they
# may take away is checked apart from the reach, and may use up this part of the clearance.
MESH_PART = 0.5
_SPEED_FACTOR = 1.01
# Turning and rounding leave the fed area a little off; beyond this it is a mistake.
_AREA_FACTOR = 1.3
# Filament that may be fed in one place, beyond what was drawn back: priming.
_PRIME_MM = 10.0
# A nozzle this far below its printing temperature extrudes badly or not at all.
_COLDEST_BELOW_C = 15.0
# Higher than this many bores nothing of a first layer is printed.
_AIR_PER_BORE = 2.5
# Some printers wipe or purge beside the plate.
_BESIDE_PLATE_MM = 30.0


def _first_z_mm(move: Move) -> float:
    """Return the height from which a move counts.

    Of a move straight up or down only the end does: its start was the end of another, or lies where
    homing left the nozzle, which nobody here knows.
    """
    return move.z0_mm if move.xy_mm > 0 else move.z1_mm


def lowest_over_mesh_mm(
    moves: Sequence[Move], bed: Bed, mesh_z_mm: NDArray[np.float64]
) -> dict[int, float]:
    """Return the lowest height over the bed of each move with a mesh in force, by its line."""
    ends = [(m.x0_mm, m.y0_mm, _first_z_mm(m), m.x1_mm, m.y1_mm, m.z1_mm) for m in moves]
    places = np.array(ends, np.float64).reshape(-1, 6)
    lowest = lowest_heights_mm(
        places[:, :3], places[:, 3:], bed.mesh, mesh_z_mm, reference_mm=bed.target.height_mm
    )
    return dict(zip((move.line for move in moves), lowest.tolist(), strict=True))


def is_extrusion(move: Move) -> bool:
    """Tell whether a move lays a line."""
    return move.e_mm > 0 and move.xy_mm > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """First and last line that extrudes, and the highest nozzle meanwhile."""

    first_line: int
    last_line: int
    highest_mm: float


def extent_of(program: Program) -> Extent:
    """Return the extent of what a program prints.

    Raises
    ------
    PadsheetError
        If it prints nothing.
    """
    drawn = [move for move in program.moves if is_extrusion(move)]
    if not drawn:
        raise PadsheetError(
            "the G-code prints nothing",
            remedy="Write the sheet again with padsheet sheet.",
            code="envelope-empty",
        )
    return Extent(
        first_line=drawn[0].line,
        last_line=drawn[-1].line,
        highest_mm=max(max(move.z0_mm, move.z1_mm) for move in drawn),
    )


@dataclass(slots=True, kw_only=True)
class MoveChecks:
    """What is known of the printer while the lines go by.

    Attributes
    ----------
    low_mm : float
        How much higher than commanded the bed may stand; negative.
    mesh_on, mesh_z_mm, mesh_lines
        Whether the mesh is to be on, its values (rows, columns) if they are known, and the
        profile's lines that switch it on.
    lowest_mm : mapping of int to float
        `lowest_over_mesh_mm` of each move, where the mesh is known.
    widest_mm2 : float
        Largest cross-section that is to be extruded.
    mesh, homed_since_mesh : bool
        Whether the mesh is on, and whether homing came after it was.
    raised_mm : float
        Lifts before homing.
    nozzle_c, bed_c, nozzle_ready, bed_ready
        Temperatures asked for in degrees Celsius, and whether they were waited for.
    fan : bool or None
        None until something is said of it.
    factors : dict of str to float
        Speed and flow in percent.
    drawn_back_mm, primed_mm : float
        Filament that is drawn back now, and what was fed in one place so far.
    """

    bed: Bed
    low_mm: float
    mesh_on: bool
    mesh_z_mm: NDArray[np.float64] | None
    widest_mm2: float
    mesh_lines: frozenset[str]
    extent: Extent
    lowest_mm: Mapping[int, float] = field(default_factory=dict)
    mesh: bool = False
    homed_since_mesh: bool = False
    raised_mm: float = 0.0
    nozzle_c: float = 0.0
    bed_c: float = 0.0
    nozzle_ready: bool = False
    bed_ready: bool = False
    fan: bool | None = None
    factors: dict[str, float | None] = field(
        default_factory=lambda: {"speed-factor": None, "flow-factor": None}
    )
    drawn_back_mm: float = 0.0
    primed_mm: float = 0.0

    def move(self, move: Move) -> None:
        """Check one move."""
        self._speed(move)
        if not {"X", "Y", "Z"} <= move.homed:
            self._before_homing(move)
            return
        self._height(move)
        if move.e_mm != 0:
            self._feed(move)
        if move.xy_mm > 0:
            self._beside(move)
            if is_extrusion(move):
                self._extrusion(move)
            else:
                self._travel(move)

    def _before_homing(self, move: Move) -> None:
        rises = move.z1_mm - move.z0_mm
        if move.xy_mm > 0 or rises < 0 or move.e_mm != 0:
            raise refusal(
                "not-homed",
                move,
                "the printer moves or extrudes before all axes are homed",
                "Home first; before that only a lift is allowed.",
            )
        self.raised_mm += rises

    def _speed(self, move: Move) -> None:
        motion = self.bed.motion
        allowed = motion.travel_mm_s
        if is_extrusion(move):
            allowed = motion.print_mm_s
        elif move.length_mm == 0:
            allowed = motion.retract_mm_s
        length = move.length_mm or abs(move.e_mm)
        z_speed = move.feed_mm_s * abs(move.z1_mm - move.z0_mm) / length
        for what, speed, most in (
            ("speed", move.feed_mm_s, allowed),
            ("speed of Z", z_speed, motion.z_mm_s),
        ):
            # An F word is a whole number of mm/min.
            if speed > most * _SPEED_FACTOR + 1 / 60:
                raise refusal(
                    "speed",
                    move,
                    f"the {what} is {speed:.1f} mm/s, above the profile's {most:g} mm/s",
                    "Lower it, or raise the speed in [motion] of the bed profile.",
                )
        if move.feed_mm_s == 0:
            raise refusal(
                "speed",
                move,
                "a move has no speed: no F word came before",
                "Give the first move an F word.",
            )

    def _height(self, move: Move) -> None:
        """Hold the nozzle above the highest bed that the reach allows, along the whole path."""
        motion = self.bed.motion
        self._clearance(move, min(_first_z_mm(move), move.z1_mm), motion.clearance_mm)
        if self.mesh_z_mm is not None:
            lowest = self.lowest_mm[move.line]
            self._clearance(move, lowest, motion.clearance_mm * MESH_PART, "mesh-")
        if move.z1_mm < motion.z_lowest_mm - ROUNDING_MM:
            raise refusal(
                "z-lowest",
                move,
                f"Z{move.z1_mm:.3f} is below the lowest Z that the printer accepts, "
                f"{motion.z_lowest_mm:g} mm",
                "Print higher, or correct z_lowest_mm in [motion] of the bed profile.",
            )
        if move.z1_mm > motion.z_top_mm + ROUNDING_MM:
            raise refusal(
                "z-top",
                move,
                f"Z{move.z1_mm:.3f} is above the highest Z, {motion.z_top_mm:g} mm",
                "Stay below, or correct z_top_mm in [motion] of the bed profile.",
            )

    def _clearance(self, move: Move, lowest: float, least: float, mesh: str = "") -> None:
        height = lowest + self.low_mm
        if height >= least - ROUNDING_MM / 2:
            return
        remedy = "Print higher, or ask for less reach."
        if mesh:
            remedy += " Say in [mesh] outside what the printer does beyond the mesh."
        raise refusal(
            f"{mesh}clearance",
            move,
            f"the nozzle may come as near as {height:.3f} mm to the bed, less than {least:g} mm",
            remedy,
        )

    def _feed(self, move: Move) -> None:
        """Check all that must be so before filament is fed or drawn back."""
        if not self.nozzle_ready or self.nozzle_c < self.bed.heat.nozzle_c - _COLDEST_BELOW_C:
            raise refusal(
                "nozzle-cold",
                move,
                "filament is fed before the nozzle has been heated and waited for",
                f"Put M109 S{self.bed.heat.nozzle_c:g} before it.",
            )
        if move.e_mm < 0:
            self.drawn_back_mm -= move.e_mm
            return
        paid_back = min(self.drawn_back_mm, move.e_mm)
        self.drawn_back_mm -= paid_back
        if move.xy_mm == 0:
            self.primed_mm += move.e_mm - paid_back
            if self.primed_mm > _PRIME_MM:
                raise refusal(
                    "feed",
                    move,
                    f"{self.primed_mm:.1f} mm of filament are fed without a move",
                    f"Prime with no more than {_PRIME_MM:g} mm in all.",
                )

    def _beside(self, move: Move) -> None:
        limit = self.bed.plate.outline.grown(_BESIDE_PLATE_MM)
        if not (
            limit.x_min_mm <= move.x1_mm <= limit.x_max_mm
            and limit.y_min_mm <= move.y1_mm <= limit.y_max_mm
        ):
            raise refusal(
                "travel-outside",
                move,
                f"the nozzle is sent to X{move.x1_mm:g} Y{move.y1_mm:g}, far beside the plate",
                "Correct the coordinates, or size and origin of [plate].",
            )

    def _travel(self, move: Move) -> None:
        least = travel_height_mm(self.extent.highest_mm, self.bed.motion)
        low = min(move.z0_mm, move.z1_mm)
        if "Z" not in move.placed or low < least - ROUNDING_MM:
            raise refusal(
                "low-travel",
                move,
                f"the nozzle travels at {low:.3f} mm without extruding, below {least:.3f} mm",
                "Lift first: raise Z in a move of its own, in absolute coordinates.",
            )
        # Right after homing X and Y may be anywhere.
        known = {"X", "Y"} <= move.placed
        for clip in self.bed.plate.keep_out if low < CLIP_CLEAR_MM - ROUNDING_MM else ():
            ends = (move.x0_mm, move.y0_mm), (move.x1_mm, move.y1_mm)
            if not known or crosses(clip, *ends, slack_mm=ROUNDING_MM):
                raise refusal(
                    "travel-keep-out",
                    move,
                    f"the nozzle may travel over a keep-out at {low:.3f} mm, below "
                    f"{CLIP_CLEAR_MM:g} mm",
                    f"Lift to {CLIP_CLEAR_MM:g} mm before it, or go round.",
                )

    def _extrusion(self, move: Move) -> None:
        if not {"X", "Y", "Z"} <= move.placed:
            raise refusal(
                "not-placed",
                move,
                "extrusion begins where nobody knows the nozzle to be",
                "After homing move X, Y and Z in absolute coordinates first.",
            )
        self._states(move)
        ends = (move.x0_mm, move.y0_mm), (move.x1_mm, move.y1_mm)
        for x, y in ends:
            if not within_plate(self.bed.plate, x, y, slack_mm=ROUNDING_MM):
                raise refusal(
                    "outside",
                    move,
                    f"the line reaches X{x:g} Y{y:g}, outside the printable area",
                    "Keep to the plate less its margin, or correct [plate].",
                )
        if any(crosses(clip, *ends, slack_mm=ROUNDING_MM) for clip in self.bed.plate.keep_out):
            raise refusal(
                "keep-out",
                move,
                "the line runs through a keep-out",
                "Print elsewhere, or correct [[plate.keep_out]].",
            )
        if max(move.z0_mm, move.z1_mm) > _AIR_PER_BORE * self.bed.nozzle.bore_mm:
            raise refusal(
                "in-air",
                move,
                f"filament is extruded while travelling {move.z1_mm:.3f} mm above the bed",
                "Feed no filament on travels.",
            )
        area = move.e_mm * self.bed.nozzle.filament_area_mm2 / move.length_mm
        # Short pieces carry the rounding of their E word.
        slack = 2e-5 * self.bed.nozzle.filament_area_mm2 / move.length_mm
        if area > _AREA_FACTOR * self.widest_mm2 + slack:
            raise refusal(
                "feed",
                move,
                f"the line has a cross-section of {area:.3f} mm2, far above the widest of "
                f"{self.widest_mm2:.3f} mm2",
                "Correct E, or the extruder mode (M82, M83).",
            )

    def _states(self, move: Move) -> None:
        """Check every state that the print relies on."""
        if self.bed.heat.bed_c > 0 and not self.bed_ready:
            raise refusal(
                "bed-cold",
                move,
                "extrusion begins before the bed has been heated and waited for",
                f"Put M190 S{self.bed.heat.bed_c:g} before it.",
            )
        for kind, word in (("speed-factor", "M220"), ("flow-factor", "M221")):
            if self.factors[kind] != 100:
                raise refusal(
                    "factor",
                    move,
                    f"{word} has not set the factor to 100 %",
                    f"Put {word} S100 before the print and no other {word} after it.",
                )
        if self.fan is not False:
            raise refusal(
                "fan", move, "the fan has not been switched off", "Put M107 before the print."
            )
        self._mesh_state(move)

    def _mesh_state(self, move: Move) -> None:
        if self.mesh_on and self.mesh_lines and not self.mesh:
            if self.homed_since_mesh:
                raise refusal(
                    "home-after-mesh",
                    move,
                    "the printer was homed after the mesh was switched on, which may switch it off",
                    "Switch the mesh on after the last homing.",
                )
            raise refusal(
                "mesh-missing",
                move,
                "extrusion begins, but the mesh was not switched on after the last homing",
                f"Put {' and '.join(self.bed.code.mesh_on)} after the last homing.",
            )
        if not self.mesh_on and self.mesh:
            raise refusal(
                "mesh-unwanted",
                move,
                "the mesh is on, but this sheet is to be printed without it",
                "Put M420 S0 before the print.",
            )


def refusal(code: str, step: Move | Event, what: str, remedy: str) -> PadsheetError:
    """Return the error that names the line of a step."""
    return PadsheetError(
        f"line {step.line} of the G-code: {what}", remedy=remedy, code=f"envelope-{code}"
    )
