"""Reading finished G-code: every move in millimetres, every other command as an event.

Modes, units and offsets mean what RS274/NGC says (Kramer, Proctor, Messina, "The NIST RS274/NGC
Interpreter, Version 3", NISTIR 6556, 2000). The E word, M words of heat and flow, checksums and
macro lines are the printing trade's own (common practice, no source). This reader shares nothing
with the writer, so that one can catch the other's mistakes.
"""

from __future__ import annotations

import functools
import math
import operator
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from padsheet.patterns.errors import PadsheetError

__all__ = ["Event", "Kind", "Move", "Program", "interpret", "normal_line"]

Kind = Literal[
    "ambiguous",
    "dwell",
    "e-mode",
    "e-unsure",
    "fan",
    "flow-factor",
    "heat",
    "home",
    "mesh",
    "mode",
    "offset",
    "speed-factor",
    "other",
]

_INCH_MM = 25.4
_KINDS: dict[str, Kind] = {
    "G4": "dwell",
    "G20": "mode",
    "G21": "mode",
    "G28": "home",
    "G90": "mode",
    "G91": "mode",
    "G92": "offset",
    "G94": "mode",
    "M82": "e-mode",
    "M83": "e-mode",
    "M104": "heat",
    "M106": "fan",
    "M107": "fan",
    "M109": "heat",
    "M140": "heat",
    "M190": "heat",
    "M220": "speed-factor",
    "M221": "flow-factor",
    "M420": "mesh",
}
# These take free text instead of words with numbers.
_TEXT = re.compile(r"M0*(16|23|28|30|32|117|118|486)(?![0-9.])", re.IGNORECASE)
_MACRO = re.compile(r"[A-Za-z_][A-Za-z_]\w*", re.ASCII)
_WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))?", re.ASCII)
_NUMBERED = re.compile(r"\s*[Nn]\s*[0-9]+\s*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One straight move (G0 or G1).

    Attributes
    ----------
    line : int
        Line of the text, from 1.
    x0_mm, y0_mm, z0_mm, x1_mm, y1_mm, z1_mm : float
        Ends in machine coordinates; axes never homed count from 0 at the first line.
    e_mm : float
        Filament fed; negative when it is drawn back.
    feed_mm_s : float
        Speed asked for; 0 when no F word has been read yet.
    placed : frozenset of str
        Axes whose place at the start of the move is known: moved to in absolute coordinates
        since they were homed.
    homed : frozenset of str
        Axes homed before.
    """

    line: int
    x0_mm: float
    y0_mm: float
    z0_mm: float
    x1_mm: float
    y1_mm: float
    z1_mm: float
    e_mm: float
    feed_mm_s: float
    placed: frozenset[str]
    homed: frozenset[str]

    @property
    def xy_mm(self) -> float:
        """Length seen from above."""
        return math.hypot(self.x1_mm - self.x0_mm, self.y1_mm - self.y0_mm)

    @property
    def length_mm(self) -> float:
        """Length of the path in space."""
        return math.hypot(self.xy_mm, self.z1_mm - self.z0_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One command that is not a move.

    Attributes
    ----------
    line : int
        Line of the text, from 1.
    kind : str
        What it does, as far as this reader knows; "other" if it does not.
    word : str
        Command without leading zeros, such as ``"M104"``, or the first word of a macro line.
    values : tuple of (letter, number or None)
        Words after the command; a letter may stand alone.
    text : str
        The line without comments, in capitals, single-spaced.
    """

    line: int
    kind: Kind
    word: str
    values: tuple[tuple[str, float | None], ...] = ()
    text: str = ""

    def get(self, letter: str) -> float | None:
        """Return the number of a word, or None."""
        return dict(self.values).get(letter)

    def has(self, letter: str) -> bool:
        """Tell whether the letter stands there, with or without a number."""
        return letter in dict(self.values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """All moves and events of a text, in order."""

    steps: tuple[Move | Event, ...]

    @property
    def moves(self) -> tuple[Move, ...]:
        """The moves alone."""
        return tuple(step for step in self.steps if isinstance(step, Move))

    @property
    def events(self) -> tuple[Event, ...]:
        """The events alone."""
        return tuple(step for step in self.steps if isinstance(step, Event))


def interpret(text: str, *, home: Iterable[str] = ()) -> Program:
    r"""Read G-code.

    Parameters
    ----------
    text : str
        Any G-code; words this reader does not know become events of kind "other".
    home : iterable of str
        The profile's own homing lines: if one of them is no known command, it homes all axes.

    Returns
    -------
    Program
        Moves and events.

    Raises
    ------
    PadsheetError
        If a line cannot be read: a malformed number, a word twice, a wrong checksum.

    Examples
    --------
    >>> move = interpret("g28\ng1 z0.2 f600\ng91\ng1 x25.4").moves[-1]
    >>> (move.x1_mm, move.z1_mm, move.feed_mm_s)
    (25.4, 0.2, 10.0)
    """
    reader = _Reader(home=frozenset(normal_line(line) for line in home))
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), start=1):
        reader.read(number, line)
    return Program(steps=tuple(reader.steps))


