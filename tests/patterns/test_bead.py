"""The bead's section against published relations and an independent integration of its outline."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from padsheet.patterns.bead import SIDE_FACTOR, area_mm2, gap_mm, round_diameter_mm, width_mm

HALF_LAST_DIGIT = 0.00005

# Comminal, Serdeczny, Pedersen, Spangenberg, Additive Manufacturing 20 (2018) 68-76,
# doi 10.1016/j.addma.2017.12.013: W = (pi/4)(U/V) D^2/g + g (1 - pi/4) with D = 0.4 mm. The widths
# are worked out from that relation, to four decimals: (g/D, V/U, width in mm).
COMMINAL_STADIUM = [
    (0.25, 1.00, 1.2781),
    (0.50, 0.75, 0.8807),
    (0.50, 1.00, 0.6712),
    (0.50, 1.25, 0.5456),
    (0.50, 1.50, 0.4618),
    (0.75, 1.00, 0.4833),
    (0.75, 1.50, 0.3436),
    (1.00, 1.00, 0.4000),
]

# From the same relation for the line 0.45 mm wide and 0.20 mm high: (gap, width, dw/dg).
FIRST_LAYER_LINE_MM2 = 0.081416
FIRST_LAYER_LINE = [
    (0.10, 0.8356, -7.93),
    (0.15, 0.5750, -3.40),
    (0.20, 0.4500, -1.82),
    (0.25, 0.3793, -1.09),
    (0.30, 0.3358, -0.69),
    (0.322, 0.3220, -0.571),  # the round strand, 0.32197 mm
]


def integrated_area_mm2(width: float, gap: float) -> float:
    """Integrate the outline of the section: a flat top between two half circles."""
    radius = gap / 2

    def half_width(z: float) -> float:
        return width / 2 - radius + math.sqrt(max(radius**2 - (z - radius) ** 2, 0.0))

    area, _ = quad(lambda z: 2 * half_width(z), 0, gap, epsabs=1e-10)
    return float(area)


@pytest.mark.parametrize(("gap_by_bore", "speed_ratio", "expected"), COMMINAL_STADIUM)
def test_width_follows_comminal_et_al(
    gap_by_bore: float, speed_ratio: float, expected: float
) -> None:
    bore = 0.4
    area = math.pi / 4 * bore**2 / speed_ratio
    assert width_mm(area, gap_by_bore * bore) == pytest.approx(expected, abs=HALF_LAST_DIGIT)


@given(
    bore=st.floats(0.2, 1.0),
    speed_ratio=st.floats(0.5, 2.0),
    fraction=st.floats(0.15, 1.0),
)
def test_width_is_the_relation_as_printed(bore: float, speed_ratio: float, fraction: float) -> None:
    # The form printed in the paper, U/V written out; it holds up to g/D = sqrt(U/V).
    gap = fraction * bore / math.sqrt(speed_ratio)
    published = math.pi / 4 * bore**2 / speed_ratio / gap + gap * (1 - math.pi / 4)
    assert width_mm(math.pi / 4 * bore**2 / speed_ratio, gap) == pytest.approx(published, rel=1e-12)


@pytest.mark.parametrize(("gap", "width", "slope"), FIRST_LAYER_LINE)
def test_first_layer_line(gap: float, width: float, slope: float) -> None:
    area = FIRST_LAYER_LINE_MM2
    assert width_mm(area, gap) == pytest.approx(width, abs=HALF_LAST_DIGIT)
    # From below: 0.322 is the round strand rounded up, and above that the width stays.
    at, step = min(gap, float(round_diameter_mm(area))), 1e-6
    numeric = float(width_mm(area, at) - width_mm(area, at - step)) / step
    assert numeric == pytest.approx(slope, abs=0.005)


@pytest.mark.parametrize(
    ("width", "gap"), [(0.45, 0.20), (0.30, 0.30), (1.2781, 0.1), (0.6, 0.35), (0.2, 0.05)]
)
def test_area_is_the_integral_of_the_section(width: float, gap: float) -> None:
    assert area_mm2(width, gap) == pytest.approx(integrated_area_mm2(width, gap), rel=1e-8)


@pytest.mark.parametrize("area", [0.05, 0.081416, 0.12566, 0.2])
def test_width_gives_back_the_integrated_area(area: float) -> None:
    for gap in np.linspace(0.06, float(round_diameter_mm(area)), 7):
        width = float(width_mm(area, gap))
        assert integrated_area_mm2(width, float(gap)) == pytest.approx(area, rel=1e-7)


@given(area=st.floats(0.03, 0.4), share=st.floats(0.1, 0.999))
def test_gap_is_the_inverse_of_width(area: float, share: float) -> None:
    gap = share * float(round_diameter_mm(area))
    assert gap_mm(area, width_mm(area, gap)) == pytest.approx(gap, rel=1e-7)


def test_gap_is_nan_where_no_gap_gives_so_small_a_width() -> None:
    # The relation's least width is 2 sqrt(k A), far below the round strand's diameter.
    least = 2 * math.sqrt(SIDE_FACTOR * 0.1)
    gaps = gap_mm(0.1, [least - 0.001, least + 0.001])
    assert np.isnan(gaps[0])
    assert np.isfinite(gaps[1])


@pytest.mark.parametrize("area", [0.05, 0.1, 0.2])
def test_slope_at_the_round_limit_is_one_minus_half_pi(area: float) -> None:
    # dw/dg = -A/g^2 + k with A = pi g^2 / 4.
    round_mm, step = float(round_diameter_mm(area)), 1e-6
    below = float(width_mm(area, round_mm) - width_mm(area, round_mm - step)) / step
    above = float(width_mm(area, round_mm + step) - width_mm(area, round_mm)) / step
    assert below == pytest.approx(1 - math.pi / 2, abs=1e-4)
    assert above == 0.0


@given(area=st.floats(0.03, 0.4), factor=st.floats(1.0, 5.0))
def test_a_strand_from_too_high_is_round(area: float, factor: float) -> None:
    diameter = float(round_diameter_mm(area))
    assert width_mm(area, factor * diameter) == pytest.approx(diameter, rel=1e-12)
    assert math.pi / 4 * diameter**2 == pytest.approx(area, rel=1e-12)


def test_other_shapes_read_the_same_width_as_another_gap() -> None:
    # A line 0.45 mm wide of 0.081416 mm2: 0.200 mm as a stadium, 0.230 as an ellipse
    # (A = pi w h / 4), 0.181 as a rectangle (A = w h): the shape moves the gap by 10 to 15 %.
    stadium = float(gap_mm(FIRST_LAYER_LINE_MM2, 0.45))
    ellipse = 4 * FIRST_LAYER_LINE_MM2 / (math.pi * 0.45)
    rectangle = FIRST_LAYER_LINE_MM2 / 0.45
    assert stadium == pytest.approx(0.200, abs=0.0005)
    assert ellipse == pytest.approx(0.230, abs=0.0005)
    assert rectangle == pytest.approx(0.181, abs=0.0005)
    assert 0.09 < abs(rectangle - stadium) / stadium < abs(ellipse - stadium) / stadium < 0.16


def test_arrays_broadcast_and_are_left_alone() -> None:
    areas, gaps = np.array([[0.1], [0.14]]), np.array([0.15, 0.2, 0.5])
    before = areas.copy(), gaps.copy()
    widths = width_mm(areas, gaps)
    assert widths.shape == (2, 3)
    assert widths[1, 0] == width_mm(0.14, 0.15)
    assert (areas == before[0]).all()
    assert (gaps == before[1]).all()
