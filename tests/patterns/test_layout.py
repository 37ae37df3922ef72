"""Layout of sheets on many beds: what must lie where, what must not overlap, in which order."""

from __future__ import annotations

import itertools
import math
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from padsheet.patterns.bed import Bed, MeshGrid, Motion, Nozzle, Plate, Rectangle, Target
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.estimate import estimate
from padsheet.patterns.ladder import Ladder
from padsheet.patterns.layout import SELF_CHECK_LIFT_MM, Layout, lay_out_sheet
from padsheet.patterns.markers import PLACES, marker_id, sheet_number_of
from padsheet.patterns.sheet import Sheet, Stroke

FINE = (-0.08, 0.08)


def mesh(
    columns: int, rows: int, inset: float = 20.0, size: float = 220.0, **more: object
) -> MeshGrid:
    return MeshGrid(
        columns=columns,
        rows=rows,
        x_min_mm=inset,
        x_max_mm=size - inset,
        y_min_mm=inset,
        y_max_mm=size - inset,
        **more,
    )


CLIPS = (
    Rectangle(x_min_mm=0, y_min_mm=95, x_max_mm=12, y_max_mm=125),
    Rectangle(x_min_mm=208, y_min_mm=95, x_max_mm=220, y_max_mm=125),
    Rectangle(x_min_mm=90, y_min_mm=0, x_max_mm=130, y_max_mm=8),
)
# So far around the middle point that its pad has nowhere to stand.
KEPT_OUT = Rectangle(x_min_mm=75, y_min_mm=75, x_max_mm=145, y_max_mm=145)
CENTRED = MeshGrid(columns=5, rows=5, x_min_mm=-85, x_max_mm=85, y_min_mm=-85, y_max_mm=85)
ROUND = Plate(shape="round", size_x_mm=240, size_y_mm=240, origin="centre")
BEDS = {
    "default": Bed(),
    "2 x 2": Bed(mesh=mesh(2, 2)),
    "3 x 4": Bed(mesh=mesh(3, 4)),
    "4 x 3 held": Bed(mesh=mesh(4, 3, outside="hold")),
    "5 x 5 extended": Bed(mesh=mesh(5, 5, inset=10, outside="extend")),
    "5 x 5 off": Bed(mesh=mesh(5, 5, inset=30, outside="off")),
    "clips": Bed(plate=Plate(keep_out=CLIPS)),
    "a point kept out": Bed(plate=Plate(keep_out=(KEPT_OUT,))),
    "centre": Bed(plate=Plate(origin="centre"), mesh=CENTRED),
    "round": Bed(
        plate=ROUND,
        mesh=MeshGrid(
            columns=5,
            rows=5,
            x_min_mm=-75,
            x_max_mm=75,
            y_min_mm=-75,
            y_max_mm=75,
            skip=((0, 0), (4, 0), (0, 4), (4, 4)),
        ),
    ),
    "oblong": Bed(
        plate=Plate(size_x_mm=300, size_y_mm=200),
        mesh=MeshGrid(columns=6, rows=4, x_min_mm=20, x_max_mm=280, y_min_mm=20, y_max_mm=180),
    ),
    "large": Bed(plate=Plate(size_x_mm=350, size_y_mm=350), mesh=mesh(7, 7, size=350)),
    "15 x 15": Bed(mesh=mesh(15, 15)),
    "wide bore": Bed(
        nozzle=Nozzle(bore_mm=0.6, flat_mm=1.3), target=Target(height_mm=0.28, width_mm=0.6)
    ),
    "fine drive": Bed(motion=Motion(z_step_mm=0.01)),
}


@pytest.fixture(scope="module")
def layouts() -> dict[str, Layout]:
    return {name: lay_out_sheet(bed, reach_mm=FINE) for name, bed in BEDS.items()}


@pytest.fixture(scope="module", params=list(BEDS))
def laid(request: pytest.FixtureRequest, layouts: dict[str, Layout]) -> tuple[Bed, Layout]:
    return BEDS[request.param], layouts[request.param]


def footprint(stroke: Stroke, grown_mm: float = 0.0) -> Rectangle:
    xs = [p[0] for p in stroke.xyz_mm]
    ys = [p[1] for p in stroke.xyz_mm]
    return Rectangle(x_min_mm=min(xs), y_min_mm=min(ys), x_max_mm=max(xs), y_max_mm=max(ys)).grown(
        grown_mm
    )


