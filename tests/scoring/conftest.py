"""An example bed, scored and advised, for the tests of map, picture and report."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.ladder import FINE_MM
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Marker, Pad, Sheet, Track
from padsheet.scoring.advice import Advice, NodeAdvice, ScrewAdvice
from padsheet.scoring.photo import Photo, decode_photo
from padsheet.scoring.squish import PadScore, Reason, SheetScore, squish_score, verdict
from padsheet.scoring.steps import AdvisedStep

TARGET_MM, TOLERANCE_MM = 0.20, 0.03
HEIGHTS_MM = (0.28, 0.24, 0.20, 0.16, 0.12, 0.12, 0.16, 0.20, 0.24, 0.28)


@dataclass(frozen=True, kw_only=True)
class Scored:
    """A sheet with its scores and advice."""

    sheet: Sheet
    score: SheetScore
    advice: Advice


def gap_error_mm(u: float, v: float) -> float:
    """A tilted and bowed bed, with u and v from 0 to 1 over the mesh."""
    return 0.085 * u - 0.05 * v - 0.06 * math.sin(math.pi * v) * (1 - u) + 0.015


def made_sheet(grid: MeshGrid) -> Sheet:
    tracks = tuple(
        Track(
            number=n + 1,
            offset_mm=(n - 4.5) * min(2.0, 0.08 * grid.pitch_mm[0]),
            height_mm=height,
            area_mm2=area,
        )
        for n, (height, area) in enumerate(zip(HEIGHTS_MM, (0.10, 0.14) * 5, strict=True))
    )
    pads = tuple(
        Pad(i=i, j=j, x_mm=float(grid.x_mm[i]), y_mm=float(grid.y_mm[j]))
        for i, j in grid.nodes
        if (i, j) not in grid.skip
    )
    return Sheet(
        id="k3f9",
        number=2,
        reach_mm=(-0.08, 0.08),
        sigma_mm=0.005,
        pads=pads,
        tracks=tracks,
        track_length_mm=min(14.0, 0.6 * grid.pitch_mm[1]),
        window_mm=10.0,
        markers=(Marker(id=13, x_mm=40, y_mm=10, side_mm=12),),
        target_gap_mm=TARGET_MM,
        tolerance_mm=TOLERANCE_MM,
        bore_mm=0.4,
        flat_mm=1.0,
        z_step_mm=0.04,
        plate_name="glass",
        plate_outline_mm=(0.0, 0.0, 220.0, 220.0),
        nodes_x_mm=tuple(float(x) for x in grid.x_mm),
        nodes_y_mm=tuple(float(y) for y in grid.y_mm),
        mesh_active="yes",
        mesh_name="2024-05-01",
    )


def made_pad(pad: Pad, grid: MeshGrid) -> PadScore:
    place = {"i": pad.i, "j": pad.j, "x_mm": pad.x_mm, "y_mm": pad.y_mm}
    if (pad.i, pad.j) == (1, grid.rows - 1):
        text = "a reflection covers 6 of its 10 lines; take another photo with the lamp moved"
        return PadScore(verdict="unread", reason=Reason(code="glare", text=text), **place)
    if (pad.i, pad.j) == (grid.columns - 1, 0):
        text = "the lines lie loose and wander; the nozzle is above the sheet's reach"
        return PadScore(
            verdict="off scale high",
            interval_mm=(0.287, None),
            reason=Reason(code="off-scale-high", text=text),
            **place,
        )
    error = gap_error_mm(pad.i / (grid.columns - 1), pad.j / (grid.rows - 1))
    gap, sigma = TARGET_MM + error, 0.004 + 0.001 * ((pad.i + pad.j) % 3)
    interval = (gap - 1.96 * sigma, gap + 1.96 * sigma)
    return PadScore(
        verdict=verdict(interval, TARGET_MM, TOLERANCE_MM),
        gap_mm=gap,
        sigma_mm=sigma - 0.001,
        sigma_total_mm=sigma,
        interval_mm=interval,
        squish=squish_score(gap, TARGET_MM),
        **place,
    )


def made_advice(grid: MeshGrid, pads: dict[tuple[int, int], PadScore]) -> Advice:
    nodes = []
    for i, j in grid.nodes:
        pad = pads.get((i, j))
        gap = None if pad is None else pad.gap_mm
        # Off scale high: lowered by less than its bound; unread: never lowered by inference.
        off_scale = pad is not None and pad.verdict == "off scale high"
        dz = (-0.08 if off_scale else 0.0) if gap is None else -round(gap - TARGET_MM, 2)
        changed = abs(dz) > 0.015
        nodes.append(
            NodeAdvice(
                i=i,
                j=j,
                dz_mm=dz if changed else 0.0,
                sigma_mm=0.005,
                new_mm=dz,
                changed=changed,
                inferred=gap is None,
                note="" if changed else ("not read" if gap is None else "within the noise"),
            )
        )
    return Advice(
        offset_mm=-0.01,
        estimate_mm=0.01,
        offset_sigma_mm=0.004,
        tilt_mm_per_m=(0.41, -0.27),
        tilt_sigma_mm_per_m=(0.03, 0.03),
        warp_peak_to_valley_mm=0.11,
        twist_mm=0.02,
        screws=(
            ScrewAdvice(
                name="front left",
                bed_mm=0.0,
                turns=0.0,
                direction="leave",
                text="Leave the screw at the front left as it is.",
            ),
        ),
        nodes=tuple(nodes),
        work="mesh",
        steps=(
            AdvisedStep(kind="note", text="Prove the edit with one point, then reverse it."),
            AdvisedStep(kind="edits", text="Send the edits and read the mesh back."),
            AdvisedStep(kind="sheet", text="Print the next sheet with the new mesh in force."),
        ),
        warp_done=False,
        offset_done=True,
        done=False,
    )


def made(columns: int, rows: int, skip: tuple[tuple[int, int], ...] = ()) -> Scored:
    grid = MeshGrid(columns=columns, rows=rows, skip=skip)
    sheet = made_sheet(grid)
    pads = tuple(made_pad(pad, grid) for pad in sheet.pads)
    order = tuple((pad.i, pad.j) for pad in pads if pad.gap_mm is not None)
    score = SheetScore(
        sheet_id=sheet.id,
        sheet_number=sheet.number,
        target_gap_mm=TARGET_MM,
        tolerance_mm=TOLERANCE_MM,
        pads=pads,
        order=order,
        covariance_mm2=np.eye(len(order)) * 0.005**2,
        common_sigma_mm=0.004,
        flow=0.98,
        flow_sigma=0.02,
        registration_rms_mm=0.021,
        lines_used=236,
        photos=("IMG_0412.jpg",),
        warnings=("The photo is a little dark at the back right.",),
    )
    return Scored(
        sheet=sheet,
        score=score,
        advice=made_advice(grid, {(pad.i, pad.j): pad for pad in pads}),
    )


@pytest.fixture(scope="session")
def make_scored() -> Callable[..., Scored]:
    """Return the maker of an example: columns, rows and skipped nodes."""
    return made


@pytest.fixture(scope="session")
def scored() -> Scored:
    """An example of 5 x 5 points with one unread pad and one off scale."""
    return made(5, 5)


@dataclass(frozen=True, kw_only=True)
class Rendered:
    """A rendered photo of a sheet, with the camera that took it."""

    sheet: Sheet
    photo: Photo
    truth: Any
    px_per_mm: float


@pytest.fixture(scope="session")
def rendered(virtual: ModuleType) -> Rendered:
    """Return a tilted photo of a sheet of 3 x 3 pads, 2016 pixels wide, in uneven light."""
    bed = Bed(mesh=MeshGrid(columns=3, rows=3, outside="hold"))
    sheet = lay_out_sheet(bed, reach_mm=(-FINE_MM, FINE_MM)).sheet
    job = virtual.print_sheet(write_gcode(sheet, bed), virtual.random_bed(3, 0.08), seed=3)
    scene = virtual.random_scene(4, "ordinary").but(tilt_deg=14.0, glare=0.0, motion_px=0.0)
    jpeg, truth = virtual.photograph(job, scene, width_px=2016)
    apart = truth.project(np.array([60.0, 160.0]), np.array([110.0, 110.0]))
    return Rendered(
        sheet=sheet,
        photo=decode_photo(jpeg),
        truth=truth,
        px_per_mm=float(np.hypot(*(apart[1] - apart[0]))) / 100,
    )
