"""Whether the bed tilted as its screws were to tilt it."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, MeshGrid, Screw
from padsheet.patterns.make import make_sheet
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring.advice import Advice, advise
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_from_json, scores_to_json
from padsheet.scoring.screw_check import (
    doubtful_screws,
    odd_screw_step,
    other_way_step,
    with_screws_checked,
)

GRID = MeshGrid()
SCREWS = tuple(
    Screw(name=f"{end} {side}", x_mm=x, y_mm=y, raises="clockwise")
    for end, y in (("front", 30.0), ("back", 190.0))
    for side, x in (("left", 30.0), ("right", 190.0))
)
BED = Bed(mesh=GRID, screws=SCREWS)


def tilted(score_of: Callable[..., object], along_x: float, along_y: float = 0.0) -> object:
    x, y = np.meshgrid(GRID.x_mm - 110, GRID.y_mm - 110)
    return score_of(GRID, 0.2 + (along_x * x + along_y * y) / 1000)


def advised(score_of: Callable[..., object], *slopes: float, bed: Bed = BED) -> Advice:
    return advise(tilted(score_of, *slopes), bed, mesh=None)


@pytest.mark.parametrize("after", [1.8, 2.3])
def test_a_tilt_that_went_the_other_way_is_told_with_its_figures(
    score_of: Callable[..., object], after: float
) -> None:
    step = other_way_step(advised(score_of, 1.1), advised(score_of, after), BED, 3)
    assert step is not None
    assert step.text.startswith(
        f"The tilt went the other way: from 0.20 to {0.18 * after:.2f} mm over the whole mesh, "
        "where the turns of round 3 were to bring it to 0.00"
    )
    assert "raises in bed.toml is wrong" in step.text
    # To be scored again once it is corrected.
    assert step.kind == "raises"
    for screw in SCREWS:
        assert screw.name in step.text


def test_tilts_are_told_over_the_width_and_the_depth_of_the_mesh(
    score_of: Callable[..., object],
) -> None:
    before, after = advised(score_of, 1.1, 0.5), advised(score_of, 2.2, 1.0)
    step = other_way_step(before, after, BED, 3)
    assert step is not None
    # 0.18 m either way.
    assert "from 0.29 to 0.58 mm over the whole mesh" in step.text


def test_turns_of_screws_that_the_profile_no_longer_has_tell_nothing(
    score_of: Callable[..., object],
) -> None:
    before, after = advised(score_of, 1.1), advised(score_of, 2.2)
    assert other_way_step(before, after, BED, 3) is not None
    assert other_way_step(before, after, dataclasses.replace(BED, screws=SCREWS[:3]), 3) is None


@pytest.mark.parametrize("after", [(0.0, 0.0), (0.3, 0.0), (1.1, 0.0), (-0.4, 0.0), (1.12, 0.3)])
def test_a_tilt_that_did_not_is_not(
    score_of: Callable[..., object], after: tuple[float, float]
) -> None:
    """Levelled, in part, not at all, too far, and off across the turns."""
    assert other_way_step(advised(score_of, 1.1), advised(score_of, *after), BED, 1) is None


def told_as(*raises: str) -> Bed:
    """Return the profile with the screws' turns that raise the bed, in their order."""
    screws = [dataclasses.replace(s, raises=r) for s, r in zip(SCREWS, raises, strict=True)]
    return dataclasses.replace(BED, screws=tuple(screws))


UNKNOWN, CLOCKWISE, COUNTER = (
    told_as(*[word] * 4) for word in ("unknown", "clockwise", "counter-clockwise")
)


def other_way(score_of: Callable[..., object], then: Bed, now: Bed) -> str:
    before, after = advised(score_of, 1.1, bed=then), advised(score_of, 2.2, bed=now)
    step = other_way_step(before, after, now, 1)
    assert step is not None
    return step.text


def test_where_no_direction_was_told_raises_is_not_blamed(score_of: Callable[..., object]) -> None:
    words = other_way(score_of, UNKNOWN, UNKNOWN)
    assert "Most likely the screws were turned the other way round" in words
    assert "raises" not in words


@pytest.mark.parametrize(
    ("then", "told"),
    [
        (COUNTER, "What bed.toml says of raises has been changed since"),
        (UNKNOWN, "bed.toml did not say then which turn raises the bed; it does now"),
    ],
)
def test_a_profile_corrected_since_is_not_accused(
    score_of: Callable[..., object], then: Bed, told: str
) -> None:
    words = other_way(score_of, then, CLOCKWISE)
    assert told in words
    assert words.endswith(", and what follows goes by that.")


