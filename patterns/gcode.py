"""Writing a sheet as G-code: the same sheet and bed always give the same text."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.gcode_comments import comment_lines
from padsheet.patterns.paths import CLIP_CLEAR_MM, crosses, travel_height_mm
from padsheet.patterns.sheet import Sheet, Stroke

__all__ = ["switches_mesh_off", "travels_mm", "write_gcode"]

Point = tuple[float, float, float]

_FIRST_LIFT_MM = 5.0
_PARK_ABOVE_MM = 40.0
_LONGEST_DWELL_S = 60
# The nozzle has a body: a travel that comes this near to a clip counts as crossing it.
_BODY_MM = 2.0
# Shorter pieces than the last printed decimal do not exist for the printer.
_NO_LENGTH_MM = 5e-4

_CAUTIONS = (
    "CAUTION: the nozzle and the bed get hot enough to burn.",
    "CAUTION: parts move without warning; keep hands, hair and sleeves away.",
    "CAUTION: the nozzle may crash into the bed; keep a hand near the power switch.",
    "CAUTION: stay with the printer for the whole print.",
    "CAUTION: the printer's manual comes first, before anything said here.",
)


def write_gcode(sheet: Sheet, bed: Bed) -> str:
    """Write the G-code that prints a sheet.

    The text is still to pass `padsheet.patterns.envelope.check_envelope`, which reads it afresh,
    the user's own lines included.

    Parameters
    ----------
    sheet : Sheet
        With its strokes in printing order; the first one is the purge line.
    bed : Bed
        Profile of the printer.

    Returns
    -------
    str
        Lines ending in a newline, plain ASCII but for what the user's own lines hold.

    Raises
    ------
    PadsheetError
        If the sheet has no strokes, or a stroke cannot be printed (lengths that do not match, a
        height change without travel, numbers that are not finite or not positive).
    """
    if not sheet.strokes:
        raise PadsheetError(
            "the sheet holds no strokes to print",
            remedy="Lay the sheet out afresh; a sheet that was read from a file has none.",
            code="gcode-no-strokes",
        )
    for stroke in sheet.strokes:
        _check_stroke(stroke)
    highest = max(z for stroke in sheet.strokes for _, _, z in stroke.xyz_mm)
    pen = _Pen(bed, travel_height_mm(highest, bed.motion))
    pen.say(*_header(sheet, bed))
    _begin(pen, sheet, bed)
    for stroke in sheet.strokes:
        pen.draw(stroke)
    _end(pen, bed)
    return "\n".join(pen.lines) + "\n"


def travels_mm(sheet: Sheet, bed: Bed) -> list[tuple[Point, Point]]:
    """Return the ends (x, y, z) of the level travels from each stroke to the next."""
    highest = max(z for stroke in sheet.strokes for _, _, z in stroke.xyz_mm)
    level = travel_height_mm(highest, bed.motion)
    travels = []
    for before, after in itertools.pairwise(sheet.strokes):
        here, there = before.xyz_mm[-1], after.xyz_mm[0]
        if math.dist(here, there) > _NO_LENGTH_MM:
            height = _travel_height_mm(bed, level, here[:2], there[:2])
            travels.append(((*here[:2], height), (*there[:2], height)))
    return travels


def _travel_height_mm(
    bed: Bed, level_mm: float, start: tuple[float, float], end: tuple[float, float]
) -> float:
    """Return how high a travel runs that is level but for what it has to clear."""
    clips = (clip.grown(_BODY_MM) for clip in bed.plate.keep_out)
    crossing = any(crosses(clip, start, end) for clip in clips)
    return max(level_mm, CLIP_CLEAR_MM) if crossing else level_mm


def switches_mesh_off(bed: Bed) -> bool:
    """Tell whether a sheet without the mesh can switch it off: where M420 switches it on."""
    return any(line.split()[:1] == ["M420"] for line in bed.code.mesh_on)


class _Pen:
    """Where the nozzle is, what has been fed, and the lines written so far."""

    def __init__(self, bed: Bed, travel_mm: float) -> None:
        self.lines: list[str] = []
        self.bed = bed
        self.travel_mm = travel_mm
        self.at: tuple[float, float, float] | None = None
        # As the end of the last print left it, so that the purge line pays it back.
        self.retracted = bed.motion.retract_mm > 0
        self.fed_mm = 0.0
        self.written_mm = 0.0

    def say(self, *lines: str) -> None:
        self.lines += lines

    def travel(self, x: float, y: float, z: float) -> None:
        """Lift, go over (x, y) at travel height, and come down to z."""
        motion = self.bed.motion
        # From the home position the path is unknown, so it is taken high.
        high = max(self.travel_mm, CLIP_CLEAR_MM)
        here = None if self.at is None else self.at[:2]
        self.lift(
            high if here is None else _travel_height_mm(self.bed, self.travel_mm, here, (x, y))
        )
        self.say(f"G0 X{_fixed(x)} Y{_fixed(y)} F{_per_minute(motion.travel_mm_s)}")
        self.say(f"G0 Z{_fixed(z)} F{_per_minute(motion.z_mm_s)}")
        self.at = (x, y, z)

    def lift(self, height: float) -> None:
        self.say(f"G0 Z{_fixed(height)} F{_per_minute(self.bed.motion.z_mm_s)}")

    def retract(self) -> None:
        if not self.retracted and self.bed.motion.retract_mm > 0:
            self._feed_only(-self.bed.motion.retract_mm)
            self.retracted = True

    def unretract(self) -> None:
        if self.retracted:
            self._feed_only(self.bed.motion.retract_mm)
            self.retracted = False

    def _feed_only(self, length: float) -> None:
        self.say(f"G1 {self._fed(length)} F{_per_minute(self.bed.motion.retract_mm_s)}")

    def _fed(self, length: float) -> str:
        """Return the E word; what rounding leaves over goes into the next one."""
        self.fed_mm += length
        before, self.written_mm = self.written_mm, round(self.fed_mm, 5)
        relative = self.bed.motion.extruder == "relative"
        return f"E{_fixed(self.written_mm - before if relative else self.written_mm, 5)}"

    def restart_feed(self) -> None:
        """Count the feed from 0 again, so that absolute E words stay short and exact."""
        self.say("G92 E0")
        self.fed_mm -= self.written_mm
        self.written_mm = 0.0

    def draw(self, stroke: Stroke) -> None:
        """Travel to a stroke and extrude it without a break."""
        self.say(*comment_lines(_plain(stroke.label)))
        if self.at is None or math.dist(self.at, stroke.xyz_mm[0]) > _NO_LENGTH_MM:
            self.retract()
            self.travel(*stroke.xyz_mm[0])
        self.unretract()
        self.restart_feed()
        here, last_feed = stroke.xyz_mm[0], ""
        for there, area in zip(stroke.xyz_mm[1:], stroke.area_mm2, strict=True):
            length = math.dist(here, there)
            if length <= _NO_LENGTH_MM:
                continue
            words = f"G1 X{_fixed(there[0])} Y{_fixed(there[1])}"
            if _fixed(there[2]) != _fixed(here[2]):
                words += f" Z{_fixed(there[2])}"
            words += f" {self._fed(area * length / self.bed.nozzle.filament_area_mm2)}"
            feed = f" F{self._feed_per_minute(stroke.speed_mm_s, length, there[2] - here[2])}"
            self.say(words if feed == last_feed else words + feed)
            here, last_feed = there, feed
        self.at = here

    def _feed_per_minute(self, speed_mm_s: float, length: float, rise: float) -> str:
        """Return the number of an F word that keeps the lift's own speed limit too."""
        if rise:
            speed_mm_s = min(speed_mm_s, self.bed.motion.z_mm_s * length / abs(rise))
        return _per_minute(speed_mm_s)


