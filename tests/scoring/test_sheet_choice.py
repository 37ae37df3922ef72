"""The sheet that is foretold in `What to do now` is the one that `padsheet sheet` then makes."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, Code, MeshGrid, Screw
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.make import make_sheet
from padsheet.patterns.profile import profile_text
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring import sheet_choice
from padsheet.scoring.advice import advise
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.reach_choice import Choice
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json
from padsheet.scoring.sheet_choice import Chosen, foresee_sheet, plan_sheet
from padsheet.scoring.too_near import TooNear

SCREWS = tuple(
    Screw(name=name, x_mm=x, y_mm=y)
    for name, x, y in (("a", 25, 25), ("b", 195, 25), ("c", 25, 195), ("d", 195, 195))
)


def outcome(choose: Callable[..., Chosen | Choice], *given: object) -> tuple[object, ...]:
    """Return the sheet but for the digest of its G-code, or all of a refusal."""
    try:
        chosen = choose(*given)
    except TooNear as refusal:
        return refusal.problem, refusal.ways, refusal.reach, refusal.up_mm, refusal.in_all
    except PadsheetError as error:
        return (error.code,)
    sheet = chosen.files.sheet if isinstance(chosen, Chosen) else chosen.sheet
    return dataclasses.replace(sheet, gcode_sha256=None), chosen.why, chosen.caution


@pytest.fixture
def bed_with(tmp_path: Path, score_of: Callable[..., object]) -> Callable[..., BedFolder]:
    """Make a bed folder with one scored round."""

    def make(
        errors_mm: np.ndarray, bed: Bed, *, held_mm: np.ndarray, applied: Applied | None
    ) -> BedFolder:
        (tmp_path / "bed.toml").write_text(profile_text(bed), encoding="utf-8")
        folder, round_ = BedFolder(tmp_path), BedFolder(tmp_path).round(1)
        flat = Mesh(grid=bed.mesh, z_mm=np.zeros(errors_mm.shape), name="flat")
        folder.store_mesh(flat)
        round_.path.mkdir(parents=True)
        sheet = make_sheet(
            Bed(mesh=bed.mesh), reach_mm=(-0.15, 0.15), mesh_active="yes", mesh_name="flat"
        ).sheet
        round_.sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")
        score = score_of(bed.mesh, 0.2 + errors_mm, number=1)
        text = scores_to_json(
            score, advise(score, bed, mesh=flat), plate=bed.plate.name, bed_c=bed.heat.bed_c
        )
        round_.scores_json.write_text(text, encoding="utf-8")
        if applied is not None:
            round_.applied_json.write_text(applied_to_json(applied), encoding="utf-8")
        folder.store_mesh(Mesh(grid=bed.mesh, z_mm=held_mm, name="held"))
        return folder

    return make


WORD: dict[str, Any] = {"how": "word", "nodes": ()}
#: Errors at the nodes, what the mesh was changed by since, keys of the bed, and what is on record;
#: then what comes of it.
CASES = {
    "flat": (0.0, 0.0, {}, None, "fine"),
    "corrected": (0.05, 1.0, {}, None, "fine"),
    "far": (0.10, 0.0, {}, None, "wide"),
    "low": (-0.09, 0.0, {}, None, "wide"),
    "lower": (-0.13, 0.0, {}, None, "near"),
    "raised": (-0.13, 0.0, {}, Applied(**WORD, offset_mm=0.1), "wide"),
    "lowered": (0.0, 0.0, {}, Applied(**WORD, offset_mm=-0.1), "wide"),
    "screws": (0.04, 0.0, {"screws": SCREWS}, Applied(**WORD, screws_turned=True), "wide"),
    "bad code": (0.0, 0.0, {"code": Code(preamble=("M104 S400",))}, None, "envelope-temperature"),
    "steep": (0.0, 30.0, {}, None, "near"),
}


@pytest.mark.parametrize("outside", ["extend", "unknown"])
@pytest.mark.parametrize("name", CASES)
def test_what_is_foretold_is_what_the_sheet_does(
    bed_with: Callable[..., BedFolder], name: str, outside: str
) -> None:
    size_mm, changed, keys, applied, expected = CASES[name]
    bed = Bed(mesh=MeshGrid(columns=3, rows=3, outside=outside), **keys)
    bumps_mm = np.random.default_rng(6).uniform(-0.01, 0.01, (3, 3))
    errors_mm = bumps_mm + np.linspace(0, size_mm, 3)
    folder = bed_with(errors_mm, bed, held_mm=-changed * errors_mm, applied=applied)
    given = (folder, folder.bed(), folder.active_mesh(), 2)
    made, foretold = outcome(plan_sheet, *given), outcome(foresee_sheet, *given)
    assert foretold == made
    first = made[0]
    if isinstance(first, Sheet):
        assert {0.08: "fine"}.get(-first.reach_mm[0], "wide") == expected
    else:
        assert (first if len(made) == 1 else "near") == expected


def test_the_step_of_the_next_sheet_makes_none(
    bed_with: Callable[..., BedFolder], monkeypatch: pytest.MonkeyPatch
) -> None:
    bed = Bed(mesh=MeshGrid(columns=3, rows=3))
    folder = bed_with(np.full((3, 3), 0.1), bed, held_mm=np.zeros((3, 3)), applied=None)
    monkeypatch.setattr(sheet_choice, "make_sheet", None)
    assert sheet_choice.advised_reach(folder, bed, folder.active_mesh(), "fine") == "first"
