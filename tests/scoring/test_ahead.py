"""No sheet comes nearer to a bed than the clearance where the records tell that it would."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import re
import shlex
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from padsheet.cli.main import main
from padsheet.patterns.bed import Bed, MeshGrid, Plate, Screw
from padsheet.patterns.make import make_sheet
from padsheet.patterns.profile import profile_text
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring import ahead as ahead_module
from padsheet.scoring.advice import advise
from padsheet.scoring.ahead import look_ahead, nearest
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.history import standing
from padsheet.scoring.mesh import Mesh, empty_mesh, interpolate
from padsheet.scoring.rounds import BedFolder
from padsheet.scoring.scores import scores_to_json

GRID = MeshGrid()
CLEARANCE_MM = 0.05
SCREWS = tuple(
    Screw(name=name, x_mm=x, y_mm=y)
    for name, x, y in (("a", 25, 25), ("b", 195, 25), ("c", 25, 195), ("d", 195, 195))
)
#: A bed from -0.16 to +0.19 mm, which a mesh of the same values makes flat.
BED_MM = np.random.default_rng(3).uniform(-0.08, 0.08, (5, 5)).round(3)
BED_MM[0, 0], BED_MM[4, 4] = -0.16, 0.19
#: The mesh before the last edits: off by up to 0.086 mm.
EARLIER_MM = BED_MM + np.random.default_rng(4).uniform(-0.03, 0.03, (5, 5)).round(3)
EARLIER_MM[4, 4] = BED_MM[4, 4] - 0.086


def run(folder: BedFolder, *words: str, text: str | None = None) -> Result:
    return CliRunner().invoke(main, ["-C", str(folder.path), *words], input=text)


def said(result: Result) -> str:
    return " ".join(result.stderr.split())


def mesh(z_mm: np.ndarray, name: str) -> Mesh:
    return Mesh(grid=GRID, z_mm=z_mm, name=name)


@pytest.fixture(scope="module")
def a_sheet() -> Sheet:
    return make_sheet(Bed(mesh=GRID), reach_mm=(-0.15, 0.15)).sheet


def test_all_that_is_printed_is_looked_at(a_sheet: Sheet) -> None:
    wanted = set()
    for stroke in a_sheet.strokes:
        for start, end in itertools.pairwise(np.array(stroke.xyz_mm)):
            count = max(1, math.ceil(math.dist(start[:2], end[:2]) / ahead_module.LOOK_EVERY_MM))
            for part in np.arange(count + 1) / count:
                wanted.add(tuple((start + (end - start) * part).round(4).tolist()))
    assert ahead_module._printed_mm(a_sheet).tolist() == sorted(map(list, wanted))


@pytest.fixture
def folder(tmp_path: Path) -> BedFolder:
    (tmp_path / "bed.toml").write_text(profile_text(Bed(mesh=GRID)), encoding="utf-8")
    return BedFolder(tmp_path)


@pytest.fixture
def add_round(
    folder: BedFolder, a_sheet: Sheet, score_of: Callable[..., object]
) -> Callable[..., None]:
    """Write a scored round of the bed, printed with the mesh that the printer holds."""

    def add(errors_mm: np.ndarray | None = None, **keys: object) -> None:
        round_, held, bed = folder.next_round(), folder.active_mesh(), folder.bed()
        round_.path.mkdir(parents=True)
        sheet = dataclasses.replace(
            a_sheet, number=round_.number, mesh_active="yes", mesh_name=held.name
        )
        round_.sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")
        errors_mm = held.z_mm - BED_MM if errors_mm is None else errors_mm
        score = score_of(GRID, 0.2 + errors_mm, number=round_.number, **keys)
        state = standing(folder, round_.number, score=score).state
        advice = advise(score, bed, mesh=held, state=state)
        text = scores_to_json(score, advice, plate=bed.plate.name, bed_c=bed.heat.bed_c)
        round_.scores_json.write_text(text, encoding="utf-8")

    return add


@pytest.fixture
def finished(folder: BedFolder, add_round: Callable[..., None]) -> BedFolder:
    """Return a bed brought to flat in two rounds."""
    folder.store_mesh(mesh(EARLIER_MM, "earlier"))
    add_round()
    folder.store_mesh(mesh(BED_MM, "flat"))
    say(folder, 1, before="earlier", after="flat", how="meshes")
    add_round()
    assert folder.round(2).read_advice().done
    return folder


def say(folder: BedFolder, number: int, **keys: object) -> None:
    applied = Applied(**{"how": "word", "nodes": (), **keys})
    folder.round(number).applied_json.write_text(applied_to_json(applied), encoding="utf-8")


def take_in(folder: BedFolder, z_mm: np.ndarray) -> None:
    text = "\n".join(" ".join(f"{z:.3f}" for z in row) for row in z_mm)
    result = run(folder, "mesh", "-", "--yes", "--first-row", "front", text=text)
    assert result.exit_code == 0, result.output


def lowest_gap_mm(folder: BedFolder, number: int = 3, *, offset_mm: float = 0.0) -> float:
    """Return the true gap where the newest sheet's combs come nearest to the bed."""
    sheet = make_again(folder, number)
    held = folder.active_mesh() if sheet.mesh_active == "yes" else empty_mesh(GRID)
    points = np.array(
        [point for s in sheet.strokes if s.part in ("comb", "coupon") for point in s.xyz_mm]
    )
    x_mm, y_mm, z_mm = points.T
    gap_mm = z_mm + interpolate(held, x_mm, y_mm) - interpolate(mesh(BED_MM, "bed"), x_mm, y_mm)
    return float(gap_mm.min()) + offset_mm


