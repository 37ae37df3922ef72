"""Scenes of the benchmark: what is printed, on which bed, how it is lit and photographed.

Each scene is drawn from a seed and its number alone, so equal arguments give equal scenes. Its kind
is told by `kind_of` from what was drawn, never from how well it was read.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, MeshGrid, Plate
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.ladder import FINE_MM, FIRST_MM
from padsheet.patterns.layout import lay_out_sheet
from padsheet.patterns.sheet import Sheet

Floats = NDArray[np.float64]
KINDS = ("clear", "ordinary", "hard")
_TRIES = 4000

# How well a filament's outline shows on a plate, judged from their colours and gloss alone.
PLAIN = (
    ("white", "dark_glass"),
    ("white", "black_textured"),
    ("white", "blue_tape"),
    ("orange", "black_textured"),
    ("orange", "dark_glass"),
    ("orange", "blue_tape"),
    ("black", "amber"),
)
MIDDLING = (
    ("grey", "dark_glass"),
    ("grey", "black_textured"),
    ("red", "dark_glass"),
    ("red", "black_textured"),
    ("red", "blue_tape"),
    ("green", "dark_glass"),
    ("green", "amber"),
    ("blue", "amber"),
    ("blue", "dark_glass"),
    ("white", "amber"),
    ("black", "aluminium"),
    ("black", "blue_tape"),
    ("natural", "dark_glass"),
)
POOR = (
    ("black", "black_textured"),
    ("black", "dark_glass"),
    ("natural", "black_textured"),
    ("natural", "amber"),
    ("natural", "blue_tape"),
    ("orange", "amber"),
    ("blue", "blue_tape"),
    ("white", "aluminium"),
    ("grey", "aluminium"),
    ("orange", "aluminium"),
)
PAIRS = (PLAIN, MIDDLING, POOR)
# Luminances (Rec. ITU-R BT.709) less than a factor of two apart: phones blur colour, so hardly any
# outline of such a print is in the photo, however plain its hue is to the eye.
ALIKE = frozenset(
    {
        ("orange", "blue_tape"),
        ("red", "blue_tape"),
        ("blue", "blue_tape"),
        ("orange", "amber"),
        ("green", "amber"),
        ("black", "black_textured"),
        ("black", "dark_glass"),
        ("white", "aluminium"),
    }
)
SOFT = ("ceiling_window", "overcast")
LIGHTS = ("ceiling_window", "overcast", "led", "flash", "dim")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One photo to be: the sheet, and what the renderer is told.

    `after` holds what is put on the picture after it was rendered: a hand's shadow, a clip on a
    pad. `mesh_known` says whether the reader is given the mesh that was in force.
    """

    name: str
    kind: str
    sheet: Sheet
    bed: Bed
    gcode: str
    bed_json: dict[str, Any]
    scene: dict[str, Any]
    points: list[list[float]]
    after: dict[str, Any]
    mesh_known: bool
    fast: bool
    about: dict[str, Any] = field(default_factory=dict)


def kind_of(look: dict[str, Any]) -> str:
    """Return clear, ordinary or hard: each trouble counts points, by a rule fixed beforehand.

    One trouble of 2 points makes a photo hard but for blur and pose, which are judged with the
    rest; 4 points in all make it hard, and not more than 1 leaves it clear.
    """
    points = {
        "pair": int(look["contrast"]),
        "light": {"ceiling_window": 0, "overcast": 0, "led": 1, "flash": 1, "dim": 1}[
            look["light"]
        ],
        "noise": 2 if look["iso"] >= 1200 else 1 if look["iso"] >= 400 else 0,
        "blur": 2 if look["blur_mm"] > 0.17 else 1 if look["blur_mm"] > 0.115 else 0,
        "pose": 2 if look["tilt"] > 25 else 1 if look["tilt"] > 12 else 0,
        "jpeg": 1 if look["quality"] < 75 else 0,
        "wear": 1 if look["wear"] > 1 else 0,
        "things": look["things"],
    }
    total = sum(points.values())
    if total >= 4 or points["pair"] == 2 or points["noise"] == 2 or points["things"] >= 2:
        return "hard"
    return "clear" if total <= 1 else "ordinary"


