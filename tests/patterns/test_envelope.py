from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padsheet.patterns.bed import Bed, Code, Heat, MeshGrid, Motion, Plate, Rectangle
from padsheet.patterns.envelope import check_envelope, check_sheet_gcode
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.gcode_words import HARMLESS, LATE_OFFSETS, REFUSED
from padsheet.patterns.sheet import Sheet, Stroke

Maker = Callable[..., Sheet]
Strokes = Callable[..., Stroke]
REACH = (-0.08, 0.08)


def refusal(text: str, bed: Bed, **more: object) -> PadsheetError:
    with pytest.raises(PadsheetError) as caught:
        check_envelope(text, bed, **({"reach_mm": REACH} | more))  # type: ignore[arg-type]
    assert caught.value.remedy
    return caught.value


@pytest.fixture(scope="module")
def text(small_sheet: Maker) -> str:
    """Return G-code that passes."""
    written = write_gcode(small_sheet(), Bed())
    check_envelope(written, Bed(), reach_mm=REACH)
    return written


# Each refusal: its code, what is put in place of what, and a word of its message.
BROKEN = [
    ("outside", "X102.000 Y90.000", "X102.000 Y1.000", "Y1, outside the printable area"),
    ("outside", "G1 X100.000 Y110.000", "G1 X219.000 Y110.000", "X219"),
    ("low-travel", "G0 Z0.840 F480\nG0 X100", "G0 Z0.500 F480\nG0 X100", "0.500 mm without"),
    ("low-travel", "G0 Z0.840 F480\nG0 X100", "G0 X100", "0.200 mm without"),
    ("low-travel", "G0 X3.000 Y217.000 F7200", "G0 X3.000 Y217.000 Z0.5 F400", "0.500 mm"),
    ("clearance", "Y110.000 Z0.200", "Y110.000 Z0.129", "0.049 mm to the bed"),
    ("clearance", "G0 Z0.840 F480\nM104", "G0 Z0.100 F480\nM104", "0.020 mm to the bed"),
    ("z-top", "G0 Z40.840", "G0 Z200.840", "200.840 is above"),
    ("temperature", "M109 S210", "M109 S215", "215 C is too hot for the nozzle"),
    ("temperature", "M190 S60", "M190 R70", "70 C is too hot for the bed"),
    ("temperature", "M104 S210", "M104", "no temperature"),
    ("speed", "E0.83150 F1500", "E0.83150 F1600", "26.7 mm/s"),
    ("speed", "Y217.000 F7200", "Y217.000 F9000", "150.0 mm/s"),
    ("speed", "G0 Z40.840 F480", "G0 Z40.840 F4800", "80.0 mm/s"),
    ("speed", "E-1.00000 F1800\nG0 Z40", "E-1.00000 F3000\nG0 Z40", "50.0 mm/s"),
    ("speed", "G0 X3.000 Y217.000 F7200", "G0 X3.000 Y217.000 Z90 F7200", "speed of Z"),
    ("speed", "G0 Z5.000 F480", "G0 Z5.000", "no speed"),
    ("not-homed", "G28\n", "", "before all axes are homed"),
    ("not-homed", "G28\n", "G28 X Y\n", "before all axes are homed"),
    ("not-homed", "G91\nG0 Z5.000", "G91\nG0 Z-5.000", "before all axes are homed"),
    ("no-lift", "G0 Z5.000 F480\n", "", "without a lift of 5 mm"),
    ("no-lift", "G0 Z5.000 F480\n", "G0 Z4.000 F480\n", "without a lift of 5 mm"),
    ("nozzle-cold", "M109 S210\n", "", "before the nozzle"),
    ("nozzle-cold", "M109 S210\n", "M109 S210\nM104 S150\n", "before the nozzle"),
    ("bed-cold", "M190 S60\n", "", "before the bed"),
    ("bed-cold", "M190 S60\n", "M190 S40\n", "before the bed"),
    ("mesh-missing", "M420 S1\n", "", "the mesh was not switched on"),
    ("mesh-missing", "M420 S1\n", "M420 V\n", "the mesh was not switched on"),
    ("mesh-missing", "M420 S1\n", "M420 S1\nM420 S0\n", "the mesh was not switched on"),
    ("home-after-mesh", "M420 S1\n", "M420 S1\nG28\n", "homed after the mesh"),
    ("home-late", "; comb at 100", "G28 X", "homes over the print"),
    ("home-late", "M104 S0", "M104 S0\nG28", "homes over the print"),
    ("settings", "M420 S1\n", "M420 S1\nM501\n", "M501 loads settings"),
    ("settings", "; all done", "M500", "M500 stores settings"),
    ("refused-word", "; heat the nozzle", "G29\n; heat the nozzle", "probing run"),
    ("refused-word", "; comb at 100", "G2 X100 Y90 I5 J5", "curve"),
    ("refused-word", "; comb at 100", "M851 Z-1", "M851 shifts the zero"),
    ("unknown-word", "; comb at 100", "M7777", "M7777 is not known"),
    ("unknown-word", "; comb at 100", "START_ALL X=1", "START_ALL is not known"),
    ("refused-word", "; comb at 100", "M84", "M84 releases the motors"),
    ("ambiguous", "; comb at 100", "G90 M83", "printers differ"),
    ("offset", "; comb at 100", "G92 Z0.1", "G92 shifts the axes"),
    ("e-mode", "M83 ; relative extruder\n", "", "no M82 or M83"),
    ("factor", "M220 S100 ; speed as written\n", "", "M220 has not set"),
    ("factor", "; comb at 100", "M221 S110", "M221 has not set"),
    ("fan", "; comb at 100", "M106 S128", "fan"),
    ("fan", "M107 ; fan off\n", "", "fan"),
    ("feed", "E0.83150", "E1.83150", "0.220 mm2"),
    ("low-travel", "M83 ; relative", "M82 ; relative", "without extruding"),
    ("feed", "G1 E1.00000 F1800\nG92 E0\nG1 X70", "G1 E12 F1800\nG92 E0\nG1 X70", "12.0 mm of"),
    ("in-air", "G0 X100.000 Y90.000 F7200", "G1 X100 Y90 Z1.2 E0.5 F600", "1.200 mm above"),
    ("not-placed", "G0 X30.000 Y10.000 F7200\n", "", "nobody knows"),
    ("travel-outside", "X3.000 Y217.000", "X3.000 Y317.000", "far beside"),
    ("left-hot", "M104 S0\n", "", "nozzle at 210 C"),
    ("left-hot", "M140 S0\n", "", "bed at 60 C"),
]