def _begin(pen: _Pen, sheet: Sheet, bed: Bed) -> None:
    """Set all states, warm the bed through, home, switch the mesh on, heat over the purge line."""
    heat, code = bed.heat, bed.code
    pen.say(*_states(bed))
    if code.preamble:
        pen.say("; --- the user's preamble", *code.preamble, "; --- end of the preamble")
        pen.say(*_states(bed))
    # Homing comes after the soak: many printers release their motors when they stand for minutes
    # (common practice, no source), and the frame that carries the endstops warms too.
    if heat.bed_c > 0:
        pen.say("; warm the bed through", f"M140 S{_short(heat.bed_c)}")
        pen.say(f"M190 S{_short(heat.bed_c)}", *_dwell(heat.soak_min))
    pen.say("; lift before homing", "G91")
    pen.lift(_FIRST_LIFT_MM)
    pen.say("G90", "; home", *code.home)
    if sheet.mesh_active != "no":
        pen.say("; mesh on, after the last homing", *code.mesh_on)
    elif switches_mesh_off(bed):
        pen.say("; mesh off: this sheet is printed without it", "M420 S0")
    # The user's lines may have changed any of these.
    pen.say(*_states(bed))
    x, y, _ = sheet.strokes[0].xyz_mm[0]
    pen.say("; heat the nozzle over the start of the purge line")
    pen.travel(x, y, pen.travel_mm)
    pen.say(f"M104 S{_short(heat.nozzle_c)}", f"M109 S{_short(heat.nozzle_c)}", "G92 E0")
    # The nozzle stands over the purge line already; it only has to come down.
    pen.say(f"G0 Z{_fixed(sheet.strokes[0].xyz_mm[0][2])} F{_per_minute(bed.motion.z_mm_s)}")
    pen.at = sheet.strokes[0].xyz_mm[0]


