"""Fixtures shared by all tests."""

from __future__ import annotations

import importlib.util
import os
import sys
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from numpy.typing import NDArray

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.squish import PadScore, SheetScore, squish_score, verdict

VIRTUAL = Path(__file__).parent / "virtual"

# Every run draws the same cases unless `--hypothesis-profile=long` asks for many others, by
# default as many as are promised.
settings.register_profile("ci", derandomize=True, deadline=None, database=None)
settings.register_profile(
    "long",
    max_examples=int(os.environ.get("PADSHEET_CASES", "10000")),
    deadline=5000,
    database=None,
    print_blob=True,
    suppress_health_check=list(HealthCheck),
)
settings.load_profile("ci")


@pytest.fixture(scope="session")
def virtual() -> ModuleType:
    """Return the virtual printer and phone (tests/virtual), loaded once as `virtual_printer`."""
    name = "virtual_printer"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(
            name, VIRTUAL / "__init__.py", submodule_search_locations=[str(VIRTUAL)]
        )
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


def score_from_gaps(
    grid: MeshGrid,
    gaps_mm: NDArray[np.float64],
    *,
    sigma_mm: float = 0.006,
    common_sigma_mm: float = 0.007,
    target_mm: float = 0.20,
    unread: Collection[tuple[int, int]] = (),
    bounds: Mapping[tuple[int, int], tuple[float | None, float | None]] | None = None,
    number: int = 1,
) -> SheetScore:
    """Make the scores of a sheet whose pads lie on their nodes and read the gaps given."""
    bounds = bounds or {}
    total_mm = float(np.hypot(sigma_mm, common_sigma_mm))
    pads = []
    for (i, j), gap in zip(grid.nodes, np.ravel(gaps_mm).tolist(), strict=True):
        place = {"i": i, "j": j, "x_mm": float(grid.x_mm[i]), "y_mm": float(grid.y_mm[j])}
        if (i, j) in grid.skip:
            continue
        if (i, j) in unread:
            pads.append(PadScore(verdict="unread", **place))
        elif (i, j) in bounds:
            side = "low" if bounds[i, j][0] is None else "high"
            pads.append(PadScore(verdict=f"off scale {side}", interval_mm=bounds[i, j], **place))
        else:
            interval = (gap - 1.96 * total_mm, gap + 1.96 * total_mm)
            pads.append(
                PadScore(
                    verdict=verdict(interval, target_mm, 0.03),
                    gap_mm=gap,
                    sigma_mm=sigma_mm,
                    sigma_total_mm=total_mm,
                    interval_mm=interval,
                    squish=squish_score(gap, target_mm),
                    **place,
                )
            )
    order = tuple((pad.i, pad.j) for pad in pads if pad.gap_mm is not None)
    return SheetScore(
        sheet_id=f"sheet{number}",
        sheet_number=number,
        target_gap_mm=target_mm,
        tolerance_mm=0.03,
        pads=tuple(pads),
        order=order,
        covariance_mm2=sigma_mm**2 * np.eye(len(order)) + common_sigma_mm**2,
        common_sigma_mm=common_sigma_mm,
        flow=0.98,
        flow_sigma=0.01,
        registration_rms_mm=0.02,
        lines_used=10 * len(order),
    )


@pytest.fixture(scope="session")
def score_of() -> Callable[..., SheetScore]:
    """Return the maker of a sheet's scores from the gaps at the nodes."""
    return score_from_gaps
