"""Pads that must not be read: choked, round, unlike the model; and good ones that must pass."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from pad_widths import DARK_ON_BRIGHT, pad_widths

from padsheet.patterns.bead import SIDE_FACTOR, round_diameter_mm, width_mm
from padsheet.patterns.bed import Bed
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.gaps import GapFit, TrackData, comb_of, fit_gaps
from padsheet.scoring.judge import (
    after_fit,
    before_fit,
    beyond_reach,
    falls,
    hardly_there,
    off_scale,
    proven_low,
)
from padsheet.scoring.lines import PadWidths
from padsheet.scoring.squish import PadScore

Floats = NDArray[np.float64]

COUNT = 200


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    return lay_out_sheet(Bed(), reach_mm=(-0.08, 0.08)).sheet


def seen(width: Floats, **changes: object) -> PadWidths:
    plain: dict[str, object] = {
        "sigma_mm": 0.006,
        "blur_px": 1.3,
        "separation": 8.0,
        "print_level": 1.0,
        "misfit": 0.03,
        "px_per_mm": 12.0,
    }
    return pad_widths(width, **(plain | changes))


def choked_pad(sheet: Sheet, rng: np.random.Generator) -> tuple[float, PadWidths]:
    """A nozzle so near that the melt is held back, and below that only smears.

    The flow falls with a power of the gap below the choking gap (common practice, no source);
    what is wider than the nozzle's flat curls up at its edges.
    """
    comb = comb_of(sheet)
    gap = rng.uniform(-0.07, 0.0)
    under = gap + comb.height_mm - sheet.target_gap_mm
    choke, power = rng.uniform(0.053, 0.07), rng.uniform(1.8, 2.6)
    safe = np.maximum(under, 0.012)
    laid = comb.area_mm2 * np.minimum((safe / choke) ** power, 1.0)
    width = laid / safe + SIDE_FACTOR * safe
    width = np.where(width > 1.0, 1.0 + (width - 1.0) * rng.uniform(0.4, 0.7), width)
    smear = under <= 0.012
    width = np.where(smear, rng.uniform(0.3, 0.6), width) + rng.normal(0, 0.03)
    rough = rng.uniform(0.01, 0.05)
    width = np.maximum(width + rng.normal(0, rough, len(width)), 0.1)
    contrast = np.where(smear, rng.uniform(0.2, 0.5), np.clip(safe / choke, 0.4, 1.0))
    return gap, seen(
        width,
        sigma_mm=np.full(len(width), rough / 2),
        wander_mm=rng.uniform(0.005, 0.03, len(width)),
        contrast=contrast * rng.normal(1, 0.05, len(width)),
    )


def round_pad(sheet: Sheet, rng: np.random.Generator) -> tuple[float, PadWidths]:
    """A nozzle so high that all lines lie round on the plate and wander the more, the higher."""
    comb = comb_of(sheet)
    flow = 1 + rng.normal(0, 0.03)
    diameter = round_diameter_mm(comb.area_mm2 * flow)
    lowest = float(comb.height_mm.min()) - sheet.target_gap_mm
    gap = float(diameter.max()) - lowest + rng.uniform(0.0, 0.5)
    fall = gap + comb.height_mm - sheet.target_gap_mm - diameter
    wander = np.hypot(0.012, rng.uniform(0.3, 0.8) * fall)
    width = diameter + rng.normal(0, 0.02) + rng.normal(0, 0.012, len(diameter))
    return gap, seen(
        width,
        sigma_mm=np.full(len(width), 0.008),
        wander_mm=wander * rng.uniform(0.7, 1.3, len(width)),
        contrast=rng.normal(1, 0.05, len(width)),
    )


def good_pad(sheet: Sheet, rng: np.random.Generator) -> tuple[float, PadWidths]:
    """A pad within the reach of the sheet."""
    comb = comb_of(sheet)
    gap = sheet.target_gap_mm + rng.uniform(*sheet.reach_mm)
    under = gap + comb.height_mm - sheet.target_gap_mm
    area = comb.area_mm2 * (1 + rng.normal(0, 0.04) + rng.normal(0, 0.01, len(under)))
    width = width_mm(area, under) + rng.normal(0, 0.04) + rng.normal(0, 0.008, len(under))
    return gap, seen(width, contrast=rng.normal(1, 0.08, len(under)))


Maker = Callable[[Sheet, np.random.Generator], tuple[float, PadWidths]]


def judged(sheet: Sheet, maker: Maker, seed: int) -> list[tuple[float, PadScore | None]]:
    outcomes = []
    for k in range(COUNT):
        gap, widths = maker(sheet, np.random.default_rng([seed, k]))
        outcomes.append((gap, off_scale(sheet, sheet.pads[0], widths)))
    return outcomes


@pytest.fixture(scope="module")
def neighbours(sheet: Sheet) -> list[PadWidths]:
    """Return good pads that a doubtful one is fitted together with."""
    return [good_pad(sheet, np.random.default_rng([50, k]))[1] for k in range(24)]


def given(sheet: Sheet, widths: PadWidths, neighbours: list[PadWidths]) -> float | None:
    """Return the gap that a pad would be given in the end, None if any rule refuses it."""
    if off_scale(sheet, sheet.pads[0], widths) is not None:
        return None
    every = [widths, *neighbours]
    data = TrackData(
        width_mm=np.array([w.width_mm for w in every]),
        sigma_mm=np.array([w.sigma_mm for w in every]),
        kappa=np.zeros((len(every), 1)),
        kink_mm=np.zeros((len(every), 10)),
        doubt=np.ones(len(every)),
    )
    fit = fit_gaps(sheet, data)
    return float(fit.gap_mm[0]) if after_fit(sheet, fit, 0) is None else None


def test_no_choked_pad_is_given_a_gap(sheet: Sheet, neighbours: list[PadWidths]) -> None:
    verdicts = []
    for k in range(COUNT):
        _, widths = choked_pad(sheet, np.random.default_rng([1, k]))
        score = off_scale(sheet, sheet.pads[0], widths)
        verdicts.append(None if score is None else score.verdict)
        assert given(sheet, widths, neighbours) is None
    # Nearly all are stopped before the fit, and a good part of them is told, not only left unread.
    assert verdicts.count(None) <= 0.01 * COUNT
    assert verdicts.count("off scale low") > 0.3 * COUNT


def test_no_choked_pad_is_called_high(sheet: Sheet) -> None:
    verdicts = {score.verdict for _, score in judged(sheet, choked_pad, 1) if score is not None}
    assert verdicts <= {"off scale low", "unread"}


@pytest.mark.parametrize("draw", [2674, 5096, 6305, 7724, 14129, 19080])
def test_a_smear_with_narrow_outer_lines_is_no_gap(
    sheet: Sheet, neighbours: list[PadWidths], draw: int
) -> None:
    """The rarest of choked pads: the outermost lines alone are laid, and are thin."""
    gap, widths = choked_pad(sheet, np.random.default_rng([77, draw]))
    assert gap < -0.06
    slope, sigma = falls(sheet, widths)
    assert slope < -4 * sigma  # so the fall of all lines together does not tell
    assert given(sheet, widths, neighbours) is None
    score = off_scale(sheet, sheet.pads[0], widths)
    assert score is not None
    assert score.verdict in ("unread", "off scale low")


@pytest.mark.parametrize(("least_mm", "most_mm"), [(0.12, 0.2), (0.2, 0.28), (0.28, 0.31)])
def test_a_noisy_good_pad_still_falls_without_its_outer_lines(
    sheet: Sheet, least_mm: float, most_mm: float
) -> None:
    comb = comb_of(sheet)
    for k in range(COUNT):
        rng = np.random.default_rng([8, k])
        under = rng.uniform(least_mm, most_mm) + comb.height_mm - sheet.target_gap_mm
        area = comb.area_mm2 * (1 + rng.normal(0, 0.04) + rng.normal(0, 0.02, 10))
        width = width_mm(area, under) + rng.normal(0, 0.04) + rng.normal(0, 0.02, 10)
        assert off_scale(sheet, sheet.pads[0], seen(width, sigma_mm=np.full(10, 0.02))) is None


def test_a_pad_whose_lowest_lines_are_choked_is_kept(sheet: Sheet) -> None:
    comb = comb_of(sheet)
    under = 0.13 + comb.height_mm - sheet.target_gap_mm
    width = width_mm(comb.area_mm2, under)
    lowest = comb.height_mm < comb.height_mm.min() + 1e-6
    # Wide for want of another way out, or hardly fed at all and of any area alike.
    for choked in (1.1, 0.9):
        width[lowest] = choked
        assert off_scale(sheet, sheet.pads[0], seen(width)) is None


def test_no_round_pad_passes_for_a_gap_or_for_a_low_one(sheet: Sheet) -> None:
    outcomes = judged(sheet, round_pad, 2)
    verdicts = [None if score is None else score.verdict for _, score in outcomes]
    assert verdicts.count(None) == 0
    assert verdicts.count("off scale low") == 0
    assert verdicts.count("off scale high") > 0.8 * COUNT


@pytest.mark.parametrize(("maker", "seed"), [(choked_pad, 1), (round_pad, 2)])
def test_bounds_hold_the_truth(sheet: Sheet, maker: Maker, seed: int) -> None:
    told = 0
    for gap, score in judged(sheet, maker, seed):
        if score is None:
            # Left to the checks after the fit.
            continue
        assert score.gap_mm is None
        assert score.reason is not None
        if score.verdict == "unread":
            assert score.interval_mm is None
            continue
        assert score.interval_mm is not None
        low, high = score.interval_mm
        assert (low is None) != (high is None)
        assert low is None or gap >= low
        assert high is None or gap <= high
        # A bound on the wrong side of the target would tell nothing.
        assert high is None or high < sheet.target_gap_mm - 0.04
        assert low is None or low > sheet.target_gap_mm + 0.04
        told += 1
    assert told > 0.3 * COUNT


@pytest.mark.parametrize("bias_mm", [-0.07, -0.045, 0.045, 0.12])
def test_a_photo_that_widens_every_line_hides_no_round_pad(sheet: Sheet, bias_mm: float) -> None:
    comb = comb_of(sheet)
    for k in range(50):
        rng = np.random.default_rng([6, k])
        width = round_diameter_mm(comb.area_mm2) + bias_mm + rng.normal(0, 0.006, 10)
        pad = seen(width, wander_mm=np.full(10, 0.03))
        score = off_scale(sheet, sheet.pads[0], pad)
        assert score is not None
        assert score.verdict == "off scale high"


def test_strands_that_lie_straight_are_high_and_smears_are_not(sheet: Sheet) -> None:
    """A strand just laid on the plate does not wander; its width goes with its area."""
    comb = comb_of(sheet)
    still = {"wander_mm": np.full(10, 0.004)}
    for k in range(50):
        rng = np.random.default_rng([12, k])
        strands = round_diameter_mm(comb.area_mm2) - 0.05 + rng.normal(0, 0.008, 10)
        score = off_scale(sheet, sheet.pads[0], seen(strands, **still))
        assert score is not None
        assert score.verdict == "off scale high"
        smear = float(strands.mean()) + rng.normal(0, 0.02, 10)
        score = off_scale(sheet, sheet.pads[0], seen(smear, **still))
        assert score is not None
        assert score.verdict == "unread"


def test_faint_lines_are_no_strands(sheet: Sheet) -> None:
    """A film wiped over the plate; called too high, the nozzle would be sent lower still."""
    comb = comb_of(sheet)
    width = round_diameter_mm(comb.area_mm2) + np.random.default_rng(7).normal(0, 0.006, 10)
    for contrast, verdict in ((0.6, "off scale high"), (0.5, "unread"), (0.3, "unread")):
        pad = seen(width, wander_mm=np.full(10, 0.03), contrast=np.full(10, contrast))
        score = off_scale(sheet, sheet.pads[0], pad)
        assert score is not None
        assert score.verdict == verdict


def test_lines_that_are_faint_below_are_no_strands(sheet: Sheet) -> None:
    comb = comb_of(sheet)
    lowest = comb.height_mm < comb.height_mm.min() + 1e-6
    width = round_diameter_mm(comb.area_mm2) + np.random.default_rng(7).normal(0, 0.006, 10)
    contrast = np.where(lowest, 0.7, 1.0)
    score = off_scale(
        sheet, sheet.pads[0], seen(width, wander_mm=np.full(10, 0.03), contrast=contrast)
    )
    assert score is not None
    assert score.verdict == "unread"


def test_no_choked_pad_is_called_high_even_if_it_looks_as_bright_as_print(sheet: Sheet) -> None:
    for k in range(5 * COUNT):
        _, widths = choked_pad(sheet, np.random.default_rng([91, k]))
        bright = replace(widths, contrast=np.ones(10), wander_mm=np.full(10, 0.004))
        score = off_scale(sheet, sheet.pads[0], bright)
        assert score is None or score.verdict != "off scale high"


def test_the_bound_of_a_high_pad_holds_where_lines_are_just_pressed(sheet: Sheet) -> None:
    """Gaps on either side of round, flow and the photo's bias unknown."""
    comb = comb_of(sheet)
    broken = told = 0
    for k in range(5 * COUNT):
        rng = np.random.default_rng([9, k])
        gap = rng.uniform(0.25, 0.5)
        area = comb.area_mm2 * (1 + rng.normal(0, 0.03) + rng.normal(0, 0.01, 10))
        width = width_mm(area, gap + comb.height_mm - sheet.target_gap_mm)
        width = width + rng.normal(0, 0.04) + rng.normal(0, 0.012, 10)
        pad = seen(width, wander_mm=np.full(10, 0.03))
        score = off_scale(sheet, sheet.pads[0], pad)
        if score is not None and score.verdict == "off scale high":
            told += 1
            broken += gap < score.interval_mm[0]
    assert told > COUNT
    # The range of gaps is chosen so that nearly half of them lie below the bound.
    assert broken < 0.03 * told


