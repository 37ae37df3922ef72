"""bed.toml: what is read, what is refused and in which words, and what is written."""

from __future__ import annotations

import contextlib
import dataclasses
import math
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from padsheet.patterns.bed import Bed, Rectangle
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.profile import bed_from_tables, load_bed, parse_bed, profile_text
from padsheet.patterns.profile_keys import ARRAYS, MESH_SIDES, TABLES, Key, Table

# ---- reading


def test_an_empty_profile_and_the_written_one_are_the_defaults() -> None:
    assert parse_bed("") == Bed()
    assert parse_bed(profile_text()) == Bed()
    assert profile_text() == profile_text(Bed())


def test_the_table_of_keys_is_that_of_the_dataclasses() -> None:
    nested = {"plate": {"keep_out"}}
    inset = {"mesh": {"inset_mm"}}
    for path, table in TABLES.items():
        names = {field.name for field in dataclasses.fields(table.fills)}
        assert set(table.names) == names - nested.get(path, set()) | inset.get(path, set()), path
    parts = {field.name for field in dataclasses.fields(Bed)}
    assert parts == {"screws" if path == "screw" else path for path in TABLES if "." not in path}


def test_every_default_is_within_its_own_range() -> None:
    # An explicit profile of all defaults goes through every check of type and range.
    data = tomllib.loads(profile_text())
    given_keys = {(table, key) for table, keys in data.items() for key in keys}
    assert len(given_keys) == sum(
        1
        for path, table in TABLES.items()
        if path not in ARRAYS
        for key in table.keys
        if key.name not in {*MESH_SIDES, "fade_height_mm", "offset_now_mm"}
    )
    assert bed_from_tables(data) == Bed()


def test_mesh_by_inset_and_by_sides_agree() -> None:
    by_inset = parse_bed(
        '[plate]\nsize_x_mm = 300\nsize_y_mm = 200\norigin = "centre"\n[mesh]\ninset_mm = 25'
    )
    by_sides = parse_bed(
        '[plate]\nsize_x_mm = 300\nsize_y_mm = 200\norigin = "centre"\n[mesh]\n'
        "x_min_mm = -125\nx_max_mm = 125\ny_min_mm = -75\ny_max_mm = 75"
    )
    assert by_inset == by_sides
    assert by_inset.mesh.x_min_mm == -125.0
    assert by_inset.mesh.y_max_mm == 75.0


def test_without_a_place_the_mesh_is_inset_on_any_plate() -> None:
    bed = parse_bed("[plate]\nsize_x_mm = 120\nsize_y_mm = 100")
    assert (bed.mesh.x_min_mm, bed.mesh.x_max_mm) == (20, 100)
    assert (bed.mesh.y_min_mm, bed.mesh.y_max_mm) == (20, 80)


def test_code_as_a_list_and_as_one_string_agree() -> None:
    as_list = parse_bed('[code]\npreamble = ["M75 ; start", "M17"]\nhome = "G28"')
    as_text = parse_bed('[code]\npreamble = """\n  M75 ; start\r\n\n  M17\n"""')
    assert as_list == as_text
    assert as_list.code.preamble == ("M75 ; start", "M17")


def test_skip_counts_columns_and_rows_from_one() -> None:
    bed = parse_bed("[mesh]\ncolumns = 4\nrows = 3\nskip = [[4, 1], [1, 3]]")
    assert bed.mesh.skip == ((3, 0), (0, 2))


def test_whole_numbers_become_floats() -> None:
    assert isinstance(parse_bed("[heat]\nbed_c = 70").heat.bed_c, float)


# ---- refusing: what is written, the code, and words that the message must hold