def combs(sheet: Sheet) -> list[Rectangle]:
    """What each pad's two halves cover, from the strokes themselves."""
    halves = defaultdict(list)
    for stroke in sheet.strokes:
        if stroke.part == "comb":
            halves[stroke.label.split(",")[0]].append(footprint(stroke, 0.4))
    for both in halves.values():
        assert len(both) == 2
    return [
        Rectangle(
            x_min_mm=min(a.x_min_mm, b.x_min_mm),
            y_min_mm=min(a.y_min_mm, b.y_min_mm),
            x_max_mm=max(a.x_max_mm, b.x_max_mm),
            y_max_mm=max(a.y_max_mm, b.y_max_mm),
        )
        for a, b in halves.values()
    ]


def square(x: float, y: float, side: float) -> Rectangle:
    half = side / 2
    return Rectangle(x_min_mm=x - half, y_min_mm=y - half, x_max_mm=x + half, y_max_mm=y + half)


def things(sheet: Sheet) -> Iterator[tuple[str, Rectangle]]:
    """Everything printed, with the quiet zone of one cell around a marker."""
    for k, area in enumerate(combs(sheet)):
        yield f"comb {k}", area
    for pad in sheet.pads:
        if pad.coupon is not None:
            c = pad.coupon
            yield f"coupon {pad.i} {pad.j}", square(c.x_mm, c.y_mm, c.side_mm)
    for m in sheet.markers:
        yield f"marker {m.id}", square(m.x_mm, m.y_mm, m.side_mm * (1 + 2 / 6))
    for stroke in sheet.strokes:
        if stroke.part == "purge":
            yield "purge", footprint(stroke, 0.4)


def test_every_stroke_lies_on_the_plate(laid: tuple[Bed, Layout]) -> None:
    bed, layout = laid
    for stroke in layout.sheet.strokes:
        for begin, end in itertools.pairwise(stroke.xyz_mm):
            piece = Rectangle(
                x_min_mm=min(begin[0], end[0]),
                y_min_mm=min(begin[1], end[1]),
                x_max_mm=max(begin[0], end[0]),
                y_max_mm=max(begin[1], end[1]),
            )
            assert bed.plate.admits(piece), (stroke.label, piece)


def test_no_two_things_overlap(laid: tuple[Bed, Layout]) -> None:
    _, layout = laid
    for (name, area), (other_name, other) in itertools.combinations(things(layout.sheet), 2):
        if name.startswith("marker") and other_name.startswith("marker"):
            # Two markers may share the bare cell between them.
            area, other = area.grown(-1e-6), other.grown(-1e-6)
        assert not area.overlaps(other), (name, other_name)


def test_measured_lines_lie_within_the_mesh(laid: tuple[Bed, Layout]) -> None:
    bed, layout = laid
    if bed.mesh.outside in ("hold", "extend"):
        pytest.skip("the correction reaches beyond the mesh")
    sheet = layout.sheet
    for pad in sheet.pads:
        for track in sheet.tracks:
            x = pad.x_mm + track.offset_mm
            assert bed.mesh.x_min_mm - 1e-6 <= x <= bed.mesh.x_max_mm + 1e-6
            half = sheet.window_mm / 2
            assert bed.mesh.y_min_mm - 1e-6 <= pad.y_mm - half
            assert pad.y_mm + half <= bed.mesh.y_max_mm + 1e-6


def test_pads_stand_near_their_own_nodes(laid: tuple[Bed, Layout]) -> None:
    bed, layout = laid
    assert len({(p.i, p.j) for p in layout.sheet.pads}) == len(layout.sheet.pads)
    for pad in layout.sheet.pads:
        away_x = abs(pad.x_mm - bed.mesh.x_mm[pad.i])
        away_y = abs(pad.y_mm - bed.mesh.y_mm[pad.j])
        factor = 2 if min(bed.mesh.pitch_mm) < 18 else 1
        assert away_x <= 0.56 * factor * bed.mesh.pitch_mm[0]
        assert away_y <= 0.56 * factor * bed.mesh.pitch_mm[1]


def test_every_node_has_a_pad_or_a_note(laid: tuple[Bed, Layout]) -> None:
    bed, layout = laid
    wanted = set(bed.mesh.nodes) - set(bed.mesh.skip)
    if min(bed.mesh.pitch_mm) < 18:
        wanted = {(i, j) for i, j in wanted if i % 2 == 0 and j % 2 == 0}
        assert any("18 mm" in note for note in layout.notes)
    printed = {(p.i, p.j) for p in layout.sheet.pads}
    assert printed <= wanted
    for i, j in wanted - printed:
        assert any(f"column {i + 1}, row {j + 1}" in note for note in layout.notes)
    assert len(printed) >= 0.8 * len(wanted)


