"""Whole-process time and peak memory of padsheet, each as a ratio to a floor of the same run.

Run it from the root of the repository, on a computer that does nothing else:

    python tests/bench/speed.py [--cache FOLDER] [--repeat 5] [--stages] [--quick]

Only the standard library is imported here: what this process holds would count as its children's.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from statistics import median

HERE = Path(__file__).parent
PADS = (9, 25, 100, 225)
MEGAPIXELS = (12, 48)
COMMAND = (sys.executable, "-c", "from padsheet.cli.main import main; main()")
FLOOR = "import cv2, sys; assert cv2.imread(sys.argv[1]) is not None"


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One run of a process."""

    wall_s: float
    cpu_s: float
    peak_mb: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What is measured: a command, and the floor of the same repetition that it is compared to."""

    name: str
    words: tuple[str, ...]
    floor: str


def photo_of(cache: Path, pads: int, megapixels: int) -> Path:
    """Return where `speed_photos.py` keeps a photo."""
    return cache / f"photo-{pads}-pads-{megapixels}-megapixels.jpg"


def measured(words: tuple[str, ...], environment: dict[str, str]) -> Run:
    """Run a command and wait for it."""
    begun = time.perf_counter()
    process = subprocess.Popen(
        words, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    assert process.stderr is not None
    said = process.stderr.read()
    _, status, used = os.wait4(process.pid, 0)
    wall = time.perf_counter() - begun
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{' '.join(words)}\n{said}")
    # Linux counts in kilobytes, macOS in bytes.
    unit = 2**20 if sys.platform == "darwin" else 2**10
    return Run(wall_s=wall, cpu_s=used.ru_utime + used.ru_stime, peak_mb=used.ru_maxrss / unit)


def cases(
    cache: Path, work: Path, pads: tuple[int, ...], megapixels: tuple[int, ...]
) -> list[Case]:
    """Return all that is measured, floors first."""
    found = [
        Case(
            name="import click", words=(sys.executable, "-c", "import click"), floor="import click"
        )
    ]
    found += [
        Case(
            name=f"floor {size}",
            words=(sys.executable, "-c", FLOOR, str(photo_of(cache, 25, size))),
            floor=f"floor {size}",
        )
        for size in megapixels
    ]
    found.append(Case(name="--help", words=(*COMMAND, "--help"), floor="import click"))
    for count in (25, 225):
        if count in pads:
            words = ("-C", str(work / f"bed-{count}"), "sheet", "--reach", "fine", "--force")
            found.append(
                Case(name=f"sheet {count} pads", words=(*COMMAND, *words), floor="floor 12")
            )
    for size in megapixels:
        for count in pads:
            photo = str(photo_of(cache, count, size))
            words = ("-C", str(work / f"scored-{count}"), "score", photo, "--force")
            name = f"score {size} MP, {count} pads"
            found.append(Case(name=name, words=(*COMMAND, *words), floor=f"floor {size}"))
    return found


def folders(cache: Path, work: Path, pads: tuple[int, ...]) -> None:
    """Copy the bed folders: one to write sheets in, one to score in."""
    for count in pads:
        for name in ("scored", "bed"):
            shutil.copytree(cache / f"bed-{count}", work / f"{name}-{count}")
        # A sheet that was scored would be followed by the next round's.
        for path in (work / f"bed-{count}" / "rounds" / "01").glob("*"):
            path.unlink()


def ratios(runs: dict[str, list[Run]], case: Case) -> tuple[float, float]:
    """Return the medians, over the repetitions, of wall and CPU time over the floor's."""
    pairs = list(zip(runs[case.name], runs[case.floor], strict=True))
    return (
        median(one.wall_s / floor.wall_s for one, floor in pairs),
        median(one.cpu_s / floor.cpu_s for one, floor in pairs),
    )