@pytest.mark.parametrize(("code", "old", "new", "words"), BROKEN)
def test_each_refusal_is_provoked(text: str, code: str, old: str, new: str, words: str) -> None:
    assert old in text
    error = refusal(text.replace(old, new), Bed())
    assert error.code == f"envelope-{code}"
    assert re.match(r"line \d+ of the G-code: ", error.problem)
    assert words in error.problem


def test_the_line_named_is_the_line_at_fault(text: str) -> None:
    broken = text.replace("Y110.000 Z0.200", "Y110.000 Z0.100")
    line = next(k for k, ln in enumerate(broken.splitlines(), 1) if "Z0.100" in ln)
    assert f"line {line} " in refusal(broken, Bed()).problem


def test_text_that_prints_nothing_is_refused() -> None:
    assert refusal("G21\nG28", Bed()).code == "envelope-empty"


def test_unreadable_text_is_refused(text: str) -> None:
    assert refusal(text.replace("X100.000 Y110", "Xnan Y110"), Bed()).code == "gcode-line"


def test_height_must_cover_reach_and_clearance(text: str) -> None:
    # The lowest nozzle height is 0.200 mm: it covers a bed 0.15 mm too high, and 0.05 mm clearance.
    check_envelope(text, Bed(), reach_mm=(-0.15, 0.15))
    assert refusal(text, Bed(), reach_mm=(-0.152, 0.15)).code == "envelope-clearance"
    higher = Bed(motion=Motion(clearance_mm=0.13))
    assert refusal(text, higher).code == "envelope-clearance"


