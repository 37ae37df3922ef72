"""Telling a mesh that was turned over, and what was applied from what was advised."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, Edits, MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.make import make_sheet
from padsheet.patterns.profile import profile_text
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring import taking_in
from padsheet.scoring.advice import advise
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.edit_proof import prove_edit
from padsheet.scoring.kept_proof import PROVE_GCODE
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.scores import scores_to_json
from padsheet.scoring.taking_in import (
    AgainstAdvice,
    Turned,
    against_advice,
    correct_reading,
    expected_meshes,
    own_state,
    refuse_proof_answer,
    turned_over,
)

GRID = MeshGrid(columns=4, rows=3)
BED = Bed(mesh=GRID, edits=Edits(smallest_mm=0.01))
Z_MM = np.random.default_rng(3).normal(0, 0.1, (3, 4)).round(3)
TURNS = {"rows": np.s_[::-1], "columns": np.s_[:, ::-1], "both": np.s_[::-1, ::-1]}


def mesh_of(z_mm: NDArray[np.float64], name: str = "known") -> Mesh:
    return Mesh(grid=GRID, z_mm=np.asarray(z_mm, float), name=name)


@pytest.mark.parametrize("kind", TURNS)
def test_a_mesh_turned_over_is_told_with_its_kind(kind: str) -> None:
    known = mesh_of(Z_MM)
    found = turned_over(mesh_of(Z_MM[TURNS[kind]], "new"), [(known, known, None)], BED)
    assert found == Turned(kind=kind, base=known)
    assert found.corrects
    assert "'known'" in found.text
    made = turned_over(mesh_of(Z_MM[TURNS[kind]], "new"), [(known, mesh_of(0 * Z_MM), 7)], BED)
    assert made.after_round == 7
    assert "the edits of round 7" in made.text


def test_values_may_differ_by_half_of_the_smallest_edit() -> None:
    """Printers round what they are told."""
    known = mesh_of(Z_MM)
    rounding = np.full((3, 4), 0.0049)
    rounding[0, 1:3] = -0.0049
    near, far = Z_MM[::-1] + rounding, Z_MM[::-1] + 1.05 * rounding
    assert turned_over(mesh_of(near, "new"), [(known, known, None)], BED) is not None
    assert turned_over(mesh_of(far, "new"), [(known, known, None)], BED) is None
    # However fine the edits, what is shown has three decimals.
    fine = Bed(mesh=GRID, edits=Edits(smallest_mm=0.001))
    shown = Z_MM[::-1] + 0.001
    assert turned_over(mesh_of(shown, "new"), [(known, known, None)], fine) is not None
    assert turned_over(mesh_of(shown + 0.0002, "new"), [(known, known, None)], fine) is None


def test_what_lies_as_it_was_expected_is_not_turned_over() -> None:
    known, other = mesh_of(Z_MM), mesh_of(Z_MM[::-1], "other")
    assert turned_over(mesh_of(Z_MM, "new"), [(known, known, None)], BED) is None
    assert turned_over(mesh_of(Z_MM, "new"), [(other, other, None), (known, known, None)], BED) is (
        None
    )
    level = mesh_of(0 * Z_MM)
    assert turned_over(mesh_of(0 * Z_MM, "new"), [(level, level, None)], BED) is None
    strange = mesh_of(np.random.default_rng(4).normal(0, 0.1, (3, 4)), "new")
    assert turned_over(strange, [(known, known, None)], BED) is None
    assert turned_over(strange, [], BED) is None


def test_the_first_that_fits_when_turned_is_named() -> None:
    first, second = mesh_of(Z_MM, "first"), mesh_of(Z_MM, "second")
    asked = [(first, first, None), (second, second, None)]
    assert turned_over(mesh_of(Z_MM[::-1], "new"), asked, BED).base.name == "first"


def test_a_mesh_as_advised_shows_that_the_one_on_record_is_wrong() -> None:
    """Read back just as it was meant to be: so what it was before was read the wrong way round."""
    active = mesh_of(Z_MM[::-1], "active")
    as_meant = (mesh_of(Z_MM), mesh_of(0 * Z_MM, "before"), 2)
    found = turned_over(mesh_of(Z_MM, "new"), [(active, active, None), as_meant], BED)
    assert found.certain
    assert found.base is active
    assert found.led_from == "before"
    assert "it was read the wrong way round, which is now corrected" in found.text
    # An older mesh like it proves nothing.
    older = mesh_of(Z_MM, "older")
    asked = [(active, active, None), (older, older, None)]
    assert turned_over(mesh_of(Z_MM, "new"), asked, BED) is None


def test_meshes_of_another_size_tell_nothing() -> None:
    grid = MeshGrid(columns=3, rows=4)
    other = Mesh(grid=grid, z_mm=Z_MM.T.copy(), name="other")
    known = mesh_of(Z_MM)
    asked = [(other, other, None), (known, known, None)]
    assert turned_over(mesh_of(Z_MM[::-1], "new"), asked, BED).base is known


def test_a_mesh_that_looks_the_same_from_both_ends_needs_no_correction() -> None:
    even = np.array([[0.1, 0.2, 0.3, 0.4], [0.0, 0.1, 0.0, 0.2], [0.1, 0.2, 0.3, 0.4]])
    assert not Turned(kind="rows", base=mesh_of(even)).corrects
    assert Turned(kind="columns", base=mesh_of(even)).corrects
    # The last digit shown is no difference.
    even[0, 1] += 0.0005
    assert not Turned(kind="rows", base=mesh_of(even)).corrects
    even[0, 1] += 0.0005
    assert Turned(kind="rows", base=mesh_of(even)).corrects


# What the printer may be expected to hold, and what was applied beside what was advised


@pytest.fixture
def folder(tmp_path: Path) -> BedFolder:
    (tmp_path / "bed.toml").write_text(profile_text(BED), encoding="utf-8")
    return BedFolder(tmp_path)


AddRound = Callable[[int, Mesh], Round]


@pytest.fixture
def add_round(folder: BedFolder, score_of: Callable[..., object]) -> AddRound:
    """Write a round whose advice changes most of the points of a mesh."""

    def add(seed: int, mesh: Mesh) -> Round:
        round_ = folder.next_round()
        errors = np.random.default_rng(seed).normal(0, 0.05, 12)
        score = score_of(GRID, 0.2 + errors, number=round_.number)
        advice = advise(score, BED, mesh=mesh)
        assert advice.work == "mesh"
        round_.path.mkdir(parents=True)
        round_.scores_json.write_text(scores_to_json(score, advice), encoding="utf-8")
        return round_

    return add


@pytest.fixture
def scored(add_round: AddRound) -> Round:
    return add_round(9, mesh_of(0 * Z_MM))


def dz_mm(round_: Round) -> NDArray[np.float64]:
    return np.array([node.dz_mm for node in round_.read_advice().nodes]).reshape(3, 4)


def test_the_printer_is_expected_to_hold_what_the_newest_round_advised(
    folder: BedFolder, add_round: AddRound
) -> None:
    assert list(expected_meshes(folder, BED)) == []
    folder.store_mesh(mesh_of(Z_MM + 0.3, "an older one"))
    folder.store_mesh(mesh_of(Z_MM, "one"))
    add_round(9, mesh_of(Z_MM))
    newest = add_round(10, mesh_of(Z_MM))
    first, advised, level, *others = expected_meshes(folder, BED)
    assert (first[0].name, first[1].name, first[2]) == ("one", "one", None)
    np.testing.assert_allclose(advised[0].z_mm, Z_MM + dz_mm(newest), atol=0.0051)
    assert (advised[1].name, advised[2]) == ("one", 2)
    # Or its shape alone, without what lowers the mesh as a whole.
    change = level[0].z_mm - Z_MM
    assert change.mean() >= min(dz_mm(newest).mean(), 0.0) - 1e-9
    assert np.ptp(change - dz_mm(newest)) < 0.011
    assert [(mesh.name, base.name, number) for mesh, base, number in others] == [
        ("an older one", "an older one", None),
        ("one", "one", None),
    ]


def test_a_run_cut_short_leaves_the_recognised_mesh_to_be_recognised_again(
    folder: BedFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two meshes of one bed, both read the wrong way round; the write of the second fails."""
    later = Z_MM + np.random.default_rng(5).normal(0, 0.01, (3, 4)).round(3)
    folder.store_mesh(mesh_of(Z_MM[::-1], "zero"))
    folder.store_mesh(mesh_of(later[::-1], "one"))
    new = mesh_of(later, "new")
    found = turned_over(new, expected_meshes(folder, BED), BED)
    assert found.base.name == "one"
    kept = taking_in.write_atomic
    written = []

    def failing(path: Path, text: str) -> None:
        if written:
            raise OSError("no space left")
        written.append(path.name)
        kept(path, text)

    monkeypatch.setattr(taking_in, "write_atomic", failing)
    with pytest.raises(OSError, match="no space"):
        correct_reading(folder, found)
    assert written == ["zero.csv"]
    again = turned_over(new, expected_meshes(folder, BED), BED)
    assert again.base.name == "one"
    monkeypatch.setattr(taking_in, "write_atomic", kept)
    correct_reading(folder, again)
    np.testing.assert_allclose(folder.mesh("one").z_mm, later)
    np.testing.assert_allclose(folder.mesh("zero").z_mm, Z_MM)