def test_only_what_was_not_corrected_is_accused(score_of: Callable[..., object]) -> None:
    now = told_as("counter-clockwise", "counter-clockwise", "clockwise", "clockwise")
    words = other_way(score_of, CLOCKWISE, now)
    assert (
        "raises at front left and front right has been changed since, and what follows goes by "
        "that. Most likely"
    ) in words
    assert "turn each of the knobs back left and back right a little" in words


def add_round(folder: BedFolder, number: int, score: object, bed: Bed, applied: bool) -> None:
    round_ = folder.round(number)
    round_.path.mkdir(parents=True)
    text = scores_to_json(score, advise(score, bed, mesh=None))
    round_.scores_json.write_text(text, encoding="utf-8")
    if applied:
        record = Applied(how="word", nodes=(), screws_turned=True)
        round_.applied_json.write_text(applied_to_json(record), encoding="utf-8")


NAMES = tuple(screw.name for screw in SCREWS)


@pytest.mark.parametrize(
    ("slopes", "told", "doubtful"),
    [
        ((1.1, 2.2), (CLOCKWISE, CLOCKWISE), NAMES),
        ((1.1, 2.2), (UNKNOWN, UNKNOWN), NAMES),
        ((1.1, 2.2), (CLOCKWISE, COUNTER), ()),
        ((1.1, 2.2), (UNKNOWN, COUNTER), ()),
        ((2.2, 1.1), (CLOCKWISE, CLOCKWISE), ()),
        # Proven by a later sheet, and doubted again by one after that.
        ((1.1, 2.2, 1.2), (CLOCKWISE, COUNTER, CLOCKWISE), ()),
        ((2.2, 1.1, 2.2), (CLOCKWISE, CLOCKWISE, CLOCKWISE), NAMES),
        # No change tells nothing: the doubt stays.
        ((1.1, 2.2, 2.2), (CLOCKWISE, CLOCKWISE, CLOCKWISE), NAMES),
        ((1.1, 2.2), (CLOCKWISE, told_as("clockwise", *["counter-clockwise"] * 3)), NAMES[:1]),
    ],
)
def test_turns_are_doubted_until_seen_to_go_right(
    tmp_path: Path,
    score_of: Callable[..., object],
    slopes: tuple[float, ...],
    told: tuple[Bed, ...],
    doubtful: tuple[str, ...],
) -> None:
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    folder = BedFolder(tmp_path)
    for number, (slope, bed) in enumerate(zip(slopes, told, strict=True), 1):
        add_round(folder, number, tilted(score_of, slope), bed, True)
    assert doubtful_screws(folder, BED, folder.round(len(slopes))) == doubtful


def test_doubt_is_what_was_known_at_the_round_asked_for(
    tmp_path: Path, score_of: Callable[..., object]
) -> None:
    """A later sheet that proves the turns does not change what was advised before it."""
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    folder = BedFolder(tmp_path)
    for number, slope in enumerate((1.1, 2.2, 1.2), 1):
        add_round(folder, number, tilted(score_of, slope), CLOCKWISE, True)
    doubted = [doubtful_screws(folder, CLOCKWISE, folder.round(number)) for number in (1, 2, 3)]
    assert doubted == [(), NAMES, ()]


def test_a_tilt_that_grew_with_no_screw_turned_puts_none_in_doubt(
    tmp_path: Path, score_of: Callable[..., object]
) -> None:
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    folder = BedFolder(tmp_path)
    for number, slope in ((1, 1.1), (2, 2.2)):
        add_round(folder, number, tilted(score_of, slope), CLOCKWISE, False)
    assert doubtful_screws(folder, CLOCKWISE, folder.round(2)) == ()


def test_scores_without_raises_tell_it_by_the_turns(score_of: Callable[..., object]) -> None:
    score = tilted(score_of, 1.1)
    data = json.loads(scores_to_json(score, advise(score, COUNTER, mesh=None)))
    for screw in data["advice"]["screws"]:
        assert screw.pop("raises") == "counter-clockwise"
    _, advice = scores_from_json(json.dumps(data))
    assert advice is not None
    assert {screw.raises for screw in advice.screws} == {"counter-clockwise"}