def _end(pen: _Pen, bed: Bed) -> None:
    """Lift, heaters off, park at the back, hold the bed warm as long as was asked."""
    pen.say("; end of the sheet")
    pen.retract()
    pen.lift(min(bed.motion.z_top_mm, pen.travel_mm + _PARK_ABOVE_MM))
    x, y = _park_mm(bed)
    pen.say("M104 S0", f"G0 X{_fixed(x)} Y{_fixed(y)} F{_per_minute(bed.motion.travel_mm_s)}")
    if bed.heat.bed_c > 0:
        if bed.heat.hold_min > 0:
            pen.say(f"; the bed is held warm for {_short(bed.heat.hold_min)} minutes")
        pen.say(*_dwell(bed.heat.hold_min), "M140 S0")
    pen.say("M107")
    if bed.code.postamble:
        pen.say("; --- the user's postamble", *bed.code.postamble)
    pen.say("; all done")


def _states(bed: Bed) -> tuple[str, ...]:
    """Return the lines that set every state which the sheet relies on."""
    # On some printers G90 makes E absolute as well (from memory, no source): E's own word comes
    # after it.
    extruder = "M82" if bed.motion.extruder == "absolute" else "M83"
    return (
        "G21 ; millimetres",
        "G90 ; absolute coordinates",
        f"{extruder} ; {bed.motion.extruder} extruder",
        "M220 S100 ; speed as written",
        "M221 S100 ; flow as written",
        "M107 ; fan off",
        "G92 E0",
    )