def test_other_work_than_the_mesh_leads_to_no_other_mesh(folder: BedFolder, scored: Round) -> None:
    folder.store_mesh(mesh_of(0 * Z_MM, "one"))
    assert [number for *_, number in expected_meshes(folder, BED)] == [None, 1, 1, None]
    text = scored.scores_json.read_text(encoding="utf-8")
    for work in ("screws", "offset", "withheld"):
        scored.scores_json.write_text(text.replace('"work": "mesh"', f'"work": "{work}"'))
        assert [number for *_, number in expected_meshes(folder, BED)] == [None, None]


def test_a_mesh_that_is_gone_or_of_another_grid_is_not_expected(folder: BedFolder) -> None:
    folder.store_mesh(mesh_of(Z_MM, "one"))
    folder.store_mesh(mesh_of(Z_MM + 0.1, "two"))
    two = folder.meshes / "two.csv"
    kept = two.read_text(encoding="utf-8")
    two.unlink()
    assert [mesh.name for mesh, *_ in expected_meshes(folder, BED)] == ["one"]
    two.write_text("y/x,20,200\n20,0.1,0.2\n200,0.3,0.4\n", encoding="utf-8")
    assert [mesh.name for mesh, *_ in expected_meshes(folder, BED)] == ["one"]
    two.write_text(kept.replace("0", "zero"), encoding="utf-8")
    with pytest.raises(PadsheetError, match=r"two\.csv"):
        list(expected_meshes(folder, BED))