# ---------------------------------------------------------------------------------- beds


def _profile(rng: np.random.Generator) -> Bed:
    """Return one of four printers."""
    which = rng.choice(4, p=[0.55, 0.15, 0.15, 0.15])
    if which == 0:
        return Bed(mesh=MeshGrid(outside="hold"))
    if which == 1:
        plate = Plate(size_x_mm=235, size_y_mm=235)
        grid = MeshGrid(columns=4, rows=4, x_min_mm=25, x_max_mm=210, y_min_mm=25, y_max_mm=210)
    elif which == 2:
        plate = Plate(size_x_mm=180, size_y_mm=180, origin="centre")
        grid = MeshGrid(columns=4, rows=4, x_min_mm=-68, x_max_mm=68, y_min_mm=-68, y_max_mm=68)
    else:
        plate = Plate(size_x_mm=300, size_y_mm=300)
        grid = MeshGrid(columns=6, rows=6, x_min_mm=25, x_max_mm=275, y_min_mm=25, y_max_mm=275)
    return Bed(plate=plate, mesh=MeshGrid(**{k: getattr(grid, k) for k in _GRID}, outside="hold"))


_GRID = ("columns", "rows", "x_min_mm", "x_max_mm", "y_min_mm", "y_max_mm")


def _nodes(grid: MeshGrid) -> tuple[Floats, Floats]:
    x = np.linspace(grid.x_min_mm, grid.x_max_mm, grid.columns)
    y = np.linspace(grid.y_min_mm, grid.y_max_mm, grid.rows)
    return x, y


def _shape(rng: np.random.Generator, u: Floats, v: Floats) -> tuple[str, Floats]:
    """Return a bed shape over -1..1, peak 1 about its middle level."""
    name = str(rng.choice(["tilt", "dome", "saddle", "dent", "wave", "mixed"]))
    turn = rng.uniform(0, 2 * np.pi)
    a, b = u * np.cos(turn) + v * np.sin(turn), v * np.cos(turn) - u * np.sin(turn)
    x0, y0 = rng.uniform(-0.7, 0.7, 2)
    parts = {
        "tilt": a,
        "dome": rng.choice([-1, 1]) * (u**2 + v**2),
        "saddle": a**2 - b**2,
        "dent": -np.exp(-((u - x0) ** 2 + (v - y0) ** 2) / (2 * rng.uniform(0.3, 0.6) ** 2)),
        "wave": np.cos(rng.uniform(1.5, 3.0) * a + turn),
    }
    z = sum(rng.normal() * p for p in parts.values()) if name == "mixed" else parts[name]
    middle, half = (z.max() + z.min()) / 2, max(np.ptp(z) / 2, 1e-9)
    return name, (z - middle) / half


