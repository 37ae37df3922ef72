"""From the widths that a photo shows to scores: made widths in place of a picture."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.typing import NDArray
from pad_widths import pad_widths

from padsheet.patterns.bead import width_mm
from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring import reading
from padsheet.scoring.camera import Camera
from padsheet.scoring.gaps import GapFit, comb_of
from padsheet.scoring.lines import PadWidths
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.photo import Photo
from padsheet.scoring.reading import PhotoReading, read_print, read_sheet_photo
from padsheet.scoring.registration import Registration
from padsheet.scoring.remarks import ODD_END
from padsheet.scoring.squish import PadScore, Reason

Floats = NDArray[np.float64]
BED = Bed()
HEIGHT_MM = 400.0
SHAPE = (1200, 1200)
PX_PER_MM = 10.0
BUMPS_MM = np.random.default_rng(5).uniform(-0.05, 0.05, 25)


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    """Return a sheet of 5 x 5 pads, printed without a mesh."""
    made = lay_out_sheet(BED, reach_mm=(-0.08, 0.08)).sheet
    return replace(made, mesh_active="no", mesh_name=None)


def camera_over(x_mm: float = 110.0, y_mm: float = 110.0) -> Camera:
    """Return a camera whose lens stands over a place and looks straight down."""
    turn = np.diag([1.0, -1.0, -1.0])
    return Camera(
        focal_px=1900.0,
        centre=((SHAPE[0] - 1) / 2, (SHAPE[1] - 1) / 2),
        k1=0.0,
        k2=0.0,
        rotation=turn,
        shift_mm=-turn @ np.array([x_mm, y_mm, HEIGHT_MM]),
    )


def pad_of(width: Floats, **changes: object) -> PadWidths:
    return pad_widths(width, **({"px_per_mm": PX_PER_MM} | changes))


def widths_of(
    sheet: Sheet,
    off_mm: Floats = BUMPS_MM,
    *,
    flow: float = 1.0,
    kink_mm: Floats | float = 0.0,
    slant: Floats | None = None,
    noise_mm: float = 0.003,
    seed: int = 1,
) -> list[PadWidths]:
    """Return what a photo shows of pads whose gaps are off by so much.

    Widths after Comminal et al. (2018), see `padsheet.patterns.bead`. `slant` is 1/cos of the
    viewing angle across the lines: a bead as high as the gap looks wider by the side that it turns
    to the lens.
    """
    comb = comb_of(sheet)
    gap = comb.height_mm + np.asarray(off_mm)[:, None] + kink_mm
    width = width_mm(comb.area_mm2 * flow, gap)
    if slant is not None:
        width = width + (slant[:, None] - 1) * gap
    width = width + np.random.default_rng(seed).normal(0, noise_mm, gap.shape)
    return [pad_of(row) for row in width]


Read = Callable[..., PhotoReading]


@pytest.fixture
def read(sheet: Sheet, monkeypatch: pytest.MonkeyPatch) -> Read:
    """Return the reader of a photo that shows such widths."""

    def read_it(
        widths: Sequence[PadWidths],
        *,
        of: Sheet = sheet,
        camera: Camera | None = None,
        photo: Photo | None = None,
        **options: object,
    ) -> PhotoReading:
        found = Registration(camera=camera or camera_over(), rms_mm=0.02, lines_used=900)
        monkeypatch.setattr(reading, "find_markers", lambda *_: None)
        monkeypatch.setattr(reading, "register", lambda *_: found)
        monkeypatch.setattr(reading, "measure_photo", lambda *_: list(widths))
        blank = Photo(rgb=np.full((*SHAPE, 3), 90, np.uint8), name="a.jpg")
        return read_sheet_photo(photo or blank, of, **options)  # type: ignore[arg-type]

    return read_it


def errors_mm(pads: Sequence[PadScore], sheet: Sheet, off_mm: Floats = BUMPS_MM) -> Floats:
    return np.array(
        [
            np.nan if pad.gap_mm is None else pad.gap_mm - sheet.target_gap_mm - off
            for pad, off in zip(pads, off_mm, strict=True)
        ]
    )


def test_gaps_are_those_that_the_widths_come_from(sheet, read) -> None:
    found = read(widths_of(sheet)).score
    away = errors_mm(found.pads, sheet)
    assert np.nanstd(away) < 0.002
    assert abs(np.nanmean(away)) < 0.01
    assert abs(np.nanmean(away)) < 2.5 * found.common_sigma_mm
    assert found.order == tuple((pad.i, pad.j) for pad in sheet.pads)
    assert found.covariance_mm2.shape == (25, 25)
    # The part that all pads share is the deviation of their mean.
    assert found.common_sigma_mm == pytest.approx(np.sqrt(found.covariance_mm2.mean()))
    np.testing.assert_allclose(
        [pad.sigma_total_mm for pad in found.pads], np.sqrt(np.diag(found.covariance_mm2))
    )
    assert (found.registration_rms_mm, found.lines_used) == (0.02, 900)
    assert found.photos == ("a.jpg",)
    assert found.warnings == ()
    assert found.flow == pytest.approx(1.0, abs=3 * found.flow_sigma)


def test_pads_that_fall_out_one_after_another_leave_a_fit_of_the_rest(
    sheet, read, monkeypatch
) -> None:
    """Doubts of a pad may only show once a worse one has been left out."""
    doubt = Reason(code="pad-misfit", text="its lines do not go with the ladder")
    doubted = 7

    def one_at_a_time(_: Sheet, fit: GapFit, row: int) -> Reason | None:
        return doubt if row == 0 and len(fit.gap_mm) > len(sheet.pads) - doubted else None

    plain = errors_mm(read(widths_of(sheet)).score.pads, sheet)
    monkeypatch.setattr(reading, "after_fit", one_at_a_time)
    pads = read(widths_of(sheet)).score.pads
    assert [pad.reason for pad in pads[:doubted]] == [doubt] * doubted
    away = errors_mm(pads, sheet)[doubted:] - plain[doubted:]
    np.testing.assert_allclose(away, 0.0, atol=4e-3)


def test_lines_are_looked_at_half_way_up(sheet, read, monkeypatch) -> None:
    """A bead's edges bulge at half its height, and are seen there; lines are as high as the gap."""
    widths = widths_of(sheet)
    read(widths)
    heights = []

    def at(photo: Photo, camera: Camera, of: Sheet, z_mm: float) -> list[PadWidths]:
        heights.append(z_mm)
        return widths

    monkeypatch.setattr(reading, "measure_photo", at)
    read_print([Photo(rgb=np.full((*SHAPE, 3), 90, np.uint8), name="a.jpg")], sheet)
    assert heights == [pytest.approx(0.1)]


