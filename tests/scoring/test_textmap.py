"""Table, map and summary: they fit 80 columns, stay aligned and say signs in words."""

from __future__ import annotations

import dataclasses
import re

import pytest

import padsheet.scoring.remarks as remarks_module
from padsheet.scoring.remarks import HELD_BACK, KEPT_CLEAR, NOT_YET, limited_to, short_remark
from padsheet.scoring.squish import PadScore, Reason
from padsheet.scoring.textmap import REMARK_ROOM, score_map, score_table
from padsheet.scoring.words import summary

ESCAPE = re.compile(r"\x1b\[[0-9;]*m")


def test_table_has_a_row_for_each_pad(scored):
    lines = score_table(scored.score, scored.advice).splitlines()
    assert lines[0].split() == [
        "Col",
        "Row",
        "Gap",
        "+-",
        "Squish",
        "Verdict",
        "Adjustment",
        "Remark",
    ]
    rows = lines[1:26]
    assert [(int(r[:3]), int(r[3:7])) for r in rows] == [
        (pad.i + 1, pad.j + 1) for pad in scored.score.pads
    ]
    assert "+-" in lines[0]


def test_table_says_the_numbers_of_a_pad(scored):
    pad = scored.score.pads[13]
    row = score_table(scored.score, scored.advice).splitlines()[14]
    node = scored.advice.nodes[13]
    half = (pad.interval_mm[1] - pad.interval_mm[0]) / 2
    numbers = row[7:].split()
    assert numbers[:2] == [f"{pad.gap_mm:.3f}", f"{half:.3f}"]
    assert numbers[2] == f"{100 * 0.2 / pad.gap_mm:.0f}"
    assert f"{'lower' if node.dz_mm < 0 else 'raise'} {abs(node.dz_mm):.2f}" in row


def test_table_gives_a_refused_pad_its_reason_and_no_number(scored):
    text = score_table(scored.score, scored.advice)
    row = next(line for line in text.splitlines() if "unread" in line)
    assert "glare" in row
    assert row[7:].split()[:3] == ["-", "-", "-"]
    told = " ".join(text.split())
    assert re.search(r"glare: a reflection covers 6 of its 10 lines[^()]*\(column 2, row 5\)", told)


@pytest.mark.parametrize("width", [50, 60, 70, 80, 200])
def test_table_fits_the_terminal_and_cuts_no_remark_off_for_good(scored, width):
    node = dataclasses.replace(scored.advice.nodes[2], note="a remark that fits no row of a table")
    nodes = (*scored.advice.nodes[:2], node, *scored.advice.nodes[3:])
    advice = dataclasses.replace(scored.advice, nodes=nodes)
    text = score_table(scored.score, advice, width=width)
    assert max(map(len, text.splitlines())) <= min(width, 80)
    told = " ".join(text.split())
    if width < 80:
        assert "a remark that fits no row of a table (column 3, row 1)" in told
    else:  # whole words in the row, the whole of it below, once
        assert text.splitlines()[3].endswith("  a remark that..")
        assert text.splitlines().count("a remark that fits no row of a table") == 1
    assert ("Remark" in text.splitlines()[0]) == (width >= 80)
    assert ("Squish" in text.splitlines()[0]) == (width >= 59)


def test_many_points_with_one_remark_are_counted(make_scored):
    example = make_scored(9, 9)
    nodes = tuple(
        dataclasses.replace(n, note="too long for the column of remarks")
        for n in example.advice.nodes
    )
    advice = dataclasses.replace(example.advice, nodes=nodes)
    told = " ".join(score_table(example.score, advice, width=60).split())
    assert told.count("too long for the column of remarks (") == 1
    assert re.search(r"; and \d+ more\)", told)


@pytest.mark.parametrize(("columns", "rows"), [(2, 2), (3, 7), (5, 5), (9, 9), (10, 4), (15, 15)])
@pytest.mark.parametrize("colour", [False, True])
def test_everything_fits_80_columns(make_scored, columns, rows, colour):
    example = make_scored(columns, rows)
    table = score_table(example.score, example.advice)
    drawn = score_map(example.score, example.advice, colour=colour)
    for line in (table + "\n" + ESCAPE.sub("", drawn)).splitlines():
        assert len(line) <= 80, line
    assert table.isascii()
    assert drawn.isascii()