def make_again(folder: BedFolder, number: int) -> Sheet:
    """Return a sheet with its strokes, which sheet.json does not hold."""
    sheet = folder.round(number).read_sheet()
    low, high = sheet.reach_mm
    held = folder.active_mesh() if sheet.mesh_active == "yes" else None
    files = make_sheet(
        folder.bed(),
        reach_mm=(low, round(high - max(pad.lift_mm for pad in sheet.pads), 6)),
        number=number,
        points=[(pad.i, pad.j) for pad in sheet.pads],
        mesh_active=sheet.mesh_active,
        mesh_name=sheet.mesh_name,
        mesh_z_mm=None if held is None else held.z_mm,
        self_check=sheet.self_check,
    )
    assert files.sheet.id == sheet.id
    return files.sheet


def refused(folder: BedFolder, *words: str) -> str:
    before = {path: path.read_bytes() for path in folder.path.rglob("*") if path.is_file()}
    result = run(folder, "sheet", *words)
    assert result.exit_code == 1, result.output
    assert "[sheet-too-near]" in result.stderr
    after = {path: path.read_bytes() for path in folder.path.rglob("*") if path.is_file()}
    assert after == before
    return said(result)


def written(folder: BedFolder, *words: str) -> str:
    result = run(folder, "sheet", *words)
    assert result.exit_code == 0, result.output
    return said(result)


def reach_mm(folder: BedFolder, number: int = 3) -> float:
    return -folder.round(number).read_sheet().reach_mm[0]


def test_a_finished_bed_gets_a_fine_sheet(finished: BedFolder) -> None:
    assert "in place of fine" not in written(finished)
    assert reach_mm(finished) == 0.08
    assert lowest_gap_mm(finished) > 0.12


# --- the bed without the mesh that it needs --------------------------------------------------


@pytest.mark.parametrize("words", [(), ("--reach", "fine"), ("--reach", "0.1"), ("--force",)])
def test_a_self_check_without_the_mesh_that_the_bed_needs_is_refused(
    finished: BedFolder, words: tuple[str, ...]
) -> None:
    told = refused(finished, "--self-check", "--no-mesh", *words)
    assert "into the bed near column 5, row 5" in told or "from the bed near column 5" in told
    assert "Leave out --no-mesh" in told


