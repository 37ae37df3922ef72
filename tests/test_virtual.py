"""Checks of the simulator itself: G-code meanings, volume, gap sign, and what the picture shows."""

from __future__ import annotations

import io
from types import ModuleType

import numpy as np
import pytest
from PIL import Image, ImageOps

FILAMENT_MM2 = np.pi * (1.75 / 2) ** 2
HEIGHTS = (0.32, 0.28, 0.24, 0.20, 0.16, 0.16, 0.20, 0.24, 0.28, 0.32)


def stroke(points: list[tuple[float, float, float]], areas: list[float]) -> list[str]:
    """Return relative-E G-code of one unbroken line, with the retraction before it."""
    x, y, z = points[0]
    out = ["G1 E-1", "G0 Z2", f"G0 X{x} Y{y}", f"G0 Z{z}", "G1 E1"]
    for start, end, area in zip(points[:-1], points[1:], areas, strict=True):
        e = area * np.hypot(end[0] - start[0], end[1] - start[1]) / FILAMENT_MM2
        out.append(f"G1 X{end[0]:.4f} Y{end[1]:.4f} Z{end[2]:.4f} E{e:.6f}")
    return out


def program(*strokes: list[str]) -> str:
    return "\n".join(
        ["G28", "G21", "G90", "M83", "M420 S1", *(s for part in strokes for s in part)]
    )


def comb(x_mm: float, y_mm: float) -> list[str]:
    """Two meanders of five tracks of 18 mm, 2 mm apart, areas 0.14 and 0.10 mm2 in turn."""
    out: list[str] = []
    for half in (range(5), range(9, 4, -1)):
        points: list[tuple[float, float, float]] = []
        areas: list[float] = []
        for n, k in enumerate(half):
            x, y = x_mm + (k - 4.5) * 2, y_mm + (-9 if n % 2 == 0 else 9)
            points += [(x, y, HEIGHTS[k]), (x, 2 * y_mm - y, HEIGHTS[k])]
            areas += [0.10 if k % 2 else 0.14] * 2
        out += stroke(points, areas[1:])
    return out


def line(
    x_mm: float, y_mm: float, length: float, z: float, area: float, turn: float = 90
) -> list[str]:
    """One straight line with its middle at (x, y), along the direction `turn` in degrees."""
    half = length / 2 * np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    a, b = np.array([x_mm, y_mm]) - half, np.array([x_mm, y_mm]) + half
    return stroke([(a[0], a[1], z), (b[0], b[1], z)], [area])


def no_z_error(virtual: ModuleType) -> object:
    return virtual.ZError(homing_mm=0.0, step_rms_mm=0.0)


def quiet_print(virtual: ModuleType, text: str, bed: object = None, **options: object) -> object:
    """Print without any noise."""
    options = {
        "seed": 1,
        "flow": 1.0,
        "bead": virtual.BeadSettings().quiet(),
        "z_error": no_z_error(virtual),
        **options,
    }
    return virtual.print_sheet(text, bed or virtual.flat(), **options)


# --- G-code -----------------------------------------------------------------------------------


def test_g92_shifts_coordinates_without_motion(virtual: ModuleType) -> None:
    # RS274/NGC (NISTIR 6556), G92: at X = 4, `G92 X7` gives offset -3, then `G92 X9` gives -5;
    # axes without a word keep theirs.
    machine = virtual.gcode.Machine()
    machine.obey("G0", {"X": 4.0, "Y": 1.0}, set(), 1)
    machine.obey("G92", {"X": 7.0}, set(), 2)
    assert machine.shift["X"] == pytest.approx(-3)
    machine.obey("G92", {"X": 9.0}, set(), 3)
    assert machine.shift["X"] == pytest.approx(-5)
    assert machine.at["X"] == 4.0
    assert machine.shift["Y"] == 0.0
    machine.obey("G0", {"X": 10.0}, set(), 4)
    assert machine.at["X"] == pytest.approx(5)


