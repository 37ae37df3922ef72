"""From profile to files: what the printer does beyond its mesh must be known to print there."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, Code, MeshGrid, Outside
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.make import make_sheet
from padsheet.patterns.sheet import Sheet

REACH = (-0.08, 0.08)


def inside_mesh(sheet: Sheet, grid: MeshGrid) -> bool:
    places = [(x, y) for stroke in sheet.strokes for x, y, _ in stroke.xyz_mm]
    return all(
        grid.x_min_mm <= x <= grid.x_max_mm and grid.y_min_mm <= y <= grid.y_max_mm
        for x, y in places
    )


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("columns", [3, 5])
def test_a_bed_with_a_real_mesh_gets_a_sheet(columns: int, seed: int) -> None:
    """The default profile does not know what the printer does beyond its mesh."""
    bed = Bed(mesh=MeshGrid(columns=columns, rows=columns))
    assert bed.mesh.outside == "unknown"
    z_mm = np.random.default_rng(seed).normal(0, 0.1, (columns, columns)).round(3)
    sheet = make_sheet(bed, reach_mm=REACH, mesh_active="yes", mesh_z_mm=z_mm).sheet
    assert len(sheet.pads) == columns**2
    assert inside_mesh(sheet, bed.mesh)


def test_a_flat_mesh_lets_the_turns_stand_out() -> None:
    bed = Bed(mesh=MeshGrid(columns=3, rows=3))
    sheet = make_sheet(bed, reach_mm=REACH, mesh_active="yes", mesh_z_mm=np.zeros((3, 3))).sheet
    assert not inside_mesh(sheet, bed.mesh)


def test_a_mesh_of_unknown_values_keeps_all_inside() -> None:
    bed = Bed(mesh=MeshGrid(columns=3, rows=3))
    assert inside_mesh(make_sheet(bed, reach_mm=REACH).sheet, bed.mesh)
    held = replace(bed, mesh=replace(bed.mesh, outside="hold"))
    assert not inside_mesh(make_sheet(held, reach_mm=REACH).sheet, held.mesh)


def test_where_nothing_is_safe_the_reason_is_the_clearance() -> None:
    mesh = MeshGrid(columns=2, rows=2, x_min_mm=100, x_max_mm=120, y_min_mm=100, y_max_mm=120)
    with pytest.raises(PadsheetError) as caught:
        make_sheet(
            Bed(mesh=mesh),
            reach_mm=REACH,
            mesh_active="yes",
            mesh_z_mm=np.array([[0.3, -0.3], [-0.3, 0.3]]),
        )
    assert caught.value.code == "envelope-mesh-clearance"
    assert "outside" in caught.value.remedy


@pytest.mark.parametrize("outside", ["hold", "extend"])
def test_a_corner_too_steep_to_go_beyond_keeps_all_inside(outside: Outside) -> None:
    """The bed may rise on beyond a held mesh, or flatten beyond one that goes on."""
    bed = Bed(mesh=MeshGrid(outside=outside))
    z_mm = np.zeros((5, 5))
    z_mm[0, 4], z_mm[0, 3], z_mm[1, 4] = 0.32, 0.14, 0.2
    z_mm[4, 4], z_mm[4, 3], z_mm[3, 4] = -0.32, -0.14, -0.2
    sheet = make_sheet(bed, reach_mm=REACH, mesh_active="yes", mesh_z_mm=z_mm).sheet
    assert len(sheet.pads) == 25
    assert inside_mesh(sheet, bed.mesh)
    gentle = make_sheet(bed, reach_mm=REACH, mesh_active="yes", mesh_z_mm=z_mm / 10).sheet
    assert not inside_mesh(gentle, bed.mesh)


@pytest.mark.parametrize(
    ("mesh_on", "active", "told"),
    [
        (("M420 S1",), "no", False),
        (("MESH ON",), "no", True),
        ((), "no", True),
        (("MESH ON",), "unknown", False),
    ],
)
def test_a_sheet_that_cannot_switch_the_mesh_off_says_so(
    mesh_on: tuple[str, ...], active: Literal["no", "unknown"], told: bool
) -> None:
    bed = Bed(mesh=MeshGrid(columns=3, rows=3), code=Code(mesh_on=mesh_on))
    notes = make_sheet(bed, reach_mm=REACH, mesh_active=active).notes
    assert any("switches the mesh off" in note for note in notes) is told
