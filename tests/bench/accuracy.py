"""Accuracy over many photos of the virtual printer and phone, beside two simpler readers.

Run it from the root of the repository:

    python tests/bench/accuracy.py --count 30 --kinds clear,ordinary,hard --seed 1
    python tests/bench/accuracy.py --set off-scale --count 16

The second set prints beds beyond the sheet's reach, too near and too high in turn.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
from multiprocessing import get_context
from pathlib import Path
from types import ModuleType

import cv2
import numpy as np
from bench_board import Floats, Outcome, photo_line, read_with_all, report

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.ladder import FINE_MM
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.photo import decode_photo

VIRTUAL = Path(__file__).parents[1] / "virtual"
KINDS = ("clear", "ordinary", "hard")
# Mean gap error of the beds beyond reach, too near and too high.
NEAR_MM, HIGH_MM = (-0.22, -0.12), (0.14, 0.45)


@cache
def virtual_printer() -> ModuleType:
    """Load the virtual printer, which is a folder of the tests and no installed package."""
    spec = importlib.util.spec_from_file_location(
        "virtual_printer", VIRTUAL / "__init__.py", submodule_search_locations=[str(VIRTUAL)]
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["virtual_printer"] = module
    spec.loader.exec_module(module)
    return module


@cache
def fine_sheet() -> tuple[Sheet, str]:
    """Return a fine sheet of 5 x 5 pads and its G-code."""
    bed = Bed(mesh=MeshGrid(outside="hold"))
    sheet = lay_out_sheet(bed, reach_mm=(-FINE_MM, FINE_MM)).sheet
    return sheet, write_gcode(sheet, bed)


def take_photo(seed: int, kind: str, width_px: int, which: str = "all") -> tuple[bytes, Floats]:
    """Print a fine sheet on a random bed and take a photo; return it and the true gaps."""
    virtual = virtual_printer()
    sheet, gcode = fine_sheet()
    rng = np.random.default_rng([seed, 71])
    shape = virtual.random_bed(seed, float(rng.uniform(0.06, 0.15)))
    shape = shape.raised(float(rng.normal(0, 0.008)))
    if which == "off-scale":
        shape = shape.raised(-float(rng.uniform(*(NEAR_MM, HIGH_MM)[seed % 2])))
    job = virtual.print_sheet(gcode, shape, seed=seed)
    jpeg, _ = virtual.photograph(job, virtual.random_scene(seed, kind), width_px=width_px)
    truth = [float(job.truth.gap(p.x_mm, p.y_mm, sheet.target_gap_mm)) for p in sheet.pads]
    return jpeg, np.array(truth)


def measure(seed: int, kind: str, width_px: int, which: str) -> Outcome:
    """Take one photo and read it with all readers."""
    cv2.setNumThreads(1)
    sheet, _ = fine_sheet()
    jpeg, truth = take_photo(seed, kind, width_px, which)
    name = f"{kind} {seed}"
    photo = decode_photo(jpeg, f"{kind}-{seed}.jpg")
    return read_with_all(photo, sheet, truth, name=name, groups={"kind": kind})


def arguments(argv: list[str] | None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=30, help="photos, shared among the kinds")
    parser.add_argument("--kinds", default=",".join(KINDS), help="clear,ordinary,hard")
    parser.add_argument("--seed", type=int, default=1, help="other beds, colours and poses")
    parser.add_argument("--set", choices=("all", "off-scale"), default="all", dest="which")
    parser.add_argument("--width", type=int, default=4032, help="long side of the photo in pixels")
    parser.add_argument("--processes", type=int, default=min(2, os.cpu_count() or 1))
    given = parser.parse_args(argv)
    given.kinds = tuple(kind.strip() for kind in given.kinds.split(","))
    if unknown := set(given.kinds) - set(KINDS):
        parser.error(f"no such kind: {', '.join(sorted(unknown))}; known are {', '.join(KINDS)}")
    if given.count < 1 or given.processes < 1:
        parser.error("--count and --processes must be at least 1")
    return given


def main(argv: list[str] | None = None) -> None:
    """Measure the photos and print the report."""
    given = arguments(argv)
    kinds = [given.kinds[k % len(given.kinds)] for k in range(given.count)]
    seeds = [10_000 * given.seed + k for k in range(given.count)]
    if given.which == "off-scale":  # near and high take turns, so each kind comes twice
        kinds = [given.kinds[k // 2 % len(given.kinds)] for k in range(given.count)]
    work = partial(measure, width_px=given.width, which=given.which)
    outcomes = []
    # A forked child may inherit a lock that a thread of the parent held.
    with ProcessPoolExecutor(given.processes, mp_context=get_context("spawn")) as pool:
        for outcome in pool.map(work, seeds, kinds):
            outcomes.append(outcome)
            print(photo_line(outcome), file=sys.stderr, flush=True)
    print(report(outcomes, given.kinds))


if __name__ == "__main__":
    main()
