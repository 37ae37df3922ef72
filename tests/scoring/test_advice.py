"""What is advised after one sheet."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, Edits, MeshGrid, Motion, Screw, Target
from padsheet.scoring.advice import advise
from padsheet.scoring.fusion import RoundRecord, first_state, fuse_rounds, update
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.phrases import listed
from padsheet.scoring.proof import Proof
from padsheet.scoring.squish import Reason
from padsheet.scoring.todo import todo
from padsheet.scoring.words import adjustment

GRID = MeshGrid()
BED = Bed(mesh=GRID)
SCREWS = tuple(
    Screw(name=f"{end} {side}", x_mm=x, y_mm=y)
    for end, y in (("front", 30.0), ("back", 190.0))
    for side, x in (("left", 30.0), ("right", 190.0))
)
U = np.linspace(-1, 1, 5)
#: Neither offset nor tilt: a saddle of two waves.
WARP = np.outer(np.cos(np.pi * U), np.cos(np.pi * U))
WARP = WARP - WARP.mean()
NOTHING = np.zeros(25)


def dz_of(advice) -> np.ndarray:
    return np.array([node.dz_mm for node in advice.nodes]).reshape(5, 5)


def one_node(value_mm: float, i: int = 2, j: int = 1) -> np.ndarray:
    error = np.zeros((5, 5))
    error[j, i] = value_mm
    return error


def test_a_lone_node_is_lowered_by_what_its_gap_is_too_large(score_of):
    advice = advise(score_of(GRID, 0.2 + one_node(0.06)), BED, mesh=None)
    assert advice.work == "mesh"
    assert dz_of(advice) == pytest.approx(one_node(-0.06))
    assert [node.changed for node in advice.nodes].count(True) == 1
    assert advice.steps[0].text == (
        "Send the mesh edits: lower the nozzle at 1 grid point by up to 0.06 mm; the largest is to "
        "lower the nozzle by 0.06 mm at column 3, row 2."
    )
    assert not advice.done


def test_a_lone_node_too_near_is_raised(score_of):
    advice = advise(score_of(GRID, 0.2 + one_node(-0.07)), BED, mesh=None)
    assert dz_of(advice) == pytest.approx(one_node(0.07))
    assert "raise the nozzle at 1 grid point" in advice.steps[0].text


def test_new_values_are_old_values_and_edits(score_of):
    mesh = Mesh(grid=GRID, z_mm=np.arange(25.0).reshape(5, 5) / 100)
    advice = advise(score_of(GRID, 0.2 + one_node(0.06)), BED, mesh=mesh)
    new = np.array([node.new_mm for node in advice.nodes]).reshape(5, 5)
    assert new == pytest.approx(mesh.z_mm + one_node(-0.06))


def test_a_flat_bed_is_done(score_of):
    rng = np.random.default_rng(1)
    advice = advise(score_of(GRID, 0.2 + rng.normal(0, 0.006, 25)), BED, mesh=None)
    assert (advice.work, advice.done) == ("nothing", True)
    assert not dz_of(advice).any()


def test_a_common_offset_is_one_number_and_no_node_chases_it(score_of):
    advice = advise(score_of(GRID, np.full(25, 0.26)), BED, mesh=None)
    assert (advice.work, advice.set_offset, advice.warp_done) == ("offset", True, True)
    assert advice.common_mm == pytest.approx(0.06, abs=0.002)
    assert not dz_of(advice).any()
    assert advice.offset_mm == pytest.approx(-0.06, abs=0.002)
    told = next(step.text for step in advice.steps if step.kind == "offset")
    assert told.startswith("Lower the nozzle everywhere by 0.06 mm by hand")


def test_an_unsure_common_offset_is_set_in_part(score_of):
    advice = advise(score_of(GRID, np.full(25, 0.26), common_sigma_mm=0.03), BED, mesh=None)
    told = next(step.text for step in advice.steps if step.kind == "offset")
    lowered_mm = -advice.offset_mm
    assert 0.01 < lowered_mm < advice.common_mm - 0.005
    assert told.startswith(f"Lower the nozzle everywhere by {lowered_mm:.2f} mm by hand")
    assert "mm too far, +-0.06 mm (95 %); the next sheet decides the rest" in told


@pytest.mark.parametrize("common_sigma_mm", [0.002, 0.01, 0.02, 0.04])
@pytest.mark.parametrize("shared_mm", [-0.08, -0.05, 0.05, 0.08])
def test_the_nozzle_is_lowered_to_the_tolerance_and_no_nearer(score_of, shared_mm, common_sigma_mm):
    """At the 95 % bound the common part is left no nearer than its tolerance."""
    score = score_of(GRID, np.full(25, 0.2 + shared_mm), common_sigma_mm=common_sigma_mm)
    advice = advise(score, BED, mesh=None)
    nearest_mm = advice.common_mm + advice.offset_mm - 1.96 * advice.offset_sigma_mm
    if shared_mm > 0:
        wholly = 1.96 * advice.offset_sigma_mm <= BED.target.offset_tolerance_mm
        assert nearest_mm >= -BED.target.offset_tolerance_mm - 1e-9
        assert (advice.offset_mm == pytest.approx(-advice.common_mm)) == wholly
        assert wholly or nearest_mm < -BED.target.offset_tolerance_mm + 0.0101
    else:
        assert advice.offset_mm == pytest.approx(-advice.common_mm)
    assert advice.set_offset == (abs(advice.offset_mm) >= BED.edits.smallest_mm)


def test_a_clear_warp_within_tolerance_goes_with_the_offset(score_of):
    """Another sheet is printed in any case; with the offset right, it is left alone."""
    error = one_node(0.021) - one_node(0.021).mean()
    sure = {"sigma_mm": 0.003, "common_sigma_mm": 0.003}
    off = advise(score_of(GRID, 0.26 + error, **sure), BED, mesh=None)
    assert (off.work, off.set_offset, off.warp_done) == ("mesh", True, True)
    assert dz_of(off)[1, 2] == pytest.approx(-0.02)
    done = advise(score_of(GRID, 0.2 + error, **sure), BED, mesh=None)
    assert (done.work, done.done) == ("nothing", True)
    # The offset is in, but not surely: another sheet is printed, and the edit goes before it.
    unsure = advise(
        score_of(GRID, 0.2 + error, sigma_mm=0.003, common_sigma_mm=0.02), BED, mesh=None
    )
    assert (unsure.work, unsure.offset_done, unsure.set_offset) == ("mesh", False, False)


def test_without_an_offset_style_the_nodes_take_the_common_part(score_of):
    bed = dataclasses.replace(BED, edits=Edits(offset_style="none"))
    advice = advise(score_of(GRID, np.full(25, 0.26)), bed, mesh=None)
    assert (advice.work, advice.set_offset) == ("mesh", False)
    assert dz_of(advice) == pytest.approx(np.full((5, 5), -0.06))


def test_where_nodes_take_the_common_part_a_pad_off_scale_is_lowered_by_its_proof(score_of):
    bed = dataclasses.replace(BED, edits=Edits(offset_style="none"))
    score = score_of(GRID, np.full(25, 0.25), bounds={(2, 1): (0.29, None)})
    node = advise(score, bed, mesh=None).nodes[7]
    # Bound less target less half a 95 % interval of a usual pad, rounded towards no change.
    assert node.dz_mm == pytest.approx(-0.07)
    assert "only by what is proven" in node.note


@pytest.mark.parametrize(("shared_mm", "side"), [(0.012, "far"), (-0.012, "near")])
def test_edits_that_leave_the_common_part_say_so(score_of, shared_mm, side):
    gaps = 0.2 + shared_mm + 0.06 * WARP
    advice = advise(score_of(GRID, gaps, common_sigma_mm=0.005), BED, mesh=None)
    assert (advice.work, advice.set_offset, advice.offset_done) == ("mesh", False, True)
    told = next(step.text for step in advice.steps if "shape of the bed" in step.text)
    assert f"0.012 mm too {side}; that is within tolerance and is left" in told
    # Not where the nodes take it, and not where it does not show.
    bed = dataclasses.replace(BED, edits=Edits(offset_style="none"))
    for other in (
        advise(score_of(GRID, gaps, common_sigma_mm=0.005), bed, mesh=None),
        advise(score_of(GRID, 0.2 + 0.06 * WARP, common_sigma_mm=0.005), BED, mesh=None),
    ):
        assert other.work == "mesh"
        assert not any("shape of the bed" in step.text for step in other.steps)


def test_warp_and_offset_are_told_apart(score_of):
    advice = advise(score_of(GRID, 0.24 + 0.06 * WARP), BED, mesh=None)
    assert (advice.work, advice.set_offset) == ("mesh", True)
    assert advice.common_mm == pytest.approx(0.04, abs=0.004)
    assert dz_of(advice) == pytest.approx(-0.06 * WARP, abs=0.008)
    assert advice.tilt_mm_per_m == pytest.approx((0, 0), abs=0.01)
    assert advice.warp_peak_to_valley_mm == pytest.approx(0.06 * np.ptp(WARP), abs=0.008)


def test_the_split_agrees_with_least_squares(score_of):
    x, y = np.meshgrid(GRID.x_mm - 110, GRID.y_mm - 110)
    error = 0.02 + 0.0004 * x - 0.0002 * y + 0.02 * WARP
    advice = advise(
        score_of(GRID, 0.2 + error, sigma_mm=0.001, common_sigma_mm=0.001), BED, mesh=None
    )
    design = np.column_stack([np.ones(25), x.ravel() / 1000, y.ravel() / 1000])
    offset, slope_x, slope_y = np.linalg.lstsq(design, error.ravel(), rcond=None)[0]
    assert advice.common_mm == pytest.approx(offset, abs=3e-4)
    assert advice.tilt_mm_per_m == pytest.approx((slope_x, slope_y), abs=5e-3)


def test_stated_sigmas_are_the_real_scatter(score_of):
    rng = np.random.default_rng(2)
    offsets, tilts, stated = [], [], None
    for _ in range(200):
        noise = rng.normal(0, 0.006, 25) + rng.normal(0, 0.007)
        stated = advise(score_of(GRID, 0.2 + noise), BED, mesh=None)
        offsets.append(stated.common_mm)
        tilts.append(stated.tilt_mm_per_m[0])
    # A standard deviation from 200 draws is good to 5 %.
    assert np.std(offsets) == pytest.approx(stated.offset_sigma_mm, rel=0.15)
    assert np.std(tilts) == pytest.approx(stated.tilt_sigma_mm_per_m[0], rel=0.15)


def tilted(score_of, along_x: float, along_y: float = 0.0, **keys):
    x, y = np.meshgrid(GRID.x_mm - 110, GRID.y_mm - 110)
    return score_of(GRID, 0.2 + (along_x * x + along_y * y) / 1000, **keys)


def test_a_large_tilt_goes_to_the_screws_first(score_of):
    bed = dataclasses.replace(BED, screws=SCREWS)
    advice = advise(tilted(score_of, 1.1), bed, mesh=None)
    assert advice.work == "screws"
    assert [screw.name for screw in advice.screws] == [screw.name for screw in SCREWS]
    assert [screw.bed_mm for screw in advice.screws] == pytest.approx([-0.0875, 0.0875] * 2)
    assert not any(node.changed for node in advice.nodes)
    assert {node.note for node in advice.nodes} == {"held back: the screws come first"}
    assert advice.twist_mm == pytest.approx(0, abs=0.002)
    text = " ".join(step.text for step in advice.steps)
    assert "the gap grows by 0.11 mm to the right over 100 mm" in text
    assert "with the mesh unchanged" in text
    assert "per m " not in text
    assert "of tilt over the whole mesh is left for the mesh to take" in text
    # What is nothing to do is no step.
    told = todo(advice, Path(), proved=True, mesh_known=True)
    doing = [step.text for step in told if not step.fact]
    assert doing[-1].startswith("Then print")
    assert not any("is left" in text for text in doing)
    # A hand turns no screw to a hundredth.
    assert "Then print a sheet with --reach first" in text


@pytest.mark.parametrize("raises", ["unknown", "clockwise"])
def test_a_direction_that_nobody_knows_is_to_be_looked_for(score_of, raises):
    screws = tuple(dataclasses.replace(screw, raises=raises) for screw in SCREWS)
    bed = dataclasses.replace(BED, screws=screws)
    told = " ".join(step.text for step in advise(tilted(score_of, 1.1), bed, mesh=None).steps)
    unknown = raises == "unknown"
    # The knobs named are all those that are to be turned.
    knobs = f"each of the knobs {listed([screw.name for screw in SCREWS])}"
    asked = f"Which turn raises the bed is not known: turn {knobs} a little"
    assert (asked in told) is unknown
    assert ("turn on from there, or back" in told) is unknown
    assert ("seen from above" in told) is not unknown
    assert "raises" in told


def test_without_screws_the_mesh_carries_the_tilt(score_of):
    advice = advise(tilted(score_of, 1.1), BED, mesh=None)
    assert advice.work == "mesh"
    x = (GRID.x_mm - 110) / 1000
    assert dz_of(advice) == pytest.approx(np.tile(-1.1 * x, (5, 1)), abs=0.008)
    assert advice.screws == ()
    assert advice.twist_mm is None


def test_a_tilt_that_turns_may_not_halve_is_left_to_the_mesh_with_the_reason(score_of):
    screws = tuple(dataclasses.replace(screw, pitch_mm=0.8) for screw in SCREWS)
    advice = advise(tilted(score_of, 0.62), dataclasses.replace(BED, screws=screws), mesh=None)
    text = " ".join(step.text for step in advice.steps)
    assert advice.work == "mesh"
    assert "The tilt, 0.11 mm over the whole mesh, is left to the mesh" in text
    assert "need no turning" not in text
    without = advise(tilted(score_of, 0.62), BED, mesh=None)
    assert "is left to the mesh" not in " ".join(step.text for step in without.steps)


def test_a_small_tilt_stays_with_the_mesh(score_of):
    bed = dataclasses.replace(BED, screws=SCREWS)
    assert advise(tilted(score_of, 0.4), bed, mesh=None).work == "mesh"


@pytest.mark.parametrize(("along_x", "along_y"), [(0.30, 0.31), (0.62, 0.05), (0.05, 0.62)])
def test_what_a_hand_may_leave_is_not_worth_a_turn(score_of, along_x, along_y):
    # 0.11 mm over the mesh: an eighth of a turn or the hand's sixteenth may leave as much.
    bed = dataclasses.replace(BED, screws=SCREWS)
    assert advise(tilted(score_of, along_x, along_y), bed, mesh=None).work == "mesh"


def test_a_tilt_that_may_be_noise_turns_no_screw(score_of):
    """0.18 mm over the mesh, read to 0.08: turning would begin the history anew for nothing."""
    bed = dataclasses.replace(BED, screws=SCREWS)
    assert advise(tilted(score_of, 1.1, sigma_mm=0.1), bed, mesh=None).work == "mesh"
    assert advise(tilted(score_of, 1.1, sigma_mm=0.05), bed, mesh=None).work == "screws"


def test_a_tilt_under_a_tenth_is_the_meshs_however_tight_the_tolerance(score_of):
    fine = tuple(dataclasses.replace(screw, pitch_mm=0.3) for screw in SCREWS)
    bed = dataclasses.replace(BED, screws=fine, target=Target(tolerance_mm=0.01))
    assert advise(tilted(score_of, 0.5, sigma_mm=0.003), bed, mesh=None).work == "mesh"
    assert advise(tilted(score_of, 0.6, sigma_mm=0.003), bed, mesh=None).work == "screws"


def test_twist_is_named_with_four_screws(score_of):
    bed = dataclasses.replace(BED, screws=SCREWS)
    x, y = np.meshgrid(U, U)
    advice = advise(score_of(GRID, 0.2 + 0.09 * x + 0.03 * x * y), bed, mesh=None)
    assert advice.work == "screws"
    assert advice.twist_mm == pytest.approx(0.06, abs=0.004)
    assert any("twist of 0.06" in step.text for step in advice.steps)


@pytest.mark.parametrize("smallest_mm", [0.01, 0.025, 0.005])
def test_edits_are_multiples_of_the_smallest(score_of, smallest_mm):
    bed = dataclasses.replace(BED, edits=Edits(smallest_mm=smallest_mm))
    dz = dz_of(advise(score_of(GRID, 0.2 + 0.07 * WARP), bed, mesh=None))
    assert dz / smallest_mm == pytest.approx(np.round(dz / smallest_mm), abs=1e-6)
    assert np.abs(dz + 0.07 * WARP).max() < smallest_mm / 2 + 0.007


def test_what_is_within_the_noise_is_left_alone(score_of):
    error = one_node(0.06) + one_node(0.008, 4, 4)
    score = score_of(GRID, 0.2 + error, sigma_mm=0.009)
    node = advise(score, BED, mesh=None).nodes[24]
    assert (node.dz_mm, node.changed) == (0.0, False)
    assert node.note == "within the noise of the measurement"
    assert node.sigma_mm == pytest.approx(0.009, abs=0.001)


def test_edits_are_clamped_to_the_largest(score_of):
    bed = dataclasses.replace(BED, edits=Edits(largest_mm=0.05))
    advice = advise(score_of(GRID, 0.2 + one_node(0.12)), bed, mesh=None)
    assert dz_of(advice) == pytest.approx(one_node(-0.05))
    assert advice.nodes[7].note == "limited to 0.05 mm in one round"
    assert any("another round takes the rest" in step.text for step in advice.steps)


def test_an_unread_pad_blocks_done_and_is_named(score_of):
    advice = advise(score_of(GRID, np.full(25, 0.2), unread=[(3, 0)]), BED, mesh=None)
    assert not advice.done
    assert advice.offset_done
    assert not advice.warp_done
    assert any("1 grid point not read (column 4, row 1)" in step.text for step in advice.steps)


def test_a_node_read_on_an_earlier_sheet_of_the_epoch_does_not_block(score_of):
    state = update(first_state(GRID), score_of(GRID, np.full(25, 0.2)))
    later = score_of(GRID, np.full(25, 0.2), unread=[(3, 0)])
    assert advise(later, BED, mesh=None, state=update(state, later)).done


def test_a_node_without_a_pad_does_not_block_but_is_named(score_of):
    grid = dataclasses.replace(GRID, skip=((0, 0),))
    bed = Bed(mesh=grid)
    advice = advise(score_of(grid, np.full(25, 0.2)), bed, mesh=None)
    assert advice.done
    assert advice.nodes[0].inferred
    assert any("1 grid point without a pad: inferred" in step.text for step in advice.steps)


def test_not_sure_enough_is_not_done(score_of):
    # Every point on target, but read to 0.02 mm only: 0.03 is not shown with 95 % confidence.
    advice = advise(score_of(GRID, np.full(25, 0.2), sigma_mm=0.02), BED, mesh=None)
    assert (advice.work, advice.done, advice.offset_done) == ("nothing", False, True)
    assert any("not yet sure enough" in step.text for step in advice.steps)


def test_offset_has_its_own_tolerance(score_of):
    score = score_of(GRID, np.full(25, 0.235))
    wide = dataclasses.replace(BED, target=Target(offset_tolerance_mm=0.06))
    assert not advise(score, BED, mesh=None).offset_done
    assert advise(score, wide, mesh=None).done


def test_few_pads_are_no_ground_for_edits(score_of):
    unread = [node for node in GRID.nodes if node not in ((0, 0), (4, 4))]
    advice = advise(score_of(GRID, np.full(25, 0.3), unread=unread), BED, mesh=None)
    assert advice.work == "withheld"
    assert not any(node.changed for node in advice.nodes)


def test_three_pads_tell_a_plane(score_of):
    unread = [node for node in GRID.nodes if node not in ((0, 0), (4, 0), (2, 4))]
    advice = advise(score_of(GRID, np.full(25, 0.3), unread=unread), BED, mesh=None)
    assert (advice.work, advice.set_offset) == ("mesh", True)
    assert advice.common_mm == pytest.approx(0.1, abs=0.01)


def test_edits_keep_clear_of_the_bed_with_the_offset_of_the_same_round(score_of):
    """A node may be lowered by no more where the nozzle comes down everywhere at once."""
    bed = dataclasses.replace(BED, motion=Motion(clearance_mm=0.12))
    scores = [score_of(GRID, level + one_node(0.1), sigma_mm=0.04) for level in (0.2, 0.26)]
    right, high = (advise(score, bed, mesh=None) for score in scores)
    assert (high.work, high.set_offset) == ("mesh", True)
    assert (right.offset_mm, high.offset_mm) == pytest.approx((0.0, -0.063), abs=0.005)
    for advice, dz_mm in ((right, 0.0), (high, 0.0)):  # the level and its correction cancel
        assert advice.nodes[7].dz_mm == pytest.approx(dz_mm)
        assert advice.nodes[7].note == "not lowered yet, to keep the nozzle clear of the bed"
        # Off, and not to be left so: nobody may take it for right.
        assert adjustment(advice.nodes[7]) == "later"


def test_a_sheet_wholly_off_scale_asks_for_a_scout_sheet(score_of):
    high = dict.fromkeys(GRID.nodes, (0.28, None))
    advice = advise(score_of(GRID, np.full(25, 0.4), bounds=high), BED, mesh=None)
    assert advice.work == "withheld"
    assert any("--reach first" in step.text for step in advice.steps)
    # By eye such a sheet tells less far than a fine one: no loop, and no photo where none was.
    eyed = dataclasses.replace(score_of(GRID, np.full(25, 0.4), bounds=high), how="eye")
    advice = advise(eyed, BED, mesh=None)
    assert [step.reach for step in advice.steps if step.kind == "sheet"] == ["fine"]
    assert any("Lower the nozzle everywhere by 0.05 mm" in step.text for step in advice.steps)
    assert advice.offset_to_set_mm == -0.05
    # Not by more than keeps the next sheet clear, and not at all where some pads may be too near.
    for bound, lowered in ((0.17, -0.05), (0.1601, -0.04), (0.14, 0.0), (None, 0.0)):
        bounds = high | {(2, 2): (bound, None if bound else 0.15)}
        eyed = dataclasses.replace(score_of(GRID, np.full(25, 0.4), bounds=bounds), how="eye")
        advice = advise(eyed, BED, mesh=None)
        assert advice.offset_to_set_mm == lowered
        assert any(step.kind == "sheet" for step in advice.steps)
    low = dict.fromkeys(GRID.nodes, (None, 0.12))
    advice = advise(score_of(GRID, np.full(25, 0.1), bounds=low), BED, mesh=None)
    # Far enough for the next sheet: what a bound leaves open counts too.
    told = " ".join(step.text for step in advice.steps)
    raised = re.search(r"Raise the nozzle everywhere by ([0-9.]+) mm by hand", told)
    assert raised is not None
    assert advice.offset_to_set_mm == float(raised[1])
    commands = [
        c for step in todo(advice, Path(), proved=True, mesh_known=True) for c in step.commands
    ]
    assert commands == [f"padsheet applied --offset {raised[1]}", "padsheet sheet --reach first"]
    assert 0.08 <= float(raised[1]) <= 0.35


@pytest.mark.parametrize(("high", "read"), [(True, 0), (True, 2), (True, 5), (False, 0)])
def test_bounds_alone_move_nothing_however_well_the_bed_was_known(score_of, high, read):
    """Bounds by the same taste or light are no 25 witnesses; the sheet before was on target."""
    bound = (0.22, None) if high else (None, 0.22)
    bounds = dict.fromkeys(GRID.nodes[read:], bound)
    records = [
        RoundRecord(score=score_of(GRID, np.full(25, 0.2))),
        RoundRecord(score=score_of(GRID, np.full(25, 0.22), bounds=bounds, number=2)),
    ]
    known = fuse_rounds(GRID, [records[0], dataclasses.replace(records[1], applied_mm=NOTHING)])
    advice = advise(records[1].score, BED, mesh=None, state=known)
    assert known.read.all()
    assert (advice.work, advice.set_offset) == ("withheld", False)
    assert not any(node.changed for node in advice.nodes)
    # The nozzle is raised all the same where a sheet might come too near.
    assert (advice.offset_to_set_mm > 0) is not high


def test_a_point_known_from_the_sheet_before_is_lowered_though_this_one_gives_a_bound(score_of):
    records = [
        RoundRecord(score=score_of(GRID, 0.2 + one_node(0.07))),
        RoundRecord(
            score=score_of(GRID, np.full(25, 0.2), bounds={(2, 1): (0.2, None)}, number=2),
            applied_mm=NOTHING,
            offset_mm=0.0,
        ),
    ]
    advice = advise(records[1].score, BED, mesh=None, state=fuse_rounds(GRID, records))
    node = advice.nodes[7]
    assert node.dz_mm == pytest.approx(-0.06, abs=0.011)
    # What is proven by neither is not known, and not "leave".
    alone = advise(records[1].score, BED, mesh=None)
    assert adjustment(alone.nodes[7]) == "unsure"


def test_another_photo_is_asked_for_before_anything_changes_the_bed(score_of):
    """The print has to lie there still; the proof comes just before the edits."""
    gaps = 0.2 + one_node(0.08)
    advice = advise(score_of(GRID, gaps, unread=[(3, 0)]), BED, mesh=None)
    assert [step.kind for step in advice.steps[:2]] == ["photo", "edits"]
    told = todo(advice, Path(), proved=False, mesh_known=True)
    words = [command.split()[1] for step in told for command in step.commands]
    assert words[:4] == ["score", "edits", "edits", "send"]
    few = advise(
        score_of(GRID, gaps, unread=[n for n in GRID.nodes if n != (0, 0)]), BED, mesh=None
    )
    assert (few.work, few.steps[0].kind) == ("withheld", "note")


def test_a_second_photo_that_does_not_help_is_no_dead_end(score_of):
    for gaps, work in ((0.2 + one_node(0.08), "mesh"), (np.full(25, 0.2), "nothing")):
        advice = advise(score_of(GRID, gaps, unread=[(3, 0)]), BED, mesh=None)
        assert advice.work == work
        (photo,) = (step.text for step in advice.steps if step.kind == "photo")
        assert photo.endswith("If a second photo does not help, go on: the next sheet reads them.")
        assert [step.kind for step in advice.steps].count("sheet") == 1


def test_before_screws_no_other_photo_is_asked_for(score_of):
    bed = dataclasses.replace(BED, screws=SCREWS)
    advice = advise(tilted(score_of, 1.1, unread=[(3, 0)]), bed, mesh=None)
    assert advice.work == "screws"
    assert not any(step.kind == "photo" for step in advice.steps)
    facts = [step.text for step in advice.steps if step.kind == "fact"]
    assert any(
        "not read (column 4, row 1)" in text and "after the screws" in text for text in facts
    )


def test_at_the_end_of_the_reach_another_photo_does_not_help(score_of):
    score = score_of(GRID, 0.2 + one_node(0.08), unread=[(3, 0), (0, 4)])
    pads = tuple(
        dataclasses.replace(pad, reason=Reason(code="pad-few-steps", text="few"))
        if (pad.i, pad.j) == (3, 0)
        else pad
        for pad in score.pads
    )
    advice = advise(dataclasses.replace(score, pads=pads), BED, mesh=None)
    (photo,) = (step.text for step in advice.steps if step.kind == "photo")
    assert photo.startswith("1 grid point not read (column 1, row 5)")
    (end,) = (step.text for step in advice.steps if "end of this sheet's reach" in step.text)
    assert end.startswith("1 grid point not read (column 4, row 1)")


def test_by_eye_there_is_no_other_photo_to_ask_for(score_of):
    score = score_of(GRID, np.full(25, 0.2), unread=[(3, 0)], sigma_mm=0.03)
    for how, word in (("photo", "better lit photo"), ("eye", "Take a photo of the print.")):
        advice = advise(dataclasses.replace(score, how=how), BED, mesh=None)
        (text,) = [step.text for step in advice.steps if step.kind == "photo"]
        assert word in text


@pytest.mark.parametrize("verdict", ["not in force", "wrong sign", "index", "partly"])
def test_no_edits_without_proof(score_of, verdict):
    proof = Proof(verdict=verdict, slope=0.0, sigma=0.1, transform="", text="Nothing changed.")
    advice = advise(score_of(GRID, 0.2 + one_node(0.06)), BED, mesh=None, proof=proof)
    assert (advice.work, advice.done) == ("withheld", False)
    assert advice.steps[0].text == "Nothing changed."
    assert not any(node.changed or node.dz_mm for node in advice.nodes)
    assert not advise(score_of(GRID, np.full(25, 0.2)), BED, mesh=None, proof=proof).done


def test_another_grid_is_a_mistake_of_the_caller(score_of):
    mesh = Mesh(grid=MeshGrid(columns=4), z_mm=np.zeros((5, 4)))
    with pytest.raises(ValueError, match="same grid"):
        advise(score_of(GRID, np.full(25, 0.2)), BED, mesh=mesh)


def test_a_nozzle_too_near_everywhere_lowers_no_node(score_of):
    # Gap 0.08 everywhere, one node 0.03 above that: clearance comes first, the offset is raised.
    bed = dataclasses.replace(BED, motion=Motion(clearance_mm=0.05))
    advice = advise(score_of(GRID, 0.08 + one_node(0.06)), bed, mesh=None)
    assert dz_of(advice).min() > -0.06
    assert (advice.work, advice.set_offset, advice.done) == ("offset", True, False)
    assert advice.offset_mm > 0.1
    assert "No grid point can be corrected safely" in advice.steps[0].text
    assert "Raise the nozzle everywhere by 0.12 mm" in advice.steps[1].text


def test_a_bed_that_stays_too_near_is_warned_of(score_of):
    # 0.15 mm is the largest edit: a node 0.19 too near is still 0.04 mm over the bed.
    advice = advise(score_of(GRID, 0.2 + one_node(-0.19) + one_node(-0.19, 3, 1)), BED, mesh=None)
    assert advice.work == "mesh"
    far = advise(score_of(GRID, 0.2 + one_node(-0.06)), BED, mesh=None)
    assert not any("print nothing but the next sheet" in step.text for step in far.steps)
    bed = dataclasses.replace(BED, edits=Edits(largest_mm=0.02))
    near = advise(score_of(GRID, 0.2 + one_node(-0.16)), bed, mesh=None)
    assert any("print nothing but the next sheet" in step.text for step in near.steps)
    # 0.14 mm too near after the edits, and as surely so as it is known: first does not keep clear.
    (sheet,) = (step for step in near.steps if step.kind == "sheet")
    assert sheet.reach == "0.19"
    assert "with --reach 0.19 to prove" in sheet.text