def test_a_point_without_room_is_named(layouts: dict[str, Layout]) -> None:
    layout = layouts["a point kept out"]
    assert (2, 2) not in {(p.i, p.j) for p in layout.sheet.pads}
    (note,) = layout.notes
    assert note == "No room for a pad at column 3, row 3: that point will be inferred."


def test_markers_encode_place_and_sheet(laid: tuple[Bed, Layout]) -> None:
    _, layout = laid
    ids = [m.id for m in layout.sheet.markers]
    assert 4 <= len(ids) <= 12
    assert [k % PLACES for k in ids] == list(range(len(ids)))
    assert {sheet_number_of(k) for k in ids} == {1}


def test_markers_span_the_pads(laid: tuple[Bed, Layout]) -> None:
    bed, layout = laid
    sheet = layout.sheet
    # Where pads stand on every other node of a dense mesh, the free room is what it is.
    least = 0.6 if min(bed.mesh.pitch_mm) >= 18 else 0.5
    assert len(sheet.markers) >= 8
    for place in ("x_mm", "y_mm"):
        pads = [getattr(p, place) for p in sheet.pads]
        marks = [getattr(m, place) for m in sheet.markers]
        assert max(marks) - min(marks) >= least * (max(pads) - min(pads))


def test_markers_of_the_default_bed_stand_in_all_quarters(layouts: dict[str, Layout]) -> None:
    markers = layouts["default"].sheet.markers
    assert len(markers) >= 8
    quarters = {(m.x_mm > 110, m.y_mm > 110) for m in markers}
    assert len(quarters) == 4
    # Not all on one line: the least extent about their middle is a good part of the bed.
    places = np.array([(m.x_mm, m.y_mm) for m in markers])
    assert np.linalg.svd(places - places.mean(axis=0))[1][-1] / math.sqrt(len(places)) > 40


@pytest.mark.parametrize("number", [1, 2, 19, 20, 21, 399])
def test_ids_carry_the_number_modulo_twenty(number: int) -> None:
    sheet = lay_out_sheet(BEDS["3 x 4"], reach_mm=FINE, number=number).sheet
    assert [m.id for m in sheet.markers] == [
        place + 12 * (number % 20) for place in range(len(sheet.markers))
    ]
    assert max(m.id for m in sheet.markers) < 250
    assert marker_id(11, 19) == 239


def halves(sheet: Sheet, words: str) -> list[str]:
    return [
        s.label.split(",")[0] for s in sheet.strokes if s.part == "comb" and s.label.endswith(words)
    ]


def test_two_passes_run_in_opposite_order(laid: tuple[Bed, Layout]) -> None:
    _, layout = laid
    out, back = halves(layout.sheet, "tracks 1 to 5"), halves(layout.sheet, "tracks 10 to 6")
    assert len(out) == len(layout.sheet.pads)
    assert back == out[::-1]
    parts = [s.part for s in layout.sheet.strokes]
    assert parts[0] == "purge"
    assert [p for p, _ in itertools.groupby(parts)][:3] == ["purge", "marker", "comb"]
    # Each pad's two halves lie symmetrically about the middle of the combs' print.
    combs_only = [s.label for s in layout.sheet.strokes if s.part == "comb"]
    middle = (len(combs_only) - 1) / 2
    for name in out:
        places = [k for k, label in enumerate(combs_only) if label.split(",")[0] == name]
        assert sum(places) / 2 == pytest.approx(middle)


def test_heights_only_go_down_within_a_half_comb(laid: tuple[Bed, Layout]) -> None:
    _, layout = laid
    for stroke in layout.sheet.strokes:
        if stroke.part == "comb":
            heights = [z for _, _, z in stroke.xyz_mm]
            assert heights == sorted(heights, reverse=True)
            assert heights[0] == max(t.height_mm for t in layout.sheet.tracks)


def test_nothing_is_printed_below_the_ladder_but_safe_coupons(laid: tuple[Bed, Layout]) -> None:
    bed, layout = laid
    lowest = min(t.height_mm for t in layout.sheet.tracks)
    safe = -layout.sheet.reach_mm[0] + bed.motion.clearance_mm
    for stroke in layout.sheet.strokes:
        least = min(z for _, _, z in stroke.xyz_mm)
        assert least >= safe - 1e-9
        if stroke.part != "coupon":
            assert least >= lowest - 1e-9


def test_coupon_is_left_out_where_the_target_is_not_safe() -> None:
    sheet = lay_out_sheet(Bed(), reach_mm=(-0.16, 0.10)).sheet
    assert all(pad.coupon is None for pad in sheet.pads)
    sheet = lay_out_sheet(Bed(), reach_mm=(-0.15, 0.10)).sheet
    assert any(pad.coupon is not None for pad in sheet.pads)


