"""Several rounds of edits lost together: told only where the gaps leave nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from padsheet.patterns.bed import MeshGrid
from padsheet.scoring.all_lost import FallenBack, prove_all_lost
from padsheet.scoring.fusion import RoundRecord, fuse_rounds
from padsheet.scoring.proof import prove

GRID = MeshGrid()
COUNT = 25
SIGMA_MM = 0.006


class Bed:
    """A bed edited twice, with a first reading that left some 0.02 mm wrong.

    `mesh_mm` is what the mesh held from before the first edits, `more` the part of the first edits
    that the second ones repeat.
    """

    def __init__(self, score_of, seed, *, left_mm=0.02, more=0.0):
        self.rng, self.score_of = np.random.default_rng(seed), score_of
        self.mesh_mm = self.rng.normal(0, 0.05, COUNT)
        error_mm = self.rng.normal(0, 0.05, COUNT)
        first = self.sheet(error_mm)
        self.first_mm = np.round(-error_mm + self.rng.normal(0, left_mm, COUNT), 2)
        self.error_mm = error_mm + self.first_mm
        self.before = self.sheet(self.error_mm + 0.01)
        again = self.rng.normal(0, 0.006, COUNT) - self.error_mm + more * self.first_mm
        self.second_mm = np.round(again, 2)
        records = [
            RoundRecord(score=score, applied_mm=dz_mm, offset_mm=0.0, plate="", bed_c=60.0)
            for score, dz_mm in ((first, np.zeros(COUNT)), (self.before, self.first_mm))
        ]
        self.known = fuse_rounds(GRID, records)
        self.off_mm = -(self.mesh_mm + self.first_mm)

    def sheet(self, error_mm):
        noise_mm = self.rng.normal(0, SIGMA_MM, COUNT)
        return self.score_of(GRID, 0.2 + error_mm + noise_mm)

    def found(self, change_mm, ways=None):
        """Return what is found where the mesh changed by that before the last sheet."""
        after = self.sheet(self.error_mm + change_mm - 0.02)
        ways = ((1, -self.first_mm),) if ways is None else ways
        fallen = FallenBack(ways=ways, off_mm=self.off_mm)
        sheets = (self.before, after)
        lost = prove_all_lost(GRID, *sheets, self.second_mm, self.known, fallen)
        return lost, prove(GRID, *sheets, self.second_mm, state=self.known, since=2)


@pytest.mark.parametrize("seed", range(10))
def test_all_edits_lost_are_known_whatever_the_last_ones_look_like_by_themselves(score_of, seed):
    bed = Bed(score_of, seed)
    lost, _ = bed.found(-bed.first_mm)
    assert (lost.verdict, lost.lost_since) == ("not in force", 1)
    assert abs(lost.slope) < 4 * lost.sigma
    assert not lost.allows_edits
    assert f"by {lost.slope:.2f} +-{1.96 * lost.sigma:.2f} (95 %) of all that was" in lost.text
    assert "`padsheet edits --since-round 1` writes what was lost" in lost.text


OTHER = {
    "in force": lambda bed: bed.second_mm,
    "the last lost": lambda bed: 0 * bed.second_mm,
    "wrong sign": lambda bed: -bed.second_mm,
    "half": lambda bed: 0.5 * bed.second_mm,
    "twice": lambda bed: 2 * bed.second_mm,
    "turned round": lambda bed: bed.second_mm.reshape(5, 5)[::-1].ravel(),
    "mesh off": lambda bed: bed.off_mm,
    "half of the first edits gone": lambda bed: -0.5 * bed.first_mm,
    "all lost, and the first edits once more": lambda bed: -2 * bed.first_mm,
}


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("name", OTHER)
def test_what_else_may_have_happened_is_not_taken_for_it(score_of, name, seed):
    bed = Bed(score_of, seed)
    lost, alone = bed.found(OTHER[name](bed))
    assert lost is None
    if name in ("in force", "wrong sign"):
        assert alone.verdict == name


def test_last_edits_that_repeat_the_first_ones_do_not_tell_it(score_of):
    """Minus the first is then the last with a wrong sign: nobody can tell which."""
    bed = Bed(score_of, 3, left_mm=0.0, more=1.0)
    bed.second_mm = bed.first_mm.copy()
    lost, alone = bed.found(-bed.first_mm)
    assert lost is None
    assert alone.verdict == "wrong sign"


def test_first_edits_within_the_noise_do_not_tell_it(score_of):
    bed = Bed(score_of, 4)
    small_mm = 0.1 * SIGMA_MM * np.sign(bed.first_mm)
    lost, _ = bed.found(-small_mm, ((1, -small_mm),))
    assert lost is None


def test_of_several_earlier_meshes_the_one_that_the_gaps_show_is_named(score_of):
    bed = Bed(score_of, 5)
    part_mm = np.where(np.arange(COUNT) % 2, bed.first_mm, 0.0)
    ways = ((1, -bed.first_mm), (2, -part_mm))
    for number, change_mm in ways:
        lost, _ = bed.found(change_mm, ways)
        assert lost.lost_since == number
        assert f"since round {number}:" in lost.text
    # Two that are alike leave it open.
    lost, _ = bed.found(-bed.first_mm, ((1, -bed.first_mm), (2, -bed.first_mm)))
    assert lost is None


def test_a_mesh_that_is_off_is_told_apart_unless_it_was_empty(score_of):
    bed = Bed(score_of, 6)
    bed.off_mm = -bed.first_mm + 0.1  # zero before the first edits, or even all over
    assert bed.found(-bed.first_mm)[0].lost_since == 1
    rough_mm = 0.003 * np.sign(bed.rng.normal(size=COUNT))
    bed.off_mm = -bed.first_mm + rough_mm  # nearly so, but another mesh
    assert bed.found(-bed.first_mm)[0] is None


def test_too_few_pads_tell_nothing(score_of):
    bed = Bed(score_of, 7)
    bed.before = score_of(
        GRID, np.full(COUNT, 0.2), unread=[(i, j) for i in range(5) for j in range(5)][3:]
    )
    assert bed.found(-bed.first_mm)[0] is None