def put_on_record(folder: BedFolder, applied: Applied) -> Round:
    round_ = folder.next_round()
    round_.path.mkdir(parents=True)
    round_.photo(1).write_bytes(b"jpg")
    round_.applied_json.write_text(applied_to_json(applied), encoding="utf-8")
    return round_


def test_only_what_was_reckoned_from_a_wrong_mesh_is_reckoned_anew(folder: BedFolder) -> None:
    other = np.random.default_rng(6).normal(0, 0.1, (3, 4)).round(3)
    later = Z_MM + np.random.default_rng(5).normal(0, 0.01, (3, 4)).round(3)
    for name, z_mm in (("x", other), ("y", other + 0.1), ("one", Z_MM[::-1]), ("two", later[::-1])):
        folder.store_mesh(mesh_of(z_mm, name))
    some = ((1, 0, 0.05),)
    between = (later - Z_MM)[::-1]
    wrong = tuple((i, j, round(float(between[j, i]), 6)) for i, j in GRID.nodes)
    put_on_record(folder, Applied(how="meshes", nodes=some, before="x", after="y"))
    put_on_record(folder, Applied(how="word", nodes=some, before="x"))
    put_on_record(folder, Applied(how="word", nodes=(), before="one"))
    put_on_record(folder, Applied(how="word", nodes=some, after="two"))
    fifth = put_on_record(folder, Applied(how="meshes", nodes=wrong, before="one", after="two"))
    kept = [r.applied_json.read_text(encoding="utf-8") for r in folder.rounds()]
    found = turned_over(mesh_of(later, "new"), expected_meshes(folder, BED), BED)
    assert found.base.name == "two"
    correction = correct_reading(folder, found)
    assert correction.names == ("two", "one")
    assert correction.records == (5,)
    assert (correction.on_word, correction.unsaid) == ((), ())
    assert [r.applied_json.read_text(encoding="utf-8") for r in folder.rounds()][:4] == kept[:4]
    right = fifth.read_applied().on_grid(GRID)
    np.testing.assert_allclose(right, (later - Z_MM).ravel(), atol=1e-6)
    np.testing.assert_allclose(folder.mesh("x").z_mm, other)


