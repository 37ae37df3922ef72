"""The safety envelope of finished G-code.

The text is read afresh, the user's own lines included, and refused where it could drive the nozzle
into the bed or a clip, or leaves what the profile allows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed
from padsheet.patterns.envelope_moves import (
    ROUNDING_MM,
    MoveChecks,
    extent_of,
    lowest_over_mesh_mm,
    refusal,
)
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.gcode_words import HARMLESS, LATE_OFFSETS, REFUSED, why_refused
from padsheet.patterns.interpreter import Event, Move, interpret, normal_line
from padsheet.patterns.sheet import Sheet

__all__ = ["check_envelope", "check_sheet_gcode"]

_HEAT_ROUNDING_C = 0.5
_WIDEST_PER_BORE_AREA = 1.3
_FIRST_LIFT_MM = 5.0


def check_envelope(
    text: str,
    bed: Bed,
    *,
    reach_mm: tuple[float, float],
    mesh_on: bool = True,
    mesh_z_mm: NDArray[np.float64] | None = None,
    widest_area_mm2: float | None = None,
) -> None:
    """Refuse G-code that is not safe to print on a bed.

    Parameters
    ----------
    text : str
        The finished G-code.
    bed : Bed
        Profile of the printer.
    reach_mm : (low, high)
        Gap errors that are to be expected: at low = -0.08 the bed may stand 0.08 mm higher than
        commanded.
    mesh_on : bool
        Whether the print is to run with the mesh switched on.
    mesh_z_mm : ndarray of float, shape (rows, columns), optional
        Correction at each node, if the mesh in force is known; then what the printer does outside
        the mesh and its fading count too.
    widest_area_mm2 : float, optional
        Largest cross-section that is to be extruded; by default 1.3 times the bore's area.

    Raises
    ------
    PadsheetError
        With a code that begins with ``envelope-`` (``gcode-line`` if a line cannot be read); names
        the line, what is wrong, and what to do.
    """
    program = interpret(text, home=bed.code.home)
    held_mm = mesh_z_mm if mesh_on else None
    check = _Check(
        bed=bed,
        low_mm=reach_mm[0],
        mesh_on=mesh_on,
        mesh_z_mm=held_mm,
        lowest_mm={} if held_mm is None else lowest_over_mesh_mm(program.moves, bed, held_mm),
        widest_mm2=widest_area_mm2 or _WIDEST_PER_BORE_AREA * bed.nozzle.bore_area_mm2,
        mesh_lines=frozenset(normal_line(line) for line in bed.code.mesh_on) - {""},
        extent=extent_of(program),
    )
    for step in program.steps:
        if isinstance(step, Move):
            check.move(step)
        else:
            check.event(step)
    check.end(len(text.splitlines()))


def check_sheet_gcode(
    text: str, sheet: Sheet, bed: Bed, *, mesh_z_mm: NDArray[np.float64] | None = None
) -> None:
    """Check the G-code of a sheet with the reach, mesh and areas of that sheet.

    Parameters
    ----------
    text, sheet, bed
        The finished G-code, the sheet it prints, and the profile.
    mesh_z_mm : ndarray of float, shape (rows, columns), optional
        The mesh in force, if known.

    Raises
    ------
    PadsheetError
        See `check_envelope`.
    """
    check_envelope(
        text,
        bed,
        reach_mm=sheet.reach_mm,
        mesh_on=sheet.mesh_active != "no",
        mesh_z_mm=mesh_z_mm,
        widest_area_mm2=max((a for s in sheet.strokes for a in s.area_mm2), default=None),
    )


@dataclass(slots=True, kw_only=True)
class _Check(MoveChecks):
    """Checks of moves and of all other commands."""

    def event(self, event: Event) -> None:
        """Check one command that is not a move."""
        if event.kind == "ambiguous":
            raise refusal(
                "ambiguous",
                event,
                f'printers differ in what they do with "{event.text[:60]}"',
                "Write one command in a line, and each move with its own G0 or G1.",
            )
        if event.kind == "e-unsure":
            raise refusal(
                "e-mode",
                event,
                "filament is fed, but no M82 or M83 came after the last G90 or G91, and printers "
                "differ in what E means then",
                "Put M83 (relative) or M82 (absolute) after G90 or G91.",
            )
        if event.kind == "home":
            self._home(event)
        elif event.kind == "heat":
            self._heat(event)
        elif event.kind in self.factors:
            self.factors[event.kind] = event.get("S")
        elif event.kind == "fan":
            self.fan = event.word == "M106" and event.get("S") != 0
        elif event.kind == "offset":
            self._offset(event)
        elif event.kind == "mesh" or (event.kind == "other" and event.text in self.mesh_lines):
            self._mesh(event)
        elif event.kind == "other":
            self._other(event)

    def _home(self, event: Event) -> None:
        if self.raised_mm < _FIRST_LIFT_MM - ROUNDING_MM and event.line < self.extent.first_line:
            raise refusal(
                "no-lift",
                event,
                f"the printer homes without a lift of {_FIRST_LIFT_MM:g} mm first, and may scrape "
                "over the bed",
                'Leave homing to the sheet, or put "G91", "G0 Z5 F300", "G90" before it.',
            )
        axes = [axis for axis in "XYZ" if event.has(axis)] or ["Z"]
        if event.line > self.extent.first_line and (
            "Z" in axes or event.line < self.extent.last_line
        ):
            raise refusal(
                "home-late",
                event,
                "the printer homes over the print",
                "Home before the print only; after it X and Y alone may be homed.",
            )
        self.homed_since_mesh = self.homed_since_mesh or self.mesh
        self.mesh = False

    def _heat(self, event: Event) -> None:
        heat = self.bed.heat
        nozzle = event.word in ("M104", "M109")
        what, most = ("nozzle", heat.nozzle_c) if nozzle else ("bed", heat.bed_c)
        # M109 R and M190 R wait for cooling too.
        asked = event.get("S") if event.has("S") else event.get("R")
        if asked is None or asked > most + _HEAT_ROUNDING_C:
            said = "no temperature is given for" if asked is None else f"{asked:g} C is too hot for"
            raise refusal(
                "temperature",
                event,
                f"{said} the {what}; the profile has {most:g} C",
                "Correct it, or the temperature in [heat] of the bed profile.",
            )
        waits = event.word in ("M109", "M190")
        if nozzle:
            self.nozzle_ready = asked > 0 and (
                waits or (self.nozzle_ready and asked >= self.nozzle_c)
            )
            self.nozzle_c = asked
        else:
            full = asked >= heat.bed_c - _HEAT_ROUNDING_C
            self.bed_ready = full and (waits or self.bed_ready)
            self.bed_c = asked

    def _offset(self, event: Event) -> None:
        if any(event.has(axis) for axis in "XYZ"):
            raise refusal(
                "offset",
                event,
                "G92 shifts the axes, so that coordinates no longer mean places on the bed",
                "Use G92 for E only.",
            )

    def _mesh(self, event: Event) -> None:
        if event.word != "M420":
            if event.word in REFUSED and not _activates(event):
                raise _word_refusal(event, *why_refused(event.word))
            on: bool | None = True
        else:
            state = event.get("S")
            on = None if state is None else state != 0
        if on is None:
            return
        self.mesh = on
        self.homed_since_mesh = False

    def _other(self, event: Event) -> None:
        if event.word in HARMLESS:
            return
        if event.word in ("M18", "M84") and (event.line > self.extent.last_line or event.has("S")):
            return
        if event.word in LATE_OFFSETS and event.line < self.extent.first_line:
            return
        raise _word_refusal(event, *why_refused(event.word))

    def end(self, line: int) -> None:
        """Check how the text leaves the printer."""
        for what, left_c, word in (
            ("nozzle", self.nozzle_c, "M104"),
            ("bed", self.bed_c, "M140"),
        ):
            if left_c > 0:
                raise PadsheetError(
                    f"line {line} of the G-code: it ends with the {what} at {left_c:g} C",
                    remedy=f"Put {word} S0 at the end.",
                    code="envelope-left-hot",
                )


def _activates(event: Event) -> bool:
    """Tell the G29 that switches a stored mesh on from those that may start a probing run.

    Common practice, no source: A activates, L names the place it is loaded from, F where it fades.
    """
    letters = {letter for letter, _ in event.values}
    return event.word == "G29" and "A" in letters and letters <= {"A", "L", "F"}


def _word_refusal(event: Event, code: str, why: str) -> PadsheetError:
    return PadsheetError(
        f"line {event.line} of the G-code: {event.word[:20]} {why}",
        remedy="Take it out; if it is one of your own lines, out of [code] in the bed profile.",
        code=code,
    )