def test_g90_and_g91_say_what_a_height_means(virtual: ModuleType) -> None:
    # RS274/NGC: after G91, Z0.1 and then Z0.02 end 0.12 up; under G90 the same end at 0.02.
    for mode, end in (("G91", 0.12), ("G90", 0.02)):
        machine = virtual.gcode.Machine()
        machine.obey(mode, {}, set(), 1)
        machine.obey("G1", {"Z": 0.1}, set(), 2)
        machine.obey("G1", {"Z": 0.02}, set(), 3)
        assert machine.at["Z"] == pytest.approx(end)


@pytest.mark.parametrize(
    "text",
    [
        "G90\nM83\nG1 X0 Y0 Z0.2\nG1 X10 E1\nG1 X20 E1",
        "G90\nM82\nG1 X0 Y0 Z0.2\nG92 E5\nG1 X10 E6\nG1 X20 E7",
        "G90\nM82\nG1 X0 Y0 Z0.2\nG1 X10 E1\nG92 E0\nG1 X20 E1",
        "G91\nM83\nG1 Z0.2\nG1 X10 E1\nG1 X10 E1",
        "G91\nG1 Z.2 ; E follows G91\nN7 g1 x10 e1*33\n(say) G01 X10 E1",
        "M83\nG1 X50 E-2\nG28 X\nG1 Z0.2 E2\nG1 X10 E1\nG1 X20 E1",
    ],
)
def test_one_line_written_in_many_ways(virtual: ModuleType, text: str) -> None:
    first, second = virtual.read_gcode(text)
    assert first.start == pytest.approx((0, 0, 0.2))
    assert first.end == second.start == pytest.approx((10, 0, 0.2))
    assert second.end == pytest.approx((20, 0, 0.2))
    assert (first.filament_mm, second.filament_mm) == pytest.approx((1, 1))
    assert first.run == second.run


def test_retraction_is_paid_back_before_anything_flows(virtual: ModuleType) -> None:
    text = "M83\nG1 Z0.2\nG1 X10 E1\nG1 E-0.8\nG0 X20\nG1 E0.3\nG1 X30 E1\nG1 X40 E1"
    pieces = virtual.read_gcode(text)
    assert [p.filament_mm for p in pieces] == pytest.approx([1, 0.5, 1])
    assert pieces[1].start[0] == pytest.approx(25)  # half of that move pays the other 0.5 back
    assert [p.run for p in pieces] == [1, 2, 2]


def test_arcs_and_inches_are_refused(virtual: ModuleType) -> None:
    for word in ("G2 X1 I1", "G20"):
        with pytest.raises(ValueError, match="not understood"):
            virtual.read_gcode(f"G28\n{word}")


# --- bed and gap ------------------------------------------------------------------------------


def test_a_higher_bed_narrows_the_gap_and_a_higher_mesh_widens_it(virtual: ModuleType) -> None:
    text = program(line(110, 110, 18, 0.2, 0.1))
    nodes = np.array([20.0, 200.0])
    lifts = virtual.Compensation(nodes, nodes, np.full((2, 2), 0.03))
    error = virtual.ZError(homing_mm=0.02, step_rms_mm=0.0)
    jobs = [
        quiet_print(virtual, text),
        quiet_print(virtual, text, virtual.flat(0.05)),
        quiet_print(virtual, text, virtual.flat(0.05), mesh=lifts),
        quiet_print(virtual, text, virtual.flat(0.05), mesh=lifts, z_error=error),
    ]
    assert [float(j.segments.gap[0]) for j in jobs] == pytest.approx([0.2, 0.15, 0.18, 0.2])
    widths = [float(j.segments.width[0]) for j in jobs]
    assert widths[1] > widths[2] > widths[0]
    assert jobs[3].truth.gap(110, 110, 0.2) == pytest.approx(0.2)


def test_the_mesh_is_bilinear_and_holds_its_edge(virtual: ModuleType) -> None:
    mesh = virtual.Compensation(
        np.array([20.0, 110.0, 200.0]), np.array([20.0, 200.0]), np.array([[0, 1, 2], [4, 5, 8.0]])
    )
    assert mesh(65, 110) == pytest.approx(2.5)
    assert mesh(155, 155) == pytest.approx(0.25 * 1.5 + 0.75 * 6.5)
    assert mesh([0, 300], [0, 300]) == pytest.approx([0, 8])


