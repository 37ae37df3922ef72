"""What a sheet of wide reach prints beyond the mesh, where the bed goes on as it bends."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, MeshGrid, Plate
from padsheet.patterns.clearance import rise_beyond_mm
from padsheet.patterns.envelope_moves import extent_of
from padsheet.patterns.interpreter import interpret
from padsheet.patterns.make import SheetFiles, make_sheet

CLEARANCE_MM = 0.05
REACH_MM = 0.15
BEDS = 40
GRIDS = {
    "5 x 5, held": MeshGrid(outside="hold"),
    "5 x 5, extended": MeshGrid(outside="extend"),
    "3 x 3, far from the edge": MeshGrid(
        columns=3, rows=3, x_min_mm=40, x_max_mm=180, y_min_mm=40, y_max_mm=180, outside="hold"
    ),
    "15 x 15": MeshGrid(columns=15, rows=15, outside="hold"),
    "a narrow mesh": MeshGrid(columns=3, x_min_mm=60, x_max_mm=160, outside="hold"),
}


def places_mm(gcode: str) -> np.ndarray:
    """Return places along all moves from the first line printed on, below a lift, shape (N, 3)."""
    program = interpret(gcode, home=("G28",))
    first = extent_of(program).first_line
    found = []
    for move in program.moves:
        if move.line < first or max(move.z0_mm, move.z1_mm) > 0.5:
            continue
        start = np.array([move.x0_mm, move.y0_mm, move.z0_mm])
        end = np.array([move.x1_mm, move.y1_mm, move.z1_mm])
        steps = np.linspace(0, 1, max(2, int(move.xy_mm)))
        found.append(start + (end - start) * steps[:, None])
    return np.concatenate(found)


def lowest_gaps_mm(virtual: ModuleType, files: SheetFiles, grid: MeshGrid) -> np.ndarray:
    """Return the least true gap of a sheet on each of many beds within its reach at the mesh."""
    x, y, z = places_mm(files.gcode).T
    within = np.meshgrid(
        np.linspace(grid.x_min_mm, grid.x_max_mm, 41), np.linspace(grid.y_min_mm, grid.y_max_mm, 41)
    )
    lowest = []
    for seed in range(BEDS):
        rng = np.random.default_rng([seed, 77])
        waves = virtual.random_bed(seed, 0.3, shortest_mm=rng.uniform(120, 300))
        bed = waves + virtual.tilt(*rng.uniform(-0.3, 0.3, 2))
        there = bed(*within)
        middle, scale = (there.max() + there.min()) / 2, 2 * REACH_MM / np.ptp(there)
        lowest.append((z - scale * (bed(x, y) - middle)).min())
    return np.array(lowest)


@pytest.mark.parametrize("name", GRIDS)
def test_a_bed_that_goes_on_to_rise_beyond_the_mesh_is_kept_clear_of(
    virtual: ModuleType, name: str
) -> None:
    grid = GRIDS[name]
    files = make_sheet(Bed(mesh=grid), reach_mm=(-REACH_MM, REACH_MM))
    assert not any("no room for all" in note for note in files.notes)
    assert len(files.sheet.markers) >= 8
    # Between the points looked at a bed may be a little higher.
    assert lowest_gaps_mm(virtual, files, grid).min() > CLEARANCE_MM - 0.001


def test_a_bowl_is_the_bound_and_a_plane_within_it(virtual: ModuleType) -> None:
    """By the simulator's own shapes, which reach the bound at the edge of the mesh."""
    plate = (20.0, 20.0, 200.0, 200.0)
    grid = MeshGrid()
    x, y = np.meshgrid(np.linspace(0, 220, 45), np.linspace(0, 220, 45))
    rise = rise_beyond_mm(grid, -REACH_MM, x, y)
    inside = (np.abs(x - 110) <= 90) & (np.abs(y - 110) <= 90)
    assert (rise[inside] == 0).all()
    bowl = virtual.dome(-2 * REACH_MM, plate)
    plane = virtual.tilt(REACH_MM, REACH_MM, plate)
    for bed in (bowl, plane):
        over = bed(x, y) - REACH_MM
        assert (over <= rise + 1e-9)[~inside].all()
    # Along one axis alone it is no more than such a bowl.
    trough_mm = 2 * REACH_MM * (((x - 110) / 90) ** 2 - 1)
    assert rise[22] == pytest.approx(np.maximum(0, trough_mm)[22])


def test_a_fine_sheet_stands_on_its_points() -> None:
    sheet = make_sheet(Bed(mesh=MeshGrid(outside="hold")), reach_mm=(-0.08, 0.08)).sheet
    assert [(pad.x_mm, pad.y_mm) for pad in sheet.pads] == [
        (sheet.nodes_x_mm[pad.i], sheet.nodes_y_mm[pad.j]) for pad in sheet.pads
    ]


def test_where_there_is_no_room_near_the_mesh_it_is_said() -> None:
    grid = MeshGrid(
        columns=3, rows=3, x_min_mm=50, x_max_mm=110, y_min_mm=50, y_max_mm=110, outside="hold"
    )
    bed = Bed(mesh=grid, plate=Plate(size_x_mm=160.0, size_y_mm=160.0))
    notes = make_sheet(bed, reach_mm=(-REACH_MM, REACH_MM)).notes
    assert any("Keep a hand at the power switch" in note for note in notes)
