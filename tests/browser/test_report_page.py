"""The report in a real browser: sizes, print, keyboard, and that it asks nobody for anything."""

from __future__ import annotations

import json
import re

import pytest


@pytest.fixture
def score(report):
    return json.loads((report.parent / "scores.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("width", [320, 390, 768, 1280, 1920])
def test_nothing_scrolls_sideways(open_window, report, too_wide, width):
    # 320 CSS pixels: WCAG 2.2, success criterion 1.4.10, reflow.
    window = open_window((width, 844))
    window.page.goto(report.as_uri())
    assert too_wide(window.page) == []
    window.page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    assert too_wide(window.page) == []
    assert window.errors == []


MINUS = "\N{MINUS SIGN}"


def test_too_wide_things_would_be_found(open_window, too_wide):
    page = open_window((390, 844)).page
    page.set_content("<body><div style='overflow-x:auto'><p style='width:800px'>x</p></div>")
    assert "DIV scrolls" in too_wide(page)
    page.set_content("<body><p style='width:800px'>x</p>")
    assert "the page" in too_wide(page)


def test_no_request_leaves_the_page(open_window, report):
    window = open_window()
    window.page.goto(report.as_uri())
    window.page.wait_for_load_state("networkidle")
    assert window.requests[0] == report.as_uri()
    assert window.outside(report.as_uri()) == []


def test_verdict_and_worst_point_can_be_read(open_window, report, score):
    page = open_window().page
    page.goto(report.as_uri())
    # The chips show the shape as the map does, the words below them the gap itself.
    shapes = {
        (node["i"], node["j"]): node["shape_mm"]
        for node in score["advice"]["nodes"]
        if node["shape_mm"] is not None
    }
    read = [pad for pad in score["pads"] if pad["gap_mm"] is not None]
    worst = max(read, key=lambda pad: abs(shapes[pad["i"], pad["j"]]))
    refused = [pad for pad in score["pads"] if pad["gap_mm"] is None]
    assert refused, "pads that are pasted over should be refused"
    names = page.locator("summary > span:nth-child(2)").all_inner_texts()
    place = f"Column {worst['i'] + 1}, row {worst['j'] + 1}"
    assert names[len(refused)].startswith(place)
    shape_mm = shapes[worst["i"], worst["j"]]
    error = f"{'+' if shape_mm > 0 else MINUS}{abs(shape_mm):.2f}"
    assert page.locator("summary .chip").nth(len(refused)).inner_text() == error
    assert (
        f"gap {worst['gap_mm']:.3f} mm"
        in (page.locator("details").nth(len(refused)).text_content() or "").lower()
    )
    assert page.locator("h1").inner_text().endswith(".")


def test_every_refused_point_says_why_and_stands_open(open_window, report, score):
    page = open_window().page
    page.goto(report.as_uri())
    for pad in (pad for pad in score["pads"] if pad["reason"]):
        box = page.locator(f"#pad-{pad['i'] + 1}-{pad['j'] + 1}")
        assert box.is_visible()
        assert pad["reason"]["text"].rstrip(".") in box.inner_text()


def test_every_read_point_has_crop_curve_target_and_interval(open_window, report, score):
    page = open_window().page
    page.goto(report.as_uri())
    for pad in (pad for pad in score["pads"] if pad["gap_mm"] is not None):
        box = page.locator(f"#pad-{pad['i'] + 1}-{pad['j'] + 1}")
        assert box.locator("img").evaluate("i => i.decode().then(() => i.naturalWidth)") > 50
        for part in (".ladder .fit", ".ladder .dot", ".ladder .target", ".ladder .interval"):
            assert box.locator(part).count() >= 1, part


def test_commands_copy_as_they_are_run(open_window, report):
    page = open_window((390, 844)).page
    page.goto(report.as_uri())
    blocks = page.locator("ol.steps pre")
    assert blocks.count() >= 3
    for k in range(blocks.count()):
        blocks.nth(k).click()
        chosen = page.evaluate("getSelection().toString()")
        assert re.fullmatch(r"padsheet -C \S+ [a-z-]+( \S+)*", chosen), chosen


def test_keyboard_reaches_steps_map_and_points(open_window, report, score):
    page = open_window().page
    page.goto(report.as_uri())
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to what to do now"
    assert page.evaluate("document.activeElement.getBoundingClientRect().left") >= 0
    page.keyboard.press("Enter")
    assert page.evaluate("location.hash") == "#now"
    read = next(pad for pad in score["pads"] if pad["gap_mm"] is not None)
    wanted = f"#pad-{read['i'] + 1}-{read['j'] + 1}"
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.getAttribute('href')") == wanted:
            break
    # The focus can be seen: WCAG 2.2, success criterion 2.4.7.
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"
    page.keyboard.press("Enter")
    box = page.locator(wanted)
    box.wait_for(state="visible")
    assert box.evaluate("b => b.closest('details').open")


def test_a_point_opens_and_closes_by_key(open_window, report):
    page = open_window().page
    page.goto(report.as_uri())
    last = page.locator("summary").last
    last.focus()
    page.keyboard.press("Enter")
    assert last.evaluate("s => s.parentElement.open")
    page.keyboard.press("Space")
    assert not last.evaluate("s => s.parentElement.open")


@pytest.mark.parametrize(("paper", "width"), [("A4", 695), ("Letter", 718)])
def test_print(open_window, report, score, too_wide, paper, width):
    # A4 is 210 mm wide, Letter 215.9; less 13 mm at either side, at 96 pixels per 25.4 mm.
    page = open_window((width, 980)).page
    page.goto(report.as_uri())
    page.emulate_media(media="print")
    assert too_wide(page) == []
    for pad in score["pads"]:
        assert page.locator(f"#pad-{pad['i'] + 1}-{pad['j'] + 1}").is_visible()
    assert page.locator(".skip").is_hidden()
    pages = len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper)))
    assert 4 <= pages <= 9


def test_dark_and_light_follow_the_reader(open_window, report):
    grounds = {}
    for dress in ("light", "dark"):
        page = open_window(color_scheme=dress).page
        page.goto(report.as_uri())
        colour = page.evaluate("getComputedStyle(document.body).backgroundColor")
        grounds[dress] = sum(int(v) for v in re.findall(r"\d+", colour)[:3])
    assert grounds["light"] > 600 > 150 > grounds["dark"]


def test_both_guide_pictures_are_drawn(open_window, report):
    page = open_window((390, 844)).page
    page.goto(report.as_uri())
    labels = [svg.get_attribute("aria-label") for svg in page.locator("svg.guide").all()]
    assert [label.partition(":")[0] for label in labels] == ["Good", "Bad"]
    assert all(svg.bounding_box()["width"] > 250 for svg in page.locator("svg.guide").all())
