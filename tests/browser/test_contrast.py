"""Contrast of every text on the pages, computed from what the browser paints, light and dark."""

from __future__ import annotations

import re

import pytest

# Web Content Accessibility Guidelines (WCAG) 2.2, W3C Recommendation, success criterion 1.4.3
# (level AA): 4.5 to 1 for text, 3 to 1 for large text, which is at least 18 pt (24 CSS pixels) or
# 14 pt (18.66 CSS pixels) and bold.
TEXT, LARGE = 4.5, 3.0
LARGE_PX, LARGE_BOLD_PX, BOLD = 24.0, 18.66, 700


def relative_luminance(rgb: tuple[float, ...]) -> float:
    """Definition of relative luminance in WCAG 2.2, of codes 0 to 255."""
    codes = [code / 255 for code in rgb]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in codes)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast_ratio(one: tuple[float, ...], other: tuple[float, ...]) -> float:
    """Definition of contrast ratio in WCAG 2.2."""
    low, high = sorted((relative_luminance(one), relative_luminance(other)))
    return (high + 0.05) / (low + 0.05)


def rgba(colour: str) -> tuple[tuple[float, ...], float]:
    """Read a computed colour such as ``rgb(1, 2, 3)`` or ``rgba(1, 2, 3, 0.5)``."""
    numbers = [float(v) for v in re.findall(r"[\d.]+", colour)]
    assert colour.startswith("rgb"), colour
    return tuple(numbers[:3]), numbers[3] if len(numbers) > 3 else 1.0


def ground(layers: list[list]) -> tuple[float, ...]:
    """Paint the layers over each other, from the first that hides the rest upwards."""
    stack = []
    for colour, opacity in layers:
        rgb, alpha = rgba(colour)
        stack.append((rgb, alpha * opacity))
        if stack[-1][1] >= 1:
            break
    seen: tuple[float, ...] = (255.0, 255.0, 255.0)
    for rgb, alpha in reversed(stack):
        seen = tuple(alpha * c + (1 - alpha) * s for c, s in zip(rgb, seen, strict=True))
    return seen


def failures(texts: list[dict]) -> list[str]:
    found = []
    for text in texts:
        large = text["size"] >= LARGE_PX or (
            text["size"] >= LARGE_BOLD_PX and text["weight"] >= BOLD
        )
        ratio = contrast_ratio(rgba(text["colour"])[0], ground(text["under"]))
        if ratio < (LARGE if large else TEXT):
            found.append(f"{text['words']!r}: {ratio:.2f} ({text['colour']})")
    return found


def test_the_formula_gives_the_ends_and_the_published_ratio_of_a_pair():
    assert contrast_ratio((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)
    assert contrast_ratio((9, 9, 9), (9, 9, 9)) == 1.0
    # WCAG 2.2 Technique G18 names 4.5; #767676 on white is the darkest grey pair just above it
    # (from memory).
    assert 4.5 <= contrast_ratio((0x76,) * 3, (255,) * 3) < 4.6


def test_poor_contrast_would_be_found(open_window, painted_texts):
    page = open_window().page
    page.set_content("<body style='background:#fff'><p style='color:#999'>faint</p><p>plain</p>")
    assert [text.partition(":")[0] for text in failures(painted_texts(page))] == ["'faint'"]
    page.set_content(
        "<svg viewBox='0 0 9 9' width='300'><rect width='9' height='9' fill='#333'/>"
        "<text y='5' font-size='1' fill='#222'>dim</text></svg>"
    )
    assert [text.partition(":")[0] for text in failures(painted_texts(page))] == ["'dim'"]


@pytest.mark.parametrize("dress", ["light", "dark"])
@pytest.mark.parametrize("size", [(390, 844), (1280, 800)], ids=["phone", "laptop"])
def test_report(open_window, report, painted_texts, dress, size):
    page = open_window(size, color_scheme=dress).page
    page.goto(report.as_uri())
    texts = painted_texts(page)
    words = {text["words"] for text in texts}
    assert {"What to do now", "The bed from above", "0.20"} <= words
    assert len(texts) > 300
    assert failures(texts) == []


@pytest.mark.parametrize("dress", ["light", "dark"])
def test_phone_page(open_window, phone_address, painted_texts, dress):
    page = open_window((390, 844), color_scheme=dress).page
    page.goto(phone_address)
    texts = painted_texts(page)
    assert "Take or choose a photo" in {text["words"] for text in texts}
    assert failures(texts) == []