def _header(sheet: Sheet, bed: Bed) -> Iterator[str]:
    heat, nozzle, motion = bed.heat, bed.nozzle, bed.motion
    heights = [z for stroke in sheet.strokes for _, _, z in stroke.xyz_mm]
    areas = [area for stroke in sheet.strokes for area in stroke.area_mm2]
    size = f"{_short(bed.plate.size_x_mm)} x {_short(bed.plate.size_y_mm)} mm"
    low, high = sheet.reach_mm
    mesh = {"yes": "on", "no": "off", "unknown": "on if the printer holds one"}[sheet.mesh_active]
    facts = (
        f"padsheet: pad sheet {sheet.id}, number {sheet.number}",
        f"bed: {_plain(bed.plate.name)}, {bed.plate.shape}, {size}",
        f"mesh: {bed.mesh.columns} x {bed.mesh.rows} points, {mesh}; {len(sheet.pads)} pads",
        f"nozzle: bore {_short(nozzle.bore_mm)} mm, filament {_short(nozzle.filament_mm)} mm",
        f"heat: nozzle {_short(heat.nozzle_c)} C, bed {_short(heat.bed_c)} C, "
        f"soak {_short(heat.soak_min)} min, hold {_short(heat.hold_min)} min",
        f"target: {_fixed(sheet.target_gap_mm)} mm; reads gap errors from {low:+.3f} to "
        f"{high:+.3f} mm (-: too near)",
        f"nozzle heights: {_fixed(min(heights))} to {_fixed(max(heights))} mm; travels at "
        f"{_fixed(travel_height_mm(max(heights), motion))} mm or higher",
        f"bead areas: {_fixed(min(areas), 4)} to {_fixed(max(areas), 4)} mm2",
        *_self_check(sheet),
        *_CAUTIONS,
    )
    return (line for fact in facts for line in comment_lines(_plain(fact)))


def _self_check(sheet: Sheet) -> Iterator[str]:
    """Yield the line that tells of lifted pads, if there are any."""
    if sheet.self_check:
        lifted = [pad.lift_mm for pad in sheet.pads if pad.lift_mm]
        yield f"self-check: {len(lifted)} pads are printed {_fixed(max(lifted))} mm higher"


def _dwell(minutes: float) -> Iterator[str]:
    """Yield a wait in pieces: a host that hears nothing for long may give up."""
    left = round(minutes * 60)
    while left > 0:
        yield f"G4 S{min(left, _LONGEST_DWELL_S)}"
        left -= _LONGEST_DWELL_S


def _park_mm(bed: Bed) -> tuple[float, float]:
    """Return a place at the back of the plate: the left corner, or the middle of a round one."""
    area = bed.plate.outline.grown(-bed.plate.margin_mm)
    round_plate = bed.plate.shape == "round"
    return area.centre_mm[0] if round_plate else area.x_min_mm, area.y_max_mm


def _check_stroke(stroke: Stroke) -> None:
    numbers = [v for point in stroke.xyz_mm for v in point]
    numbers += [*stroke.area_mm2, stroke.speed_mm_s]
    what = None
    if len(stroke.xyz_mm) < 2 or len(stroke.area_mm2) != len(stroke.xyz_mm) - 1:
        what = f"has {len(stroke.xyz_mm)} points and {len(stroke.area_mm2)} areas"
    elif not all(math.isfinite(number) for number in numbers):
        what = "holds a number that is not finite"
    elif min(*stroke.area_mm2, stroke.speed_mm_s) <= 0:
        what = "has an area or a speed that is not above zero"
    elif any(
        math.dist(a[:2], b[:2]) <= _NO_LENGTH_MM < abs(a[2] - b[2])
        for a, b in zip(stroke.xyz_mm, stroke.xyz_mm[1:], strict=False)
    ):
        what = "changes its height in one place"
    if what:
        raise PadsheetError(
            f'the stroke "{_plain(stroke.label)}" {what}',
            remedy="Lay the sheet out afresh.",
            code="gcode-stroke",
        )


def _fixed(value: float, decimals: int = 3) -> str:
    """Return a number with fixed decimals and no negative zero.

    Examples
    --------
    >>> _fixed(-0.0001), _fixed(12.34567)
    ('0.000', '12.346')
    """
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _short(value: float) -> str:
    """Return a setting with no more decimals than it needs."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _per_minute(speed_mm_s: float) -> str:
    """Return a speed as the number of an F word, mm/min (RS274/NGC, NISTIR 6556)."""
    return f"{max(1.0, speed_mm_s * 60):.0f}"


def _plain(text: str) -> str:
    """Return words fit for a comment: one line of ASCII in which no command can hide."""
    return "".join(c if " " <= c <= "~" else "?" for c in text)