BROKEN = [
    # unknown keys
    ("[mesh]\ncolums = 5", "profile-unknown-key", ["[mesh]", "colums", "columns?", "5"]),
    ("[plate]\nbore_mm = 0.4", "profile-unknown-key", ["[plate]", "bore_mm", "[nozzle]"]),
    ("[plate]\nzzzzzz = 1", "profile-unknown-key", ["[plate]", "zzzzzz", "size_x_mm", "keep_out"]),
    ("[mehs]\ncolumns = 5", "profile-unknown-key", ["mehs", "[mesh]"]),
    ("bed_c = 60", "profile-unknown-key", ["bed_c", "60", "[heat]"]),
    ('"a\\u0007b" = 1', "profile-unknown-key", ["a\\u0007b"]),
    ("[nozzle.bore]\nmm = 1", "profile-unknown-key", ["[nozzle]", "bore", "bore_mm"]),
    # types
    ("[mesh]\ncolumns = 5.0", "profile-type", ["[mesh] columns", "5.0", "whole number", "2 to 15"]),
    ("[mesh]\ncolumns = true", "profile-type", ["[mesh] columns", "true"]),
    ("[heat]\nbed_c = true", "profile-type", ["[heat] bed_c", "true", "degrees C"]),
    ('[heat]\nbed_c = "60"', "profile-type", ["[heat] bed_c", '"60"']),
    ("[heat]\nbed_c = 1979-05-27", "profile-type", ["[heat] bed_c", "1979-05-27"]),
    ("[plate]\nshape = 3", "profile-type", ["[plate] shape", "3", '"round"']),
    ("[plate]\nname = 7", "profile-type", ["[plate] name", "7"]),
    ("[edits]\noffset_sign = true", "profile-type", ["[edits] offset_sign", "true", "-1"]),
    ("[edits]\noffset_sign = 1.0", "profile-type", ["[edits] offset_sign", "1.0"]),
    ("[edits]\ng29_sets_points = 1", "profile-type", ["[edits] g29_sets_points", "1", "true or"]),
    ("[edits]\nsave = 500", "profile-type", ["[edits] save", "500"]),
    ("[code]\nhome = 28", "profile-type", ["[code] home", "28"]),
    ('[code]\nhome = ["G28", 1]', "profile-type", ["[code] home", '["G28", 1]']),
    ("[mesh]\nskip = [1, 2]", "profile-type", ["[mesh] skip", "[1, 2]", "column"]),
    ("[mesh]\nskip = [[1, true]]", "profile-type", ["[mesh] skip", "true"]),
    ("[mesh]\nskip = 3", "profile-type", ["[mesh] skip", "3"]),
    ("heat = 60", "profile-type", ["[heat]", "60", "table"]),
    ('[screw]\nname = "a"', "profile-type", ["[[screw]]", "double brackets"]),
    ("[plate]\nkeep_out = [1]", "profile-type", ["[[plate.keep_out]]", "[1]"]),
    # ranges
    ("[mesh]\ncolumns = 1", "profile-range", ["[mesh] columns", "1", "2 to 15"]),
    ("[mesh]\nrows = 16", "profile-range", ["[mesh] rows", "16"]),
    ("[heat]\nnozzle_c = 149.9", "profile-range", ["[heat] nozzle_c", "149.9", "150 to 320"]),
    ("[heat]\nnozzle_c = 321", "profile-range", ["[heat] nozzle_c", "321"]),
    ("[heat]\nbed_c = 131", "profile-range", ["[heat] bed_c", "131", "0 to 130"]),
    ("[heat]\nbed_c = -1", "profile-range", ["[heat] bed_c", "-1"]),
    ("[heat]\nhold_min = 121", "profile-range", ["[heat] hold_min", "121", "minutes"]),
    ("[heat]\nbed_c = nan", "profile-range", ["[heat] bed_c", "nan"]),
    ("[target]\nheight_mm = inf", "profile-range", ["[target] height_mm", "inf"]),
    ("[plate]\nsize_x_mm = -inf", "profile-range", ["[plate] size_x_mm", "-inf"]),
    ("[mesh]\ncolumns = " + "9" * 400, "profile-range", ["[mesh] columns", "too large"]),
    ("[heat]\nbed_c = 0x" + "f" * 5000, "profile-range", ["[heat] bed_c", "too large"]),
    ("[motion]\nclearance_mm = 0.019", "profile-range", ["[motion] clearance_mm", "0.02"]),
    ("[motion]\ntravel_mm_s = 5000", "profile-range", ["[motion] travel_mm_s", "5000", "mm/s"]),
    ('[plate]\nshape = "Round"', "profile-range", ["[plate] shape", '"Round"', '"round"?']),
    ("[edits]\noffset_sign = 0", "profile-range", ["[edits] offset_sign", "0"]),
    ('[plate]\nname = ""', "profile-range", ["[plate] name", '""']),
    ('[plate]\nname = "a\\nb"', "profile-range", ["[plate] name", '"a\\nb"']),
    ("[mesh]\nskip = [[0, 1]]", "profile-range", ["[mesh] skip", "[0, 1]", "from 1"]),
    ("[mesh]\nskip = [[1, 1], [1, 1]]", "profile-range", ["[mesh] skip", "once"]),
    # proportions
    ("[target]\nheight_mm = 0.35", "profile-range", ["[target] height_mm", "0.35", "0.08 to 0.32"]),
    ("[target]\nheight_mm = 0.07", "profile-range", ["[target] height_mm", "bore_mm"]),
    ("[target]\nwidth_mm = 0.3", "profile-range", ["[target] width_mm", "0.36 to 0.8"]),
    ("[target]\nwidth_mm = 0.85", "profile-range", ["[target] width_mm", "bore_mm"]),
    ("[nozzle]\nflat_mm = 0.42", "profile-range", ["[target] width_mm", "flat_mm 0.42"]),
    ("[nozzle]\nflat_mm = 0.4", "profile-geometry", ["[nozzle] flat_mm", "bore_mm"]),
    ("[target]\ntolerance_mm = 0.11", "profile-range", ["[target] tolerance_mm", "0.11"]),
    ("[target]\noffset_tolerance_mm = 0.11", "profile-range", ["offset_tolerance_mm"]),
    ("[motion]\nclearance_mm = 0.2", "profile-range", ["[motion] clearance_mm", "height_mm"]),
    ("[motion]\nz_lowest_mm = 0.2", "profile-range", ["[motion] z_lowest_mm", "0.2"]),
    (
        "[edits]\nsmallest_mm = 0.05\nlargest_mm = 0.05",
        "profile-range",
        ["[edits] smallest_mm", "0.05", "largest_mm"],
    ),
    # geometry
    (
        '[plate]\nshape = "round"\nsize_x_mm = 200\nsize_y_mm = 210',
        "profile-geometry",
        ["[plate] size_x_mm", "200", "210", "diameter"],
    ),
    (
        '[plate]\nshape = "round"\n[mesh]\ninset_mm = 20',
        "profile-geometry",
        ["[mesh] inset_mm", "column 1, row 1", "skip = [[1, 1], [5, 1], [1, 5], [5, 5]]"],
    ),
    ("[mesh]\ninset_mm = 110", "profile-geometry", ["[mesh] inset_mm", "110"]),
    ("[mesh]\ninset_mm = 105", "profile-geometry", ["[mesh] columns", "inset_mm", "2.5 mm apart"]),
    (
        "[mesh]\ninset_mm = 20\nx_min_mm = 3",
        "profile-geometry",
        ["[mesh]", "inset_mm = 20", "x_min_mm = 3"],
    ),
    (
        "[mesh]\nx_min_mm = 100\nx_max_mm = 100\ny_min_mm = 20\ny_max_mm = 200",
        "profile-geometry",
        ["[mesh]", "x_min_mm is 100", "x_max_mm is 100"],
    ),
    (
        "[mesh]\nx_min_mm = 10\nx_max_mm = 100\ny_min_mm = 201\ny_max_mm = 200",
        "profile-geometry",
        ["[mesh]", "y_min_mm is 201", "y_max_mm is 200"],
    ),
    (
        "[mesh]\nx_min_mm = -90\nx_max_mm = 90\ny_min_mm = 20\ny_max_mm = 200",
        "profile-geometry",
        ["[mesh] x_min_mm", "-90", 'origin = "centre"'],
    ),
    (
        "[mesh]\nx_min_mm = 10\nx_max_mm = 100\ny_min_mm = 20\ny_max_mm = 221",
        "profile-geometry",
        ["[mesh] y_max_mm", "221", "0 to 220"],
    ),
    (
        '[plate]\norigin = "centre"\n[mesh]\n'
        "x_min_mm = 20\nx_max_mm = 200\ny_min_mm = 20\ny_max_mm = 200",
        "profile-geometry",
        ["[mesh] x_max_mm", "200", "-110 to 110"],
    ),
    ("[mesh]\nskip = [[6, 1]]", "profile-geometry", ["[mesh] skip", "[6, 1]", "5 columns"]),
    (
        "[mesh]\ncolumns = 2\nrows = 2\nskip = [[1, 1], [2, 2]]",
        "profile-geometry",
        ["[mesh] skip", "2 grid points"],
    ),
    (
        "[[plate.keep_out]]\nx_min_mm = 5\nx_max_mm = 5\ny_min_mm = 0\ny_max_mm = 8",
        "profile-geometry",
        ["[[plate.keep_out]] number 1", "x_min_mm is 5"],
    ),
    (
        "[[plate.keep_out]]\nx_min_mm = 0\nx_max_mm = 5\ny_min_mm = 220\ny_max_mm = 228",
        "profile-geometry",
        ["[[plate.keep_out]] number 1", "y_min_mm 220", "not on the plate"],
    ),
    (
        '[[screw]]\nname = "a"\nx_mm = -61\ny_mm = 3',
        "profile-geometry",
        ["[[screw]]", '"a"', "x_mm", "-61", "do not move with [plate] origin"],
    ),
    (
        '[[screw]]\nname = "a"\nx_mm = 1\ny_mm = 3\n[[screw]]\nname = "a"\nx_mm = 9\ny_mm = 3',
        "profile-geometry",
        ["[[screw]]", 'name is "a" twice'],
    ),
    (
        '[[screw]]\nname = "a"\nx_mm = 1\ny_mm = 3\n[[screw]]\nname = "b"\nx_mm = 1\ny_mm = 3',
        "profile-geometry",
        ["[[screw]]", '"a" and "b"', "x_mm"],
    ),
    # missing
    ('[[screw]]\nname = "a"\nx_mm = 3', "profile-missing", ["[[screw]]", "y_mm"]),
    ("[[plate.keep_out]]\nx_min_mm = 3", "profile-missing", ["[[plate.keep_out]]", "x_max_mm"]),
    ("[mesh]\nx_min_mm = 3", "profile-missing", ["[mesh]", "x_min_mm = 3", "x_max_mm"]),
    ("[code]\nhome = []", "profile-missing", ["[code] home", "G28"]),
    ('[code]\nhome = "; nothing"', "profile-missing", ["[code] home", "; nothing"]),
    ('[edits]\nstyle = "custom"', "profile-missing", ["[edits] style", "template"]),
    # code
    ('[code]\npreamble = ["M117 \u00fcber"]', "profile-gcode", ["[code] preamble", "\u00fcber"]),
    ('[code]\npreamble = ["G28\\nM112"]', "profile-gcode", ["[code] preamble", "\\n"]),
    ('[code]\npostamble = "M84\\u0007"', "profile-gcode", ["[code] postamble", "\\u0007"]),
    ('[code]\nmesh_on = "M420\\tS1"', "profile-gcode", ["[code] mesh_on", "\\t"]),
    ('[edits]\nsave = "M500\\nM112"', "profile-gcode", ["[edits] save", "\\n"]),
    (f'[edits]\nshow = "{"M" * 201}"', "profile-gcode", ["[edits] show", "201"]),
    ('[edits]\nstyle = "G29 S3"', "profile-g29", ["[edits] style", "g29_sets_points", "manual"]),
    # syntax
    ("[mesh\ncolumns = 5", "profile-syntax", ["line 1"]),
    ("[mesh]\ncolumns = 5\ncolumns = 6", "profile-syntax", ["twice", "line 3"]),
    ("[mesh]\ncolumns = " + "9" * 5000, "profile-syntax", ["digits"]),
    ("x = " + "[" * 100_000, "profile-syntax", ["nested"]),
]


