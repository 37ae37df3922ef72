"""Edits: index rules, numbers, limits, the way back, and what is refused."""

from __future__ import annotations

import dataclasses
import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from padsheet.patterns.bed import Bed, Edits, MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.advice import NodeAdvice
from padsheet.scoring.edit_styles import (
    bare_line,
    check_style,
    edit_line,
    may_set_point,
    number_text,
)
from padsheet.scoring.edits import Edit, make_edits, printed_table
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.mesh_table import read_table
from padsheet.scoring.offset import offset_lines

GRID = MeshGrid(columns=5, rows=4)
Z_MM = (np.arange(20).reshape(4, 5) - 10) * 0.01
MESH = Mesh(grid=GRID, z_mm=Z_MM, name="warm")
STYLES = ["M421", "M421-offset", "G29 S3", "table", "custom"]


def bed_with(grid: MeshGrid = GRID, **edits: object) -> Bed:
    return Bed(mesh=grid, edits=Edits(**edits))


def node(i: int, j: int, dz_mm: float, **more: object) -> NodeAdvice:
    return NodeAdvice(i=i, j=j, dz_mm=dz_mm, sigma_mm=0.004, changed=True, **more)


# The mesh value of node i = 3, j = 1 is -0.02; lowering it by 0.02 gives -0.04.
LINES = [
    ({"style": "M421"}, "M421 I3 J1 Z-0.040", "M421 I3 J1 Z-0.020"),
    ({"style": "M421-offset"}, "M421 I3 J1 Q-0.020", "M421 I3 J1 Q0.020"),
    ({"style": "G29 S3", "g29_sets_points": True}, "G29 S3 X4 Y2 Z-0.040", "G29 S3 X4 Y2 Z-0.020"),
    (
        {"style": "G29 S3", "g29_sets_points": True, "g29_index": "IJ0"},
        "G29 S3 I3 J1 Z-0.040",
        "G29 S3 I3 J1 Z-0.020",
    ),
    (
        {"style": "custom", "template": "M421 I{column1} J{row1} Z{value_mm}"},
        "M421 I4 J2 Z-0.040",
        "M421 I4 J2 Z-0.020",
    ),
    (
        {"style": "custom", "template": "M421 I{row0} J{column0} Q{change_mm:+.2f}"},
        "M421 I1 J3 Q-0.02",
        "M421 I1 J3 Q+0.02",
    ),
]


@pytest.mark.parametrize(("edits", "line", "back"), LINES, ids=[line for _, line, _ in LINES])
def test_the_line_of_an_asymmetric_point(edits: dict[str, object], line: str, back: str) -> None:
    made = make_edits([node(3, 1, -0.02)], bed_with(**edits), MESH)
    assert [edit.line for edit in made.edits] == [line]
    assert [edit.restore for edit in made.edits] == [back]
    assert made.expected is not None
    assert made.expected.z_mm[1, 3] == pytest.approx(-0.04)
    assert np.count_nonzero(made.expected.z_mm - Z_MM) == 1


def test_centre_of_five_by_five_is_3_3_in_the_edit_that_counts_from_1() -> None:
    # Common practice, no source: 2,2 in the table is 3,3 in the point edit.
    bed = bed_with(MeshGrid(), style="G29 S3", g29_sets_points=True)
    made = make_edits([node(2, 2, 0.05)], bed, Mesh(grid=bed.mesh, z_mm=np.zeros((5, 5))))
    assert made.edits[0].line == "G29 S3 X3 Y3 Z0.050"