def test_beds_have_the_size_asked_for_and_are_not_bilinear(virtual: ModuleType) -> None:
    for bed in (
        virtual.random_bed(4, 0.4),
        virtual.dome(0.4),
        virtual.saddle(0.4, 30),
        virtual.tilt(0.3, 0.1),
    ):
        assert bed.peak_to_valley() == pytest.approx(0.4, rel=1e-6)
    bed = virtual.random_bed(4, 0.4)
    nodes = np.linspace(20, 200, 5)
    mesh = virtual.sampled_mesh(bed, nodes, nodes)
    at_nodes = np.meshgrid(nodes, nodes)
    assert mesh(*at_nodes) == pytest.approx(bed(*at_nodes))
    middles = np.meshgrid(nodes[:-1] + 22.5, nodes[:-1] + 22.5)
    assert np.abs(mesh(*middles) - bed(*middles)).max() > 0.003
    assert virtual.dent(0.1, 60, 60)(60, 60) == pytest.approx(-0.1)


def test_each_height_has_its_own_error_and_keeps_it(virtual: ModuleType) -> None:
    strokes = [line(20 + k, 60, 10, 0.1 + 0.001 * k, 0.1) for k in range(150)] * 2
    job = virtual.print_sheet(program(*strokes), virtual.flat(), seed=5)
    error = job.segments.gap - job.segments.start[:, 2]
    assert error[:150] == pytest.approx(error[150:], abs=1e-9)
    # 150 draws: the standard deviation of a standard deviation is 6 %, four of them allowed.
    assert np.std(error) == pytest.approx(0.004, rel=0.24)


# --- bead -------------------------------------------------------------------------------------


@pytest.mark.parametrize("exponent", [2.0, 2.4, 2.8])
@pytest.mark.parametrize("fraction", [0.75, 1.0])
@pytest.mark.parametrize("gap", [0.04, 0.08, 0.16, 0.3, 0.34, 0.5])
def test_the_section_holds_the_melt(
    virtual: ModuleType, exponent: float, fraction: float, gap: float
) -> None:
    bead = virtual.BeadSettings(exponent=exponent, depth_fraction=fraction)
    s = virtual.bead.cross_section(0.1, gap, bead)
    z = (np.arange(200_000) + 0.5) / 200_000 * s.height
    half = virtual.half_width_at(z, *(float(v) for v in (s.width, s.height, s.depth, s.exponent)))
    drawn = 2 * half.mean() * s.height + s.lip_area
    assert drawn == pytest.approx(float(s.area), rel=1e-6)
    assert s.area <= 0.1


def test_side_fill_of_the_circle_is_a_quarter_of_pi(virtual: ModuleType) -> None:
    assert virtual.side_fill(2.0) == pytest.approx(np.pi / 4)
    u = (np.arange(100_000) + 0.5) / 100_000
    assert virtual.side_fill(2.6) == pytest.approx(np.mean((1 - u**2.6) ** (1 / 2.6)), rel=1e-5)


def test_width_falls_with_the_gap_until_the_strand_is_free_and_when_choked(
    virtual: ModuleType,
) -> None:
    gaps = np.linspace(0.015, 0.6, 586)
    s = virtual.bead.cross_section(0.1, gaps, virtual.BeadSettings())
    pressed = s.state == 0
    assert (np.diff(s.width[pressed]) < 0).all()
    assert (np.diff(s.width[s.state == 2]) > 0).all()
    free = s.state == 1
    assert s.width[free] == pytest.approx(s.height[free])
    assert gaps[free].min() == pytest.approx(np.sqrt(0.4 / np.pi), abs=0.005)
    assert np.abs(np.diff(s.width[gaps > 0.2])).max() < 0.005  # no jump where it lets go


def test_flow_follows_along_the_path(virtual: ModuleType) -> None:
    text = program(stroke([(50, 50, 0.2), (80, 50, 0.2), (110, 50, 0.2)], [0.10, 0.14]))
    bead = virtual.BeadSettings(
        lag_mm=0.8, start_flow=0.35, slip=0.0, path_noise=0, track_noise=0, pad_noise=0
    )
    area = virtual.print_sheet(text, virtual.flat(), seed=2, flow=1.05, bead=bead).sections.area
    assert area[0] == pytest.approx(0.35 * 0.105)
    assert area[150] == pytest.approx(0.105, rel=1e-6)
    after = area[151 : 151 + 5]  # nodes 0.2 mm apart from the change on
    assert after == pytest.approx(0.147 - 0.042 * np.exp(-0.2 * np.arange(5) / 0.8), rel=1e-6)


