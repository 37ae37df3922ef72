"""One story: what a person is shown agrees with what the stop rule decides."""

from __future__ import annotations

import dataclasses
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.scoring.advice import advise
from padsheet.scoring.fusion import RoundRecord, fuse_rounds
from padsheet.scoring.scores import scores_from_json, scores_to_json
from padsheet.scoring.textmap import score_map, score_table
from padsheet.scoring.todo import todo
from padsheet.scoring.together import judged
from padsheet.scoring.words import summary

GRID = MeshGrid()
BED = Bed(mesh=GRID)
NOTHING = np.zeros(25)


def two_rounds(score_of, error_mm, common_sigma_mm=0.018):
    """Score one bed twice, nothing done between; a photo alone knows the common part badly."""
    scores = [
        score_of(GRID, 0.2 + error_mm, common_sigma_mm=common_sigma_mm, number=number)
        for number in (1, 2)
    ]
    records = [RoundRecord(score=score, applied_mm=NOTHING, offset_mm=0.0) for score in scores]
    return scores[1], advise(scores[1], BED, mesh=None, state=fuse_rounds(GRID, records))


def test_a_done_bed_has_no_point_that_cannot_be_told(score_of):
    error = np.random.default_rng(1).normal(0, 0.004, 25)
    score, advice = two_rounds(score_of, error, common_sigma_mm=0.014)
    assert sum(pad.verdict == "uncertain" for pad in score.pads) > 5
    assert advice.done
    assert {pad.verdict for pad in judged(score, advice).pads} == {"on target"}
    said = summary(score, advice)
    assert said == "All 25 points are on target; the bed is done (judged by 2 sheets together)."
    shown = score_table(score, advice) + score_map(score, advice, colour=False)
    assert "uncertain " not in shown
    assert "Verdicts and adjustments are by 2 sheets together" in shown


@pytest.mark.parametrize("seed", range(40))
def test_done_and_verdicts_never_contradict(score_of, seed):
    rng = np.random.default_rng(seed)
    error = rng.normal(0, rng.uniform(0.001, 0.02), 25) + rng.normal(0, 0.02)
    score, advice = two_rounds(score_of, error, common_sigma_mm=rng.uniform(0.003, 0.02))
    verdicts = Counter(pad.verdict for pad in judged(score, advice).pads)
    if advice.done:
        assert set(verdicts) == {"on target"}
    if not advice.offset_done or set(verdicts) != {"on target"}:
        assert not advice.done
        assert "done" not in summary(score, advice)
    if not advice.offset_done:
        # Where the common part is open, a point is on target only if its whole interval is.
        for node in advice.nodes:
            assert node.verdict != "on target" or abs(node.error_mm) < BED.target.tolerance_mm


def test_a_shape_that_is_known_is_told_from_an_offset_that_is_not(score_of):
    """The shape is right to some 0.004 mm; what all points share is known to +-0.05 mm only."""
    error = np.random.default_rng(3).normal(0, 0.003, 25) - 0.012
    score, advice = two_rounds(score_of, error, common_sigma_mm=0.035)
    assert (advice.warp_done, advice.offset_done, advice.done) == (True, False, False)
    assert advice.work == "nothing"
    assert sum(node.in_shape for node in advice.nodes) == 25
    assert {pad.verdict for pad in judged(score, advice).pads} == {"shape on target"}
    said = summary(score, advice)
    assert said.startswith("The shape of the bed is within tolerance at 25 of 25 points; the comm")
    half_mm = 1.96 * advice.offset_sigma_mm
    assert half_mm > 0.04
    assert f"0.01 mm too near the bed, +-{half_mm:.2f} mm (95 %)" in said
    assert "cannot be told" not in said
    shown = score_table(score, advice) + score_map(score, advice, colour=False)
    assert shown.count("  shape on target  leave") == 25
    assert "~ " not in score_map(score, advice, colour=False).partition("Gap error")[0]
    steps = " ".join(step.text for step in advice.steps)
    assert "Leave the mesh as it is: the shape of the bed is within tolerance" in steps
    assert (
        f"0.01 mm too near the bed, +-{half_mm:.2f} mm (95 %), and the tolerance is 0.03" in steps
    )
    commands = [
        c for s in todo(advice, Path("b"), proved=True, mesh_known=True) for c in s.commands
    ]
    assert commands == [
        "padsheet -C b score NEW-PHOTO.jpg --force",
        "padsheet -C b sheet",
        "padsheet -C b applied --offset MM",
    ]