@pytest.mark.parametrize(("text", "code", "words"), BROKEN, ids=range(len(BROKEN)))
def test_a_broken_profile_is_refused_in_words(text: str, code: str, words: list[str]) -> None:
    with pytest.raises(PadsheetError) as caught:
        parse_bed(text)
    assert caught.value.code == code, caught.value
    for word in words:
        assert word in str(caught.value)
    assert len(caught.value.problem) < 300
    assert caught.value.remedy.endswith((".", "?"))


@pytest.mark.parametrize(
    "template",
    [
        "SETPOINT C={column0} R={row0} Z={value_mm:.3f}",
        "M421 X{column1} Y{row1} Z{value_mm}",
        "M421 I{column0:d} J{row0:02d} Q{change_mm:+08.4f} ; {{column {column0}}}",
        "P{row1:3d},{column0},{change_mm:.2f}",
    ],
)
def test_templates_that_are_taken(template: str) -> None:
    bed = parse_bed(f"[edits]\nstyle = 'custom'\ntemplate = '{template}'")
    assert bed.edits.template == template
    # What is taken can be filled in, and tells edits of the smallest size apart.
    values = {"column0": 0, "row0": 1, "column1": 1, "row1": 2}
    one = template.format(**values, value_mm=0.1, change_mm=0.1)
    other = template.format(**values, value_mm=0.11, change_mm=0.11)
    assert one != other


