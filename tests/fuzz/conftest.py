"""The damaged inputs, and a bed folder to damage."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from padsheet.patterns.make import make_sheet
from padsheet.patterns.profile import profile_text
from padsheet.scoring.advice import advise
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.overwriting import write_group
from padsheet.scoring.recording import record_applied
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json

# It needs a library of the extra `fuzz`, and is run by itself.
collect_ignore = ["guided.py"]


@pytest.fixture(scope="session")
def targets() -> ModuleType:
    """Return tests/fuzz/targets.py, loaded once."""
    name = "fuzz_targets"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / "targets.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def whole_folder(
    targets: ModuleType, score_of: Callable[..., object], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Make a bed folder with two rounds, meshes, edits and a proof."""
    path = tmp_path_factory.mktemp("whole") / "bed"
    path.mkdir()
    (path / "bed.toml").write_text(profile_text(targets.BED), encoding="utf-8")
    folder = BedFolder(path)
    one = Mesh(grid=targets.GRID, z_mm=targets.Z_MM, name="one", taken="2024-05-01")
    folder.store_mesh(one)
    gaps = 0.2 + np.array([0.05, 0, -0.04, 0.06, 0, 0, -0.05, 0, 0.03])
    for number in (1, 2):
        round_ = folder.round(number)
        files = make_sheet(
            targets.BED,
            reach_mm=(-0.08, 0.08),
            number=number,
            points=[(0, 0), (2, 1), (1, 2)],
            mesh_active="yes",
            mesh_name="one" if number == 1 else "two",
        )
        write_group(round_.path, {"sheet.gcode": files.gcode, "sheet.json": files.json})
        score = score_of(targets.GRID, gaps, number=number)
        advice = advise(score, targets.BED, mesh=folder.active_mesh())
        text = scores_to_json(score, advice, plate="plate", bed_c=60.0)
        round_.scores_json.write_text(text, encoding="utf-8")
        if number == 1:
            after = Mesh(
                grid=targets.GRID, z_mm=targets.Z_MM + 0.02, name="two", taken="2024-05-02"
            )
            folder.store_mesh(after)
            record_applied(round_, one, after, taken="2024-05-02")
    return path