def unread_pad(sheet: Sheet, **changes: object) -> PadScore:
    pad = sheet.pads[0]
    score = PadScore(i=pad.i, j=pad.j, x_mm=pad.x_mm, y_mm=pad.y_mm, verdict="unread")
    return replace(score, **changes)  # type: ignore[arg-type]


def test_both_halves_of_the_comb_must_prove_a_pad_too_near(sheet: Sheet) -> None:
    comb = comb_of(sheet)
    unread = unread_pad(sheet)
    upper = comb.height_mm > np.median(np.unique(comb.height_mm)) - 1e-6
    left, right = upper & (comb.offset_mm < 0), upper & (comb.offset_mm > 0)
    nothing = np.full(10, np.inf)
    assert proven_low(sheet, unread, nothing) == unread
    # A string across one half widens its lines; low lines may be smears of any width.
    for part in (left, right, ~upper):
        assert proven_low(sheet, unread, np.where(part, 0.06, np.inf)) == unread
    proven = proven_low(sheet, unread, np.where(left, 0.06, np.where(right, 0.09, np.inf)))
    assert proven.verdict == "off scale low"
    assert proven.gap_mm is None
    assert proven.interval_mm == (None, 0.09)
    assert proven.reason is not None
    assert proven.reason.code == "pad-low"
    # What is proven may be less than that the nozzle is too near at all.
    assert proven_low(sheet, unread, np.full(10, sheet.target_gap_mm)) == unread


