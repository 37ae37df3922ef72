"""The offset that the printer holds: said once, carried on by the record, overruled by hand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from padsheet.cli.main import main
from padsheet.patterns.bed import Bed, Edits, MeshGrid
from padsheet.patterns.profile import profile_text
from padsheet.scoring.advice import advise
from padsheet.scoring.applied import applied_from_json, applied_to_json
from padsheet.scoring.offset_kept import present_offset_mm
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json

GRID = MeshGrid()


def write_profile(folder: BedFolder, **edits: object) -> None:
    text = profile_text(Bed(edits=Edits(**({"offset_style": "M851"} | edits))))
    folder.profile.write_text(text, encoding="utf-8")


def run(folder: BedFolder, *words: str) -> str:
    result = CliRunner().invoke(main, ["-C", str(folder.path), *words])
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


@pytest.fixture
def folder(tmp_path: Path, score_of: Callable[..., object]) -> BedFolder:
    """Return a folder of three scored rounds on which all points are 0.05 mm too near."""
    bed = BedFolder(tmp_path)
    write_profile(bed, offset_now_mm=-1.5)
    for number in (1, 2, 3):
        score = score_of(GRID, np.full(25, 0.15), number=number)
        round_ = bed.round(number)
        round_.path.mkdir(parents=True)
        advice = advise(score, bed.bed(), mesh=None)
        assert advice.work == "offset"
        round_.scores_json.write_text(scores_to_json(score, advice), encoding="utf-8")
    return bed


def now_mm(folder: BedFolder, **keys: int) -> float | None:
    return present_offset_mm(folder, folder.bed(), **keys)


def test_what_is_recorded_is_added_to_the_profile(folder: BedFolder) -> None:
    assert now_mm(folder) == -1.5
    run(folder, "applied", "--round", "1", "--offset", "0.05", "--force")
    told = run(folder, "applied", "--offset", "-0.02")
    assert "the printer is taken to hold M851 Z-1.470 now" in told
    assert (now_mm(folder), now_mm(folder, before=3), now_mm(folder, before=1)) == (
        -1.47,
        -1.45,
        -1.5,
    )
    # Said anew, it stands in place of what was said before.
    run(folder, "applied", "--offset", "-0.03")
    assert now_mm(folder) == -1.48


def test_the_next_line_begins_from_there(folder: BedFolder) -> None:
    run(folder, "applied", "--round", "2", "--offset", "0.05", "--force")
    run(folder, "mesh", "--empty")
    assert "M851 Z-1.400" in run(folder, "edits")
    assert "from -1.450 to -1.400" in run(folder, "edits")


def test_a_value_changed_by_hand_counts_as_it_stands(folder: BedFolder) -> None:
    run(folder, "applied", "--round", "1", "--offset", "0.05", "--force")
    write_profile(folder, offset_now_mm=-1.4)
    assert now_mm(folder) == -1.4
    run(folder, "applied", "--offset", "0.02")
    assert now_mm(folder) == -1.38
    write_profile(folder, offset_now_mm=-1.5)  # as it was at first: still the user's word
    assert now_mm(folder) == -1.5


@pytest.mark.parametrize("edits", [{"offset_now_mm": None}, {"offset_style": "hand"}])
def test_where_the_profile_tells_none_nothing_is_made_up(folder: BedFolder, edits: dict) -> None:
    write_profile(folder, **({"offset_now_mm": -1.5} | edits))
    assert "taken to hold" not in run(folder, "applied", "--offset", "0.05")
    assert now_mm(folder) is None


def test_an_offset_that_lowers_by_a_larger_value(folder: BedFolder) -> None:
    write_profile(folder, offset_now_mm=-1.5, offset_sign=-1)
    run(folder, "applied", "--offset", "0.05")
    assert now_mm(folder) == -1.55


def test_what_was_set_by_another_command_does_not_count(folder: BedFolder) -> None:
    """The same number in the profile, but it stands for another setting of the printer."""
    run(folder, "applied", "--offset", "0.05")
    assert now_mm(folder) == -1.45
    write_profile(folder, offset_now_mm=-1.5, offset_style="M206")
    assert now_mm(folder) == -1.5


def test_records_of_before_do_not_count(folder: BedFolder) -> None:
    run(folder, "applied", "--offset", "0.05")
    text = folder.round(3).applied_json.read_text().replace('"offset_profile_mm": -1.5', '"x": 1')
    folder.round(3).applied_json.write_text(text)
    assert applied_from_json(text).offset_profile_mm is None
    assert now_mm(folder) == -1.5
    assert applied_from_json(applied_to_json(applied_from_json(text))) == applied_from_json(text)


def test_the_step_names_the_line_or_how_to_do_without(folder: BedFolder) -> None:
    from padsheet.scoring.todo import todo_of

    round_ = folder.round(3)
    advice = round_.read_advice()
    told = " ".join(step.text for step in todo_of(folder, round_, advice))
    assert "The line for it: M851 Z-1.450 (now Z-1.500)." in told
    write_profile(folder)
    told = " ".join(step.text for step in todo_of(folder, round_, advice))
    assert "the present one is not known here. Ask the printer" in told
    assert "set 0.05 mm more than it shows" in told
