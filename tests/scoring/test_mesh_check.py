"""The map of a mesh for the eye, and meshes that seem turned over."""

from __future__ import annotations

import numpy as np
import pytest

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.mesh_check import looks_flipped, show_map

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


def test_the_map_shows_the_back_on_top() -> None:
    lines = show_map(Mesh(grid=GRID, z_mm=Z_MM)).splitlines()
    assert lines[0].strip() == "back"
    assert lines[1].split() == ["row", "4", "-0.080", "-0.090", "-0.105", "-0.050", "+0.010"]
    assert lines[4].split()[2] == "+0.020"
    assert lines[6].strip() == "front"


@pytest.mark.parametrize(("columns", "word"), [(9, "mm"), (15, "1/100 mm")])
def test_the_map_fits_in_80_columns(columns: int, word: str) -> None:
    z_mm = np.full((15, columns), -0.125)
    z_mm[2, 3] = -4.56
    text = show_map(Mesh(grid=MeshGrid(columns=columns, rows=15), z_mm=z_mm))
    assert max(len(line) for line in text.splitlines()) <= 80
    assert f"heights in {word};" in text
    assert ("-456" in text) == (columns == 15)


def squared(z_mm: np.ndarray) -> Mesh:
    return Mesh(grid=MeshGrid(columns=z_mm.shape[1], rows=z_mm.shape[0]), z_mm=z_mm)


@pytest.mark.parametrize(
    ("turn", "kind"),
    [
        (lambda z: z[::-1], "rows"),
        (lambda z: z[:, ::-1], "columns"),
        (lambda z: z[::-1, ::-1], "both"),
        (lambda z: z.T, "transposed"),
        (lambda z: z.T[::-1], "transposed"),
    ],
)
def test_a_mesh_turned_over_is_noticed(turn: object, kind: str) -> None:
    rng = np.random.default_rng(5)
    old = rng.normal(0, 0.1, (5, 5))
    # Homing moves the whole mesh, the reading has its own noise.
    new = turn(old) + 0.05 + rng.normal(0, 0.01, (5, 5))
    found = looks_flipped(squared(new), squared(old))
    assert found is not None
    assert found.kind == kind
    assert found.flipped_mm < 0.02 < found.plain_mm


def test_the_same_mesh_again_and_an_edited_one_are_not_suspect() -> None:
    rng = np.random.default_rng(6)
    old = rng.normal(0, 0.1, (5, 5))
    assert looks_flipped(squared(old + rng.normal(0, 0.01, (5, 5))), squared(old)) is None
    edited = old.copy()
    edited[1, 3] += 0.15
    assert looks_flipped(squared(edited), squared(old)) is None
    assert looks_flipped(squared(old), squared(np.zeros((5, 5)))) is None
    assert looks_flipped(squared(old), squared(np.zeros((4, 5)))) is None