@pytest.mark.parametrize(("columns", "cell"), [(5, 8), (9, 8), (10, 5), (15, 5)])
def test_map_cells_stand_below_each_other(make_scored, columns, cell):
    example = make_scored(columns, 4)
    lines = score_map(example.score, example.advice, colour=False).splitlines()
    head = next(line for line in lines if line.split() == [str(c + 1) for c in range(columns)])
    rows = [line for line in lines if re.match(r" [1-4] ", line)]
    assert [int(line[:2]) for line in rows] == [4, 3, 2, 1]  # the front is the last
    for line in rows:
        cells = [line.ljust(3 + cell * columns)[3 + cell * k :][:cell] for k in range(columns)]
        assert all(text.strip() for text in cells)
        assert all(head[3 + cell * k :][:cell].strip() == str(k + 1) for k in range(columns))
    assert lines[lines.index(head) + 1].strip() == "front"


@pytest.mark.parametrize("columns", [5, 12])
def test_map_numbers_are_the_gap_errors(make_scored, columns):
    example = make_scored(columns, 3)
    lines = score_map(example.score, example.advice, colour=False).splitlines()
    row = next(line for line in lines if line.startswith(" 2 "))
    numbers = [float(n) for n in re.findall(r"[+-]?\d+(?:\.\d+)?", row[3:])]
    unit = 1.0 if columns == 5 else 0.01
    wanted = [pad.gap_mm - 0.2 for pad in example.score.pads if pad.j == 1]
    assert [n * unit for n in numbers] == pytest.approx(wanted, abs=0.00501)


def test_a_point_that_is_not_known_does_not_look_right(scored):
    """Unread and off scale, with no edit: neither is left because it is right."""
    nodes = tuple(
        dataclasses.replace(node, dz_mm=0.0, changed=False) if node.inferred else node
        for node in scored.advice.nodes
    )
    advice = dataclasses.replace(scored.advice, nodes=nodes)
    rows = score_table(scored.score, advice).splitlines()[1:26]
    unread = [row for row in rows if "  unread  " in row or "  off scale, far  " in row]
    assert len(unread) == 2
    assert all("  unsure   " in row and "leave" not in row for row in unread)
    assert sum("  leave" in row for row in rows) == sum(
        not node.changed and not node.inferred for node in nodes
    )
    drawn = score_map(scored.score, advice, colour=False)
    assert drawn.partition("Gap error")[0].count("unsure") == 2
    assert drawn.partition("Gap error")[0].count("?") == 1
    assert "the table says why" in " ".join(drawn.split())


@pytest.mark.parametrize("note", [NOT_YET, KEPT_CLEAR])
def test_a_point_whose_edit_was_cut_to_nothing_says_later(scored, note):
    """One that is within tolerance anyway, and one that is off: only that is to be lowered."""
    off = next(n for n in scored.advice.nodes if n.changed and n.dz_mm < 0)
    level = next(n for n in scored.advice.nodes if n != off and not n.inferred)
    held = {"dz_mm": 0.0, "changed": False, "note": note}
    swap = {
        off: dataclasses.replace(off, **held, verdict="too little", in_shape=False),
        level: dataclasses.replace(level, **held, verdict="on target", in_shape=True),
    }
    nodes = tuple(swap.get(node, node) for node in scored.advice.nodes)
    advice = dataclasses.replace(scored.advice, nodes=nodes)
    rows = {row[:7]: row for row in score_table(scored.score, advice).splitlines()}
    row, level_row = (rows[f"{n.i + 1:3d} {n.j + 1:3d}"] for n in (off, level))
    assert "  later  " in row
    assert row.endswith("kept clear of bed")
    assert "  leave  " in level_row
    drawn, _, legend = score_map(scored.score, advice, colour=False).partition("Gap error")
    assert drawn.count("later") == 1
    assert "'later', the nozzle is to come lower in another round" in " ".join(legend.split())
    assert "1 has to wait for a later round" in summary(scored.score, advice)
    whole = score_map(scored.score, scored.advice, colour=False)
    assert "later" not in whole + score_table(scored.score, scored.advice)


def test_points_that_wait_for_other_work_do_not_look_right(scored):
    nodes = tuple(
        dataclasses.replace(node, dz_mm=0.0, changed=False, waits=True, note=HELD_BACK["screws"])
        for node in scored.advice.nodes
    )
    advice = dataclasses.replace(scored.advice, nodes=nodes, work="screws")
    table = score_table(scored.score, advice)
    assert "leave" not in table + score_map(scored.score, advice, colour=False)
    first, header, *rows = table.splitlines()
    assert first == "Adjustments of single points wait: the screws come first."
    assert table.count("wait") == 1
    at = header.index("Adjustment")
    # Nothing stands there but what is not known anyway; nor is the reason told row by row.
    assert {row[at : at + 10].strip() for row in rows[:25]} == {"", "unsure"}
    assert "held back" not in table
    assert table.count("screws") == 1