@pytest.mark.parametrize("first_row", ["front", "back"])
@pytest.mark.parametrize("first_column", ["left", "right"])
def test_the_table_style_keeps_the_printers_own_order(first_row: str, first_column: str) -> None:
    grid = dataclasses.replace(GRID, table_first_row=first_row, table_first_column=first_column)
    mesh = Mesh(grid=grid, z_mm=Z_MM)
    made = make_edits([node(3, 1, -0.02)], bed_with(grid, style="table"), mesh)
    rows = [[float(word) for word in row.split()] for row in made.table]
    j = 1 if first_row == "front" else 2
    i = 3 if first_column == "left" else 1
    old = [[float(word) for word in row.split()] for row in made.restore_table]
    changed = np.argwhere(np.array(rows) != np.array(old)).tolist()
    assert changed == [[j, i]]
    assert rows[j][i] == pytest.approx(-0.04)
    # The round trip through the reader of the same profile gives the mesh that is expected.
    assert made.expected is not None
    back = read_table("\n".join(made.table), grid).mesh
    assert back.z_mm == pytest.approx(made.expected.z_mm)
    assert printed_table(mesh) == made.restore_table


def test_raising_comes_before_lowering_and_saving_is_never_a_line() -> None:
    nodes = [node(0, 0, -0.05), node(1, 0, 0.03), node(2, 0, -0.01), node(4, 3, 0.02)]
    made = make_edits(nodes, bed_with(style="M421"), MESH)
    assert [edit.dz_mm > 0 for edit in made.edits] == [True, True, False, False]
    for lines in (made.lines, made.restore):
        sent = [bare_line(line) for line in lines if bare_line(line)]
        assert sent[-1] == "M420 V"
        assert "M500" not in sent
        assert any("every other change that is pending" in line for line in lines)
        assert "M500" in lines[-1]
        assert any("hot" in line for line in lines)


def test_comments_say_what_is_done_and_the_way_back_says_the_opposite() -> None:
    made = make_edits([node(3, 1, -0.02)], bed_with(style="M421"), MESH)
    assert (
        "M421 I3 J1 Z-0.040 ; lower by 0.020 mm at column 4, row 2: -0.020 to -0.040" in made.lines
    )
    assert any("lower, raise: the nozzle there" in line for line in made.lines)
    assert made.edits[0].words == (
        "lower the nozzle by 0.020 mm at column 4, row 2 (mesh value -0.020 to -0.040)"
    )
    assert any("raise by 0.020 mm at column 4, row 2" in line for line in made.restore)


def test_a_point_written_as_it_was_is_no_change_either_way() -> None:
    """As where every point is written, since the printer holds no mesh."""
    mesh = dataclasses.replace(MESH, absent=True, z_mm=np.zeros_like(MESH.z_mm))
    both = [node(3, 1, -0.02), node(2, 2, 0.0)]
    made = make_edits(both, bed_with(style="M421"), mesh, only_changed=False)
    written = [line for line in made.lines if "column 3, row 3" in line]
    back = [line for line in made.restore if "column 3, row 3" in line]
    assert len(written) == len(back) == 1
    assert "no change at column 3, row 3" in written[0]
    assert "no change at column 3, row 3" in back[0]
    assert not any("by 0.000" in line for line in (*made.lines, *made.restore))


@pytest.mark.parametrize(
    "style",
    [
        {"style": "M421"},
        {"style": "M421-offset"},
        {"style": "custom", "template": "SET_ONE_POINT COLUMN={column1} ROW={row1} TO={value_mm}"},
    ],
)
def test_no_line_is_longer_than_a_terminal_is_wide(style: dict[str, str]) -> None:
    grid = MeshGrid(columns=15, rows=15)
    mesh = Mesh(grid=grid, z_mm=np.full((15, 15), -0.123))
    nodes = [node(i, j, (-1) ** i * 0.02) for i, j in grid.nodes]
    made = make_edits(nodes, bed_with(grid, **style), mesh)
    for lines in (made.lines, made.restore):
        assert max(map(len, lines)) <= 80
        # What is sent is as without comments, whether those stand behind a line or before it.
        sent = [bare_line(line) for line in lines if bare_line(line)]
        own = [e.line for e in made.edits], [e.restore for e in reversed(made.edits)]
        assert sent in ([*own[0], "M420 V"], [*own[1], "M420 V"])
    assert sum("column 15, row 15" in line for line in made.lines) == 1