def test_the_slant_of_the_view_is_known_and_moves_no_gap(sheet, read) -> None:
    """From the left edge of the bed the far pads are seen at 27 degrees across their lines."""
    x = np.array([pad.x_mm for pad in sheet.pads])
    slant = np.hypot(1.0, x / HEIGHT_MM)
    found = read(widths_of(sheet, slant=slant), camera=camera_over(0.0, 300.0))
    straight = read(widths_of(sheet))
    away = errors_mm(found.score.pads, sheet) - errors_mm(straight.score.pads, sheet)
    assert np.std(away) < 4e-4
    np.testing.assert_allclose(away, 0.0, atol=8e-4)


def ridge(top_mm: float) -> Mesh:
    """Return a mesh with a ridge along its middle column."""
    z_mm = np.zeros((5, 5))
    z_mm[:, 2] = top_mm
    return Mesh(grid=BED.mesh, z_mm=z_mm, name="ridge")


def test_a_known_kink_of_the_mesh_is_no_error(sheet, read) -> None:
    """The printer follows its mesh: over a ridge of the middle column it falls to either side."""
    top_mm, pitch_mm = 0.2, 180.0 / 4
    offsets = np.array([t.offset_mm for t in sheet.tracks])
    column = np.array([pad.i for pad in sheet.pads])
    fall = {2: -np.abs(offsets), 1: np.maximum(offsets, 0), 3: np.maximum(-offsets, 0)}
    # The pads of the outer columns stand 9 mm farther in than their grid points.
    kink = np.array([fall.get(i, 0 * offsets) for i in column]) * top_mm / pitch_mm
    on = replace(sheet, mesh_active="yes", mesh_name="ridge")
    plain = errors_mm(read(widths_of(sheet)).score.pads, sheet)
    bent = widths_of(sheet, kink_mm=kink)
    away = errors_mm(read(bent, of=on, mesh=ridge(top_mm)).score.pads, sheet) - plain
    assert np.std(away) < 7e-4
    np.testing.assert_allclose(away, 0.0, atol=2e-3)
    # Not known, it is an error of the pads on the ridge.
    wrong = errors_mm(read(bent, of=on).score.pads, sheet) - plain
    assert np.nanstd(wrong) > 1.5e-3
    assert np.nanmean(wrong[column == 2]) < -4e-3