def test_of_two_bounds_the_nearer_counts(sheet: Sheet) -> None:
    known = unread_pad(sheet, verdict="off scale low", interval_mm=(None, 0.07))
    assert proven_low(sheet, known, np.full(10, 0.09)) == known
    assert proven_low(sheet, known, np.full(10, 0.05)).interval_mm == (None, 0.05)


def test_good_pads_pass(sheet: Sheet) -> None:
    outcomes = judged(sheet, good_pad, 3)
    assert [score for _, score in outcomes if score is not None] == []


def test_nothing_between_reach_and_round_is_called_low(sheet: Sheet) -> None:
    """Pads beyond the reach, some lines of which are still pressed."""
    comb = comb_of(sheet)
    for k in range(COUNT):
        rng = np.random.default_rng([4, k])
        under = rng.uniform(0.28, 0.5) + comb.height_mm - sheet.target_gap_mm
        width = width_mm(comb.area_mm2, under) + rng.normal(0, 0.012, 10)
        score = off_scale(sheet, sheet.pads[0], seen(width))
        assert score is None or score.verdict != "off scale low"


def test_a_pad_without_its_lowest_lines_is_judged_without_a_warning(sheet: Sheet) -> None:
    comb = comb_of(sheet)
    width = np.where(comb.height_mm < comb.height_mm.min() + 1e-6, np.nan, 0.5)
    score = off_scale(sheet, sheet.pads[0], seen(width))
    assert score is not None
    assert score.verdict == "unread"