def test_what_must_not_be_saved_says_nothing_of_saving() -> None:
    made = make_edits([node(3, 1, -0.02)], bed_with(style="M421"), MESH)
    assert made.unsaved_lines[-1] == "M420 V"
    assert made.lines[: len(made.unsaved_lines)] == made.unsaved_lines
    told = " ".join(made.lines[len(made.unsaved_lines) :])
    assert "Saving stores" in told
    assert "sav" not in " ".join(made.unsaved_lines).lower()


@given(
    dz_mm=st.lists(st.floats(-0.5, 0.5), min_size=20, max_size=20),
    smallest_mm=st.sampled_from([0.0025, 0.01, 0.02, 0.025]),
    largest_mm=st.sampled_from([0.05, 0.15]),
    style=st.sampled_from(["M421", "M421-offset"]),
    keep_mean=st.booleans(),
)
def test_lines_replayed_give_the_expected_mesh_within_the_limits(
    dz_mm: list[float], smallest_mm: float, largest_mm: float, style: str, keep_mean: bool
) -> None:
    bed = bed_with(style=style, smallest_mm=smallest_mm, largest_mm=largest_mm)
    nodes = [node(i, j, dz) for (i, j), dz in zip(GRID.nodes, dz_mm, strict=True)]
    made = make_edits(nodes, bed, MESH, keep_mean=keep_mean)

    def replay(z_mm: np.ndarray, lines: list[str]) -> np.ndarray:
        z_mm = z_mm.copy()
        for line in lines:
            found = re.fullmatch(r"M421 I(\d) J(\d) ([ZQ])(-?\d+\.\d{3,4})", line)
            assert found, line
            place = int(found[2]), int(found[1])
            z_mm[place] = float(found[4]) + (z_mm[place] if found[3] == "Q" else 0.0)
        return z_mm

    after = replay(Z_MM, [edit.line for edit in made.edits])
    change = after - Z_MM
    assert np.abs(change).max() <= largest_mm + 1e-9
    assert change / smallest_mm == pytest.approx(np.rint(change / smallest_mm), abs=1e-6)
    assert made.expected is not None
    assert after == pytest.approx(made.expected.z_mm, abs=1e-9)
    back = [bare_line(line) for line in made.restore if line.startswith("M421")]
    assert replay(after, back) == pytest.approx(Z_MM, abs=1e-9)
    if not keep_mean:
        wanted = np.clip(np.array(dz_mm).reshape(4, 5), -largest_mm, largest_mm)
        assert np.abs(change - wanted).max() <= smallest_mm * (1 + 1e-6)


def test_limited_points_are_named() -> None:
    made = make_edits([node(3, 1, -0.4), node(0, 0, 0.1)], bed_with(style="M421"), MESH)
    assert [edit.dz_mm for edit in made.edits] == [0.1, -0.15]
    told = [text for text in made.cautions if "Limited to 0.15 mm" in text]
    assert len(told) == 1
    assert "column 4, row 2" in told[0]
    assert "column 1, row 1" not in told[0]


def test_unchanged_points_are_left_out_unless_asked_for() -> None:
    still = NodeAdvice(i=1, j=2, dz_mm=-0.08, sigma_mm=0.1, changed=False)
    nodes = [node(0, 0, 0.004), still, node(3, 1, 0.05)]
    made = make_edits(nodes, bed_with(style="M421"), MESH)
    assert [(edit.i, edit.j) for edit in made.edits] == [(3, 1)]
    every = make_edits(nodes, bed_with(style="M421"), MESH, only_changed=False)
    assert {(edit.i, edit.j): edit.dz_mm for edit in every.edits} == {
        (0, 0): 0.0, (1, 2): 0.0, (3, 1): 0.05,
    }  # fmt: skip