def test_a_kink_along_the_lines_counts_by_its_mean_over_them(sheet, read) -> None:
    """Over a ridge of the middle row a line is lowest at its ends: its mean is not its middle's."""
    top_mm, nodes_mm = 0.2, np.linspace(20, 200, 5)
    along = np.linspace(-0.5, 0.5, 201) * sheet.window_mm

    def high(y: Floats) -> Floats:
        return np.interp(y, nodes_mm, [0, 0, top_mm, 0, 0])

    y = np.array([pad.y_mm for pad in sheet.pads])
    kink = high(y[:, None] + along).mean(axis=1) - high(y)
    assert kink.min() == pytest.approx(-top_mm / 45 * sheet.window_mm / 4, rel=0.02)
    z_mm = np.zeros((5, 5))
    z_mm[2] = top_mm
    mesh = Mesh(grid=BED.mesh, z_mm=z_mm, name="ridge")
    on = replace(sheet, mesh_active="yes", mesh_name="ridge")
    plain = errors_mm(read(widths_of(sheet)).score.pads, sheet)
    bent = widths_of(sheet, kink_mm=kink[:, None])
    away = errors_mm(read(bent, of=on, mesh=mesh).score.pads, sheet) - plain
    np.testing.assert_allclose(away, 0.0, atol=8e-4)
    wrong = errors_mm(read(bent, of=on).score.pads, sheet) - plain
    assert np.abs(wrong - kink).max() < 6e-3


def test_a_mesh_counts_by_what_it_adds_to_the_middle_of_the_pad(sheet, read) -> None:
    """A mesh that is the same everywhere, or that is level over each pad, moves no gap."""
    on = replace(sheet, mesh_active="yes", mesh_name="ridge")
    level = Mesh(grid=BED.mesh, z_mm=np.full((5, 5), 0.3), name="level")
    plain = errors_mm(read(widths_of(sheet)).score.pads, sheet)
    away = errors_mm(read(widths_of(sheet), of=on, mesh=level).score.pads, sheet) - plain
    np.testing.assert_allclose(away, 0.0, atol=1e-9)


def test_a_mesh_that_is_not_known_leaves_each_gap_less_sure(sheet, read) -> None:
    def own_mm(of: Sheet, **options: Mesh) -> float:
        pads = read(widths_of(sheet), of=of, **options).score.pads
        return float(np.mean([pad.sigma_mm for pad in pads]))

    on = replace(sheet, mesh_active="yes", mesh_name="ridge")
    off_mm, unknown_mm = own_mm(sheet), own_mm(replace(sheet, mesh_active="unknown"))
    assert own_mm(on, mesh=ridge(0.0)) == pytest.approx(off_mm, rel=1e-3)
    assert own_mm(on) == pytest.approx(unknown_mm, rel=1e-3)
    assert unknown_mm > 1.01 * off_mm


def test_blur_widens_what_is_claimed_by_its_square(sheet, read) -> None:
    """0.45 of it per mm for all gaps together, 0.2 for each by itself."""

    def blurred(*blur_mm: float) -> Floats:
        pads = [
            replace(pad, blur_px=PX_PER_MM * blur_mm[k % len(blur_mm)])
            for k, pad in enumerate(widths_of(sheet))
        ]
        return read(pads).score.covariance_mm2

    more = blurred(0.16) - blurred(0.08)
    both = [0.45**2 * (0.16**4 - 0.08**4), 0.2**2 * (0.16**4 - 0.08**4)]
    np.testing.assert_allclose(more, both[0] + both[1] * np.eye(25), rtol=1e-6, atol=1e-12)
    # All together by the usual blur, each by its own.
    more = blurred(0.08, 0.08, 0.14) - blurred(0.08)
    own = np.where(np.arange(25) % 3 == 2, 0.2**2 * (0.14**4 - 0.08**4), 0.0)
    np.testing.assert_allclose(more, np.diag(own), rtol=1e-6, atol=1e-12)