def test_equal_widths_are_no_gap_whatever_they_are(sheet: Sheet) -> None:
    for k, width in enumerate(np.linspace(0.2, 1.0, 17)):
        rng = np.random.default_rng([5, k])
        pad = seen(width + rng.normal(0, 0.01, 10))
        assert off_scale(sheet, sheet.pads[0], pad) is not None


def test_slope_of_an_ideal_pad(sheet: Sheet) -> None:
    """Compare with the least-squares line through the exact widths, weights being equal."""
    comb = comb_of(sheet)
    width = width_mm(comb.area_mm2, 0.2 + comb.height_mm - sheet.target_gap_mm)
    slope, sigma = falls(sheet, seen(width))
    design = np.stack([np.ones(10), comb.height_mm, comb.area_mm2], axis=1)
    assert slope == pytest.approx(np.linalg.lstsq(design, width)[0][1], rel=1e-9)
    assert slope < -1.0
    assert 0 < sigma < 0.3


def test_sigma_of_a_slope_follows_the_scatter(sheet: Sheet) -> None:
    """Where widths scatter, half of the standard error that least squares gives (the other half
    is the curve of the widths themselves).
    """
    comb = comb_of(sheet)
    width = 0.5 + np.random.default_rng(3).normal(0, 0.2, 10)
    design = np.stack([np.ones(10), comb.height_mm, comb.area_mm2], axis=1)
    residual = width - design @ np.linalg.lstsq(design, width)[0]
    error = np.sqrt(residual @ residual / 7 * np.linalg.inv(design.T @ design)[1, 1])
    assert falls(sheet, seen(width))[1] == pytest.approx(error / 2, rel=1e-9)