def test_an_edit_says_in_words_what_it_does() -> None:
    still = NodeAdvice(i=1, j=2, dz_mm=-0.08, sigma_mm=0.1, changed=False)
    nodes = [still, node(3, 1, 0.05), node(0, 0, -0.03)]
    made = make_edits(nodes, bed_with(style="M421"), MESH, only_changed=False)
    told = {(edit.i, edit.j): edit.words for edit in made.edits}
    assert told[1, 2].startswith("no change at column 2, row 3 (mesh value ")
    assert told[3, 1].startswith("raise the nozzle by 0.050 mm at column 4, row 2 (mesh value")
    assert told[0, 0].startswith("lower the nozzle by 0.030 mm at column 1, row 1 (mesh value")
    unknown = make_edits([node(0, 0, -0.03)], bed_with(style="M421-offset"), None)
    assert unknown.edits[0].words == "lower the nozzle by 0.030 mm at column 1, row 1"


def test_a_value_set_over_an_unknown_one_is_said_without_a_direction() -> None:
    edit = Edit(i=3, j=1, dz_mm=0.0, old_mm=None, new_mm=0.04, line="x", restore="")
    assert edit.words == "set to 0.040 at column 4, row 2"


def test_the_way_back_of_a_table_is_the_old_table() -> None:
    made = make_edits([node(3, 1, 0.05)], bed_with(style="table"), MESH)
    assert made.restore_table == printed_table(MESH)
    rows = [line for line in made.restore if line.startswith("; +") or line.startswith("; -")]
    assert rows == [f"; {row}" for row in printed_table(MESH)]
    assert rows != [f"; {row}" for row in made.table]


def test_a_number_that_is_none_makes_no_edit() -> None:
    with pytest.raises(ValueError, match="finite"):
        number_text(float("nan"))
    edits = bed_with(style="custom", template="SET {column0} {row0} {value_mm}").edits
    with pytest.raises(PadsheetError) as caught:
        edit_line(edits, 0, 0, None, 0.01)
    assert "not known" in caught.value.problem


@pytest.mark.parametrize("form", [">9999999", ".999999f", "{column0}", "x", "1000"])
def test_a_format_that_is_no_format_of_a_number_is_refused(form: str) -> None:
    edits = bed_with(style="custom", template=f"SET {{column0}} {{row0}} {{value_mm:{form}}}").edits
    with pytest.raises(PadsheetError) as caught:
        check_style(edits)
    assert caught.value.code == "edits-template"


def test_nothing_to_change_says_so() -> None:
    made = make_edits([], bed_with(style="M421"), MESH)
    assert made.edits == ()
    assert "; nothing to change" in made.lines


def test_keeping_the_mean_raises_the_rest_but_never_lowers_it() -> None:
    bed = bed_with(style="M421", smallest_mm=0.0025)
    lowered = make_edits([node(i, 0, -0.1) for i in range(5)], bed, MESH, keep_mean=True)
    assert lowered.expected is not None
    assert (lowered.expected.z_mm - Z_MM).mean() == pytest.approx(0, abs=1e-9)
    raised = make_edits([node(i, 0, 0.1) for i in range(5)], bed, MESH, keep_mean=True)
    assert all(edit.dz_mm > 0 for edit in raised.edits)


def test_without_a_stored_mesh_every_point_is_written_from_zero() -> None:
    made = make_edits([node(3, 1, -0.02)], bed_with(style="M421"), None, empty_mesh=True)
    assert len(made.edits) == 20
    assert {edit.line for edit in made.edits if edit.dz_mm == 0} >= {"M421 I0 J0 Z0.000"}
    assert "M421 I3 J1 Z-0.020" in {edit.line for edit in made.edits}
    assert {edit.restore[-6:] for edit in made.edits} == {"Z0.000"}
    told = "Every point is written, as the printer is said to hold no mesh."
    assert told in made.cautions
    assert told not in make_edits([node(3, 1, -0.02)], bed_with(style="M421"), MESH).cautions


@pytest.mark.parametrize("style", ["M421", "G29 S3", "table", "custom"])
def test_whole_values_need_the_mesh(style: str) -> None:
    bed = bed_with(
        style=style, g29_sets_points=True, template="M421 I{column0} J{row0} Z{value_mm}"
    )
    with pytest.raises(PadsheetError, match="mesh is not known") as caught:
        make_edits([node(3, 1, -0.02)], bed, None)
    assert caught.value.code == "edits-mesh-unknown"