def _bed_shape(
    rng: np.random.Generator,
    bed: Bed,
    reach: tuple[float, float],
    beyond: float,
    span: tuple[float, float] | None = None,
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the bed file and what to say of it.

    Off from the target by up to `beyond` times the reach at the nodes, or else from the first to
    the second of `span`; with a mesh in force the bed itself is up to 0.25 mm off and the mesh
    takes out all but that.
    """
    x, y = _nodes(bed.mesh)
    u, v = np.meshgrid(2 * (x - x.mean()) / np.ptp(x), 2 * (y - y.mean()) / np.ptp(y))  # rows are y
    low, high = reach
    name, unit = _shape(rng, u, v)
    half = (high - low) / 2 * beyond
    # The middle of the gaps moves as homing does, within what is left of the reach.
    slack = max((high - low) / 2 * 0.98 - half, 0.0)
    off = (high + low) / 2 + half * unit + np.clip(rng.normal(0, 0.012), -slack, slack)
    if span is not None:
        off = span[0] + (span[1] - span[0]) * (unit + 1) / 2
    warp = [
        {
            "kind": "cosine",
            "amp": round(float(rng.uniform(0.002, 0.012)), 4),
            "wavelength": round(float(rng.uniform(60, 180)), 1),
            "angle": round(float(rng.uniform(0, 180)), 1),
            "phase": round(float(rng.uniform(0, 6.28)), 3),
        }
    ]
    if rng.random() < 0.35:  # a local dent or burr between the points
        warp.append(
            {
                "kind": "bump",
                "amp": round(float(rng.choice([-1, 1]) * rng.uniform(0.02, 0.05)), 4),
                "x": round(float(rng.uniform(x[0], x[-1])), 1),
                "y": round(float(rng.uniform(y[0], y[-1])), 1),
                "sigma": round(float(rng.uniform(12, 35)), 1),
            }
        )
    meshed = bool(rng.random() < 0.5)
    true = -off
    about = {"shape": name, "beyond": round(beyond, 2), "mesh": meshed}
    mesh = None
    if meshed:
        first, big = _shape(rng, u, v)
        true = rng.uniform(0.08, 0.25) * big
        mesh = np.round(true + off, 4).tolist()
        about["shape"] = f"{first} less mesh, {name} left"
    edge = bed.plate
    x0 = -edge.size_x_mm / 2 if edge.origin == "centre" else 0.0
    y0 = -edge.size_y_mm / 2 if edge.origin == "centre" else 0.0
    return {
        "grid_x": x.tolist(),
        "grid_y": y.tolist(),
        "bed": np.round(true, 5).tolist(),
        "mesh": mesh,
        "area": [x0, y0, x0 + edge.size_x_mm, y0 + edge.size_y_mm],
        "warp": warp,
    }, about


# ---------------------------------------------------------------------------------- the print


def with_strings(gcode: str, rng: np.random.Generator, count: int) -> str:
    """Return the G-code with thin strings drawn where the nozzle travels between pads."""
    starts = re.findall(r"^G0 X(\S+) Y(\S+) F\d+$", gcode, flags=re.MULTILINE)[2:]
    places = [(float(a), float(b)) for a, b in starts]
    hops = [(a, b) for a, b in pairwise(places) if 15 < math.dist(a, b) < 90]
    chosen = rng.permutation(len(hops))[:count]
    lines = []
    for k in chosen:
        (ax, ay), (bx, by) = hops[k]
        share = rng.uniform(0.4, 1.0)
        cx, cy = ax + share * (bx - ax), ay + share * (by - ay)
        e = math.dist((ax, ay), (cx, cy)) * rng.uniform(0.002, 0.008) / 2.40528
        lines += [
            "G0 Z0.890 F480",
            f"G0 X{ax:.3f} Y{ay:.3f} F7200",
            "G0 Z0.150 F480",
            f"G1 X{cx:.3f} Y{cy:.3f} E{e:.5f} F1500",
        ]
    head, end = gcode.split("; end of the sheet")
    return head + "\n".join(lines) + "\n; end of the sheet" + end


def without_lines(gcode: str, sheet: Sheet, rng: np.random.Generator, count: int) -> str:
    """Return the G-code with single tracks moved along, but not extruded."""
    lines = gcode.split("\n")
    for k in rng.permutation(len(sheet.pads))[:count]:
        pad, track = sheet.pads[k], sheet.tracks[int(rng.integers(len(sheet.tracks)))]
        x = pad.x_mm + track.offset_mm
        for n, line in enumerate(lines):
            if not (m := re.match(rf"G1 X{x:.3f} Y(\S+) E\S+", line)):
                continue
            before = re.search(r"Y(\S+)", lines[n - 1])
            long_enough = before and abs(float(before[1]) - float(m[1])) > sheet.window_mm
            if long_enough and abs(float(m[1]) - pad.y_mm) < sheet.track_length_mm:
                lines[n] = re.sub(r"^G1 (X\S+ Y\S+) E\S+", r"G0 \1", line)
    return "\n".join(lines)


# ---------------------------------------------------------------------------------- the picture


def _scene(
    rng: np.random.Generator, width_px: int, pool: tuple[tuple[str, str], ...]
) -> dict[str, Any]:
    """Return the renderer's scene: printer, materials, light, camera and phone."""
    filament, plate = pool[int(rng.integers(len(pool)))]
    light = str(rng.choice(LIGHTS, p=[0.27, 0.18, 0.2, 0.17, 0.18]))
    usual = {"ceiling_window": 80, "overcast": 64, "led": 125, "flash": 160, "dim": 700}[light]
    fine = width_px > 5000
    wb = np.exp(rng.normal(0, 0.05, 3))

    def draw(low: float, high: float, digits: int = 3) -> float:
        return round(float(rng.uniform(low, high)), digits)

    return {
        "seed": int(rng.integers(1, 500_000)),
        "printer": {
            "flow": draw(0.92, 1.08),
            "side_exponent": draw(2.0, 2.8),
            "side_depth": draw(0.85, 1.0),
            "noise_rms": draw(0.01, 0.032),
            "lag_mm": draw(0.3, 1.0),
            "blob_gain": draw(0.1, 0.7),
        },
        "bed": {
            "material": plate,
            "border": draw(3, 14, 1),
            "scale_lines": bool(rng.random() < 0.4 and plate != "blue_tape"),
            "clips": int(rng.integers(0, 5)),
            "wear": draw(1.2, 2.0) if rng.random() < 0.12 else draw(0.0, 1.0),
            "table": str(rng.choice(["grey", "wood", "white", "dark"])),
            "drop": draw(6, 60, 1),
        },
        "filament": {"colour": filament, "roughness": draw(0.1, 0.42)},
        "light": {"kind": light, "azimuth": draw(0, 360, 1), "elevation": draw(22, 60, 1)},
        "camera": {
            "width": width_px,
            "height": width_px * 3 // 4,
            "f35": float(rng.choice([24, 26, 26, 28])),
            "fill": draw(0.72, 0.97),
            "tilt": round(float(min(abs(rng.normal(0, 13)), 35)), 2),
            "tilt_azimuth": draw(0, 360, 1),
            "roll": draw(0, 360, 2),
            "offset": [draw(-4, 4, 1), draw(-4, 4, 1)],
            "k1": draw(-0.03, 0.03, 5),
            "orientation": int(rng.choice([1, 3, 6, 8])),
            "aperture_mm": draw(1.2, 2.4, 2),
        },
        "post": {
            "iso": int(np.clip(usual * 2 ** rng.normal(0.2, 0.7), 32, 3200)),
            "psf": round(float((0.55 + rng.gamma(1.3, 0.3)) * (1.7 if fine else 1)), 3),
            "motion": round(float(rng.gamma(1.2, 1.2) * (rng.random() < 0.5)), 2),
            "motion_angle": draw(0, 180, 1),
            "ca": round(float(abs(rng.normal(0, 2e-4))), 6),
            "vignette": draw(0.1, 0.5),
            "bloom": draw(0.003, 0.03, 4),
            "target": round(float(0.17 * np.exp(rng.normal(0, 0.2))), 4),
            "wb": [round(float(w / wb[1]), 4) for w in wb],
            "denoise": draw(0.2, 0.95),
            "sharpen": draw(0.0, 1.4),
            "sharpen_sigma": draw(0.9, 1.7),
            "contrast": draw(0.1, 0.6),
            "saturation": draw(1.0, 1.3),
            "hdr": draw(0.0, 0.28),
            "quality": int(rng.integers(65, 97)),
        },
        "quality": {"spp": 16, "depth": 3},
    }


def _things(rng: np.random.Generator) -> dict[str, Any]:
    """Return what else troubles the photo; most often nothing."""
    out: dict[str, Any] = {}
    if rng.random() < 0.12:
        out["outside"] = True
    if rng.random() < 0.12:
        out["shadow"] = {
            "where": round(float(rng.uniform(0.15, 0.6)), 3),
            "angle": round(float(rng.uniform(0, 360)), 1),
            "depth": round(float(rng.uniform(0.35, 0.7)), 3),
            "soft_mm": round(float(rng.uniform(2, 12)), 1),
        }
    if rng.random() < 0.10:
        out["clip_on_pad"] = int(rng.integers(0, 1000))
    if rng.random() < 0.15:
        out["strings"] = int(rng.integers(5, 30))
    if rng.random() < 0.12:
        out["missing"] = int(rng.integers(1, 4))
    return out


def _reach(rng: np.random.Generator) -> tuple[str, tuple[float, float]]:
    if rng.random() < 0.82:
        return "fine", (-FINE_MM, FINE_MM)
    return "first", (-FIRST_MM, FIRST_MM)


def blur_mm(scene: dict[str, Any], size_mm: float) -> float:
    """Return about how far edges are blurred on the bed, one standard deviation."""
    post, camera = scene["post"], scene["camera"]
    px = size_mm / (camera["height"] * camera["fill"])
    return float(px * math.hypot(post["psf"], post["motion"] / math.sqrt(12), 0.35))


def draw_shot(
    seed: int,
    number: int,
    *,
    kind: str,
    fast: bool,
    width_px: int,
    span: tuple[float, float] | None = None,
) -> Shot:
    """Draw scenes until one is of the wanted kind.

    Parameters
    ----------
    seed, number : int
        Equal ones give equal scenes.
    kind : {"clear", "ordinary", "hard"}
    fast : bool
        Whether the renderer is to be asked for its fast mode.
    width_px : int
        Long side of the photo.
    span : (float, float), optional
        From where to where the gaps are off the target, on a `fine` sheet of 5 x 5 pads. Drawn if
        left out; one sheet in seven then has pads off its scale.
    """
    rng = np.random.default_rng([seed, number, 40_961])
    weights = {"clear": (0.9, 0.1, 0.0), "ordinary": (0.5, 0.5, 0.0), "hard": (0.25, 0.3, 0.45)}
    for _ in range(_TRIES):
        contrast = int(rng.choice(3, p=weights[kind]))
        scene = _scene(rng, width_px, PAIRS[contrast])
        things = _things(rng)
        bed = _profile(rng) if span is None else Bed(mesh=MeshGrid(outside="hold"))
        look = {
            "contrast": contrast,
            "light": scene["light"]["kind"],
            "iso": scene["post"]["iso"],
            "blur_mm": blur_mm(scene, max(bed.plate.size_x_mm, bed.plate.size_y_mm) + 12),
            "tilt": scene["camera"]["tilt"],
            "quality": scene["post"]["quality"],
            "wear": scene["bed"]["wear"],
            "things": len(things),
        }
        if kind_of(look) == kind:
            return _shot(rng, number, kind, scene, things, bed, look, fast, span)
    raise RuntimeError(f"no {kind} scene in {_TRIES} draws")


def _shot(
    rng: np.random.Generator,
    number: int,
    kind: str,
    scene: dict[str, Any],
    things: dict[str, Any],
    bed: Bed,
    look: dict[str, Any],
    fast: bool,
    span: tuple[float, float] | None,
) -> Shot:
    """Finish a drawn scene: its sheet, bed shape and G-code."""
    reach_name, reach = _reach(rng) if span is None else ("fine", (-FINE_MM, FINE_MM))
    beyond = float(rng.uniform(1.25, 1.7) if rng.random() < 1 / 7 else rng.uniform(0.4, 0.9))
    bed_json, about = _bed_shape(rng, bed, reach, beyond, span)
    known = bool(about["mesh"] and rng.random() < 0.6)
    sheet = lay_out_sheet(
        bed,
        reach_mm=reach,
        number=int(rng.integers(1, 21)),
        mesh_active="yes" if about["mesh"] else "no",
        mesh_name="known" if known else None,
    ).sheet
    gcode = write_gcode(sheet, bed)
    if "strings" in things:
        gcode = with_strings(gcode, rng, things["strings"])
    if "missing" in things:
        gcode = without_lines(gcode, sheet, rng, things["missing"])
    if things.get("outside"):
        scene["camera"]["fill"] = round(float(rng.uniform(1.06, 1.22)), 3)
        scene["camera"]["offset"] = np.round(rng.uniform(-14, 14, 2), 1).tolist()
    after = {k: things[k] for k in ("shadow", "clip_on_pad") if k in things}
    name = f"{number:03d}-{kind}-{scene['filament']['colour']}-{scene['bed']['material']}"
    name += f"-{look['light']}"
    scene["name"] = name
    about |= {
        "reach": reach_name,
        "contrast": ("plain", "middling", "poor")[look["contrast"]],
        "light": look["light"],
        "filament": scene["filament"]["colour"],
        "material": scene["bed"]["material"],
        "tilt": look["tilt"],
        "blur_mm": round(look["blur_mm"], 4),
        "megapixels": round(scene["camera"]["width"] * scene["camera"]["height"] / 1e6),
        "things": sorted(things),
        "flow": scene["printer"]["flow"],
        "mode": "fast" if fast else "path",
    }
    points = [[p.x_mm, p.y_mm, sheet.target_gap_mm] for p in sheet.pads]
    return Shot(
        name=name.replace("_", ""),
        kind=kind,
        sheet=sheet,
        bed=bed,
        gcode=gcode,
        bed_json=bed_json,
        scene=scene,
        points=points,
        after=after,
        mesh_known=known,
        fast=fast,
        about=about,
    )


def plan(count: int, seed: int, *, path_share: float = 0.2, large: int = 3) -> list[Shot]:
    """Return the scenes of a benchmark in the order in which they are rendered.

    Kinds take turns by 4 clear : 6 ordinary : 5 hard; every fifth is path traced, at 8 to 12
    megapixels; `large` of the others have 48 megapixels, the rest 12, or 8 one time in six.
    """
    turns = "hoco hocoh ochoo".replace(" ", "") + "h"
    word = {"c": "clear", "o": "ordinary", "h": "hard"}
    every = round(1 / path_share) if path_share else 0
    big = {round((k + 0.6) * count / max(large, 1)) for k in range(large)}
    shots = []
    for number in range(count):
        rng = np.random.default_rng([seed, number, 7])
        path = bool(every) and number % every == 1
        width = int(rng.choice([4032, 4032, 4032, 4032, 4032, 3264]))
        if path:
            width = int(rng.choice([3264, 3600, 4032]))
        elif number in big:
            width = 8064
        kind = word[turns[number % len(turns)]]
        shots.append(draw_shot(seed, number, kind=kind, fast=not path, width_px=width))
    return shots


def off_scale_plan(count: int, seed: int) -> list[Shot]:
    """Return scenes of beds out of the sheet's reach, too near and too high in turn.

    Every second pair of them is off everywhere; of the others a part is within reach.
    """
    spans = ((-0.27, -0.03), (0.04, 0.48), (-0.24, -0.11), (0.16, 0.50))
    shots = []
    for number in range(count):
        kind = KINDS[(number // 2) % 3]
        span = spans[number % 4]
        shots.append(draw_shot(seed, number, kind=kind, fast=True, width_px=4032, span=span))
    return shots