# --- picture ----------------------------------------------------------------------------------


def coverage(picture: np.ndarray, scene: object) -> np.ndarray:
    """Return how far each pixel has turned from the bed's colour to the filament's."""
    bed, filament = scene.bed_rgb[1], scene.filament_rgb[1]
    return (picture[..., 1].astype(float) - bed) / (filament - bed)


def seen_width(
    covered: np.ndarray,
    camera: object,
    at: tuple[float, float],
    turn_deg: float,
    half_length: float,
) -> float:
    """Integrate the coverage over the middle of a line, weighted by a smooth window along it."""
    c, r = np.meshgrid(np.arange(covered.shape[1]), np.arange(covered.shape[0]))
    bed = camera.to_bed(c, r)
    gx, gy = np.gradient(bed, axis=1), np.gradient(bed, axis=0)
    pixel_area = np.abs(gx[..., 0] * gy[..., 1] - gx[..., 1] * gy[..., 0])
    along = np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    rel = bed - np.array(at)
    u, v = rel @ along, rel @ np.array([-along[1], along[0]])
    window = np.where(np.abs(u) < half_length, np.cos(np.pi * u / 2 / half_length) ** 2, 0)
    window *= np.abs(v) < 1.5
    return float((covered * window * pixel_area).sum() / half_length)


def true_width(job: object, k: int, half_length: float) -> float:
    """Return the mean outline of piece k under the same window."""
    first, count = job.segments.first[k], job.segments.count[k]
    u = np.linspace(-1, 1, count) * np.hypot(*(job.segments.end - job.segments.start)[k, :2]) / 2
    window = np.where(np.abs(u) < half_length, np.cos(np.pi * u / 2 / half_length) ** 2, 0)
    width = (job.left - job.right)[first : first + count]
    return float((width * window).sum() / window.sum())


@pytest.mark.parametrize("roll", [0.0, 17.0, 45.0])
def test_an_isolated_bead_is_as_wide_in_the_picture_as_on_the_bed(
    virtual: ModuleType, roll: float
) -> None:
    bed = virtual.flat(0.0, (0.0, 0.0, 60.0, 60.0))
    places = [(27, 0.16, 0.14), (30, 0.24, 0.10), (33, 0.32, 0.10)]
    text = program(*(line(x, 30, 18, z, area) for x, z, area in places))
    job = virtual.print_sheet(text, bed, seed=3)
    scene = virtual.plain_scene(roll_deg=roll, k1=0.02)
    picture, truth = virtual.expose(job, scene, width_px=900)
    covered = coverage(picture, scene)
    for k, (x, _, _) in enumerate(places):
        seen = seen_width(covered, truth.camera, (x, 30), 90, 8)
        # The rest is magnification by the bead's height over the distance, 0.1 %.
        assert seen == pytest.approx(true_width(job, k, 8), abs=0.0015)


def test_a_bead_seen_at_an_angle_looks_wider_by_its_rounding(virtual: ModuleType) -> None:
    # Sides that are half circles of height h: at the angle t each stands out by (h/2)(1/cos t - 1).
    bed = virtual.flat(0.0, (0.0, 0.0, 60.0, 60.0))
    bead = virtual.BeadSettings(exponent=2.0, depth_fraction=1.0, slip=0.0).quiet()
    text = program(line(30, 30, 18, 0.24, 0.12, turn=0))
    job = quiet_print(virtual, text, bed, bead=bead)
    scene = virtual.plain_scene(tilt_deg=35.0)
    picture, truth = virtual.expose(job, scene, width_px=1200)
    lean = np.abs(truth.camera.parallax(np.array(30.0), np.array(30.0))[1])
    wider = 0.24 * (np.hypot(1, lean) - 1)
    assert wider > 0.04
    shift = 0.12 * truth.camera.parallax(np.array(30.0), np.array(30.0))[1]
    seen = seen_width(coverage(picture, scene), truth.camera, (30, 30 + shift), 0, 8)
    assert seen == pytest.approx(job.segments.width[0] + wider, abs=0.002)


