"""Mesh tables as printers' terminals show them."""

from __future__ import annotations

import dataclasses
from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from padsheet.patterns.bed import MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.mesh import Mesh, mesh_csv
from padsheet.scoring.mesh_table import read_table

GRID = MeshGrid(columns=5, rows=4)
# As printed, the first row at the front: z of node (i, j) is row j, column i.
Z_MM = np.array(
    [
        [0.020, -0.010, 0.000, 0.035, 0.110],
        [0.015, -0.025, -0.040, 0.005, 0.060],
        [-0.030, -0.055, -0.075, -0.020, 0.040],
        [-0.080, -0.090, -0.105, -0.050, 0.010],
    ]
)


def rows(form: str = "+.3f", between: str = " ") -> list[str]:
    return [between.join(f"{z:{form}}" for z in row) for row in Z_MM]


def labelled(labels: list[int], mark: str = "") -> str:
    return "\n".join(f" {n}{mark} {row}" for n, row in zip(labels, rows(), strict=True))


HEAD = "        0       1       2       3       4\n"
PASTED = {
    "bare": "\n".join(rows()),
    "no plus signs": "\n".join(rows(".3f", "  ")),
    "comma separated": "\n".join(rows(between=",")),
    "comma and blank": "\n".join(rows(between=", ")),
    "semicolons": "\n".join(rows(between=";")),
    "tabs": "\n".join(rows(between="\t")),
    "bars": "\n".join(f"| {row} |" for row in rows(between=" | ")),
    "brackets, a row a line": "[\n" + ",\n".join(f" [{row}]" for row in rows(between=", ")) + "\n]",
    "brackets, one line": "[[" + "], [".join(rows(between=", ")) + "]]",
    "head and row numbers from 0": HEAD + labelled([0, 1, 2, 3]),
    "head and row numbers from 1": "  1 2 3 4 5\n" + labelled([1, 2, 3, 4]),
    "row numbers alone": labelled([0, 1, 2, 3]),
    "row numbers with a colon": labelled([0, 1, 2, 3], ":"),
    "row numbers with a bar": HEAD + labelled([0, 1, 2, 3], " |"),
    "head as values separated by commas": "0,1,2,3,4\n" + "\n".join(rows(between=",")),
    "head at the foot": labelled([0, 1, 2, 3]) + "\n" + HEAD,
    "row numbers on both sides": "\n".join(f"{n} {row} {n}" for n, row in enumerate(rows())),
    "words before each row": "\n".join(f"Row {n}: {row}" for n, row in enumerate(rows())),
    "prefix": "\n".join(f"Recv: {row}" for row in [HEAD.strip(), *rows(), "ok"]),
    "clock and prefix": "\n".join(f"12:03:{n:02}.125 : Recv: {r}" for n, r in enumerate(rows())),
    "arrow prompts": "> M420 V\n" + "\n".join(f"< {row}" for row in rows()) + "\n< ok",
    "unknown prefix on every line": "\n".join(f"answer: {row}" for row in rows()),
    "talk about it": "M420 V\necho:Mesh is on\nMesh 5x4, Z offset: 0.00000\nMeasured points:\n"
    + HEAD + "\n".join(rows()) + "\nok P15 B3\nT:60.1 /60.0 B:59.9 /60.0 @:0 B@:12\n",
    "rules": "=====================\n" + "\n-----+-----\n".join(rows()) + "\n=====================",
    "noise inside": "\n".join([*rows()[:2], "ok", "T:210.0 /210.0", "echo:busy: processing",
                               "", *rows()[2:]]),
    "units": "\n".join(" ".join(f"{z:.3f}mm" for z in row) for row in Z_MM),
    "carriage returns": "\r\n".join(rows()) + "\r\n",
    "colour codes": "\x1b[32m" + "\x1b[0m\n\x1b[32m".join(rows()) + "\x1b[0m",
    "long minus": "\n".join(rows()).replace("-", "\u2212"),
    "sign apart": "\n".join(rows()).replace("-", "- "),
    "corner places": "(20,200) (200,200)\n" + "\n".join(rows()) + "\n(20,20) (200,20)",
    "twice the same": "before:\n" + "\n".join(rows()) + "\nafter:\n" + "\n".join(rows()),
    "finer table below": "\n".join(rows()) + "\nin between:\n" + "\n".join(["0.1 " * 9] * 7),
}  # fmt: skip


