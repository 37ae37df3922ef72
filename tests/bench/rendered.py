"""Accuracy on photos of an outside renderer: draw scenes, have them rendered, read them, report.

Run it from the root of the repository:

    python tests/bench/rendered.py --cache DIR --renderer COMMAND --count 60 --seed 1
    python tests/bench/rendered.py --cache DIR     # read again what is there, render nothing

`README.md` beside this file says what the renderer is asked and must answer.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import cv2
from bench_board import Outcome, photo_line, read_with_all, report
from bench_cache import Kept, folder_of, kept, render
from bench_scenes import ALIKE, KINDS, Shot, off_scale_plan, plan

from padsheet.scoring.photo import decode_photo

KEYS = (
    "mode",
    "reach",
    "contrast",
    "brightness",
    "material",
    "light",
    "pose",
    "blur",
    "size",
    "mesh",
    "things",
)

# By the scene alone: lens, shake and noise filter blur the print by less than this, where a line of
# 0.4 mm can still be seen between its neighbours.
MOST_BLUR_MM = 0.13


def groups_of(about: dict[str, object]) -> dict[str, str]:
    """Return what a photo is counted under."""
    tilt, blur, things = float(str(about["tilt"])), float(str(about["blur_mm"])), about["things"]
    assert isinstance(things, list)
    alike = (about["filament"], about["material"]) in ALIKE
    mesh = "known" if about["mesh_known"] else "not told" if about["mesh"] else "none"
    return {
        "kind": str(about["kind"]),
        "mode": str(about["mode"]),
        "reach": str(about["reach"]),
        "contrast": str(about["contrast"]),
        "brightness": "alike" if alike else "apart",
        "seen": "alike in brightness"
        if alike
        else f"apart, blur {'<' if blur < MOST_BLUR_MM else '>'} {MOST_BLUR_MM} mm, "
        f"{about['reach']}",
        "material": str(about["material"]),
        "light": str(about["light"]),
        "pose": "0-8 deg" if tilt < 8 else "8-16 deg" if tilt < 16 else "16-35 deg",
        "blur": "< 0.09 mm" if blur < 0.09 else "0.09-0.13" if blur < 0.13 else "> 0.13 mm",
        "size": f"{about['megapixels']} MP",
        "mesh": mesh,
        "things": "none" if not things else "some",
    }


def judge(one: Kept) -> Outcome:
    """Read one photo of the cache with all readers."""
    cv2.setNumThreads(1)
    photo = decode_photo(one.photo.read_bytes(), one.folder.name)
    name = f"{one.about['kind']} {one.folder.name}"
    return read_with_all(
        photo,
        one.sheet(),
        one.gaps_mm(),
        name=name,
        groups=groups_of(one.about),
        mesh=one.mesh(),
    )


def render_all(shots: list[Shot], cache: Path, renderer: str) -> None:
    """Render what the cache lacks, one after the other, and keep its index."""
    for shot in shots:
        if (folder_of(shot, cache) / "photo.jpg").exists():
            continue
        try:
            note(render(shot, cache, renderer), cache)
        except (subprocess.SubprocessError, OSError) as error:
            print(f"{shot.name}: {error}", file=sys.stderr, flush=True)
        else:
            print(f"{shot.name}: rendered", file=sys.stderr, flush=True)


def note(done: Kept, cache: Path) -> None:
    """Add one line on a finished photo to the cache's index."""
    a = done.about
    words = (
        f"{a['mode']} {a['megapixels']} MP, {a['filament']} on {a['material']}, {a['light']}, "
        f"tilt {a['tilt']:.0f}, {a['reach']}, {a['shape']} x{a['beyond']}"
    )
    line = [done.photo, done.folder / "sheet.json", done.folder / "truth.json", a["kind"]]
    line.append(", ".join([words, *a["things"]]))
    with (cache / "INDEX.txt").open("a") as index:
        index.write("  ".join(str(part) for part in line) + "\n")


def arguments(argv: list[str] | None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cache", type=Path, required=True, help="folder of the photos")
    parser.add_argument("--renderer", help="command that renders; without it nothing is rendered")
    parser.add_argument("--count", type=int, default=60, help="photos")
    parser.add_argument("--seed", type=int, default=1, help="other beds, colours and poses")
    parser.add_argument("--set", choices=("all", "off-scale"), default="all", dest="which")
    parser.add_argument("--only", default="", help="photos whose folder's name holds this")
    parser.add_argument("--processes", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--outcomes", type=Path, help="also write each photo's figures as JSON")
    given = parser.parse_args(argv)
    if given.count < 1 or given.processes < 1:
        parser.error("--count and --processes must be at least 1")
    return given


def as_json(outcomes: list[Outcome]) -> str:
    """Return the outcomes as JSON, pad by pad."""
    return json.dumps(
        [
            {
                "name": o.name,
                "groups": o.groups,
                "refused": o.refused,
                "verdicts": o.verdicts,
                "truth_mm": o.truth_mm.tolist(),
                "common_sigma_mm": o.common_sigma_mm,
                "sigma_mm": o.sigma_mm.tolist(),
                "error_mm": {name: error.tolist() for name, error in o.error_mm.items()},
            }
            for o in outcomes
        ]
    )


def main(argv: list[str] | None = None) -> None:
    """Render what is asked for, read what the cache holds, and print the report."""
    given = arguments(argv)
    cache = given.cache / given.which
    cache.mkdir(parents=True, exist_ok=True)
    if given.renderer:
        make = plan if given.which == "all" else off_scale_plan
        render_all(make(given.count, given.seed), cache, given.renderer)
    photos = [one for one in kept(cache) if given.only in one.folder.name]
    if not photos:
        raise SystemExit(f"no photo in {cache}: give --renderer")
    outcomes = []
    # A forked child may inherit a lock that a thread of the parent held.
    with ProcessPoolExecutor(given.processes, mp_context=get_context("spawn")) as pool:
        for outcome in pool.map(judge, photos):
            outcomes.append(outcome)
            print(photo_line(outcome), file=sys.stderr, flush=True)
    if given.outcomes:
        given.outcomes.write_text(as_json(outcomes))
    print(report(outcomes, KINDS, KEYS))


if __name__ == "__main__":
    main()
