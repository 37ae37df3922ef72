"""Edges whose bright side is cut off, against Gaussian edges fitted here with SciPy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pad_widths import pad_widths
from scipy.optimize import least_squares
from scipy.special import ndtr

from padsheet.scoring.highlights import WIDTH_PER_LOST_BLUR, highlight_shift_mm
from padsheet.scoring.lines import PadWidths

BLUR_PX, PX_PER_MM = 1.2, 10.0


def cut_edge(times: float) -> tuple[float, float]:
    """Shift and blur of the Gaussian edge that best fits one of blur 1 cut at 1/times."""
    u = np.linspace(-5, 5, 501)
    seen = np.minimum(times * ndtr(u), 1.0)
    fit = least_squares(lambda p: ndtr((u - p[0]) / p[1]) - seen, [-0.3, 0.8])
    return float(fit.x[0]), float(fit.x[1])


def pad(blur_px: float = BLUR_PX, brightest: float = 0.6, sign: float = 1.0) -> PadWidths:
    return pad_widths(
        blur_px=blur_px,
        apart=sign * np.array([0.8, 0.7, 0.6]),
        print_level=float(sign > 0),
        px_per_mm=PX_PER_MM,
        brightest=brightest,
    )


@pytest.mark.parametrize("times", [1.2, 1.5, 2.0, 2.8])
def test_width_gained_goes_with_the_blur_lost(times) -> None:
    """Both edges of a line move out; by how much, the lost blur tells to within a third."""
    shift, blur = cut_edge(times)
    gained_mm = -2 * shift * BLUR_PX / PX_PER_MM
    widths = [pad(), pad(), pad(), pad(blur * BLUR_PX, 1.0)]
    assert highlight_shift_mm(widths)[3] == pytest.approx(gained_mm, rel=0.33)
    assert WIDTH_PER_LOST_BLUR == pytest.approx(-2 * shift / (1 - blur), rel=0.33)


def test_a_bright_plate_makes_lines_narrower() -> None:
    widths = [pad(sign=-1.0)] * 3 + [pad(0.9, 1.0, sign=-1.0)]
    shift = highlight_shift_mm(widths)
    np.testing.assert_array_equal(shift[:3], 0.0)
    assert shift[3] == pytest.approx(-3.2 * 0.3 / 10)


def test_sharper_pads_with_whole_highlights_are_just_sharper() -> None:
    assert not highlight_shift_mm([pad(), pad(1.0), pad(1.1), pad(0.8)]).any()


def test_where_all_are_cut_the_most_blurred_tell_the_lens() -> None:
    shift = highlight_shift_mm([pad(b, 1.0) for b in np.linspace(0.8, 1.2, 21)])
    assert shift[0] == pytest.approx(3.2 * 0.36 / 10, rel=0.05)
    assert shift[-1] == 0.0


def test_what_was_not_read_tells_nothing() -> None:
    dark = replace(pad(0.5, 1.0), width_mm=np.full(10, np.nan))
    assert not highlight_shift_mm([dark] * 4).any()
    assert highlight_shift_mm([pad(), pad(), pad(), dark])[3] == 0.0