def test_changes_need_no_mesh_and_their_way_back_warns() -> None:
    made = make_edits([node(3, 1, -0.02)], bed_with(style="M421-offset"), None)
    assert made.edits[0].line == "M421 I3 J1 Q-0.020"
    assert made.expected is None
    assert any("never sent" in line for line in made.restore)


def refused(nodes: list[NodeAdvice], bed: Bed, mesh: Mesh | None = MESH, **more: bool) -> str:
    with pytest.raises(PadsheetError) as caught:
        make_edits(nodes, bed, mesh, **more)
    return caught.value.code


def test_what_is_refused() -> None:
    good = bed_with(style="M421")
    assert refused([node(3, 1, math.nan)], good) == "edits-not-finite"
    assert refused([node(3, 1, math.inf)], good) == "edits-not-finite"
    assert refused([node(5, 1, 0.02)], good) == "edits-other-grid"
    assert refused([node(3, -1, 0.02)], good) == "edits-other-grid"
    assert refused([node(3, 1, 0.02), node(3, 1, 0.02)], good) == "edits-other-grid"
    other = Mesh(grid=MeshGrid(), z_mm=np.zeros((5, 5)))
    assert refused([node(3, 1, 0.02)], good, other) == "edits-other-grid"
    assert refused([node(3, 1, 0.02)], good, MESH, empty_mesh=True) == "edits-not-empty"
    assert refused([node(3, 1, 0.02)], bed_with(style="G29 S3")) == "edits-g29"


def test_edits_that_are_in_already_are_refused() -> None:
    advised = node(3, 1, -0.02, new_mm=-0.04)
    bed = bed_with(style="M421")
    made = make_edits([advised], bed, MESH)
    with pytest.raises(PadsheetError, match=r"of -0\.020 mm at column 4, row 2, .* has -0\.040"):
        make_edits([advised], bed, made.expected)
    assert refused([advised], bed, made.expected) == "edits-stale"


@pytest.mark.parametrize(
    "template",
    [
        "",
        "M421 I{column0} Z{value_mm}",
        "M421 I{column0} J{row0}",
        "M421 I{column0} J{row0} Z{value_mm",
        "M421 I{column0} J{row0} Z{height}",
        "M421 I{column0} J{row0} Z{value_mm.real}",
        "M421 I{column0} J{row0} Z{value_mm!r}",
        "M421 I{column0:>{row0}} J{row0} Z{value_mm}",
        "M421 I{column0} J{row0} Z{value_mm:d}",
        "M421 I{column0} J{row0} Z{value_mm}\nM500",
        "G1 X{column0} Y{row0} Z{value_mm}",
        "G28X{column0} Y{row0} Z{value_mm}",
        "g0028 X{column0} Y{row0} Z{value_mm}",
        "N7 G28 X{column0} Y{row0} Z{value_mm}",
        "M0104 S{column0} J{row0} Z{value_mm}",
        "M500 I{column0} J{row0} Z{value_mm}",
        "G29 S3 X{column1} Y{row1} Z{value_mm}",
        "{column0} {row0} {value_mm}",
    ],
)
def test_a_template_that_cannot_be_meant_is_refused(template: str) -> None:
    bed = bed_with(style="custom", template=template)
    assert refused([node(3, 1, 0.02)], bed) == "edits-template"


def test_a_g29_template_passes_only_when_released_and_as_s3() -> None:
    line = "G29 S3 X{column1} Y{row1} Z{value_mm}"
    released = bed_with(style="custom", template=line, g29_sets_points=True)
    assert make_edits([node(3, 1, 0.02)], released, MESH).edits[0].line == "G29 S3 X4 Y2 Z0.000"
    probing = bed_with(style="custom", template=line.replace("S3", "S1"), g29_sets_points=True)
    assert refused([node(3, 1, 0.02)], probing) == "edits-template"