def test_every_remark_has_words_that_fit_a_row():
    remarks = [text for text in vars(remarks_module).values() if isinstance(text, str)]
    remarks = [text for text in remarks if text[:1].islower() and " " in text]
    assert len(remarks) == 10
    for remark in (*remarks, limited_to(0.2)):
        short = short_remark(remark, REMARK_ROOM)
        assert 0 < len(short) <= REMARK_ROOM, remark
        assert not short.endswith(".."), remark


def test_map_marks_what_to_do(scored):
    drawn = score_map(scored.score, scored.advice, colour=False)
    down = sum(node.dz_mm < 0 for node in scored.advice.nodes)
    up = sum(node.dz_mm > 0 for node in scored.advice.nodes)
    assert down
    assert up
    assert len(re.findall(r"v \d\.\d\d", drawn)) == down
    assert len(re.findall(r"\^ \d\.\d\d", drawn)) == up
    assert "v lower the nozzle" in " ".join(drawn.split())


def test_colour_adds_escapes_and_nothing_else(scored):
    plain = score_map(scored.score, scored.advice, colour=False)
    coloured = score_map(scored.score, scored.advice, colour=True)
    assert "\x1b" not in plain
    assert "\x1b[48;5;" in coloured
    stripped = [line.rstrip() for line in ESCAPE.sub("", coloured).splitlines()]
    assert stripped == plain.splitlines()
    for line in coloured.splitlines():
        assert "\x1b" not in line or line.rstrip().endswith("\x1b[0m")


def test_narrow_terminal_gets_blocks_of_columns(make_scored):
    example = make_scored(15, 3)
    drawn = score_map(example.score, example.advice, colour=False, width=40)
    assert max(map(len, drawn.splitlines())) <= 40
    assert drawn.count("front\n") == 3  # 7 + 7 + 1 columns


def test_skipped_node_is_a_dot(make_scored):
    example = make_scored(5, 5, skip=((2, 2),))
    row = next(
        line
        for line in score_map(example.score, None, colour=False).splitlines()
        if line.startswith(" 3 ")
    )
    assert row.split()[3] == "."


def test_untrusted_text_cannot_steer_the_terminal(scored):
    bad = PadScore(
        i=0,
        j=0,
        x_mm=0,
        y_mm=0,
        verdict="unread",
        reason=Reason(code="x\x1b[2J", text="a\x1b]0;title\x07b"),
    )
    score = dataclasses.replace(scored.score, pads=(bad, *scored.score.pads[1:]))
    assert "\x1b" not in score_table(score, scored.advice)
    assert "\x07" not in score_table(score, scored.advice)


def test_summary_names_the_worst_point(scored):
    changed = [node for node in scored.advice.nodes if node.changed]
    down = [node for node in changed if node.dz_mm < 0]
    worst = min(down, key=lambda node: node.dz_mm)
    text = summary(scored.score, scored.advice)
    assert text.startswith(f"{len(down)} of 25 points need lowering, the worst by ")
    assert f"{-worst.dz_mm:.2f} mm at column {worst.i + 1}, row {worst.j + 1}" in text
    assert "1 could not be read" in text
    assert text.endswith(".")
    assert text.count(".") == 1 + len(re.findall(r"\d\.\d", text))


def test_summary_without_advice_counts_verdicts(scored):
    text = summary(scored.score, None)
    far = sum(pad.verdict in ("too little", "off scale high") for pad in scored.score.pads)
    assert text.startswith(f"{far} of 25 points are too far from the bed")
    assert "beyond the sheet's reach at column 5, row 1" in text


def test_summary_of_a_finished_bed(scored):
    pads = tuple(
        PadScore(
            i=i, j=0, x_mm=0, y_mm=0, verdict="on target", gap_mm=0.2, interval_mm=(0.19, 0.21)
        )
        for i in range(3)
    )
    score = dataclasses.replace(scored.score, pads=pads)
    advice = dataclasses.replace(scored.advice, nodes=(), work="nothing", done=True)
    assert summary(score, advice) == "All 3 points are on target; the bed is done."


