"""scores.json: its form, its bytes, and the way back."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, MeshGrid, Screw
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.advice import advise
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.scores import scores_from_json, scores_to_data, scores_to_json
from padsheet.scoring.squish import Reason

GRID = MeshGrid(columns=4, rows=3)
SCREWS = tuple(
    Screw(name=str(k), x_mm=x, y_mm=y) for k, (x, y) in enumerate([(30, 30), (190, 30), (110, 190)])
)
BED = Bed(mesh=GRID, screws=SCREWS)
MESH = Mesh(grid=GRID, z_mm=np.linspace(-0.1, 0.1, 12).reshape(3, 4))


@pytest.fixture
def example(score_of):
    """One of everything: read, unread with a reason, off scale to both sides, notes, warnings."""
    gaps = 0.2 + np.random.default_rng(1).normal(0, 0.06, 12)
    score = score_of(
        GRID, gaps, unread=[(1, 1)], bounds={(0, 0): (0.29, None), (3, 2): (None, 0.12)}, number=7
    )
    pads = list(score.pads)
    pads[5] = dataclasses.replace(pads[5], reason=Reason(code="glare", text='a "bright" window, ü'))
    pads[2] = dataclasses.replace(pads[2], notes=("the left third is faint",))
    return dataclasses.replace(
        score, pads=tuple(pads), photos=("photo-1.jpg",), warnings=("a little dark",)
    )


def same(one, other) -> bool:
    plain = dataclasses.replace
    zero = np.zeros((0, 0))
    return (
        bool(np.array_equal(one.covariance_mm2, other.covariance_mm2))
        and plain(one, covariance_mm2=zero, order=()).__repr__()
        == plain(other, covariance_mm2=zero, order=()).__repr__()
    )


def test_scores_and_advice_come_back_exactly(example):
    advice = advise(example, BED, mesh=MESH)
    score, back = scores_from_json(scores_to_json(example, advice))
    assert same(score, example)
    assert score.order == example.order
    assert back == advice


def test_scores_without_advice_come_back(example):
    score, advice = scores_from_json(scores_to_json(example))
    assert same(score, example)
    assert advice is None


def test_screws_come_back(score_of):
    x = np.tile(np.linspace(-0.12, 0.12, 4), 3)
    score = score_of(GRID, 0.2 + x)
    advice = advise(score, BED, mesh=None)
    assert advice.work == "screws"
    assert scores_from_json(scores_to_json(score, advice))[1] == advice


def test_steps_keep_their_kind_and_unknown_ones_are_only_told(example):
    advice = advise(example, BED, mesh=MESH)
    assert {step.kind for step in advice.steps} >= {"edits", "sheet"}
    data = scores_to_data(example, advice)
    data["advice"]["steps"] = [
        {"kind": "sheet", "text": "Print.", "reach": "first; rm -r ."},
        {"kind": "of later years", "text": "Look."},
        "A bare sentence.",
    ]
    steps = scores_from_json(json.dumps(data))[1].steps
    assert [(step.kind, step.text, step.reach) for step in steps] == [
        ("sheet", "Print.", ""),
        ("note", "Look.", ""),
        ("note", "A bare sentence.", ""),
    ]


def test_bytes_are_deterministic_and_plain_json(example):
    advice = advise(example, BED, mesh=MESH)
    text = scores_to_json(example, advice)
    assert text == scores_to_json(*scores_from_json(text))
    assert "NaN" not in text
    assert "Infinity" not in text
    assert json.loads(text) == json.loads(json.dumps(scores_to_data(example, advice)))
    assert text.endswith("}\n")


def test_the_published_form(example):
    data = json.loads(scores_to_json(example, advise(example, BED, mesh=MESH)))
    assert data["format"] == 1
    assert {
        "format", "sheet", "target_gap_mm", "tolerance_mm", "photos", "flow", "flow_sigma",
        "registration", "pads", "common_sigma_mm", "covariance_mm2", "advice",
    } <= set(data)  # fmt: skip
    assert set(data["registration"]) == {"rms_mm", "lines_used"}
    assert {
        "i", "j", "x_mm", "y_mm", "gap_mm", "sigma_mm", "sigma_total_mm", "interval_mm", "squish",
        "verdict", "reason",
    } <= set(data["pads"][0])  # fmt: skip
    assert data["pads"][0]["interval_mm"] == [0.29, None]
    assert data["pads"][5]["gap_mm"] is None
    assert data["pads"][5]["reason"] == {"code": "glare", "text": 'a "bright" window, ü'}
    read = sum(pad["gap_mm"] is not None for pad in data["pads"])
    assert len(data["covariance_mm2"]["order"]) == len(data["covariance_mm2"]["rows"]) == read
    assert {"offset_mm", "tilt_mm_per_m", "screws", "nodes", "done"} <= set(data["advice"])
    assert {"i", "j", "dz_mm", "sigma_mm", "new_mm", "changed", "inferred"} <= set(
        data["advice"]["nodes"][0]
    )


def test_unknown_keys_are_ignored(example):
    data = json.loads(scores_to_json(example, advise(example, BED, mesh=None)))
    data["colour"] = data["pads"][0]["colour"] = data["advice"]["colour"] = "blue"
    data["advice"]["nodes"][0]["colour"] = "blue"
    assert same(scores_from_json(json.dumps(data))[0], example)


def refused(text: str) -> PadsheetError:
    with pytest.raises(PadsheetError) as caught:
        scores_from_json(text)
    return caught.value


def test_a_newer_format_is_refused(example):
    data = json.loads(scores_to_json(example)) | {"format": 2}
    error = refused(json.dumps(data))
    assert error.code == "file-newer"
    assert "format 2" in error.problem
    assert error.remedy == "Update padsheet."


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "null", '{"pads": []}', '{"format": "1"}', '{"format": true}', "[" * 9999],
)
def test_what_is_no_scores_file_is_refused(text):
    assert refused(text).code == "scores-file"


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity"])
def test_numbers_that_json_has_not_are_refused(example, word):
    text = scores_to_json(example).replace('"flow": 0.98', f'"flow": {word}')
    assert word in text
    assert refused(text).code == "scores-file"


@pytest.mark.parametrize("key", ["sheet", "pads", "flow", "covariance_mm2", "common_sigma_mm"])
def test_what_is_missing_is_named(example, key):
    data = json.loads(scores_to_json(example))
    del data[key]
    assert f"{key} is missing" in refused(json.dumps(data)).problem


def test_every_wrong_type_is_refused_without_traceback(example):
    data = json.loads(scores_to_json(example, advise(example, BED, mesh=MESH)))
    wrong = 0
    for path in paths(data):
        *way, last = path
        changed = json.loads(json.dumps(data))
        place = changed
        for step in way:
            place = place[step]
        place[last] = {"no": "such"} if not isinstance(place[last], dict) else "text"
        try:
            scores_from_json(json.dumps(changed))
        except PadsheetError:
            wrong += 1
    # What it was printed on and with is not read back here, and a step may be a bare sentence; all
    # other keys are checked.
    assert wrong >= len(paths(data)) - 5


def paths(data, way=()):
    """Return the way to one example of each kind of value."""
    found = []
    items = data.items() if isinstance(data, dict) else list(enumerate(data))[:1]
    for key, value in items:
        if value is not None:
            found.append((*way, key))
        if isinstance(value, dict | list):
            found += paths(value, (*way, key))
    return found


@pytest.mark.parametrize("value", ["0.98", True, [0.98]])
def test_text_and_truth_are_no_numbers(example, value):
    data = json.loads(scores_to_json(example)) | {"flow": value}
    assert refused(json.dumps(data)).code == "scores-file"


@pytest.mark.parametrize(
    "coupon", [{"seen": "shut", "ladder": None}, {"seen": "open", "ladder": "perhaps"}]
)
def test_unknown_words_of_a_coupon_are_refused(example, coupon):
    data = json.loads(scores_to_json(example))
    data["pads"][1]["coupon"] = {"seen": "open", "ladder": None}
    assert scores_from_json(json.dumps(data))[0].pads[1].coupon is not None
    data["pads"][1]["coupon"] = coupon
    assert refused(json.dumps(data)).code == "scores-file"


def test_a_covariance_of_a_pad_without_a_gap_is_refused(example):
    data = json.loads(scores_to_json(example))
    unread = data["pads"][5]
    data["covariance_mm2"]["order"][0] = [unread["i"], unread["j"]]
    assert refused(json.dumps(data)).code == "scores-file"


def test_what_older_files_do_not_say_is_not_made_up(example):
    """No offset to set, no node in shape, one sheet: nothing that a user would act on."""
    data = json.loads(scores_to_json(example, advise(example, BED, mesh=MESH)))
    for key in ("set_offset", "sheets"):
        del data["advice"][key]
    for node in data["advice"]["nodes"]:
        for key in ("note", "error_mm", "verdict", "shape_mm", "in_shape"):
            del node[key]
    advice = scores_from_json(json.dumps(data))[1]
    assert (advice.set_offset, advice.sheets) == (False, 1)
    for node in advice.nodes:
        assert (node.note, node.error_mm, node.verdict, node.in_shape) == ("", None, "", False)


def test_a_covariance_of_another_size_is_refused(example):
    data = json.loads(scores_to_json(example))
    data["covariance_mm2"]["rows"].pop()
    assert refused(json.dumps(data)).code == "scores-file"


def test_a_number_that_is_not_finite_is_never_written(example):
    with pytest.raises(ValueError, match="finite"):
        scores_to_json(dataclasses.replace(example, flow=float("nan")))
