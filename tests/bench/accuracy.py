"""Accuracy over many photos of the virtual printer and phone, beside two simpler readers.

Run it from the root of the repository:

    python tests/bench/accuracy.py --count 30 --kinds clear,ordinary,hard --seed 1
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache, partial
from multiprocessing import get_context
from pathlib import Path
from types import ModuleType

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta

from padsheet.patterns.bead import gap_mm as bead_gap_mm
from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.ladder import FINE_MM
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.lines import Patches, measure_pad, pad_lines, sample_lines
from padsheet.scoring.photo import Photo, decode_photo
from padsheet.scoring.reading import read_sheet_photo

VIRTUAL = Path(__file__).parents[1] / "virtual"
KINDS = ("clear", "ordinary", "hard")
READERS = ("padsheet", "one edge fit", "threshold")
Z95 = 1.959964
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What was read of one photo: errors of each reader, NaN where a pad was not read.

    `relative` and `total` are the errors of the read pads over the claimed standard deviation,
    `common` is that of the mean of the sheet.
    """

    kind: str
    seed: int
    error_mm: dict[str, Floats] = field(default_factory=dict)
    relative: Floats = field(default_factory=lambda: np.empty(0))
    total: Floats = field(default_factory=lambda: np.empty(0))
    common: float | None = None
    reasons: tuple[str, ...] = ()
    refused: str | None = None


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


def take_photo(seed: int, kind: str, width_px: int) -> tuple[bytes, Floats]:
    """Print a fine sheet on a random bed and take a photo; return it and the true gaps."""
    virtual = virtual_printer()
    sheet, gcode = fine_sheet()
    rng = np.random.default_rng([seed, 71])
    shape = virtual.random_bed(seed, float(rng.uniform(0.06, 0.15)))
    shape = shape.raised(float(rng.normal(0, 0.008)))
    job = virtual.print_sheet(gcode, shape, seed=seed)
    jpeg, _ = virtual.photograph(job, virtual.random_scene(seed, kind), width_px=width_px)
    truth = [float(job.truth.gap(p.x_mm, p.y_mm, sheet.target_gap_mm)) for p in sheet.pads]
    return jpeg, np.array(truth)


def otsu_level(photo: Photo) -> float:
    """Return the threshold of Otsu (IEEE Trans. SMC 9 (1979) 62-66) on the whole picture."""
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    return float(cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[0])


def threshold_width_mm(patches: Patches, track: int, level: float) -> float:
    """Return the median over the rows of a patch of the width that lies on the print's side."""
    linear = patches.light[track].astype(float)
    codes = 255 * np.where(
        linear <= 0.0031308, linear * 12.92, 1.055 * np.clip(linear, 0, None) ** (1 / 2.4) - 0.055
    )
    bright = codes @ np.array([0.299, 0.587, 0.114]) > level
    u = patches.u_mm
    # The plate is what lies at the sides; the print is the other class.
    printed = bright != (bright[:, np.abs(u) > u[-1] - 0.15].mean() > 0.5)
    return float(np.median(printed.sum(axis=1)) * (u[1] - u[0]))


def simple_gaps(photo: Photo, camera: Camera, sheet: Sheet) -> dict[str, Floats]:
    """Read each pad from the one track printed nearest to the target height.

    Both readers take the nominal cross-section and the semicircular sides of the textbook; what
    the track was printed above or below the target is taken off again.
    """
    heights = np.array([t.height_mm for t in sheet.tracks])
    one = int(np.argmin(np.abs(heights - sheet.target_gap_mm)))
    track, level = sheet.tracks[one], otsu_level(photo)
    edge, thresholded = [], []
    for pad in sheet.pads:
        patches = sample_lines(photo, camera, pad_lines(sheet, pad), sheet.target_gap_mm / 2)
        edge.append(float(measure_pad(patches).width_mm[one]))
        thresholded.append(threshold_width_mm(patches, one, level))
    above_mm = track.height_mm - sheet.target_gap_mm
    return {
        "one edge fit": bead_gap_mm(track.area_mm2, np.array(edge)) - above_mm,
        "threshold": bead_gap_mm(track.area_mm2, np.array(thresholded)) - above_mm,
    }


def measure(seed: int, kind: str, width_px: int) -> Outcome:
    """Take one photo and read it with all readers."""
    cv2.setNumThreads(1)
    sheet, _ = fine_sheet()
    jpeg, truth = take_photo(seed, kind, width_px)
    photo = decode_photo(jpeg, f"{kind}-{seed}.jpg")
    try:
        reading = read_sheet_photo(photo, sheet)
    except PadsheetError as error:
        return Outcome(kind=kind, seed=seed, refused=error.code)
    pads, score = reading.score.pads, reading.score
    ours = np.array([np.nan if p.gap_mm is None else p.gap_mm for p in pads]) - truth
    read = np.isfinite(ours)
    sigma = np.array([p.sigma_mm or np.nan for p in pads])[read]
    total = np.array([p.sigma_total_mm or np.nan for p in pads])[read]
    simple = simple_gaps(photo, reading.registration.camera, sheet)
    return Outcome(
        kind=kind,
        seed=seed,
        error_mm={"padsheet": ours} | {name: gaps - truth for name, gaps in simple.items()},
        relative=(ours[read] - ours[read].mean()) / sigma,
        total=ours[read] / total,
        common=float(ours[read].mean() / score.common_sigma_mm),
        reasons=tuple(p.reason.code if p.reason else p.verdict for p in pads if p.gap_mm is None),
    )


