from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from types import ModuleType

import gcodeparser
import numpy as np
import pytest

from padsheet.patterns.bead import area_mm2
from padsheet.patterns.bed import Bed, Code, Heat, Motion, Nozzle, Plate, Rectangle
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.sheet import Sheet, Stroke

Maker = Callable[..., Sheet]
Strokes = Callable[..., Stroke]


def code_lines(text: str) -> list[str]:
    return [line.split(";")[0].strip() for line in text.splitlines() if line.split(";")[0].strip()]


def test_filament_of_the_known_bead() -> None:
    # Filament of 1.75 mm: 2.40528 mm2. A bead 0.45 wide and 0.20 high has 0.081416 mm2 and takes
    # 0.033849 mm of filament per mm (worked out from the circle and the stadium).
    assert Nozzle().filament_area_mm2 == pytest.approx(2.40528, abs=5e-6)
    assert float(area_mm2(0.45, 0.2)) / Nozzle().filament_area_mm2 == pytest.approx(
        0.033849, abs=5e-7
    )


def test_e_words_of_the_known_bead(small_sheet: Maker, small_stroke: Strokes) -> None:
    line = small_stroke(((50, 50, 0.2), (150, 50, 0.2)), area_mm2=float(area_mm2(0.45, 0.2)))
    text = write_gcode(small_sheet(line), Bed())
    assert "G1 X150.000 Y50.000 E3.38488 F1500" in text


def volumes_mm3(text: str, absolute: bool) -> list[float]:
    """Volume of each stroke, read by a reader that is not ours."""
    volumes, fed = [0.0], 0.0
    for line in gcodeparser.parse_gcode_lines(text):
        if line.command == ("G", 92):
            fed = 0.0
        if line.command == ("G", 1) and "E" in line.params:
            e = float(line.params["E"])
            amount, fed = (e - fed, e) if absolute else (e, 0.0)
            if "X" in line.params:
                volumes[-1] += amount * math.pi * (1.75 / 2) ** 2
            elif volumes[-1]:
                volumes.append(0.0)
    return volumes[:-1]


@pytest.mark.parametrize("extruder", ["relative", "absolute"])
def test_commanded_volume_is_the_volume_of_the_strokes(small_sheet: Maker, extruder: str) -> None:
    sheet = small_sheet()
    bed = Bed(motion=Motion(extruder=extruder))  # type: ignore[arg-type]
    wanted = [
        sum(
            area * math.dist(a, b)
            for area, a, b in zip(s.area_mm2, s.xyz_mm, s.xyz_mm[1:], strict=False)
        )
        for s in sheet.strokes
    ]
    # The last decimal of E is 1e-5 mm: 2.4e-5 mm3 for each stroke, errors do not add up.
    assert volumes_mm3(write_gcode(sheet, bed), extruder == "absolute") == pytest.approx(
        wanted, abs=3e-5
    )


@pytest.mark.parametrize("extruder", ["relative", "absolute"])
def test_the_virtual_printer_lays_the_strokes(
    small_sheet: Maker, virtual: ModuleType, extruder: str
) -> None:
    bed = Bed(motion=Motion(extruder=extruder))  # type: ignore[arg-type]
    sheet = small_sheet()
    laid = virtual.read_gcode(write_gcode(sheet, bed))
    wanted = [
        (*a, *b, area * math.dist(a, b) / bed.nozzle.filament_area_mm2)
        for s in sheet.strokes
        for area, a, b in zip(s.area_mm2, s.xyz_mm, s.xyz_mm[1:], strict=False)
    ]
    found = [(*p.start, *p.end, p.filament_mm) for p in laid]
    assert np.array(found) == pytest.approx(np.array(wanted), abs=2e-5)


def test_rounding_of_many_short_pieces_does_not_add_up(
    small_sheet: Maker, small_stroke: Strokes
) -> None:
    points = tuple((50 + 0.013 * k, 50.0, 0.2) for k in range(1001))
    text = write_gcode(small_sheet(small_stroke(points)), Bed())
    assert volumes_mm3(text, absolute=False) == pytest.approx([13.0 * 0.1], abs=3e-5)


def test_same_sheet_same_text(small_sheet: Maker) -> None:
    assert write_gcode(small_sheet(), Bed()) == write_gcode(small_sheet(), Bed())


def test_order_of_the_beginning(small_sheet: Maker) -> None:
    code = Code(preamble=("M300 S440 P50",), home=("G28 X Y", "G28 Z"), mesh_on=("M420 S1",))
    lines = code_lines(write_gcode(small_sheet(), Bed(code=code, heat=Heat(soak_min=1.5))))
    states = ["G21", "G90", "M83", "M220 S100", "M221 S100", "M107", "G92 E0"]
    assert lines[:7] == states
    rest = lines[7:]
    assert rest[:1] == ["M300 S440 P50"]
    assert rest[1:8] == states
    assert rest[8:12] == ["M140 S60", "M190 S60", "G4 S60", "G4 S30"]
    assert rest[12:15] == ["G91", "G0 Z5.000 F480", "G90"]
    assert rest[15:18] == ["G28 X Y", "G28 Z", "M420 S1"]
    assert rest[18:25] == states
    assert rest[25:28] == ["G0 Z10.000 F480", "G0 X30.000 Y10.000 F7200", "G0 Z0.840 F480"]
    assert rest[28:32] == ["M104 S210", "M109 S210", "G92 E0", "G0 Z0.200 F480"]
    # The last print left the filament drawn back.
    assert rest[32] == "G1 E1.00000 F1800"


