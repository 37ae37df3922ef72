"""Whether an offset on record is seen in the next sheet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.scoring.advice import advise
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.offset_check import with_offset_checked
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json
from padsheet.scoring.squish import SheetScore

GRID = MeshGrid()
BED = Bed(mesh=GRID)
WARP_MM = np.random.default_rng(3).normal(0, 0.03, (5, 5))


def recorded(path: Path, score: SheetScore, record: dict[str, object]) -> BedFolder:
    """Return a folder with one scored round and what is on record of it."""
    (path / "bed.toml").write_text("", encoding="utf-8")
    folder = BedFolder(path)
    round_ = folder.round(1)
    round_.path.mkdir(parents=True)
    text = scores_to_json(score, advise(score, BED, mesh=None))
    round_.scores_json.write_text(text, encoding="utf-8")
    applied = Applied(how="word", **{"nodes": (), **record})
    round_.applied_json.write_text(applied_to_json(applied), encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("record", "went_mm", "told"),
    [
        ({"offset_mm": -0.1}, 0.0, "The offset of -0.10 mm on record is not seen"),
        ({"offset_mm": -0.1}, -0.1, ""),
        # Homing alone moves the common part by that.
        ({"offset_mm": -0.04}, -0.01, ""),
        ({"offset_mm": 0.1}, -0.1, "The offset of +0.10 mm on record is not what is seen"),
        ({"offset_mm": 0.0}, -0.1, ""),
        ({"offset_mm": -0.1, "screws_turned": True}, 0.0, ""),
        # Edits of points that this mesh does not have: by how much it was changed nobody knows.
        ({"offset_mm": -0.1, "nodes": ((9, 9, 0.1),)}, 0.0, ""),
        # Edits that lower every point lower the gaps too.
        ({"offset_mm": -0.1, "nodes": tuple((i, j, 0.1) for i, j in GRID.nodes)}, 0.0, ""),
    ],
)
def test_an_offset_on_record_that_is_not_seen_is_told(
    tmp_path: Path,
    score_of: Callable[..., object],
    record: dict[str, object],
    went_mm: float,
    told: str,
) -> None:
    folder = recorded(tmp_path, score_of(GRID, 0.25 + WARP_MM), record)
    after = score_of(GRID, 0.25 + WARP_MM + went_mm)
    advice = advise(after, BED, mesh=None)
    checked = with_offset_checked(folder, BED, folder.round(2), after, advice)
    assert (checked is not advice) is bool(told)
    if told:
        assert checked.steps[0].text.startswith(told)
        assert "applied --offset MM --round 1 --force" in checked.steps[0].text
        assert checked.steps[1:] == advice.steps


@pytest.mark.parametrize(
    ("unread_before", "unread_after", "told"),
    [
        (range(0), range(0), True),
        (range(5), range(20, 25), True),
        (range(6), range(19, 25), True),
        # 12 of 25 pads are not enough.
        (range(6), range(18, 25), False),
        (range(13), range(0), False),
        (range(0), range(13), False),
    ],
)
def test_it_is_told_by_the_pads_that_both_sheets_read_if_these_are_half(
    tmp_path: Path,
    score_of: Callable[..., SheetScore],
    unread_before: range,
    unread_after: range,
    told: bool,
) -> None:
    score, after = (
        score_of(GRID, 0.25 + WARP_MM, unread=[list(GRID.nodes)[k] for k in unread])
        for unread in (unread_before, unread_after)
    )
    folder = recorded(tmp_path, score, {"offset_mm": -0.1})
    advice = advise(after, BED, mesh=None)
    checked = with_offset_checked(folder, BED, folder.round(2), after, advice)
    assert checked.steps[len(checked.steps) - len(advice.steps) :] == advice.steps
    assert (len(checked.steps) > len(advice.steps)) is told
    if told:
        assert "all points together changed by +0.00 +-0.05 mm (95 %)" in checked.steps[0].text


def test_points_that_only_the_later_sheet_has_are_left_out(
    tmp_path: Path, score_of: Callable[..., SheetScore]
) -> None:
    fewer = replace(GRID, skip=((0, 0), (3, 1)))
    folder = recorded(tmp_path, score_of(fewer, 0.25 + WARP_MM), {"offset_mm": -0.1})
    score = score_of(GRID, 0.25 + WARP_MM)
    advice = advise(score, BED, mesh=None)
    checked = with_offset_checked(folder, BED, folder.round(2), score, advice)
    assert "all points together changed by +0.00 +-" in checked.steps[0].text


def test_nothing_is_told_without_a_sheet_before_or_where_the_advice_is_withheld(
    tmp_path: Path, score_of: Callable[..., SheetScore]
) -> None:
    score = score_of(GRID, 0.25 + WARP_MM)
    folder = recorded(tmp_path, score, {"offset_mm": -0.1})
    advice = advise(score, BED, mesh=None)
    withheld = replace(advice, work="withheld")
    assert with_offset_checked(folder, BED, folder.round(2), score, advice) is not advice
    assert with_offset_checked(folder, BED, folder.round(2), score, withheld) is withheld
    assert with_offset_checked(folder, BED, folder.round(1), score, advice) is advice