@pytest.mark.parametrize(
    ("work", "words"),
    [
        ("screws", "turn the bed screws first"),
        ("offset", "lower the nozzle everywhere by 0.01 mm"),
        ("withheld", "no edits are given"),
    ],
)
def test_summary_says_what_comes_first(scored, work, words):
    advice = dataclasses.replace(scored.advice, work=work, nodes=())
    assert words in summary(scored.score, advice)


def test_summary_when_nothing_was_read(scored):
    pads = tuple(
        dataclasses.replace(pad, verdict="unread", gap_mm=None) for pad in scored.score.pads
    )
    text = summary(dataclasses.replace(scored.score, pads=pads), None)
    assert text == "None of the 25 points could be read."


def test_the_shared_part_of_the_intervals_is_told(scored):
    text = " ".join(score_map(scored.score, scored.advice, colour=False).split())
    # 1.96 standard deviations of 0.004 mm.
    assert "The mean of all points is known to +-0.008 mm (95 %)" in text


def test_points_that_wait_say_so_once_below_the_map(scored):
    nodes = tuple(
        dataclasses.replace(node, changed=False, dz_mm=0.0, waits=True)
        for node in scored.advice.nodes
    )
    told = score_map(scored.score, dataclasses.replace(scored.advice, nodes=nodes), colour=False)
    assert "wait " not in told.split("front")[0]
    assert "\n\n\n" not in told  # no empty lines where what to do would stand
    assert "Adjustments of single points wait: other work comes first." in " ".join(told.split())
    assert "v lower the nozzle" not in told


def with_shared(example, common_mm, *, every=True):
    """Return the advice where all points share an offset, which no adjustment goes by."""
    gaps = {(pad.i, pad.j): pad.gap_mm for pad in example.score.pads}
    nodes = tuple(
        dataclasses.replace(
            node,
            shape_mm=None
            if not every or gaps[node.i, node.j] is None
            else gaps[node.i, node.j] - 0.2 - common_mm,
        )
        for node in example.advice.nodes
    )
    return dataclasses.replace(example.advice, nodes=nodes, estimate_mm=common_mm)


@pytest.mark.parametrize("columns", [5, 12])
def test_where_adjustments_go_by_the_shape_it_is_shown(make_scored, columns):
    example = make_scored(columns, 5)
    advice = with_shared(example, -0.05)
    first, _, rest = score_table(example.score, advice).partition("\nCol Row")
    assert "beside the 0.05 mm that all points together are too near" in first.replace("\n", " ")
    header, *rows = rest.splitlines()
    assert "Shape" in header
    assert "Squish" not in header
    pad = example.score.pads[3]
    assert rows[3][7:].split()[2] == f"{pad.gap_mm - 0.15:+.3f}"
    drawn = score_map(example.score, advice, colour=False)
    assert drawn.startswith("The shape of the bed, beside the 0.05 mm")
    assert "Shape in" in drawn
    assert "Gap error in" not in drawn
    row = next(line for line in drawn.splitlines() if line.startswith(" 1 "))
    unit = 1.0 if columns == 5 else 0.01
    number = float(re.findall(r"[+-]?\d+(?:\.\d+)?", row[3:])[3]) * unit
    assert number == pytest.approx(pad.gap_mm - 0.15, abs=0.00501)


@pytest.mark.parametrize(("common_mm", "every"), [(-0.004, True), (-0.05, False)])
def test_without_a_shape_of_its_own_the_gap_is_shown(scored, common_mm, every):
    advice = with_shared(scored, common_mm, every=every)
    assert "Squish" in score_table(scored.score, advice).splitlines()[0]
    assert "Gap error in mm" in score_map(scored.score, advice, colour=False)


def test_a_narrow_terminal_tells_of_the_shape_too(scored):
    advice = with_shared(scored, 0.06)
    for width in (30, 50, 60):
        table = score_table(scored.score, advice, width=width).splitlines()
        drawn = score_map(scored.score, advice, colour=False, width=width).splitlines()
        assert max(map(len, table)) <= max(width, 49)
        assert max(map(len, drawn)) <= width
        assert "too far" in " ".join(drawn)


def test_the_legend_explains_what_the_map_shows_and_nothing_else(scored):
    told = " ".join(score_map(scored.score, scored.advice, colour=False).split())
    assert "> off scale, by more than this sheet reads" in told
    assert "<" not in told
    assert "unsure" in told.partition("Gap error in")[2]
    score = dataclasses.replace(
        scored.score, pads=tuple(p for p in scored.score.pads if p.verdict == "on target")
    )
    told = " ".join(score_map(score, scored.advice, colour=False).split())
    assert "by more than this sheet reads" not in told
    assert "~" not in told


