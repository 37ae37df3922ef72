"""The serial link and sending, against a printer on a pseudo-terminal that fails on order."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from serial.tools import list_ports

from padsheet.patterns.bed import Bed, Edits, MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.advice import NodeAdvice
from padsheet.scoring.edit_styles import bare_line
from padsheet.scoring.edits import EditList, make_edits
from padsheet.scoring.link import Link, Waits, allowed_lines, framed, open_port, ports_seen
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.sending import (
    SendFault,
    prove_over_link,
    read_mesh,
    restore_after,
    save_mesh,
    send_edits,
)

pytest.importorskip("tty", reason="pseudo-terminals are a POSIX thing")
from serial_printer import FATAL, HARMLESS, SerialPrinter

GRID = MeshGrid(columns=5, rows=4)
Z_MM = np.random.default_rng(11).normal(0, 0.1, (4, 5)).round(3)
MESH = Mesh(grid=GRID, z_mm=Z_MM)
NODES = [
    NodeAdvice(i=i, j=j, dz_mm=dz_mm, sigma_mm=0.004, changed=True)
    for i, j, dz_mm in ((3, 1, -0.02), (0, 0, 0.05), (4, 3, -0.03))
]
BED = Bed(mesh=GRID, edits=Edits(style="M421-offset"))
CUSTOM = "SET_POINT X={column0} Y={row0} Z={value_mm} ; a word of the printer's own"
WAITS = Waits(greeting_s=0.02, quiet_s=0.12, reply_s=0.7, busy_s=4.0, resend_ok_s=0.2)
# Lines as the printer counts them: 0 numbers, 1 mesh, 2 to 4 edits, 5 mesh, 6 mesh, 7 save.
LINES = 8


class Bench:
    """A printer and the link to it."""

    def __init__(self, printer: object, bed: Bed) -> None:
        self.printer, self.bed = printer, bed
        printer.start()
        self.port = open_port(printer.name_of_port, 115200)
        self.link = Link(self.port, allowed_lines(bed), WAITS)

    def close(self) -> None:
        self.port.close()
        self.printer.stop()


@pytest.fixture
def bench() -> Iterator[Callable[..., Bench]]:
    made: list[Bench] = []

    def make(style: str = "M421", **options: object) -> Bench:
        z_mm = options.pop("z_mm", Z_MM)
        bed = Bed(mesh=GRID, edits=Edits(style=style))
        made.append(Bench(SerialPrinter(z_mm, **options), bed))
        return made[-1]

    yield make
    for one in made:
        one.close()


def edits_for(bed: Bed) -> EditList:
    return make_edits(NODES, bed, MESH)


def whole_job(bench: Bench) -> None:
    bench.link.greet()
    outcome = send_edits(bench.link, edits_for(bench.bed), bench.bed)
    save_mesh(bench.link, outcome, bench.bed)


def meant() -> np.ndarray:
    z_mm = Z_MM.copy()
    for node in NODES:
        z_mm[node.j, node.i] += node.dz_mm
    return z_mm


def test_framing_matches_known_lines() -> None:
    # Examples widely printed in the trade's own descriptions of the protocol; from memory.
    assert framed(3, "T0") == b"N3 T0*57\n"
    assert framed(4, "G92 E0") == b"N4 G92 E0*67\n"
    assert framed(5, "G28") == b"N5 G28*22\n"


def test_changes_are_compared_with_what_the_printer_held_where_nobody_knew_the_mesh(
    bench: Callable[..., Bench],
) -> None:
    one = bench("M421-offset")
    one.link.greet()
    outcome = send_edits(one.link, make_edits(NODES, one.bed, None), one.bed)
    assert outcome.after.z_mm == pytest.approx(meant(), abs=1e-6)


def test_a_printer_that_starts_when_its_port_is_opened_is_waited_for(
    bench: Callable[..., Bench],
) -> None:
    one = bench()
    waits = replace(WAITS, greeting_s=20.0, reply_s=5.0)
    link = Link(one.port, allowed_lines(one.bed), waits)
    late = threading.Timer(0.1, one.printer.say, ("start", "echo:ready"))
    late.start()
    begun = time.monotonic()
    assert link.greet()[:2] == ("start", "echo:ready")
    assert 0.1 < time.monotonic() - begun < 15
    late.join()


@pytest.mark.parametrize("style", ["M421", "M421-offset"])
def test_edits_go_in_are_read_back_and_saved(bench: Callable[..., Bench], style: str) -> None:
    one = bench(style)
    told: list[str] = []
    one.link.greet()
    outcome = send_edits(one.link, edits_for(one.bed), one.bed, tell=told.append)
    assert one.printer.saves == []
    assert outcome.before.z_mm == pytest.approx(Z_MM)
    assert outcome.after.z_mm == pytest.approx(meant(), abs=1e-6)
    assert len(told) == 3
    save_mesh(one.link, outcome, one.bed)
    assert len(one.printer.saves) == 1
    assert one.printer.saves[0] == pytest.approx(meant(), abs=1e-6)
    assert one.printer.forbidden == []
    assert len(one.printer.heard) == LINES


@pytest.mark.parametrize("at", range(LINES))
@pytest.mark.parametrize("fault", HARMLESS)
def test_noise_and_requests_to_resend_do_no_harm(
    bench: Callable[..., Bench], fault: str, at: int
) -> None:
    # Adding is the harder case: a line taken twice would show.
    one = bench("M421-offset", fault=fault, at=at)
    whole_job(one)
    assert len(one.printer.saves) == 1
    assert one.printer.saves[0] == pytest.approx(meant(), abs=1e-6)
    assert one.printer.forbidden == []


@pytest.mark.parametrize("at", range(1, LINES))
@pytest.mark.parametrize("fault", FATAL)
def test_no_fault_is_followed_by_saving_and_each_says_what_is_in(
    bench: Callable[..., Bench], fault: str, at: int
) -> None:
    one = bench("M421-offset", fault=fault, at=at)
    with pytest.raises(PadsheetError) as caught:
        whole_job(one)
    assert caught.value.remedy
    at_save = at == LINES - 1
    # Where the answer to the save itself is lost, what was saved is the mesh that was compared.
    assert len(one.printer.saves) <= (1 if at_save else 0)
    for saved in one.printer.saves:
        assert saved == pytest.approx(meant(), abs=1e-6)
    assert one.printer.forbidden == []
    assert caught.value.code.startswith("send-save" if at_save else ("link-", "mesh-", "send-"))
    if fault == "restart" and not at_save:
        assert caught.value.code == "link-restart"
    if at in range(2, 6):
        assert isinstance(caught.value, SendFault)
        check_what_is_said(caught.value, one.printer.z_mm, edits_for(one.bed))


def check_what_is_said(said: SendFault, z_mm: np.ndarray, edits: EditList) -> None:
    """Hold what a fault says against what the printer holds, and try its way back."""
    everything = [*said.taken, *said.doubtful, *said.missing]
    assert sorted((e.i, e.j) for e in everything) == sorted((e.i, e.j) for e in edits.edits)
    change = z_mm - Z_MM
    for edit in said.taken:
        assert change[edit.j, edit.i] == pytest.approx(edit.dz_mm, abs=1e-6)
    for edit in said.missing:
        assert change[edit.j, edit.i] == pytest.approx(0, abs=1e-6)
    # Sending the restore lines without the commented ones never makes it worse.
    for line in map(bare_line, restore_after(said, BED)):
        if line:
            word, i, j, value = line.split()
            assert word == "M421"
            z_mm[int(j[1:]), int(i[1:])] += float(value[1:])
    assert np.abs(z_mm - Z_MM).max() <= np.abs(change).max() + 1e-9
    if not said.doubtful:
        assert z_mm == pytest.approx(Z_MM, abs=1e-6)


def test_a_dropped_answer_is_cleared_up_by_reading_back(bench: Callable[..., Bench]) -> None:
    one = bench("M421-offset", fault="drop-ok", at=3)
    edits = edits_for(one.bed)
    one.link.greet()
    with pytest.raises(SendFault) as caught:
        send_edits(one.link, edits, one.bed)
    assert [len(caught.value.taken), len(caught.value.doubtful), len(caught.value.missing)] == [
        2, 0, 1,
    ]  # fmt: skip
    assert "in the printer: column 1 row 1, column 4 row 2" in str(caught.value)
    assert "not in: column 5 row 4" in str(caught.value)


@pytest.mark.parametrize(
    ("twist", "word"),
    [
        ("wrong-value", "column 4 row 2"),
        ("flipped-rows", "front and back exchanged"),
        ("flipped-columns", "left and right exchanged"),
        ("sign", "wrong sign"),
        ("swap", "not as meant"),
        ("one-based", "not as meant"),
        ("deaf", "not as meant"),
    ],
)
def test_a_mesh_not_as_meant_is_never_saved(
    bench: Callable[..., Bench], twist: str, word: str
) -> None:
    one = bench("M421-offset", twist=twist)
    with pytest.raises(SendFault, match=word) as caught:
        whole_job(one)
    assert caught.value.code == "send-not-as-meant"
    assert one.printer.saves == []


def test_another_mesh_in_the_printer_stops_before_anything_is_sent(
    bench: Callable[..., Bench],
) -> None:
    one = bench(z_mm=Z_MM[::-1])
    with pytest.raises(PadsheetError) as caught:
        whole_job(one)
    assert caught.value.code == "send-other-mesh"
    assert [line for line in one.printer.heard if line.startswith("M421")] == []


def test_a_mesh_changed_after_it_was_compared_is_not_saved(bench: Callable[..., Bench]) -> None:
    one = bench()
    one.link.greet()
    outcome = send_edits(one.link, edits_for(one.bed), one.bed)
    one.printer.z_mm[0, 0] += 0.05
    with pytest.raises(PadsheetError) as caught:
        save_mesh(one.link, outcome, one.bed)
    assert caught.value.code == "send-changed"
    assert one.printer.saves == []


def test_a_printer_without_a_mesh_is_filled(bench: Callable[..., Bench]) -> None:
    one = bench(z_mm=np.zeros((4, 5)), mesh=False)
    edits = make_edits(NODES, one.bed, None, empty_mesh=True)
    one.link.greet()
    outcome = send_edits(one.link, edits, one.bed)
    assert outcome.after.z_mm == pytest.approx(meant() - Z_MM, abs=1e-6)
    assert sum(line.startswith("M421") for line in one.printer.heard) == 20


@pytest.mark.parametrize(
    "line",
    ["G28", "G1 Z0", "M104 S200", "M140 S60", "M502", "M420 S1", "M421 I0 J0 Z0\nG28", "G29",
     "M110", "M421", "M501", "M421 I0 J0 Z0 \u00b5"],
)  # fmt: skip
def test_only_the_allowed_lines_are_sent(bench: Callable[..., Bench], line: str) -> None:
    one = bench()
    one.link.greet()
    with pytest.raises(PadsheetError) as caught:
        one.link.ask(line)
    assert caught.value.code == "link-forbidden"
    assert one.printer.heard == ["M110 N0"]
    assert one.printer.forbidden == []


@pytest.mark.parametrize(
    ("edits", "line"),
    [
        ({"show": "G28"}, "G28"),
        ({"show": "G29 S0"}, "G29 S0"),
        ({"show": "M420 V S1"}, "M420 V S1"),
        ({"show": "M109 S200"}, "M109 S200"),
        ({"save": "G28"}, "G28"),
        ({"save": "M502"}, "M502"),
        ({"style": "G29 S3"}, "G29 S3 X1 Y1 Z0"),
        ({"style": "table"}, "M421 I0 J0 Z0"),
        ({"style": "custom", "template": CUSTOM}, "M421 I0 J0 Z0"),
        ({"style": "custom", "template": CUSTOM}, "RESET_POINTS X=0 Y=0 Z=0"),
        ({"style": "custom", "template": CUSTOM}, "G29 SET_POINT X=0 Y=0 Z=0"),
        ({"style": "custom", "template": "G28 X{column0} Y{row0} Z{value_mm}"}, "G28 X0 Y0 Z0"),
    ],
)
def test_the_profile_cannot_talk_the_link_into_more(edits: dict[str, str], line: str) -> None:
    assert not allowed_lines(Bed(edits=Edits(**edits)))(line)


@pytest.mark.parametrize(
    ("edits", "line"),
    [
        ({}, "M420 V"),
        ({}, "M500"),
        ({}, "M421 I0 J0 Z0.010"),
        ({"show": "M420 V1 T1"}, "M420 V1 T1"),
        ({"show": "G29 S0", "g29_sets_points": True}, "G29 S0"),
        ({"style": "G29 S3", "g29_sets_points": True}, "G29 S3 X1 Y1 Z0.010"),
        ({"style": "custom", "template": CUSTOM}, "SET_POINT X=0 Y=0 Z=0.010"),
    ],
)
def test_the_mesh_lines_of_the_profile_pass(edits: dict[str, object], line: str) -> None:
    assert allowed_lines(Bed(edits=Edits(**edits)))(line)


@pytest.mark.parametrize("style", ["M421", "M421-offset"])
def test_the_proof_goes_through_and_leaves_the_mesh_as_it_was(
    bench: Callable[..., Bench], style: str
) -> None:
    one = bench(style)
    one.link.greet()
    assert prove_over_link(one.link, one.bed, mesh=MESH).ok
    assert one.printer.z_mm == pytest.approx(Z_MM, abs=1e-6)
    assert one.printer.saves == []


@pytest.mark.parametrize(
    ("style", "twist", "code"),
    [
        ("M421", "flipped-rows", "proof-flipped-rows"),
        ("M421", "flipped-columns", "proof-flipped-columns"),
        ("M421", "one-based", "proof-one-based"),
        ("M421-offset", "sign", "proof-wrong-sign"),
        ("M421-offset", "swap", "proof-absolute-for-additive"),
        ("M421", "swap", "proof-additive-for-absolute"),
    ],
)
def test_the_proof_finds_what_is_wrong(
    bench: Callable[..., Bench], style: str, twist: str, code: str
) -> None:
    one = bench(style, twist=twist)
    one.link.greet()
    with pytest.raises(PadsheetError) as caught:
        prove_over_link(one.link, one.bed)
    assert caught.value.code == code
    assert one.printer.saves == []


@pytest.mark.parametrize("at", range(1, 6))
@pytest.mark.parametrize("fault", ["drop-ok", "error", "restart"])
def test_a_fault_during_the_proof_says_whether_its_edit_is_in(
    bench: Callable[..., Bench], fault: str, at: int
) -> None:
    # Lines: 0 numbers, 1 mesh, 2 edit, 3 mesh, 4 the way back, 5 mesh.
    one = bench("M421-offset", fault=fault, at=at)
    one.link.greet()
    with pytest.raises(PadsheetError) as caught:
        prove_over_link(one.link, one.bed)
    assert one.printer.saves == []
    if at > 1:
        assert isinstance(caught.value, SendFault)
        assert not caught.value.doubtful
        is_in = bool(np.any(np.abs(one.printer.z_mm - Z_MM) > 0.01))
        assert len(caught.value.taken) == int(is_in)


def test_a_printer_deaf_to_the_word_is_not_proved(bench: Callable[..., Bench]) -> None:
    one = bench(twist="deaf")
    one.link.greet()
    assert prove_over_link(one.link, one.bed).kind == "not-applied"


def test_the_mesh_is_read_in_the_profiles_order(bench: Callable[..., Bench]) -> None:
    one = bench()
    one.link.greet()
    assert read_mesh(one.link, one.bed).z_mm == pytest.approx(Z_MM)


def test_the_ports_of_this_computer_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    devices = [SimpleNamespace(device=name) for name in ("/dev/ttyB", "/dev/ttyA")]
    monkeypatch.setattr(list_ports, "comports", lambda: devices)
    assert ports_seen() == "Ports seen: /dev/ttyA, /dev/ttyB."
    with pytest.raises(PadsheetError, match="/dev/ttyA"):
        open_port("/dev/there-is-no-such-port", 115200)
    devices.clear()
    assert ports_seen() == "No port is seen."


def test_a_dead_port_and_a_silent_printer_are_told_apart(bench: Callable[..., Bench]) -> None:
    with pytest.raises(PadsheetError) as caught:
        open_port("/dev/there-is-no-such-port", 115200)
    assert caught.value.code == "link-open"
    assert "Errno" not in str(caught.value)  # a number and the path three times say nothing more
    assert str(caught.value).count("there-is-no-such-port") == 1
    one = bench(fault="silent", at=0)
    with pytest.raises(PadsheetError, match="nothing answers") as caught:
        one.link.greet()
    assert caught.value.code == "link-silent"


def test_the_style_table_has_nothing_to_send(bench: Callable[..., Bench]) -> None:
    one = bench("table")
    with pytest.raises(PadsheetError) as caught:
        send_edits(one.link, make_edits(NODES, one.bed, MESH), one.bed)
    assert caught.value.code == "send-table"


def test_stopping_by_hand_says_what_is_in(bench: Callable[..., Bench]) -> None:
    one = bench("M421-offset")
    one.link.greet()

    def stop(_: str) -> None:
        raise KeyboardInterrupt

    with pytest.raises(SendFault) as caught:
        send_edits(one.link, edits_for(one.bed), one.bed, tell=stop)
    assert caught.value.code == "send-stopped"
    assert len(caught.value.taken) == 1
    assert len(caught.value.missing) == 2
