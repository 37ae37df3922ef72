from __future__ import annotations

import pytest

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.interpreter import Move, interpret


def ends(text: str) -> list[tuple[float, float, float]]:
    return [(m.x1_mm, m.y1_mm, m.z1_mm) for m in interpret(text).moves]


# RS274/NGC, NISTIR 6556 (2000), G92: with the controlled point at X=4 and no offset, G92 X7 makes
# the X offset -3, and G92 X9 then makes it -5.
@pytest.mark.parametrize(
    ("shifts", "offset_mm"), [(["G92 X7"], -3.0), (["G92 X7", "G92 X9"], -5.0)]
)
def test_g92_sets_the_offset_of_the_published_example(shifts: list[str], offset_mm: float) -> None:
    text = "\n".join(["G21", "G90", "G0 X4 Y2", *shifts, "G0 X0 Y0"])
    # Program X0 lies at machine X = 0 + offset; Y was not named and keeps its coordinates.
    assert ends(text)[-1] == (offset_mm, 0.0, 0.0)


def test_g92_itself_moves_nothing() -> None:
    program = interpret("G0 X4\nG92 X7\nG0 X7")
    assert [m.x1_mm for m in program.moves] == [4.0]


# RS274/NGC: G20 inch, G21 mm, F in units per minute under G94.
def test_inches_and_feed_per_minute() -> None:
    move = interpret("G20\nG1 X1 E0.1 F60").moves[0]
    assert move.x1_mm == pytest.approx(25.4)
    assert move.e_mm == pytest.approx(2.54)
    assert move.feed_mm_s == pytest.approx(25.4)
    assert interpret("G20\nG21\nG1 X1 F1500").moves[0].feed_mm_s == pytest.approx(25.0)


# NISTIR 6556, 3.3: "g0x +0. 12 34y 7" is equivalent to "g0 x+0.1234 y7".
def test_blanks_and_case_do_not_matter() -> None:
    assert ends("g0x +0. 12 34y 7") == ends("g0 x+0.1234 y7") == [(0.1234, 7.0, 0.0)]


# Common practice, no source: after G91, Z0.1 and then Z0.02 end 0.12 mm up; in G90 at 0.02 mm.
@pytest.mark.parametrize(("mode", "end_mm"), [("G91", 0.12), ("G90", 0.02)])
def test_babysteps_add_up_in_relative_mode_only(mode: str, end_mm: float) -> None:
    assert ends(f"{mode}\nG1 Z0.1 F300\nG1 Z0.02")[-1][2] == pytest.approx(end_mm)


def test_extruder_modes() -> None:
    relative = interpret("M83\nG1 X1 E1 F600\nG1 X2 E1")
    assert [m.e_mm for m in relative.moves] == [1.0, 1.0]
    absolute = interpret("M82\nG1 X1 E1 F600\nG1 X2 E1.5\nG92 E0\nG1 X3 E0.25")
    assert [m.e_mm for m in absolute.moves] == [1.0, 0.5, 0.25]


def test_e_words_on_which_printers_differ_are_marked() -> None:
    text = "G90\nM83\nG1 E1 F60\nG90\nG1 E1\nG91\nM83\nG1 E1"
    assert [e.line for e in interpret(text).events if e.kind == "e-unsure"] == [5]


def test_homing_makes_axes_known_once_they_have_been_sent_somewhere() -> None:
    moves = interpret("G28 X Y\nG0 X5 F600\nG28\nG91\nG0 Z5\nG90\nG0 Z6\nG0 X1\nM84\nG0 X2").moves
    assert moves[0].homed == {"X", "Y"}
    assert moves[0].placed == set()
    assert moves[1].homed == {"X", "Y", "Z"}
    assert moves[2].placed == set()  # the relative lift does not tell where it ended
    assert moves[3].placed == {"Z"}
    assert moves[4].homed == set()  # motors off
    assert moves[1].x0_mm == 0.0  # G28 ends at the origin


