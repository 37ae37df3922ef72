"""The phone page end to end: the real server, a real browser of a phone's size, a demo photo."""

from __future__ import annotations

import json
import re
import time
from importlib.resources import as_file

import pytest

from padsheet.demo_photos import scenario

PHONE = {"size": (390, 844), "is_mobile": True, "has_touch": True, "device_scale_factor": 2}
RESULT = "section[aria-label=Result]"
# On a machine of its own some five seconds; the tests may share theirs.
PATIENCE_MS = 110_000


@pytest.fixture
def photo():
    with as_file(scenario("ordinary") / "photo.jpg") as path:
        yield path


def worst_of(folder):
    score = json.loads((folder / "rounds/01/scores.json").read_text(encoding="utf-8"))
    nodes = [node for node in score["advice"]["nodes"] if node["changed"]]
    return max(nodes, key=lambda node: abs(node["dz_mm"]))


def test_photo_to_worst_point(
    open_window, phone_address, bed_folder, photo, too_wide, poor_contrast
):
    window = open_window(**PHONE)
    page = window.page
    page.goto(phone_address)
    assert too_wide(page) == []
    assert page.locator("label.button").bounding_box()["height"] >= 44  # a thumb's width
    began = time.monotonic()
    page.set_input_files("#photo", photo)
    page.locator(RESULT).wait_for(timeout=PATIENCE_MS)
    assert time.monotonic() - began < PATIENCE_MS / 1000
    assert page.locator("h1").inner_text() == "The photo is usable"
    # The worst point, as the truth of the rendered print has it: column 1, row 4, too far.
    truth = json.loads((scenario("ordinary") / "truth.json").read_text(encoding="utf-8"))["pads"]
    mean = sum(pad["gap_mm"] for pad in truth) / len(truth)
    worst = max(truth, key=lambda pad: abs(pad["gap_mm"] - mean))
    verdict = page.locator(".verdict").inner_text()
    place = f"column {worst['i'] + 1}, row {worst['j'] + 1}"
    found = re.search(r"need lowering, the worst by (0\.\d+) mm at " + place, verdict)
    assert found is not None, verdict
    assert worst["gap_mm"] > mean
    assert float(found[1]) == pytest.approx(abs(worst_of(bed_folder)["dz_mm"]), abs=0.005)
    assert page.locator("section img").evaluate("i => i.decode().then(() => i.naturalWidth)") > 500
    steps = page.locator(f"{RESULT} ol > li").all_inner_texts()
    assert any("sheet --reach" in step for step in steps)
    assert too_wide(page) == []
    for dress in ("light", "dark"):
        page.emulate_media(color_scheme=dress)
        assert poor_contrast(page) == []
    for control in page.locator("a:visible, label.button, summary").all():
        # WCAG 2.2, success criterion 2.5.8 (level AA): 24 by 24 CSS pixels.
        box = control.bounding_box()
        assert min(box["width"], box["height"]) >= 24, control.inner_text()
    assert window.errors == []
    assert window.outside(phone_address) == []
    assert window.context.cookies() == []


def test_a_second_photo_is_read_together_with_the_first(open_window, phone_address, photo):
    page = open_window(**PHONE).page
    page.goto(phone_address)
    for count in ("1 photo read", "2 photos read"):
        page.set_input_files("#photo", photo)
        page.get_by_text(count).wait_for(timeout=PATIENCE_MS)
    assert page.locator("section[aria-label='Earlier photos'] li").count() == 1


def test_what_is_no_photo_is_told_at_once(open_window, phone_address, tmp_path):
    fake = tmp_path / "IMG_0001.jpg"
    fake.write_bytes(b"not a picture at all")
    window = open_window(**PHONE)
    window.page.goto(phone_address)
    window.page.set_input_files("#photo", fake)
    window.page.get_by_role("alert").wait_for(timeout=20_000)
    assert "not a photo that can be read" in window.page.get_by_role("alert").inner_text()
    assert window.page.locator("label.button").is_visible()