@pytest.mark.parametrize(
    ("template", "word"),
    [
        ("M421 I{column0} J{row0} Z{value}", "{value}"),
        ("M421 I{column0.__class__} J{row0} Z{value_mm}", "__class__"),
        ("M421 I{column0[0]} J{row0} Z{value_mm}", "column0[0]"),
        ("M421 I{0} J{row0} Z{value_mm}", "{0}"),
        ("M421 I{} J{row0} Z{value_mm}", "{}"),
        ("M421 I{column0!r} J{row0} Z{value_mm}", "!r"),
        ("M421 I{column0:.1f} J{row0} Z{value_mm}", "column0:.1f"),
        ("M421 I{column0:999999999d} J{row0} Z{value_mm}", "999999999"),
        ("M421 I{column0} J{row0} Z{value_mm:{row0}}", "value_mm:{row0}"),
        ("M421 I{column0} J{row0} Z{value_mm:e}", "value_mm:e"),
        ("M421 I{column0} J{row0} Z{value_mm:.3}", "value_mm:.3"),
        ("M421 I{column0} J{row0} Z{value_mm:.1f}", "decimals"),
        ("M421 I{column0} Z{value_mm}", "row"),
        ("M421 J{row1} Z{value_mm}", "column"),
        ("M421 I{column0} I{column1} J{row1} Z{value_mm}", "column"),
        ("M421 I{column0} J{row0}", "value"),
        ("M421 I{column0} J{row0} Z{value_mm} Q{change_mm}", "either"),
        ("M421 I{column0} J{row0 Z{value_mm}", "template"),
        ("M421 I{column0} J{row0}} Z{value_mm}", "braces"),
    ],
)
def test_templates_that_are_refused(template: str, word: str) -> None:
    # Also where another style is chosen: it would be a trap for later.
    with pytest.raises(PadsheetError) as caught:
        parse_bed(f"[edits]\ntemplate = '{template}'")
    assert caught.value.code == "profile-template"
    assert "[edits] template" in caught.value.problem
    assert word in str(caught.value)