@pytest.mark.parametrize(
    "line",
    ["G0 X1", "G1", "G28", "G28 Z", "G29", "G29 S1", "G29 S31", "G92 Z0", "M104 S200", "M140 S60",
     "M84", "M17", "M500", "M501", "M502", "M999", "M112", "M303", "M600", "T1", "N1", "", ";M421",
     "M3", "M18", "M20", "M28", "M42", "M80", "M92", "M106", "M109", "M116", "M141", "M190", "M191",
     "M201", "M203", "M302", "M400", "M410", "M503", "M605", "M701", "M702", "M906", "M997",
     "XYZ 5"],
)  # fmt: skip
def test_no_dangerous_word_sets_a_point(line: str) -> None:
    assert not may_set_point(line)


OFFSETS = [
    ("M851", 1, "M851 Z-1.540"),
    ("M851", -1, "M851 Z-1.460"),
    ("M206", 1, "M206 Z-1.540"),
    ("M206", -1, "M206 Z-1.460"),
    ("M290", 1, "M290 Z-0.040"),
    ("M290", -1, "M290 Z0.040"),
]


@pytest.mark.parametrize(("style", "sign", "line"), OFFSETS)
def test_the_offset_line_has_the_profiles_sign(style: str, sign: int, line: str) -> None:
    bed = bed_with(offset_style=style, offset_now_mm=-1.5, offset_sign=sign)
    change = offset_lines(bed, -0.04)
    assert change.lines == (line,)
    assert change.text.startswith("Lower the nozzle by 0.040 mm everywhere")
    # The words name the value that the line sets: they are what a user types at a printer's menu.
    told = f"adds {-0.04 * sign:+.3f} mm" if style == "M290" else f"from -1.500 to {line[6:]}0"
    assert told.removesuffix("0") in change.text
    back = "M290 Z0.040" if sign == 1 else "M290 Z-0.040"
    assert change.restore == ((back,) if style == "M290" else (f"{style} Z-1.500",))


def test_an_offset_by_hand_or_by_no_way_has_no_line() -> None:
    for style in ("hand", "none"):
        change = offset_lines(bed_with(offset_style=style), 0.03)
        assert change.lines == ()
        assert change.text.startswith("Raise the nozzle by 0.030 mm")
    assert offset_lines(bed_with(), 0.004).text == "Leave the common offset as it is."


@pytest.mark.parametrize(
    ("dz_mm", "code"),
    [
        (math.nan, "edits-offset"),
        (1.2, "edits-offset"),
        (-math.inf, "edits-offset"),
        (0.1, "edits-offset-unknown"),
    ],
)
def test_an_offset_that_cannot_be_meant_is_refused(dz_mm: float, code: str) -> None:
    with pytest.raises(PadsheetError) as caught:
        offset_lines(bed_with(offset_style="M851"), dz_mm)
    assert caught.value.code == code


@pytest.mark.parametrize(
    ("dz_mm", "old_mm", "comment"),
    [
        (-0.04, None, "lower by 0.040 mm at column 3, row 2"),
        (0.04, None, "raise by 0.040 mm at column 3, row 2"),
        (0.04, -0.1, "raise by 0.040 mm at column 3, row 2: -0.100 to -0.060"),
    ],
)
def test_a_comment_is_the_words_in_short(dz_mm: float, old_mm: float | None, comment: str) -> None:
    new_mm = None if old_mm is None else old_mm + dz_mm
    edit = Edit(i=2, j=1, dz_mm=dz_mm, old_mm=old_mm, new_mm=new_mm, line="", restore="")
    assert edit.comment == comment
    assert edit.words.startswith(comment[:5] + " the nozzle by 0.040 mm at column 3, row 2")


@pytest.mark.parametrize("old_mm", [-0.0, -0.0003])
def test_a_rounded_zero_has_no_sign(old_mm: float) -> None:
    edit = Edit(i=0, j=0, dz_mm=-0.04, old_mm=old_mm, new_mm=-0.04, line="", restore="")
    assert "-0.000" not in edit.words + edit.comment
    assert edit.comment.endswith(": 0.000 to -0.040")