def test_half_plane_is_the_area_it_cuts_from_a_pixel(virtual: ModuleType) -> None:
    grid = (np.arange(400) + 0.5) / 400 - 0.5
    x, y = np.meshgrid(grid, grid)
    for angle in (0.0, 12.0, 45.0, 80.0):
        a, b = np.cos(np.radians(angle)), np.sin(np.radians(angle))
        for d in (-0.8, -0.4, -0.1, 0.0, 0.3, 0.6):
            counted = np.mean(a * x + b * y < d)
            assert virtual.render.half_plane(np.array(d), a, b) == pytest.approx(counted, abs=0.003)


def test_a_bead_of_many_pieces_has_no_bumps_at_its_joints(virtual: ModuleType) -> None:
    bed = virtual.flat(0.0, (0.0, 0.0, 60.0, 60.0))
    whole = program(stroke([(12, 20, 0.2), (48, 33, 0.2)], [0.1]))
    cut = [(12 + 36 * t, 20 + 13 * t, 0.2) for t in np.linspace(0, 1, 30)]
    pieces = program(stroke(cut, [0.1] * 29))
    scene = virtual.plain_scene(tilt_deg=20.0)
    one, two = (
        virtual.expose(quiet_print(virtual, text, bed), scene, width_px=800)[0]
        for text in (whole, pieces)
    )
    assert np.abs(one - two).max() < 0.008 * np.ptp(one)


def displayed(jpeg: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(jpeg)) as image:
        return np.asarray(ImageOps.exif_transpose(image)).astype(float)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_marks_lie_where_the_truth_says(virtual: ModuleType, orientation: int) -> None:
    places = [(20, 20), (200, 25), (190, 200), (30, 195), (110, 110)]
    marks = [line(x, y, 3, 0.24, 0.12, t) for x, y in places for t in (0, 90)]
    bed = virtual.random_bed(2, 0.4).raised(0.1)
    nodes = np.linspace(20, 200, 5)
    mesh = virtual.sampled_mesh(bed, nodes, nodes)
    job = quiet_print(virtual, program(*marks), bed, mesh=mesh)
    scene = virtual.plain_scene(
        tilt_deg=28.0,
        azimuth_deg=40.0,
        roll_deg=200.0,
        k1=-0.03,
        centre_shift=(0.004, -0.003),
        orientation=orientation,
        portrait=orientation in (6, 8),
        blur_px=1.0,
        sharpen=0.4,
        quality=95,
    )
    jpeg, truth = virtual.photograph(job, scene, width_px=2000)
    picture = displayed(jpeg)[..., 1]
    assert picture.shape == truth.size[::-1]
    assert (picture.shape[0] > picture.shape[1]) == (orientation in (6, 8))
    with Image.open(io.BytesIO(jpeg)) as image:
        assert image.getexif()[0x0112] == orientation
    ideal = np.array([110, 110, 1]) @ truth.homography.T
    lens = truth.project(110, 110)
    # Near the centre of the picture the lens moves a point by k1 r^2 of its distance only.
    assert np.hypot(*(ideal[:2] / ideal[2] - lens)) < 1.0
    for x, y in places:
        middle_height = float(bed(x, y)) + float(job.truth.gap(x, y, 0.24)) / 2
        c, r = truth.project(x, y, middle_height)
        c0, r0 = round(c) - 24, round(r) - 24
        window = picture[r0 : r0 + 49, c0 : c0 + 49]
        weight = window - np.median(window)
        weight[weight < 10] = 0
        cols, rows = np.meshgrid(np.arange(49), np.arange(49))
        centre = [(weight * g).sum() / weight.sum() for g in (cols, rows)]
        assert centre == pytest.approx([c - c0, r - r0], abs=0.08)