def test_lowest_z_of_the_printer(text: str) -> None:
    bed = Bed(motion=Motion(z_lowest_mm=0.21))
    assert refusal(text, bed).code == "envelope-z-lowest"
    # The lowest Z itself is let through.
    check_envelope(text, Bed(motion=Motion(z_lowest_mm=0.2)), reach_mm=REACH)


def test_priming_as_long_as_the_message_allows(text: str) -> None:
    """A preamble of the user's own may prime with 10 mm."""
    old = "G1 E1.00000 F1800\nG92 E0\nG1 X70"
    assert old in text
    # 1 mm of it pays back what the last print drew in.
    for length in (9.5, 10.0):
        primed = text.replace(old, old.replace("E1.00000", f"E{length}"))
        check_envelope(primed, Bed(), reach_mm=REACH)
    assert refusal(text.replace(old, old.replace("E1.00000", "E10.1")), Bed()).code == (
        "envelope-feed"
    )


def test_keep_outs(small_sheet: Maker, text: str) -> None:
    # Between the two ends of a line, neither of which lies in it.
    on_line = Rectangle(x_min_mm=99, y_min_mm=99, x_max_mm=101, y_max_mm=101)
    bed = Bed(plate=Plate(keep_out=(on_line,)))
    assert refusal(text, bed).code == "envelope-keep-out"
    on_way = Rectangle(x_min_mm=75, y_min_mm=40, x_max_mm=95, y_max_mm=60)
    bed = Bed(plate=Plate(keep_out=(on_way,)))
    # The text was written for a bed without the clip and crosses it at 0.84 mm.
    assert refusal(text, bed).code == "envelope-travel-keep-out"
    check_envelope(write_gcode(small_sheet(), bed), bed, reach_mm=REACH)
    # Straight from homing the way is unknown, and 2 mm are not enough over any clip.
    low = write_gcode(small_sheet(), bed).replace("G0 Z10.000 F480\nG0 X30", "G0 Z2 F480\nG0 X30")
    assert refusal(low, bed).code == "envelope-travel-keep-out"


def test_a_line_along_the_edge_of_a_keep_out_is_allowed(text: str) -> None:
    beside = Rectangle(x_min_mm=102, y_min_mm=80, x_max_mm=110, y_max_mm=120)
    check_envelope(text, Bed(plate=Plate(keep_out=(beside,))), reach_mm=REACH)


def test_round_plates(small_sheet: Maker, small_stroke: Strokes) -> None:
    plate = Plate(shape="round", origin="centre", size_x_mm=200, size_y_mm=200)
    bed = Bed(plate=plate)
    # 97 mm is the radius left by the margin: (60, 76) is 96.8 mm from the middle, (60, 77) 97.6.
    for y, good in ((76.0, True), (77.0, False)):
        line = small_stroke(((0, 0, 0.2), (60, y, 0.2)))
        written = write_gcode(small_sheet(line), bed)
        if good:
            check_envelope(written, bed, reach_mm=REACH)
        else:
            assert refusal(written, bed).code == "envelope-outside"


def test_sheets_without_mesh(small_sheet: Maker) -> None:
    sheet = small_sheet(mesh_active="no")
    written = write_gcode(sheet, Bed())
    check_sheet_gcode(written, sheet, Bed())
    wrong = written.replace("M420 S0", "M420 S1")
    assert refusal(wrong, Bed(), mesh_on=False).code == "envelope-mesh-unwanted"
    # Where homing itself switches the mesh on, there is no line to look for.
    by_itself = Bed(code=Code(mesh_on=()))
    check_envelope(write_gcode(small_sheet(), by_itself), by_itself, reach_mm=REACH)