def test_comments_numbers_and_checksums() -> None:
    # XOR of all characters before the star: N3 G1 X1 gives 98 (worked out by hand beside it).
    total = 0
    for sign in "N3 G1 X1":
        total ^= ord(sign)
    assert total == 98
    text = f"%\n; all\n\nN3 G1 X1*{total}\nN4 g1 (to the right) x2 ; on\nN5 G1 X3"
    assert [e[0] for e in ends(text)] == [1.0, 2.0, 3.0]
    with pytest.raises(PadsheetError, match=r"line 1 .* checksum is 97"):
        interpret("N3 G1 X1*97")


@pytest.mark.parametrize(
    "line",
    [
        "G1 X",
        "G1 X1.2.3",
        "G1 Xnan",
        "G1 Xinf",
        "G1 X1 X2",
        "G1 X" + "9" * 400,
        "G1 X1 S5",
        "G1 X1 F0",
        "G1 X1 F-5",
        "G1 X--1",
        "G92",
        "G92 X",
        "G",
        "X5",
        "G1 X1 (open",
        "G1 X1 $",
        "G1 X\u0661",
    ],
)
def test_malformed_lines_are_refused_with_their_number(line: str) -> None:
    with pytest.raises(PadsheetError, match="line 2 of the G-code") as caught:
        interpret(f"G90\n{line}")
    assert caught.value.code == "gcode-line"


def test_a_malformed_line_is_shown_whole_with_the_place() -> None:
    with pytest.raises(PadsheetError) as caught:
        interpret("G1 X1 $2")
    assert '"G1 X1 $2" cannot be read from "$2" on' in caught.value.problem
    with pytest.raises(PadsheetError, match="the number of the word Y is too large"):
        interpret("G1 X1 Y" + "9" * 400)


def test_events_tell_what_was_commanded() -> None:
    program = interpret("M104 S210\nM420 V S1\nG4 P500\nM117 Hello X there\nG29 S1\nm0104 s0 T0")
    kinds = [(e.word, e.kind) for e in program.events]
    assert kinds == [
        ("M104", "heat"),
        ("M420", "mesh"),
        ("G4", "dwell"),
        ("M117", "other"),
        ("G29", "other"),
        ("M104", "heat"),
    ]
    assert program.events[0].get("S") == 210
    assert program.events[1].has("V")
    assert program.events[1].get("V") is None
    assert not program.events[1].has("X")


def test_macro_lines_are_events_and_home_only_if_the_profile_says_so() -> None:
    text = "HOME_ALL slow=1 ; please\nG0 X1 F60"
    assert interpret(text).moves[0].homed == set()
    known = interpret(text, home=["home_all  SLOW=1"])
    assert known.events[0].kind == "home"
    assert known.moves[0].homed == {"X", "Y", "Z"}


@pytest.mark.parametrize("line", ["G90 G1 X5 F600", "G1 X2 F600\nX5"])
def test_lines_on_which_printers_differ_are_marked(line: str) -> None:
    program = interpret(line)
    assert "ambiguous" in [e.kind for e in program.events]
    # Read as RS274/NGC reads them all the same.
    assert program.moves[-1].x1_mm == 5.0


def test_a_bare_f_word_sets_the_speed() -> None:
    assert interpret("G1 F600\nF1200\nG1 X1").moves[0].feed_mm_s == pytest.approx(20.0)


def test_lengths_of_moves() -> None:
    move = interpret("G1 X3 Y4 Z12 F60").moves[0]
    assert isinstance(move, Move)
    assert (move.xy_mm, move.length_mm) == (5.0, 13.0)


def test_g92_counts_axes_and_leaves_other_words_alone() -> None:
    moves = interpret("G92 S9 X10\nG1 X12 F600").moves
    assert (moves[0].x0_mm, moves[0].x1_mm) == (0.0, 2.0)