def with_node(example, index, **changes):
    nodes = list(example.advice.nodes)
    nodes[index] = dataclasses.replace(nodes[index], **changes)
    return dataclasses.replace(example.advice, nodes=tuple(nodes))


@pytest.mark.parametrize(
    ("changes", "bracketed"),
    [
        ({"verdict": "on target"}, True),
        ({"verdict": "uncertain"}, False),
        ({"verdict": "too near", "shape_mm": 0.01, "in_shape": True}, True),
        ({"verdict": "on target", "shape_mm": 0.04, "in_shape": False}, False),
        ({"verdict": "on target", "changed": False, "dz_mm": 0.0}, False),
    ],
)
def test_an_adjustment_within_tolerance_says_so_at_its_row(scored, changes, bracketed):
    changes = {"changed": True, "dz_mm": 0.03, "note": "", **changes}
    if changes["verdict"] == "too near":
        changes["verdict"] = "too much"
    advice = with_node(scored, 0, **changes)
    table = score_table(scored.score, advice)
    drawn = score_map(scored.score, advice, colour=False)
    row = next(line for line in table.splitlines() if line.startswith("  1   1 "))
    assert ("(raise 0.03)" in row) == bracketed
    assert ("(^.03)" in drawn) == bracketed
    for text in (table, drawn):
        told = "brackets are fine-tuning: those points are within tolerance without them"
        assert (told in " ".join(text.split())) == bracketed
        assert max(map(len, text.splitlines())) <= 80


def test_an_adjustment_against_the_common_offset_tells_what_both_come_to(scored):
    for dz_mm, total, mark in ((0.03, "in all lower 0.02", "=v.02"), (0.05, "none", "= 0.00")):
        advice = with_node(scored, 0, changed=True, dz_mm=dz_mm, note="")
        alone = score_map(scored.score, advice, colour=False)
        assert "=" not in alone
        advice = dataclasses.replace(advice, set_offset=True, offset_mm=-0.05)
        table = score_table(scored.score, advice)
        row = next(line for line in table.splitlines() if line.startswith("  1   1 "))
        assert row.endswith(total)
        drawn = score_map(scored.score, advice, colour=False)
        lines = drawn.splitlines()
        at = next(k for k, line in enumerate(lines) if line.startswith(" 1 "))
        assert lines[at + 2][4:10].rstrip() == mark
        for text in (table, drawn):
            told = " ".join(text.split())
            assert "The common offset lowers the nozzle by 0.05 mm everywhere" in told
        # What goes the same way is no contradiction.
        same = with_node(scored, 0, changed=True, dz_mm=-0.03, note="")
        same = dataclasses.replace(same, set_offset=True, offset_mm=-0.05)
        row = score_table(scored.score, same).splitlines()[1]
        assert "in all" not in row


def test_what_both_come_to_stands_where_a_pad_is_off_scale(scored):
    """There the map tells a bound, which says nothing of how to read an adjustment."""
    index = next(k for k, pad in enumerate(scored.score.pads) if pad.verdict == "off scale high")
    advice = with_node(scored, index, changed=True, dz_mm=0.03, note="bound")
    advice = dataclasses.replace(advice, set_offset=True, offset_mm=-0.05)
    row = score_table(scored.score, advice).splitlines()[1 + index]
    assert "off scale, far" in row
    assert row.endswith("in all lower 0.02")


def test_the_cells_of_a_map_stay_as_wide_as_they_are(scored):
    """Bounds and adjustments of three digits are the longest."""
    advice = with_node(scored, 1, changed=True, dz_mm=0.025, verdict="uncertain", note="")
    lines = score_map(scored.score, advice, colour=True).splitlines()
    cells = re.findall(r"m([^\x1b]*)\x1b\[0m", "\n".join(lines))
    assert {len(cell) for cell in cells} == {7}


def test_how_well_the_shape_is_known_is_told_below_the_table(make_scored):
    example = make_scored(5, 5)
    advice = with_shared(example, -0.05)
    halves = [1.96 * node.sigma_mm for node in advice.nodes if node.shape_mm is not None]
    told = f"that of the shape +-{min(halves):.3f} to {max(halves):.3f} mm"
    assert told in " ".join(score_table(example.score, advice).split())
    alone = with_shared(example, 0.0)
    assert "that of the shape" not in score_table(example.score, alone)
