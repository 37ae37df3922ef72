"""Photos that are refused as a whole, by the widths that their pads show."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from pad_widths import DARK_ON_BRIGHT, pad_widths

from padsheet.patterns.bead import width_mm
from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.gaps import comb_of
from padsheet.scoring.lines import PadWidths
from padsheet.scoring.refusals import (
    fewest_pads,
    refuse_blur,
    refuse_floor,
    too_few_read,
    usual_apart,
)
from padsheet.scoring.squish import PadScore, Reason

PX_PER_MM = 10.0
BED_MM = np.linspace(-0.01, 0.04, 9)


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    return lay_out_sheet(Bed(), reach_mm=(-0.08, 0.08)).sheet


def pad(width: NDArray[np.float64], blur_mm: float = 0.12) -> PadWidths:
    return pad_widths(
        width, sigma_mm=0.006, blur_px=blur_mm * PX_PER_MM, separation=8.0, print_level=0.2,
        misfit=0.03, px_per_mm=PX_PER_MM,
    )  # fmt: skip


def blurred(*blur_mm: float) -> list[PadWidths]:
    return [pad(np.full(10, 0.6), one) for one in blur_mm]


def refused(widths: list[PadWidths]) -> str:
    """Return what is said of a photo, empty where it is taken."""
    try:
        refuse_blur("a.jpg", widths)
    except PadsheetError as error:
        return str(error)
    return ""


def test_a_photo_is_taken_up_to_a_blur_of_022_mm_on_the_bed() -> None:
    assert not refused(blurred(*[0.218] * 5))
    said = refused(blurred(*[0.224] * 5))
    assert "is blurred by 0.22 mm on the bed" in said
    assert "[photo-unsure]" in said


def test_a_photo_is_as_blurred_as_most_of_its_pads() -> None:
    """Pads that are too blurred to be read count all the more: their neighbours only seem sharp."""
    assert not refused(blurred(0.12, 0.13, 0.14, 0.25, 0.26))
    assert "blurred by 0.25 mm" in refused(blurred(0.12, 0.13, 0.25, 0.25, 0.26))


@pytest.mark.parametrize(
    "unseen",
    [{"whole": False}, {"clipped_share": 0.5}, {"separation": 1.0}, {"apart": -DARK_ON_BRIGHT}],
)
def test_pads_that_do_not_show_their_lines_tell_nothing_of_blur(unseen) -> None:
    hidden = [replace(one, **unseen) for one in blurred(*[0.3] * 4)]
    assert not refused([*blurred(*[0.12] * 5), *hidden])


def test_a_photo_without_a_pad_to_judge_is_not_called_blurred() -> None:
    assert not refused([replace(one, whole=False) for one in blurred(0.3, 0.3)])
    assert not refused([])


def test_only_where_most_pads_are_sharp_in_luminance_is_colour_to_blame() -> None:
    """Another filament helps against blurred colour, holding still against a blurred photo."""
    colour = [replace(one, luminance_blur_px=1.0) for one in blurred(*[0.25] * 5)]
    assert "phones blur colour, here by 0.25 mm" in refused([*colour[:3], *blurred(0.25, 0.25)])
    assert "a.jpg is blurred by" in refused([*colour[:2], *blurred(0.25, 0.25)])
    # Luminance that is hardly sharper has nothing to do with colour.
    alike = [replace(one, luminance_blur_px=2.0) for one in blurred(*[0.25] * 5)]
    assert "a.jpg is blurred by" in refused(alike)


def test_colour_that_is_blurred_but_little_is_taken() -> None:
    colour = [replace(one, luminance_blur_px=1.0) for one in blurred(*[0.17] * 5)]
    assert all(one.only_colour_is_blurred for one in colour)
    assert not refused(colour)


def test_pads_with_blurred_colour_are_no_measure_of_a_sharp_photo() -> None:
    colour = [replace(one, luminance_blur_px=1.0) for one in blurred(*[0.25] * 3)]
    assert not refused([*colour, *blurred(*[0.12] * 4)])
    assert "phones blur colour" in refused([*colour, *blurred(0.12, 0.12)])


def floored(sheet: Sheet, floor_mm: float, **changes: float) -> list[PadWidths]:
    """Return pads of a printer that does not go below a height, after Comminal et al. (2018)."""
    comb = comb_of(sheet)
    gaps = np.maximum(comb.height_mm, floor_mm) + BED_MM[:, None]
    noise = np.random.default_rng(1).normal(0, 0.006, gaps.shape)
    return [replace(pad(row), **changes) for row in width_mm(comb.area_mm2, gaps) + noise]


def test_a_printer_that_stops_short_is_named_with_its_height(sheet) -> None:
    lowest, second, *_ = sorted({t.height_mm for t in sheet.tracks})
    refuse_floor(sheet, floored(sheet, lowest))
    with pytest.raises(PadsheetError, match=re.escape(f"below about {second:.2f} mm")) as caught:
        refuse_floor(sheet, floored(sheet, second))
    assert caught.value.code == "print-floor"


def test_a_step_missing_in_soft_lines_is_no_fault_of_the_printer(sheet) -> None:
    second = sorted({t.height_mm for t in sheet.tracks})[1]
    refuse_floor(sheet, floored(sheet, second, blur_px=1.65))
    with pytest.raises(PadsheetError, match="seems not to go below"):
        refuse_floor(sheet, floored(sheet, second, blur_px=1.55))
    # The same pixels are less of a millimetre nearer by.
    with pytest.raises(PadsheetError, match="seems not to go below"):
        refuse_floor(sheet, floored(sheet, second, blur_px=1.65, px_per_mm=12.0))


def test_pads_that_cannot_be_read_do_not_accuse_the_printer(sheet) -> None:
    lowest, second, *_ = sorted({t.height_mm for t in sheet.tracks})
    glared = floored(sheet, second, clipped_share=0.5)
    refuse_floor(sheet, glared)
    refuse_floor(sheet, [*glared, *floored(sheet, lowest)[:4]])
    refuse_floor(sheet, [])


def test_what_print_and_plate_look_like_is_told_by_the_pads_seen_whole() -> None:
    cut = replace(pad(np.full(10, 0.6)), apart=-3 * DARK_ON_BRIGHT, whole=False)
    seen = [replace(cut, apart=k * DARK_ON_BRIGHT, whole=True) for k in (0.9, 1.0, 1.2)]
    np.testing.assert_allclose(usual_apart([cut, cut, *seen, cut, cut]), DARK_ON_BRIGHT)
    np.testing.assert_array_equal(usual_apart([cut]), np.zeros(3))


# Too few pads


def unread(verdict: str, code: str = "pad-high") -> PadScore:
    reason = Reason(code=code, text="why it is not read")
    return PadScore(i=0, j=0, x_mm=30.0, y_mm=30.0, verdict=verdict, reason=reason)  # type: ignore[arg-type]


HIGH, LOW = unread("off scale high"), unread("off scale low", "pad-low")
ALIKE, BLURRED = unread("unread", "pad-no-fall"), unread("unread", "pad-blur")
OUTSIDE = unread("unread", "pad-outside")


@pytest.mark.parametrize(
    ("seen", "outside", "whole", "part"),
    [
        # A fifth, and three of a small sheet; all of one that has no more.
        (25, 0, 5, 5),
        (26, 0, 6, 6),
        (9, 0, 3, 3),
        (2, 0, 2, 2),
        # Of a close-up only what it shows counts.
        (6, 19, 5, 3),
        (2, 23, 5, 2),
        (20, 5, 5, 4),
    ],
)
def test_how_many_pads_must_be_read(seen: int, outside: int, whole: int, part: int) -> None:
    pads = [BLURRED] * seen + [OUTSIDE] * outside
    assert fewest_pads(pads) == whole
    assert fewest_pads(pads, part=True) == part


@pytest.mark.parametrize(
    ("pads", "reach_mm", "said", "remedy"),
    [
        ([HIGH] * 20 + [BLURRED] * 5, 0.08, "too far at 20 of 25 points", "sheet --reach first`."),
        ([HIGH] * 3 + [ALIKE] * 10 + [BLURRED] * 12, 0.08, "too far at 3, one or the", "--reach"),
        ([HIGH] * 25, 0.15, "too far at 25 of 25 points", "paper again, bed and nozzle warm; then"),
        ([LOW] * 20 + [HIGH] * 5, 0.08, "too far at 5, too near at 20", "Before anything else"),
        ([LOW] * 25, 0.15, "too near at 25", "so that the nozzle comes up; then print the sheet"),
    ],
)
def test_a_bed_beyond_the_reach_needs_another_sheet(
    pads: list[PadScore], reach_mm: float, said: str, remedy: str
) -> None:
    """No other photo of the print would tell more."""
    sheet = lay_out_sheet(Bed(), reach_mm=(-reach_mm, reach_mm)).sheet
    error = too_few_read("a.jpg", sheet, pads)
    assert error.code == "print-beyond-reach"
    assert said in error.problem
    assert remedy in (error.remedy or "")


@pytest.mark.parametrize("pads", [[HIGH] * 12 + [BLURRED] * 13, [ALIKE] * 25, []])
def test_what_does_not_show_the_side_is_the_photo_s(sheet: Sheet, pads: list[PadScore]) -> None:
    error = too_few_read("a.jpg", sheet, pads)
    assert error.code == "photo-unusable"
    assert "Take the photo again" in (error.remedy or "")