def test_a_photo_without_a_sheet_says_how_to_do_better(
    open_window, phone_address, tmp_path, poor_contrast
):
    from PIL import Image

    bare = tmp_path / "IMG_0002.jpg"
    Image.new("RGB", (1600, 1200), (120, 110, 100)).save(bare)
    page = open_window(**PHONE).page
    page.goto(phone_address)
    page.set_input_files("#photo", bare)
    page.locator(RESULT).wait_for(timeout=PATIENCE_MS)
    assert page.locator("h1").inner_text() == "This photo cannot be used"
    assert page.locator("label.button").inner_text() == "Take it again"
    assert page.locator("svg.guide").first.is_visible()
    assert len(page.locator(".verdict").inner_text()) > 40
    for dress in ("light", "dark"):
        page.emulate_media(color_scheme=dress)
        assert poor_contrast(page) == []


def choosers(page):
    """Collect file choosers from now on: a key may open one before a later listener is in place."""
    seen = []
    page.on("filechooser", lambda chooser: seen.append(chooser))
    return seen


def wait_for_chooser(page, seen):
    for _ in range(300):
        if seen:
            return
        page.wait_for_timeout(100)
    raise AssertionError("no file chooser opened in 30 s")


@pytest.mark.parametrize("key", ["Enter", "Space"])
def test_either_key_opens_the_chooser(open_window, phone_address, key):
    page = open_window().page
    seen = choosers(page)
    page.goto(phone_address)
    page.keyboard.press("Tab")
    page.keyboard.press(key)
    wait_for_chooser(page, seen)
    page.wait_for_timeout(500)
    assert len(seen) == 1


def test_keyboard_only(open_window, phone_address, photo):
    window = open_window((390, 844))
    page = window.page
    seen = choosers(page)
    page.goto(phone_address)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "photo"
    # The file field itself is hidden: the label shows the focus in its place.
    outline = page.locator("label.button").evaluate("b => getComputedStyle(b).outlineStyle")
    assert outline == "solid"
    page.keyboard.press("Space")
    wait_for_chooser(page, seen)
    seen[0].set_files(photo)
    page.locator(RESULT).wait_for(timeout=PATIENCE_MS)
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Open the whole report":
            break
    page.keyboard.press("Enter")
    page.get_by_text("The bed from above").wait_for(timeout=20_000)
    assert window.errors == []
    assert window.outside(phone_address) == []


def test_without_scripts_the_form_still_works(open_window, phone_address, tmp_path):
    fake = tmp_path / "note.txt"
    fake.write_text("no photo")
    page = open_window(**PHONE, java_script_enabled=False).page
    page.goto(phone_address)
    page.set_input_files("#photo", fake)
    page.get_by_role("button", name="Send it").click()
    page.get_by_role("alert").wait_for(timeout=20_000)
    assert "can be read" in page.get_by_role("alert").inner_text()


def test_another_code_gets_nothing(open_window, phone_address):
    window = open_window(**PHONE)
    for path in ("", "report", "phone.css", "picture/1.jpg"):
        answer = window.page.goto(re.sub(r"/[^/]+/$", f"/{'x' * 22}/{path}", phone_address))
        assert answer.status == 404
        assert "my-bed" not in window.page.content()


def test_a_form_on_another_site_changes_nothing(open_window, phone_address, bed_folder, tmp_path):
    evil = tmp_path / "evil.html"
    evil.write_text(
        f"<form method=post enctype=multipart/form-data action='{phone_address}'>"
        "<input name=token value=guess><button>win</button></form>"
    )
    page = open_window().page
    page.goto(evil.as_uri())
    with page.expect_navigation():
        page.get_by_role("button").click()
    assert "cannot be answered" in page.content()
    assert not list((bed_folder / "phone").glob("photo-*"))
