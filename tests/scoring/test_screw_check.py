"""Whether the bed tilted as its screws were to tilt it."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, MeshGrid, Screw
from padsheet.scoring.advice import Advice, advise
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_from_json, scores_to_json
from padsheet.scoring.screw_check import doubtful_screws, other_way_step, with_screws_checked

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
    assert "Most likely" not in words


def test_only_what_was_not_corrected_is_accused(score_of: Callable[..., object]) -> None:
    now = told_as("counter-clockwise", "counter-clockwise", "clockwise", "clockwise")
    words = other_way(score_of, CLOCKWISE, now)
    assert "raises at front left and front right has been changed since" in words
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
    assert tuple(rest) == advice.steps[0 if told else 1 :]
    # The first round has none before it.
    assert with_screws_checked(folder, BED, folder.round(1), advice) is advice