def test_three_lines_have_no_slope(sheet: Sheet) -> None:
    width = np.full(10, np.nan)
    width[:3] = 0.5
    assert falls(sheet, seen(width)) == (0.0, np.inf)


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"whole": False}, "pad-outside"),
        ({"px_per_mm": 3.9}, "pad-small"),
        ({"separation": 1.0}, "pad-contrast"),
        ({"clipped_share": 0.5}, "pad-glare"),
        ({"apart": -DARK_ON_BRIGHT}, "pad-glare"),
        ({"apart": 0.0 * DARK_ON_BRIGHT}, "pad-glare"),
        ({"blur_px": 5.0}, "pad-blur"),
        ({"blur_px": 5.0, "luminance_blur_px": 4.0}, "pad-blur"),
        ({"blur_px": 5.0, "luminance_blur_px": 2.0}, "pad-contrast"),
        ({"width_mm": np.array([0.5] * 5 + [np.nan] * 5)}, "pad-tracks"),
    ],
)
def test_what_a_photo_does_not_show_is_refused(changes: dict[str, object], code: str) -> None:
    good = seen(np.full(10, 0.5))
    assert before_fit(good, DARK_ON_BRIGHT) is None
    assert before_fit(seen(np.array([0.5] * 6 + [np.nan] * 4)), DARK_ON_BRIGHT) is None
    reason = before_fit(replace(good, **changes), DARK_ON_BRIGHT)  # type: ignore[arg-type]
    assert reason is not None
    assert reason.code == code
    assert len(reason.text) > 20


