"""The bed folder: plain files that survive a kill at any write."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

from padsheet.patterns.bed import MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring import overwriting, recording
from padsheet.scoring import rounds as rounds_module
from padsheet.scoring.applied import Applied, applied_from_json, applied_to_json
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.overwriting import refuse_overwrite, write_group
from padsheet.scoring.recording import record_applied
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json

GRID = MeshGrid(columns=4, rows=3)
PROFILE = "[mesh]\ncolumns = 4\nrows = 3\n"
NOW = "2024-05-01T12:00:00+00:00"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "bed.toml").write_text(PROFILE, encoding="utf-8")
    return BedFolder(tmp_path)


def mesh_named(name, seed=0, grid=GRID):
    z_mm = np.random.default_rng(seed).normal(0, 0.05, (grid.rows, grid.columns)).round(3)
    return Mesh(grid=grid, z_mm=z_mm, name=name, taken=NOW)


def begin(folder, number, text="{}"):
    round_ = folder.round(number)
    write_group(round_.path, {"sheet.gcode": "G28\n", "preview.svg": "<svg/>", "sheet.json": text})
    return round_


def test_a_folder_without_profile_is_refused(tmp_path):
    with pytest.raises(PadsheetError) as caught:
        BedFolder(tmp_path).bed()
    assert caught.value.code == "folder-none"
    assert "padsheet init" in caught.value.remedy


def test_the_profile_is_read(folder):
    assert (folder.bed().mesh.columns, folder.bed().mesh.rows) == (4, 3)


def test_rounds_are_numbered_from_one(folder):
    assert folder.rounds() == ()
    assert folder.latest_round() is None
    assert folder.next_round().path == folder.path / "rounds" / "01"
    for number in (1, 2):
        assert begin(folder, number).number == number
    assert [r.number for r in folder.rounds()] == [1, 2]
    assert folder.latest_round() == folder.round(2)
    assert folder.next_round() == folder.round(3)


def test_rounds_count_on_beyond_99(folder):
    begin(folder, 99)
    begin(folder, 100)
    assert [r.path.name for r in folder.rounds()] == ["99", "100"]


def test_strange_names_are_no_rounds(folder):
    begin(folder, 1)
    for name in ("notes", "00", ".tmp", "1a"):
        (folder.path / "rounds" / name).mkdir()
    assert [r.number for r in folder.rounds()] == [1]


def test_photos_are_found_by_number(folder):
    round_ = begin(folder, 1)
    for name in ("photo-10.jpg", "photo-2.HEIC", "photo-1.jpg", "photo-x.jpg", "photo-3.txt"):
        (round_.path / name).write_bytes(b"x")
    assert [p.name for p in round_.photos()] == ["photo-1.jpg", "photo-2.HEIC", "photo-10.jpg"]
    assert round_.photo(4, ".PNG").name == "photo-4.png"


def test_a_sheet_cut_short_is_no_round_and_is_written_again(folder):
    round_ = folder.round(1)
    round_.path.mkdir(parents=True)
    round_.sheet_gcode.write_text("G28\n")
    assert folder.next_round() == round_
    begin(folder, 1)
    assert folder.latest_round() == round_


def test_nothing_is_overwritten_without_force(folder):
    round_ = begin(folder, 1)
    with pytest.raises(PadsheetError) as caught:
        begin(folder, 1, "new")
    assert caught.value.code == "file-exists"
    assert "--force" in caught.value.remedy
    assert round_.sheet_json.read_text() == "{}"
    write_group(round_.path, {"sheet.gcode": "new", "sheet.json": "new"}, force=True)
    assert round_.sheet_gcode.read_text() == round_.sheet_json.read_text() == "new"
    refuse_overwrite(round_.path / "none", False)


@pytest.mark.parametrize("force", [False, True], ids=["new", "over an old group"])
def test_a_kill_at_any_write_leaves_a_folder_that_works(folder, monkeypatch, score_of, force):
    """Let the k-th write fail for every k: no half file, and the same command then succeeds."""
    score = score_of(GRID, np.full(12, 0.2))
    real, round_ = rounds_module.write_atomic, folder.round(1)
    writing = (rounds_module, recording, overwriting)
    before, after = mesh_named("one", 1), mesh_named("two", 2)

    def everything():
        files = {"sheet.gcode": "G28\n", "preview.svg": "<svg/>", "sheet.json": "{}"}
        write_group(round_.path, files, force=True)
        results = {
            "annotated.jpg": b"jpg",
            "report.html": "<p>",
            "scores.json": scores_to_json(score),
        }
        write_group(round_.path, results, force=True)
        folder.store_mesh(before, force=True)
        folder.store_mesh(after, force=True)
        record_applied(round_, before, after, taken=NOW, force=True)

    if force:
        everything()
    for k in range(1, 20):
        count = 0

        def failing(path, data, k=k):
            nonlocal count
            count += 1
            if count == k:
                raise KeyboardInterrupt
            real(path, data)

        for module in writing:
            monkeypatch.setattr(module, "write_atomic", failing)
        try:
            everything()
        except KeyboardInterrupt:
            killed = True
        else:
            killed = False
        for module in writing:
            monkeypatch.setattr(module, "write_atomic", real)
        check_readable(folder)
        if not killed:
            break
    assert k == 12  # eleven writes, each killed once, and then none
    everything()
    assert folder.active_mesh().name == "two"
    assert not [p for p in folder.path.rglob(".*")]


def check_readable(folder):
    """Read whatever is there: all of it must be whole, and groups complete."""
    for round_ in folder.rounds():
        if round_.sheet_json.exists():
            assert round_.sheet_gcode.exists()
            assert round_.preview_svg.exists()
        if round_.scores_json.exists():
            round_.read_score()
            assert round_.annotated_jpg.exists()
            assert round_.report_html.exists()
        round_.read_applied()
    folder.active_mesh()


def test_meshes_are_stored_and_the_last_is_active(folder):
    assert folder.active_mesh() is None
    folder.store_mesh(mesh_named("monday", 1))
    folder.store_mesh(mesh_named("tuesday", 2))
    assert folder.active_mesh().name == "tuesday"
    assert np.array_equal(folder.mesh("monday").z_mm, mesh_named("monday", 1).z_mm)
    with pytest.raises(PadsheetError, match="file-exists"):
        folder.store_mesh(mesh_named("monday", 3))


@pytest.mark.parametrize("name", ["", "../bed", "a/b", "b/a", "b/../a", ".hidden", "a\\b"])
def test_a_mesh_name_does_not_lead_out_of_the_folder(folder, name):
    with pytest.raises(PadsheetError) as caught:
        folder.store_mesh(mesh_named(name))
    assert caught.value.code == "mesh-name"


def test_a_mesh_that_is_not_there_is_named(folder):
    with pytest.raises(PadsheetError, match="'gone'"):
        folder.mesh("gone")


def test_applied_is_the_difference_of_two_meshes(folder):
    round_ = begin(folder, 1)
    before = mesh_named("before")
    z_mm = before.z_mm.copy()
    z_mm[1, 2] -= 0.06
    z_mm[0, 3] += 0.02
    record_applied(round_, before, dataclasses.replace(before, z_mm=z_mm, name="after"), taken=NOW)
    applied = round_.read_applied()
    assert applied.nodes == ((3, 0, 0.02), (2, 1, -0.06))
    assert (applied.how, applied.before, applied.after) == ("meshes", "before", "after")
    assert (applied.taken, applied.offset_mm, applied.screws_turned) == (NOW, None, False)
    assert applied.on_grid(GRID).reshape(3, 4) == pytest.approx(z_mm - before.z_mm)
    assert json.loads(round_.applied_json.read_text())["format"] == 1


def test_what_was_applied_is_not_overwritten(folder):
    round_, mesh = begin(folder, 1), mesh_named("one")
    record_applied(round_, mesh, mesh)
    assert round_.read_applied().taken.endswith("+00:00")
    with pytest.raises(PadsheetError, match="file-exists"):
        record_applied(round_, mesh, mesh)


def test_nothing_on_record_is_none_and_not_nothing_applied(folder):
    assert begin(folder, 1).read_applied() is None
    mesh = mesh_named("one")
    record_applied(folder.round(1), mesh, mesh)
    assert folder.round(1).read_applied().nodes == ()


def test_applied_comes_back_from_its_file_as_it_was():
    word = Applied(
        how="word",
        nodes=((0, 0, -0.04), (14, 1, 0.03)),
        before="one",
        after="two",
        offset_mm=-0.02,
        screws_turned=True,
        taken=NOW,
    )
    assert applied_from_json(applied_to_json(word)) == word


def test_meshes_of_different_grids_have_no_difference(folder):
    other = mesh_named("other", grid=MeshGrid(columns=5, rows=3))
    with pytest.raises(PadsheetError) as caught:
        record_applied(begin(folder, 1), mesh_named("one"), other)
    assert caught.value.code == "applied-grid"
    assert not folder.round(1).applied_json.exists()


def test_applied_for_a_node_that_is_not_there():
    applied = Applied(how="word", nodes=((4, 0, 0.1),))
    assert applied.on_grid(GRID) is None
    assert applied.on_grid(MeshGrid()) is not None


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("{", "applied-file"),
        ('{"format": 2}', "file-newer"),
        ('{"format": 1, "how": "word"}', "applied-file"),
        ('{"format": 1, "how": "word", "nodes": 3}', "applied-file"),
        ('{"format": 1, "how": "word", "nodes": [{"i": 1}]}', "applied-file"),
    ],
)
def test_a_spoilt_applied_file_names_itself(folder, text, code):
    round_ = begin(folder, 1)
    round_.applied_json.write_text(text)
    with pytest.raises(PadsheetError) as caught:
        round_.read_applied()
    assert caught.value.code == code
    assert str(round_.applied_json) in caught.value.problem


def test_scores_advice_sheet_and_context_come_back(folder, score_of, scored):
    round_ = begin(folder, 1, sheet_to_json(scored.sheet))
    score = score_of(GRID, np.full(12, 0.2))
    text = scores_to_json(score, scored.advice, plate="glass", bed_c=60.0)
    write_group(round_.path, {"scores.json": text})
    assert round_.read_score().sheet_id == score.sheet_id
    assert round_.read_advice() == scored.advice
    assert round_.read_sheet().id == scored.sheet.id
    assert round_.read_context() == ("glass", 60.0)


def test_a_file_that_is_missing_or_not_text_is_named(folder):
    round_ = begin(folder, 1)
    with pytest.raises(PadsheetError, match=r"there is no .*scores\.json"):
        round_.read_score()
    round_.scores_json.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PadsheetError, match=r"scores\.json"):
        round_.read_advice()


def test_the_folder_can_be_locked(folder):
    with folder.lock(), pytest.raises(PadsheetError, match="folder-busy"), folder.lock():
        pass