def test_a_self_check_with_the_mesh_is_fine(finished: BedFolder) -> None:
    written(finished, "--self-check")
    assert reach_mm(finished) == 0.08
    assert lowest_gap_mm(finished) > CLEARANCE_MM


def test_the_lift_of_a_pad_counts(finished: BedFolder) -> None:
    """Lifted all over, the sheet keeps off by just as much more."""
    ahead = look_ahead(finished, finished.bed(), empty_mesh(GRID))
    assert ahead is not None
    sheet = make_sheet(finished.bed(), reach_mm=(-0.08, 0.08), mesh_active="no").sheet
    strokes = tuple(
        dataclasses.replace(s, xyz_mm=tuple((x, y, z + 0.06) for x, y, z in s.xyz_mm))
        for s in sheet.strokes
    )
    lifted = dataclasses.replace(sheet, strokes=strokes)
    assert nearest(ahead, lifted).gap_mm == pytest.approx(nearest(ahead, sheet).gap_mm + 0.06)


def test_strokes_are_looked_at_up_to_both_ends(finished: BedFolder) -> None:
    """A line that comes down along its length is lowest where it ends, or where it begins."""
    ahead = look_ahead(finished, finished.bed(), finished.active_mesh())
    assert ahead is not None
    sheet = make_sheet(finished.bed(), reach_mm=(-0.08, 0.08)).sheet
    down = ((110.0, 104.0, 0.5), (110.0, 116.0, 0.2))
    end = ((110.0, 116.0, 0.2), (110.0, 116.1, 0.2))

    def gap_mm(*points: tuple[float, float, float]) -> float:
        stroke = dataclasses.replace(sheet.strokes[0], xyz_mm=points)
        return nearest(ahead, dataclasses.replace(sheet, strokes=(stroke,))).gap_mm

    assert gap_mm(*down) == pytest.approx(gap_mm(*end), abs=1e-3)
    assert gap_mm(*reversed(down)) == pytest.approx(gap_mm(*end), abs=1e-3)


def test_an_ordinary_sheet_without_the_mesh_is_refused_too(finished: BedFolder) -> None:
    assert "Leave out --no-mesh" in refused(finished, "--no-mesh")


def test_spots_where_the_bed_is_known_to_be_low_enough_can_be_printed(finished: BedFolder) -> None:
    refused(finished, "--no-mesh", "--points", "5,5")
    written(finished, "--no-mesh", "--points", "1,1")
    assert lowest_gap_mm(finished) >= CLEARANCE_MM


def test_only_a_reach_asked_for_and_force_together_print_it(finished: BedFolder) -> None:
    told = written(finished, "--no-mesh", "--reach", "fine", "--force")
    assert "Caution: by round 2" in told
    assert lowest_gap_mm(finished) < CLEARANCE_MM


# --- the mesh reset, or an earlier one restored ----------------------------------------------


def test_a_reset_mesh_is_reckoned_with(finished: BedFolder) -> None:
    take_in(finished, np.zeros((5, 5)))
    for words in ((), ("--reach", "fine"), ("--reach", "first")):
        told = refused(finished, *words)
        assert (
            f"Bring back the mesh of the newest sheet: `padsheet -C {finished.path} restore`"
            in told
        )


def test_the_raise_that_is_named_is_enough(finished: BedFolder) -> None:
    take_in(finished, np.zeros((5, 5)))
    told = refused(finished)
    raised = re.search(r"applied --offset ([0-9.]+)`", told)
    assert raised is not None
    assert run(finished, "applied", "--offset", raised[1]).exit_code == 0
    written(finished)
    assert reach_mm(finished) == 0.15
    assert lowest_gap_mm(finished, offset_mm=float(raised[1])) > CLEARANCE_MM
    less = f"{float(raised[1]) - 0.02:.2f}"
    assert run(finished, "applied", "--offset", less).exit_code == 0
    refused(finished, "--force")