def test_pads_whose_print_looks_like_the_plate_are_less_sure(sheet, read) -> None:
    """0.08 mm over the square of the separation, and above 0.024 mm no gap is given."""
    clear = widths_of(sheet)
    faint = [replace(clear[0], separation=4.0), replace(clear[1], separation=1.7), *clear[2:]]
    before, after = read(clear).score, read(faint).score
    assert after.pads[1].gap_mm is None
    assert after.pads[1].reason.code == "pad-uncertain"
    kept = [0, *range(2, 25)]
    more = after.covariance_mm2 - before.covariance_mm2[np.ix_(kept, kept)]
    expected = np.diag([0.08**2 * (4.0**-4 - 20.0**-4)] + [0.0] * 23)
    np.testing.assert_allclose(more, expected, rtol=1e-6, atol=1e-9)


def test_faint_prints_are_less_sure_of_their_edges(sheet, read) -> None:
    """Times 1/c - 1 at Michelson contrast c: 0.0018 mm for each pad, 0.001 mm for all of them."""
    clear = widths_of(sheet)
    # A print that is half as bright again as its plate: (3 - 2) / (3 + 2).
    faint = [replace(width, print_level=3.0) for width in clear]
    one = [faint[0], *clear[1:]]
    # What light does to edges of either print is told as well, and differs a little.
    before, of_one, of_all = (read(some).score.covariance_mm2 for some in (clear, one, faint))
    own = 0.0018**2 * (5.0 - 1) ** 2
    np.testing.assert_allclose(of_one - before, np.diag([own] + [0.0] * 24), rtol=0, atol=3e-6)
    shared = 0.001**2 * (5.0 - 1) ** 2
    np.testing.assert_allclose(of_all - before, shared + own * np.eye(25), rtol=0, atol=3e-6)


def test_the_contrast_of_a_print_is_the_same_from_either_side() -> None:
    """Michelson's (Studies in Optics, 1927): difference over sum; see `PadWidths.print_level`."""
    bright, dark = (
        pad_of(np.full(10, 0.5), print_level=1.5),
        pad_of(np.full(10, 0.5), print_level=-0.5),
    )
    assert bright.michelson == pytest.approx(0.5)
    assert dark.michelson == pytest.approx(0.5)
    # Against no light at all, and where noise makes the plate's light negative.
    assert pad_of(np.full(10, 0.5), print_level=1.0).michelson == 1.0
    assert pad_of(np.full(10, 0.5), print_level=0.5).michelson == 1.0


def test_cut_off_highlights_leave_an_eighth_of_what_they_add(sheet, read) -> None:
    """Sharper than the pads with whole highlights by 0.3 pixels: 3.2 times that in the width."""
    before = read(widths_of(sheet)).score.pads[6]
    widths = widths_of(sheet)
    widths[6] = replace(widths[6], blur_px=0.7, brightest=1.0)
    after = read(widths).score.pads[6]
    allowed_mm = 0.12 * 3.2 * 0.3 / PX_PER_MM
    assert after.sigma_total_mm > np.hypot(before.sigma_total_mm, 0.9 * allowed_mm)
    assert after.sigma_total_mm < 1.3 * np.hypot(before.sigma_total_mm, allowed_mm)


def test_an_odd_end_of_a_line_is_noted_and_not_called_flow(sheet, read) -> None:
    widths = widths_of(sheet)
    for k, differ in ((3, 6.1), (4, -6.1), (5, 5.9)):
        ends = np.zeros(10)
        ends[7] = differ
        ends[2] = np.nan
        widths[k] = replace(widths[k], ends_differ=ends)
    notes = [pad.notes for pad in read(widths).score.pads]
    assert [k for k, note in enumerate(notes) if note == (ODD_END,)] == [3, 4]
    assert "lump or a thin stretch at one end" in notes[3][0]
    assert "flow" not in notes[3][0]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"blur_px": 1.75}, "not quite sharp"),
        ({"separation": 3.9}, "differ little in this light"),
        ({"px_per_mm": 7.9, "blur_px": 0.8}, "taken from far"),
    ],
)
def test_what_is_doubtful_about_most_of_a_photo_is_said(sheet, read, changes, said) -> None:
    widths = widths_of(sheet)
    most = [replace(pad, **changes) for pad in widths[:13]] + widths[13:]
    few = [replace(pad, **changes) for pad in widths[:12]] + widths[12:]
    (text,) = read(most).score.warnings
    assert said in text
    assert read(few).score.warnings == ()