def test_to_bed_undoes_project(virtual: ModuleType) -> None:
    camera = virtual.camera.aim(
        width=4032,
        height=3024,
        outline=(-110.0, -110.0, 110.0, 110.0),
        tilt_deg=35.0,
        azimuth_deg=100.0,
        roll_deg=33.0,
        focal=0.7,
        k1=0.05,
        margin=0.02,
    )
    x, y = np.meshgrid(np.linspace(-110, 110, 9), np.linspace(-110, 110, 7))
    seen = camera.project(x, y)
    assert camera.to_bed(seen[..., 0], seen[..., 1]) == pytest.approx(
        np.stack([x, y], -1), abs=1e-6
    )
    spare = np.minimum(seen, np.array([4031, 3023]) - seen).reshape(-1, 2).min(0)
    assert (spare > 0).all()
    assert spare[1] == pytest.approx(0.02 * 3024, abs=1.5)  # fits the frame's height


def test_with_no_roll_the_back_of_the_bed_is_at_the_top(virtual: ModuleType) -> None:
    job = quiet_print(virtual, program(line(110, 110, 18, 0.2, 0.1)))
    truth = virtual.expose(job, virtual.plain_scene(), width_px=400)[1]
    (c0, r0), (c1, r1) = truth.project([20, 200], [20, 200])
    assert c1 > c0
    assert r1 < r0


def test_shadow_falls_away_from_the_light_in_proportion_to_height(virtual: ModuleType) -> None:
    bed = virtual.flat(0.0, (0.0, 0.0, 60.0, 60.0))
    text = program(line(25, 30, 18, 0.1, 0.1), line(35, 30, 18, 0.3, 0.1))
    job = quiet_print(virtual, text, bed)
    scene = virtual.plain_scene(
        bed_rgb=(0.6, 0.6, 0.6),
        filament_rgb=(0.6, 0.6, 0.6),
        shadow=0.4,
        light_azimuth_deg=180.0,
        light_elevation_deg=30.0,
    )
    picture, truth = virtual.expose(job, scene, width_px=2000)
    dark = []
    for x in (25, 35):
        c, r = np.round(truth.project(x, 30)).astype(int)
        lost = (0.6 - picture[r - 40 : r + 40, c - 60 : c + 60, 1]).clip(0).mean(0)
        assert lost[60:].sum() > 2 * lost[:60].sum()  # light from the left, shadow to the right
        dark.append(lost.sum())
    assert dark[1] == pytest.approx(3 * dark[0], rel=0.1)


# --- photo ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["clear", "ordinary", "hard"])
def test_a_random_photo_shows_the_print_and_is_repeatable(virtual: ModuleType, kind: str) -> None:
    text = program(*(comb(x, y) for x in (40, 110, 180) for y in (40, 180)))
    bed = virtual.random_bed(7, 0.2)
    scene = virtual.random_scene(7, kind)
    job = virtual.print_sheet(text, bed, seed=7)
    jpeg, truth = virtual.photograph(job, scene, width_px=2000)
    assert jpeg == virtual.photograph(job, scene, width_px=2000)[0]
    picture = displayed(jpeg)
    wide = np.flatnonzero(job.segments.start[:, 2] == 0.16)
    assert len(wide) > 10
    on, off = [], []
    for k in wide:
        x, y = (job.segments.start[k, :2] + job.segments.end[k, :2]) / 2
        for level, out in ((0.0, on), (1.0, off)):
            c, r = np.round(truth.project(x + level, y)).astype(int)
            out.append(picture[r, c])
    apart = np.abs(np.median(np.subtract(on, off), axis=0)).max()
    assert apart > {"clear": 40, "ordinary": 15, "hard": 4}[kind]
    other = virtual.photograph(job, scene.but(seed=8), width_px=2000)[0]
    assert other != jpeg


def test_scenes_differ_and_come_in_both_polarities(virtual: ModuleType) -> None:
    scenes = [virtual.random_scene(seed, "ordinary") for seed in range(40)]
    lighter = [sum(s.filament_rgb) > sum(s.bed_rgb) for s in scenes]
    assert 5 < sum(lighter) < 35
    assert {s.orientation for s in scenes} == {1, 3, 6, 8}
    assert max(virtual.random_scene(s, "hard").tilt_deg for s in range(40)) > 28


def test_the_simulator_imports_nothing_of_the_package(virtual: ModuleType) -> None:
    from pathlib import Path

    for path in Path(virtual.__file__).parent.glob("*.py"):
        assert "padsheet" not in path.read_text(encoding="utf-8"), path.name