def binomial_interval(hits: int, count: int) -> tuple[float, float]:
    """Return the 95 % interval of a share (Clopper, Pearson, Biometrika 26 (1934) 404-413)."""
    low = 0.0 if hits == 0 else float(beta.ppf(0.025, hits, count - hits + 1))
    high = 1.0 if hits == count else float(beta.ppf(0.975, hits + 1, count - hits))
    return low, high


def rms(values: Floats) -> float:
    """Return the root of the mean square, NaN of nothing."""
    return float(np.sqrt(np.mean(values**2))) if values.size else float("nan")


def reader_row(kind: str, name: str, outcomes: list[Outcome], pads: int) -> str:
    """Return one reader's line of the table."""
    errors = [o.error_mm[name] for o in outcomes if name in o.error_mm]
    kept = [e[np.isfinite(e)] for e in errors if np.isfinite(e).any()]
    every = np.concatenate(kept) if kept else np.empty(0)
    relative = np.concatenate([e - e.mean() for e in kept]) if kept else np.empty(0)
    bias = float(np.mean([e.mean() for e in kept])) if kept else float("nan")
    worst = float(np.abs(every).max()) if every.size else float("nan")
    share = every.size / (pads * len(outcomes))
    return (
        f"{kind:<9} {name:<13} {len(outcomes):>6} {share:>7.1%} {rms(relative):>9.4f} "
        f"{rms(every):>9.4f} {bias:>+8.4f} {worst:>7.3f}"
    )


def coverage_lines(kind: str, outcomes: list[Outcome]) -> list[str]:
    """Return how often the 95 % intervals hold the truth."""
    read = [o for o in outcomes if o.common is not None]
    if not read:
        return [f"{kind}: no photo was read"]
    relative = np.abs(np.concatenate([o.relative for o in read])) < Z95
    total = np.abs(np.concatenate([o.total for o in read])) < Z95
    hits = sum(abs(o.common or 0.0) < Z95 for o in read)
    low, high = binomial_interval(hits, len(read))
    return [
        f"{kind}: relative {relative.mean():.1%} of {relative.size} pads; "
        f"absolute {total.mean():.1%} of the same pads; "
        f"common part {hits} of {len(read)} photos = {hits / len(read):.1%} "
        f"(95 % interval {low:.1%} to {high:.1%})"
    ]


def report(outcomes: list[Outcome], kinds: tuple[str, ...]) -> str:
    """Return the whole report as text."""
    pads = len(fine_sheet()[0].pads)
    groups = [(kind, [o for o in outcomes if o.kind == kind]) for kind in kinds]
    groups = [(kind, group) for kind, group in groups if group]
    if len(groups) > 1:
        groups.append(("all", outcomes))
    lines = [
        "errors in mm; relative: the mean of each photo taken off",
        f"{'kind':<9} {'reader':<13} {'photos':>6} {'read':>7} {'rel rms':>9} {'abs rms':>9} "
        f"{'bias':>8} {'worst':>7}",
    ]
    lines += [reader_row(kind, name, group, pads) for kind, group in groups for name in READERS]
    lines += ["", "share of 95 % intervals that hold the truth"]
    lines += [line for kind, group in groups for line in coverage_lines(kind, group)]
    lines += ["", "not read"]
    for kind, group in groups:
        refused = Counter(o.refused for o in group if o.refused)
        reasons = Counter(code for o in group for code in o.reasons)
        lines.append(f"{kind}: whole photos {dict(refused)}; pads {dict(reasons)}")
    return "\n".join(lines)


def arguments(argv: list[str] | None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=30, help="photos, shared among the kinds")
    parser.add_argument("--kinds", default=",".join(KINDS), help="clear,ordinary,hard")
    parser.add_argument("--seed", type=int, default=1, help="other beds, colours and poses")
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
    outcomes = []
    # A forked child may inherit a lock that a thread of the parent held.
    with ProcessPoolExecutor(given.processes, mp_context=get_context("spawn")) as pool:
        for outcome in pool.map(partial(measure, width_px=given.width), seeds, kinds):
            outcomes.append(outcome)
            own = outcome.error_mm.get("padsheet", np.array([np.nan]))
            said = outcome.refused or (
                f"relative rms {np.nanstd(own):.4f}, mean {np.nanmean(own):+.4f}"
            )
            print(f"{outcome.kind} {outcome.seed}: {said}", file=sys.stderr, flush=True)
    print(report(outcomes, given.kinds))


if __name__ == "__main__":
    main()
