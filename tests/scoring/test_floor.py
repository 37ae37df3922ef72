"""A printer that does not go as low as it is told, against widths of the published relation."""

from __future__ import annotations

import re
from types import ModuleType

import numpy as np
import pytest

from padsheet.patterns.bead import width_mm
from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.ladder import FINE_MM
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.widths import Comb
from padsheet.scoring.floor import height_floor_mm
from padsheet.scoring.photo import decode_photo
from padsheet.scoring.reading import read_sheet_photo

HEIGHTS_MM = np.array([0.29, 0.25, 0.21, 0.17, 0.13, 0.13, 0.17, 0.21, 0.25, 0.29])
AREAS_MM2 = np.array([0.107, 0.151] * 5)
COMB = Comb.of(HEIGHTS_MM, AREAS_MM2, np.linspace(-9, 9, 10), target_mm=0.2, flat_mm=1.0)


def widths(
    bed_mm: np.ndarray, floor_mm: float = 0.0, flow: float = 1.0, seed: int = 1
) -> np.ndarray:
    """Widths of pads whose bed stands so far below nought, after Comminal et al. (2018)."""
    rng = np.random.default_rng(seed)
    gap = np.maximum(HEIGHTS_MM, floor_mm) + bed_mm[:, None]
    return width_mm(AREAS_MM2 * flow, gap) + rng.normal(0, 0.006, gap.shape) + 0.02


@pytest.mark.parametrize("flow", [0.92, 1.0, 1.08])
def test_a_printer_that_goes_all_the_way_is_not_accused(flow) -> None:
    bed = np.linspace(-0.02, 0.08, 25)
    assert height_floor_mm(COMB, widths(bed, flow=flow)) is None


@pytest.mark.parametrize(("floor", "named"), [(0.17, 0.17), (0.165, 0.17), (0.21, 0.21)])
@pytest.mark.parametrize("flow", [0.92, 1.08])
def test_the_height_it_stops_at_is_named(floor, named, flow) -> None:
    bed = np.linspace(-0.02, 0.06, 25)
    assert height_floor_mm(COMB, widths(bed, floor, flow)) == pytest.approx(named)


def test_a_floor_is_seen_in_spite_of_lost_lines() -> None:
    measured = widths(np.linspace(-0.02, 0.06, 25), 0.17)
    measured[:, 0] = np.nan
    measured[3:9] = np.nan
    assert height_floor_mm(COMB, measured) == pytest.approx(0.17)


def test_round_and_choked_lines_prove_nothing() -> None:
    """Far too high all lines are round, and so alike; far too near they are choked."""
    assert height_floor_mm(COMB, widths(np.full(25, 0.3))) is None
    choked = widths(np.full(25, -0.03))
    choked[:, 4:6] = choked[:, [3, 6]]
    assert height_floor_mm(COMB, choked) is None


@pytest.mark.parametrize("wider_mm", [0.06, 0.09, 0.12])
@pytest.mark.parametrize("high_mm", [0.25, 0.30])
def test_strands_that_a_photo_widens_are_no_floor(high_mm, wider_mm) -> None:
    """They seem pressed then, and alike from step to step."""
    bed = np.linspace(high_mm - 0.02, high_mm + 0.02, 16)
    assert height_floor_mm(COMB, widths(bed, flow=0.92) + wider_mm) is None


def test_too_few_pads_prove_nothing() -> None:
    assert height_floor_mm(COMB, widths(np.zeros(2), 0.17)) is None
    assert height_floor_mm(COMB, widths(np.zeros(3), 0.17)) == pytest.approx(0.17)
    assert height_floor_mm(COMB, np.full((25, 10), np.nan)) is None


def test_a_photo_of_such_a_print_is_refused(virtual: ModuleType) -> None:
    bed = Bed(mesh=MeshGrid(columns=3, rows=3, outside="hold"))
    sheet = lay_out_sheet(bed, reach_mm=(-FINE_MM, FINE_MM)).sheet
    second = sorted({t.height_mm for t in sheet.tracks})[1]

    def held(word: re.Match[str]) -> str:
        return f"Z{max(float(word[1]), second):.3f}"

    gcode = re.sub(r"\bZ(\d+\.?\d*)", held, write_gcode(sheet, bed))
    job = virtual.print_sheet(gcode, virtual.random_bed(3, 0.08), seed=3)
    jpeg, _ = virtual.photograph(job, virtual.random_scene(4, "clear"), width_px=3000)
    with pytest.raises(PadsheetError) as refusal:
        read_sheet_photo(decode_photo(jpeg), sheet)
    assert refusal.value.code == "print-floor"
    assert f"below about {second:.2f} mm" in str(refusal.value)