@pytest.mark.parametrize(
    ("apart_mm", "said"),
    [(0.008, "good enough for this round"), (0.02, "take it again from nearer")],
)
def test_a_photo_from_far_says_whether_it_is_good_enough(sheet, apart_mm, said) -> None:
    # What all points share is known far worse, and does not count.
    fit = SimpleNamespace(covariance_mm2=apart_mm**2 * np.eye(25) + 0.05**2)
    told = reading._from_far(sheet, fit)
    assert said in told
    assert f"+-{1.96 * apart_mm * np.sqrt(24 / 25):.3f} mm" in told


@pytest.mark.parametrize(("flow", "said"), [(1.16, "more filament"), (0.84, "less filament")])
def test_a_wrong_flow_is_named(sheet, read, flow, said) -> None:
    found = read(widths_of(sheet, flow=flow)).score
    (text,) = [warning for warning in found.warnings if "filament" in warning]
    assert f"{abs(found.flow - 1) * 100:.0f} % {said}" in text
    assert found.flow == pytest.approx(flow, abs=0.08)


def test_widths_that_scatter_more_than_they_say_are_told(sheet, read) -> None:
    sure = [replace(pad, sigma_mm=np.full(10, 0.002)) for pad in widths_of(sheet, noise_mm=0.05)]
    assert any("scatter more than they should" in text for text in read(sure).score.warnings)


def test_light_is_not_known_better_than_five_thousandths(sheet, read) -> None:
    """However many sharp pads there are."""
    assert read(widths_of(sheet)).score.common_sigma_mm > 0.005


# Refusals


def lost(pad: PadWidths) -> PadWidths:
    return replace(pad, clipped_share=0.5)


def cut(pad: PadWidths) -> PadWidths:
    return replace(pad, whole=False)


@pytest.mark.parametrize(("left", "taken"), [(5, True), (4, False)])
@pytest.mark.parametrize(
    ("spoilt", "said"),
    [(lost, "for most of the others glare covers"), (cut, "part of the pad is outside")],
)
def test_a_photo_needs_a_fifth_of_the_pads(sheet, read, spoilt, said, left, taken) -> None:
    """Five of 25, whether the others are covered or outside the picture."""
    widths = [pad if k < left else spoilt(pad) for k, pad in enumerate(widths_of(sheet))]
    if taken:
        assert len(read(widths).score.order) == left
        return
    with pytest.raises(PadsheetError, match=said) as caught:
        read(widths)
    assert caught.value.code == "photo-unusable"


@pytest.mark.parametrize(("shown", "taken"), [(3, True), (2, True), (1, True), (0, False)])
def test_a_close_up_may_show_as_few_as_it_likes(sheet, read, shown, taken) -> None:
    widths = [pad if k < shown else cut(pad) for k, pad in enumerate(widths_of(sheet))]
    if taken:
        assert len(read(widths, part=True).score.order) == shown
        return
    with pytest.raises(PadsheetError) as caught:
        read(widths, part=True)
    assert caught.value.code == "photo-unusable"


def test_a_close_up_needs_three_of_the_many_that_it_shows(sheet, read) -> None:
    widths = [cut(pad) for pad in widths_of(sheet)]
    seen = widths_of(sheet)
    widths[:6] = [*seen[:3], *map(lost, seen[3:6])]
    assert len(read(widths, part=True).score.order) == 3
    widths[2] = lost(seen[2])
    with pytest.raises(PadsheetError):
        read(widths, part=True)


def test_pads_off_the_scale_do_not_speak_against_the_others(sheet, read) -> None:
    """Most of the bed is far too low: what is read is still right, and the rest has its bound."""
    off = np.where(np.arange(25) < 6, BUMPS_MM, 0.35)
    found = read(widths_of(sheet, off)).score
    assert [pad.verdict for pad in found.pads[6:]] == ["off scale high"] * 19
    for pad in found.pads[6:]:
        assert sheet.target_gap_mm + sheet.reach_mm[1] - 0.02 < pad.interval_mm[0] < 0.55
    assert np.abs(errors_mm(found.pads, sheet)[:6]).max() < 0.015


