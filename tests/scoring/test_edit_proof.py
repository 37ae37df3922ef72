"""The proof of an edit style against printers that count, turn and add in their own way."""

from __future__ import annotations

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, Edits, MeshGrid
from padsheet.scoring.edit_proof import judge_proof, proof_node, prove_edit
from padsheet.scoring.mesh import Mesh

GRID = MeshGrid(columns=5, rows=4)
BUMPY = np.random.default_rng(11).normal(0, 0.1, (4, 5)).round(3)


def bed_with(grid: MeshGrid = GRID, **edits: object) -> Bed:
    return Bed(mesh=grid, edits=Edits(**edits))


def taken(bed: Bed, before: Mesh, wrong: str) -> Mesh:
    """Do what a printer with one wrong convention makes of the proof's edit."""
    (edit,) = prove_edit(bed, before).edits
    i, j, adding = edit.i, edit.j, bed.edits.style == "M421-offset"
    number_mm = edit.dz_mm if adding else edit.new_mm
    rows, columns = before.z_mm.shape
    places = {
        "one-based": (i - 1, j - 1),
        "zero-based": (i + 1, j + 1),
        "flipped-rows": (i, rows - 1 - j),
        "flipped-columns": (columns - 1 - i, j),
        "transposed": (j, i),
    }
    i, j = places.get(wrong, (i, j))
    z_mm = before.z_mm.copy()
    if wrong == "wrong-sign":
        z_mm[j, i] -= edit.dz_mm
    elif wrong != "not-applied":
        if wrong in ("absolute-for-additive", "additive-for-absolute"):
            adding = not adding
        z_mm[j, i] = number_mm + (z_mm[j, i] if adding else 0.0)
    return Mesh(grid=before.grid, z_mm=z_mm)


CONVENTIONS = [
    "ok", "one-based", "zero-based", "flipped-rows", "flipped-columns", "transposed",
    "wrong-sign", "not-applied",
]  # fmt: skip


@pytest.mark.parametrize("style", ["M421", "M421-offset"])
@pytest.mark.parametrize("wrong", CONVENTIONS)
@pytest.mark.parametrize("square", [False, True])
def test_each_convention_is_told_apart(style: str, wrong: str, square: bool) -> None:
    grid = MeshGrid() if square else GRID
    z_mm = np.vstack([BUMPY, BUMPY[:1] + 0.05]) if square else BUMPY
    bed, before = bed_with(grid, style=style), Mesh(grid=grid, z_mm=z_mm)
    assert proof_node(bed, before) == proof_node(bed, before)
    after = taken(bed, before, wrong)
    # A table shows three decimals, and some printers two.
    for digits in (3, 2):
        seen = Mesh(grid=grid, z_mm=np.round(after.z_mm, digits))
        known = Mesh(grid=grid, z_mm=np.round(before.z_mm, digits))
        if digits == 2:
            seen = taken(bed, known, wrong)
        proof = judge_proof(known, seen, bed)
        assert proof.kind == wrong
        assert proof.ok is (wrong == "ok")
        assert proof.text


def test_adding_and_setting_are_told_apart() -> None:
    before = Mesh(grid=GRID, z_mm=BUMPY)
    for style, wrong in (
        ("M421-offset", "absolute-for-additive"),
        ("M421", "additive-for-absolute"),
    ):
        bed = bed_with(style=style)
        assert judge_proof(before, taken(bed, before, wrong), bed).kind == wrong


def test_a_flat_mesh_cannot_tell_adding_from_setting_and_says_so() -> None:
    bed, before = bed_with(style="M421"), Mesh(grid=GRID, z_mm=np.zeros((4, 5)))
    proof = judge_proof(before, taken(bed, before, "ok"), bed)
    assert proof.ok
    assert "does not tell adding from setting" in proof.text


def test_anything_else_is_no_proof() -> None:
    bed, before = bed_with(style="M421"), Mesh(grid=GRID, z_mm=BUMPY)
    i, j = proof_node(bed, before)
    two, much = BUMPY.copy(), BUMPY.copy()
    two[0, 0] += 0.02
    two[j, i] += 0.02
    much[j, i] += 0.3
    far = BUMPY.copy()
    far[3, 0] += 0.3
    for z_mm in (two, much, far):
        assert judge_proof(before, Mesh(grid=GRID, z_mm=z_mm), bed).kind == "other"


def test_the_proof_only_raises_by_0_02_mm_and_can_be_taken_back() -> None:
    bed, before = bed_with(style="M421"), Mesh(grid=GRID, z_mm=BUMPY)
    (edit,) = prove_edit(bed, before).edits
    assert edit.dz_mm == 0.02
    assert edit.restore.endswith(f"Z{BUMPY[edit.j, edit.i]:.3f}")
    coarse = prove_edit(bed_with(style="M421", smallest_mm=0.05), before)
    assert [edit.dz_mm for edit in coarse.edits] == [0.05]


@pytest.mark.parametrize(("columns", "rows"), [(2, 2), (3, 3), (4, 4), (5, 4), (5, 5), (15, 15)])
def test_the_node_lies_off_every_axis_of_symmetry(columns: int, rows: int) -> None:
    grid = MeshGrid(columns=columns, rows=rows)
    z_mm = np.random.default_rng(3).normal(0, 0.1, (rows, columns))
    i, j = proof_node(bed_with(grid), Mesh(grid=grid, z_mm=z_mm))
    places = {(i, j), (columns - 1 - i, j), (i, rows - 1 - j), (j, i)}
    assert len(places) == 4
