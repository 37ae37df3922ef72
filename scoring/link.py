"""Talking to a printer over a serial port: numbered lines, checksums, and one answer for each.

The protocol is common practice, no source: the host sends ``N<number> <line>*<checksum>``, where
the checksum is the exclusive or of all bytes before the star; the printer answers ``ok``, or asks
with ``Resend: <number>`` (or ``rs <number>``) for a line that was damaged on its way.
"""

from __future__ import annotations

import errno
import os
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce
from typing import Protocol

import serial
from serial.tools import list_ports

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.edit_styles import bare_line, may_set_point

__all__ = [
    "Link",
    "Port",
    "Waits",
    "allowed_lines",
    "check_port",
    "framed",
    "open_port",
    "ports_seen",
]

MOST_RESENDS = 3
LONGEST_LINE = 4096

_OK = re.compile(r"^ok\b(?:.*?\bN(\d+))?", re.IGNORECASE)
_RESEND = re.compile(r"^(?:resend|rs)\b\s*:?\s*N?(\d+)", re.IGNORECASE)
_BUSY = re.compile(r"^(?:echo:\s*)?busy\b|^wait$", re.IGNORECASE)
# A printer that could not read a line says so as an error and then asks for the line again.
_DAMAGED = re.compile(r"^error.*(?:checksum|line number)", re.IGNORECASE)
_ERROR = re.compile(
    r"^(?:error\b|!!|fatal\b|\?)|unknown command|printer halted|printer stopped|out of bounds",
    re.IGNORECASE,
)
_START = re.compile(r"^start\b", re.IGNORECASE)