def normal_line(line: str) -> str:
    """Return a line without comments, in capitals and single-spaced.

    Examples
    --------
    >>> normal_line(" g28  x (left end) ; home")
    'G28 X'
    """
    return " ".join(re.sub(r"\([^()]*\)", "", line.split(";")[0]).upper().split())


@dataclass(slots=True)
class _Reader:
    """Modal state while the lines go by."""

    home: frozenset[str]
    steps: list[Move | Event] = field(default_factory=list)
    # Machine coordinates, and what to add to a program coordinate to get there (G92).
    at: dict[str, float] = field(default_factory=lambda: dict.fromkeys("XYZE", 0.0))
    offset: dict[str, float] = field(default_factory=lambda: dict.fromkeys("XYZE", 0.0))
    unit_mm: float = 1.0
    absolute: bool = True
    e_absolute: bool = True
    e_sure: bool = False
    feed_mm_s: float = 0.0
    motion: str | None = None
    homed: frozenset[str] = frozenset()
    placed: frozenset[str] = frozenset()

    def read(self, number: int, line: str) -> None:
        code = _checked(number, line)
        if not code:
            return
        shown = normal_line(code)
        message = _TEXT.match(code)
        if message:
            word = f"M{message[1]}"
            self.steps.append(Event(line=number, kind="other", word=word, text=shown))
            return
        macro = _MACRO.match(code)
        if macro:
            self._macro(number, macro[0].upper(), shown)
            return
        words = _words(number, code)
        # A T that follows another command only says which tool that one is for.
        own = "GMT" if words[0][0] == "T" else "GM"
        commands = [w for w in words if w[0] in own]
        values = {letter: value for letter, value in words if letter not in own}
        self._obey(number, [_command(number, *c) for c in commands], values, shown)

    def _macro(self, number: int, word: str, shown: str) -> None:
        homes = shown in self.home
        if homes:
            self._home(frozenset("XYZ"))
        kind: Kind = "home" if homes else "other"
        self.steps.append(Event(line=number, kind=kind, word=word, text=shown))

    def _obey(
        self, number: int, commands: list[str], values: dict[str, float | None], shown: str
    ) -> None:
        """Carry out one line; modes before motion, as NISTIR 6556 orders them."""
        moving = [c for c in commands if c in ("G0", "G1")]
        if len(commands) > 1 or (not commands and set(values) - {"F"}):
            # Many printers obey only the first command of a line, and know no bare coordinates.
            self.steps.append(Event(line=number, kind="ambiguous", word=shown, text=shown))
        for command in commands:
            if command not in moving:
                self._event(number, command, values, shown)
        if moving:
            self.motion = moving[-1]
        if moving or not commands:
            if not moving and set(values) - {"F"} and self.motion is None:
                raise _bad(number, f'the coordinates "{_shown(shown)}" belong to no command')
            if "E" in values and not self.e_sure:
                # After G90 or G91 printers differ in whether E is absolute, until M82 or M83.
                self.steps.append(Event(line=number, kind="e-unsure", word="E", text=shown))
            self._move(number, values)

    def _event(
        self, number: int, command: str, values: dict[str, float | None], shown: str
    ) -> None:
        if command in ("G20", "G21"):
            self.unit_mm = _INCH_MM if command == "G20" else 1.0
        elif command in ("G90", "G91"):
            self.absolute = self.e_absolute = command == "G90"
            self.e_sure = False
        elif command in ("M82", "M83"):
            self.e_absolute, self.e_sure = command == "M82", True
        elif command == "G92":
            self._shift(number, values)
        elif command == "G28":
            self._home(frozenset(values).intersection("XYZ") or frozenset("XYZ"))
        elif command in ("M18", "M84") and "S" not in values:
            # Motors off: nobody knows any more where the axes are.
            self.homed = self.placed = frozenset()
        self.steps.append(
            Event(
                line=number,
                kind=_KINDS.get(command, "other"),
                word=command,
                values=tuple(values.items()),
                text=shown,
            )
        )

    def _home(self, axes: frozenset[str]) -> None:
        for axis in axes:
            self.at[axis] = self.offset[axis] = 0.0
        self.homed |= axes
        self.placed -= axes

    def _shift(self, number: int, values: dict[str, float | None]) -> None:
        """G92: axes named get new coordinates where they are, the others keep theirs."""
        if not set(values).intersection("XYZE"):
            raise _bad(number, "G92 names no axis")
        for axis, value in values.items():
            if axis in self.at:
                self.offset[axis] = self.at[axis] - _number(number, axis, value) * self.unit_mm

    def _move(self, number: int, values: dict[str, float | None]) -> None:
        unknown = sorted(set(values) - set("XYZEF"))
        if unknown:
            raise _bad(number, f"a move does not take the word {unknown[0]}")
        goal = dict(self.at)
        for axis, value in values.items():
            amount = _number(number, axis, value) * self.unit_mm
            if axis == "F":
                if amount <= 0:
                    raise _bad(number, f"the speed F{value:g} is not above zero")
                self.feed_mm_s = amount / 60
            elif self.e_absolute if axis == "E" else self.absolute:
                goal[axis] = amount + self.offset[axis]
            else:
                goal[axis] = self.at[axis] + amount
        start, placed = self.at, self.placed
        self.at = goal
        if self.absolute:
            self.placed |= self.homed.intersection(values)
        if any(goal[axis] != start[axis] for axis in goal):
            self.steps.append(
                Move(
                    line=number,
                    x0_mm=start["X"],
                    y0_mm=start["Y"],
                    z0_mm=start["Z"],
                    x1_mm=goal["X"],
                    y1_mm=goal["Y"],
                    z1_mm=goal["Z"],
                    e_mm=goal["E"] - start["E"],
                    feed_mm_s=self.feed_mm_s,
                    placed=placed,
                    homed=self.homed,
                )
            )


