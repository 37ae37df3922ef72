"""Whether the bed tilted as its screws were to tilt it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, MeshGrid, Screw
from padsheet.scoring.advice import Advice, advise
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json
from padsheet.scoring.screw_check import other_way_words, with_screws_checked

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
    words = other_way_words(advised(score_of, 1.1), advised(score_of, after), BED, 3)
    assert words.startswith(
        f"The tilt went the other way: from 0.20 to {0.18 * after:.2f} mm over the whole mesh, "
        "where the turns of round 3 were to bring it to 0.00"
    )
    assert "raises in bed.toml is wrong" in words


@pytest.mark.parametrize("after", [(0.0, 0.0), (0.3, 0.0), (1.1, 0.0), (-0.4, 0.0), (1.12, 0.3)])
def test_a_tilt_that_did_not_is_not(
    score_of: Callable[..., object], after: tuple[float, float]
) -> None:
    """Levelled, in part, not at all, too far, and off across the turns."""
    assert other_way_words(advised(score_of, 1.1), advised(score_of, *after), BED, 1) == ""


def test_where_no_direction_was_told_raises_is_not_blamed(score_of: Callable[..., object]) -> None:
    screws = tuple(dataclasses.replace(screw, raises="unknown") for screw in SCREWS)
    bed = dataclasses.replace(BED, screws=screws)
    words = other_way_words(
        advised(score_of, 1.1, bed=bed), advised(score_of, 2.2, bed=bed), bed, 1
    )
    assert "Most likely the screws were turned the other way round" in words
    assert "raises" not in words


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