# ---- loading


def test_load_takes_the_file_or_its_folder(tmp_path: Path) -> None:
    path = tmp_path / "bed.toml"
    # With the byte order mark and the line ends of some editors.
    path.write_bytes(b"\xef\xbb\xbf" + b"[mesh]\r\ncolumns = 7\r\n")
    assert load_bed(path) == load_bed(tmp_path)
    assert load_bed(path).mesh.columns == 7


@pytest.mark.parametrize(
    ("raw", "code", "word"),
    [
        (b"[mesh]\ncolumns = 1\n", "profile-range", "[mesh] columns"),
        (b"[mesh]\nname = '\xff'\n", "profile-syntax", "line 2"),
        (b"#" * 1_000_001, "profile-syntax", "larger"),
    ],
)
def test_load_names_the_file(tmp_path: Path, raw: bytes, code: str, word: str) -> None:
    path = tmp_path / "bed.toml"
    path.write_bytes(raw)
    with pytest.raises(PadsheetError, match=re.escape(str(path))) as caught:
        load_bed(path)
    assert caught.value.code == code
    assert word in str(caught.value)


def test_load_without_a_file_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(PadsheetError, match="padsheet init") as caught:
        load_bed(tmp_path)
    assert caught.value.code == "profile-missing"


# ---- writing


