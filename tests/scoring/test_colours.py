"""The colour scale: contrast, neighbouring classes, colour-blind readers, greyscale, terminals."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000, rgb2lab

from padsheet.scoring.colours import (
    CLASSES,
    CUBE_LEVELS,
    UNREAD,
    colour_class,
    contrast_ratio,
    hex_to_rgb,
    pad_colour,
    relative_luminance,
    xterm_index,
)
from padsheet.scoring.squish import PadScore

# Machado, Oliveira, Fernandes, "A physiologically-based model for simulation of color vision
# deficiency", IEEE Trans. Visualization and Computer Graphics 15(6) (2009) 1291-1298: matrices of
# severity 1.0, for linear RGB.
SIGHT = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
}
# Well above a just noticeable difference of about 1; side by side on paper and screen, 8 to 10 is
# told apart at a glance (common practice, no source).
CLEAR_DIFFERENCE = 9.0

# Sharma, Wu, Dalal, Color Research and Application 30(1) (2005) 21-30, Table 1.
SHARMA_TABLE_1 = [
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, 0, 0), (50, -1, 2), 2.3669),
    ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
]


def linear(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """Undo the sRGB curve, IEC 61966-2-1."""
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def encoded(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Apply the sRGB curve, IEC 61966-2-1."""
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def fills() -> NDArray[np.float64]:
    return np.array([hex_to_rgb(c.fill) for c in CLASSES]) / 255


@pytest.mark.parametrize(("one", "other", "expected"), SHARMA_TABLE_1)
def test_the_instrument_reproduces_the_published_differences(one, other, expected):
    measured = deltaE_ciede2000(np.array(one, dtype=float), np.array(other, dtype=float))
    assert measured == pytest.approx(expected, abs=0.00005)


@pytest.mark.parametrize("sight", SIGHT)
def test_the_sight_matrices_keep_white_white(sight):
    # Each row of a published matrix sums to 1 (half a last digit for each of three entries).
    np.testing.assert_allclose(SIGHT[sight].sum(axis=1), 1.0, atol=1.5e-6)


@pytest.mark.parametrize("sight", SIGHT)
def test_neighbouring_classes_differ_clearly(sight):
    seen = encoded(linear(fills()) @ SIGHT[sight].T)
    lab = rgb2lab(seen[None])[0]
    assert deltaE_ciede2000(lab[:-1], lab[1:]).min() > CLEAR_DIFFERENCE


@pytest.mark.parametrize("sight", SIGHT)
def test_both_signs_differ_far_more_than_neighbours(sight):
    lab = rgb2lab(encoded(linear(fills()) @ SIGHT[sight].T)[None])[0]
    for near, far in itertools.product(range(3), range(4, 7)):
        assert deltaE_ciede2000(lab[near], lab[far]) > 35


def test_greyscale_keeps_the_order():
    light = np.array([relative_luminance(c.fill) for c in CLASSES])
    assert np.all(np.diff(light) > 0)
    grey = np.repeat(encoded(light)[:, None], 3, axis=1)
    lab = rgb2lab(grey[None])[0]
    assert deltaE_ciede2000(lab[:-1], lab[1:]).min() > 7
    assert np.diff(lab[:, 0]).min() > 11


@pytest.mark.parametrize("entry", [*CLASSES, UNREAD], ids=lambda c: c.name)
def test_text_has_level_aa_contrast(entry):
    assert contrast_ratio(entry.fill, entry.ink) >= 4.5


def test_luminance_weights_follow_wcag_2_2():
    # WCAG 2.2: L = 0.2126 R + 0.7152 G + 0.0722 B; the primaries give the weights themselves.
    for colour, weight in (("#ff0000", 0.2126), ("#00ff00", 0.7152), ("#0000ff", 0.0722)):
        assert relative_luminance(colour) == pytest.approx(weight, abs=1e-12)
    # #767676 on white is the well-known darkest grey pair just above 4.5 (from memory).
    assert 4.5 < contrast_ratio("#767676", "#ffffff") < 4.6
    assert contrast_ratio("#777777", "#ffffff") < 4.5


@pytest.mark.parametrize(
    ("error_mm", "name"),
    [
        (-0.2, "near3"),
        (-0.10, "near2"),
        (-0.04, "near1"),
        (-0.03, "good"),
        (0.0, "good"),
        (0.03, "good"),
        (0.031, "far1"),
        (0.07, "far2"),
        (0.13, "far3"),
    ],
)
def test_class_of_an_error(error_mm, name):
    assert colour_class(error_mm, 0.03).name == name


def test_class_of_a_pad_without_a_gap():
    place = {"i": 0, "j": 0, "x_mm": 0.0, "y_mm": 0.0}
    assert pad_colour(PadScore(verdict="off scale high", **place), 0.2, 0.03) is CLASSES[-1]
    assert pad_colour(PadScore(verdict="off scale low", **place), 0.2, 0.03) is CLASSES[0]
    assert pad_colour(PadScore(verdict="unread", **place), 0.2, 0.03) is UNREAD


@pytest.mark.parametrize(
    ("bound_mm", "high", "name"),
    [
        ((0.22, None), True, "unread"),  # may be within tolerance
        ((0.24, None), True, "far1"),
        ((0.29, None), True, "far2"),
        ((0.36, None), True, "far3"),
        ((None, 0.22), False, "unread"),
        ((None, 0.16), False, "near1"),
        ((None, 0.07), False, "near3"),
    ],
)
def test_a_pad_off_scale_has_the_colour_of_what_is_proven(bound_mm, high, name):
    """A cell that says "< +0.02" must not stand in the colour of "below -0.12"."""
    verdict = "off scale high" if high else "off scale low"
    pad = PadScore(i=0, j=0, x_mm=0.0, y_mm=0.0, verdict=verdict, interval_mm=bound_mm)
    assert pad_colour(pad, 0.2, 0.03).name == name


def xterm_rgb(index: int) -> str:
    """Colour of an index of the fixed part of the 256-colour table."""
    if index >= 232:
        level = 8 + 10 * (index - 232)
        return f"#{level:02x}{level:02x}{level:02x}"
    cube = index - 16
    levels = [CUBE_LEVELS[cube // 36], CUBE_LEVELS[cube // 6 % 6], CUBE_LEVELS[cube % 6]]
    return "#" + "".join(f"{level:02x}" for level in levels)


@pytest.mark.parametrize("entry", [*CLASSES, UNREAD], ids=lambda c: c.name)
def test_terminal_colours_keep_contrast(entry):
    fill, ink = xterm_rgb(xterm_index(entry.fill)), xterm_rgb(xterm_index(entry.ink))
    assert contrast_ratio(fill, ink) >= 4.5


def test_terminal_colours_stay_apart():
    assert len({xterm_index(c.fill) for c in CLASSES}) == len(CLASSES)


def test_terminal_index_is_the_nearest_of_all_240():
    rng = np.random.default_rng(20240501)
    table = np.array([hex_to_rgb(xterm_rgb(k)) for k in range(16, 256)])
    for rgb in rng.integers(0, 256, (60, 3)):
        index = xterm_index("#{:02x}{:02x}{:02x}".format(*rgb))
        found = np.sum((table[index - 16] - rgb) ** 2)
        assert found == np.sum((table - rgb) ** 2, axis=1).min()
