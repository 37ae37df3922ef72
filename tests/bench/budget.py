"""Error budget: one effect of the virtual printer and phone switched off at a time.

    python tests/bench/budget.py --count 6 [--kind ordinary] [--seed 1] [--only WORD]

Each row reads the same prints and poses with one effect gone; what the error loses against the
first row is that effect's share. The last rows leave the photo out: the fit is given true widths.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from multiprocessing import get_context
from typing import Any

import cv2
import numpy as np
from accuracy import KINDS, fine_sheet, virtual_printer
from bench_board import Floats, Outcome, read_with_all, rms

from padsheet.scoring.gaps import TrackData, fit_gaps
from padsheet.scoring.photo import decode_photo

Changes = dict[str, Any]
# What is switched off: changes of the scene, then of the print.
EFFECTS: dict[str, tuple[Changes, Changes]] = {
    "all effects": ({}, {}),
    "no photon or read noise": ({"electrons": 0.0, "read_noise": 0.0}, {}),
    "lens blur 0.5 px, no shake": ({"blur_px": 0.5, "motion_px": 0.0}, {}),
    "no sharpening": ({"sharpen": 0.0}, {}),
    "no tone curve": ({"contrast": 0.0}, {}),
    "JPEG quality 98": ({"quality": 98}, {}),
    "even light, no shadow or gloss": (
        {"shadow": 0.0, "side_dark": 0.0, "highlight": 0.0, "mottle": 0.0, "gradient": 0.0}
        | {"glare": 0.0, "vignette": 0.0},
        {},
    ),
    "bare plate without texture": (
        {"smooth": 0.0, "grain": 0.0, "scratches": 0.0, "brushed": 0.0},
        {},
    ),
    "no colour fringes": ({"fringe": 0.0}, {}),
    "lens without distortion": ({"k1": 0.0}, {}),
    "from straight above": ({"tilt_deg": 0.0}, {}),
    "flow 1": ({}, {"flow": 1.0}),
    "semicircular sides": ({}, {"exponent": 2.0, "depth_fraction": 1.0}),
    "no back pressure": ({}, {"slip": 0.0}),
    "steady flow and straight edges": ({}, {"quiet": True}),
    "exact heights": ({}, {"exact": True}),
}
WIDTHS = "true widths, no photo"
TEXTBOOK = "true widths, quiet textbook bead"
ROWS = (*EFFECTS, WIDTHS, TEXTBOOK)
QUIET = {
    "wander": 0.0,
    "pad_noise": 0.0,
    "track_noise": 0.0,
    "path_noise": 0.0,
    "edge_noise_mm": 0.0,
}


def printed(seed: int, changes: Changes) -> tuple[Any, Floats]:
    """Print a fine sheet; return the print and the true gaps at the pads."""
    virtual = virtual_printer()
    sheet, gcode = fine_sheet()
    rng = np.random.default_rng([seed, 71])
    shape = virtual.random_bed(seed, float(rng.uniform(0.06, 0.15)))
    shape = shape.raised(float(rng.normal(0, 0.008)))
    bead = virtual.BeadSettings.random(seed)
    for name, value in (changes | (QUIET if changes.get("quiet") else {})).items():
        if hasattr(bead, name) and name != "quiet":
            bead = replace(bead, **{name: value})
    exact = virtual.ZError(step_rms_mm=0.0) if changes.get("exact") else None
    job = virtual.print_sheet(
        gcode, shape, seed=seed, flow=changes.get("flow"), bead=bead, z_error=exact
    )
    truth = [float(job.truth.gap(p.x_mm, p.y_mm, sheet.target_gap_mm)) for p in sheet.pads]
    return job, np.array(truth)


def from_photo(seed: int, kind: str, row: str) -> Outcome:
    """Take one photo with an effect switched off, and read it."""
    virtual = virtual_printer()
    scene_changes, print_changes = EFFECTS[row]
    job, truth = printed(seed, print_changes)
    scene = virtual.random_scene(seed, kind).but(**scene_changes)
    jpeg, _ = virtual.photograph(job, scene, width_px=4032)
    photo = decode_photo(jpeg, f"{kind}-{seed}.jpg")
    return read_with_all(
        photo, fine_sheet()[0], truth, name=f"{row}, {kind} {seed}", groups={"kind": row}
    )


def from_widths(seed: int, row: str) -> Outcome:
    """Fit the true widths of a print."""
    sheet, _ = fine_sheet()
    plain = {"exponent": 2.0, "depth_fraction": 1.0, "slip": 0.0, "quiet": True, "exact": True}
    job, truth = printed(seed, plain if row == TEXTBOOK else {})
    width = np.array(
        [
            [
                abs(job.segments.width[job.segments.nearest(p.x_mm + t.offset_mm, p.y_mm)])
                for t in sheet.tracks
            ]
            for p in sheet.pads
        ]
    )
    count = len(sheet.pads)
    data = TrackData(
        width_mm=width,
        sigma_mm=np.full(width.shape, 0.003),
        kappa=np.zeros((count, 1)),
        kink_mm=np.zeros(width.shape),
        doubt=np.ones(count),
    )
    fit = fit_gaps(sheet, data)
    covariance = fit.covariance_mm2
    share = np.eye(count) - 1 / count
    return Outcome(
        name=f"{row} {seed}",
        groups={"kind": row},
        truth_mm=truth,
        beyond=np.zeros(count, bool),
        error_mm={"padsheet": fit.gap_mm - truth},
        sigma_mm=np.sqrt(np.diag(share @ covariance @ share)),
        sigma_total_mm=np.sqrt(np.diag(covariance)),
        common_sigma_mm=float(np.sqrt(covariance.mean())),
    )


def measure(job: tuple[str, int], kind: str) -> Outcome:
    """Measure one row on one print."""
    cv2.setNumThreads(1)
    row, seed = job
    return from_photo(seed, kind, row) if row in EFFECTS else from_widths(seed, row)


def line(row: str, outcomes: list[Outcome]) -> str:
    """Return one row of the table."""
    read = [o for o in outcomes if o.read.any()]
    if not read:
        return f"{row:<34} nothing read"
    relative = np.concatenate([o.error_mm["padsheet"][o.read] - o.mean_mm for o in read])
    share = sum(o.read.sum() for o in read) / sum(len(o.read) for o in outcomes)
    z = np.concatenate([o.relative_z() for o in read])
    common = np.array([o.mean_mm for o in read])
    return f"{row:<34} {share:>6.0%} {rms(relative):>8.4f} {rms(z):>6.2f} {rms(common):>8.4f}"


def main(argv: list[str] | None = None) -> None:
    """Measure all rows and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=6, help="prints for each row")
    parser.add_argument("--kind", choices=KINDS, default="ordinary")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="rows whose name holds this word")
    parser.add_argument("--processes", type=int, default=min(2, os.cpu_count() or 1))
    given = parser.parse_args(argv)
    rows = [row for row in ROWS if given.only in row]
    jobs = [(row, 10_000 * given.seed + k) for row in rows for k in range(given.count)]
    work: Callable[[tuple[str, int]], Outcome] = partial(measure, kind=given.kind)
    outcomes = []
    with ProcessPoolExecutor(given.processes, mp_context=get_context("spawn")) as pool:
        for outcome in pool.map(work, jobs):
            outcomes.append(outcome)
            print(outcome.name, outcome.refused or "", file=sys.stderr, flush=True)
    print(f"{given.kind} photos, {given.count} prints for each row; errors in mm")
    print(f"{'switched off':<34} {'read':>6} {'rel rms':>8} {'rel z':>6} {'common':>8}")
    for row in rows:
        print(line(row, [o for o in outcomes if o.groups["kind"] == row]))


if __name__ == "__main__":
    main()
