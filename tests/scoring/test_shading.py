"""Light on the sides of beads, against numerical integration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from padsheet.scoring.shading import SIDE_LOSS, seen_narrower


def test_the_loss_is_that_of_an_even_sky_over_a_half_circle() -> None:
    """Liu and Jordan, Solar Energy 7 (1963) 53-74: a slope b sees (1 + cos b)/2 of the sky."""
    height = 1.0
    radius = height / 2
    # Seen from above, the half circle falls by asin(x/r) at the distance x from the flat top.
    lost = quad(lambda x: 1 - (1 + np.sqrt(1 - (x / radius) ** 2)) / 2, 0, radius)[0]
    assert pytest.approx(2 * lost / height, abs=1e-9) == SIDE_LOSS


@pytest.mark.parametrize(("ink", "plate"), [(0.8, 0.0), (0.8, 0.2), (0.05, 0.6), (0.45, 0.9)])
def test_a_shaded_bar_is_narrower_by_its_missing_light(ink: float, plate: float) -> None:
    """Width as an edge model sees it: light above the plate, over that of the flat top."""
    height, flat = 0.2, 0.4
    across = np.linspace(-0.5, 0.5, 200_001)
    beside = np.clip((np.abs(across) - flat / 2) / (height / 2), 0, None)
    sky = (1 + np.sqrt(np.clip(1 - beside**2, 0, 1))) / 2
    light = np.where(beside < 1, ink * sky, plate)
    seen = np.trapezoid(light - plate, across) / (ink - plate)
    expected = flat + height - height * seen_narrower(ink / (ink - plate))
    assert seen == pytest.approx(expected, abs=2e-5)


def test_equal_brightness_is_no_reason_to_expect_more_and_more() -> None:
    assert seen_narrower(50.0) == seen_narrower(2.0)
    assert seen_narrower(-50.0) == seen_narrower(-1.0)