def test_a_mesh_that_lies_wrong_in_another_way_is_left_alone(folder: BedFolder) -> None:
    """Its rows are exchanged, where the one that was recognised has its columns exchanged."""
    folder.store_mesh(mesh_of((Z_MM + 0.004)[::-1], "rows"))
    folder.store_mesh(mesh_of(Z_MM[:, ::-1], "columns"))
    found = turned_over(mesh_of(Z_MM, "new"), expected_meshes(folder, BED), BED)
    assert (found.kind, found.base.name) == ("columns", "columns")
    assert correct_reading(folder, found).names == ("columns",)
    np.testing.assert_allclose(folder.mesh("rows").z_mm, (Z_MM + 0.004)[::-1])


def test_a_mesh_from_which_edits_lead_to_the_right_one_is_left_alone(folder: BedFolder) -> None:
    """Edits may make a mesh its own mirror image; that tells nothing of how it was read."""
    near = Z_MM + np.random.default_rng(5).normal(0, 0.004, (3, 4)).round(3)
    for name, z_mm in (("before", near[::-1]), ("also", near[::-1]), ("late", Z_MM[::-1])):
        folder.store_mesh(mesh_of(z_mm, name))
    found = Turned(kind="rows", base=folder.mesh("late"), certain=True, led_from="before")
    assert correct_reading(folder, found).names == ("late", "also")
    np.testing.assert_allclose(folder.mesh("before").z_mm, near[::-1])
    np.testing.assert_allclose(folder.mesh("also").z_mm, near)


def test_whole_values_on_ones_word_are_those_reckoned_from_the_wrong_mesh(
    folder: BedFolder,
) -> None:
    """No mesh after the edits is on record: it is the wrong one with the changes added."""
    folder.store_mesh(mesh_of(Z_MM[::-1], "one"))
    some = ((1, 0, 0.05), (2, 2, -0.03))
    first = put_on_record(folder, Applied(how="word", nodes=some, before="one"))
    put_on_record(folder, Applied(how="word", nodes=(), before="one"))
    found = turned_over(mesh_of(Z_MM, "new"), expected_meshes(folder, BED), BED)
    assert correct_reading(folder, found).on_word == (1,)
    change_mm = np.zeros((3, 4))
    change_mm[0, 1] = Z_MM[2, 1] + 0.05 - Z_MM[0, 1]
    change_mm[2, 2] = Z_MM[0, 2] - 0.03 - Z_MM[2, 2]
    applied = first.read_applied()
    np.testing.assert_allclose(applied.on_grid(GRID), change_mm.ravel(), atol=1e-6)