def table(runs: dict[str, list[Run]], measured_cases: list[Case]) -> str:
    """Return one line for each case."""
    lines = [
        "medians; ratios to the floor, run by run",
        f"{'':<22} {'wall s':>7} {'ratio':>6} {'cpu s':>7} {'ratio':>6} {'peak MB':>8}",
    ]
    for case in measured_cases:
        own = runs[case.name]
        wall, cpu = ratios(runs, case)
        lines.append(
            f"{case.name:<22} {median(r.wall_s for r in own):>7.2f} {wall:>6.2f} "
            f"{median(r.cpu_s for r in own):>7.2f} {cpu:>6.2f} {max(r.peak_mb for r in own):>8.0f}"
        )
    return "\n".join(lines)


def bars(runs: dict[str, list[Run]]) -> list[str]:
    """Return each bar with what was reached."""

    def wall(name: str, to: str) -> float:
        return median(a.wall_s / b.wall_s for a, b in zip(runs[name], runs[to], strict=True))

    wanted = [
        ("score 12 MP, 25 pads", "floor 12", 3.0),
        ("score 48 MP, 25 pads", "score 12 MP, 25 pads", 3.0),
        ("score 12 MP, 225 pads", "score 12 MP, 25 pads", 2.0),
        ("--help", "import click", 2.0),
    ]
    lines = [
        f"{name} / {to}: {wall(name, to):.2f} (at most {limit:g})"
        for name, to, limit in wanted
        if name in runs and to in runs
    ]
    large = [r.peak_mb for name, own in runs.items() if name.startswith("score 48") for r in own]
    return [*lines, *([f"peak memory at 48 MP: {max(large):.0f} MB (under 700)"] if large else [])]


def stages(cache: Path, work: Path, environment: dict[str, str], pads: tuple[int, ...]) -> str:
    """Return where the time of one run goes, one column for each number of pads."""
    columns = {}
    for size, count in [(12, count) for count in pads] + [(48, 25)]:
        photo = photo_of(cache, count, size)
        if not photo.exists():
            continue
        words = (sys.executable, str(HERE / "speed_stages.py"), str(work / f"scored-{count}"))
        done = subprocess.run(
            [*words, str(photo)], env=environment, capture_output=True, text=True, check=True
        )
        columns[f"{size} MP, {count}"] = json.loads(done.stdout.splitlines()[-1])
    names = list(dict.fromkeys(name for column in columns.values() for name in column))
    lines = [f"{'seconds':<20}" + "".join(f"{title:>12}" for title in columns)]
    lines += [
        f"{name:<20}" + "".join(f"{column.get(name, 0.0):>12.3f}" for column in columns.values())
        for name in names
    ]
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, help="keep the rendered photos here for the next run")
    parser.add_argument("--repeat", type=int, default=5)
    parser.add_argument("--stages", action="store_true", help="also where the time goes")
    parser.add_argument("--quick", action="store_true", help="12 megapixels and 25 pads only")
    given = parser.parse_args()
    pads, megapixels = ((25,), (12,)) if given.quick else (PADS, MEGAPIXELS)
    with tempfile.TemporaryDirectory() as place:
        work = Path(place)
        cache = given.cache or work / "cache"
        listed = [",".join(map(str, values)) for values in (pads, megapixels)]
        maker = [sys.executable, str(HERE / "speed_photos.py"), str(cache)]
        subprocess.run([*maker, "--pads", listed[0], "--megapixels", listed[1]], check=True)
        folders(cache, work, pads)
        # As installed: with compiled modules, wherever this checkout may not keep them.
        environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        environment["PYTHONPYCACHEPREFIX"] = str(work / "compiled")
        todo = cases(cache, work, pads, megapixels)
        runs: dict[str, list[Run]] = {case.name: [] for case in todo}
        for repetition in range(given.repeat + 1):
            for case in todo:
                run = measured(case.words, environment)
                if repetition:  # the first one only warms up
                    runs[case.name].append(run)
            print(f"repetition {repetition} of {given.repeat}", file=sys.stderr)
        print(table(runs, todo), "", *bars(runs), sep="\n")
        if given.stages:
            print("", stages(cache, work, environment, pads), sep="\n")


if __name__ == "__main__":
    main()
