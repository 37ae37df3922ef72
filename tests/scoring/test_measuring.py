"""Luminance or colour: widths of drawn combs whose colour is smoothed, as JPEG and cameras do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from pad_widths import pad_widths

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.ladder import FINE_MM
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring import measuring
from padsheet.scoring.camera import Camera
from padsheet.scoring.lines import PadWidths
from padsheet.scoring.measuring import measure_photo
from padsheet.scoring.photo import Photo
from padsheet.scoring.refusals import refuse_blur

WIDTH_MM, BLUR_PX, PX_PER_MM = 0.50, 1.2, 9.0
HEIGHT_MM = 300.0


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    return lay_out_sheet(
        Bed(mesh=MeshGrid(columns=2, rows=2, outside="hold")), reach_mm=(-FINE_MM, FINE_MM)
    ).sheet


def camera() -> Camera:
    """From straight above the bed's middle, back of the bed on top."""
    return Camera(
        focal_px=PX_PER_MM * HEIGHT_MM,
        centre=(1100.0, 1100.0),
        k1=0.0,
        k2=0.0,
        rotation=np.diag([1.0, -1.0, -1.0]),
        shift_mm=np.array([-110.0, 110.0, HEIGHT_MM]),
    )


def told(**changes: object) -> PadWidths:
    plain: dict[str, object] = {
        "wander_mm": 0.0,
        "separation": 5.0,
        "apart": np.full(3, 0.2),
        "print_level": 1.0,
        "px_per_mm": PX_PER_MM,
    }
    return pad_widths(np.full(10, WIDTH_MM), **(plain | changes))


Measure = Callable[[Sheet, Sequence[PadWidths], Sequence[PadWidths | None]], list[PadWidths]]


@pytest.fixture
def measure(monkeypatch: pytest.MonkeyPatch) -> Measure:
    """Return the measuring of pads of which luminance and colour tell such widths.

    Pads come sampled in some order, those nearer to the lens with more samples across.
    """

    def measure_them(
        sheet: Sheet, luminance: Sequence[PadWidths], colour: Sequence[PadWidths | None]
    ) -> list[PadWidths]:
        place = {(pad.x_mm, pad.y_mm): k for k, pad in enumerate(sheet.pads)}

        def sample(photo, camera, lines, z_mm):
            pads = [place[float(one.middle_mm[:, 0].mean().round(6)), one.middle_mm[0, 1]]
                    for one in lines]  # fmt: skip
            for first in (1, 0):
                some = list(range(first, len(pads), 2))
                yield some, [pads[k] for k in some]

        def profiles(pads):
            return [
                SimpleNamespace(
                    u_mm=np.zeros(30 + k % 3),
                    told=luminance[k],
                    in_colour=None
                    if colour[k] is None
                    else SimpleNamespace(u_mm=np.zeros(30 + k % 3), told=colour[k]),
                )
                for k in pads
            ]

        def widths(pads):
            assert len({len(one.u_mm) for one in pads}) == 1
            return [one.told for one in pads]

        monkeypatch.setattr(measuring, "sample_pads", sample)
        monkeypatch.setattr(measuring, "pad_profiles", profiles)
        monkeypatch.setattr(measuring, "measure_pads", widths)
        blank = Photo(rgb=np.zeros((8, 8, 3), np.uint8))
        return measure_photo(blank, camera(), sheet, 0.0)

    return measure_them


@pytest.mark.parametrize(
    ("side", "count", "workers", "shares"),
    [(2, 4, 2, 1), (9, 81, 2, 1), (11, 109, 2, 2), (13, 143, 3, 2)],
)
def test_every_pad_has_its_own_widths_however_the_work_is_shared(
    side: int, count: int, workers: int, shares: int, measure, monkeypatch
) -> None:
    """Sheets of a hundred pads and more are measured in threads, each with as many of them."""
    grid = MeshGrid(columns=side, rows=side, x_min_mm=2, x_max_mm=218, y_min_mm=2, y_max_mm=218)
    made = lay_out_sheet(Bed(mesh=grid), reach_mm=(-FINE_MM, FINE_MM)).sheet
    sheet = replace(made, pads=made.pads[:count])
    assert len(sheet.pads) == count
    shared = []

    def in_threads(function, items):
        shared.append([len(one) for one in items])
        return [function(one) for one in items]

    monkeypatch.setattr(measuring, "workers", lambda: workers)
    monkeypatch.setattr(measuring, "in_threads", in_threads)
    luminance = [told(brightest=float(k)) for k in range(count)]
    assert [one.brightest for one in measure(sheet, luminance, [None] * count)] == list(
        map(float, range(count))
    )
    # Colour in place of every third, and what luminance had for blur stays known.
    colour = [told(brightest=1000.0 + k) if k % 3 == 1 else None for k in range(count)]
    found = measure(sheet, luminance, colour)
    assert [one.brightest for one in found] == [
        1000.0 + k if k % 3 == 1 else float(k) for k in range(count)
    ]
    assert [one.luminance_blur_px for one in found] == [
        1.0 if k % 3 == 1 else None for k in range(count)
    ]
    assert len(shared[0]) == shares
    assert np.ptp(shared[0]) <= 1