def test_an_earlier_mesh_takes_the_wider_reach(finished: BedFolder) -> None:
    take_in(finished, EARLIER_MM)
    told = written(finished)
    assert "Reach first in place of fine: by round 2 and what is on record since" in told
    assert reach_mm(finished) == 0.15
    assert lowest_gap_mm(finished) > CLEARANCE_MM


def test_a_reach_asked_for_is_refused_with_the_one_that_holds(finished: BedFolder) -> None:
    take_in(finished, EARLIER_MM)
    told = refused(finished, "--reach", "fine")
    assert f"keeps clear of the bed: `padsheet -C {finished.path} sheet --reach first`" in told
    written(finished, "--reach", "first")


# --- screws, offset, plate --------------------------------------------------------------------


def test_screws_turned_by_nobody_knows_how_much(finished: BedFolder) -> None:
    assert run(finished, "applied", "--screws").exit_code == 0
    told = written(finished)
    assert "Reach first in place of fine: a bed screw was turned after round 2" in told
    assert reach_mm(finished) == 0.15


def test_a_fine_sheet_asked_for_after_screws_is_refused_unless_forced(finished: BedFolder) -> None:
    assert run(finished, "applied", "--screws").exit_code == 0
    told = refused(finished, "--reach", "fine")
    assert "by how much is not known; a sheet of reach fine may then come too near" in told
    assert f"`padsheet -C {finished.path} sheet --reach first`" in told
    forced = written(finished, "--reach", "fine", "--force")
    assert "Caution: a bed screw was turned" in forced


def test_an_offset_on_record_is_reckoned_with(finished: BedFolder) -> None:
    assert run(finished, "applied", "--offset", "-0.06").exit_code == 0
    assert "Reach first in place of fine" in written(finished)
    assert lowest_gap_mm(finished, offset_mm=-0.06) > CLEARANCE_MM
    assert run(finished, "applied", "--offset", "-0.16").exit_code == 0
    assert "[sheet-too-near]" in run(finished, "sheet", "--force").stderr


def test_another_plate_is_not_known(finished: BedFolder) -> None:
    bed = Bed(mesh=GRID, plate=Plate(name="glass"))
    finished.profile.write_text(profile_text(bed), encoding="utf-8")
    assert "printed on another plate" in written(finished)
    assert reach_mm(finished) == 0.15


def test_points_that_nobody_read_do_not_keep_the_bed_back(
    folder: BedFolder, add_round: Callable[..., None]
) -> None:
    folder.store_mesh(mesh(BED_MM, "flat"))
    add_round(unread=[(i, j) for i, j in GRID.nodes if j > 1])
    assert "in place of fine" not in written(folder)
    assert reach_mm(folder, 2) == 0.08


def test_pads_that_are_expected_too_high_take_the_wider_reach(
    folder: BedFolder, add_round: Callable[..., None]
) -> None:
    folder.store_mesh(mesh(BED_MM, "flat"))
    add_round(np.where(np.arange(25).reshape(5, 5) == 7, 0.11, 0.0))
    say(folder, 1)
    assert "at column 3, row 2 is expected to be +0.1" in written(folder)
    assert reach_mm(folder, 2) == 0.15


def tilted(width_mm: float) -> np.ndarray:
    return np.add.outer(np.zeros(5), np.linspace(-width_mm, width_mm, 5))