def test_settings_are_never_loaded(small_sheet: Maker) -> None:
    words = {line.split()[0] for line in code_lines(write_gcode(small_sheet(), Bed()))}
    assert not words & {"M500", "M501", "M502"}


def test_between_strokes_the_nozzle_is_lifted_and_the_filament_drawn_back(
    small_sheet: Maker,
) -> None:
    text = write_gcode(small_sheet(), Bed())
    assert (
        "; comb at 100\n"
        "G1 E-1.00000 F1800\n"
        "G0 Z0.840 F480\n"  # highest nozzle height 0.24 and the lift of 0.6
        "G0 X100.000 Y90.000 F7200\n"
        "G0 Z0.240 F480\n"
        "G1 E1.00000 F1800\n"
        "G92 E0\n"
        "G1 X100.000 Y110.000 E0.83150 F1500\n"
        "G1 X102.000 Y110.000 Z0.200 E0.08317\n"
    ) in text


def test_a_stroke_that_goes_on_where_the_last_ended_needs_no_travel(
    small_sheet: Maker, small_stroke: Strokes
) -> None:
    first = small_stroke(((50, 50, 0.2), (60, 50, 0.2)))
    second = small_stroke(((60, 50, 0.2), (60, 50, 0.2), (70, 50, 0.2)))
    text = write_gcode(small_sheet(first, second), Bed())
    after = text.split("; comb at 60\n")[1].splitlines()
    assert after[:2] == ["G92 E0", "G1 X70.000 Y50.000 E0.41575 F1500"]


def test_a_slow_lift_slows_the_turn_that_changes_the_height(small_sheet: Maker) -> None:
    # 0.04 mm down over 2 mm at 25 mm/s would be 0.5 mm/s along Z.
    text = write_gcode(small_sheet(), Bed(motion=Motion(z_mm_s=0.2)))
    assert (
        "G1 X100.000 Y110.000 E0.83150 F1500\n"
        "G1 X102.000 Y110.000 Z0.200 E0.08317 F600\n"  # 2.0004 mm in 0.2 s
        "G1 X102.000 Y90.000 E0.83150 F1500\n"
    ) in text


def test_no_retraction_where_the_profile_has_none(small_sheet: Maker) -> None:
    text = write_gcode(small_sheet(), Bed(motion=Motion(retract_mm=0.0)))
    assert not re.search(r"^G1 E", text, re.MULTILINE)


def test_travels_over_clips_are_raised(small_sheet: Maker) -> None:
    clip = Rectangle(x_min_mm=75, y_min_mm=40, x_max_mm=95, y_max_mm=60)
    heights = {
        keep_out: re.findall(
            r"G0 Z(\S+) F480\nG0 X100",
            write_gcode(small_sheet(), Bed(plate=Plate(keep_out=keep_out))),
        )
        for keep_out in ((), (clip,))
    }
    assert heights == {(): ["0.840"], (clip,): ["10.000"]}


def test_the_end_leaves_the_printer_cold_and_clear(small_sheet: Maker) -> None:
    bed = Bed(heat=Heat(hold_min=1.25), code=Code(postamble=("M84",)))
    lines = code_lines(write_gcode(small_sheet(), bed))
    assert lines[-9:] == [
        "G1 E-1.00000 F1800",
        "G0 Z40.840 F480",
        "M104 S0",
        "G0 X3.000 Y217.000 F7200",
        "G4 S60",
        "G4 S15",
        "M140 S0",
        "M107",
        "M84",
    ]


def test_a_wait_of_whole_minutes_has_no_piece_too_many(small_sheet: Maker) -> None:
    lines = code_lines(write_gcode(small_sheet(), Bed(heat=Heat(soak_min=0.0, hold_min=2.0))))
    assert [line for line in lines if line.startswith("G4")] == ["G4 S60", "G4 S60"]


def test_the_file_speaks_of_holding_warm_only_where_it_does(small_sheet: Maker) -> None:
    held, not_held = (
        write_gcode(small_sheet(), Bed(heat=Heat(hold_min=minutes))) for minutes in (2.0, 0.0)
    )
    assert "; the bed is held warm for 2 minutes" in held
    assert "held warm" not in not_held


def test_the_park_is_below_the_top_and_on_the_round_plate(small_sheet: Maker) -> None:
    plate = Plate(shape="round", origin="centre")
    strokes = tuple(
        replace(s, xyz_mm=tuple((x - 110, y - 60, z) for x, y, z in s.xyz_mm))
        for s in small_sheet().strokes
    )
    bed = Bed(plate=plate, motion=Motion(z_top_mm=30.0))
    text = write_gcode(small_sheet(*strokes), bed)
    assert "G0 Z30.000 F480\nM104 S0\nG0 X0.000 Y107.000 F7200\n" in text