@pytest.mark.parametrize(
    ("applied", "told"),
    [
        (Applied(how="word", nodes=(), screws_turned=True), True),
        (Applied(how="word", nodes=(), screws_turned=False), False),
        (Applied(how="word", nodes=((0, 0, 0.05),), screws_turned=True), False),
        (None, False),
    ],
)
def test_it_is_said_first_where_turns_are_on_record_and_the_mesh_is_unchanged(
    tmp_path: Path, score_of: Callable[..., object], applied: Applied | None, told: bool
) -> None:
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    folder = BedFolder(tmp_path)
    for number, slope in ((1, 1.1), (2, 2.2)):
        round_ = folder.round(number)
        round_.path.mkdir(parents=True)
        score = tilted(score_of, slope)
        text = scores_to_json(score, advise(score, BED, mesh=None))
        round_.scores_json.write_text(text, encoding="utf-8")
    if applied is not None:
        folder.round(1).applied_json.write_text(applied_to_json(applied), encoding="utf-8")
    advice = folder.round(2).read_advice()
    checked = with_screws_checked(folder, BED, folder.round(2), advice)
    first, *rest = checked.steps
    assert first.text.startswith("The tilt went the other way") is told
    if applied is not None and applied.screws_turned and applied.nodes:
        # It grew, by both together; which of the two it was nobody knows.
        assert first.kind == "note"
        assert "mesh points edited: by both together the tilt went from 0.20 to 0.40" in first.text
        assert "cannot be told, since one sheet shows only the sum. The tilt grew" in first.text
        told = True
    assert tuple(rest) == advice.steps[0 if told else 1 :]
    # The first round has none before it.
    assert with_screws_checked(folder, BED, folder.round(1), advice) is advice


@pytest.mark.parametrize(
    ("between", "told"),
    [
        (Applied(how="word", nodes=()), True),
        (Applied(how="word", nodes=((0, 0, 0.05),)), False),
    ],
)
def test_what_is_on_record_of_a_sheet_without_a_photo_counts_too(
    tmp_path: Path, score_of: Callable[..., object], between: Applied, told: bool
) -> None:
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    folder = BedFolder(tmp_path)
    add_round(folder, 1, tilted(score_of, 1.1), BED, True)
    folder.round(2).path.mkdir(parents=True)
    sheet = make_sheet(BED, reach_mm=(-0.08, 0.08), number=2).sheet
    folder.round(2).sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")
    folder.round(2).applied_json.write_text(applied_to_json(between), encoding="utf-8")
    add_round(folder, 3, tilted(score_of, 2.2), BED, False)
    advice = folder.round(3).read_advice()
    checked = with_screws_checked(folder, BED, folder.round(3), advice)
    assert checked.steps[0].text.startswith("The tilt went the other way") is told


THREE = tuple(
    Screw(name=name, x_mm=x, y_mm=y, raises="clockwise", pitch_mm=0.7)
    for name, x, y in (("front", 110.0, 30.0), ("back left", 50.0, 180.0), ("right", 170.0, 180.0))
)
THREE_BED = Bed(mesh=GRID, screws=THREE)


def moved(
    score_of: Callable[..., object], before: Advice, parts: tuple[float, ...], slopes: np.ndarray
) -> Advice:
    """Return the advice after turns of which each screw made such a part."""
    moves = [part * screw.bed_mm for part, screw in zip(parts, before.screws, strict=True)]
    corners = np.array([[1, s.x_mm, s.y_mm] for s in THREE])
    bed = np.linalg.solve(corners, moves)[1:] * 1000
    return advised(score_of, *(slopes - bed), bed=THREE_BED)


@pytest.mark.parametrize(
    ("parts", "told"),
    [
        ((-1, 1, 1), "The front screw seems to have gone the other way"),
        ((0, 1, 1), "The front screw seems not to have been turned at all"),
        ((1, 1, -1), "The right screw seems to have gone the other way"),
        ((1, 1, 1), ""),
        ((0.9, 1.1, 1), ""),
        # All of them, or none: that is another word.
        ((-1, -1, -1), ""),
        ((0, 0, 0), ""),
    ],
)
def test_one_knob_turned_wrong_is_told_among_those_turned_right(
    score_of: Callable[..., object], parts: tuple[float, ...], told: str
) -> None:
    slopes = np.array([2.2, 2.4])
    before = advised(score_of, *slopes, bed=THREE_BED)
    assert [screw.turns for screw in before.screws] == [0.25, 0.0, 0.375]
    after = moved(score_of, before, parts, slopes)
    step = odd_screw_step(before, after, THREE_BED, 2)
    assert (step.text if step else "").startswith(told)
    assert bool(step) is bool(told)


