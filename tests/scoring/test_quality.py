"""Photo quality: the figures follow what was put in, and what is not good gets a remedy."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pad_widths import pad_widths

from padsheet.scoring.camera import Camera
from padsheet.scoring.quality import PhotoQuality, photo_notes, quality_of
from padsheet.scoring.squish import PadScore, Reason

GOOD = PhotoQuality(px_per_mm=12.0, blur_mm=0.09, separation=20.0, clipped=0.0, tilt_deg=8.0)


def looking_down(sheet, tilt_deg: float) -> Camera:
    """Return a camera 400 mm above the sheet's middle, moved so far that it sees it at an angle."""
    middle = np.mean([(pad.x_mm, pad.y_mm) for pad in sheet.pads], axis=0)
    away = 400.0 * np.tan(np.radians(tilt_deg))
    place = np.array([middle[0] + 0.6 * away, middle[1] - 0.8 * away, 400.0])
    turn = np.diag([1.0, -1.0, -1.0])
    return Camera(
        focal_px=3000.0, centre=(1500.0, 2000.0), k1=0.0, k2=0.0, rotation=turn,
        shift_mm=-turn @ place,
    )  # fmt: skip


@pytest.mark.parametrize("tilt_deg", [0.0, 10.0, 30.0])
def test_tilt_is_the_angle_from_straight_above(scored, tilt_deg):
    seen = [pad_widths(blur_px=1.2, px_per_mm=12.0)] * len(scored.sheet.pads)
    found = quality_of(scored.sheet, seen, looking_down(scored.sheet, tilt_deg))
    assert found.tilt_deg == pytest.approx(tilt_deg, abs=1e-6)


def test_figures_are_medians_of_the_pads_that_are_seen_whole(scored):
    seen = [
        pad_widths(blur_px=1.0, px_per_mm=10.0),
        pad_widths(blur_px=1.2, px_per_mm=10.0, separation=7.0),
        pad_widths(blur_px=9.0, px_per_mm=12.0, clipped_share=0.3),
        pad_widths(blur_px=0.1, px_per_mm=1.0, whole=False, clipped_share=0.9),
    ]
    found = quality_of(scored.sheet, seen, looking_down(scored.sheet, 0.0))
    assert (found.px_per_mm, found.blur_mm) == (10.0, pytest.approx(0.12))
    assert (found.separation, found.clipped, found.outside) == (20.0, 0.3, 1)


def test_a_good_photo_is_told_so_with_its_figures(scored):
    score = dataclasses.replace(scored.score, pads=(scored.score.pads[0],), warnings=())
    notes = photo_notes(score, [GOOD])
    assert all(note.good and not note.advice for note in notes)
    text = " ".join(note.what for note in notes)
    for figure in ("12.0 pixels per mm", "blur 0.09 mm".capitalize(), "8\N{DEGREE SIGN}"):
        assert figure in text


@pytest.mark.parametrize(
    ("change", "remedy"),
    [
        ({"px_per_mm": 6.0}, "nearer"),
        ({"blur_mm": 0.16}, "hold still"),
        ({"separation": 3.0}, "light"),
        ({"clipped": 0.2}, "mirror image"),
        ({"tilt_deg": 31.0}, "level"),
        ({"outside": 2}, "whole sheet"),
    ],
)
def test_what_is_not_good_comes_first_with_its_remedy(scored, change, remedy):
    score = dataclasses.replace(scored.score, pads=(scored.score.pads[0],), warnings=())
    first, *others = photo_notes(score, [dataclasses.replace(GOOD, **change)])
    assert not first.good
    assert remedy in first.advice
    assert all(note.good for note in others)


def test_refused_points_are_counted_by_reason_and_photos_named(scored):
    glare = Reason(code="pad-glare", text="glare covers the pad: move the lamp")
    pads = tuple(
        PadScore(i=i, j=0, x_mm=0.0, y_mm=0.0, verdict="unread", reason=glare) for i in range(3)
    )
    score = dataclasses.replace(
        scored.score, pads=pads, photos=("a.jpg", "b.jpg"), warnings=("Too dim.",)
    )
    notes = photo_notes(score, [GOOD, dataclasses.replace(GOOD, blur_mm=0.17)])
    mended = [(note.what, note.advice) for note in notes if not note.good]
    assert mended[0][0].startswith("b.jpg: Blur 0.17")
    assert ("3 points refused, glare covers the pad.", "Move the lamp.") in mended
    assert ("Too dim.", "") in mended