def test_every_key_is_in_the_file_once_with_a_remark_above_it() -> None:
    lines = profile_text().split("\n")
    place = 0
    for path, table in TABLES.items():
        brackets = f"#[[{path}]]" if path in ARRAYS else f"[{path}]"
        assert lines.count(brackets) == 1
        place = lines.index(brackets, place)
        for key in table.keys:
            found = [
                number
                for number, line in enumerate(lines[place:], start=place)
                if re.match(rf"#?{key.name} = ", line)
            ]
            assert found, key.name
            place = found[0]
            assert re.match(r"# \S", lines[place - 1]), key.name
    assert max(map(len, lines)) <= 100


def test_commented_out_examples_are_valid_when_taken_in() -> None:
    text = profile_text()
    sides = re.compile(rf"^#(?=({'|'.join(MESH_SIDES)}) = )", re.MULTILINE)
    plate, mesh = text.index("[plate.keep_out]"), text.index("\n[mesh]")
    # The four sides of the mesh stand for the same place as its inset: leave those.
    taken_in = (
        text[: plate - 2]
        + re.sub(r"^#(?=\S)", "", text[plate - 2 : mesh], flags=re.MULTILINE)
        + re.sub(r"^#(?=\S)(?!x_m|y_m(in|ax)_mm)", "", text[mesh:], flags=re.MULTILINE)
    )
    bed = parse_bed(re.sub(r"^#(?=x_mm|y_mm)", "", taken_in, flags=re.MULTILINE))
    assert sides.search(taken_in)
    assert len(bed.plate.keep_out) == len(bed.screws) == 1
    assert bed.mesh.fade_height_mm == 10.0
    assert bed.edits.offset_now_mm == 0.0


# ---- property-based


def a_number(key: Key) -> st.SearchStrategy[float]:
    return st.floats(key.least, key.most)


def a_line() -> st.SearchStrategy[str]:
    plain = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=30)
    return plain.map(str.strip)


def a_name() -> st.SearchStrategy[str]:
    return st.text(min_size=1, max_size=20).filter(lambda name: name.isprintable() and name.strip())