def test_an_unheated_bed_gets_no_bed_words(small_sheet: Maker) -> None:
    bed = Bed(heat=Heat(bed_c=0.0, hold_min=5.0))
    words = {line.split()[0] for line in code_lines(write_gcode(small_sheet(), bed))}
    assert not words & {"M140", "M190", "G4"}


@pytest.mark.parametrize(
    ("active", "mesh_on", "found"),
    [
        ("yes", ("M420 S1",), ["M420 S1"]),
        ("unknown", ("M420 S1",), ["M420 S1"]),
        ("no", ("M420 S1",), ["M420 S0"]),
        ("no", ("MESH ON",), []),
        ("yes", (), []),
    ],
)
def test_mesh_is_switched_as_the_sheet_says(
    small_sheet: Maker, active: str, mesh_on: tuple[str, ...], found: list[str]
) -> None:
    text = write_gcode(small_sheet(mesh_active=active), Bed(code=Code(mesh_on=mesh_on)))
    assert [ln for ln in code_lines(text) if ln.startswith(("M420", "MESH"))] == found


def test_header_tells_the_sheet_and_the_cautions(small_sheet: Maker) -> None:
    sheet = small_sheet()
    areas = [area for stroke in sheet.strokes for area in stroke.area_mm2]
    header = write_gcode(sheet, Bed()).split("G21")[0]
    for words in (
        "pad sheet abc123, number 3",
        "220 x 220 mm",
        "bore 0.4 mm",
        "nozzle 210 C, bed 60 C",
        "-0.080 to +0.080 mm",
        "0.200 to 0.240 mm",
        f"bead areas: {min(areas):.4f} to {max(areas):.4f} mm2",
        "hot enough to burn",
        "stay with the printer",
        "crash into the bed",
        "parts move",
        "manual comes first",
    ):
        assert words in header
    assert all(line.startswith("; ") for line in header.splitlines())


def test_comments_are_no_longer_than_a_terminal_is_wide(small_sheet: Maker) -> None:
    bed = Bed(plate=Plate(name="spring steel with a name that goes on " * 3))
    text = write_gcode(small_sheet(), bed)
    assert max(map(len, text.splitlines())) <= 80
    head = " ".join(line.lstrip("; ") for line in text.splitlines()[:20])
    assert f"bed: {bed.plate.name.strip()}" in head
    assert code_lines(text) == code_lines(write_gcode(small_sheet(), Bed()))


def test_header_tells_of_lifted_pads(small_sheet: Maker) -> None:
    pad = small_sheet().pads[0]
    pads = (pad, replace(pad, i=0, lift_mm=0.04))
    text = write_gcode(small_sheet(pads=pads), Bed())
    assert "; self-check: 1 pads are printed 0.040 mm higher\n" in text
    assert "self-check" not in write_gcode(small_sheet(), Bed())


def test_no_command_can_hide_in_a_label(small_sheet: Maker, small_stroke: Strokes) -> None:
    line = replace(small_stroke(((50, 50, 0.2), (60, 50, 0.2))), label="a\nM112\r\u2028M112")
    text = write_gcode(small_sheet(line), Bed(plate=Plate(name="p\nM112")))
    assert text.isascii()
    assert not any(ln.startswith("M112") for ln in text.splitlines())


def test_no_negative_zero(small_sheet: Maker, small_stroke: Strokes) -> None:
    line = small_stroke(((-0.0001, -0.0, 0.2), (-5, -0.0002, 0.2)))
    text = write_gcode(small_sheet(line), Bed(plate=Plate(origin="centre")))
    assert not re.search(r"-0\.0+\b", text)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"xyz_mm": ((1.0, 1.0, 0.2),), "area_mm2": ()}, "1 points and 0 areas"),
        ({"area_mm2": (0.1, 0.1)}, "2 points and 2 areas"),
        ({"xyz_mm": ((1.0, 1.0, 0.2), (math.nan, 1.0, 0.2))}, "not finite"),
        ({"speed_mm_s": math.inf}, "not finite"),
        ({"area_mm2": (0.0,)}, "not above zero"),
        ({"speed_mm_s": 0.0}, "not above zero"),
        ({"xyz_mm": ((50.0, 50.0, 0.2), (50.0, 50.0, 0.3))}, "changes its height in one place"),
    ],
)
def test_strokes_that_cannot_be_printed_are_refused(
    small_sheet: Maker, small_stroke: Strokes, changes: dict[str, object], words: str
) -> None:
    stroke = replace(small_stroke(((50, 50, 0.2), (60, 50, 0.2))), **changes)  # type: ignore[arg-type]
    with pytest.raises(PadsheetError, match=words) as caught:
        write_gcode(small_sheet(stroke), Bed())
    assert caught.value.code == "gcode-stroke"


def test_a_sheet_without_strokes_is_refused(small_sheet: Maker) -> None:
    with pytest.raises(PadsheetError) as caught:
        write_gcode(replace(small_sheet(), strokes=()), Bed())
    assert caught.value.code == "gcode-no-strokes"