def put_sheet(folder: BedFolder, mesh_name: str) -> Round:
    """Write a sheet that waits for its photo."""
    round_ = folder.next_round()
    round_.path.mkdir(parents=True, exist_ok=True)
    made = make_sheet(BED, reach_mm=(-0.08, 0.08), number=round_.number).sheet
    sheet = replace(made, mesh_active="yes", mesh_name=mesh_name)
    round_.sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")
    return round_


@pytest.mark.parametrize(("name", "wrong"), [("one", True), ("other", False)])
def test_a_sheet_that_waits_is_wrong_only_on_a_mesh_that_was_turned_over(
    folder: BedFolder, name: str, wrong: bool
) -> None:
    folder.store_mesh(mesh_of(np.random.default_rng(6).normal(0, 0.1, (3, 4)), "other"))
    folder.store_mesh(mesh_of(Z_MM[::-1], "one"))
    put_on_record(folder, Applied(how="word", nodes=(), before="one"))
    waiting = put_sheet(folder, name)
    found = turned_over(mesh_of(Z_MM, "new"), expected_meshes(folder, BED), BED)
    assert correct_reading(folder, found).waits == (waiting if wrong else None)
    assert waiting.read_sheet().mesh_corrected is wrong


# Whether the printer holds a state of one's own making


def dated(z_mm: NDArray[np.float64], name: str, day: int | None) -> Mesh:
    taken = "" if day is None else f"2026-03-{day:02d} 10:00:00"
    return replace(mesh_of(z_mm, name), taken=taken)


def test_a_mesh_from_before_the_edits_or_of_zeros_is_a_state_of_ones_own_making(
    folder: BedFolder,
) -> None:
    folder.store_mesh(mesh_of(Z_MM, "one"))
    new, round_ = mesh_of(Z_MM + 0.1, "new"), folder.round(3)
    unedited = Applied(how="meshes", nodes=(), before="one", after="new")
    assert own_state(folder, new, unedited, round_).startswith(
        "This is the mesh 'one' again, as on the sheet of round 3 and after `padsheet restore`"
    )
    edited = replace(unedited, nodes=((0, 0, 0.1),))
    # Where nobody knows the mesh before, no edits tell nothing.
    for applied in (edited, replace(unedited, before=None), replace(edited, before=None)):
        assert own_state(folder, new, applied, round_) == ""
        level = mesh_of(np.full((3, 4), 0.0004), "level")
        assert own_state(folder, level, applied, round_).startswith("Every point is zero")


@pytest.mark.parametrize(
    ("days", "printed", "meant"),
    [
        ((1, 2), False, True),  # held before the mesh of the sheet
        ((3, 2), False, False),  # read back after it, and mistyped, as it seems
        ((3, 2), True, True),  # but a sheet was printed on it
        ((None, 2), False, True),
        ((3, None), False, True),
    ],
)
def test_only_a_mesh_that_was_no_slip_is_gone_back_to(
    folder: BedFolder, days: tuple[int | None, int | None], printed: bool, meant: bool
) -> None:
    folder.store_mesh(dated(Z_MM, "earlier", days[0]))
    folder.store_mesh(dated(Z_MM + 0.2, "before", days[1]))
    round_ = put_sheet(folder, "before")
    if printed:
        put_on_record(folder, Applied(how="word", nodes=()))
        put_sheet(folder, "earlier")
    applied = Applied(how="meshes", nodes=((0, 0, -0.2),), before="before", after="new")
    told = own_state(folder, dated(Z_MM, "new", 9), applied, round_)
    assert told.startswith("This is the mesh 'earlier' again") is meant
    assert bool(told) is meant
    # Without a mesh before the edits nothing was read back since.
    unknown = own_state(folder, dated(Z_MM, "new", 9), replace(applied, before=None), round_)
    assert unknown.startswith("This is the mesh 'earlier' again")


# The answer to a proof