@st.composite
def tables(draw: st.DrawFn) -> dict[str, Any]:
    """Draw a valid profile as nested tables."""

    def some(table: str, *names: str) -> dict[str, Any]:
        chosen = [name for name in names if draw(st.booleans())]
        return {
            name: draw(st.sampled_from(key.choices) if key.kind == "choice" else a_number(key))
            for name, key in ((name, TABLES[table][name]) for name in chosen)
        }

    size_x, size_y = draw(st.floats(80, 1000)), draw(st.floats(80, 1000))
    origin = draw(st.sampled_from(["corner", "centre"]))
    shift_x, shift_y = (0.0, 0.0) if origin == "corner" else (size_x / 2, size_y / 2)
    columns, rows = draw(st.integers(2, 15)), draw(st.integers(2, 15))
    mesh: dict[str, Any] = {"columns": columns, "rows": rows}
    mesh |= some("mesh", "outside", "fade_height_mm", "table_first_row", "table_first_column")
    if draw(st.booleans()):
        mesh["inset_mm"] = draw(st.floats(0, 15))
    else:
        mesh["x_min_mm"] = draw(st.floats(0, 15)) - shift_x
        mesh["y_min_mm"] = draw(st.floats(0, 15)) - shift_y
        mesh["x_max_mm"] = size_x - draw(st.floats(0, 15)) - shift_x
        mesh["y_max_mm"] = size_y - draw(st.floats(0, 15)) - shift_y
    if columns * rows >= 8:
        pairs = st.tuples(st.integers(1, columns), st.integers(1, rows)).map(list)
        mesh["skip"] = draw(st.lists(pairs, max_size=4, unique_by=tuple))
    bore = draw(st.floats(0.3, 1.2))
    template = "P{column0} {row1} {change_mm:.3f}"
    style = draw(st.sampled_from(TABLES["edits"]["style"].choices))
    clip = {"x_min_mm": -shift_x - 5, "x_max_mm": 9.5, "y_min_mm": -shift_y, "y_max_mm": 7.25}
    screws = draw(st.lists(a_name(), unique=True, max_size=4))
    return {
        "plate": {
            "name": draw(a_name()),
            "size_x_mm": size_x,
            "size_y_mm": size_y,
            "origin": origin,
            "keep_out": [clip] * draw(st.integers(0, 2)),
        }
        | some("plate", "margin_mm"),
        "mesh": mesh,
        "nozzle": {"bore_mm": bore, "flat_mm": 2.5 * bore} | some("nozzle", "filament_mm"),
        "heat": some("heat", *TABLES["heat"].names),
        "target": {
            "height_mm": draw(st.floats(max(0.1, 0.2 * bore), 0.8 * bore)),
            "width_mm": draw(st.floats(0.9, 2.0)) * bore,
        },
        "motion": some(
            "motion",
            *(set(TABLES["motion"].names) - {"clearance_mm", "z_lowest_mm"}),
        ),
        "code": {
            "home": ["G28", *draw(st.lists(a_line(), max_size=2))],
            "preamble": draw(st.lists(a_line(), max_size=3)),
            "postamble": "\n".join(draw(st.lists(a_line(), max_size=3))),
        },
        "edits": {"style": style, "g29_sets_points": style == "G29 S3", "template": template}
        | some("edits", "offset_now_mm", "offset_sign", "offset_style", "g29_index"),
        "screw": [
            {"name": name, "x_mm": 10.0 * number, "y_mm": 5} | some("screw", "pitch_mm", "raises")
            for number, name in enumerate(screws)
        ],
    }


# In the long run (`--hypothesis-profile=long`) as many as the profile says.
LONG = not settings.default.derandomize
MODEST = settings(
    max_examples=settings.default.max_examples if LONG else 60,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)


@MODEST
@given(tables())
def test_what_is_written_is_read_back_the_same(data: dict[str, Any]) -> None:
    bed = bed_from_tables(data)
    text = profile_text(bed)
    assert parse_bed(text) == bed
    assert profile_text(parse_bed(text)) == text


def wrong_values(key: Key) -> st.SearchStrategy[Any]:
    """Draw values that a key must refuse, whatever the rest of the profile."""
    not_numbers = st.sampled_from([True, "5", [], {}, [5], math.nan, math.inf, -math.inf])
    not_words = st.sampled_from([3, 2.5, True, None, {}, [[]], "no such word", "a\x07b"])
    match key.kind:
        case "number" | "whole":
            below = st.floats(max_value=key.least, exclude_max=True)
            above = st.floats(min_value=key.most, exclude_min=True)
            return not_numbers | below | above
        case "flag":
            return st.sampled_from([0, 1, "true", [], None])
        case "choice":
            return not_words.filter(lambda value: value not in key.choices or value is True)
        case "text":
            return st.sampled_from([3, True, "", "  ", "a\nb", "x" * 61, [], {}])
        case "gcode":
            return st.sampled_from([3, True, "a\nb", "\x00", "\u00e9", "\x7f", ["G28"]])
        case "lines":
            return st.sampled_from([3, True, [3], ["a\nb"], "a\x00b", "\u00e9", [["G28"]], {}])
        case "nodes":
            return st.sampled_from(
                [3, "1", [1], [[1]], [[1, 2, 3]], [[0, 0]], [[1.0, 2]], [[99, 1]]]
            )