@pytest.mark.parametrize("text", PASTED.values(), ids=PASTED.keys())
def test_a_pasted_table_is_read(text: str) -> None:
    reading = read_table(text, GRID, first_row="front")
    assert np.array_equal(reading.mesh.z_mm, Z_MM)


@pytest.mark.parametrize("first_row", ["front", "back"])
@pytest.mark.parametrize("first_column", ["left", "right"])
@pytest.mark.parametrize("told", [True, False])
def test_front_back_left_and_right(
    first_row: Literal["front", "back"], first_column: Literal["left", "right"], told: bool
) -> None:
    as_printed = Z_MM[:: 1 if first_row == "front" else -1, :: 1 if first_column == "left" else -1]
    text = "\n".join(" ".join(f"{z:.3f}" for z in row) for row in as_printed)
    if told:
        reading = read_table(text, GRID, first_row=first_row, first_column=first_column)
    else:
        grid = dataclasses.replace(GRID, table_first_row=first_row, table_first_column=first_column)
        reading = read_table(text, grid)
    assert np.array_equal(reading.mesh.z_mm, Z_MM)


def test_falling_row_numbers_are_told_but_prove_nothing() -> None:
    reading = read_table(labelled([3, 2, 1, 0]), GRID)
    assert np.array_equal(reading.mesh.z_mm, Z_MM)
    assert any("back of the bed" in note for note in reading.notes)


def test_columns_numbered_backwards_are_told() -> None:
    reading = read_table("4 3 2 1 0\n" + labelled([0, 1, 2, 3]), GRID)
    assert any("right side" in note for note in reading.notes)


def test_centre_of_a_five_by_five_table_counts_2_2_from_0() -> None:
    # Common practice, no source: the printed table counts from 0, its centre is 2,2.
    z_mm = np.zeros((5, 5))
    z_mm[2, 2] = 0.123
    body = "\n".join(f"{j} " + " ".join(f"{z:+.3f}" for z in z_mm[j]) for j in range(5))
    mesh = read_table("  0 1 2 3 4\n" + body, MeshGrid()).mesh
    assert mesh.grid.nodes[int(np.argmax(mesh.z_mm.ravel()))] == (2, 2)


def test_a_mesh_of_nothing_but_zeros_is_a_mesh() -> None:
    assert not read_table("\n".join(["0 0 0 0 0"] * 4), GRID).mesh.z_mm.any()


def test_our_own_file_says_itself_which_way_round_it_is() -> None:
    mesh = Mesh(grid=GRID, z_mm=Z_MM, name="warm", bed_c=60.0)
    reading = read_table(mesh_csv(mesh), GRID, first_row="back")
    assert np.array_equal(reading.mesh.z_mm, Z_MM)
    assert reading.mesh.name == "warm"


