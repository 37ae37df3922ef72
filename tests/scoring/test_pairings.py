"""What does not belong together is caught: sheets, meshes, edits and rounds."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from padsheet.patterns.bed import Bed, MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.make import make_sheet
from padsheet.patterns.profile import profile_text
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring import round_files, scorer
from padsheet.scoring.advice import advise
from padsheet.scoring.history import standing
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.mesh_check import flipped_in_history
from padsheet.scoring.recording import record_applied
from padsheet.scoring.round_edits import edits_of_round, round_to_edit
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json
from padsheet.scoring.squish import SheetScore

GRID = MeshGrid(columns=4, rows=3)
Maker = Callable[..., SheetScore]


def mesh_of(seed: int, name: str, size_mm: float = 0.05) -> Mesh:
    z_mm = np.random.default_rng(seed).normal(0, size_mm, (3, 4)).round(3)
    return Mesh(grid=GRID, z_mm=z_mm, name=name)


@pytest.fixture(scope="module")
def a_sheet() -> object:
    """Return a real sheet of the grid, laid out once."""
    return make_sheet(Bed(mesh=GRID), reach_mm=(-0.08, 0.08)).sheet


@pytest.fixture
def folder(tmp_path: Path) -> BedFolder:
    (tmp_path / "bed.toml").write_text(profile_text(Bed(mesh=GRID)), encoding="utf-8")
    return BedFolder(tmp_path)


@pytest.fixture
def add_round(folder: BedFolder, a_sheet: object, score_of: Maker) -> Callable[..., object]:
    """Write a round: its sheet with the mesh given, and scores if gaps are given."""

    def add(
        number: int, active: str, name: str | None, gaps_mm: NDArray[np.float64] | None = None
    ) -> object:
        round_ = folder.round(number)
        round_.path.mkdir(parents=True)
        sheet = dataclasses.replace(
            a_sheet,
            mesh_active=active,
            mesh_name=name,
            number=number,  # type: ignore[type-var]
        )
        round_.sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")  # type: ignore[arg-type]
        if gaps_mm is not None:
            score = score_of(GRID, gaps_mm, number=number)
            advice = advise(score, folder.bed(), mesh=folder.mesh_in_force(round_))
            round_.scores_json.write_text(scores_to_json(score, advice), encoding="utf-8")
        return round_

    return add


def gaps(seed: int = 7) -> NDArray[np.float64]:
    return 0.2 + np.random.default_rng(seed).normal(0, 0.06, 12)


def test_the_mesh_in_force_is_that_of_the_sheet(folder, add_round) -> None:
    folder.store_mesh(mesh_of(1, "one"))
    on = add_round(1, "yes", "one")
    folder.store_mesh(mesh_of(2, "two"))
    off, unknown = add_round(2, "no", None), add_round(3, "unknown", None)
    assert folder.mesh_in_force(on).name == "one"
    assert not folder.mesh_in_force(off).z_mm.any()
    assert folder.mesh_in_force(unknown).name == "two"
    # Once edits are on record, the mesh before them was in force and not the one after.
    record_applied(unknown, folder.mesh("one"), folder.mesh("two"))
    assert folder.mesh_in_force(unknown).name == "one"


def test_scoring_refers_to_the_mesh_of_the_sheet_not_to_the_present_one(
    folder: BedFolder, add_round: Callable[..., object], score_of: Maker, monkeypatch, tmp_path
) -> None:
    folder.store_mesh(mesh_of(1, "one"))
    round_ = add_round(1, "yes", "one")
    folder.store_mesh(mesh_of(2, "two"))  # the edits of this round are in by now
    score = score_of(GRID, gaps())
    asked = []

    def read_print(photos, sheet, *, mesh):
        asked.append(mesh)
        return score, []

    monkeypatch.setattr(scorer, "read_print", read_print)
    monkeypatch.setattr(scorer, "read_photo", lambda path: SimpleNamespace(name="photo"))
    monkeypatch.setattr(round_files, "photo_with_scores", lambda *_: Image.new("RGB", (8, 8)))
    monkeypatch.setattr(round_files, "_report", lambda *_: "<p>")
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(b"jpg")
    scored, _ = scorer.score_round(folder, [photo], round_=round_)
    assert asked[0].name == "one"
    assert scored.advice is not None
    one = folder.mesh("one").z_mm
    for node in scored.advice.nodes:
        assert node.new_mm == pytest.approx(one[node.j, node.i] + node.dz_mm, abs=1e-6)
    # So the edits, which start from the present mesh, are refused instead of given once more.
    with pytest.raises(PadsheetError) as caught:
        edits_of_round(folder, folder.bed(), round_)
    assert caught.value.code == "edits-stale"


def test_the_same_photo_given_twice_is_counted_once(
    folder: BedFolder, add_round: Callable[..., object], score_of: Maker, monkeypatch, tmp_path
) -> None:
    round_ = add_round(1, "no", None)
    read = []

    def read_print(photos, sheet, *, mesh):
        read.append([photo.name for photo in photos])
        return score_of(GRID, gaps()), []

    monkeypatch.setattr(scorer, "read_print", read_print)
    monkeypatch.setattr(scorer, "read_photo", lambda path: SimpleNamespace(name=path.name))
    monkeypatch.setattr(round_files, "photo_with_scores", lambda *_: Image.new("RGB", (8, 8)))
    monkeypatch.setattr(round_files, "_report", lambda *_: "<p>")
    photo, copy, other = (tmp_path / name for name in ("photo.jpg", "copy.jpg", "other.jpg"))
    for path, data in ((photo, b"one"), (copy, b"one"), (other, b"two")):
        path.write_bytes(data)
    scored, _ = scorer.score_round(folder, [photo, copy, other, photo], round_=round_)
    assert read == [["photo.jpg", "other.jpg"]]
    assert scored.score.warnings == (
        f"{copy} is the same photo as {photo}; it is counted once.",
        f"{photo} was given twice; it is counted once.",
    )
    assert len(round_.photos()) == 2


def test_edits_are_not_given_twice(folder, add_round) -> None:
    before, after = mesh_of(1, "one"), mesh_of(2, "two")
    folder.store_mesh(before)
    round_ = add_round(1, "yes", "one", gaps())
    assert edits_of_round(folder, folder.bed(), round_).edits.edits
    folder.store_mesh(after)
    record_applied(round_, before, after)
    with pytest.raises(PadsheetError) as caught:
        round_to_edit(folder)
    assert caught.value.code == "edits-applied"
    with pytest.raises(PadsheetError) as caught:
        edits_of_round(folder, folder.bed(), round_to_edit(folder, force=True))
    assert caught.value.code == "edits-stale"


def test_a_sheet_without_the_mesh_corrects_no_mesh_that_holds_values(folder, add_round) -> None:
    folder.store_mesh(mesh_of(1, "one"))
    round_ = add_round(1, "no", None, gaps())
    with pytest.raises(PadsheetError) as caught:
        edits_of_round(folder, folder.bed(), round_)
    assert caught.value.code == "edits-mesh-was-off"
    assert "mesh on" in caught.value.remedy
    flat = dataclasses.replace(mesh_of(1, "flat"), z_mm=np.zeros((3, 4)))
    folder.store_mesh(flat)
    assert edits_of_round(folder, folder.bed(), round_).edits.edits


def test_a_mesh_that_a_sheet_names_keeps_its_values(folder, add_round) -> None:
    folder.store_mesh(mesh_of(1, "one"))
    folder.store_mesh(mesh_of(2, "one"), force=True)  # no sheet was printed with it yet
    add_round(1, "yes", "one")
    with pytest.raises(PadsheetError) as caught:
        folder.store_mesh(mesh_of(3, "one"), force=True)
    assert caught.value.code == "mesh-in-use"
    assert folder.mesh("one").z_mm == pytest.approx(mesh_of(2, "one").z_mm)
    folder.store_mesh(mesh_of(2, "one"), force=True)  # the same values do no harm
    assert folder.active_mesh().name == "one"


def test_a_mesh_exchanged_between_sheets_is_accounted_for(folder, add_round) -> None:
    """Nothing is on record, but the sheets name other meshes: their difference counts."""
    one, two = mesh_of(1, "one"), mesh_of(2, "two")
    folder.store_mesh(one)
    folder.store_mesh(two)
    add_round(1, "yes", "one", gaps())
    add_round(2, "yes", "two", gaps() + (two.z_mm - one.z_mm).ravel())
    here = standing(folder, 2)
    assert (here.state.rounds, here.state.epoch) == (2, 1)
    assert here.proof is not None
    assert here.proof.verdict == "in force"


def test_a_mesh_switched_off_between_sheets_is_accounted_for(folder, add_round) -> None:
    one = mesh_of(1, "one")
    folder.store_mesh(one)
    add_round(1, "yes", "one", gaps())
    add_round(2, "no", None, gaps() - one.z_mm.ravel())
    assert standing(folder, 2).proof.verdict == "in force"


def test_a_sheet_printed_with_another_mesh_than_it_says_is_found_out(folder, add_round) -> None:
    one, two = mesh_of(1, "one"), mesh_of(2, "two")
    folder.store_mesh(one)
    folder.store_mesh(two)
    add_round(1, "yes", "one", gaps())
    add_round(2, "yes", "two", gaps())  # the printer still held the old one
    assert standing(folder, 2).proof.verdict == "not in force"


def test_a_mesh_that_is_gone_leaves_what_was_recorded(folder, add_round) -> None:
    one, two = mesh_of(1, "one"), mesh_of(2, "two")
    folder.store_mesh(one)
    folder.store_mesh(two)
    first = add_round(1, "yes", "one", gaps())
    record_applied(first, one, two)
    add_round(2, "yes", "two", gaps() + (two.z_mm - one.z_mm).ravel())
    (folder.meshes / "one.csv").unlink()
    assert standing(folder, 2).proof.verdict == "in force"


def test_a_table_upside_down_is_noticed_by_any_earlier_mesh(folder) -> None:
    known = [mesh_of(1, "one"), mesh_of(2, "two")]
    turned = Mesh(grid=GRID, z_mm=known[0].z_mm[::-1], name="new")
    flip = flipped_in_history(turned, known)
    assert flip is not None
    assert flip.kind == "rows"
    assert "'one'" in flip.text
    # One that fits an earlier mesh as it is was turned over there already, or not at all.
    assert flipped_in_history(turned, [*known, turned]) is None
    assert flipped_in_history(mesh_of(3, "new"), known) is None
    assert flipped_in_history(turned, []) is None


def test_a_spoilt_mesh_is_no_history(folder) -> None:
    folder.store_mesh(mesh_of(1, "one"))
    (folder.meshes / "bad.csv").write_bytes(b"\xff\xfe")
    (folder.meshes / "other.csv").write_text("a,1,2\n1,0,0\n2,0,0\n", encoding="utf-8")
    assert [mesh.name for mesh in folder.known_meshes()] == ["one"]
