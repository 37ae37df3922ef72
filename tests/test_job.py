"""The whole job on the virtual printer and phone: sheets printed, photographed, scored, applied."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, Edits, MeshGrid
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.ladder import FINE_MM, FIRST_MM
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.make import make_sheet
from padsheet.patterns.profile_writer import profile_text
from padsheet.scoring.advice import Advice
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.overwriting import write_group
from padsheet.scoring.photo import decode_photo
from padsheet.scoring.reading import read_sheet_photo
from padsheet.scoring.recording import record_applied
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.scorer import score_round

# The virtual printer holds the edge value of its mesh outside the grid.
GRID = MeshGrid(outside="hold")
BED = Bed(mesh=GRID, edits=Edits(largest_mm=0.25))
CELLS_X_MM, CELLS_Y_MM = (nodes[:-1] + np.diff(nodes) / 2 for nodes in (GRID.x_mm, GRID.y_mm))
PHOTO_PX = 3264
HOMING_MM = 0.008


def warped_bed(virtual: ModuleType, seed: int, peak_to_valley_mm: float) -> Any:
    """Return smooth waves and a tilt, so high over the nodes, and centred there."""
    rng = np.random.default_rng([seed, 5])
    raw = virtual.random_bed(seed, 0.25, shortest_mm=150.0) + virtual.tilt(
        *rng.uniform(-0.2, 0.2, 2)
    )
    at_nodes = raw(*np.meshgrid(GRID.x_mm, GRID.y_mm))
    scale = peak_to_valley_mm / np.ptp(at_nodes)
    middle = (at_nodes.max() + at_nodes.min()) / 2
    return virtual.BedShape(lambda x, y: scale * (raw(x, y) - middle))


@dataclass
class Machine:
    """A printer on one bed: the mesh it holds, and the offset that is turned in by hand."""

    virtual: ModuleType
    shape: Any
    seed: int
    mesh_mm: NDArray[np.float64] = field(
        default_factory=lambda: np.zeros((GRID.rows, GRID.columns))
    )
    offset_mm: float = 0.0

    def mesh(self, x_mm: object, y_mm: object) -> NDArray[np.float64]:
        held = self.virtual.Compensation(GRID.x_mm, GRID.y_mm, self.mesh_mm)
        return np.asarray(held(x_mm, y_mm) + self.offset_mm)

    def errors_mm(self, x_mm: NDArray[np.float64], y_mm: NDArray[np.float64]):
        """Return gap less target on a grid of places, homing apart."""
        x, y = np.meshgrid(x_mm, y_mm)
        return self.mesh(x, y) - self.shape(x, y)

    def photograph(self, gcode: str, number: int) -> tuple[bytes, float]:
        """Print a sheet and take a photo of it; return it and the homing error of the print."""
        rng = np.random.default_rng([self.seed, number])
        homing_mm = float(rng.normal(0, HOMING_MM))
        job = self.virtual.print_sheet(
            gcode,
            self.shape,
            self.mesh,
            seed=10 * self.seed + number,
            z_error=self.virtual.ZError(homing_mm=homing_mm),
        )
        scene = self.virtual.random_scene(10 * self.seed + number, "ordinary")
        return self.virtual.photograph(job, scene, width_px=PHOTO_PX)[0], homing_mm


@dataclass
class Job:
    """One bed folder and its machine, taken from sheet to sheet."""

    folder: BedFolder
    machine: Machine

    def begin(self) -> None:
        """Write the profile and the empty mesh that the printer holds."""
        self.folder.path.mkdir(parents=True, exist_ok=True)
        self.folder.profile.write_text(profile_text(BED), encoding="utf-8")
        self.folder.store_mesh(Mesh(grid=GRID, z_mm=self.machine.mesh_mm, name="empty"))

    def sheet(self, reach_mm: float) -> Round:
        """Write the next sheet for the mesh in force."""
        round_, held = self.folder.next_round(), self.folder.active_mesh()
        assert held is not None
        files = make_sheet(
            self.folder.bed(),
            reach_mm=(-reach_mm, reach_mm),
            number=round_.number,
            mesh_active="yes",
            mesh_name=held.name,
            mesh_z_mm=held.z_mm,
        )
        write_group(
            round_.path,
            {"sheet.gcode": files.gcode, "preview.svg": files.svg, "sheet.json": files.json},
        )
        return round_

    def score(self, round_: Round, photo: Path) -> Advice:
        """Print, photograph and score a round; the round is found by the markers in the photo."""
        jpeg, _ = self.machine.photograph(round_.sheet_gcode.read_text(), round_.number)
        photo.write_bytes(jpeg)
        scored, found = score_round(self.folder, [photo])
        assert found.number == round_.number
        assert scored.advice is not None
        return scored.advice

    def follow(self, round_: Round, advice: Advice) -> None:
        """Give the printer what is advised, and record what it holds then."""
        before = self.folder.active_mesh()
        assert before is not None
        for node in advice.nodes:
            if node.changed:
                self.machine.mesh_mm[node.j, node.i] += node.dz_mm
        offset_mm = round(advice.offset_mm, 2) if advice.set_offset else 0.0
        self.machine.offset_mm += offset_mm
        after = Mesh(grid=GRID, z_mm=self.machine.mesh_mm.copy(), name=f"after-{round_.number}")
        self.folder.store_mesh(after)
        record_applied(round_, before, after, offset_mm=offset_mm)

    def counts(self, round_: Round) -> tuple[int, int, int]:
        """Return how many pads were read, off scale, and left unread."""
        pads = round_.read_score().pads
        off = sum(pad.verdict.startswith("off scale") for pad in pads)
        unread = sum(pad.verdict == "unread" for pad in pads)
        return len(pads) - off - unread, off, unread


def run(job: Job, photos: Path, reaches_mm: tuple[float, ...]) -> list[float]:
    """Print until done or out of sheets; return the range at the nodes before and after each."""
    job.begin()
    ranges = [float(np.ptp(job.machine.errors_mm(GRID.x_mm, GRID.y_mm)))]
    for reach_mm in reaches_mm:
        round_ = job.sheet(reach_mm)
        advice = job.score(round_, photos / f"IMG_{round_.number}.jpg")
        job.follow(round_, advice)
        nodes = job.machine.errors_mm(GRID.x_mm, GRID.y_mm)
        ranges.append(float(np.ptp(nodes)))
        print(
            f"sheet {round_.number}: read, off scale, unread {job.counts(round_)}; {advice.work}; "
            f"nodes {ranges[-2]:.3f} -> {ranges[-1]:.3f} mm peak to valley, "
            f"mean {nodes.mean():+.3f} mm"
        )
        if advice.done:
            break
    return ranges


def assert_self_contained(html: str) -> None:
    """Check that a page needs no other file and no network."""
    refs = re.findall(r"""(?:src|href|action|data|poster)\s*=\s*["']([^"']*)""", html)
    assert [ref for ref in refs if not ref.startswith(("data:", "#"))] == []
    urls = re.findall(r"""url\(\s*["']?([^"')]*)""", html)
    assert [url for url in urls if not url.startswith(("data:", "#"))] == []
    assert "@import" not in html


def test_a_warped_bed_is_flat_within_three_sheets(virtual, tmp_path):
    shape = warped_bed(virtual, 4, 0.4)
    job = Job(BedFolder(tmp_path / "bed"), Machine(virtual, shape, seed=4))
    ranges = run(job, tmp_path, (FIRST_MM, FINE_MM, FINE_MM))
    assert ranges[0] == pytest.approx(0.4)
    centres = job.machine.errors_mm(CELLS_X_MM, CELLS_Y_MM)
    nodes = job.machine.errors_mm(GRID.x_mm, GRID.y_mm)
    print(f"cell centres {np.ptp(centres):.3f} mm peak to valley; mean {nodes.mean():+.3f} mm")
    assert ranges[-1] < 0.04
    # A mesh that is right at every node leaves 0.037 mm of this bed's own curve in the cells.
    assert np.ptp(centres) < 0.04
    assert abs(nodes.mean()) < 0.04
    check_files(job.folder)


def check_files(folder: BedFolder) -> None:
    """Check that each round holds its files, and that the report stands alone."""
    for round_ in folder.rounds():
        written = (
            round_.sheet_gcode,
            round_.sheet_json,
            round_.preview_svg,
            round_.scores_json,
            round_.annotated_jpg,
            round_.report_html,
            round_.applied_json,
            round_.photo(1),
        )
        assert [path.name for path in written if not path.stat().st_size] == []
        assert_self_contained(round_.report_html.read_text(encoding="utf-8"))
        assert round_.read_applied() is not None
    assert not list(folder.path.rglob("*.part"))


@pytest.fixture(scope="module")
def fine_sheet():
    sheet = lay_out_sheet(BED, reach_mm=(-FINE_MM, FINE_MM)).sheet
    return sheet, write_gcode(sheet, BED)


def test_gaps_of_single_photos_are_near_the_truth(virtual, fine_sheet):
    sheet, gcode = fine_sheet
    relative, worst = [], []
    for k, kind in enumerate(("clear", "ordinary", "clear", "ordinary", "ordinary", "clear")):
        rng = np.random.default_rng([k, 77])
        shape = virtual.random_bed(100 + k, float(rng.uniform(0.06, 0.14)))
        job = virtual.print_sheet(gcode, shape.raised(float(rng.normal(0, 0.008))), seed=100 + k)
        jpeg, _ = virtual.photograph(job, virtual.random_scene(100 + k, kind), width_px=PHOTO_PX)
        pads = read_sheet_photo(decode_photo(jpeg), sheet).score.pads
        read = [pad for pad in pads if pad.gap_mm is not None]
        assert len(read) >= 20, kind
        truth = np.array([job.truth.gap(p.x_mm, p.y_mm, sheet.target_gap_mm) for p in read])
        error = np.array([p.gap_mm for p in read]) - truth
        relative.append(error - error.mean())
        worst.append(float(np.abs(error).max()))
        print(f"{kind}: {len(read)} read, relative rms {error.std():.4f}, mean {error.mean():+.4f}")
    pooled = np.concatenate(relative)
    assert np.sqrt(np.mean(pooled**2)) < 0.008
    assert max(worst) < 0.06
