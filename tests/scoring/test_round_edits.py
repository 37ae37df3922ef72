"""The edits of a round: which round, from which mesh, and what goes on record afterwards."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, Edits, MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.make import make_sheet
from padsheet.patterns.profile import profile_text
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring.advice import advise
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.recording import now_text, record_applied
from padsheet.scoring.round_edits import (
    edits_of_round,
    free_mesh_name,
    in_but_not_saved,
    mesh_of_round,
    named,
    record_cut_short,
    record_read_back,
    round_to_edit,
    round_to_record,
    sheet_mesh,
    store_empty,
    write_edits,
)
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.scores import scores_to_json

Floats = NDArray[np.float64]
GRID = MeshGrid(columns=4, rows=3)
BED = Bed(mesh=GRID)
Z_MM = np.random.default_rng(1).normal(0, 0.05, (3, 4)).round(3)
ERRORS_MM = np.random.default_rng(7).normal(0, 0.06, 12)
ERRORS_MM -= ERRORS_MM.mean()


def mesh_of(z_mm: Floats, name: str, plate: str = "") -> Mesh:
    return Mesh(grid=GRID, z_mm=np.asarray(z_mm, float), name=name, plate=plate)


@pytest.fixture(scope="module")
def a_sheet() -> Sheet:
    return make_sheet(BED, reach_mm=(-0.15, 0.15)).sheet


@pytest.fixture
def folder(tmp_path: Path) -> BedFolder:
    (tmp_path / "bed.toml").write_text(profile_text(BED), encoding="utf-8")
    return BedFolder(tmp_path)


AddRound = Callable[..., Round]


@pytest.fixture
def add_round(folder: BedFolder, a_sheet: Sheet, score_of: Callable[..., object]) -> AddRound:
    """Write the next round: its sheet for the mesh that the printer holds, and its scores."""

    def add(errors_mm: Floats | None = ERRORS_MM, *, active: str = "", sheet: bool = True) -> Round:
        round_ = folder.next_round()
        round_.path.mkdir(parents=True)
        held = folder.active_mesh()
        if sheet:
            made = replace(
                a_sheet,
                number=round_.number,
                mesh_active=active or ("yes" if held else "unknown"),
                mesh_name=held.name if held and active in ("", "yes") else None,
            )
            round_.sheet_json.write_text(sheet_to_json(made), encoding="utf-8")
        if errors_mm is not None:
            score = score_of(GRID, 0.2 + errors_mm, number=round_.number)
            mesh = folder.mesh_in_force(round_)
            text = scores_to_json(score, advise(score, BED, mesh=mesh))
            round_.scores_json.write_text(text, encoding="utf-8")
        return round_

    return add


def advised_mm(round_: Round) -> Floats:
    return np.array([node.dz_mm for node in round_.read_advice().nodes]).reshape(3, 4)


def refused(call: Callable[[], object]) -> PadsheetError:
    with pytest.raises(PadsheetError) as caught:
        call()
    return caught.value


# Which round


def test_the_newest_round_is_edited_unless_another_is_named(folder, add_round) -> None:
    folder.store_mesh(mesh_of(Z_MM, "one"))
    first, second = add_round(), add_round()
    assert round_to_edit(folder).number == second.number == 2
    assert round_to_edit(folder, 1).number == first.number == 1


def test_before_any_scores_there_is_nothing_to_edit(folder, add_round) -> None:
    error = refused(lambda: round_to_edit(folder))
    assert error.code == "edits-no-scores"
    assert "no round has scores" in error.problem
    assert error.remedy.startswith("Print a sheet")
    add_round(None, sheet=False)
    error = refused(lambda: round_to_edit(folder, 1))
    assert error.problem == "round 1 is not scored yet"
    assert error.remedy.startswith("Print a sheet")


def test_a_sheet_that_waits_for_its_photo_is_named_with_the_edits_before_it(
    folder, add_round
) -> None:
    folder.store_mesh(mesh_of(Z_MM, "one"))
    first, second = add_round(), add_round()
    add_round(None)
    error = refused(lambda: round_to_edit(folder))
    assert error.problem == (
        "round 3 is not scored yet: its sheet is written and waits for its photo"
    )
    # The newest of them, since edits of an older one would be of another mesh.
    assert "`padsheet edits --round 2` writes them" in error.remedy
    record_applied(second, mesh_of(Z_MM, "one"), mesh_of(Z_MM + 0.1, "two"))
    assert "`padsheet edits --round 1` writes them" in refused(lambda: round_to_edit(folder)).remedy
    record_applied(first, mesh_of(Z_MM, "one"), mesh_of(Z_MM + 0.1, "two"))
    error = refused(lambda: round_to_edit(folder))
    assert error.remedy == "Print it, photograph it, then `padsheet score PHOTO`."


def test_edits_are_given_once(folder, add_round) -> None:
    before, after = mesh_of(Z_MM, "one"), mesh_of(Z_MM + 0.1, "two")
    folder.store_mesh(before)
    round_ = add_round()
    folder.store_mesh(after)
    record_applied(round_, before, after, saved=True)
    error = refused(lambda: round_to_edit(folder))
    assert error.code == "edits-applied"
    assert error.problem == "what was done after round 1 is on record already"
    assert "--force writes the old edits again" in error.remedy
    assert round_to_edit(folder, force=True) == round_


@pytest.mark.parametrize(("saved", "waits"), [(False, True), (True, False), (None, False)])
def test_what_may_be_lost_when_switched_off_is_said(folder, add_round, saved, waits) -> None:
    before, after = mesh_of(Z_MM, "one"), mesh_of(Z_MM + 0.1, "two")
    folder.store_mesh(before)
    round_ = add_round()
    assert not in_but_not_saved(folder, round_)
    folder.store_mesh(after)
    record_applied(round_, before, after, saved=saved)
    assert in_but_not_saved(folder, round_) is waits
    error = refused(lambda: round_to_edit(folder))
    assert ("may be lost when switched off" in error.problem) is waits
    assert (f"send {BED.edits.save} by hand" in error.remedy) is waits
    # Whatever the printer showed later is another matter.
    folder.store_mesh(mesh_of(Z_MM, "three"))
    assert not in_but_not_saved(folder, round_)


# What the edits are


def test_edits_and_offset_come_from_the_advice(folder, add_round) -> None:
    folder.store_mesh(mesh_of(Z_MM, "one"))
    round_ = add_round()
    made = edits_of_round(folder, BED, round_)
    change = made.edits.expected.z_mm - Z_MM
    np.testing.assert_allclose(change, advised_mm(round_), atol=0.5 * BED.edits.smallest_mm + 1e-9)
    assert made.advice == round_.read_advice()
    assert (made.offset, made.offset_problem) == (None, "")
    every = edits_of_round(folder, BED, round_, only_changed=False)
    assert len(every.edits.edits) == 12 > len(made.edits.edits)


def test_a_common_offset_comes_in_the_printers_own_way(folder, add_round) -> None:
    folder.store_mesh(mesh_of(Z_MM, "one"))
    round_ = add_round(ERRORS_MM + 0.06)
    advice = round_.read_advice()
    assert not advice.offset_done
    made = edits_of_round(folder, BED, round_)
    assert f"Lower the nozzle by {-advice.offset_mm:.2f}" in made.offset.text
    # A profile that does not tell enough keeps the edits from nobody.
    unknown = replace(BED, edits=Edits(offset_style="M851"))
    made = edits_of_round(folder, unknown, round_)
    assert made.offset is None
    assert "offset_now_mm" in made.offset_problem
    assert made.edits.edits
    none = replace(BED, edits=Edits(offset_style="none"))
    made = edits_of_round(folder, none, round_)
    assert (made.offset, made.offset_problem) == (None, "")


def rewrite_advice(round_: Round, **changes: object) -> None:
    data = json.loads(round_.scores_json.read_text(encoding="utf-8"))
    data["advice"] = None if changes.get("gone") else data["advice"] | changes
    round_.scores_json.write_text(json.dumps(data), encoding="utf-8")


def test_no_edits_where_a_check_forbids_them(folder, add_round) -> None:
    folder.store_mesh(mesh_of(Z_MM, "one"))
    round_ = add_round()
    said = ("The last edits are not in force.", "Look.", "Print anew.")
    steps = [{"kind": "note", "text": text} for text in said]
    rewrite_advice(round_, work="withheld", steps=steps)
    error = refused(lambda: edits_of_round(folder, BED, round_))
    assert error.code == "edits-withheld"
    assert error.problem == ("no edits are given after round 1: The last edits are not in force")
    assert error.remedy == "Look. Print anew."
    rewrite_advice(round_, steps=[])
    error = refused(lambda: edits_of_round(folder, BED, round_))
    assert error.problem.endswith("a check forbids it")
    assert error.remedy == "Print and score a new sheet."


def test_no_edits_without_advice(folder, add_round) -> None:
    folder.store_mesh(mesh_of(Z_MM, "one"))
    round_ = add_round()
    rewrite_advice(round_, gone=True)
    assert refused(lambda: edits_of_round(folder, BED, round_)).code == "edits-no-advice"
    checked = make_sheet(BED, reach_mm=(-0.12, 0.12), self_check=True).sheet
    round_.sheet_json.write_text(sheet_to_json(checked), encoding="utf-8")
    assert refused(lambda: edits_of_round(folder, BED, round_)).code == "edits-self-check"


def test_a_sheet_without_the_mesh_corrects_an_empty_one_only(folder, add_round) -> None:
    round_ = add_round(active="no")
    # A style that adds would add to what nobody knows.
    adding = replace(BED, edits=Edits(style="M421-offset"))
    error = refused(lambda: edits_of_round(folder, adding, round_))
    assert error.code == "edits-mesh-was-off"
    assert refused(lambda: edits_of_round(folder, BED, round_)).code == "edits-mesh-unknown"
    assert edits_of_round(folder, BED, round_, empty_mesh=True).edits.from_nothing
    folder.store_mesh(mesh_of(0 * Z_MM, "flat"))
    assert edits_of_round(folder, adding, round_).edits.edits
    folder.store_mesh(mesh_of(Z_MM, "one"))
    assert refused(lambda: edits_of_round(folder, BED, round_)).code == "edits-mesh-was-off"


def test_the_way_back_is_written_with_the_edits(folder, add_round) -> None:
    folder.store_mesh(mesh_of(Z_MM, "one"))
    round_ = add_round()
    edits = edits_of_round(folder, BED, round_).edits
    write_edits(round_, edits)
    assert round_.edits_gcode.read_text(encoding="utf-8") == "\n".join(edits.lines) + "\n"
    assert round_.restore_gcode.read_text(encoding="utf-8") == "\n".join(edits.restore) + "\n"


# Names


def test_a_mesh_gets_a_name_that_is_free(folder) -> None:
    assert free_mesh_name(folder, "mesh") == "mesh"
    for name, following in (("mesh", "mesh-2"), ("mesh-2", "mesh-3"), ("mesh-3", "mesh-4")):
        folder.store_mesh(mesh_of(Z_MM, name))
        assert free_mesh_name(folder, "mesh") == following
    assert free_mesh_name(folder, "other") == "other"


def test_a_mesh_just_read_has_its_time_and_plate() -> None:
    bed = replace(BED, plate=replace(BED.plate, name="steel"))
    mesh = named(mesh_of(Z_MM, "read"), "after", bed)
    assert (mesh.name, mesh.plate) == ("after", "steel")
    for text in (mesh.taken, now_text()):
        assert abs(datetime.fromisoformat(text) - datetime.now(UTC)) < timedelta(minutes=1)


# What was in force, and what goes on record


def test_the_mesh_of_a_round_is_that_of_its_sheet(folder, add_round) -> None:
    assert sheet_mesh(folder) is None
    folder.store_mesh(mesh_of(Z_MM, "one"))
    assert sheet_mesh(folder).name == "one"
    first = add_round()
    folder.store_mesh(mesh_of(Z_MM + 0.1, "two"))
    assert mesh_of_round(folder, first).name == sheet_mesh(folder).name == "one"
    second = add_round(active="unknown")
    # The advice counts on the mesh of which it names the new values.
    folder.store_mesh(mesh_of(Z_MM + 0.2, "three"))
    assert mesh_of_round(folder, second).name == "two"
    # Its values, not their order in the folder, tell it.
    (folder.meshes / "two.csv").unlink()
    assert mesh_of_round(folder, second).name == "three"
    record_applied(second, mesh_of(Z_MM, "one"), mesh_of(Z_MM + 0.2, "three"))
    assert mesh_of_round(folder, second).name == "one"


def test_a_sheet_that_waits_for_its_photo_names_its_mesh(folder, add_round) -> None:
    folder.store_mesh(mesh_of(Z_MM, "one"))
    round_ = add_round(None)
    folder.store_mesh(mesh_of(Z_MM + 0.1, "two"))
    assert mesh_of_round(folder, round_).name == "one"


def test_a_mesh_read_back_is_what_was_applied(folder, add_round) -> None:
    before = mesh_of(Z_MM, "one")
    folder.store_mesh(before)
    round_ = add_round()
    after = mesh_of(Z_MM + advised_mm(round_), "two")
    applied = record_read_back(folder, before, after)
    assert applied == round_.read_applied()
    assert (applied.how, applied.before, applied.after) == ("meshes", "one", "two")
    np.testing.assert_allclose(applied.on_grid(GRID), advised_mm(round_).ravel(), atol=1e-6)


def test_nothing_goes_on_record_before_the_edits_are_sent(folder, add_round) -> None:
    before = mesh_of(Z_MM, "one")
    folder.store_mesh(before)
    round_ = add_round()
    assert record_read_back(folder, before, mesh_of(Z_MM, "two")) is None
    assert record_read_back(folder, None, mesh_of(Z_MM + 0.1, "two")) is None
    assert not round_.applied_json.exists()


def test_a_mesh_of_another_plate_says_nothing_of_the_edits(folder, add_round) -> None:
    folder.store_mesh(mesh_of(Z_MM, "one"))
    add_round()
    other = mesh_of(Z_MM + 0.1, "two", plate="steel")
    assert record_read_back(folder, mesh_of(Z_MM, "one", plate="glass"), other) is None
    assert record_read_back(folder, mesh_of(Z_MM, "one"), other) is not None


def test_a_round_without_edits_gets_no_record(folder, add_round) -> None:
    before = mesh_of(Z_MM, "one")
    folder.store_mesh(before)
    round_ = add_round(0 * ERRORS_MM)
    assert round_.read_advice().work != "mesh"
    assert record_read_back(folder, before, mesh_of(Z_MM + 0.1, "two")) is None
    write_edits(round_, edits_of_round(folder, BED, round_, only_changed=False).edits)
    assert record_read_back(folder, before, mesh_of(Z_MM + 0.1, "two")) is not None


def test_a_record_is_brought_up_to_date_and_keeps_what_was_said(folder, add_round) -> None:
    before = mesh_of(Z_MM, "one")
    folder.store_mesh(before)
    round_ = add_round()
    first = mesh_of(Z_MM + 0.1, "two")
    record_applied(round_, before, first, offset_mm=-0.05, offset_style="M290", screws_turned=True)
    record_read_back(folder, before, mesh_of(Z_MM + 0.03, "three"))
    applied = round_.read_applied()
    np.testing.assert_allclose(applied.on_grid(GRID), 0.03, atol=1e-6)
    assert (applied.offset_mm, applied.offset_style) == (-0.05, "M290")
    assert applied.screws_turned
    # And back to what it was: then nothing was applied.
    record_read_back(folder, before, mesh_of(Z_MM, "four"))
    assert round_.read_applied().nodes == ()


def test_a_record_without_a_word_on_screws_claims_none(folder, add_round) -> None:
    before = mesh_of(Z_MM, "one")
    folder.store_mesh(before)
    add_round()
    applied = record_read_back(folder, before, mesh_of(Z_MM + 0.1, "two"))
    assert applied.offset_mm is None
    assert applied.offset_style == ""
    assert not applied.screws_turned


def test_a_mesh_read_after_the_next_sheet_belongs_to_the_edits_before_it(folder, add_round) -> None:
    before, after = mesh_of(Z_MM, "one"), mesh_of(Z_MM + 0.1, "two")
    folder.store_mesh(before)
    first, second = add_round(), add_round(None)
    assert round_to_record(folder) == first
    record_read_back(folder, before, after)
    folder.store_mesh(after)
    assert first.read_applied().after == "two"
    assert second.read_applied() is None
    assert second.read_sheet().mesh_name == "two"
    assert first.read_sheet().mesh_name == "one"
    assert round_to_record(folder) == second


def test_a_printed_sheet_after_them_tells_even_that_no_edit_is_in(folder, add_round) -> None:
    before = mesh_of(Z_MM, "one")
    folder.store_mesh(before)
    first, second = add_round(), add_round(None)
    same = mesh_of(Z_MM, "two")
    # Not printed yet: the edits may still be on their way.
    assert record_read_back(folder, before, same) is None
    second.photo(1).write_bytes(b"jpg")
    assert record_read_back(folder, before, same).nodes == ()
    assert first.read_applied().after == "two"


# Runs that were cut short


def test_edits_read_back_by_a_run_that_ended_are_recorded(folder, add_round) -> None:
    folder.store_mesh(mesh_of(Z_MM, "one"))
    round_ = add_round()
    made = edits_of_round(folder, BED, round_).edits
    assert not record_cut_short(folder, BED, round_, keep_mean=False)
    write_edits(round_, made)
    assert not record_cut_short(folder, BED, round_, keep_mean=False)
    # Thousandths are shown; more is another mesh.
    folder.store_mesh(mesh_of(made.expected.z_mm + 0.002, "other"))
    assert not record_cut_short(folder, BED, round_, keep_mean=False)
    folder.store_mesh(mesh_of(made.expected.z_mm - 0.002, "another"))
    assert not record_cut_short(folder, BED, round_, keep_mean=False)
    assert not round_.applied_json.exists()
    folder.store_mesh(mesh_of(made.expected.z_mm + 0.001, "two"))
    assert record_cut_short(folder, BED, round_, keep_mean=False)
    applied = round_.read_applied()
    assert (applied.before, applied.after, applied.saved) == ("one", "two", False)
    assert not record_cut_short(folder, BED, round_, keep_mean=False)


def test_an_empty_mesh_on_the_users_word_is_where_edits_begin(folder, add_round) -> None:
    round_ = add_round()
    made = edits_of_round(folder, BED, round_, empty_mesh=True).edits
    store_empty(folder, round_, made, BED)
    active = folder.active_mesh()
    assert active.name == "round-01-before"
    assert not active.z_mm.any()
    # Once is enough.
    store_empty(folder, round_, made, BED)
    assert folder.active_mesh().name == "round-01-before"
    assert len(folder.known_meshes()) == 1
    write_edits(round_, made)
    folder.store_mesh(mesh_of(made.expected.z_mm, "two"))
    assert record_cut_short(folder, BED, round_, keep_mean=False)
    assert round_.read_applied().before == "round-01-before"


def test_an_empty_mesh_of_another_time_is_no_beginning(folder, add_round) -> None:
    """Nor is one with values, whatever its name: nobody knows what these edits began from."""
    round_ = add_round()
    made = edits_of_round(folder, BED, round_, empty_mesh=True).edits
    write_edits(round_, made)
    folder.store_mesh(mesh_of(0 * Z_MM, "of another time"))
    folder.store_mesh(mesh_of(Z_MM, "round-01-before"))
    folder.store_mesh(mesh_of(made.expected.z_mm, "two"))
    assert not record_cut_short(folder, BED, round_, keep_mean=False)
    assert not round_.applied_json.exists()
