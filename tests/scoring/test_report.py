"""The report: one page without network or scripts, safe with untrusted text, readable contrast."""

from __future__ import annotations

import base64
import dataclasses
import io
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from padsheet.scoring.colours import contrast_ratio
from padsheet.scoring.curves import LadderCurve
from padsheet.scoring.quality import PhotoNote
from padsheet.scoring.remarks import HELD_BACK, NEVER_LOWERED, NOT_YET
from padsheet.scoring.report import TEMPLATES, RoundRow, render_report
from padsheet.scoring.selfcheck import CheckedPad, SelfCheck
from padsheet.scoring.squish import PadScore, Reason
from padsheet.scoring.todo import Step
from padsheet.scoring.words import summary

VOID = {"meta", "img", "link", "br", "hr", "input"}
EVIL = "<script>alert(1)</script>\"' onload=alert(1) {{ 7*7 }}"


class Page(HTMLParser):
    """Collects elements with their attributes and checks that all are closed in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.text += data

    def attributes(self, name: str) -> list[str]:
        return [attrs[name] for _, attrs in self.elements if attrs.get(name) is not None]


def curve_of(pad: PadScore) -> LadderCurve:
    heights, areas = (0.28, 0.24, 0.20, 0.16, 0.12) * 2, (0.10, 0.14) * 5
    widths = tuple(a / h + 0.2 * h for a, h in zip(areas, heights, strict=True))
    return LadderCurve(
        i=pad.i,
        j=pad.j,
        height_mm=heights,
        area_mm2=areas,
        width_mm=widths,
        sigma_mm=(0.01,) * 10,
        fitted_mm=widths,
        state=("used",) * 9 + ("choked",),
    )


@pytest.fixture(scope="module")
def full(scored) -> str:
    rng = np.random.default_rng(20240501)
    crops = {
        (pad.i, pad.j): rng.integers(0, 255, (60, 90, 3), dtype=np.uint8)
        for pad in scored.score.pads
    }
    return render_report(
        sheet=scored.sheet,
        score=scored.score,
        advice=scored.advice,
        picture=rng.integers(0, 255, (1500, 2400, 3), dtype=np.uint8),
        curves=[curve_of(pad) for pad in scored.score.pads],
        crops=crops,
        steps=[
            Step(text="Send the edits.", commands=("M421 I1 J0 Q-0.02", "M420 V")),
            Step(text="Save them.", commands=("M500",)),
            Step(text="Print the next sheet."),
        ],
        rounds=[
            RoundRow(
                number=1,
                made="2024-04-28",
                read=25,
                points=25,
                on_target=3,
                worst_mm=-0.151,
                common_mm=0.06,
                applied="24 points",
            )
        ],
        photo_notes=[PhotoNote(good=False, what="A lamp is mirrored.", advice="Move it.")],
        bed_name="my-bed",
        made="2024-05-01 18:20",
    )


def test_page_needs_nothing_from_outside(full):
    page = Page(full)
    bare = re.sub(r"data:image/jpeg;base64,[A-Za-z0-9+/=]+", "", full)
    assert len(bare) < len(full) / 2
    assert not re.search(r"https?:|//[a-z]|url\((?!#)|@import", bare)
    tags = {tag for tag, _ in page.elements}
    assert tags.isdisjoint({"script", "link", "iframe", "object", "form"})
    assert all(src.startswith("data:image/jpeg;base64,") for src in page.attributes("src"))
    assert "default-src 'none'" in full


def test_page_has_no_event_handlers(full):
    for _, attrs in Page(full).elements:
        assert not [name for name in attrs if name.startswith("on")]


def test_links_lead_to_elements_and_ids_are_unique(full):
    page = Page(full)
    ids = page.attributes("id")
    assert len(ids) == len(set(ids))
    for href in page.attributes("href"):
        assert href.startswith("#")
        assert href[1:] in ids


def test_page_says_the_verdict_and_what_to_do_in_order(full, scored):
    page = Page(full)
    assert summary(scored.score, scored.advice) in page.text
    places = [
        page.text.index(t) for t in ("Send the edits.", "Save them.", "Print the next sheet.")
    ]
    assert places == sorted(places)
    assert "M421 I1 J0 Q-0.02\nM420 V" in page.text


def test_each_pad_has_its_row_crop_and_curve(full, scored):
    page = Page(full)
    count = len(scored.score.pads)
    classes = page.attributes("class")
    assert sum(tag == "details" for tag, _ in page.elements) == count
    assert classes.count("ladder") == count
    assert sum(tag == "img" for tag, _ in page.elements) == count + 1
    for pad in scored.score.pads:
        assert f"pad-{pad.i + 1}-{pad.j + 1}" in page.attributes("id")


def test_refused_pads_come_first_with_their_reason(full, scored):
    page = Page(full)
    refused = [pad for pad in scored.score.pads if pad.reason]
    assert len(refused) == 2
    for pad in refused:
        assert f"Why there is no number: {pad.reason.text}." in page.text
    opened = [attrs for tag, attrs in page.elements if tag == "details" and "open" in attrs]
    first = [attrs for tag, attrs in page.elements if tag == "details"][: len(opened)]
    assert opened == first
    assert len(opened) == 2


def test_on_a_narrow_screen_the_map_comes_before_the_cautions_and_the_photo(full):
    places = [full.index(t) for t in ('id="now-title"', 'id="map-title"', 'class="caution"')]
    assert places == sorted(places)
    assert places[-1] < full.index('id="photo-title"')


def test_cautions_stand_on_the_page(full):
    text = Page(full).text
    for word in ("hot", "hands", "into the bed", "Never leave", "manual comes first"):
        assert word in text


def test_pictures_are_shrunk_to_a_reasonable_size(full):
    sides = []
    for src in Page(full).attributes("src"):
        raw = base64.b64decode(src.partition(",")[2])
        sides.append(max(Image.open(io.BytesIO(raw)).size))
    assert max(sides) == 1800
    assert sorted(sides)[-2] == 90


def test_untrusted_text_is_shown_and_not_run(scored):
    bad = PadScore(
        i=0,
        j=0,
        x_mm=20,
        y_mm=20,
        verdict="unread",
        reason=Reason(code=EVIL, text=EVIL),
        notes=(EVIL,),
    )
    score = dataclasses.replace(
        scored.score, pads=(bad, *scored.score.pads[1:]), photos=(EVIL,), warnings=(EVIL,)
    )
    nodes = tuple(dataclasses.replace(node, note=EVIL) for node in scored.advice.nodes)
    page_text = render_report(
        sheet=dataclasses.replace(scored.sheet, plate_name=EVIL, id=EVIL),
        score=score,
        advice=dataclasses.replace(scored.advice, nodes=nodes),
        curves=[dataclasses.replace(curve_of(bad), state=(EVIL,) * 10)],
        steps=[Step(text=EVIL, commands=(EVIL,))],
        rounds=[
            RoundRow(
                number=1,
                made=EVIL,
                read=1,
                points=1,
                on_target=0,
                worst_mm=None,
                common_mm=None,
                applied=EVIL,
            )
        ],
        photo_notes=[PhotoNote(good=True, what=EVIL, advice=EVIL)],
        bed_name=EVIL,
        made=EVIL,
    )
    page = Page(page_text)
    assert "<script" not in page_text
    assert "{{ 7*7 }}" in page.text
    for _, attrs in page.elements:
        assert not [name for name in attrs if name.startswith("on")]


def test_a_bare_score_makes_a_page_too(scored):
    page = Page(render_report(sheet=scored.sheet, score=scored.score))
    assert "there is no advice" in page.text
    assert "Your photo" not in page.text
    assert "The rounds so far" not in page.text


@pytest.mark.parametrize(
    ("active", "absent", "expected"),
    [
        ("yes", True, "none (empty)"),
        ("yes", False, "in force"),
        ("no", False, "off"),
        ("unknown", False, "unknown"),
    ],
)
def test_the_mesh_while_printing_is_told(scored, active, absent, expected):
    name = "empty" if active == "yes" else None
    sheet = dataclasses.replace(scored.sheet, mesh_active=active, mesh_name=name)
    page = render_report(sheet=sheet, score=scored.score, mesh_absent=absent)
    assert f"<dt>mesh while printing</dt><dd>{expected}</dd>" in page


def test_steps_default_to_those_of_the_advice(scored):
    page = Page(render_report(sheet=scored.sheet, score=scored.score, advice=scored.advice))
    for step in scored.advice.steps:
        assert step.text.replace("+-", "±") in page.text


def test_steps_are_printed_with_the_sign_of_an_interval(scored):
    steps = [Step(text="Changed by 0.97 +- 0.06 of it.", commands=("echo +-",))]
    html = render_report(sheet=scored.sheet, score=scored.score, advice=scored.advice, steps=steps)
    assert "Changed by 0.97 ± 0.06 of it." in html
    assert "<span>+-</span>" in html  # a command stays as it is to be typed


def test_commands_within_a_sentence_are_code_and_still_escaped(scored):
    text = "Print `padsheet -C <b>bed sheet`, or `a & b`. <i>A lone one stays: 5`."
    html = render_report(
        sheet=scored.sheet, score=scored.score, advice=scored.advice, steps=[Step(text=text)]
    )
    assert "<code>padsheet -C &lt;b&gt;bed sheet</code>" in html
    assert "&lt;i&gt;A lone one stays: 5`." in html
    assert "<code>a &amp; b</code>" in html
    assert "<b>bed sheet" in Page(html).text  # all that is opened is closed


def test_a_large_mesh_stays_a_page_one_can_open(make_scored):
    example = make_scored(15, 15)
    text = render_report(
        sheet=example.sheet,
        score=example.score,
        advice=example.advice,
        curves=[curve_of(pad) for pad in example.score.pads],
    )
    assert len(text) < 2_500_000
    Page(text)


def colours_of(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})\b", block))


def test_text_colours_have_level_aa_contrast_in_both_dresses():
    css = (TEMPLATES / "report.css").read_text(encoding="utf-8")
    light = colours_of(css.partition("@media (prefers-color-scheme: dark)")[0])
    dark = colours_of(css.partition("@media (prefers-color-scheme: dark)")[2].partition("* {")[0])
    pairs = [
        ("ink", "paper"),
        ("ink", "card"),
        ("ink", "code"),
        ("ink", "warn-paper"),
        ("muted", "paper"),
        ("muted", "card"),
        ("accent", "card"),
        ("accent", "paper"),
        ("card", "accent"),  # the numbers of the steps
        ("series0", "card"),
        ("series1", "card"),
    ]
    for dress in (light, dark):
        for ink, ground in pairs:
            # WCAG 2.2, success criterion 1.4.3 (level AA): 4.5 for text.
            assert contrast_ratio(dress[ink], dress[ground]) >= 4.5, (ink, ground)


def test_a_point_that_is_not_known_does_not_look_right(scored):
    nodes = tuple(
        dataclasses.replace(node, note=NEVER_LOWERED) if (node.i, node.j) == (1, 4) else node
        for node in scored.advice.nodes
    )
    advice = dataclasses.replace(scored.advice, nodes=nodes)
    text = render_report(sheet=scored.sheet, score=scored.score, advice=advice)
    page = " ".join(Page(text).text.split())
    assert "Nozzle here: unsure (not read: never lowered by inference)." in page
    assert "Nozzle here: lower 0.08 mm." in page
    cell = next(part for part in text.split("<a ") if 'href="#pad-2-5"' in part)
    assert ("unsure" in cell, "leave" in cell) == (True, False)


def test_shape_and_common_offset_are_told_apart_on_the_page(scored):
    pads = tuple(
        dataclasses.replace(pad, verdict="shape on target")
        for pad in scored.score.pads
        if pad.gap_mm is not None
    )
    advice = dataclasses.replace(
        scored.advice,
        nodes=(),
        work="nothing",
        offset_mm=-0.01,
        offset_sigma_mm=0.035,
        warp_done=True,
        offset_done=False,
    )
    row = RoundRow(
        number=2, made="2024-05-02", read=23, points=25, on_target=0, worst_mm=0.08, common_mm=0.01,
        in_shape=23,
    )  # fmt: skip
    page = Page(
        render_report(
            sheet=scored.sheet,
            score=dataclasses.replace(scored.score, pads=pads),
            advice=advice,
            rounds=(row,),
        )
    )
    words = " ".join(page.text.split())
    assert "The shape of the bed is within tolerance at 23 of 23 points" in words
    assert re.search(r"shape on target ?23 of 23", words)
    assert re.search(r"all points together ?0.010 mm too far, known to . 0.069 mm", words)
    assert "0 of 25 (23 in shape)" in words


def test_that_points_wait_is_said_once_and_not_at_each_of_them(scored):
    nodes = tuple(
        dataclasses.replace(
            node, changed=False, dz_mm=0.0, waits=True, inferred=False, note=HELD_BACK["screws"]
        )
        for node in scored.advice.nodes
    )
    advice = dataclasses.replace(scored.advice, nodes=nodes, work="screws")
    text = render_report(sheet=scored.sheet, score=scored.score, advice=advice)
    page = Page(text)
    said = "Adjustments of single points wait: the screws come first."
    assert page.text.count(said) == 1
    assert page.text.index("The bed from above") < page.text.index(said)
    assert "held back" not in page.text
    assert text.count('<span class="todo"></span>') == len(scored.score.pads)
    assert "Nozzle here" not in page.text


def test_fine_tuning_and_what_goes_against_the_offset_are_told_at_the_point(scored):
    first = dataclasses.replace(
        scored.advice.nodes[0], changed=True, dz_mm=0.03, verdict="on target", note=""
    )
    nodes = (first, *scored.advice.nodes[1:])
    advice = dataclasses.replace(scored.advice, nodes=nodes, set_offset=True, offset_mm=-0.05)
    page = render_report(sheet=scored.sheet, score=scored.score, advice=advice)
    assert (
        "Nozzle here: <b>raise 0.03</b> mm (fine-tuning: within tolerance without it); the common "
        "offset lowers it by 0.05 mm everywhere, so in all: lower 0.02 mm."
    ) in page
    assert '<span class="todo">(raise 0.03)<small>in all lower 0.02</small></span>' in page
    assert "brackets are fine-tuning" in page
    assert "brackets are fine-tuning" not in render_report(
        sheet=scored.sheet, score=scored.score, advice=scored.advice
    )


def test_a_point_that_has_to_wait_says_later_in_map_and_report(scored):
    first = dataclasses.replace(
        scored.advice.nodes[0],
        changed=False, dz_mm=0.0, verdict="too little", in_shape=False, note=NOT_YET,
    )  # fmt: skip
    advice = dataclasses.replace(scored.advice, nodes=(first, *scored.advice.nodes[1:]))
    page = render_report(sheet=scored.sheet, score=scored.score, advice=advice)
    assert (
        "Nozzle here: <b>later</b> (not lowered yet, to keep the nozzle clear of the bed)." in page
    )
    assert '<span class="todo">later</span>' in page
    assert re.search(r"<title>column 1, row 1: [^<]*, later</title>", page)
    assert "later</" not in render_report(
        sheet=scored.sheet, score=scored.score, advice=scored.advice
    )


def test_a_self_check_judges_no_point_of_the_bed(scored):
    pads = tuple(
        CheckedPad(
            i=pad.i, j=pad.j, known_mm=0.06 * ((pad.i + pad.j) % 2), found_mm=0.05, sigma_mm=0.004
        )
        for pad in scored.score.pads
        if pad.gap_mm is not None
    )
    check = SelfCheck(
        known_mm=0.06, found_mm=0.058, sigma_mm=0.005, reading_sigma_mm=0.004, chi2=20.0, dof=22,
        probability=0.5, pads=pads, outcome="trusted", words=("Self-check passed.",),
    )  # fmt: skip
    page = render_report(sheet=scored.sheet, score=scored.score, check=check)
    assert "This sheet checks the ruler, not the bed" in page
    assert "<small>lifted by 0.060 mm, found +0.050" in page
    assert "<small>not lifted, found" in page
    assert "squish" not in page.partition("</style>")[2].lower()
    assert "lower it" not in page
    assert "Dashed: unread." in page
    ordinary = render_report(sheet=scored.sheet, score=scored.score)
    assert "Dashed: uncertain or unread." in ordinary
    assert "checks the ruler" not in ordinary
    assert "squish" in ordinary.partition("</style>")[2].lower()


def test_an_opened_point_tells_the_shape_that_its_verdict_goes_by(scored):
    """Beside the gap; where all points are off together the two differ."""
    first = dataclasses.replace(scored.advice.nodes[0], shape_mm=0.041, sigma_mm=0.007)
    nodes = (first, *scored.advice.nodes[1:])
    advice = dataclasses.replace(scored.advice, nodes=nodes, estimate_mm=-0.05, offset_mm=0.05)
    for told, together_mm in ((True, -0.05), (False, 0.0)):
        of_these = dataclasses.replace(advice, estimate_mm=together_mm, offset_mm=-together_mm)
        page = render_report(sheet=scored.sheet, score=scored.score, advice=of_these)
        text = " ".join(Page(page).text.split())
        assert ("Shape +0.041 \N{PLUS-MINUS SIGN} 0.014 mm (95 %)." in text) is told
        assert ("the 95 % interval of the shape, not by the number alone" in text) is told