def test_only_a_mesh_of_the_same_points_with_the_proofs_edit_is_refused(folder: BedFolder) -> None:
    grid = MeshGrid(columns=3, rows=4)
    turned = Mesh(grid=grid, z_mm=Z_MM.T.copy(), name="turned")
    known = mesh_of(Z_MM)
    (edit,) = prove_edit(BED, known).edits
    answer = Z_MM.copy()
    answer[edit.j, edit.i] += 0.02
    new = mesh_of(answer, "new")
    refuse_proof_answer(folder, BED, new, "answer.txt")
    (folder.path / PROVE_GCODE).write_text("M421\n", encoding="utf-8")
    # Nobody knows what the printer held before.
    refuse_proof_answer(folder, BED, new, "answer.txt")
    folder.store_mesh(known)
    for other in (turned, known, mesh_of(answer + 0.05, "other")):
        refuse_proof_answer(folder, BED, other, "answer.txt")
    with pytest.raises(PadsheetError, match="the small edit of the proof in it") as refused:
        refuse_proof_answer(folder, BED, new, "answer.txt")
    assert refused.value.code == "mesh-proof"


Compare = Callable[..., AgainstAdvice]


@pytest.fixture
def compare(folder: BedFolder, scored: Round) -> Compare:
    """Return the comparison of what was advised, but for some changes, with the advice."""

    def compared(changes_mm: dict[tuple[int, int], float], all_mm: float = 0.0) -> AgainstAdvice:
        nodes = tuple(
            (n.i, n.j, n.dz_mm + all_mm + changes_mm.get((n.i, n.j), 0.0))
            for n in scored.read_advice().nodes
        )
        applied = Applied(how="meshes", nodes=nodes)
        return against_advice(folder, scored, applied)

    return compared


def test_what_was_done_as_advised_is_said(compare: Compare) -> None:
    assert compare({}) == AgainstAdvice(words=", all as advised", as_meant=True)
    # Printers show thousandths.
    assert compare({(1, 1): 0.0005}) == AgainstAdvice(words=", all as advised", as_meant=True)


def test_a_common_part_is_no_other_shape(compare: Compare) -> None:
    assert compare({}, all_mm=0.07) == AgainstAdvice(words="", as_meant=True)


def test_rounding_to_the_smallest_edit_is_as_meant(compare: Compare) -> None:
    one = compare({(1, 1): -0.010})
    assert one.words == ", as advised but for 1 point that differs by up to 0.010 mm"
    assert one.as_meant
    two = compare({(1, 1): 0.004, (2, 0): -0.007})
    assert two.words == ", as advised but for 2 points that differ by up to 0.007 mm"
    assert two.as_meant


def test_up_to_three_points_that_differ_are_named(compare: Compare) -> None:
    said = compare({(1, 2): 0.02})
    assert said.words == "; not as advised at column 2, row 3"
    assert not said.as_meant
    three = compare({(k, 0): 0.02 for k in range(3)})
    assert three.words.endswith("column 1, row 1; column 2, row 1; column 3, row 1")
    five = compare({(0, 1): -0.02, **{(k, 0): 0.02 for k in range(4)}})
    assert five.words.endswith("column 3, row 1 and 2 more")


def test_points_that_got_nothing_differ_from_their_advice(folder, scored) -> None:
    said = against_advice(folder, scored, Applied(how="word", nodes=()))
    assert "not as advised" in said.words
    assert not said.as_meant


def test_without_advice_on_the_mesh_there_is_nothing_to_compare(folder, scored) -> None:
    nothing = AgainstAdvice(words="", as_meant=True)
    applied = Applied(how="meshes", nodes=((0, 0, 0.3),))
    text = scored.scores_json.read_text(encoding="utf-8")
    assert '"work": "mesh"' in text
    scored.scores_json.write_text(text.replace('"work": "mesh"', '"work": "screws"'))
    assert against_advice(folder, scored, applied) == nothing
    scored.scores_json.unlink()
    assert against_advice(folder, replace(scored), applied) == nothing