EVERY_KEY = [(table, key) for table in TABLES.values() for key in table.keys]
# Most keys are numbers: drawn by its kind, one of every kind comes up in a short run too.
A_KEY_OF_ANY_KIND = st.one_of(
    st.sampled_from([(table, key) for table, key in EVERY_KEY if key.kind == kind])
    for kind in dict.fromkeys(key.kind for _, key in EVERY_KEY)
)


@MODEST
@given(tables(), A_KEY_OF_ANY_KIND, st.data())
def test_a_broken_value_is_refused_and_its_key_named(
    data: dict[str, Any], where: tuple[Table, Key], drawn: st.DataObject
) -> None:
    table, key = where
    value = drawn.draw(wrong_values(key))
    if table.path == "screw":
        assume(data["screw"])
        data["screw"][-1][key.name] = value
    elif table.path == "plate.keep_out":
        assume(data["plate"]["keep_out"])
        data["plate"]["keep_out"][-1][key.name] = value
    else:
        data[table.path][key.name] = value
    with pytest.raises(PadsheetError) as caught:
        bed_from_tables(data)
    assert key.name in caught.value.problem
    assert f"[{table.path}]" in caught.value.problem
    assert caught.value.code in {"profile-type", "profile-range", "profile-gcode"}


@MODEST
@given(tables(), st.sampled_from(EVERY_KEY), st.sampled_from(["", "s", "x", "_"]))
def test_a_misspelt_key_is_refused_and_the_right_one_suggested(
    data: dict[str, Any], where: tuple[Table, Key], slip: str
) -> None:
    table, key = where
    assume(table.path not in ARRAYS)
    misspelt = key.name + slip if slip else key.name[:-1]
    assume(misspelt not in table.names)
    data[table.path][misspelt] = 1
    with pytest.raises(PadsheetError) as caught:
        bed_from_tables(data)
    assert caught.value.code == "profile-unknown-key"
    assert misspelt in caught.value.problem
    assert key.name in caught.value.remedy


@given(st.text(max_size=40))
@settings(max_examples=100, deadline=None)
def test_any_text_gives_a_bed_or_a_padsheet_error(text: str) -> None:
    # Anything else that is raised fails the test.
    with contextlib.suppress(PadsheetError):
        assert isinstance(parse_bed(text), Bed)


def test_a_clip_may_stand_out_over_the_edge() -> None:
    bed = parse_bed("[[plate.keep_out]]\nx_min_mm = -5\nx_max_mm = 9\ny_min_mm = 0\ny_max_mm = 8")
    assert bed.plate.keep_out == (Rectangle(x_min_mm=-5, x_max_mm=9, y_min_mm=0, y_max_mm=8),)


@pytest.mark.parametrize("line", ["bed_c = 60,0", "bed_c = 60,0 # warm"])
def test_a_decimal_comma_is_told_with_the_point(line: str) -> None:
    with pytest.raises(PadsheetError) as refusal:
        parse_bed(f"[heat]\n{line}\n")
    assert refusal.value.code == "profile-syntax"
    assert "line 2 of the profile has a decimal comma" in str(refusal.value)
    assert "Write a decimal point: bed_c = 60.0." in str(refusal.value)


@pytest.mark.parametrize(
    "block",
    [
        '[[screw]]\nname = "back"\nx_mm = -60\ny_mm = 60',
        "[[plate.keep_out]]\nx_min_mm = -60\nx_max_mm = -50\ny_min_mm = 0\ny_max_mm = 9",
        "[mesh]\nx_min_mm = 5\nx_max_mm = 250\ny_min_mm = 5\ny_max_mm = 90",
    ],
)
def test_what_lies_beside_the_plate_may_be_counted_from_another_origin(
    tmp_path: Path, block: str
) -> None:
    (tmp_path / "bed.toml").write_text(block, encoding="utf-8")
    with pytest.raises(PadsheetError) as refused:
        load_bed(tmp_path)
    assert 'origin = "corner" says that X0 Y0 is the front left corner' in refused.value.remedy