def test_a_cold_bed_needs_no_bed_words(small_sheet: Maker) -> None:
    bed = Bed(heat=Heat(bed_c=0.0))
    check_envelope(write_gcode(small_sheet(), bed), bed, reach_mm=REACH)


def test_areas_are_bounded_by_the_sheet(small_sheet: Maker, small_stroke: Strokes) -> None:
    sheet = small_sheet(small_stroke(((50, 50, 0.2), (90, 50, 0.2)), area_mm2=0.3))
    written = write_gcode(sheet, Bed())
    check_sheet_gcode(written, sheet, Bed())
    assert refusal(written, Bed()).code == "envelope-feed"


# ---------------------------------------------------------------- the user's own lines


def with_code(small_sheet: Maker, **code: tuple[str, ...]) -> tuple[str, Bed]:
    bed = Bed(code=Code(**code))  # type: ignore[arg-type]
    return write_gcode(small_sheet(), bed), bed


@pytest.mark.parametrize(
    "code",
    [
        {"preamble": ("M17", "M117 Pad sheet, please wait (X)", "M204 P500", "M851 Z-0.2")},
        {"preamble": ("G91", "G0 Z5 F300", "G90", "G28", "G20")},
        {"home": ("HOME_ALL",), "mesh_on": ("LOAD_MESH NAME=a", "G4 P100")},
        {"mesh_on": ("G29 A",)},
        {"mesh_on": ("G29 A L1 F10",)},
        {"home": ("G28 X", "G28 Y ; then Z", "G28 Z"), "mesh_on": ("M420 S1 Z5",)},
        {"postamble": ("G28 X", "M84", "M300 S440 P50")},
        {"preamble": ("M84 S0", "M155 S4", "T0", "M104 S150 T0")},
    ],
)
def test_own_lines_that_are_allowed(small_sheet: Maker, code: dict[str, tuple[str, ...]]) -> None:
    written, bed = with_code(small_sheet, **code)
    check_envelope(written, bed, reach_mm=REACH)


@pytest.mark.parametrize(
    ("code", "refused"),
    [
        ({"preamble": ("G28",)}, "envelope-no-lift"),
        ({"preamble": ("G0 X5 F600",)}, "envelope-not-homed"),
        ({"preamble": ("M83", "G1 E5 F100")}, "envelope-not-homed"),
        ({"preamble": ("M109 S260",)}, "envelope-temperature"),
        ({"preamble": ("M501",)}, "envelope-settings"),
        ({"preamble": ("M112",)}, "envelope-refused-word"),
        ({"preamble": ("G92 Z1",)}, "envelope-offset"),
        ({"preamble": ("DO_IT",)}, "envelope-unknown-word"),
        ({"home": ("G28", "M501")}, "envelope-settings"),
        ({"mesh_on": ("M501", "M420 S1")}, "envelope-settings"),
        ({"mesh_on": ("G29",)}, "envelope-refused-word"),
        ({"mesh_on": ("G29 P1",)}, "envelope-refused-word"),
        ({"mesh_on": ("G29 A P1",)}, "envelope-refused-word"),
        ({"home": ("G28", "G0 X5 Y5 F600")}, "envelope-clearance"),
        ({"postamble": ("G0 Z0.2 F300", "G0 X0 F600")}, "envelope-low-travel"),
        ({"postamble": ("G28",)}, "envelope-home-late"),
        ({"postamble": ("M84", "G0 X0 F600")}, "envelope-not-homed"),
        ({"postamble": ("M104 S200",)}, "envelope-left-hot"),
        ({"postamble": ("M500",)}, "envelope-settings"),
    ],
)
def test_own_lines_that_are_refused(
    small_sheet: Maker, code: dict[str, tuple[str, ...]], refused: str
) -> None:
    written, bed = with_code(small_sheet, **code)
    assert refusal(written, bed).code == refused


def test_words_are_in_one_list_only() -> None:
    assert not HARMLESS & REFUSED.keys()
    assert not LATE_OFFSETS & (REFUSED.keys() | HARMLESS)


