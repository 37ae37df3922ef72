"""Random profiles and options: the G-code is replayed by a reader that shares nothing with ours.

The text is split into words by gcodeparser; what the words do is replayed here. Paths are checked
by sampling them, not by the product's formulas.
"""

from __future__ import annotations

import math
import random
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import gcodeparser
import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, event, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from padsheet.patterns import layout
from padsheet.patterns.bed import (
    Bed,
    Code,
    Edits,
    Heat,
    MeshGrid,
    Motion,
    Nozzle,
    Plate,
    Rectangle,
    Target,
)
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.ladder import Ladder, design_ladder
from padsheet.patterns.make import SheetFiles, make_sheet
from padsheet.patterns.profile import parse_bed, profile_text

# Sheets take half a second each: a quarter of the usual number of cases in an ordinary run.
# Shrinking would cost minutes; the case is printed as it was drawn.
MADE = settings(
    max_examples=25 if settings.default.derandomize else settings.default.max_examples,
    deadline=None,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
# Refusals that a valid profile may meet: the job as asked for cannot be done on this bed.
IMPOSSIBLE = {
    "ladder-impossible",
    "layout-no-room",
    "envelope-mesh-clearance",
}
ROUND_MM = 0.0015  # three decimals in the text, and in the sum of two of them
HARMLESS = ("M117 sheet", "M300 S440 P100", "M204 P500", "M400", "; a remark", "M73 P0")


def millimetres(low: float, high: float) -> st.SearchStrategy[float]:
    """Draw lengths as people write them: whole hundredths."""
    return st.integers(round(low * 100), round(high * 100)).map(lambda n: n / 100)


@dataclass(frozen=True, slots=True, kw_only=True)
class Printer:
    """What the ladder is designed for."""

    nozzle: Nozzle
    target: Target
    z_step_mm: float
    z_lowest_mm: float
    clearance_mm: float
    reach_mm: float


# The design of a ladder takes longer than all the rest, so only so many are drawn.
PRINTERS = 400


def printer_of(number: int) -> Printer:
    """Return one of a fixed lot of printers with their nozzle, first layer and reach."""
    rng = random.Random(number)
    bore = rng.choice([0.3, 0.4, 0.4, 0.4, 0.5, 0.6, 0.8])
    height = round(rng.uniform(max(0.17, 0.4 * bore), 0.62 * bore), 2)
    return Printer(
        nozzle=Nozzle(bore_mm=bore, flat_mm=round(2.2 * bore, 2)),
        target=Target(height_mm=height, width_mm=round(bore * rng.uniform(1.0, 1.5), 2)),
        z_step_mm=rng.choice([0.04, 0.02, 0.01, 0.005, 0.0025]),
        z_lowest_mm=rng.choice([0.0, 0.0, -1.0, 0.05]),
        clearance_mm=rng.choice([0.05, 0.05, 0.03, 0.07]),
        reach_mm=rng.choice([0.05, 0.06, 0.08, 0.08, *([0.1, 0.15] if bore > 0.3 else [])]),
    )


@cache
def ladder_or_error(*given: Any, pitch_mm: float) -> Ladder | PadsheetError:
    """Design each ladder once."""
    try:
        return design_ladder(*given, pitch_mm=pitch_mm)
    except PadsheetError as error:
        return error


@pytest.fixture(autouse=True, scope="module")
def remembered_ladders() -> Iterator[None]:
    """Let the layout take ladders that were designed before in this run."""

    def remembered(
        reach_mm: Any, nozzle: Nozzle, target: Target, motion: Motion, **more: Any
    ) -> Ladder:
        # Only these of the motion's values count, see `patterns.ladder`.
        motion = Motion(
            z_step_mm=motion.z_step_mm,
            z_lowest_mm=motion.z_lowest_mm,
            clearance_mm=motion.clearance_mm,
        )
        nozzle, target = replace(nozzle, filament_mm=1.75), replace(target, tolerance_mm=0.03)
        found = ladder_or_error(reach_mm, nozzle, target, motion, **more)
        if isinstance(found, PadsheetError):
            raise found
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(layout, "design_ladder", remembered)
        yield


@st.composite
def beds(draw: st.DrawFn) -> tuple[Bed, float]:
    """Draw a profile whose keys are valid each by itself and together, and a reach for it."""
    shape = draw(st.sampled_from(["rectangle", "rectangle", "round"]))
    sizes = millimetres(90, 180) | millimetres(90, 180) | millimetres(180, 330)
    size_x = draw(sizes)
    size_y = size_x if shape == "round" else draw(sizes)
    origin = draw(st.sampled_from(["corner", "centre"]))
    plate = Plate(
        shape=shape,
        size_x_mm=size_x,
        size_y_mm=size_y,
        origin=origin,
        margin_mm=draw(millimetres(0, 6)),
    )
    edge = plate.outline
    # On a round plate the corners of the mesh have to stay on it.
    least = 0.16 * size_x if shape == "round" else 8.0
    inset = [draw(millimetres(least, max(least, 30.0))) for _ in range(4)]
    mesh = MeshGrid(
        columns=draw(st.integers(2, 4)),
        rows=draw(st.integers(2, 4)),
        x_min_mm=round(edge.x_min_mm + inset[0], 3),
        x_max_mm=round(edge.x_max_mm - inset[1], 3),
        y_min_mm=round(edge.y_min_mm + inset[2], 3),
        y_max_mm=round(edge.y_max_mm - inset[3], 3),
        outside=draw(st.sampled_from(["hold", "extend", "off", "unknown"])),
        fade_height_mm=draw(st.none() | millimetres(2, 20)),
    )
    clips = tuple(
        Rectangle(
            x_min_mm=(x := draw(millimetres(edge.x_min_mm - 1, edge.x_max_mm - 5))),
            x_max_mm=x + draw(millimetres(2, 15)),
            y_min_mm=(y := draw(st.sampled_from([edge.y_min_mm - 2, edge.y_max_mm - 6]))),
            y_max_mm=y + 8,
        )
        for _ in range(draw(st.integers(0, 2)))
    )
    printer = printer_of(draw(st.integers(0, PRINTERS - 1)))
    motion = Motion(
        print_mm_s=draw(millimetres(5, 60)),
        travel_mm_s=draw(millimetres(40, 300)),
        z_mm_s=draw(millimetres(1, 30)),
        acceleration_mm_s2=draw(millimetres(100, 5000)),
        retract_mm=draw(st.just(0.0) | millimetres(0.2, 7)),
        retract_mm_s=draw(millimetres(5, 80)),
        lift_mm=draw(millimetres(0.2, 3)),
        z_step_mm=printer.z_step_mm,
        z_lowest_mm=printer.z_lowest_mm,
        z_top_mm=draw(millimetres(20, 400)),
        clearance_mm=printer.clearance_mm,
        extruder=draw(st.sampled_from(["relative", "absolute"])),
    )
    heat = Heat(
        nozzle_c=draw(st.integers(170, 300)),
        bed_c=draw(st.just(0) | st.integers(30, 120)),
        soak_min=draw(st.integers(0, 10)),
        hold_min=draw(st.integers(0, 10)),
    )
    code = Code(
        home=draw(st.sampled_from([("G28",), ("G28 X Y", "G28 Z"), ("HOME_ALL",)])),
        mesh_on=draw(st.sampled_from([("M420 S1",), ("M420 S1 Z10",), ("MESH_LOAD",), ()])),
        preamble=tuple(draw(st.lists(st.sampled_from(HARMLESS), max_size=3))),
        postamble=tuple(draw(st.lists(st.sampled_from([*HARMLESS, "M84"]), max_size=2))),
    )
    bed = Bed(
        plate=replace(plate, keep_out=clips),
        mesh=mesh,
        nozzle=replace(printer.nozzle, filament_mm=draw(st.sampled_from([1.75, 1.71, 2.85]))),
        heat=heat,
        target=replace(printer.target, tolerance_mm=draw(millimetres(0.01, 0.07))),
        motion=motion,
        code=code,
        edits=Edits(),
    )
    # What is drawn is a profile that a user could have: it comes back from its own text.
    assert parse_bed(profile_text(bed)) == bed
    return bed, printer.reach_mm


@st.composite
def options(draw: st.DrawFn, bed: Bed, reach_mm: float) -> dict[str, Any]:
    """Draw what `padsheet sheet` may be asked for, and the mesh in force."""
    active = draw(st.sampled_from(["yes", "no", "unknown"]))
    z_mm = None
    if active == "yes":
        count = bed.mesh.rows * bed.mesh.columns
        heights = st.integers(-200, 200).map(lambda n: n / 1000)
        z_mm = np.array(draw(st.lists(heights, min_size=count, max_size=count)))
        z_mm = z_mm.reshape(bed.mesh.rows, bed.mesh.columns) * draw(
            st.sampled_from([0.05, 0.1, 0.2, 1.0])
        )
    points = None
    if draw(st.booleans()):
        points = draw(st.lists(st.sampled_from(bed.mesh.nodes), min_size=1, max_size=4))
    return {
        "reach_mm": (-reach_mm, reach_mm),
        "number": draw(st.integers(1, 400)),
        "points": points,
        "mesh_active": active,
        "mesh_name": "mesh" if active == "yes" else None,
        "mesh_z_mm": z_mm,
    }


@dataclass(slots=True)
class Replay:
    """A printer that obeys the words and notes what would be wrong."""

    bed: Bed
    low_mm: float
    at: dict[str, float] = field(default_factory=lambda: {"X": 0.0, "Y": 0.0, "Z": 0.0, "E": 0.0})
    absolute: bool = True
    e_absolute: bool | None = None
    feed: float = 0.0
    homed: set[str] = field(default_factory=set)
    raised_mm: float = 0.0
    mesh: bool = False
    nozzle_c: float = 0.0
    nozzle_hot: bool = False
    bed_c: float = 0.0
    bed_hot: bool = False
    fan: bool = True
    factors: dict[int, float] = field(default_factory=dict)
    drawn: list[tuple[NDArray[np.float64], NDArray[np.float64], float]] = field(
        default_factory=list
    )
    travels: list[tuple[NDArray[np.float64], NDArray[np.float64], float]] = field(
        default_factory=list
    )

    def obey(self, letter: str, number: float, words: dict[str, float]) -> None:
        """Carry out one command."""
        key = (letter, number)
        if letter == "G" and number in (0, 1):
            self.move(words)
        elif key == ("G", 28):
            self.home({axis for axis in "XYZ" if axis in words} or set("XYZ"))
        elif key in (("G", 90), ("G", 91)):
            self.absolute, self.e_absolute = number == 90, None
        elif key in (("M", 82), ("M", 83)):
            self.e_absolute = number == 82
        elif key == ("G", 92):
            assert set(words) == {"E"}
            self.at["E"] = words["E"]
        elif letter == "M" and number in (104, 109):
            self.nozzle_c = words["S"]
            self.nozzle_hot = self.nozzle_c > 0 and (number == 109 or self.nozzle_hot)
            assert self.nozzle_c <= self.bed.heat.nozzle_c
        elif letter == "M" and number in (140, 190):
            self.bed_c = words["S"]
            self.bed_hot = self.bed_c > 0 and (number == 190 or self.bed_hot)
            assert self.bed_c <= self.bed.heat.bed_c
        elif key == ("M", 107):
            self.fan = False
        elif letter == "M" and number in (220, 221):
            self.factors[int(number)] = words["S"]
        elif key == ("M", 420):
            self.mesh = words["S"] == 1
        else:
            assert key in {
                ("G", 21), ("G", 4), ("M", 84), ("M", 117), ("M", 300), ("M", 204), ("M", 400),
                ("M", 73),
            }, key  # fmt: skip

    def home(self, axes: set[str]) -> None:
        """Home, which also switches the mesh off; never over a print."""
        assert self.raised_mm >= 5
        assert not self.drawn
        self.homed |= axes
        for axis in axes:
            self.at[axis] = math.nan
        self.mesh = False

    def move(self, words: dict[str, float]) -> None:
        """Move, feed, and check what one move must not do."""
        assert all(math.isfinite(value) for value in words.values())
        assert set(words) <= set("XYZEF")
        self.feed = words.get("F", self.feed)
        before = dict(self.at)
        for axis in set(words) - {"F"}:
            own = self.e_absolute if axis == "E" else self.absolute
            assert own is not None
            self.at[axis] = words[axis] if own else self.at[axis] + words[axis]
        if self.homed != {"X", "Y", "Z"}:
            assert set(words) <= {"Z", "F"}
            assert self.at["Z"] >= before["Z"]
            self.raised_mm += self.at["Z"] - before["Z"]
            return
        fed = self.at["E"] - before["E"]
        if fed:
            assert self.nozzle_hot
            assert self.nozzle_c == self.bed.heat.nozzle_c
        start = np.array([before[axis] for axis in "XYZ"])
        end = np.array([self.at[axis] for axis in "XYZ"])
        self.check_speed(start, end, fed)
        if {"X", "Y"}.isdisjoint(words):
            if "Z" in words:
                assert end[2] >= self.floor_mm - ROUND_MM
                assert self.bed.motion.z_lowest_mm - ROUND_MM <= end[2]
                assert end[2] <= self.bed.motion.z_top_mm + ROUND_MM
            return
        if fed > 0:
            assert self.bed_hot or self.bed.heat.bed_c == 0
            assert not self.fan
            assert self.factors == {220: 100, 221: 100}
            self.drawn.append((start, end, fed))
        else:
            assert fed == 0
            self.travels.append((start, end, fed))

    @property
    def floor_mm(self) -> float:
        """Lowest Z under which the worst bed within reach would come too near."""
        return self.bed.motion.clearance_mm - self.low_mm

    def check_speed(self, start: Any, end: Any, fed: float) -> None:
        """Hold each kind of move to its own limit."""
        motion, speed = self.bed.motion, self.feed / 60
        change = np.abs(np.nan_to_num(end - start, nan=0.0))
        # F words are whole mm/min and at least 1.
        if change[:2].any() or np.isnan(start[:2]).any():
            most = motion.print_mm_s if fed > 0 else motion.travel_mm_s
        else:
            most = motion.z_mm_s if not fed else motion.retract_mm_s
        assert 0 < speed <= most + 1 / 60
        if change[2] and change[:2].any():
            share = change[2] / np.linalg.norm(change)
            assert speed * share <= motion.z_mm_s * 1.01 + 1 / 60


def samples(start: NDArray[np.float64], end: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return places along a path, at most half a millimetre apart."""
    if np.isnan(start).any():  # the first travel: homing left the nozzle anywhere
        return end[None, :]
    count = max(2, int(np.linalg.norm(end[:2] - start[:2]) / 0.5) + 2)
    return start + (end - start) * np.linspace(0, 1, count)[:, None]


def surfaces(bed: Bed, z_mm: NDArray[np.float64], at: NDArray[np.float64]) -> dict[str, Any]:
    """Return the mesh at places inside and outside it: held, extended, or nothing."""
    grid = bed.mesh
    xs = np.linspace(grid.x_min_mm, grid.x_max_mm, grid.columns)
    ys = np.linspace(grid.y_min_mm, grid.y_max_mm, grid.rows)
    mesh = RegularGridInterpolator((ys, xs), z_mm, bounds_error=False, fill_value=None)
    x, y = at[:, 0], at[:, 1]
    held = mesh(np.column_stack([np.clip(y, ys[0], ys[-1]), np.clip(x, xs[0], xs[-1])]))
    inside = (xs[0] <= x) & (x <= xs[-1]) & (ys[0] <= y) & (y <= ys[-1])
    return {
        "hold": held,
        "extend": mesh(np.column_stack([y, x])),
        "off": np.where(inside, held, 0.0),
    }


def lowest_over_mesh(bed: Bed, z_mm: NDArray[np.float64], at: NDArray[np.float64]) -> float:
    """Return the least height over the worst bed: it follows the mesh, held or extended."""
    found = surfaces(bed, z_mm, at)
    fade = bed.mesh.fade_height_mm
    kept = 1.0 if fade is None else np.clip(1 - at[:, 2] / fade, 0, 1)
    reference = 1.0 if fade is None else max(0.0, 1 - bed.target.height_mm / fade)
    ways = ["hold", "extend", "off"] if bed.mesh.outside == "unknown" else [bed.mesh.outside]
    heights = [
        at[:, 2] + found[way] * kept - found[under] * reference
        for way in ways
        for under in ("hold", "extend")
    ]
    return float(np.min(heights))


def check_places(replay: Replay, z_mm: NDArray[np.float64] | None) -> None:
    """Check every path, along its whole length."""
    bed, plate = replay.bed, replay.bed.plate
    edge = plate.outline
    drawn = np.concatenate([samples(start, end) for start, end, _ in replay.drawn])
    travel = np.concatenate([samples(start, end) for start, end, _ in replay.travels])
    both = np.concatenate([drawn, travel])
    assert both[:, 2].min() >= replay.floor_mm - ROUND_MM
    if z_mm is not None:
        lowest = lowest_over_mesh(bed, z_mm, both) + replay.low_mm
        assert lowest >= bed.motion.clearance_mm / 2 - ROUND_MM
    assert travel[:, 2].min() >= drawn[:, 2].max() + 0.15
    for clip in plate.keep_out:
        assert not over(clip, drawn).any()
        high = travel[over(clip, travel), 2]
        assert not high.size or high.min() >= 10 - ROUND_MM
    for at, area in (
        (drawn, edge.grown(ROUND_MM - plate.margin_mm)),
        (travel, edge.grown(ROUND_MM)),
    ):
        assert at[:, 0].min() >= area.x_min_mm
        assert at[:, 0].max() <= area.x_max_mm
        assert at[:, 1].min() >= area.y_min_mm
        assert at[:, 1].max() <= area.y_max_mm
    if plate.shape == "round":
        middle = np.array([edge.x_min_mm + edge.x_max_mm, edge.y_min_mm + edge.y_max_mm]) / 2
        far = np.hypot(*(drawn[:, :2] - middle).T).max()
        assert far <= plate.size_x_mm / 2 - plate.margin_mm + 2 * ROUND_MM


def over(clip: Rectangle, at: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell which places lie inside a clip."""
    x, y = at[:, 0], at[:, 1]
    slack = ROUND_MM
    return np.asarray(
        (x > clip.x_min_mm + slack)
        & (x < clip.x_max_mm - slack)
        & (y > clip.y_min_mm + slack)
        & (y < clip.y_max_mm - slack)
    )


def check_volume(replay: Replay, files: SheetFiles) -> None:
    """Compare what is fed with what the sheet commands, in all and for each line."""
    filament = math.pi * replay.bed.nozzle.filament_mm**2 / 4
    asked = [
        (math.dist(a, b), area)
        for stroke in files.sheet.strokes
        for a, b, area in zip(stroke.xyz_mm, stroke.xyz_mm[1:], stroke.area_mm2, strict=False)
        if math.dist(a, b) > 5e-4
    ]
    assert len(asked) == len(replay.drawn)
    for (length, area), (start, end, fed) in zip(asked, replay.drawn, strict=True):
        # E has five decimals, of which the one before passes its remainder on.
        assert abs(fed * filament - area * length) <= 1.1e-5 * filament
        assert abs(float(np.linalg.norm(end - start)) - length) <= 3 * ROUND_MM
    total = sum(length * area for length, area in asked)
    fed_mm3 = sum(fed for _, _, fed in replay.drawn) * filament
    assert abs(fed_mm3 - total) <= 1e-5 * filament * len(files.sheet.strokes) + 1e-9 * total


def replayed(bed: Bed, files: SheetFiles, low_mm: float) -> Replay:
    """Replay a whole text; macro lines of the profile stand for plain commands here."""
    replay = Replay(bed=bed, low_mm=low_mm)
    text = re.sub(r"^HOME_ALL$", "G28", files.gcode, flags=re.MULTILINE)
    text = re.sub(r"^MESH_LOAD$", "M420 S1", text, flags=re.MULTILINE)
    text = re.sub(r"^M117 .*$", "M117", text, flags=re.MULTILINE)
    active = files.sheet.mesh_active
    for line in gcodeparser.parse_gcode_lines(text):
        letter, number = line.command
        assert number is not None
        replay.obey(letter, number, {word: float(value) for word, value in line.params.items()})
        if replay.drawn and bed.code.mesh_on:
            assert replay.mesh is (active != "no")
    return replay


def check_all(replay: Replay, files: SheetFiles, z_mm: NDArray[np.float64] | None) -> None:
    """Check a whole print."""
    assert replay.drawn
    check_places(replay, z_mm)
    check_volume(replay, files)
    assert replay.nozzle_c == replay.bed_c == 0
    assert not replay.fan


@MADE
@given(data=st.data())
def test_a_valid_profile_gives_a_safe_sheet_of_the_commanded_volume(data: st.DataObject) -> None:
    bed, reach_mm = data.draw(beds())
    asked = data.draw(options(bed, reach_mm))
    try:
        files = make_sheet(bed, **asked)
    except PadsheetError as error:
        event(error.code)
        assert error.code in IMPOSSIBLE, error  # noqa: PT017 -- most draws raise nothing
        return
    event("made")
    check_all(replayed(bed, files, -reach_mm), files, asked["mesh_z_mm"])


SABOTAGE = [
    (r"\bZ0\.(\d+)\b", "Z0.05"),  # too low, or a travel at print height
    (r"\bE0\.(\d+)\b", "E0.9"),  # too much
    (r"^G1 X\d", "G1 X9"),  # elsewhere, likely beyond the edge
    (r"^G28.*$", "M400"),
    (r"^M420 S1.*$", "M420 S0"),
    (r"^M109 .*$", "M400"),
    (r"^M83\b", "M82"),
    (r"\bF\d+$", "F60000"),
    (r"^M104 S0$", "M400"),
]


@pytest.mark.parametrize(("old", "new"), SABOTAGE, ids=[old for old, _ in SABOTAGE])
def test_the_replay_finds_what_is_wrong(old: str, new: str) -> None:
    bed = parse_bed("[plate]\nsize_x_mm = 120\nsize_y_mm = 120\n[mesh]\ncolumns = 2\nrows = 2")
    files = make_sheet(bed, reach_mm=(-0.08, 0.08), mesh_active="yes")
    check_all(replayed(bed, files, -0.08), files, None)
    changed = re.sub(old, new, files.gcode, flags=re.MULTILINE)
    assert changed != files.gcode
    with pytest.raises(AssertionError):
        check_all(replayed(bed, replace(files, gcode=changed), -0.08), files, None)
