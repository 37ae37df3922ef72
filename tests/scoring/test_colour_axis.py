"""The colour direction that tells print from plate: luminance, and Fisher's discriminant."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from padsheet.scoring.colour_axis import (
    ColourAxis,
    PrintAndPlate,
    discriminant_axis,
    luminance_axis,
    print_and_plate,
)

Floats = NDArray[np.float64]

U_MM = np.linspace(-0.9, 0.9, 61)
# Rec. ITU-R BT.709, item 3.2.
BT709 = np.array([0.2126, 0.7152, 0.0722])
ORANGE, BLUE = np.array([0.60, 0.20, 0.05]), np.array([0.05, 0.25, 0.60])
NOISE = np.array([[1.0, 0.3, 0.0], [0.3, 0.5, 0.0], [0.0, 0.0, 2.0]]) * 4e-4


def patches(ink: Floats, plate: Floats, spoilt: float = 0.0, seed: int = 5) -> NDArray[np.float32]:
    """Return light of ten lines, a part of it spoilt by specks."""
    rng = np.random.default_rng(seed)
    shape = (10, 40, len(U_MM))
    light = np.where(np.abs(U_MM)[:, None] < 0.25, ink, plate)
    light = light + rng.multivariate_normal(np.zeros(3), NOISE, shape)
    specks = rng.random(shape) < spoilt
    return np.where(specks[..., None], 3.0, light).astype(np.float32)


def test_luminance_reads_nought_on_the_plate_and_one_on_the_print() -> None:
    colours = print_and_plate(patches(ORANGE, 0.1 * ORANGE), U_MM)
    axis = luminance_axis(colours)
    assert axis.axis @ (ORANGE - 0.1 * ORANGE) == pytest.approx(1.0, abs=0.02)
    np.testing.assert_allclose(axis.axis / axis.axis.sum(), BT709)
    step = BT709 @ (0.9 * ORANGE)
    # The farthest tenth of the values is left out of the scatter.
    whole = step / np.sqrt(2 * BT709 @ NOISE @ BT709)
    assert whole < axis.separation < 1.25 * whole
    np.testing.assert_allclose(axis.apart, 0.9 * ORANGE / ORANGE.max(), atol=0.02)
    assert colours.brightest == pytest.approx(ORANGE.max(), abs=0.02)


@pytest.mark.parametrize("axis_of", [luminance_axis, discriminant_axis])
@pytest.mark.parametrize(("ink", "plate"), [(1.0, 0.1), (0.1, 1.0), (0.9, 0.6)])
def test_the_level_of_the_print_is_told_from_no_light(
    axis_of: Callable[[PrintAndPlate], ColourAxis], ink: float, plate: float
) -> None:
    axis = axis_of(print_and_plate(patches(ink * ORANGE, plate * ORANGE), U_MM))
    assert axis.print_level == pytest.approx(ink / (ink - plate), rel=0.05)


@pytest.mark.parametrize("spoilt", [0.0, 0.03])
def test_the_discriminant_is_fishers(spoilt: float) -> None:
    """Annals of Eugenics 7 (1936) 179-188: within-group scatter into the difference of the means.

    A few specks, far brighter than all else, change nothing.
    """
    axis = discriminant_axis(print_and_plate(patches(ORANGE, BLUE, spoilt), U_MM))
    expected = np.linalg.solve(2 * NOISE, ORANGE - BLUE)
    cosine = axis.axis @ expected / np.linalg.norm(axis.axis) / np.linalg.norm(expected)
    assert cosine > 0.985
    assert axis.axis @ (ORANGE - BLUE) == pytest.approx(1.0, abs=0.01)
    distance = np.sqrt((ORANGE - BLUE) @ expected)
    assert distance < axis.separation < 1.3 * distance


def test_colour_tells_what_luminance_does_not() -> None:
    plate = BLUE * (BT709 @ ORANGE) / (BT709 @ BLUE)
    colours = print_and_plate(patches(ORANGE, plate), U_MM)
    assert luminance_axis(colours).separation < 1.0
    assert discriminant_axis(colours).separation > 10.0


def test_print_like_the_plate_is_not_told_from_it() -> None:
    light = np.full((10, 40, len(U_MM), 3), 0.3, np.float32)
    colours = print_and_plate(light, U_MM)
    for axis in (luminance_axis(colours), discriminant_axis(colours)):
        assert axis.separation == 0.0
        assert np.all(axis.apart == 0.0)
        assert np.isfinite(axis.axis).all()