@pytest.mark.parametrize(
    ("others", "near", "expected"),
    [
        (8.0, True, "much too near the bed here as beside it, or the light is spoilt"),
        (8.0, False, "much too near the bed here, or the light is spoilt"),
        (2.0, True, "print and plate look alike here"),
        (1.0, False, "print and plate look alike here"),
    ],
)
def test_where_only_a_few_pads_look_alike_the_nozzle_is_perhaps_too_near(
    sheet: Sheet, others: float, near: bool, expected: str
) -> None:
    """The pad stays unread under the same code, whatever is thought of the cause."""
    width = np.full(10, 0.5)
    widths = [seen(width, separation=1.0 if k == 0 else others) for k in range(len(sheet.pads))]
    scores = []
    for k, (pad, w) in enumerate(zip(sheet.pads, widths, strict=True)):
        score = PadScore(
            i=pad.i,
            j=pad.j,
            x_mm=pad.x_mm,
            y_mm=pad.y_mm,
            verdict="off scale low" if near and k == 1 else "unread",
            reason=before_fit(w, DARK_ON_BRIGHT),
        )
        scores.append(score)
    told = hardly_there(scores, widths)
    reason = told[0].reason
    assert reason is not None
    assert (reason.code, told[0].verdict, told[0].gap_mm) == ("pad-contrast", "unread", None)
    assert expected in reason.text
    assert list(told[1:]) == scores[1:]


def test_blurred_colour_is_no_missing_line(sheet: Sheet) -> None:
    """The code is the same, but print and plate are apart in colour."""
    blurred = seen(np.full(10, 0.5), blur_px=5.0, luminance_blur_px=2.0)
    widths = [blurred, *[seen(np.full(10, 0.5))] * 24]
    pads = [
        PadScore(
            i=p.i,
            j=p.j,
            x_mm=p.x_mm,
            y_mm=p.y_mm,
            verdict="unread",
            reason=before_fit(w, DARK_ON_BRIGHT),
        )
        for p, w in zip(sheet.pads, widths, strict=True)
    ]
    assert list(hardly_there(pads, widths)) == pads


@pytest.mark.parametrize("light", [0.1, 1.0, 3.0])
def test_a_dim_photo_is_not_taken_for_glare(light: float) -> None:
    """Glare is told against the sheet's own contrast, whatever the light."""
    good = seen(np.full(10, 0.5), apart=0.3 * light * DARK_ON_BRIGHT)
    assert before_fit(good, light * DARK_ON_BRIGHT) is None
    reason = before_fit(replace(good, apart=0.03 * light * DARK_ON_BRIGHT), light * DARK_ON_BRIGHT)
    assert reason is not None
    assert reason.code == "pad-glare"