def test_screws_turned_as_advised_are_reckoned_with(
    folder: BedFolder, add_round: Callable[..., None]
) -> None:
    folder.profile.write_text(profile_text(Bed(mesh=GRID, screws=SCREWS)), encoding="utf-8")
    folder.store_mesh(mesh(BED_MM, "flat"))
    add_round(tilted(0.13))
    assert folder.round(1).read_advice().work == "screws"
    told = refused(folder)
    first, second = (f"`padsheet -C {folder.path} applied {o}`" for o in ("--screws", "--no-edits"))
    assert f"say the first of these; if not, the second: {first}, {second}." in told
    assert run(folder, "applied", "--screws").exit_code == 0
    ahead = look_ahead(folder, folder.bed(), folder.active_mesh())
    (state,) = ahead.states
    rise_mm = np.array([s.bed_mm for s in folder.round(1).read_advice().screws])
    # Screws and mesh end in the same places across, or nearly: the tilt is gone but for rounding.
    assert rise_mm == pytest.approx([-0.0875, 0.0875, -0.0875, 0.0875])
    left_mm = 0.13 - 0.0875 * (GRID.x_mm[-1] - GRID.x_mm[0]) / 170
    assert state.error_mm.reshape(5, 5)[:, -1] == pytest.approx(np.full(5, left_mm), abs=0.005)
    told = written(folder)
    assert "Reach first in place of fine" in told
    assert reach_mm(folder, 2) == 0.15


def test_screws_that_were_not_turned_after_all(
    folder: BedFolder, add_round: Callable[..., None]
) -> None:
    folder.profile.write_text(profile_text(Bed(mesh=GRID, screws=SCREWS)), encoding="utf-8")
    folder.store_mesh(mesh(BED_MM, "flat"))
    add_round(tilted(0.13))
    assert run(folder, "applied", "--no-edits").exit_code == 0
    told = refused(folder, "--reach", "first")
    assert "is not on record" not in told
    assert f"which keeps clear of the bed: `padsheet -C {folder.path} sheet --reach 0.16`" in told
    assert "Reach 0.16 in place of fine" in written(folder)
    assert reach_mm(folder, 2) == 0.16
    assert lowest_gap_mm(folder, 2) > CLEARANCE_MM


@pytest.fixture
def turned_wrongly(folder: BedFolder, add_round: Callable[..., None]) -> BedFolder:
    """Return a bed whose tilt grew by the turns of round 1, and whose screws were turned again."""
    screws = tuple(dataclasses.replace(screw, raises="clockwise") for screw in SCREWS)
    folder.profile.write_text(profile_text(Bed(mesh=GRID, screws=screws)), encoding="utf-8")
    folder.store_mesh(mesh(BED_MM, "flat"))
    for number, width_mm in ((1, 0.09), (2, 0.13)):
        add_round(tilted(width_mm))
        assert folder.round(number).read_advice().work == "screws"
        assert run(folder, "applied", "--screws").exit_code == 0
    return folder


def test_turns_that_went_the_other_way_before_may_do_so_again(turned_wrongly: BedFolder) -> None:
    """Turned as meant a sheet of wide reach is safe; the other way it would be in the bed."""
    told = refused(turned_wrongly)
    assert "If those of round 2 do so too, a sheet of reach first may bring the nozzle" in told
    assert "into the bed near column 1" in told
    assert "Look which way the knobs a, b, c and d move the bed" in told
    refused(turned_wrongly, "--reach", "first")
    # Who has looked says so.
    assert "Caution: turns of bed screws" in written(turned_wrongly, "--reach", "first", "--force")


def test_turns_that_are_not_on_record_may_have_gone_the_other_way_too(
    turned_wrongly: BedFolder,
) -> None:
    """Advised again and not said: not turned, turned as meant, or turned the other way."""
    turned_wrongly.round(2).applied_json.unlink()
    ahead = look_ahead(turned_wrongly, turned_wrongly.bed(), turned_wrongly.active_mesh())
    assert ahead is not None
    assert ahead.unsaid == (("--screws", "--no-edits"),)
    assert ahead.screws
    assert ahead.doubtful == ("a", "b", "c", "d")
    still, as_meant = ahead.sure
    assert ahead.states[:2] == ahead.sure
    # The last column lies too high: with all turns as meant less so, the other way as much more.
    still_mm, as_meant_mm = (state.error_mm.reshape(5, 5)[2, -1] for state in (still, as_meant))
    assert as_meant_mm < still_mm - 0.05
    other_way_mm = max(state.error_mm.reshape(5, 5)[2, -1] for state in ahead.states[2:])
    assert other_way_mm - still_mm == pytest.approx(still_mm - as_meant_mm, abs=0.01)


