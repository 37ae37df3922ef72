"""A printer at the other end of a pseudo-terminal, with faults on order."""

from __future__ import annotations

import os
import re
import select
import threading
import time
import tty

import numpy as np

# Faults that an orderly link survives, and those that have to stop it.
HARMLESS = ("noise", "resend", "rs", "resend-late-ok", "busy", "stale-ok", "split-answer")
FATAL = (
    "drop-ok", "garbage", "error", "unknown", "out-of-bounds", "resend-forever", "resend-other",
    "close", "restart", "silent", "endless-line",
)  # fmt: skip


class SerialPrinter(threading.Thread):
    """Takes numbered lines, keeps a mesh in memory and a saved one.

    Parameters
    ----------
    z_mm : ndarray, shape (rows, columns)
        Its mesh; row j in z_mm[j].
    fault, at : str, int
        What goes wrong, and at which line (the agreement on line numbers is line 0).
    twist : str
        How it takes an edit: "" as meant, or a wrong convention.
    """

    def __init__(
        self, z_mm: np.ndarray, *, fault: str = "", at: int = -1, twist: str = "", mesh: bool = True
    ) -> None:
        super().__init__(daemon=True)
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.name_of_port = os.ttyname(slave)
        self.slave = slave
        self.z_mm, self.stored = z_mm.copy(), z_mm.copy()
        self.mesh, self.fault, self.at, self.twist = mesh, fault, at, twist
        self.saves: list[np.ndarray] = []
        self.forbidden: list[str] = []
        self.heard: list[str] = []
        self.count = -1
        self.expected = 0
        self.quit = threading.Event()
        self.silent = False

    def start(self) -> None:
        # It has greeted before anybody opens the port: no wait has to allow for its start.
        self.say("start", "echo:ready")
        super().start()

    def run(self) -> None:
        buffer = b""
        while not self.quit.is_set():
            if not select.select([self.master], [], [], 0.005)[0]:
                continue
            try:
                buffer += os.read(self.master, 4096)
            except OSError:
                return
            while b"\n" in buffer and not self.quit.is_set():
                line, _, buffer = buffer.partition(b"\n")
                self.take(line.decode())

    def say(self, *lines: str) -> None:
        if not self.silent:
            os.write(self.master, b"".join(line.encode() + b"\n" for line in lines))

    def take(self, raw: str) -> None:
        """Check number and checksum, let the fault happen, and do the line."""
        found = re.fullmatch(r"N(\d+) (.*)\*(\d+)", raw)
        body = raw.rpartition("*")[0]
        total = 0
        for byte in body.encode():
            total ^= byte
        if found is None or int(found[3]) != total:
            self.say("Error:checksum mismatch", f"Resend: {self.expected}", "ok")
            return
        number, line = int(found[1]), found[2]
        if line.startswith("M110"):
            self.expected = number
        if number != self.expected:
            self.say(
                "Error:Line Number is not Last Line Number+1", f"Resend: {self.expected}", "ok"
            )
            return
        self.count += 1
        now = self.fault if self.count == self.at else ""
        if now and self.refuses(now, number):
            return
        self.expected = number + 1
        self.heard.append(line)
        self.answer(now, self.do(line), number)

    def refuses(self, fault: str, number: int) -> bool:
        """Do not take the line; a request to resend counts the line anew."""
        if fault in ("resend", "rs", "resend-late-ok"):
            self.fault = ""
            self.count -= 1
            ask = f"rs N{number}" if fault == "rs" else f"Resend: {number}"
            self.say("Error:checksum mismatch, Last Line: 0", ask)
            if fault == "resend-late-ok":
                time.sleep(0.02)
            if fault != "rs":
                self.say("ok")
        elif fault == "resend-forever":
            self.count -= 1
            self.say(f"Resend: {number}", "ok")
        elif fault == "resend-other":
            self.say(f"Resend: {number + 7}", "ok")
        elif fault == "error":
            self.say("Error:something is wrong")
        elif fault == "unknown":
            self.expected = number + 1
            self.say('echo:Unknown command: "this"', "ok")
        elif fault == "out-of-bounds":
            self.expected = number + 1
            self.say("?(I,J) position invalid", "ok")
        elif fault == "close":
            self.quit.set()
            os.close(self.slave)
            os.close(self.master)
            self.master = self.slave = -1
        elif fault == "restart":
            self.z_mm = self.stored.copy()
            self.say("start")
        elif fault == "silent":
            self.silent = True
        else:
            return False
        return True

    def answer(self, fault: str, said: list[str], number: int) -> None:
        if fault == "drop-ok":
            self.say(*said)
        elif fault == "garbage":
            self.say(*said)
            os.write(self.master, b"\xf0\x00o\xffk\xe2\n")
        elif fault == "endless-line":
            os.write(self.master, b"x" * 9000)
        elif fault == "noise":
            os.write(self.master, b"\xff\xfe\x80\n")
            self.say("T:21.0 /0.0 B:20.9 /0.0 @:0", "", *said, "ok P15 B3")
        elif fault == "busy":
            for _ in range(4):
                self.say("echo:busy: processing")
                time.sleep(0.2)
            self.say(*said, "ok")
        elif fault == "stale-ok":
            self.say(*said, f"ok N{number - 1}", f"ok N{number}")
        elif fault == "split-answer":
            self.say(*said)
            for piece in (b"o", b"k\r", b"\n"):
                os.write(self.master, piece)
                time.sleep(0.03)
        else:
            self.say(*said, "ok")

    def do(self, line: str) -> list[str]:
        """Carry a line out; anything but mesh words is written down as forbidden."""
        if line.startswith("M110"):
            return []
        if line == "M420 V":
            if not self.mesh:
                return ["Mesh bed leveling has no data."]
            rows = [" ".join(f"{z:+.3f}" for z in row) for row in self.z_mm]
            head = "     " + "     ".join(str(i) for i in range(self.z_mm.shape[1]))
            return [head, *(f" {j} {row}" for j, row in enumerate(rows))]
        if line == "M500":
            self.stored = self.z_mm.copy()
            self.saves.append(self.stored)
            return ["echo:Settings Stored (612 bytes; crc 4711)"]
        found = re.fullmatch(r"M421 I(\d+) J(\d+) ([ZQ])(-?\d+\.\d+)", line)
        if found is None:
            self.forbidden.append(line)
            return []
        i, j, adding, value = int(found[1]), int(found[2]), found[3] == "Q", float(found[4])
        self.edit(i, j, value, adding=adding)
        return []

    def edit(self, i: int, j: int, value_mm: float, *, adding: bool) -> None:
        rows, columns = self.z_mm.shape
        self.mesh = True
        if self.twist == "wrong-value" and (i, j) == (3, 1):
            value_mm += 0.01
        if self.twist == "swap":
            adding = not adding
        if self.twist == "flipped-rows":
            j = rows - 1 - j
        if self.twist == "flipped-columns":
            i = columns - 1 - i
        if self.twist == "one-based":
            i, j = i - 1, j - 1
        if self.twist == "deaf" or not (0 <= i < columns and 0 <= j < rows):
            return
        if adding and self.twist == "sign":
            value_mm = -value_mm
        self.z_mm[j, i] = round(value_mm + (self.z_mm[j, i] if adding else 0.0), 6)

    def stop(self) -> None:
        self.quit.set()
        self.join(2)
        for handle in (self.master, self.slave):
            if handle >= 0:
                os.close(handle)
        self.master = self.slave = -1