@pytest.mark.parametrize("seed", range(20))
def test_shape_and_whole_are_told_apart_at_every_point(score_of, seed):
    rng = np.random.default_rng([seed, 7])
    error = rng.normal(0, 0.02, 25) + rng.normal(0, 0.04)
    _, advice = two_rounds(score_of, error, common_sigma_mm=0.035)
    assert not advice.done
    for node in advice.nodes:
        relative_mm = node.error_mm - advice.common_mm
        inside = abs(relative_mm) + 1.96 * node.sigma_mm <= BED.target.tolerance_mm
        assert node.in_shape or not inside
        assert node.verdict != "uncertain" or not node.in_shape
        if node.verdict == "shape on target":
            assert node.in_shape
        if node.in_shape:
            assert abs(relative_mm) < BED.target.tolerance_mm


def test_a_point_that_was_never_read_is_in_no_shape(score_of):
    score = score_of(GRID, np.full(25, 0.2), unread=[(2, 0)], common_sigma_mm=0.035)
    advice = advise(score, BED, mesh=None)
    shown = {(node.i, node.j): node for node in advice.nodes}
    assert not shown[2, 0].in_shape
    assert shown[2, 0].verdict == ""
    assert "24 of 25 points" in summary(score, advice)
    assert not advice.done


def test_edits_come_with_a_word_on_an_offset_that_is_not_known(score_of):
    error = np.zeros(25)
    error[7] = 0.06
    _, advice = two_rounds(score_of, error, common_sigma_mm=0.035)
    assert advice.work == "mesh"
    assert not advice.set_offset
    assert any("Leave the common offset for now" in step.text for step in advice.steps)


def test_a_common_offset_is_no_fault_of_the_points(score_of):
    """Each of them is level with the others and says "leave"; the offset is told once."""
    score, advice = two_rounds(score_of, np.full(25, 0.06), common_sigma_mm=0.005)
    assert {pad.verdict for pad in judged(score, advice).pads} == {"shape on target"}
    told = summary(score, advice)
    assert "lower the nozzle everywhere by 0.0" in told
    assert "too far from the bed" in told


def test_a_point_is_judged_by_what_it_is_adjusted_by(score_of):
    """One that is level is on target in shape, however near the bed all of them are."""
    errors = np.full(25, -0.06)
    errors[[3, 12]] = 0.0, -0.12
    score = score_of(GRID, 0.2 + errors, sigma_mm=0.003, common_sigma_mm=0.003)
    advice = advise(score, BED, mesh=None)
    told = {(node.i, node.j): node.verdict for node in advice.nodes}
    assert advice.work == "mesh"
    # Its gap is right, and yet it is adjusted: beside the others it is too far.
    assert told[3, 0] == "too little"
    assert told[2, 2] == "too much"
    assert {verdict for node, verdict in told.items() if node not in ((3, 0), (2, 2))} == {
        "shape on target"
    }


def test_where_the_mesh_takes_the_offset_the_whole_error_counts(score_of):
    bed = dataclasses.replace(BED, edits=dataclasses.replace(BED.edits, offset_style="none"))
    score = score_of(GRID, np.full(25, 0.26), sigma_mm=0.003, common_sigma_mm=0.003)
    advice = advise(score, bed, mesh=None)
    assert {node.verdict for node in advice.nodes} == {"too little"}


def spot(score, nodes):
    """Return the scores of a sheet of those nodes only."""
    keep = [k for k, node in enumerate(score.order) if node in nodes]
    return dataclasses.replace(
        score,
        pads=tuple(pad for pad in score.pads if (pad.i, pad.j) in nodes),
        order=tuple(score.order[k] for k in keep),
        covariance_mm2=score.covariance_mm2[np.ix_(keep, keep)],
    )


SPOTS = {(0, 0), (4, 0), (0, 4), (4, 4), (2, 2)}