def test_turns_told_by_a_corrected_profile_are_reckoned_with_as_meant(
    turned_wrongly: BedFolder,
) -> None:
    round_ = turned_wrongly.round(2)
    data = json.loads(round_.scores_json.read_text(encoding="utf-8"))
    for screw in data["advice"]["screws"]:
        screw["raises"] = "counter-clockwise"
    round_.scores_json.write_text(json.dumps(data), encoding="utf-8")
    assert "Reach first in place of fine" in written(turned_wrongly)


@pytest.mark.parametrize(("low_mm", "clear"), [(-0.05, True), (-0.16, False)])
def test_with_an_unknown_mesh_the_gaps_seen_last_count_as_if_it_were_the_same(
    folder: BedFolder, a_sheet: Sheet, score_of: Callable[..., object], low_mm: float, clear: bool
) -> None:
    round_ = folder.round(1)
    round_.path.mkdir(parents=True)
    sheet = dataclasses.replace(a_sheet, number=1, mesh_active="no", mesh_name=None)
    round_.sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")
    gaps_mm = 0.2 + np.where(np.arange(25) < 5, low_mm, 0.0)
    text = scores_to_json(score_of(GRID, gaps_mm, number=1), plate=folder.bed().plate.name)
    round_.scores_json.write_text(text, encoding="utf-8")
    if clear:
        assert "Reach first in place of fine: how the mesh in force differs" in written(folder)
        assert reach_mm(folder, 2) == 0.15
    else:
        told = refused(folder)
        assert "row 1 (95 % bound)" in told
        assert "If the printer holds another mesh by now, take it in" in told


def test_a_round_without_its_sheet_file_is_reckoned_with_by_what_is_on_record(
    finished: BedFolder,
) -> None:
    """What its mesh was is not known; what was changed since may be."""
    finished.round(2).sheet_json.unlink()
    say(finished, 2, nodes=((4, 4, 0.04),))
    for now in (None, finished.active_mesh()):
        ahead = look_ahead(finished, finished.bed(), now)
        assert ahead is not None
        assert not ahead.unknown
        (state,) = ahead.states
        error_mm = state.error_mm.reshape(5, 5)
        assert error_mm[4, 4] - error_mm[0, 4] == pytest.approx(0.04, abs=0.01)


def test_where_nothing_can_be_reckoned_nothing_is_said_to_be_set(finished: BedFolder) -> None:
    bed = Bed(mesh=GRID, plate=Plate(name="glass"))
    ahead = look_ahead(finished, bed, finished.active_mesh())
    assert ahead is not None
    assert (ahead.states, ahead.sure, ahead.unsaid, ahead.doubtful) == ((), (), (), ())
    assert (ahead.offset_mm, ahead.set_in_all_mm) == (0.0, 0.0)
    assert not ahead.screws
    assert not ahead.mesh_lowered


# --- the sheet that is advised -----------------------------------------------------------------


def follow(folder: BedFolder, result: Result) -> list[list[str]]:
    """Do what is told after a record, in its order, and return the commands."""
    assert result.exit_code == 0, result.output
    told = [shlex.split(line) for line in result.stderr.splitlines() if "  padsheet" in line]
    commands = [words[words.index(str(folder.path)) + 1 :] for words in told]
    for words in commands:
        done = run(folder, *words)
        assert done.exit_code == 0, (words, done.output)
    return commands


