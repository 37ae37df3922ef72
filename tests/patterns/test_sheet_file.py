"""sheet.json: what is written is read back, and nothing spoilt gets through as a traceback."""

from __future__ import annotations

import contextlib
import copy
import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import FORMAT, sheet_from_json, sheet_to_json


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    layout = lay_out_sheet(
        Bed(), reach_mm=(-0.08, 0.08), number=4, mesh_active="yes", mesh_name="before"
    )
    return replace(layout.sheet, gcode_sha256="ab" * 32)


@pytest.fixture(scope="module")
def data(sheet: Sheet) -> dict[str, Any]:
    return json.loads(sheet_to_json(sheet))  # type: ignore[no-any-return]


def test_round_trip_loses_only_the_strokes(sheet: Sheet) -> None:
    assert any(pad.coupon is None for pad in sheet.pads) or sheet.pads[0].coupon is not None
    assert sheet_from_json(sheet_to_json(sheet)) == replace(sheet, strokes=())


def test_second_round_trip_gives_the_same_bytes(sheet: Sheet) -> None:
    text = sheet_to_json(sheet)
    assert sheet_to_json(sheet_from_json(text)) == text


def test_a_mesh_corrected_since_is_written_only_where_it_was(sheet: Sheet) -> None:
    assert "mesh_corrected" not in sheet_to_json(sheet)
    corrected = replace(sheet, mesh_corrected=True, strokes=())
    assert sheet_from_json(sheet_to_json(corrected)) == corrected


def test_pads_without_coupons_survive(sheet: Sheet) -> None:
    bare = replace(sheet, pads=tuple(replace(p, coupon=None) for p in sheet.pads), strokes=())
    assert sheet_from_json(sheet_to_json(bare)) == bare


def test_format_is_written_first(sheet: Sheet) -> None:
    text = sheet_to_json(sheet)
    assert next(iter(json.loads(text))) == "format"
    assert json.loads(text)["format"] == FORMAT == 1
    assert "strokes" not in json.loads(text)
    assert text.endswith("}\n")


def test_unknown_keys_are_ignored(sheet: Sheet, data: dict[str, Any]) -> None:
    more = copy.deepcopy(data)
    more["of the future"] = {"a": [1, 2]}
    more["pads"][0]["colour"] = "red"
    assert sheet_from_json(json.dumps(more)) == replace(sheet, strokes=())


def test_optional_keys_may_be_missing(data: dict[str, Any]) -> None:
    less = {k: v for k, v in data.items() if k not in ("mesh_active", "mesh_name", "gcode_sha256")}
    read = sheet_from_json(json.dumps(less))
    assert read.mesh_active == "unknown"
    assert read.mesh_name is None
    assert read.gcode_sha256 is None


def test_a_newer_format_is_refused(data: dict[str, Any]) -> None:
    with pytest.raises(PadsheetError) as caught:
        sheet_from_json(json.dumps(data | {"format": FORMAT + 1}))
    assert caught.value.code == "file-newer"
    assert "format 2" in caught.value.problem


def refused(text: str) -> PadsheetError:
    with pytest.raises(PadsheetError) as caught:
        sheet_from_json(text)
    assert caught.value.remedy.endswith(".")
    return caught.value


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        "12",
        '"sheet"',
        "{}",
        '{"format": "1"}',
        '{"format": 1}',
        "[" * 100_000,
        '{"format": 1, "pads": NaN}',
        "\ud800".encode("utf-8", "surrogatepass").decode("latin-1"),
    ],
)
def test_what_is_no_sheet_is_refused(text: str) -> None:
    assert refused(text).code == "sheet-file"


REQUIRED = [
    "id",
    "number",
    "reach_mm",
    "sigma_mm",
    "pads",
    "tracks",
    "track_length_mm",
    "window_mm",
    "markers",
    "target_gap_mm",
    "tolerance_mm",
    "bore_mm",
    "flat_mm",
    "z_step_mm",
    "plate_name",
    "plate_outline_mm",
    "nodes_x_mm",
    "nodes_y_mm",
]


@pytest.mark.parametrize("key", REQUIRED)
def test_a_missing_key_is_named(data: dict[str, Any], key: str) -> None:
    error = refused(json.dumps({k: v for k, v in data.items() if k != key}))
    assert error.code == "sheet-file"
    assert f"{key} is missing" in error.problem


@pytest.mark.parametrize("key", [k for k in REQUIRED if k not in ("id", "plate_name")])
@pytest.mark.parametrize("value", [None, "text", True, {"a": 1}, float("nan"), [[]]])
def test_a_spoilt_key_is_refused(data: dict[str, Any], key: str, value: object) -> None:
    assert refused(json.dumps(data | {key: value})).code == "sheet-file"