def test_tracks_are_drawn_where_the_scorer_looks(laid: tuple[Bed, Layout]) -> None:
    """Find each measured line among the strokes: its place, height and area."""
    _, layout = laid
    sheet = layout.sheet
    drawn = set()
    for stroke in sheet.strokes:
        if stroke.part == "comb":
            for (a, b), area in zip(
                itertools.pairwise(stroke.xyz_mm), stroke.area_mm2, strict=True
            ):
                low, high = sorted((a[1], b[1]))
                if a[0] == b[0]:
                    drawn.add((round(a[0], 3), round(low, 3), round(high, 3), b[2], area))
                    # The lead's short upright piece apart, a line keeps its height.
                    assert a[2] == b[2]
    for pad, track in itertools.product(sheet.pads, sheet.tracks):
        half = sheet.track_length_mm / 2
        key = (
            round(pad.x_mm + track.offset_mm, 3),
            round(pad.y_mm - half, 3),
            round(pad.y_mm + half, 3),
            track.height_mm,
            track.area_mm2,
        )
        assert key in drawn


def test_strokes_fill_what_they_cover(laid: tuple[Bed, Layout]) -> None:
    """Volume of coupons and markers against the volume of their solids."""
    bed, layout = laid
    sheet = layout.sheet

    def volume(stroke: Stroke) -> float:
        return sum(
            math.dist(a, b) * area
            for (a, b), area in zip(itertools.pairwise(stroke.xyz_mm), stroke.area_mm2, strict=True)
        )

    base = next(s for s in sheet.strokes if s.part == "marker").xyz_mm[0][2]
    for coupon in (s for s in sheet.strokes if s.part == "coupon"):
        side = next(p.coupon.side_mm for p in sheet.pads if p.coupon)
        assert volume(coupon) == pytest.approx(side**2 * bed.target.height_mm, rel=0.12)
    for marker in sheet.markers:
        cells = (
            sum(volume(s) for s in sheet.strokes if s.label == f"marker {marker.id}")
            / base
            / (marker.side_mm / 6) ** 2
        )
        # Border cells (20 of 36) and some code cells; whole lines end short of the corners.
        assert 18 < cells < 36


def test_same_input_gives_the_same_sheet() -> None:
    bed = BEDS["clips"]
    one = lay_out_sheet(bed, reach_mm=FINE, number=3, mesh_active="yes", mesh_name="m")
    two = lay_out_sheet(bed, reach_mm=FINE, number=3, mesh_active="yes", mesh_name="m")
    assert one == two
    assert one.sheet.id == two.sheet.id != ""


@pytest.mark.parametrize(
    ("bed", "more"),
    [
        (Bed(target=Target(height_mm=0.21)), {}),
        (Bed(motion=Motion(print_mm_s=20)), {}),
        (Bed(), {"number": 2}),
        (Bed(), {"mesh_active": "yes"}),
        (Bed(), {"points": [(0, 0), (4, 4), (2, 2), (0, 4)]}),
    ],
)
def test_another_input_gives_another_id(
    layouts: dict[str, Layout], bed: Bed, more: dict[str, object]
) -> None:
    other = lay_out_sheet(bed, reach_mm=FINE, **more).sheet
    assert other.id != layouts["default"].sheet.id


def test_only_the_points_asked_for() -> None:
    asked = [(4, 4), (0, 0), (2, 3), (2, 3)]
    sheet = lay_out_sheet(Bed(), reach_mm=FINE, points=asked).sheet
    assert {(p.i, p.j) for p in sheet.pads} == set(asked)
    assert len(sheet.pads) == 3
    assert len(sheet.markers) >= 8


@pytest.mark.parametrize("point", [(5, 0), (0, 5), (-1, 0)])
def test_a_point_off_the_mesh_is_refused(point: tuple[int, int]) -> None:
    with pytest.raises(PadsheetError) as caught:
        lay_out_sheet(Bed(), reach_mm=FINE, points=[point])
    assert caught.value.code == "layout-no-point"
    assert f"column {point[0] + 1}, row {point[1] + 1}" in caught.value.problem


def test_a_plate_without_room_is_refused() -> None:
    tiny = Bed(
        plate=Plate(size_x_mm=30, size_y_mm=30),
        mesh=MeshGrid(columns=2, rows=2, x_min_mm=8, x_max_mm=22, y_min_mm=8, y_max_mm=22),
    )
    with pytest.raises(PadsheetError) as caught:
        lay_out_sheet(tiny, reach_mm=FINE)
    assert caught.value.code == "layout-no-room"