@pytest.mark.parametrize(
    ("luminance", "colour", "taken"),
    [
        ({}, {"blur_px": 1.1}, True),
        ({}, {"blur_px": 1.2}, False),
        ({"blur_px": 2.0}, {"blur_px": 2.2}, True),
        # Edges that are not those of bars are the sides of lines as bright as the plate.
        ({"misfit": 0.06}, {"blur_px": 3.0}, True),
        ({"misfit": 0.04}, {"blur_px": 3.0}, False),
        # Where luminance sees no lines, its blur is no measure.
        ({"separation": 1.9}, {"blur_px": 3.0}, True),
        ({"separation": 2.1}, {"blur_px": 3.0}, False),
        ({"whole": False}, {"blur_px": 3.0}, True),
    ],
)
def test_colour_is_taken_where_it_is_sharp_or_luminance_shows_no_bars(
    sheet, measure, luminance, colour, taken
) -> None:
    found = measure(sheet, [told(**luminance)] * 4, [told(brightest=0.9, **colour)] * 4)
    assert {one.brightest == 0.9 for one in found} == {taken}
    assert {one.luminance_blur_px is not None for one in found} == {taken}


def test_one_choice_serves_the_whole_photo(sheet, measure) -> None:
    """As most of at least three pads show; fewer tell nothing, and colour is what there is."""
    sharp, soft = told(blur_px=1.0, brightest=0.9), told(blur_px=2.0, brightest=0.9)
    taken = [sharp, sharp, sharp, soft]
    assert {one.brightest for one in measure(sheet, [told()] * 4, taken)} == {0.9}
    assert {one.brightest for one in measure(sheet, [told()] * 4, [soft, soft, soft, sharp])} == {
        0.6
    }
    three = measure(sheet, [told()] * 4, [soft, soft, soft, None])
    assert [one.brightest for one in three] == [0.6] * 4
    two = measure(sheet, [told()] * 4, [soft, soft, None, None])
    assert [one.brightest for one in two] == [0.9, 0.9, 0.6, 0.6]


def drawn(sheet: Sheet, ink: tuple[int, int, int], plate: tuple[int, int, int], smooth_px: float):
    """Draw combs of lines of one width; smooth their colour, not their luminance, by so much."""
    cover = np.zeros((2200, 2200), np.float32)
    row, column = np.mgrid[:2200, :2200].astype(np.float32)
    x, y = (column - 1100) / PX_PER_MM + 110, 110 - (row - 1100) / PX_PER_MM
    for pad in sheet.pads:
        near = (np.abs(y - pad.y_mm) < sheet.track_length_mm / 2) & (np.abs(x - pad.x_mm) < 12)
        for track in sheet.tracks:
            inside = WIDTH_MM / 2 - np.abs(x - pad.x_mm - track.offset_mm)
            cover += np.where(near, np.clip(inside * PX_PER_MM + 0.5, 0, 1), 0)
    cover = cv2.GaussianBlur(cover, (0, 0), BLUR_PX)[..., None]
    linear = cover * (np.array(ink) / 255) ** 2.2 + (1 - cover) * (np.array(plate) / 255) ** 2.2
    rng = np.random.default_rng(3)
    linear = linear + rng.normal(0, 0.015, linear.shape[:2])[..., None]
    rgb = (255 * np.clip(linear, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    if smooth_px:
        code = cv2.cvtColor(rgb, cv2.COLOR_RGB2YCrCb)
        code[..., 1:] = cv2.GaussianBlur(code[..., 1:], (0, 0), smooth_px)
        rgb = cv2.cvtColor(code, cv2.COLOR_YCrCb2RGB)
    return Photo(rgb=rgb)


ORANGE, BLUE = (235, 120, 60), (60, 125, 170)


@pytest.mark.parametrize(("smooth_px", "most_mm"), [(0.0, 0.015), (1.0, 0.05), (1.5, 0.08)])
def test_lines_are_as_sharp_as_their_luminance(sheet, smooth_px, most_mm) -> None:
    """Smoothed colour leaks into linear light and widens lines somewhat, but blurs them no more."""
    for pad in measure_photo(drawn(sheet, ORANGE, BLUE, smooth_px), camera(), sheet, 0.0):
        assert 2.0 < pad.separation
        assert np.isfinite(pad.width_mm).all()
        assert np.median(pad.width_mm) == pytest.approx(WIDTH_MM, abs=most_mm)
        assert pad.blur_px < 1.3


def equally_bright() -> tuple[int, int, int]:
    """Return a blue of the orange's luminance."""
    grey = (np.array(ORANGE) / 255) ** 2.2 @ [0.2126, 0.7152, 0.0722]
    blue = np.array([0.05, grey / 0.7152 - 0.03, 0.35])
    blue[1] = (grey - 0.2126 * blue[0] - 0.0722 * blue[2]) / 0.7152
    return tuple((255 * blue ** (1 / 2.2)).round().astype(int).tolist())


def test_colour_serves_where_luminance_tells_nothing(sheet) -> None:
    """Orange on a blue of the same luminance, colour sharp."""
    for pad in measure_photo(drawn(sheet, ORANGE, equally_bright(), 0.0), camera(), sheet, 0.0):
        assert pad.luminance_blur_px is not None
        assert pad.separation > 8
        assert np.median(pad.width_mm) == pytest.approx(WIDTH_MM, abs=0.02)


@pytest.mark.parametrize(
    ("luminance_blur_px", "cause"), [(None, "is blurred by"), (1.0, "phones blur colour")]
)
def test_a_blurred_photo_is_told_from_a_filament_as_bright_as_the_plate(
    sheet, luminance_blur_px, cause
) -> None:
    sharp = measure_photo(drawn(sheet, ORANGE, BLUE, 0.0), camera(), sheet, 0.0)
    refuse_blur("a.jpg", sharp)
    blurred = [replace(w, blur_px=3.0, luminance_blur_px=luminance_blur_px) for w in sharp]
    with pytest.raises(PadsheetError, match=cause) as caught:
        refuse_blur("a.jpg", blurred)
    assert caught.value.code == "photo-unsure"
