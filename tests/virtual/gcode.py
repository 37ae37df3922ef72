"""G-code to extruded pieces of path: a reader of its own, for the words a first layer needs.

Understood: G0 G1 G28 G90 G91 G92 M82 M83, millimetres. G90, G91 and G92 mean what RS274/NGC
(NISTIR 6556) says. E words follow G90/G91 until the first M82 or M83 (common practice, no source).
Arcs and inches are refused, everything else is passed over.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["Extrusion", "Machine", "read_gcode"]

WORD = re.compile(r"([A-Za-z])\s*([-+]?(?:\d+\.?\d*|\.\d+))")
REFUSED = {"G2", "G3", "G5", "G18", "G19", "G20"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Extrusion:
    """One straight piece of path over which filament flows.

    `run` counts unbroken extrusions: it changes after a travel or a retraction.
    """

    line: int
    run: int
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    filament_mm: float


class Machine:
    """Axes, modes and filament of the printer while it reads G-code."""

    def __init__(self) -> None:
        # Where the axes really stand, and what G92 has added to each coordinate word.
        self.at = {"X": 0.0, "Y": 0.0, "Z": 0.0, "E": 0.0}
        self.shift = {"X": 0.0, "Y": 0.0, "Z": 0.0, "E": 0.0}
        self.absolute = True
        self.e_absolute: bool | None = None
        self.flowed_to = 0.0
        self.run = 0
        self.broken = True
        self.out: list[Extrusion] = []

    def word_position(self, axis: str) -> float:
        """Return the coordinate of `axis` as G-code words see it."""
        return self.at[axis] - self.shift[axis]

    def obey(self, code: str, words: dict[str, float], bare: set[str], line: int) -> None:
        """Carry out one command."""
        if code in REFUSED:
            raise ValueError(f"line {line}: {code} is not understood by the virtual printer")
        if code in ("G0", "G1"):
            self.move(words, line)
        elif code == "G28":
            self.home(bare or {"X", "Y", "Z"})
        elif code in ("G90", "G91"):
            self.absolute = code == "G90"
        elif code == "G92":
            self.set_position(words)
        elif code in ("M82", "M83"):
            self.e_absolute = code == "M82"

    def home(self, axes: set[str]) -> None:
        """Go to the origin of the axes named; their G92 shift is forgotten."""
        for axis in axes & {"X", "Y", "Z"}:
            self.at[axis] = self.shift[axis] = 0.0
        self.broken = True

    def set_position(self, words: dict[str, float]) -> None:
        """G92: the present place gets new coordinates; axes without a word keep theirs."""
        for axis, value in words.items():
            if axis in self.at:
                self.shift[axis] = self.at[axis] - value

    def aim(self, words: dict[str, float]) -> dict[str, float]:
        """Return the true end position that the words of a move ask for."""
        goal = dict(self.at)
        for axis, value in words.items():
            if axis not in goal:
                continue
            absolute = self.absolute
            if axis == "E" and self.e_absolute is not None:
                absolute = self.e_absolute
            goal[axis] = value + self.shift[axis] if absolute else self.at[axis] + value
        return goal

    def move(self, words: dict[str, float], line: int) -> None:
        """G0 or G1: travel, retract, pay back, or extrude."""
        goal = self.aim(words)
        start = (self.at["X"], self.at["Y"], self.at["Z"])
        end = (goal["X"], goal["Y"], goal["Z"])
        fed = goal["E"] - self.at["E"]
        owed = self.flowed_to - self.at["E"]
        flows = max(0.0, fed - owed)
        moves = start[:2] != end[:2]
        if fed < 0.0 or (moves and flows <= 0.0):
            self.broken = True
        if moves and flows > 0.0:
            # What pays a retraction back flows nowhere: the bead begins further along.
            late = min(owed / fed, 1.0)
            first = tuple(a + (b - a) * late for a, b in zip(start, end, strict=True))
            if self.broken or late > 0.0:
                self.run += 1
            self.broken = False
            self.out.append(
                Extrusion(
                    line=line,
                    run=self.run,
                    start=(first[0], first[1], first[2]),
                    end=end,
                    filament_mm=flows,
                )
            )
        self.flowed_to = max(self.flowed_to, goal["E"])
        self.at = goal


def read_gcode(text: str) -> list[Extrusion]:
    """Read G-code and return every piece of path that leaves a bead, in printing order."""
    machine = Machine()
    for number, raw in enumerate(text.splitlines(), start=1):
        code_text = re.sub(r"\(.*?\)", "", raw.split(";")[0]).split("*")[0].strip()
        code_text = re.sub(r"^[Nn]\d+\s*", "", code_text)
        match = re.match(r"([GgMmTt])\s*0*(\d+)(?:\.\d+)?", code_text)
        if not match:
            continue
        rest = code_text[match.end() :]
        words = {w.upper(): float(v) for w, v in WORD.findall(rest)}
        bare = {c.upper() for c in re.findall(r"[XYZxyz]", rest)}
        machine.obey(match.group(1).upper() + match.group(2), words, bare, number)
    return machine.out