@pytest.mark.parametrize("word", sorted(REFUSED))
def test_every_dangerous_word_is_refused_anywhere(small_sheet: Maker, word: str) -> None:
    for place in ("preamble", "postamble", "mesh_on"):
        written, bed = with_code(small_sheet, **{place: (word,)})
        assert refusal(written, bed).code in ("envelope-refused-word", "envelope-settings")


# ---------------------------------------------------------------- the mesh correction


def test_outside_the_mesh_the_correction_may_be_missing(small_sheet: Maker) -> None:
    # The purge line lies 10 mm in front of the mesh, whose front edge is 0.2 mm high.
    high_front = np.zeros((5, 5))
    high_front[:2] = 0.2
    sheet = small_sheet()
    for outside, refused in (("off", True), ("unknown", True), ("hold", False), ("extend", False)):
        bed = Bed(mesh=MeshGrid(outside=outside))  # type: ignore[arg-type]
        written = write_gcode(sheet, bed)
        if refused:
            error = refusal(written, bed, mesh_z_mm=high_front)
            assert error.code == "envelope-mesh-clearance"
            # 0.20 mm as commanded, bed 0.20 mm up with no correction, reach 0.08 mm.
            assert "-0.080 mm to the bed" in error.problem
        else:
            check_envelope(written, bed, reach_mm=REACH, mesh_z_mm=high_front)
        # Without the mesh in force its values have no say: the reach covers the bed as it is.
        off = replace(sheet, mesh_active="no")
        check_sheet_gcode(write_gcode(off, bed), off, bed, mesh_z_mm=high_front)


# ---------------------------------------------------------------- any little sheet

PLACE = st.integers(5, 215)
HEIGHT = st.sampled_from([0.13, 0.17, 0.2, 0.24, 0.29])


@st.composite
def strokes(draw: st.DrawFn) -> Stroke:
    count = draw(st.integers(2, 5))
    places = draw(st.lists(st.tuples(PLACE, PLACE), min_size=count, max_size=count, unique=True))
    points = tuple((float(x), float(y), draw(HEIGHT)) for x, y in places)
    areas = draw(st.lists(st.floats(0.08, 0.15), min_size=count - 1, max_size=count - 1))
    return Stroke(part="comb", label="any", xyz_mm=points, area_mm2=tuple(areas), speed_mm_s=25.0)


@settings(max_examples=40, deadline=None)
@given(
    drawn=st.lists(strokes(), min_size=1, max_size=4),
    extruder=st.sampled_from(["relative", "absolute"]),
    retract_mm=st.sampled_from([0.0, 0.8, 5.0]),
    pick=st.randoms(use_true_random=False),
)
def test_any_sheet_passes_and_its_mutants_do_not(
    small_sheet: Maker,
    drawn: list[Stroke],
    extruder: str,
    retract_mm: float,
    pick: object,
) -> None:
    sheet = small_sheet(*drawn)
    bed = Bed(motion=Motion(extruder=extruder, retract_mm=retract_mm))  # type: ignore[arg-type]
    written = write_gcode(sheet, bed)
    check_sheet_gcode(written, sheet, bed)
    lines = written.splitlines()
    extruding = [k for k, line in enumerate(lines) if re.match(r"G1 X.* E", line)]
    victim = pick.choice(extruding)  # type: ignore[attr-defined]
    low = re.sub(r"( Z\S+)? E", " Z0.100 E", lines[victim], count=1)
    aside = re.sub(r"X\S+", "X218.000", lines[victim])
    for mutant in (low, aside):
        broken = "\n".join([*lines[:victim], mutant, *lines[victim + 1 :]]) + "\n"
        with pytest.raises(PadsheetError) as caught:
            check_sheet_gcode(broken, sheet, bed)
        assert f"line {victim + 1} " in caught.value.problem
        assert caught.value.code.startswith("envelope-")