def test_a_sheet_of_a_few_good_points_does_not_finish_the_bed(score_of):
    sure = {"sigma_mm": 0.002, "common_sigma_mm": 0.002}
    few = spot(score_of(GRID, np.full(25, 0.2), **sure), SPOTS)
    advice = advise(few, BED, mesh=None)
    assert not advice.warp_done
    assert any("20 grid points not on this sheet" in step.text for step in advice.steps)


def test_a_sheet_of_a_few_points_counts_with_the_whole_one_before_it(score_of):
    """One corner was too far on the whole sheet; it was corrected and looked at alone."""
    sure = {"sigma_mm": 0.002, "common_sigma_mm": 0.003}
    first = np.full(25, 0.2)
    first[0] = 0.26
    dz_mm = np.zeros(25)
    dz_mm[0] = -0.06
    records = [
        RoundRecord(score=score_of(GRID, first, **sure)),
        RoundRecord(
            score=spot(score_of(GRID, first + dz_mm, number=2, **sure), SPOTS),
            applied_mm=dz_mm,
            offset_mm=0.0,
        ),
    ]
    state = fuse_rounds(GRID, records)
    advice = advise(records[-1].score, BED, mesh=None, state=state)
    assert (advice.done, advice.sheets) == (True, 2)
    # A point that was bad on the whole sheet and left alone is not forgotten.
    first[7] = 0.24
    records[0] = RoundRecord(score=score_of(GRID, first, **sure))
    state = fuse_rounds(GRID, records)
    assert not advise(records[-1].score, BED, mesh=None, state=state).done


def test_what_is_off_scale_or_unread_stays_so(score_of):
    bounds = {(0, 0): (0.37, None), (1, 0): (None, 0.05)}
    score = score_of(GRID, np.full(25, 0.2), bounds=bounds, unread=[(2, 0)])
    shown = judged(score, advise(score, BED, mesh=None))
    assert [pad.verdict for pad in shown.pads[:3]] == ["off scale high", "off scale low", "unread"]
    assert [pad.interval_mm for pad in shown.pads[:3]] == [(0.37, None), (None, 0.05), None]


def test_figures_of_the_print_are_left_as_measured(score_of):
    score, advice = two_rounds(score_of, np.full(25, 0.01))
    for before, after in zip(score.pads, judged(score, advice).pads, strict=True):
        assert dataclasses.replace(after, verdict=before.verdict) == before


def test_without_advice_nothing_is_judged_anew(score_of):
    score = score_of(GRID, np.full(25, 0.22))
    assert judged(score, None) is score


def test_the_file_keeps_both(score_of):
    score, advice = two_rounds(score_of, np.full(25, 0.01), common_sigma_mm=0.02)
    again, advised = scores_from_json(scores_to_json(score, advice))
    assert [pad.verdict for pad in again.pads] == [pad.verdict for pad in score.pads]
    assert advised == advice
    assert advised.sheets == 2


def test_where_all_points_are_off_together_the_shape_is_not_blamed(score_of):
    """A few of them are off for sure by their own interval; every one of them says "leave"."""
    rng = np.random.default_rng(4)
    score = score_of(GRID, 0.26 + rng.normal(0, 0.004, 25), common_sigma_mm=0.013)
    advice = advise(score, Bed(mesh=GRID), mesh=None)
    assert advice.work == "offset"
    verdicts = {node.verdict for node in advice.nodes}
    assert verdicts == {"shape on target"}
    text = summary(score, advice)
    assert text.startswith("The shape of the bed is within tolerance at 25 of 25 points; ")
    assert "is off: the nozzle is 0.06 mm too far from the bed" in text
    assert "are too far" not in text
    assert f"lower the nozzle everywhere by {-advice.offset_mm:.2f} mm" in text


def test_one_point_that_is_off_by_itself_is_counted(score_of):
    gaps = np.full(25, 0.26)
    gaps[7] = 0.40
    score = score_of(GRID, gaps, common_sigma_mm=0.013)
    advice = advise(score, Bed(mesh=GRID), mesh=None)
    level = dataclasses.replace(
        advice,
        nodes=tuple(dataclasses.replace(node, changed=False, dz_mm=0.0) for node in advice.nodes),
    )
    assert "1 of 25 points is too far from the bed" in summary(score, level)
