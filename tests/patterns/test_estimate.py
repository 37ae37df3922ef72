from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from padsheet.patterns.bed import Bed, Heat, Motion
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.estimate import estimate
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.sheet import Sheet, Stroke

BED = Bed(motion=Motion(acceleration_mm_s2=100.0, z_mm_s=8.0))


def seconds(*lines: str, bed: Bed = BED) -> float:
    return estimate("\n".join(["M83", *lines]), bed).minutes * 60


def test_trapezoid_from_rest_to_rest() -> None:
    # 10 mm/s at 100 mm/s2: 0.1 s and 0.5 mm on either ramp, 99 mm between them at 10 mm/s.
    assert seconds("G1 X100 E1 F600") == pytest.approx(0.1 + 9.9 + 0.1)
    # Too short for full speed: t = 2 sqrt(s / a).
    assert seconds("G1 X0.25 E1 F600") == pytest.approx(2 * math.sqrt(0.25 / 100))


def test_a_straight_path_in_pieces_takes_as_long_as_in_one() -> None:
    pieces = [f"G1 X{x} E0.1 F600" for x in range(1, 101)]
    assert seconds(*pieces) == pytest.approx(seconds("G1 X100 E10 F600"))


def test_short_pieces_at_the_end_slow_down_in_time() -> None:
    pieces = ["G1 X99.9 E1 F600", "G1 X100 E1"]
    assert seconds(*pieces) == pytest.approx(seconds("G1 X100 E1 F600"))


@pytest.mark.parametrize(("degrees", "stops"), [(10.0, False), (30.0, True), (90.0, True)])
def test_sharp_corners_stop(degrees: float, stops: bool) -> None:
    x, y = 50 + 50 * math.cos(math.radians(degrees)), 50 * math.sin(math.radians(degrees))
    time = seconds("G1 X50 E1 F600", f"G1 X{x:.9f} Y{y:.9f} E1")
    # A stop costs v / a = 0.1 s.
    assert time == pytest.approx(10.1 + (0.1 if stops else 0.0), abs=1e-6)


def test_a_change_of_speed_is_a_ramp() -> None:
    # 50 mm at 10, then 50 mm at 5 mm/s: slowing from 10 to 5 takes 0.05 s and 0.375 mm.
    ramps_mm = 0.5 + 0.375 + 0.125
    assert ramps_mm == 1.0
    wanted = 0.1 + (50 - 0.5 - 0.375) / 10 + 0.05 + (50 - 0.125) / 5 + 0.05
    assert seconds("G1 X50 E1 F600", "G1 X100 E1 F300") == pytest.approx(wanted)


def test_z_moves_at_its_own_speed_and_retractions_count() -> None:
    # 16 mm at no more than 8 mm/s, whatever F says: ramps of 0.08 s and 0.32 mm.
    assert seconds("G1 E0.0001 F1", "G0 Z16 F6000") == pytest.approx(
        0.16 + (16 - 0.64) / 8 + 2 * math.sqrt(1e-4 / 100), abs=2e-2
    )
    drawn_back = seconds("G1 X100 E1 F600", "G1 E-1 F600") - seconds("G1 X100 E1 F600")
    assert drawn_back == pytest.approx(0.1 + 0.1)


def test_extrusion_does_not_flow_into_a_travel() -> None:
    assert seconds("G1 X50 E1 F600", "G0 X100") == pytest.approx(10.1 + 0.1)


def test_grams_of_the_commanded_volume(
    small_sheet: Callable[..., Sheet], small_stroke: Callable[..., Stroke]
) -> None:
    # 0.1 mm2 over 4 x 100 mm are 40 mm3, and 1 mm of priming another 2.405 mm3; PLA has
    # 1.24 g/cm3 (ISO 1183 data sheets).
    lines = [small_stroke(((50, y, 0.2), (150, y, 0.2))) for y in (50, 60, 70, 80)]
    grams = estimate(small_sheet(*lines), Bed()).grams
    assert grams == pytest.approx((40 + math.pi * 0.875**2) * 1.24e-3, abs=1e-6)


def test_heating_and_holding_are_apart(small_sheet: Callable[..., Sheet]) -> None:
    sheet = small_sheet()
    plain = estimate(sheet, Bed(heat=Heat(soak_min=0.0)))
    longer = estimate(sheet, Bed(heat=Heat(soak_min=7.0, hold_min=3.0)))
    assert longer.minutes == pytest.approx(plain.minutes)
    assert longer.heat_minutes - plain.heat_minutes == pytest.approx(7.0)
    assert (plain.hold_minutes, longer.hold_minutes) == (0.0, 3.0)
    cold_bed = estimate(sheet, Bed(heat=Heat(soak_min=0.0, bed_c=0.0)))
    # 60 C from 20 C at 15 C a minute (common practice, no source).
    assert plain.heat_minutes - cold_bed.heat_minutes == pytest.approx(40 / 15)


def test_waits_in_milliseconds() -> None:
    assert estimate("M83\nG4 P3000\nG1 X1 E1 F600", BED).heat_minutes == pytest.approx(0.05)


def test_text_and_sheet_give_the_same(small_sheet: Callable[..., Sheet]) -> None:
    sheet = small_sheet()
    assert estimate(sheet, Bed()) == estimate(write_gcode(sheet, Bed()), Bed())


def test_nothing_extruded_weighs_nothing() -> None:
    assert estimate("G28\nG4 S60", Bed()).grams == 0.0


def test_unreadable_text_is_refused() -> None:
    with pytest.raises(PadsheetError):
        estimate("G1 Xnan", Bed())
