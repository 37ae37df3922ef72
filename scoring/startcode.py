"""Does the user's start code put the mesh in force? A check that never changes the user's file.

The rules are common practice, no source: homing switches the mesh off on many printers, loading
the saved settings replaces the mesh in memory (and with it edits that were not saved), and
switching on a mesh that is not valid lets the print go on uncorrected.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.interpreter import normal_line

__all__ = ["Finding", "StartCheck", "check_start_code"]

# Start code may print a purge line; after so many printing moves it is over and the print runs.
PURGE_MOVES = 50
Does = Literal["home", "load", "on", "off", "probe", "print", ""]
Code = Literal[
    "no-home", "no-mesh-on", "mesh-on-before-home", "mesh-off-after", "load-after", "probing-run",
    "print-before-mesh", "load-before-home", "load-wipes-edits", "mesh-must-be-valid",
]  # fmt: skip
NOTES = frozenset({"load-before-home", "load-wipes-edits", "mesh-must-be-valid"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing noticed in the start code.

    Attributes
    ----------
    code : str
        Stable name.
    text : str
        What it means, as a sentence.
    line : int or None
        Line of the start code, from 1; None if it belongs to no line.
    """

    code: Code
    text: str
    line: int | None = None

    @property
    def wrong(self) -> bool:
        """Whether it keeps the mesh from being in force."""
        return self.code not in NOTES


@dataclass(frozen=True, slots=True, kw_only=True)
class StartCheck:
    """The answer of `check_start_code`.

    Attributes
    ----------
    ok : bool
        Whether the mesh is in force when the start code ends.
    findings : tuple of Finding
        In the order of the lines.
    corrected : str
        The start code as it should be; the same text when nothing is wrong.
    """

    ok: bool
    findings: tuple[Finding, ...]
    corrected: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    number: int
    text: str
    does: Does


def check_start_code(text: str, bed: Bed) -> StartCheck:
    """Check that start code homes, then switches the mesh on, and leaves it on.

    Parameters
    ----------
    text : str
        The start code of a slicing program's profile, or the beginning of a G-code file.
    bed : Bed
        Its `code.home` and `code.mesh_on` say how this printer does it.

    Returns
    -------
    StartCheck

    Raises
    ------
    PadsheetError
        If there is no G-code in the text.

    Examples
    --------
    >>> print(check_start_code("M420 S1; G28", Bed()).corrected, end="")
    G28 ; home
    M420 S1 ; mesh on, after homing
    """
    lines = _read(text, bed)
    if not any(re.match(r"[A-Z_]", normal_line(line.text)) for line in lines):
        raise PadsheetError(
            "there is no G-code in the start code",
            remedy="Paste the start code of your slicing program's printer profile, or give the "
            "G-code file it makes.",
            code="start-empty",
        )
    findings = _findings(lines, bed)
    ok = not any(finding.wrong for finding in findings)
    corrected = text if ok else _corrected(lines, bed)
    return StartCheck(ok=ok, findings=tuple(findings), corrected=corrected)


def _read(text: str, bed: Bed) -> list[_Line]:
    """Say what each line does to the mesh; once the print runs, no line counts any more."""
    lines, moves = [], 0
    for number, line in enumerate(text.splitlines(), 1):
        does = _what(normal_line(line), bed) if moves < PURGE_MOVES else ""
        moves += does == "print"
        lines.append(_Line(number=number, text=line, does=does))
    return lines


def _what(bare: str, bed: Bed) -> Does:
    """Say what one line does; the profile's own lines come first."""
    words = re.sub(r"^N\d+\s*|\*\d+$", "", bare).strip()
    if not words:
        return ""
    if words in _plain(bed.code.mesh_on[-1:]):
        return "on"
    if words in _plain(bed.code.home):
        return "home"
    found = re.match(r"([GM])0*(\d+)(?:\.\d+)?(.*)", words)
    if found is None:
        return ""
    word, rest = found[1] + found[2], found[3]
    if word == "G28":
        return "home"
    if word in ("M501", "M502"):
        return "load"
    if word == "M420":
        switch = re.search(r"S\s*(-?\d+)", rest)
        if switch is None:
            return ""
        return "on" if int(switch[1]) > 0 else "off"
    if word == "G29":
        return _what_g29(rest, sets_points=bed.edits.g29_sets_points)
    if word in ("G1", "G2", "G3") and "E" in rest and re.search(r"[XY]", rest):
        return "print"
    return ""


def _plain(lines: tuple[str, ...]) -> set[str]:
    return {normal_line(line) for line in lines}


def _what_g29(rest: str, *, sets_points: bool) -> Does:
    """Tell the many meanings of a G29 apart."""
    if re.search(r"S\s*5(?!\d)", rest) or re.match(r"\s*D(?!\w)", rest):
        return "off"
    if re.match(r"\s*A(?!\w)", rest):
        return "on"
    if re.search(r"S\s*0(?!\d)", rest) or (sets_points and re.search(r"S\s*3(?!\d)", rest)):
        return ""
    return "probe"