def _checked(number: int, line: str) -> str:
    """Return a line without comment, line number and checksum, which must be right."""
    code = line.split(";")[0]
    match = re.search(r"\*\s*([0-9]+)\s*$", code)
    numbered = _NUMBERED.match(code)
    if match and numbered:
        summed = functools.reduce(operator.xor, code[: match.start()].encode(), 0)
        if summed != int(match[1]):
            raise _bad(number, f"the checksum is {match[1]}, but the line gives {summed}")
        code = code[: match.start()]
    if numbered:
        code = code[numbered.end() :]
    code = re.sub(r"\([^()]*\)", " ", code).strip()
    if code == "%":  # marks the beginning and end of a program
        return ""
    return code


def _words(number: int, code: str) -> list[tuple[str, float | None]]:
    """Split a line into letters and numbers; blanks mean nothing, even inside a number."""
    packed = "".join(code.upper().split())
    words: list[tuple[str, float | None]] = []
    place = 0
    while place < len(packed):
        match = _WORD.match(packed, place)
        if match is None:
            raise _bad(
                number, f'"{_shown(code)}" cannot be read from "{_shown(packed[place:])}" on'
            )
        value = None if match[2] is None else float(match[2])
        if value is not None and not math.isfinite(value):
            raise _bad(number, f"the number of the word {match[1]} is too large")
        if match[1] not in "GM" and any(match[1] == letter for letter, _ in words):
            raise _bad(number, f"the word {match[1]} stands there twice")
        words.append((match[1], value))
        place = match.end()
    return words


def _command(number: int, letter: str, value: float | None) -> str:
    return f"{letter}{_number(number, letter, value):g}"


def _number(number: int, letter: str, value: float | None) -> float:
    if value is None:
        raise _bad(number, f"the word {letter} has no number")
    return value


def _shown(text: str) -> str:
    return ascii(text[:40])[1:-1]


def _bad(number: int, what: str) -> PadsheetError:
    return PadsheetError(
        f"line {number} of the G-code: {what}",
        remedy="Correct that line; if it is one of your own, in [code] of the bed profile.",
        code="gcode-line",
    )
