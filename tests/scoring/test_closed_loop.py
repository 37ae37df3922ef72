"""Whole beds brought to flat, sheet by sheet, on simulated gaps."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, MeshGrid, Screw
from padsheet.scoring.advice import Advice, advise
from padsheet.scoring.fusion import RoundRecord, fuse_rounds
from padsheet.scoring.mesh import Mesh, footprint
from padsheet.scoring.nodes import check_points_mm
from padsheet.scoring.plane import grid_xy_mm
from padsheet.scoring.proof import prove

GRID = MeshGrid()
SCREWS = tuple(
    Screw(name=f"{end} {side}", x_mm=x, y_mm=y)
    for end, y in (("front", 35.0), ("back", 185.0))
    for side, x in (("left", 35.0), ("right", 185.0))
)
BED = Bed(mesh=GRID, screws=SCREWS)
NODES_MM = grid_xy_mm(GRID)
CENTRES_MM = np.array([[x + 22.5, y + 22.5] for x in GRID.x_mm[:-1] for y in GRID.y_mm[:-1]])
#: Of one pad relative to the sheet, of the part all pads share, and of homing.
SIGMA_MM, COMMON_MM, HOMING_MM = 0.006, 0.007, 0.015
REACH_MM = {"first": 0.15, "fine": 0.08}


class Plate:
    """A smooth bed: a tilt and three waves, +-0.25 mm from its middle height."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.tilt = rng.uniform(-1.2, 1.2, 2) / 1000
        # Half a wave to one wave over the bed: 440 to 220 mm, as plates bend.
        self.waves = [
            (rng.uniform(-1, 1), rng.normal(size=2), rng.uniform(220, 440), rng.uniform(0, 6.3))
            for _ in range(3)
        ]
        self.scale, self.middle = 1.0, 0.0
        heights = self.height_mm(check_points_mm(GRID)[0])
        self.scale = 0.5 / np.ptp(heights)
        self.middle = (heights.max() + heights.min()) / 2 * self.scale

    def height_mm(self, xy_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        height = (xy_mm - 110) @ self.tilt
        for size, way, length, phase in self.waves:
            along = xy_mm @ (way / np.hypot(*way))
            height = height + 0.08 * size * np.sin(2 * np.pi * along / length + phase)
        return height * self.scale - self.middle


@dataclass
class Printer:
    """The bed, its screws as turned, the mesh it holds and the offset."""

    plate: Plate
    rng: np.random.Generator

    def __post_init__(self) -> None:
        self.screws_mm = np.zeros(3)
        self.mesh_mm = np.zeros(len(NODES_MM))
        self.offset_mm = 0.0

    def error_mm(self, xy_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        rise = np.column_stack([np.ones(len(xy_mm)), xy_mm - 110]) @ self.screws_mm
        mesh = footprint(GRID, xy_mm) @ self.mesh_mm
        return self.offset_mm + mesh - self.plate.height_mm(xy_mm) - rise

    def print_sheet(self, score_of, number: int, reach: str):
        error = self.error_mm(NODES_MM)
        seen = error + self.rng.normal(0, HOMING_MM)
        read = seen + self.rng.normal(0, COMMON_MM) + self.rng.normal(0, SIGMA_MM, len(seen))
        far, bounds = REACH_MM[reach], {}
        for node, value in zip(GRID.nodes, seen, strict=True):
            if value > far:
                bounds[node] = (0.2 + far, None)
            elif value < -far:
                bounds[node] = (None, 0.2 - far)
        return score_of(
            GRID, 0.2 + read, sigma_mm=SIGMA_MM, common_sigma_mm=COMMON_MM, bounds=bounds,
            number=number,
        )  # fmt: skip

    def follow(self, advice: Advice) -> tuple[NDArray[np.float64], float, bool]:
        """Do what is advised; screws are turned to within a sixteenth of a turn."""
        dz = np.array([node.dz_mm if node.changed else 0.0 for node in advice.nodes])
        self.mesh_mm = self.mesh_mm + dz
        offset = round(advice.offset_mm, 2) if advice.set_offset else 0.0
        self.offset_mm += offset
        if advice.screws:
            error = self.rng.uniform(-1, 1, len(SCREWS)) * 0.7 / 16
            moved = np.array([screw.bed_mm for screw in advice.screws]) + error
            design = np.array([[1.0, s.x_mm - 110, s.y_mm - 110] for s in SCREWS])
            self.screws_mm = self.screws_mm + np.linalg.lstsq(design, moved, rcond=None)[0]
        return dz, offset, bool(advice.screws)


def run(score_of, seed: int, sheets: int = 4) -> tuple[Printer, list[str], list[float]]:
    """Print, score and correct until done, at most `sheets` times."""
    rng = np.random.default_rng(seed)
    printer = Printer(Plate(rng), rng)
    records: list[RoundRecord] = []
    done, works, ranges, reach = (None, None, False), [], [], "first"
    for number in range(1, sheets + 1):
        score = printer.print_sheet(score_of, number, reach)
        dz, offset, screws = done
        records.append(
            RoundRecord(score=score, applied_mm=dz, offset_mm=offset, screws_turned=screws)
        )
        edited = number > 1 and not screws and np.any(dz)
        known = fuse_rounds(GRID, records[:-1])
        proof = prove(GRID, records[-2].score, score, dz, state=known) if edited else None
        state = fuse_rounds(GRID, records)
        held = Mesh(grid=GRID, z_mm=printer.mesh_mm.reshape(GRID.rows, GRID.columns))
        advice = advise(score, BED, mesh=held, state=state, proof=proof)
        works.append(advice.work + ("+offset" if advice.set_offset else ""))
        ranges.append(float(np.ptp(printer.error_mm(NODES_MM))))
        if advice.done:
            break
        reach = "first" if any(step.reach == "first" for step in advice.steps) else "fine"
        low_before = 0.2 + printer.error_mm(check_points_mm(GRID)[0]).min()
        done = printer.follow(advice)
        low_after = 0.2 + printer.error_mm(check_points_mm(GRID)[0]).min()
        # The promise of the edits: never nearer than the clearance, or else no nearer than before.
        assert advice.screws or low_after > min(BED.motion.clearance_mm, low_before - 1e-9)
    return printer, works, ranges


@pytest.mark.parametrize("seed", range(10))
def test_a_bed_is_flat_within_four_sheets(score_of, seed, record_property):
    printer, works, ranges = run(score_of, seed)
    nodes = float(np.ptp(printer.error_mm(NODES_MM)))
    centres = float(np.ptp(printer.error_mm(CENTRES_MM)))
    print(f"bed {seed}: {works}, nodes {nodes:.3f}, cell centres {centres:.3f} mm")
    record_property("works", works)
    record_property("nodes_mm", nodes)
    record_property("centres_mm", centres)
    assert nodes < 0.04
    # Two of the ten bend so much within a cell that a mesh right at every node would leave 0.040
    # and 0.057 mm there: no mesh can promise more than that, and these must stay below it.
    heights = printer.plate.height_mm
    right_at_nodes = float(
        np.ptp(footprint(GRID, CENTRES_MM) @ heights(NODES_MM) - heights(CENTRES_MM))
    )
    assert centres < max(0.04, right_at_nodes)
    assert all(later <= max(before, 0.04) for before, later in itertools.pairwise(ranges))


def test_a_mesh_that_is_never_in_force_gets_no_second_edit(score_of):
    rng = np.random.default_rng(3)
    bed = Bed(mesh=GRID)
    bumps = rng.normal(0, 0.05, len(NODES_MM))
    first = score_of(GRID, 0.2 + bumps + rng.normal(0, SIGMA_MM, len(bumps)))
    advice = advise(first, bed, mesh=None)
    assert advice.work == "mesh"
    dz = np.array([node.dz_mm for node in advice.nodes])
    again = score_of(GRID, 0.2 + bumps + rng.normal(0, SIGMA_MM, len(bumps)), number=2)
    proof = prove(GRID, first, again, dz)
    second = advise(again, bed, mesh=None, proof=proof)
    assert second.work == "withheld"
    assert not any(node.changed for node in second.nodes)
    assert not second.done