class _Walk:
    """Goes through the code line by line and keeps what the printer is left with."""

    def __init__(self, bed: Bed) -> None:
        self.bed = bed
        self.found: list[Finding] = []
        self.homed = False
        self.on = False
        self.was_on: _Line | None = None
        self.lost: Finding | None = None

    def note(self, code: Code, text: str, line: _Line | None = None) -> Finding:
        finding = Finding(code=code, text=text, line=None if line is None else line.number)
        self.found.append(finding)
        return finding

    def step(self, line: _Line) -> None:
        match line.does:
            case "home":
                self._home(line)
            case "load":
                self._load(line)
            case "on":
                self.on, self.was_on, self.lost = True, line, None
            case "off":
                self._lose("mesh-off-after", "This switches the mesh off.", line)
            case "probe":
                self.note(
                    "probing-run",
                    "This G29 may start a probing run: without a probe it waits or fails, and it "
                    "replaces the mesh.",
                    line,
                )
            case "print":
                self._print(line)

    def _home(self, line: _Line) -> None:
        if self.homed:
            text = "Homing again switches the mesh off on many printers."
            self._lose("mesh-off-after", text, line)
        elif self.was_on is not None:
            text = "The mesh is switched on before homing, which switches it off on many printers."
            self._lose("mesh-on-before-home", text, self.was_on)
        self.homed = True
        # A profile without a mesh-on line says that the mesh is in force by itself.
        self.on = not self.bed.code.mesh_on

    def _load(self, line: _Line) -> None:
        if not self.homed:
            text = "The settings are loaded before homing; usual is below it."
            self.note("load-before-home", text, line)
        text = "Loading settings wipes mesh edits that were not saved: save them before printing."
        self.note("load-wipes-edits", text, line)
        text = "Loading settings after the mesh was switched on replaces it."
        self._lose("load-after", text, line)

    def _lose(self, code: Code, text: str, line: _Line) -> None:
        """Remember what took the mesh out of force; it only counts if nothing brings it back."""
        if self.on and self.bed.code.mesh_on:
            self.on, self.lost = False, Finding(code=code, text=text, line=line.number)

    def _print(self, line: _Line) -> None:
        if not self.on and not any(f.code == "print-before-mesh" for f in self.found):
            text = "The first lines are printed while the mesh is not in force."
            self.note("print-before-mesh", text, line)

    def end(self) -> None:
        if not self.homed:
            self.note("no-home", "The code never homes: the nozzle's height is not known.")
        if self.lost is not None:
            self.found.append(self.lost)
        elif not self.on and self.bed.code.mesh_on:
            line = "; ".join(self.bed.code.mesh_on)
            self.note("no-mesh-on", f"The mesh is never switched on: below homing, write {line}.")
        if self.was_on is not None:
            self.note(
                "mesh-must-be-valid",
                "With no valid mesh stored this line does nothing, and the print goes on "
                f"uncorrected: look once at the answer to {self.bed.edits.show}.",
                self.was_on,
            )


def _findings(lines: list[_Line], bed: Bed) -> list[Finding]:
    """Return what was noticed: first what is wrong, then notes, each by line."""
    walk = _Walk(bed)
    for line in lines:
        walk.step(line)
    walk.end()
    return sorted(walk.found, key=lambda finding: (not finding.wrong, finding.line or 0))


def _corrected(lines: list[_Line], bed: Bed) -> str:
    """Return the code with loading and mesh-on moved below homing; all else stays as it is."""
    loads = [line.text.strip() for line in lines if line.does == "load"][-1:]
    switch = [*loads, *(f"{line} ; mesh on, after homing" for line in bed.code.mesh_on)]
    kept: list[_Line] = []
    for line in lines:
        if line.does == "probe":
            text = f"; left out, it may start a probing run: {line.text.strip()}"
            kept.append(_Line(number=line.number, text=text, does=""))
        elif line.does not in ("load", "on", "off"):
            kept.append(line)
    out: list[str] = []
    waiting, homed = False, False
    for position, line in enumerate(kept):
        if line.does == "print" and not homed:
            out += [*(f"{home} ; home" for home in bed.code.home)]
            homed = waiting = True
        if line.does == "print" and waiting:
            out += switch
            waiting = False
        out.append(line.text)
        if line.does == "home":
            rest = [later.does for later in kept[position + 1 :] if later.does in ("home", "print")]
            homed, waiting = True, True
            if rest[:1] != ["home"]:
                out += switch
                waiting = False
    if not homed:
        out += [*(f"{home} ; home" for home in bed.code.home), *switch]
    return "\n".join(out) + "\n"
