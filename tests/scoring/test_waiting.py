"""A sheet that waits for its photo, and the mesh that the printer is taken to hold."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.make import make_sheet
from padsheet.patterns.profile import profile_text
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.rounds import ACTIVE, BedFolder, Round
from padsheet.scoring.todo import next_steps
from padsheet.scoring.waiting import mark_corrected, outdated

GRID = MeshGrid(columns=3, rows=3)
BED = Bed(mesh=GRID)
OTHER = "was written for another mesh than the printer is taken to hold"


@pytest.fixture
def folder(tmp_path: Path) -> BedFolder:
    (tmp_path / "bed.toml").write_text(profile_text(BED), encoding="utf-8")
    made = BedFolder(tmp_path)
    hold(made, "one", 0.0)
    return made


@pytest.fixture
def round_(folder: BedFolder) -> Round:
    made = folder.next_round()
    made.path.mkdir(parents=True)
    sheet = make_sheet(BED, reach_mm=(-0.15, 0.15), mesh_active="yes", mesh_name="one").sheet
    made.sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")
    return made


def hold(folder: BedFolder, name: str, z_mm: float) -> None:
    folder.store_mesh(Mesh(grid=GRID, z_mm=np.full((3, 3), z_mm), name=name))


def commands(folder: BedFolder) -> list[str]:
    return [command for step in next_steps(folder) for command in step.commands]


def test_only_other_values_make_a_sheet_outdated(folder: BedFolder, round_: Round) -> None:
    assert outdated(folder, round_) == ""
    assert outdated(folder, folder.next_round()) == ""
    hold(folder, "same", 0.0)
    assert outdated(folder, round_) == ""
    hold(folder, "two", 0.05)
    assert outdated(folder, round_) == OTHER
    assert commands(folder) == [
        f"padsheet -C {folder.path} sheet --force",
        f"padsheet -C {folder.path} score PHOTO",
    ]


def test_a_sheet_printed_without_a_mesh_or_with_one_unknown_is_of_no_other(
    folder: BedFolder, round_: Round
) -> None:
    hold(folder, "two", 0.05)
    told = (("no", None), ("unknown", None), ("no", "one"), ("unknown", "one"), ("yes", None))
    for active, name in told:
        sheet = replace(round_.read_sheet(), mesh_active=active, mesh_name=name)
        round_.sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")
        assert outdated(folder, round_) == ""


def test_a_sheet_with_its_photo_is_printed(folder: BedFolder, round_: Round) -> None:
    mark_corrected(round_)
    assert outdated(folder, round_) == "was written with its mesh the wrong way round"
    round_.photo(1).write_bytes(b"jpg")
    assert outdated(folder, round_) == ""


def test_a_mesh_that_is_gone_tells_nothing(folder: BedFolder, round_: Round) -> None:
    hold(folder, "two", 0.05)
    (folder.meshes / "one.csv").unlink()
    assert outdated(folder, round_) == ""


def test_where_nobody_knows_what_the_printer_holds_no_sheet_is_outdated(
    folder: BedFolder, round_: Round
) -> None:
    hold(folder, "two", 0.05)
    assert outdated(folder, round_) == OTHER
    (folder.meshes / ACTIVE).unlink()
    assert outdated(folder, round_) == ""


def test_a_spoilt_sheet_tells_nothing(folder: BedFolder, round_: Round) -> None:
    hold(folder, "two", 0.05)
    round_.sheet_json.write_text("{}", encoding="utf-8")
    assert outdated(folder, round_) == ""
