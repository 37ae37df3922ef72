"""Several photos of one print put together: whole ones, and close-ups of parts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, MeshGrid, Plate
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.make import make_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.combine import combine_scores
from padsheet.scoring.photo import Photo, decode_photo
from padsheet.scoring.quality import photo_notes
from padsheet.scoring.reading import read_print
from padsheet.scoring.squish import PadScore, Reason, SheetScore

GRID = MeshGrid()
OWN_MM, COMMON_MM = 0.004, 0.008
Scores = Callable[..., SheetScore]


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    return lay_out_sheet(Bed(mesh=GRID), reach_mm=(-0.08, 0.08)).sheet


def part_of(
    score_of: Scores, gaps: NDArray[np.float64], columns: Sequence[int], **more: object
) -> SheetScore:
    """The scores of a photo that shows some columns of pads."""
    outside = [node for node in GRID.nodes if node[0] not in columns]
    score = score_of(GRID, gaps, sigma_mm=OWN_MM, common_sigma_mm=COMMON_MM, unread=outside, **more)
    reason = Reason(code="pad-outside", text="outside")
    pads = tuple(p if p.gap_mm is not None else replace(p, reason=reason) for p in score.pads)
    return replace(score, pads=pads)


def gaps_of(score: SheetScore) -> NDArray[np.float64]:
    return np.array([np.nan if p.gap_mm is None else p.gap_mm for p in score.pads])


def test_one_photo_is_left_as_it_is(score_of: Scores, sheet: Sheet) -> None:
    score = score_of(GRID, np.full(25, 0.2))
    assert combine_scores([score], sheet) is score


def test_two_equal_photos_say_what_one_says(score_of: Scores, sheet: Sheet) -> None:
    """They share print and uncertainty: nothing is gained, nothing is lost."""
    gaps = 0.2 + 0.01 * np.sin(np.arange(25))
    score = score_of(GRID, gaps, sigma_mm=OWN_MM, common_sigma_mm=COMMON_MM)
    both = combine_scores([score, score], sheet)
    np.testing.assert_allclose(gaps_of(both), gaps, atol=1e-9)
    np.testing.assert_allclose(
        np.sqrt(np.diag(both.covariance_mm2)), np.sqrt(np.diag(score.covariance_mm2)), rtol=0.02
    )
    assert both.common_sigma_mm == pytest.approx(score.common_sigma_mm, rel=0.03)


def test_close_ups_are_aligned_by_the_pads_they_share(score_of: Scores, sheet: Sheet) -> None:
    truth = 0.2 + 0.03 * np.cos(np.arange(25) / 3)
    left = part_of(score_of, truth + 0.006, (0, 1, 2))
    right = part_of(score_of, truth - 0.006, (2, 3, 4))
    both = combine_scores([left, right], sheet)
    error = gaps_of(both) - truth
    assert len(both.order) == 25
    # Left as they are they would stand 0.012 mm against each other.
    assert np.ptp(error) < 0.002
    assert abs(error.mean()) < 0.004


def test_close_ups_without_a_pad_in_common_are_less_sure(score_of: Scores, sheet: Sheet) -> None:
    truth = np.full(25, 0.2)
    apart = combine_scores(
        [part_of(score_of, truth, (0, 1)), part_of(score_of, truth, (2, 3, 4))], sheet
    )
    tied = combine_scores(
        [part_of(score_of, truth, (0, 1, 2)), part_of(score_of, truth, (1, 2, 3, 4))], sheet
    )

    def between(score: SheetScore) -> float:
        """Standard deviation of the left edge less the right edge."""
        edge = np.array([{0: 0.2, 4: -0.2}.get(i, 0.0) for i, _ in score.order])
        return float(np.sqrt(edge @ score.covariance_mm2 @ edge))

    assert between(apart) > 1.5 * between(tied)
    # What both photos share is not told any better by two of them.
    assert apart.common_sigma_mm > 0.8 * COMMON_MM


@pytest.mark.parametrize("columns", [((0, 1, 2, 3), (1, 2, 3, 4)), ((0, 1), (2, 3, 4))])
def test_stated_covariance_is_the_real_scatter(
    score_of: Scores, sheet: Sheet, columns: tuple[tuple[int, ...], ...]
) -> None:
    """Photos with half of their common variance from the print and half of their own."""
    rng = np.random.default_rng(21)
    scaled, common = [], []
    for _ in range(300):
        print_mm = rng.normal(0, COMMON_MM / np.sqrt(2))
        pads_mm = rng.normal(0, OWN_MM, 25)
        photos = [
            part_of(score_of, 0.2 + pads_mm + print_mm + rng.normal(0, COMMON_MM / np.sqrt(2)), c)
            for c in columns
        ]
        both = combine_scores(photos, sheet)
        error = gaps_of(both) - 0.2
        away = error - error.mean()
        scaled.append(
            np.mean([(a / p.sigma_mm) ** 2 for a, p in zip(away, both.pads, strict=True)])
        )
        common.append((error.mean() / both.common_sigma_mm) ** 2)
    assert 0.7 < np.sqrt(np.mean(scaled)) < 1.15
    assert 0.7 < np.sqrt(np.mean(common)) < 1.15


def test_photos_that_disagree_widen_the_common_part(score_of: Scores, sheet: Sheet) -> None:
    gaps = np.full(25, 0.2)
    scores = [
        score_of(GRID, gaps + shift, sigma_mm=OWN_MM, common_sigma_mm=COMMON_MM)
        for shift in (-0.03, 0.03)
    ]
    both = combine_scores(scores, sheet)
    assert both.common_sigma_mm > 2 * COMMON_MM
    np.testing.assert_allclose(gaps_of(both), 0.2, atol=1e-6)


def test_the_better_reading_counts_more(score_of: Scores, sheet: Sheet) -> None:
    scatter = 0.02 * np.where(np.arange(25) % 2, 1.0, -1.0)
    good = score_of(GRID, np.full(25, 0.2), sigma_mm=0.003)
    bad = score_of(GRID, 0.2 + scatter, sigma_mm=0.02)
    error = gaps_of(combine_scores([good, bad], sheet)) - 0.2
    assert error.std() < 0.002


def test_the_refusal_kept_is_that_of_a_photo_that_shows_the_pad(sheet: Sheet) -> None:
    from padsheet.scoring.combine import _best_refusal

    def refused(verdict: str, code: str) -> PadScore:
        reason = Reason(code=code, text=code)
        return PadScore(i=0, j=0, x_mm=0, y_mm=0, verdict=verdict, reason=reason)

    outside = refused("unread", "pad-outside")
    glare = refused("unread", "pad-glare")
    high = refused("off scale high", "pad-high")
    assert _best_refusal([outside, glare]) is glare
    assert _best_refusal([outside, glare, high]) is high
    assert _best_refusal([outside]) is outside


SIDE_MM = 400.0
LARGE = Bed(
    plate=Plate(size_x_mm=SIDE_MM, size_y_mm=SIDE_MM),
    mesh=MeshGrid(
        columns=6,
        rows=6,
        x_min_mm=25,
        x_max_mm=SIDE_MM - 25,
        y_min_mm=25,
        y_max_mm=SIDE_MM - 25,
        outside="hold",
    ),
)


def test_close_ups_of_a_large_bed(virtual: ModuleType) -> None:
    """Two photos of corners of a 400 mm bed: each pad of that side is read in one or both."""
    points = [(i, j) for i in range(3) for j in range(6)]
    sheet_files = make_sheet(LARGE, reach_mm=(-0.08, 0.08), mesh_active="no", points=points)
    sheet = sheet_files.sheet
    plate = (0.0, 0.0, SIDE_MM, SIDE_MM)
    shape = virtual.random_bed(3, 0.12, plate, shortest_mm=250.0)
    job = virtual.print_sheet(sheet_files.gcode, shape, None, seed=3)
    scene = virtual.random_scene(3, "ordinary")
    wide = 240.0
    rest = SIDE_MM - wide
    frames = [(0.0, y, wide, y + wide) for y in (0.0, rest)]
    photos: list[Photo] = []
    for k, frame in enumerate(frames):
        # Turned and tilted otherwise each time, as a person walks round a large printer.
        own = scene.but(frame=frame, seed=k, roll_deg=70.0 * k, tilt_deg=4.0 + 3 * k)
        jpeg, _ = virtual.photograph(job, own, width_px=2800)
        photos.append(decode_photo(jpeg, name=f"corner-{k}.jpg"))
    score, readings = read_print(photos, sheet)
    assert len(readings) == 2
    for reading in readings:
        # Each shows a part only.
        assert 9 <= len(reading.score.order) < 18
    assert len(score.order) >= 17
    assert set(score.photos) == {photo.name for photo in photos}
    true = np.array([float(job.truth.gap(p.x_mm, p.y_mm, 0.2)) for p in sheet.pads])
    error = gaps_of(score) - true
    away = error - np.nanmean(error)
    assert np.nanstd(error) < 0.006
    held = [
        abs(a) < 1.96 * p.sigma_mm
        for a, p in zip(away, score.pads, strict=True)
        if p.gap_mm is not None
    ]
    assert np.mean(held) > 0.85
    assert abs(np.nanmean(error)) < 3 * score.common_sigma_mm
    # Nobody is told to take in a whole sheet that the photos show together.
    qualities = [reading.quality for reading in readings if reading.quality is not None]
    notes = photo_notes(score, qualities)
    assert not any("cut off" in note.what for note in notes)
