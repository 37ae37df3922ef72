"""Contrast of every text on the pages, computed from what the browser paints, light and dark."""

from __future__ import annotations

import pytest


def test_the_formula_gives_the_ends_and_the_published_ratio_of_a_pair(contrast_ratio):
    assert contrast_ratio((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)
    assert contrast_ratio((9, 9, 9), (9, 9, 9)) == 1.0
    # WCAG 2.2 Technique G18 names 4.5; #767676 on white is the darkest grey pair just above it
    # (from memory).
    assert 4.5 <= contrast_ratio((0x76,) * 3, (255,) * 3) < 4.6


def test_poor_contrast_would_be_found(open_window, poor_contrast):
    page = open_window().page
    page.set_content("<body style='background:#fff'><p style='color:#999'>faint</p><p>plain</p>")
    assert [text.partition(":")[0] for text in poor_contrast(page)] == ["'faint'"]
    page.set_content(
        "<svg viewBox='0 0 9 9' width='300'><rect width='9' height='9' fill='#333'/>"
        "<text y='5' font-size='1' fill='#222'>dim</text></svg>"
    )
    assert [text.partition(":")[0] for text in poor_contrast(page)] == ["'dim'"]


@pytest.mark.parametrize("dress", ["light", "dark"])
@pytest.mark.parametrize("size", [(390, 844), (1280, 800)], ids=["phone", "laptop"])
def test_report(open_window, report, painted_texts, poor_contrast, dress, size):
    page = open_window(size, color_scheme=dress).page
    page.goto(report.as_uri())
    texts = painted_texts(page)
    words = {text["words"] for text in texts}
    assert {"What to do now", "The bed from above", "0.20"} <= words
    assert len(texts) > 300
    assert poor_contrast(page) == []


@pytest.mark.parametrize("dress", ["light", "dark"])
def test_phone_page(open_window, phone_address, painted_texts, poor_contrast, dress):
    page = open_window((390, 844), color_scheme=dress).page
    page.goto(phone_address)
    texts = painted_texts(page)
    assert "Take or choose a photo" in {text["words"] for text in texts}
    assert poor_contrast(page) == []
