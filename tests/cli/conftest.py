"""A printer at a pseudo-terminal, for the commands that talk to one."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pytest

from padsheet.cli import over_port
from padsheet.scoring.link import Waits


@pytest.fixture
def printer(
    request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[..., object]]:
    """Make printers that hold a mesh, that of the test module where none is given."""
    pytest.importorskip("tty", reason="pseudo-terminals are a POSIX thing")
    waits = Waits(greeting_s=0.02, quiet_s=0.12, reply_s=0.4, busy_s=4.0, resend_ok_s=0.2)
    monkeypatch.setattr(over_port, "WAITS", waits)
    from serial_printer import SerialPrinter

    made = []

    def make(z_mm: np.ndarray | None = None, **options: object) -> object:
        held_mm = request.module.Z_MM if z_mm is None else z_mm
        made.append(SerialPrinter(held_mm, **options))
        made[-1].start()
        return made[-1]

    yield make
    for one in made:
        one.stop()