def test_the_default_sheet_takes_under_ten_minutes(layouts: dict[str, Layout]) -> None:
    spent = estimate(layouts["default"].sheet, Bed())
    assert 2 < spent.minutes < 10


def test_a_better_estimator_does_not_change_the_id(monkeypatch: pytest.MonkeyPatch) -> None:
    from padsheet.patterns import layout

    designed = layout.design_ladder

    def otherwise(*args: object, **more: object) -> Ladder:
        ladder = designed(*args, **more)  # type: ignore[arg-type]
        return replace(ladder, sigma_mm=ladder.sigma_mm / 2)

    before = lay_out_sheet(Bed(), reach_mm=FINE).sheet
    monkeypatch.setattr(layout, "design_ladder", otherwise)
    after = lay_out_sheet(Bed(), reach_mm=FINE).sheet
    assert after.sigma_mm == pytest.approx(before.sigma_mm / 2, abs=1e-5)
    assert after.id == before.id


def lead_in(sheet: Sheet, numbers: str) -> float:
    """How far the lead-in of a half comb begins to the left of its first line."""
    stroke = next(s for s in sheet.strokes if s.label.endswith(numbers))
    first, second = stroke.xyz_mm[:2]
    assert first[1] == second[1]
    return second[0] - first[0]


def test_one_lead_in_tells_the_first_line(laid: tuple[Bed, Layout]) -> None:
    sheet = laid[1].sheet
    left, right = lead_in(sheet, "tracks 1 to 5"), -lead_in(sheet, "tracks 10 to 6")
    if sheet.tick_mm:
        # The tick points away from the comb, the other lead-in under it.
        assert left == pytest.approx(sheet.tick_mm)
        assert right < 0
        assert sheet.tick_mm >= 2
    else:
        # Both lie under the comb: the shorter one is at the first line, with room between them.
        assert left < 0
        assert right < 0
        assert -left < -right / 2
        width = sheet.tracks[-1].offset_mm - sheet.tracks[0].offset_mm
        assert -left - right < width - 1.0


def test_a_self_check_lifts_whole_pads_and_nothing_else(layouts: dict[str, Layout]) -> None:
    sheet = lay_out_sheet(Bed(), reach_mm=FINE, self_check=True).sheet
    lifts = {f"pad column {p.i + 1} row {p.j + 1}": p.lift_mm for p in sheet.pads}
    assert sheet.reach_mm == (FINE[0], pytest.approx(FINE[1] + SELF_CHECK_LIFT_MM))
    heights = {track.height_mm for track in sheet.tracks}
    base = min(heights)
    for stroke in sheet.strokes:
        printed = {z for _, _, z in stroke.xyz_mm}
        lift = lifts.get(stroke.label.split(",")[0], 0.0)
        assert min(printed) >= base - 1e-9
        if stroke.part == "comb":
            assert {round(z - lift, 4) for z in printed} == heights
        elif stroke.part == "coupon":
            assert {round(z - lift, 4) for z in printed} == {sheet.target_gap_mm}
        else:
            assert lift == 0.0
    # The areas are not changed: only heights are.
    plain = lay_out_sheet(Bed(), reach_mm=sheet.reach_mm).sheet
    assert [s.area_mm2 for s in sheet.strokes] == [s.area_mm2 for s in plain.strokes]
    assert sheet.id != plain.id


def test_a_self_check_beside_too_large_a_reach_says_what_is_left() -> None:
    with pytest.raises(PadsheetError, match=r"up to 0\.14 mm") as caught:
        lay_out_sheet(Bed(), reach_mm=(0.0, 0.15), self_check=True)
    assert caught.value.code == "layout-self-check"


def test_pads_are_printed_to_and_fro(layouts: dict[str, Layout]) -> None:
    """Rows that all begin at the same side would have the nozzle cross the bed for nothing."""
    strokes = [s for s in layouts["default"].sheet.strokes if s.part == "comb"]
    assert len(strokes) == 2 * 25
    places = [[int(word) for word in re.findall(r"\d+", s.label)[:2]] for s in strokes]
    for one, next_one in itertools.pairwise(places[:25]):
        assert sum(abs(a - b) for a, b in zip(one, next_one, strict=True)) == 1


def test_a_dense_self_check_is_a_checkerboard_of_its_pads() -> None:
    sheet = lay_out_sheet(BEDS["15 x 15"], reach_mm=FINE, self_check=True).sheet
    lifted = [pad for pad in sheet.pads if pad.lift_mm]
    assert len(lifted) == len(sheet.pads) / 2