def test_a_pad_pressed_wide_is_proven_low(sheet, read) -> None:
    """Its low lines are choked, and its high ones wider than any within reach."""
    widths = widths_of(sheet)
    comb = comb_of(sheet)
    pressed = width_mm(comb.area_mm2, np.maximum(comb.height_mm - 0.16, 0.055))
    choked = comb.height_mm < 0.22
    widths[7] = pad_of(np.where(choked, 0.4, pressed))
    pad = read(widths).score.pads[7]
    assert pad.verdict == "off scale low"
    assert pad.gap_mm is None
    assert pad.interval_mm[0] is None
    assert 0.04 <= pad.interval_mm[1] < sheet.target_gap_mm


def test_a_pad_that_follows_no_gap_is_left_out_and_moves_no_other(sheet, read) -> None:
    widths = widths_of(sheet)
    plain = errors_mm(read(widths).score.pads, sheet)
    odd = widths[12].width_mm + 0.15 * np.array([1, -1, -1, 1, 1, -1, 1, -1, -1, 1])
    widths[12] = replace(widths[12], width_mm=odd)
    found = read(widths).score
    assert found.pads[12].gap_mm is None
    assert found.pads[12].reason.code in ("pad-misfit", "pad-no-fall")
    assert (2, 2) not in found.order
    assert len(found.order) == len(found.covariance_mm2) == 24
    away = np.delete(errors_mm(found.pads, sheet) - plain, 12)
    np.testing.assert_allclose(away, 0.0, atol=1e-3)


def test_edges_of_another_kind_are_refused(sheet, read) -> None:
    """Lines that are wider by more than their height and narrower by 0.25 mm, as no bead is."""
    gap = comb_of(sheet).height_mm + BUMPS_MM[:, None]
    seen = widths_of(sheet, flow=1.2)
    strange = [
        replace(pad, width_mm=pad.width_mm + 1.2 * high - 0.25)
        for pad, high in zip(seen, gap, strict=True)
    ]
    with pytest.raises(PadsheetError, match="too soft or too strange") as caught:
        read(strange)
    assert caught.value.code == "photo-unsure"
    # What sharpening and a bead's shape may do is taken.
    usual = [
        replace(pad, width_mm=pad.width_mm + 0.1 * high + 0.05)
        for pad, high in zip(widths_of(sheet), gap, strict=True)
    ]
    assert np.abs(errors_mm(read(usual).score.pads, sheet)).max() < 0.03


# What is shown of each pad


def test_curves_tell_what_became_of_each_line(sheet, read) -> None:
    off = BUMPS_MM.copy()
    off[4], off[14] = -0.04, -0.07
    widths = widths_of(sheet, off)
    gone = widths[0].width_mm.copy()
    gone[3] = np.nan
    widths[0] = replace(widths[0], width_mm=gone)
    widths[9] = lost(widths[9])
    curves = read(widths).curves
    assert [(c.i, c.j) for c in curves] == [(pad.i, pad.j) for pad in sheet.pads]
    assert curves[0].state[3] == "not made out"
    assert curves[0].width_mm[3] is None
    assert curves[0].width_mm[2] == pytest.approx(gone[2])
    # Whatever is wider than the nozzle's flat curls up beside it.
    wide = widths[4].width_mm > sheet.flat_mm
    assert 0 < wide.sum() < 5
    assert curves[4].state == tuple("wider than the nozzle's flat" if w else "used" for w in wide)
    # Below 0.06 to 0.08 mm the nozzle chokes.
    low = comb_of(sheet).height_mm - 0.07 < 0.065
    assert {curves[14].state[k] for k in np.flatnonzero(low)} == {"choked"}
    assert "choked" not in {curves[14].state[k] for k in np.flatnonzero(~low)}
    assert set(curves[9].state) == {"not fitted"}
    assert curves[9].fitted_mm == (None,) * 10
    np.testing.assert_allclose(curves[1].fitted_mm, widths[1].width_mm, atol=0.02)
    assert curves[1].height_mm == tuple(t.height_mm for t in sheet.tracks)
    assert curves[1].area_mm2 == tuple(t.area_mm2 for t in sheet.tracks)
    assert curves[1].sigma_mm == (0.004,) * 10


