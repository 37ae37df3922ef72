"""Whether an offset on record is seen in the next sheet."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.scoring.advice import advise
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.offset_check import with_offset_checked
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json

GRID = MeshGrid()
BED = Bed(mesh=GRID)
WARP_MM = np.random.default_rng(3).normal(0, 0.03, (5, 5))


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
    (tmp_path / "bed.toml").write_text("", encoding="utf-8")
    folder = BedFolder(tmp_path)
    round_ = folder.round(1)
    round_.path.mkdir(parents=True)
    score = score_of(GRID, 0.25 + WARP_MM)
    text = scores_to_json(score, advise(score, BED, mesh=None))
    round_.scores_json.write_text(text, encoding="utf-8")
    applied = Applied(how="word", **{"nodes": (), **record})
    round_.applied_json.write_text(applied_to_json(applied), encoding="utf-8")
    after = score_of(GRID, 0.25 + WARP_MM + went_mm)
    advice = advise(after, BED, mesh=None)
    checked = with_offset_checked(folder, BED, folder.round(2), after, advice)
    assert (checked is not advice) is bool(told)
    if told:
        assert checked.steps[0].text.startswith(told)
        assert "applied --offset MM --round 1 --force" in checked.steps[0].text
        assert checked.steps[1:] == advice.steps