@pytest.mark.parametrize(
    ("off_mm", "expected", "interval_mm"),
    [
        (-0.08 - 0.031, "off scale low", (None, 0.12)),
        (-0.08 - 0.029, None, None),
        (0.0, None, None),
        (0.08 + 0.029, None, None),
        (0.08 + 0.031, "off scale high", (0.28, None)),
    ],
)
def test_a_gap_clearly_beyond_the_reach_is_a_bound_only(
    sheet: Sheet,
    off_mm: float,
    expected: str | None,
    interval_mm: tuple[float | None, float | None] | None,
) -> None:
    score = beyond_reach(sheet, sheet.pads[3], sheet.target_gap_mm + off_mm)
    if expected is None or interval_mm is None:
        assert score is None
        return
    assert score is not None
    assert (score.verdict, score.gap_mm) == (expected, None)
    assert score.interval_mm == pytest.approx(interval_mm)
    assert (score.i, score.j) == (sheet.pads[3].i, sheet.pads[3].j)


def fit_of(**changes: object) -> GapFit:
    fit = GapFit(
        gap_mm=np.array([0.2, 0.21]),
        covariance_mm2=np.diag([0.006**2, 0.006**2]),
        common=np.zeros(10),
        pads=np.zeros((2, 5)),
        common_covariance=np.eye(10),
        fitted_mm=np.full((2, 10), 0.5),
        track_gap_mm=np.full((2, 10), 0.2),
        weight=np.full((2, 10), 1e4),
        normalised=np.full((2, 10), 0.8),
        inflation=1.0,
    )
    return replace(fit, **changes)  # type: ignore[arg-type]


def test_a_good_fit_is_trusted(sheet: Sheet) -> None:
    assert after_fit(sheet, fit_of(), 0) is None
    assert after_fit(sheet, fit_of(), 1) is None


def with_row(value: float, row: int, values: Floats) -> Floats:
    out = np.full((2, 10), value)
    out[row] = values
    return out


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"weight": with_row(1e4, 1, np.array([1e4] * 4 + [0.0] * 6))}, "pad-few-steps"),
        ({"normalised": with_row(0.8, 1, np.array([7.0] * 3 + [0.5] * 7))}, "pad-misfit"),
        ({"normalised": with_row(0.8, 1, np.full(10, -4.5))}, "pad-misfit"),
        ({"covariance_mm2": np.diag([0.006**2, 0.031**2])}, "pad-uncertain"),
    ],
)
def test_a_doubtful_fit_is_not_trusted(sheet: Sheet, changes: dict[str, object], code: str) -> None:
    fit = fit_of(**changes)
    reason = after_fit(sheet, fit, 1)
    assert reason is not None
    assert reason.code == code
    # The other pad is not drawn into it.
    assert after_fit(sheet, fit, 0) is None


def test_a_single_wild_line_does_not_condemn_a_pad(sheet: Sheet) -> None:
    values = np.full(10, 0.8)
    values[4] = 40.0
    assert after_fit(sheet, fit_of(normalised=with_row(0.8, 0, values)), 0) is None


@pytest.mark.parametrize(
    ("gap_mm", "sigma_mm", "code"),
    [
        (0.27, 0.030, "pad-few-steps"),
        # At the target too this photo would not tell it.
        (0.27, 0.060, "pad-uncertain"),
        # Widths tell nearly as much as at the target, or more.
        (0.22, 0.026, "pad-uncertain"),
        (0.14, 0.030, "pad-uncertain"),
    ],
)
def test_where_lines_hardly_tell_the_gap_the_photo_is_not_blamed(
    sheet: Sheet, gap_mm: float, sigma_mm: float, code: str
) -> None:
    covariance = np.diag([0.006**2, sigma_mm**2])
    fit = fit_of(gap_mm=np.array([0.2, gap_mm]), covariance_mm2=covariance)
    reason = after_fit(sheet, fit, 1)
    assert reason is not None
    assert reason.code == code
    assert ("too far from the bed" in reason.text) is (code == "pad-few-steps")
