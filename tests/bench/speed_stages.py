"""Where the time of one `padsheet score` goes: run it once with a clock around each stage.

    python tests/bench/speed_stages.py BED_FOLDER PHOTO

Prints a JSON object of seconds by stage. Stages that run at the same time as others in threads
count in full, so the sum may exceed `whole`, which begins with the interpreter's first line.
"""

from __future__ import annotations

import time

BEGUN = time.perf_counter()

import functools  # noqa: E402 -- the clock must run before anything else is imported
import importlib  # noqa: E402
import json  # noqa: E402
import sys  # noqa: E402
import threading  # noqa: E402
from collections import defaultdict  # noqa: E402
from collections.abc import Callable  # noqa: E402
from typing import Any  # noqa: E402

SPENT: dict[str, float] = defaultdict(float)
LOCK = threading.Lock()

# Stage, module and name: where the module that calls a function looks it up.
STAGES = (
    ("decode", "padsheet.scoring.scorer", "read_photo"),
    ("which round", "padsheet.scoring.scorer", "find_round"),
    ("markers", "padsheet.scoring.reading", "find_markers"),
    ("registration", "padsheet.scoring.reading", "register"),
    ("sampling", "padsheet.scoring.patches", "_sampled"),
    ("profiles", "padsheet.scoring.measuring", "pad_profiles"),
    ("widths", "padsheet.scoring.measuring", "measure_pads"),
    ("gaps", "padsheet.scoring.reading", "_score_pads"),
    ("crops", "padsheet.scoring.reading", "pad_crops"),
    ("advice", "padsheet.scoring.scorer", "advise"),
    ("history", "padsheet.scoring.scorer", "standing"),
    ("annotated picture", "padsheet.scoring.round_files", "photo_with_scores"),
    ("annotated picture", "padsheet.scoring.round_files", "_jpeg"),
    ("report", "padsheet.scoring.round_files", "_report"),
    ("writing", "padsheet.scoring.round_files", "_keep_photos"),
    ("writing", "padsheet.scoring.round_files", "write_group"),
)


def clocked(stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
    """Return the function with its time added to a stage."""

    @functools.wraps(function)
    def timed(*args: object, **options: object) -> object:
        begun = time.perf_counter()
        try:
            return function(*args, **options)
        finally:
            with LOCK:
                SPENT[stage] += time.perf_counter() - begun

    return timed


def main() -> None:
    """Run the command."""
    folder, photo = sys.argv[1:]
    begun = time.perf_counter()
    main_module = importlib.import_module("padsheet.cli.main")
    importlib.import_module("padsheet.cli.score_one")
    SPENT["imports"] = time.perf_counter() - begun
    for stage, module_name, name in STAGES:
        module = importlib.import_module(module_name)
        setattr(module, name, clocked(stage, getattr(module, name)))
    words = ["-C", folder, "score", photo, "--force", "--json"]
    stdout, sys.stdout = sys.stdout, open("/dev/null", "w")
    main_module.main(words, standalone_mode=False)
    sys.stdout = stdout
    SPENT["whole"] = time.perf_counter() - BEGUN
    print(json.dumps({stage: round(seconds, 4) for stage, seconds in SPENT.items()}))


if __name__ == "__main__":
    main()