def test_crops_show_the_pad_from_above_with_the_front_below(sheet, read) -> None:
    """As fine as the photo; a red dot to the right, a green one at the back."""
    camera = camera_over(100.0, 140.0)
    rgb = np.full((*SHAPE, 3), 60, np.uint8)
    row, column = np.mgrid[: SHAPE[0], : SHAPE[1]]
    x, y = np.moveaxis(camera.to_bed(np.stack([row, column], axis=-1).astype(float)), -1, 0)
    pad = sheet.pads[6]
    for colour, (dx, dy) in enumerate(((6.0, 0.0), (0.0, 5.0))):
        dot = np.hypot(x - pad.x_mm - dx, y - pad.y_mm - dy) < 1.0
        rgb[dot] = np.eye(3)[colour] * 250
    widths = widths_of(sheet)
    widths[8] = cut(widths[8])
    crops = read(widths, camera=camera, photo=Photo(rgb=rgb)).crops
    assert set(crops) == {(p.i, p.j) for k, p in enumerate(sheet.pads) if k != 8}
    crop = crops[pad.i, pad.j].astype(float)
    middle = (np.array(crop.shape[:2]) - 1) / 2
    places = np.array([[p.x_mm, p.y_mm] for p in sheet.pads])
    seen_scale = camera.px_per_mm(places, np.array([1.0, 0.0]))
    scale = crop.shape[0] / (sheet.track_length_mm + 6.0)
    assert scale == pytest.approx(np.median(seen_scale), rel=0.01)
    for colour, there in enumerate(((0.0, 6.0 * scale), (-5.0 * scale, 0.0))):
        weight = np.clip(crop[..., colour] - crop[..., 1 - colour], 0, None)
        centre = [(weight * k).sum() / weight.sum() for k in np.mgrid[: len(crop), : crop.shape[1]]]
        np.testing.assert_allclose(centre - middle, there, atol=1.0)
        assert (weight > 100).sum() == pytest.approx(np.pi * scale**2, rel=0.15)


def test_crops_of_a_fine_photo_have_ten_pixels_a_millimetre(sheet, read) -> None:
    near = replace(camera_over(100.0, 140.0), focal_px=6000.0)
    crops = read(widths_of(sheet), camera=near).crops
    across = max(abs(t.offset_mm) for t in sheet.tracks) + 1.5
    along = sheet.track_length_mm / 2 + 3.0
    assert {crop.shape for crop in crops.values()} == {(int(along * 20), int(across * 20), 3)}


# Several photos


def test_a_photo_that_cannot_be_read_is_named_and_left_out(sheet, read, monkeypatch) -> None:
    good, bad = widths_of(sheet), [lost(pad) for pad in widths_of(sheet)]
    read(good)  # markers and camera from now on as made
    shown = {"a.jpg": good, "b.jpg": bad, "c.jpg": widths_of(sheet, seed=2)}
    monkeypatch.setattr(reading, "measure_photo", lambda photo, *_: shown[photo.name])
    photos = {n: Photo(rgb=np.full((*SHAPE, 3), 90, np.uint8), name=n) for n in shown}
    score, readings = read_print(list(photos.values()), sheet)
    assert len(readings) == 2
    assert score.photos == ("a.jpg", "c.jpg")
    (text,) = score.warnings
    assert text.startswith("One photo was left out: too few pads in b.jpg could be read")
    assert np.nanstd(errors_mm(score.pads, sheet)) < 0.002
    with pytest.raises(PadsheetError, match=r"b\.jpg"):
        read_print([photos["b.jpg"]], sheet)


def test_close_ups_together_need_a_fifth_of_the_sheet(sheet, read, monkeypatch) -> None:
    every = widths_of(sheet)

    def only(*kept: int) -> list[PadWidths]:
        return [pad if k in kept else cut(pad) for k, pad in enumerate(every)]

    read(every)
    shown = {"a.jpg": only(0, 1, 2), "b.jpg": only(2, 3, 4), "c.jpg": only(1, 2, 3)}
    monkeypatch.setattr(reading, "measure_photo", lambda photo, *_: shown[photo.name])
    photos = {n: Photo(rgb=np.full((*SHAPE, 3), 90, np.uint8), name=n) for n in shown}
    score, _ = read_print([photos["a.jpg"], photos["b.jpg"]], sheet)
    assert len(score.order) == 5
    with pytest.raises(PadsheetError, match=r"a\.jpg, c\.jpg") as caught:
        read_print([photos["a.jpg"], photos["c.jpg"]], sheet)
    assert caught.value.code == "photo-unusable"
