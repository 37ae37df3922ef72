"""Ten beds brought to flat on the virtual printer and phone: screws, then mesh, sheet by sheet.

Run it from the root of the repository:

    python tests/bench/beds.py --count 10 --seed 1

Each bed is a random shape of +-0.25 mm with a tilt in it, and four screws that a hand turns to a
sixteenth of a turn. Every sheet is really written, printed, photographed, read and advised on, and
the advice is followed; nothing but the photo tells the program of the bed.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from accuracy import virtual_printer
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, MeshGrid, Screw, Target
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.ladder import FINE_MM, FIRST_MM
from padsheet.patterns.make import make_sheet
from padsheet.patterns.profile_writer import profile_text
from padsheet.scoring.advice import Advice
from padsheet.scoring.between import cell_centres_mm
from padsheet.scoring.mesh import Mesh, footprint
from padsheet.scoring.overwriting import write_group
from padsheet.scoring.plane import grid_xy_mm
from padsheet.scoring.recording import record_applied
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scorer import score_round

GRID = MeshGrid(outside="hold")
NODES_MM, CENTRES_MM = grid_xy_mm(GRID), cell_centres_mm(GRID)
PITCH_MM = 0.7  # M4, coarse thread of ISO 261
SCREWS = tuple(
    Screw(name=f"{end} {side}", x_mm=x, y_mm=y, pitch_mm=PITCH_MM)
    for end, y in (("front", 35.0), ("back", 185.0))
    for side, x in (("left", 35.0), ("right", 185.0))
)
HOMING_MM = 0.010
BAR_MM = 0.04
TAKES = 4

Floats = NDArray[np.float64]


@dataclass
class Machine:
    """A printer on one bed: its shape, screws as turned, the mesh it holds, and the offset."""

    seed: int
    shortest_mm: float
    screws_mm: Floats = field(default_factory=lambda: np.zeros(3))
    mesh_mm: Floats = field(default_factory=lambda: np.zeros(len(NODES_MM)))
    offset_mm: float = 0.0

    def __post_init__(self) -> None:
        """Draw a bed 0.5 mm high over its nodes: a tilt, and waves that are none too short."""
        virtual = virtual_printer()
        rng = np.random.default_rng([self.seed, 83])
        tilt_mm = rng.uniform(0.1, 0.3, 2) * rng.choice([-1, 1], 2)
        raw = virtual.random_bed(self.seed, 0.25, shortest_mm=self.shortest_mm)
        raw = raw + virtual.tilt(*tilt_mm)
        heights = raw(*NODES_MM.T)
        self._scale = 0.5 / float(np.ptp(heights))
        self._middle = float(heights.max() + heights.min()) / 2
        self._raw = raw

    def bed_mm(self, x_mm: object, y_mm: object) -> Floats:
        """Return the height of the bed as its screws are now."""
        x, y = np.asarray(x_mm, float), np.asarray(y_mm, float)
        rise = self.screws_mm[0] + self.screws_mm[1] * (x - 110) + self.screws_mm[2] * (y - 110)
        return np.asarray(self._scale * (self._raw(x, y) - self._middle) + rise)

    def held_mm(self, x_mm: object, y_mm: object) -> Floats:
        """Return what the printer adds to Z."""
        table = self.mesh_mm.reshape(GRID.rows, GRID.columns)
        held = virtual_printer().Compensation(GRID.x_mm, GRID.y_mm, table)
        return np.asarray(held(x_mm, y_mm) + self.offset_mm)

    def errors_mm(self, places_mm: Floats) -> Floats:
        """Return gap less target, homing apart."""
        return self.held_mm(*places_mm.T) - self.bed_mm(*places_mm.T)

    def right_at_nodes_mm(self) -> float:
        """Return the range at the cell centres under a mesh that is right at every node."""
        mesh_mm = footprint(GRID, CENTRES_MM) @ self.bed_mm(*NODES_MM.T)
        return float(np.ptp(mesh_mm - self.bed_mm(*CENTRES_MM.T)))

    def print_sheet(self, gcode: str, number: int) -> Any:
        """Print a sheet."""
        virtual = virtual_printer()
        rng = np.random.default_rng([self.seed, number, 29])
        return virtual.print_sheet(
            gcode,
            virtual.BedShape(self.bed_mm),
            self.held_mm,
            seed=1000 * self.seed + number,
            z_error=virtual.ZError(homing_mm=float(rng.normal(0, HOMING_MM))),
        )

    def photograph(self, job: Any, number: int, take: int, width_px: int) -> bytes:
        """Take a photo of a print; each take has a light, pose and colour of its own."""
        virtual = virtual_printer()
        scene = virtual.random_scene(1000 * self.seed + 100 * take + number, "ordinary")
        return bytes(virtual.photograph(job, scene, width_px=width_px)[0])

    def follow(self, advice: Advice, number: int) -> float:
        """Do what is advised; return what was added to the offset."""
        rng = np.random.default_rng([self.seed, number, 31])
        self.mesh_mm = self.mesh_mm + [n.dz_mm if n.changed else 0.0 for n in advice.nodes]
        offset_mm = round(advice.offset_mm, 2) if advice.set_offset else 0.0
        self.offset_mm += offset_mm
        if advice.screws:
            hand = rng.uniform(-1, 1, len(SCREWS)) * PITCH_MM / 16
            moved = np.array([screw.bed_mm for screw in advice.screws]) + hand
            design = np.array([[1.0, s.x_mm - 110, s.y_mm - 110] for s in SCREWS])
            self.screws_mm = self.screws_mm + np.linalg.lstsq(design, moved, rcond=None)[0]
        return offset_mm


@dataclass
class Outcome:
    """One bed, from the first sheet to the last."""

    seed: int
    tilt_mm: float
    right_at_nodes_mm: float
    nodes_mm: list[float]
    centres_mm: list[float]
    works: list[str]
    reaches: list[str]
    unread: list[int]
    refused: list[str]
    photos: int
    done: bool
    common_mm: float
    seconds: float

    @property
    def flat(self) -> bool:
        """Whether the bar is met at nodes and cell centres alike."""
        return max(self.nodes_mm[-1], self.centres_mm[-1]) <= BAR_MM


def bed_with(tolerance_mm: float) -> Bed:
    """Return the profile of the bed."""
    target = replace(Target(), tolerance_mm=tolerance_mm)
    return Bed(mesh=GRID, screws=SCREWS, target=target)


def tilt_over_mesh_mm(heights_mm: Floats) -> float:
    """Return the height of the least-squares plane from end to end of the mesh."""
    design = np.column_stack([np.ones(len(NODES_MM)), NODES_MM - 110])
    slopes = np.linalg.lstsq(design, heights_mm, rcond=None)[0][1:]
    return float(np.abs(slopes) @ np.ptp(NODES_MM, axis=0))


def flatten(
    seed: int, *, shortest_mm: float, sheets: int, width_px: int, tolerance_mm: float
) -> Outcome:
    """Take one bed from sheet to sheet until it is done or out of sheets."""
    cv2.setNumThreads(1)
    began = time.monotonic()
    machine = Machine(seed, shortest_mm)
    outcome = Outcome(
        seed=seed,
        tilt_mm=tilt_over_mesh_mm(machine.bed_mm(*NODES_MM.T)),
        right_at_nodes_mm=machine.right_at_nodes_mm(),
        nodes_mm=[float(np.ptp(machine.errors_mm(NODES_MM)))],
        centres_mm=[float(np.ptp(machine.errors_mm(CENTRES_MM)))],
        works=[],
        reaches=[],
        unread=[],
        refused=[],
        photos=0,
        done=False,
        common_mm=0.0,
        seconds=0.0,
    )
    with tempfile.TemporaryDirectory() as scratch:
        folder = BedFolder(Path(scratch) / "bed")
        folder.path.mkdir()
        folder.profile.write_text(profile_text(bed_with(tolerance_mm)), encoding="utf-8")
        folder.store_mesh(mesh_of(machine, "empty"))
        reach = "first"
        for _ in range(sheets):
            reach = one_round(folder, machine, reach, outcome, width_px)
            if outcome.done:
                break
    outcome.common_mm = float(machine.errors_mm(NODES_MM).mean())
    outcome.seconds = time.monotonic() - began
    return outcome


def mesh_of(machine: Machine, name: str) -> Mesh:
    """Return the mesh that the printer holds."""
    return Mesh(grid=GRID, z_mm=machine.mesh_mm.reshape(GRID.rows, GRID.columns), name=name)


def one_round(
    folder: BedFolder, machine: Machine, reach: str, outcome: Outcome, width_px: int
) -> str:
    """Print, photograph, score and follow; return the reach that is advised for the next sheet."""
    round_, held = folder.next_round(), folder.active_mesh()
    assert held is not None
    reach_mm = {"first": FIRST_MM, "fine": FINE_MM}[reach]
    files = make_sheet(
        folder.bed(),
        reach_mm=(-reach_mm, reach_mm),
        number=round_.number,
        mesh_active="yes",
        mesh_name=held.name,
        mesh_z_mm=held.z_mm,
    )
    write_group(round_.path, {"sheet.gcode": files.gcode, "sheet.json": files.json})
    job = machine.print_sheet(files.gcode, round_.number)
    scored: Any = None
    photos: list[Path] = []
    for take in range(TAKES):
        photo = folder.path / f"photo-{take}.jpg"
        photo.write_bytes(machine.photograph(job, round_.number, take, width_px))
        try:
            scored, _ = score_round(folder, [*photos, photo], round_=round_, force=bool(photos))
        except PadsheetError as error:
            # As its remedy says, the photo is taken again; the print stays.
            outcome.refused.append(error.code)
            continue
        photos.append(photo)
        # Where another photo tells more the advice says so; it costs no sheet.
        if not any(step.kind == "photo" for step in scored.advice.steps):
            break
    if scored is None:
        raise RuntimeError(f"bed {machine.seed}: no photo of sheet {round_.number} can be used")
    advice = scored.advice
    outcome.photos += len(photos)
    offset_mm = machine.follow(advice, round_.number)
    after = mesh_of(machine, f"after-{round_.number}")
    folder.store_mesh(after)
    record_applied(round_, held, after, offset_mm=offset_mm, screws_turned=bool(advice.screws))
    outcome.works.append(advice.work + ("+offset" if advice.set_offset else ""))
    outcome.reaches.append(reach)
    outcome.unread.append(sum(pad.gap_mm is None for pad in scored.score.pads))
    outcome.nodes_mm.append(float(np.ptp(machine.errors_mm(NODES_MM))))
    outcome.centres_mm.append(float(np.ptp(machine.errors_mm(CENTRES_MM))))
    outcome.done = bool(advice.done)
    return "first" if any(step.reach == "first" for step in advice.steps) else "fine"


def line(outcome: Outcome) -> str:
    """Return one row of the table."""
    way = " > ".join(
        f"{work} ({reach}{f', {unread} not read' if unread else ''})"
        for work, reach, unread in zip(outcome.works, outcome.reaches, outcome.unread, strict=True)
    )
    nodes = " > ".join(f"{value:.3f}" for value in outcome.nodes_mm)
    return (
        f"| {outcome.seed} | {outcome.tilt_mm:.2f} | {outcome.right_at_nodes_mm:.3f} | {way} | "
        f"{nodes} | {outcome.centres_mm[-1]:.3f} | {outcome.common_mm:+.3f} | "
        f"{outcome.photos} | {len(outcome.refused)} | "
        f"{'yes' if outcome.done else 'no'} | {'yes' if outcome.flat else 'NO'} |"
    )


def main(argv: list[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sheets", type=int, default=4)
    parser.add_argument("--width", type=int, default=3264, help="of the photos, in pixels")
    parser.add_argument(
        "--shortest", type=float, default=200.0, help="shortest wave of the beds in mm"
    )
    parser.add_argument(
        "--tolerance",
        type=float,
        default=BAR_MM / 2,
        help="of the profile, in mm to either side of the target at each point",
    )
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    given = parser.parse_args(argv)
    work = partial(
        flatten,
        shortest_mm=given.shortest,
        sheets=given.sheets,
        width_px=given.width,
        tolerance_mm=given.tolerance,
    )
    print(
        "| bed | tilt mm | centres, mesh right at nodes | advice (reach) of each sheet | "
        "nodes, peak to valley mm | cell centres mm | common mm | photos | refused | done | "
        "within 0.04 |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|", flush=True)
    outcomes = []
    seeds = range(given.seed, given.seed + given.count)
    with ExitStack() as stack:
        if given.jobs > 1:
            spawn = get_context("spawn")
            pool = stack.enter_context(ProcessPoolExecutor(given.jobs, mp_context=spawn))
            results = pool.map(work, seeds)
        else:
            results = map(work, seeds)
        for outcome in results:
            outcomes.append(outcome)
            print(line(outcome), flush=True)
    flat = sum(outcome.flat for outcome in outcomes)
    sheets = sum(len(outcome.works) for outcome in outcomes)
    print(
        f"\n{flat} of {len(outcomes)} within {BAR_MM} mm at nodes and cell centres; "
        f"{sheets} sheets; {np.mean([o.seconds for o in outcomes]):.0f} s a bed"
    )


if __name__ == "__main__":
    main()