@pytest.mark.parametrize("key", ["id", "plate_name"])
@pytest.mark.parametrize("value", [None, True, 7, ["a"], {"a": 1}])
def test_a_name_that_is_no_text_is_refused(data: dict[str, Any], key: str, value: object) -> None:
    error = refused(json.dumps(data | {key: value}))
    assert error.code == "sheet-file"
    assert f"{key} must be text" in error.problem


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("pads",), []),
        (("tracks",), []),
        (("pads", 0, "x_mm"), "12"),
        (("pads", 0, "i"), 1.5),
        (("pads", 0), 7),
        (("pads", 0, "coupon"), [1, 2]),
        (("tracks", 2, "area_mm2"), 0.0),
        (("tracks", 2, "area_mm2"), -0.1),
        (("tracks", 2, "height_mm"), None),
        (("markers", 0, "id"), "3"),
        (("markers", 0, "side_mm"), float("inf")),
        (("reach_mm",), [1.0]),
        (("plate_outline_mm",), [0, 0, 1]),
        (("target_gap_mm",), 0),
        (("mesh_active",), "perhaps"),
        (("mesh_active",), None),
        (("format",), None),
    ],
)
def test_a_spoilt_part_is_refused(
    data: dict[str, Any], path: tuple[str | int, ...], value: object
) -> None:
    spoilt = copy.deepcopy(data)
    place: Any = spoilt
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    assert refused(json.dumps(spoilt)).code == "sheet-file"


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("sigma_mm", 10**400),
        ("mesh_name", {"a": 1}),
        ("gcode_sha256", [1]),
        ("format", True),
        ("window_mm", -1.0),
        ("bore_mm", 0.0),
        ("nodes_x_mm", []),
    ],
)
def test_an_impossible_value_is_refused(data: dict[str, Any], key: str, value: object) -> None:
    assert refused(json.dumps(data | {key: value})).code == "sheet-file"


@pytest.mark.parametrize("spoil", ["four tracks", "no such node", "the same node twice"])
def test_an_impossible_sheet_is_refused(data: dict[str, Any], spoil: str) -> None:
    spoilt = copy.deepcopy(data)
    if spoil == "four tracks":
        del spoilt["tracks"][4:]
    elif spoil == "no such node":
        spoilt["pads"][0]["i"] = 99
    else:
        spoilt["pads"][1] = spoilt["pads"][0]
    assert refused(json.dumps(spoilt)).code == "sheet-file"


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=4,
)


def places(value: Any) -> list[tuple[Any, Any]]:
    """List every (container, key) in a nested value."""
    if isinstance(value, dict):
        keys: list[Any] = list(value)
    elif isinstance(value, list):
        keys = list(range(len(value)))
    else:
        return []
    found = [(value, key) for key in keys]
    for key in keys:
        found += places(value[key])
    return found


@settings(max_examples=150, deadline=None)
@given(chooser=st.data())
def test_random_damage_never_raises_anything_else(
    data: dict[str, Any], chooser: st.DataObject
) -> None:
    spoilt = copy.deepcopy(data)
    for _ in range(chooser.draw(st.integers(1, 3), label="times")):
        all_places = places(spoilt)
        if not all_places:
            break
        container, key = all_places[
            chooser.draw(st.integers(0, len(all_places) - 1), label="place")
        ]
        if chooser.draw(st.booleans(), label="delete"):
            del container[key]
        else:
            container[key] = chooser.draw(JUNK, label="junk")
    with contextlib.suppress(PadsheetError):
        read = sheet_from_json(json.dumps(spoilt))
        assert read.pads
        assert len(read.tracks) >= 4


@settings(max_examples=60, deadline=None)
@given(cut=st.floats(0, 1), junk=st.text(max_size=4))
def test_cut_and_scribbled_text_is_refused(data: dict[str, Any], cut: float, junk: str) -> None:
    text = json.dumps(data)
    at = int(cut * (len(text) - 1))
    assert refused(text[:at] + junk.replace("}", "")).code == "sheet-file"


def test_lifts_and_tick_survive_the_file() -> None:
    sheet = lay_out_sheet(Bed(), reach_mm=(-0.08, 0.08), self_check=True).sheet
    again = sheet_from_json(sheet_to_json(sheet))
    assert again.pads == sheet.pads
    assert again.self_check
    assert again.tick_mm == sheet.tick_mm > 0


def test_files_without_lifts_are_read_as_before() -> None:
    sheet = lay_out_sheet(Bed(), reach_mm=(-0.08, 0.08)).sheet
    data = json.loads(sheet_to_json(sheet))
    del data["tick_mm"]
    for pad in data["pads"]:
        del pad["lift_mm"]
    again = sheet_from_json(json.dumps(data))
    assert not again.self_check
    assert again.tick_mm == 0
    assert again.pads == sheet.pads


@pytest.mark.parametrize("lift", [-0.01, 5.0, "high"])
def test_impossible_lifts_are_refused(lift: object) -> None:
    sheet = lay_out_sheet(Bed(), reach_mm=(-0.08, 0.08)).sheet
    data = json.loads(sheet_to_json(sheet))
    data["pads"][0]["lift_mm"] = lift
    with pytest.raises(PadsheetError) as caught:
        sheet_from_json(json.dumps(data))
    assert caught.value.code == "sheet-file"