REFUSED = {
    "empty": ("", "mesh-no-table"),
    "talk": ("M420 V\nok\n", "mesh-no-table"),
    "no mesh data": ("Mesh bed leveling has no data.\nok", "mesh-none"),
    "mesh invalid": ("echo:Invalid mesh.\nok", "mesh-none"),
    "too few rows": ("\n".join(rows()[:3]), "mesh-size"),
    "other grid": ("\n".join(["0.1 0.2 0.3"] * 3), "mesh-size"),
    "one column lost": ("\n".join(f"{n} {r[7:]}" for n, r in enumerate(rows())), "mesh-size"),
    "ragged": ("\n".join([*rows()[:3], rows()[3][:-7]]), "mesh-ragged"),
    "nan": ("\n".join(rows()).replace("-0.040", "nan"), "mesh-incomplete"),
    "inf": ("\n".join(rows()).replace("-0.040", "inf"), "mesh-incomplete"),
    "point": ("\n".join(rows()).replace("-0.040", "."), "mesh-incomplete"),
    "equals signs": ("\n".join(rows()).replace("-0.040", "======"), "mesh-incomplete"),
    "a whole row of points": ("\n".join([*rows()[:3], ". . . . ."]), "mesh-incomplete"),
    "a letter": ("\n".join(rows()).replace("-0.040", "-0.O40"), "mesh-not-a-number"),
    "two points in a number": ("\n".join(rows()).replace("-0.040", "-0.0.40"), "mesh-not-a-number"),
    "decimal commas": ("\n".join(rows()).replace(".", ","), "mesh-decimal-comma"),
    "decimal commas 2": ("\n".join(rows(between=";")).replace(".", ","), "mesh-decimal-comma"),
    "commas everywhere": ("\n".join(rows(between=",")).replace(".", ","), "mesh-decimal-comma"),
    "micrometres": ("\n".join(" ".join(f"{z * 1000:.0f}um" for z in r) for r in Z_MM), "mesh-unit"),
    "no heights": ("\n".join(" ".join(f"{z * 1e3:.0f}" for z in r) for r in Z_MM),
                   "mesh-too-large"),
    "in other units": ("\n".join(rows()).replace("-0.040", "-5.040"), "mesh-too-large"),
    "two tables": ("\n".join(rows()) + "\nafter:\n" + "\n".join(reversed(rows())), "mesh-several"),
    "far too long": ("0.1 " * 300_000, "mesh-too-long"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "code"), REFUSED.values(), ids=REFUSED.keys())
def test_what_is_no_whole_mesh_is_refused(text: str, code: str) -> None:
    with pytest.raises(PadsheetError) as caught:
        read_table(text, GRID)
    assert caught.value.code == code
    assert caught.value.remedy


def test_points_without_a_value_are_named_up_to_four() -> None:
    with pytest.raises(PadsheetError) as caught:
        read_table("\n".join([*rows()[:3], "0.1 . . . ."]), GRID)
    assert caught.value.problem == (
        "4 points of the mesh have no value (line 4, value 2; line 4, value 3; line 4, value 4; "
        "line 4, value 5)"
    )
    with pytest.raises(PadsheetError, match=r"5 points .*; line 4, value 4\)"):
        read_table("\n".join([*rows()[:3], ". . . . ."]), GRID)


def test_the_row_that_lost_a_value_is_named() -> None:
    with pytest.raises(PadsheetError, match="row 4 of the table has 4 values, the first row 5"):
        read_table("\n".join([*rows()[:3], rows()[3][:-7]]), GRID)


@given(text=st.text(alphabet="0123456789+-.,:;|[]() \n\tabnmok=", max_size=200))
def test_any_text_gives_a_mesh_or_one_sentence(text: str) -> None:
    grid = MeshGrid(columns=2, rows=2)
    try:
        shape, code = read_table(text, grid).mesh.z_mm.shape, "mesh-"
    except PadsheetError as error:
        shape, code = (2, 2), error.code
    assert shape == (2, 2)
    assert code.startswith("mesh-")


@given(
    columns=st.integers(2, 15),
    count=st.integers(2, 15),
    labels=st.booleans(),
    between=st.sampled_from([" ", ", ", " | ", "\t"]),
    seed=st.integers(0, 99),
)
def test_any_grid_comes_back(
    columns: int, count: int, labels: bool, between: str, seed: int
) -> None:
    z_mm = np.random.default_rng(seed).normal(0, 0.2, (count, columns)).round(3)
    lines = [between.join(f"{z:+.3f}" for z in row) for row in z_mm]
    if labels:
        lines = [f"{j} {line}" for j, line in enumerate(lines)]
        lines = ["  " + " ".join(str(i) for i in range(columns)), *lines]
    grid = MeshGrid(columns=columns, rows=count)
    assert np.array_equal(read_table("\n".join(lines), grid).mesh.z_mm, z_mm)


@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("rows", " --first-row back --first-column right"),
        ("columns", " --first-row front --first-column left"),
        ("both", " --first-row back --first-column left"),
        ("transposed", ""),
    ],
)
def test_what_is_not_turned_over_stays_as_it_was_given(kind: str, options: str) -> None:
    grid = MeshGrid(columns=2, rows=2)
    reading = read_table("0.1 0.2\n0.3 0.4", grid, first_row="front", first_column="right")
    assert reading.other_way(kind) == options
