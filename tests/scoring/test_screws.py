"""Turns of the bed's screws."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.optimize import least_squares

from padsheet.patterns.bed import Bed, MeshGrid, Screw
from padsheet.scoring.advice import advise
from padsheet.scoring.plane import grid_xy_mm
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
    screws = corners(pitch_mm, raises="clockwise")
    turns = screw_turns(screws, (tilt, 0.0), centre_mm=CENTRE)
    assert [t.turns for t in turns] == [1.0] * 4, thread
    assert [t.bed_mm for t in turns] == pytest.approx([-pitch_mm, pitch_mm] * 2)
    assert all(" screw 1 turn " in t.text for t in turns)
    twice = screw_turns(screws, (2 * tilt, 0.0), centre_mm=CENTRE)
    assert all(" screw 2 turns " in t.text for t in twice)


def test_where_the_gap_is_too_large_the_bed_goes_up():
    # Gap grows to the right: up at the right, and with a usual thread that is counter-clockwise
    # seen from above.
    screws = corners(raises="counter-clockwise")
    turns = {t.screw.name: t for t in screw_turns(screws, (1.1, 0.0), centre_mm=CENTRE)}
    assert turns["front right"].bed_mm > 0 > turns["front left"].bed_mm
    assert turns["front right"].direction == "counter-clockwise"
    assert turns["front left"].direction == "clockwise"
    assert turns["back right"].text == (
        "Turn the back right screw 1/8 turn counter-clockwise seen from above: "
        "the bed goes up there by 0.087 mm."
    )


def test_no_direction_is_guessed():
    turns = screw_turns(corners(raises="unknown"), (0.0, -1.1), centre_mm=CENTRE)
    assert {t.direction for t in turns} == {"unknown"}
    by_name = {t.screw.name: t.text for t in turns}
    up = "Turn the front left screw 1/8 turn, the way that brings the bed up there, by 0.087 mm."
    assert by_name["front left"] == up
    assert "brings the bed down there" in by_name["back right"]
    assert not any("clockwise" in text for text in by_name.values())


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
    # Nor along a side of the bed.
    assert not can_level(tuple(dataclasses.replace(screw, x_mm=50.0) for screw in line))


def test_a_screw_that_needs_nothing_is_left():
    turns = screw_turns(corners(), (0.0, 0.2), centre_mm=CENTRE)
    assert {t.direction for t in turns} == {"leave"}
    assert turns[0].text == "Leave the front left screw as it is."


def fitted_by_scipy(xy_mm: np.ndarray, error_mm: np.ndarray) -> np.ndarray:
    """Fit height and slopes with SciPy's least squares, which knows nothing of `plane`."""

    def left(plane: np.ndarray) -> np.ndarray:
        return error_mm - plane[0] - (xy_mm - 110) @ plane[1:]

    return least_squares(left, np.zeros(3), x_scale=[0.1, 1e-3, 1e-3], xtol=1e-14).x


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("pitch_mm", [0.5, 0.7, 0.8])
def test_screws_and_mesh_share_the_work_as_an_independent_fit_does(score_of, seed, pitch_mm):
    rng = np.random.default_rng([seed, 3])
    grid = MeshGrid()
    xy_mm = grid_xy_mm(grid)
    slopes = rng.uniform(1.0, 1.5, 2) * rng.choice([-1, 1], 2) / 1000
    warp_mm = 0.03 * np.sin((xy_mm @ rng.normal(0, 1, 2)) / 60)
    error_mm = (xy_mm - 110) @ slopes + warp_mm
    screws = corners(pitch_mm)
    score = score_of(grid, 0.2 + error_mm, sigma_mm=0.001, common_sigma_mm=0.001)
    advice = advise(score, Bed(mesh=grid, screws=screws), mesh=None)
    assert advice.work == "screws"
    plane = fitted_by_scipy(xy_mm, error_mm)
    assert advice.tilt_mm_per_m == pytest.approx(1000 * plane[1:], abs=0.01)
    # The screws take the plane, to half an eighth of a turn; the mesh keeps all of the rest.
    for screw, turn in zip(screws, advice.screws, strict=True):
        wanted_mm = plane[1:] @ (np.array([screw.x_mm, screw.y_mm]) - 110)
        assert abs(turn.bed_mm - wanted_mm) <= pitch_mm / 16 + 0.002
        assert abs(turn.bed_mm) == pytest.approx(turn.turns * pitch_mm)
    rest_mm = error_mm - plane[0] - (xy_mm - 110) @ plane[1:]
    assert advice.warp_peak_to_valley_mm == pytest.approx(np.ptp(rest_mm), abs=0.005)
    assert not any(node.changed for node in advice.nodes)


def test_what_four_screws_leave_is_what_an_independent_fit_leaves():
    """Rounded turns lie in no plane; the plate follows their least-squares plane."""
    rng = np.random.default_rng(5)
    for _ in range(20):
        turns = screw_turns(corners(), tuple(rng.normal(0, 1.5, 2)), centre_mm=CENTRE)
        places = np.array([[t.screw.x_mm, t.screw.y_mm] for t in turns])
        plane = fitted_by_scipy(places, np.array([t.bed_mm for t in turns]))
        moved = moved_plane(turns, centre_mm=CENTRE)
        assert moved == pytest.approx([plane[0], 1000 * plane[1], 1000 * plane[2]], abs=1e-6)
