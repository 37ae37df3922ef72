"""The coupon as a witness: what it says beside the ladder, and only where it is sure."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, MeshGrid, Plate
from padsheet.patterns.make import SheetFiles, make_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.coupon import coupon_look, coupon_warnings, witness, witnessed
from padsheet.scoring.finder import find_markers
from padsheet.scoring.photo import Photo, decode_photo
from padsheet.scoring.registration import register
from padsheet.scoring.scores import scores_from_json, scores_to_json
from padsheet.scoring.squish import CouponWitness, PadScore

SIDE_MM = 130.0
OPEN, CLOSED = (0.10, 0.70), (0.01, 1.0)
FILLED_MM = 0.21


def pad_score(low: float | None, high: float | None, verdict: str = "uncertain") -> PadScore:
    gap = None if low is None or high is None else (low + high) / 2
    return PadScore(i=2, j=1, x_mm=0, y_mm=0, verdict=verdict, gap_mm=gap, interval_mm=(low, high))


@pytest.mark.parametrize(
    ("look", "interval", "verdict", "said"),
    [
        (OPEN, (0.25, 0.29), "too little", ("open", "agrees")),
        (OPEN, (0.30, None), "off scale high", ("open", "agrees")),
        (OPEN, (0.17, 0.20), "uncertain", ("open", "disagrees")),
        (OPEN, (None, 0.10), "off scale low", ("open", "disagrees")),
        (OPEN, (0.19, 0.23), "on target", ("open", None)),
        (CLOSED, (0.25, 0.29), "too little", ("not clear", None)),
        ((0.10, 0.95), (0.17, 0.20), "uncertain", ("not clear", None)),
        ((0.01, 0.60), (0.17, 0.20), "uncertain", ("not clear", None)),
        (None, (0.17, 0.20), "uncertain", ("not clear", None)),
    ],
)
def test_what_a_coupon_says_beside_the_ladder(
    look: tuple[float, float] | None,
    interval: tuple[float | None, float | None],
    verdict: str,
    said: tuple[str, str | None],
) -> None:
    """Stripes alone may be seams, a darker coupon alone may be uneven light."""
    answer = witness(look, pad_score(*interval, verdict), FILLED_MM)
    assert (answer.seen, answer.ladder) == said


def test_an_unread_pad_is_open_without_a_word_on_the_ladder() -> None:
    pad = PadScore(i=0, j=0, x_mm=0, y_mm=0, verdict="unread")
    assert witness(OPEN, pad, FILLED_MM) == CouponWitness(seen="open")


def test_contradictions_are_said_in_words() -> None:
    against = CouponWitness(seen="open", ladder="disagrees")
    pads = [
        PadScore(i=2, j=1, x_mm=0, y_mm=0, verdict="on target", coupon=against),
        PadScore(i=0, j=0, x_mm=0, y_mm=0, verdict="on target", coupon=against),
        PadScore(i=1, j=0, x_mm=0, y_mm=0, verdict="on target", coupon=CouponWitness(seen="open")),
    ]
    (text,) = coupon_warnings(pads)
    assert "column 3, row 2 and 1 more" in text
    assert coupon_warnings(pads[2:]) == ()


@pytest.fixture(scope="module")
def files() -> SheetFiles:
    """A sheet of 3 x 3 pads on a small plate, so that a small photo has the usual scale."""
    grid = MeshGrid(
        columns=3, rows=3, x_min_mm=22, x_max_mm=108, y_min_mm=22, y_max_mm=108, outside="hold"
    )
    bed = Bed(plate=Plate(size_x_mm=SIDE_MM, size_y_mm=SIDE_MM), mesh=grid)
    return make_sheet(bed, reach_mm=(-0.08, 0.08), mesh_active="no")


Shot = tuple[Photo, Camera, NDArray[np.float64]]


@pytest.fixture(scope="module")
def shot(virtual: ModuleType, files: SheetFiles) -> Shot:
    """White on black from straight above; gaps rise from front left to back right."""
    outline = (0.0, 0.0, SIDE_MM, SIDE_MM)
    shape = virtual.tilt(-0.12, -0.12, outline=outline).raised(-0.03)
    job = virtual.print_sheet(files.gcode, shape, None, seed=1)
    scene = virtual.plain_scene(
        frame=outline, blur_px=0.8, side_dark=0.3, filament_rgb=(0.75, 0.75, 0.72)
    )
    photo = decode_photo(virtual.photograph(job, scene, width_px=2000)[0])
    camera = register(photo, files.sheet, find_markers(photo, files.sheet)).camera
    gaps = [
        float(job.truth.gap(p.coupon.x_mm, p.coupon.y_mm, 0.2))
        for p in files.sheet.pads
        if p.coupon is not None
    ]
    return photo, camera, np.array(gaps)


def test_every_pad_has_a_coupon_that_tells_its_lines(files: SheetFiles) -> None:
    for pad in files.sheet.pads:
        assert pad.coupon is not None
        stroke = next(
            s
            for s in files.sheet.strokes
            if s.label == f"pad column {pad.i + 1} row {pad.j + 1}, coupon"
        )
        rows = {y for _, y, _ in stroke.xyz_mm}
        assert len(rows) == pad.coupon.lines
        assert np.ptp(stroke.area_mm2) == 0
        assert stroke.area_mm2[0] == pytest.approx(pad.coupon.area_mm2, abs=1e-6)


def looks(sheet: Sheet, shot: Shot) -> list[tuple[float, float]]:
    photo, camera, _ = shot
    found = [coupon_look(photo, camera, sheet, p, p.coupon) for p in sheet.pads if p.coupon]
    assert None not in found
    return [one for one in found if one is not None]


def test_stripes_and_plate_show_where_the_nozzle_is_high(files: SheetFiles, shot: Shot) -> None:
    seen, gaps = np.array(looks(files.sheet, shot)), shot[2]
    assert gaps.min() < 0.19
    assert gaps.max() > 0.29
    high, low = gaps > 0.27, gaps < 0.21
    assert seen[high, 0].min() > 2 * seen[low, 0].max()
    assert seen[high, 1].max() < seen[low, 1].min()


def test_open_is_only_said_of_open_coupons(files: SheetFiles, shot: Shot) -> None:
    photo, camera, gaps = shot
    ladder = [
        PadScore(
            i=p.i,
            j=p.j,
            x_mm=p.x_mm,
            y_mm=p.y_mm,
            verdict="uncertain",
            gap_mm=g,
            interval_mm=(g - 0.01, g + 0.01),
        )
        for p, g in zip(files.sheet.pads, gaps.tolist(), strict=True)
    ]
    said = witnessed(photo, camera, files.sheet, ladder, 1.0)
    assert [pad.gap_mm for pad in said] == [pad.gap_mm for pad in ladder]
    for pad, gap in zip(said, gaps, strict=True):
        assert pad.coupon is not None
        assert pad.coupon.ladder != "disagrees"
        assert pad.coupon.seen == "not clear" or gap > 0.23
    assert any(p.coupon and p.coupon.ladder == "agrees" for p in said)
    # A ladder that says the opposite is contradicted, and keeps its number.
    turned = [
        PadScore(
            i=p.i, j=p.j, x_mm=p.x_mm, y_mm=p.y_mm, verdict="on target", gap_mm=0.19,
            interval_mm=(0.18, 0.20),
        )
        for p in files.sheet.pads
    ]  # fmt: skip
    against = witnessed(photo, camera, files.sheet, turned, 1.0)
    doubted = [p for p in against if p.coupon and p.coupon.ladder == "disagrees"]
    assert doubted
    assert all(pad.gap_mm == 0.19 for pad in against)
    assert all("the coupon looks open" in " ".join(pad.notes) for pad in doubted)
    assert len(coupon_warnings(against)) == 1


def test_what_coupons_say_survives_the_file(files: SheetFiles, score_of: object) -> None:
    from dataclasses import replace

    score = score_of(MeshGrid(), np.full(25, 0.2))  # type: ignore[operator]
    said = (CouponWitness(seen="open", ladder="agrees"), CouponWitness(seen="not clear"), None)
    pads = tuple(replace(p, coupon=said[k % 3]) for k, p in enumerate(score.pads))
    again, _ = scores_from_json(scores_to_json(replace(score, pads=pads)))
    assert [pad.coupon for pad in again.pads] == [pad.coupon for pad in pads]