def test_a_knob_turned_wrong_is_to_be_turned_back_twice_and_doubted(
    tmp_path: Path, score_of: Callable[..., object]
) -> None:
    slopes = np.array([1.4, 0.9])
    before = advised(score_of, *slopes, bed=THREE_BED)
    assert before.screws[0].turns == 0.125
    after = moved(score_of, before, (-1, 1, 1), slopes)
    assert after.work == "mesh"
    step = odd_screw_step(before, after, THREE_BED, 2)
    assert step is not None
    assert "turn counter-clockwise seen from above in place of the mesh edits" in step.text
    assert "Turn it 1/4 turn" in step.text
    assert "`padsheet applied --screws --no-edits`" in step.text
    # By the gaps, with what two photos and two hands may be off.
    assert "By the gaps the bed went up by 0.09 +-0.06 mm (95 %) there" in step.text
    assert "where 0.09 mm down was meant." in step.text
    # It is told first, and no word that all screws went the other way.
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    folder = BedFolder(tmp_path)
    add_round(folder, 1, tilted(score_of, *slopes), THREE_BED, True)
    folder.round(2).path.mkdir(parents=True)
    checked = with_screws_checked(folder, THREE_BED, folder.round(2), after)
    assert checked.steps[0].text == step.text.replace("round 2", "round 1")


@pytest.mark.parametrize(
    ("then", "told"),
    [
        # The right screw alone up by 0.065 mm, and nothing; and less than is worth a word.
        (
            (-0.65 / 1.2, -0.065 / 0.3),
            "If it was the right screw alone: by the gaps the bed went up",
        ),
        ((0.0, 0.0), ""),
        ((0.1, 0.0), ""),
        # As of two screws.
        ((0.9, 0.0), "If that was not meant, turn back what was turned"),
    ],
)
def test_a_tilt_that_grew_with_turns_of_the_users_own_is_told(
    tmp_path: Path, score_of: Callable[..., object], then: tuple[float, float], told: str
) -> None:
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    folder = BedFolder(tmp_path)
    add_round(folder, 1, tilted(score_of, 0.0), THREE_BED, True)
    add_round(folder, 2, tilted(score_of, *then), THREE_BED, False)
    advice = folder.round(2).read_advice()
    first = with_screws_checked(folder, THREE_BED, folder.round(2), advice).steps[0].text
    assert first.startswith("Screws were turned after round 1, and the tilt grew") is bool(told)
    assert told in first
    if "alone" in told:
        assert "If that was not meant, turn it " in first
        assert first.endswith("print a sheet with --reach first.")


def test_turns_and_edits_together_are_told_by_their_sum_where_the_tilt_did_not_grow(
    tmp_path: Path, score_of: Callable[..., object]
) -> None:
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    folder = BedFolder(tmp_path)
    add_round(folder, 1, tilted(score_of, 1.1), BED, False)
    both = Applied(how="word", nodes=((0, 0, 0.05),), screws_turned=True)
    folder.round(1).applied_json.write_text(applied_to_json(both), encoding="utf-8")
    add_round(folder, 2, tilted(score_of, 0.1), BED, False)
    advice = folder.round(2).read_advice()
    checked = with_screws_checked(folder, BED, folder.round(2), advice)
    assert checked.steps[:-1] == advice.steps
    last = checked.steps[-1]
    assert last.kind == "fact"
    assert "the tilt went from 0.20 to 0.02 mm over the whole mesh" in last.text
    assert "whether each knob went the right way, cannot be told" in last.text


@pytest.mark.parametrize(("slope", "work"), [(0.9, "screws"), (0.6, "mesh")])
def test_screws_are_turned_where_that_surely_takes_out_a_third(
    score_of: Callable[..., object], slope: float, work: str
) -> None:
    """0.16 mm over the whole mesh are worth the turns; 0.11 mm might be left as they are."""
    advice = advised(score_of, slope)
    assert advice.work == work
    if work == "mesh":
        assert any("where they take out a third for sure" in step.text for step in advice.steps)
