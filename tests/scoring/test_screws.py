"""Turns of the bed's screws."""

from __future__ import annotations

import numpy as np
import pytest

from padsheet.patterns.bed import Screw
from padsheet.scoring.screws import can_level, moved_plane, screw_turns, turn_mm

# ISO 261 / ISO 262, coarse pitch of the general metric thread, millimetres.
COARSE_PITCH = [("M3", 0.5), ("M4", 0.7), ("M5", 0.8)]
CENTRE = (110.0, 110.0)


def corners(pitch_mm: float = 0.7, **keys: object) -> tuple[Screw, ...]:
    places = {
        "front left": (30, 30),
        "front right": (190, 30),
        "back left": (30, 190),
        "back right": (190, 190),
    }
    return tuple(
        Screw(name=name, x_mm=x, y_mm=y, pitch_mm=pitch_mm, **keys)
        for name, (x, y) in places.items()
    )


def test_published_turns():
    # 45 degrees on M4 and a quarter turn on M3.
    assert turn_mm(0.7, 45 / 360) == pytest.approx(0.0875)
    assert turn_mm(0.5, 1 / 4) == pytest.approx(0.125)


@pytest.mark.parametrize(("thread", "pitch_mm"), COARSE_PITCH)
def test_one_whole_turn_is_one_pitch(thread, pitch_mm):
    # 160 mm between the screws; one pitch up at the right and one down at the left.
    tilt = 2 * pitch_mm / 0.160
    turns = screw_turns(corners(pitch_mm), (tilt, 0.0), centre_mm=CENTRE)
    assert [t.turns for t in turns] == [1.0] * 4, thread
    assert [t.bed_mm for t in turns] == pytest.approx([-pitch_mm, pitch_mm] * 2)


def test_where_the_gap_is_too_large_the_bed_goes_up():
    # Gap grows to the right: up at the right, and with the default thread that is
    # counter-clockwise seen from above.
    turns = {t.screw.name: t for t in screw_turns(corners(), (1.1, 0.0), centre_mm=CENTRE)}
    assert turns["front right"].bed_mm > 0 > turns["front left"].bed_mm
    assert turns["front right"].direction == "counter-clockwise"
    assert turns["front left"].direction == "clockwise"
    assert turns["back right"].text == (
        "Turn the back right screw 1/8 turn counter-clockwise seen from above: "
        "the bed goes up there by 0.087 mm."
    )


def test_direction_follows_the_thread():
    turns = screw_turns(corners(raises="clockwise"), (0.0, -1.1), centre_mm=CENTRE)
    # The gap grows to the front: the front goes up.
    assert [t.direction for t in turns] == ["clockwise"] * 2 + ["counter-clockwise"] * 2


def test_turns_are_eighths_and_nearest():
    rng = np.random.default_rng(2)
    for _ in range(50):
        tilt = tuple(rng.normal(0, 2.0, 2))
        for turn in screw_turns(corners(0.5), tilt, centre_mm=CENTRE):
            assert turn.turns * 8 == round(turn.turns * 8)
            assert abs(turn.bed_mm - turn.wanted_mm) <= 0.5 / 16 + 1e-12


def test_the_middle_keeps_its_height_and_the_tilt_left_is_small():
    tilt = (1.37, -0.52)
    moved = moved_plane(screw_turns(corners(), tilt, centre_mm=CENTRE), centre_mm=CENTRE)
    assert moved[0] == pytest.approx(0.0, abs=1e-12)
    # Half an eighth of a turn at each screw: 0.044 mm over the half distance of 80 mm.
    assert np.abs(np.array(tilt) - moved[1:]).max() <= 0.04375 / 0.080


def test_three_screws_take_a_plane_out_whole():
    three = (*corners()[:2], Screw(name="back", x_mm=110, y_mm=200))
    turns = screw_turns(three, (1.0, 1.0), centre_mm=CENTRE)
    places = np.array([[1, t.screw.x_mm - 110, t.screw.y_mm - 110] for t in turns])
    plane = np.linalg.solve(places, [t.wanted_mm for t in turns])
    assert plane == pytest.approx([0, 1e-3, 1e-3], abs=1e-12)


def test_screws_in_one_line_cannot_level():
    assert can_level(corners())
    assert not can_level(corners()[:2])
    line = tuple(Screw(name=str(k), x_mm=50.0 * k, y_mm=50.0 * k) for k in range(3))
    assert not can_level(line)


def test_a_screw_that_needs_nothing_is_left():
    turns = screw_turns(corners(), (0.0, 0.2), centre_mm=CENTRE)
    assert {t.direction for t in turns} == {"leave"}
    assert turns[0].text == "Leave the front left screw as it is."