class Port(Protocol):
    """What is needed of a serial port; `serial.Serial` has it."""

    @property
    def in_waiting(self) -> int:
        """How many bytes have come."""

    def read(self, size: int = 1, /) -> bytes:
        """Read up to `size` bytes, waiting for the port's own short time."""

    def write(self, b: bytes, /) -> int | None:
        """Send bytes."""

    def close(self) -> None:
        """Let the port go."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Waits:
    """How long to wait, in seconds.

    Attributes
    ----------
    greeting_s : float
        For the first word of a printer that restarts when the port is opened.
    quiet_s : float
        Silence after which a greeting is over.
    reply_s : float
        For the answer to a line, counted anew when the printer says that it is busy.
    busy_s : float
        For the answer to a line of a printer that says all the time that it is busy.
    resend_ok_s : float
        For the ``ok`` that many printers send after they asked for a line again.
    """

    greeting_s: float = 8.0
    quiet_s: float = 1.0
    reply_s: float = 10.0
    busy_s: float = 120.0
    resend_ok_s: float = 0.3


def open_port(name: str, baud: int) -> serial.Serial:
    """Open a serial port for this program alone.

    Raises
    ------
    PadsheetError
        If there is no such port, or it is in use or forbidden.
    """
    try:
        return serial.Serial(
            name, baud, timeout=0.02, write_timeout=5.0, exclusive=True if _is_posix() else None
        )
    except (serial.SerialException, OSError, ValueError) as error:
        raise _not_opened(name, _why(error)) from error


def check_port(name: str) -> None:
    """Refuse a port that is not there, without opening it: that would restart some printers.

    Raises
    ------
    PadsheetError
        If there is no such port.
    """
    if _is_posix() and name.startswith("/") and not os.path.exists(name):
        raise _not_opened(name, os.strerror(errno.ENOENT))


def _not_opened(name: str, why: str) -> PadsheetError:
    return PadsheetError(
        f"cannot open the serial port {name}: {why}",
        remedy="Check the cable and the name of the port, close other programs that use it, "
        f"and see that your user may use serial ports. {ports_seen()}",
        code="link-open",
    )


def ports_seen() -> str:
    """Say which serial ports this computer has now."""
    names = sorted(port.device for port in list_ports.comports())
    return f"Ports seen: {', '.join(names)}." if names else "No port is seen."


def _why(error: Exception) -> str:
    """Say why a port could not be opened, without the number of the error."""
    number = getattr(error, "errno", None)
    return os.strerror(number) if number else str(error)


def _is_posix() -> bool:
    return hasattr(serial, "PosixPollSerial")


def framed(number: int, line: str) -> bytes:
    """Put number and checksum around a line, and a line end after it.

    Examples
    --------
    >>> framed(3, "T0").decode().strip()
    'N3 T0*57'
    """
    body = f"N{number} {line}".encode("ascii")
    return body + b"*%d\n" % reduce(lambda one, other: one ^ other, body, 0)


def allowed_lines(bed: Bed) -> Callable[[str], bool]:
    """Return the test that every line has to pass before it is sent.

    Only the profile's edit word, the line that shows the mesh, the line that saves it and the
    setting of the line number pass; no word that moves, heats, homes or probes does, even if the
    profile names one.
    """
    show, save = bed.edits.show.strip(), bed.edits.save.strip()

    def allowed(line: str) -> bool:
        if not (line.isascii() and line.isprintable()):
            return False
        if line == "M110 N0":
            return True
        if line == show:
            return _may_show(line, sets_points=bed.edits.g29_sets_points)
        if line == save:
            return re.fullmatch(r"M500|[A-Z_]{4,}", line) is not None
        return may_set_point(line) and _is_edit(line, bed)

    return allowed


def _may_show(line: str, *, sets_points: bool) -> bool:
    """Tell whether a line shows the mesh and does nothing else."""
    if re.fullmatch(r"M420( [VT]\d*)+", line) or (sets_points and line == "G29 S0"):
        return True
    return may_set_point(line) and not line.startswith("G")


def _is_edit(line: str, bed: Bed) -> bool:
    style = bed.edits.style
    if style == "custom":
        return line.split()[0] == bare_line(bed.edits.template).split()[0]
    if style == "G29 S3":
        return bed.edits.g29_sets_points and line.startswith("G29 S3 ")
    return style in ("M421", "M421-offset") and line.startswith("M421 I")


class Link:
    """One conversation with a printer, a line at a time.

    Parameters
    ----------
    port : Port
        An open port with a short reading time-out.
    allowed : callable
        Tells whether a line may be sent; see `allowed_lines`.
    waits : Waits, optional
        How long to wait for what.
    """

    def __init__(self, port: Port, allowed: Callable[[str], bool], waits: Waits | None = None):
        self._port = port
        self._allowed = allowed
        self._waits = waits or Waits()
        self._buffer = b""
        self._number = 0
        self._garbled = False

    def greet(self) -> tuple[str, ...]:
        """Wait until a freshly opened printer is ready, and agree on the line numbers.

        Returns
        -------
        tuple of str
            What it said.

        Raises
        ------
        PadsheetError
            If it does not answer.
        """
        return self._agree(self._waits.greeting_s)

    def resume(self) -> tuple[str, ...]:
        """Agree on the line numbers again after a fault, once the printer is quiet."""
        return self._agree(self._waits.quiet_s)

    def _agree(self, first_s: float) -> tuple[str, ...]:
        said: list[str] = []
        end = time.monotonic() + first_s
        last = end + self._waits.busy_s
        while (line := self._line(min(end, last))) is not None:
            said.append(line)
            end = time.monotonic() + self._waits.quiet_s
        self._number = 0
        try:
            said += self.ask("M110 N0")
        except PadsheetError as error:
            if error.code not in ("link-timeout", "link-resend", "link-error"):
                raise
            # What was left over from another program may have spoilt the first line.
            self._number = 0
            try:
                said += self.ask("M110 N0")
            except PadsheetError as again:
                raise self._silent() from again
        return tuple(said)

    def _silent(self) -> PadsheetError:
        why = (
            "what comes over the port is not readable" if self._garbled else "nothing answers on it"
        )
        return PadsheetError(
            f"the printer cannot be reached over the serial port: {why}",
            remedy="Check that it is on, that this is its port, and try --baud with 115200 or "
            "250000.",
            code="link-silent",
        )

    def ask(self, line: str) -> tuple[str, ...]:
        """Send one line and wait for its ``ok``.

        Parameters
        ----------
        line : str
            G-code without comment.

        Returns
        -------
        tuple of str
            What the printer said before the ``ok``.

        Raises
        ------
        PadsheetError
            If the line is none of those that may be sent, or on anything else than an orderly
            answer; the line may then have been taken or not.
        """
        if not self._allowed(line):
            raise PadsheetError(
                f"the line '{line}' is not sent, as it may do more than set, show or save the mesh",
                remedy="Check show, save and template in [edits] of bed.toml, or send it by hand.",
                code="link-forbidden",
            )
        message = framed(self._number, line)
        self._write(message)
        said: list[str] = []
        resends = 0
        last = time.monotonic() + self._waits.busy_s
        end = time.monotonic() + self._waits.reply_s
        while True:
            answer = self._line(min(end, last))
            if answer is None:
                raise _fault(f"no answer to {line} in time", "timeout")
            if found := _OK.match(answer):
                if found[1] is not None and int(found[1]) < self._number:
                    continue  # a late answer to an earlier line
                self._number += 1
                return tuple(said)
            if found := _RESEND.match(answer):
                resends += 1
                self._check_resend(int(found[1]), resends, line)
                self._skip_ok()
                self._write(message)
                end = time.monotonic() + self._waits.reply_s
            elif _BUSY.match(answer):
                end = time.monotonic() + self._waits.reply_s
            elif _START.match(answer):
                raise _fault("the printer has restarted", "restart")
            elif _ERROR.search(answer) and not _DAMAGED.match(answer):
                raise _fault(f"the printer answers '{answer[:80]}' to {line}", "error")
            else:
                said.append(answer)

    def _check_resend(self, wanted: int, resends: int, line: str) -> None:
        if wanted != self._number:
            raise _fault(
                f"the printer asks for line {wanted} again while it is at line {self._number}",
                "resend",
            )
        if resends > MOST_RESENDS:
            raise _fault(f"the printer asks for {line} again and again", "resend")

    def _skip_ok(self) -> None:
        """Take in the ``ok`` that comes with a request to resend: it accepts nothing."""
        end = time.monotonic() + self._waits.resend_ok_s
        while (answer := self._line(end)) is not None:
            if _OK.match(answer):
                return

    def _write(self, message: bytes) -> None:
        try:
            self._port.write(message)
        except (serial.SerialException, OSError) as error:
            raise _fault("the connection to the printer broke off", "lost") from error

    def _line(self, end: float) -> str | None:
        """Return the next line that is not empty; None when the time is over."""
        while True:
            head, newline, rest = self._buffer.partition(b"\n")
            if newline:
                self._buffer = rest
                text = head.decode("utf-8", errors="replace").strip()
                self._garbled |= "\ufffd" in text
                if text:
                    return text
                continue
            if len(self._buffer) > LONGEST_LINE:
                raise _fault("the printer sends noise instead of lines", "noise")
            if time.monotonic() >= end:
                return None
            self._read()

    def _read(self) -> None:
        try:
            self._buffer += self._port.read(max(1, self._port.in_waiting))
        except (serial.SerialException, OSError, TypeError) as error:
            # A port that is closed meanwhile gives a TypeError in the serial library.
            raise _fault("the connection to the printer broke off", "lost") from error


def _fault(problem: str, kind: str) -> PadsheetError:
    return PadsheetError(
        problem,
        remedy="Look at the printer and its cable, then start again.",
        code=f"link-{kind}",
    )
