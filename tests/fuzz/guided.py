"""Fuzzing guided by coverage, with atheris: an optional run, see DEVELOPERS.md.

python tests/fuzz/guided.py TARGET [-runs=20000] [other options of libFuzzer]
"""

from __future__ import annotations

import importlib.util
import json
import sys
from collections.abc import Callable
from pathlib import Path

import atheris  # type: ignore[import-not-found,unused-ignore]

with atheris.instrument_imports(include=["padsheet"]):
    import padsheet.patterns.envelope
    import padsheet.patterns.profile
    import padsheet.patterns.sheet_file
    import padsheet.scoring.applied
    import padsheet.scoring.edit_styles
    import padsheet.scoring.mesh
    import padsheet.scoring.mesh_check
    import padsheet.scoring.mesh_table
    import padsheet.scoring.photo
    import padsheet.scoring.scores
    import padsheet.scoring.startcode

_spec = importlib.util.spec_from_file_location("fuzz_targets", Path(__file__).parent / "targets.py")
assert _spec is not None
assert _spec.loader is not None
t = importlib.util.module_from_spec(_spec)
sys.modules["fuzz_targets"] = t
_spec.loader.exec_module(t)


def as_text(read: Callable[[str], object]) -> Callable[[bytes], None]:
    """Feed text, whatever the bytes are."""

    def target(data: bytes) -> None:
        with t.refused_or_read():
            read(data.decode("utf-8", "replace"))

    return target


# Each target, and what it begins with.
TARGETS: dict[str, tuple[Callable[[bytes], None], list[bytes]]] = {
    "photo": (t.read_photo_bytes, list(t.pictures())),
    "bed": (as_text(t.parse_bed), [t.profile().encode()]),
    "sheet": (as_text(t.sheet_from_json), [t.small_gcode()[0].encode()]),
    "table": (lambda data: t.read_mesh_text(data.decode("utf-8", "replace")), [t.TABLE.encode()]),
    "mesh": (
        as_text(lambda text: padsheet.scoring.mesh.parse_mesh_csv(text, Path("mesh.csv"), None)),
        [t.mesh_csv(t.Mesh(grid=t.GRID, z_mm=t.Z_MM)).encode()],
    ),
    "start": (as_text(lambda text: t.check_start_code(text, t.BED)), [t.START.encode()]),
    "gcode": (
        lambda data: t.read_gcode(data.decode("utf-8", "replace")),
        ["\n".join(t.small_gcode()[1].splitlines()[:80]).encode()],
    ),
    "template": (
        lambda data: t.read_template(data.decode("utf-8", "replace")),
        [piece.encode() for piece in t.PIECES],
    ),
    "scores": (as_text(t.scores_from_json), [json.dumps({"format": 1, "pads": []}).encode()]),
    "applied": (as_text(t.applied_from_json), [b'{"format": 1, "how": "word", "nodes": []}']),
}


def main() -> None:
    """Write the beginnings where libFuzzer finds them, and run."""
    if len(sys.argv) < 2 or sys.argv[1] not in TARGETS:
        sys.exit(f"usage: guided.py {'|'.join(TARGETS)} [options of libFuzzer] [corpus folder]")
    target, seeds = TARGETS[sys.argv[1]]
    corpus = next((Path(word) for word in sys.argv[2:] if not word.startswith("-")), None)
    if corpus is not None:
        corpus.mkdir(parents=True, exist_ok=True)
        for number, seed in enumerate(seeds):
            (corpus / f"{sys.argv[1]}-{number}").write_bytes(seed)
    atheris.Setup([sys.argv[0], "-timeout=5", "-rss_limit_mb=3000", *sys.argv[2:]], target)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