@pytest.mark.parametrize(
    ("common_mm", "words"),
    [
        (0.02, [["sheet", "--reach", "first"]]),
        (-0.005, [["sheet", "--reach", "0.16"]]),
        (-0.08, [["applied", "--offset", "0.08"], ["sheet", "--reach", "first"]]),
    ],
)
def test_the_sheet_that_is_advised_after_screws_is_not_refused(
    folder: BedFolder, add_round: Callable[..., None], common_mm: float, words: list[list[str]]
) -> None:
    folder.profile.write_text(profile_text(Bed(mesh=GRID, screws=SCREWS)), encoding="utf-8")
    folder.store_mesh(mesh(BED_MM, "flat"))
    bumps_mm = np.random.default_rng(8).normal(0, 0.03, (5, 5))
    add_round(tilted(0.15) + bumps_mm + common_mm)
    assert folder.round(1).read_advice().work == "screws"
    assert follow(folder, run(folder, "applied", "--screws")) == words


@pytest.mark.parametrize("bound_mm", [0.16, 0.08])
def test_the_raise_that_is_advised_off_the_lower_end_of_a_sheet_is_enough(
    folder: BedFolder, add_round: Callable[..., None], bound_mm: float
) -> None:
    folder.store_mesh(mesh(BED_MM, "flat"))
    add_round(np.full((5, 5), -0.1), bounds=dict.fromkeys(GRID.nodes, (None, bound_mm)))
    advice = folder.round(1).read_advice()
    assert advice.work == "withheld"
    raised_mm = advice.offset_to_set_mm
    assert raised_mm > 0
    # Not on record, it may or may not have been done.
    told = refused(folder)
    assert "what was advised after it is not on record" in told
    assert f"applied --offset {raised_mm:.2f}`" in told
    assert run(folder, "applied", "--offset", f"{raised_mm:.2f}").exit_code == 0
    written(folder, "--reach", "first")


@pytest.mark.parametrize("outside", ["hold", "extend"])
@pytest.mark.parametrize("seed", range(3))
def test_the_reach_that_scores_advise_is_not_refused_once_all_is_done(
    tmp_path: Path, a_sheet: Sheet, score_of: Callable[..., object], seed: int, outside: str
) -> None:
    """Told by a bound on all of the plate, it holds for the lines of the sheet itself."""
    rng = np.random.default_rng(seed)
    bed = Bed(mesh=MeshGrid(outside=outside), screws=SCREWS if seed == 2 else ())
    (tmp_path / "bed.toml").write_text(profile_text(bed), encoding="utf-8")
    folder = BedFolder(tmp_path)
    held = Mesh(grid=bed.mesh, z_mm=np.zeros((5, 5)), name="flat")
    folder.store_mesh(held)
    round_ = folder.round(1)
    round_.path.mkdir(parents=True)
    sheet = dataclasses.replace(a_sheet, number=1, mesh_active="yes", mesh_name="flat")
    round_.sheet_json.write_text(sheet_to_json(sheet), encoding="utf-8")
    error_mm = rng.normal(0, 0.05, (5, 5)) + tilted(0.14 * (seed == 2)) - 0.08 * seed
    score = score_of(bed.mesh, 0.2 + error_mm, number=1, sigma_mm=0.015)
    advice = advise(score, bed, mesh=held)
    assert advice.work == ("screws" if seed == 2 else "mesh")
    text = scores_to_json(score, advice, plate=bed.plate.name, bed_c=bed.heat.bed_c)
    round_.scores_json.write_text(text, encoding="utf-8")
    (step,) = (step for step in round_.read_advice().steps if step.kind == "sheet")
    options = ["--screws"] if seed == 2 else ["--as-advised"]
    options += ["--offset", f"{advice.offset_mm:.2f}"] if advice.set_offset else []
    recorded = run(folder, "applied", *options)
    assert recorded.exit_code == 0, recorded.output
    if step.reach:
        assert f"with --reach {step.reach}" in step.text
        written(folder, "--reach", step.reach)
    else:
        assert "may ask you to raise the nozzle first" in step.text
        follow(folder, recorded)
