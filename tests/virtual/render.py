"""Draw a print in linear light as the camera sees it, every pixel the mean over its square.

Coverage of a pixel by a bead is the area that its outline cuts from the pixel, in closed form for
a straight edge. Edges lie where the eye sees them: at an angle the outline is that of the rounded
side (the support function of the super-ellipse), moved by the height of bed and bead.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from .camera import Camera, aim
from .printer import NODE_MM, Print
from .scenes import Scene

__all__ = ["Canvas", "PhotoTruth", "expose", "half_plane"]

PIECE_MM = 8.0
TEXEL_MM = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoTruth:
    """What is true of one photo: the camera, the scene and the size of the displayed picture."""

    camera: Camera
    scene: Scene
    size: tuple[int, int]

    @property
    def homography(self) -> np.ndarray:
        """Ideal map from bed mm (z = 0) to the displayed picture's pixels, distortion left out."""
        return self.camera.homography

    def project(self, x_mm: object, y_mm: object, z_mm: object = 0.0) -> np.ndarray:
        """Return (column, row) in the displayed picture, distortion included."""
        return self.camera.project(x_mm, y_mm, z_mm)


@dataclass(slots=True)
class Canvas:
    """What the beads add up to in each pixel.

    `cover` is covered area (more than 1 where beads overlap), `opaque` the same weighted by
    opacity, `shade` the same weighted by the light that the surface sends back, `gloss` mirrored
    light, `shadow` bed area weighted by how dark it is.
    """

    map_x: np.ndarray
    map_y: np.ndarray
    cover: np.ndarray
    opaque: np.ndarray
    shade: np.ndarray
    gloss: np.ndarray
    shadow: np.ndarray


def half_plane(inside: np.ndarray, a: float, b: float) -> np.ndarray:
    """Return the area of a unit square on the inner side of a straight edge.

    `inside` is the distance of the square's centre from the edge, positive inside; (a, b) are the
    absolute components of the edge's normal.
    """
    a, b = max(a, b), max(min(a, b), 1e-3)
    d = np.abs(inside)
    corner = np.maximum((a + b) / 2 - d, 0.0)
    area = np.where(d < (a - b) / 2, 0.5 + d / a, 1 - corner * corner / (2 * a * b))
    return np.where(inside < 0, 1 - area, area)


def _canvas(camera: Camera) -> Canvas:
    """Return an empty canvas with the bed coordinates of every pixel."""
    shape = (camera.height, camera.width)
    map_x, map_y = np.empty(shape, np.float32), np.empty(shape, np.float32)
    columns = np.arange(camera.width)
    for top in range(0, camera.height, 16):  # in bands, so that the numbers stay in cache
        rows = np.arange(top, min(top + 16, camera.height))
        at = camera.to_bed(columns[None, :], rows[:, None])
        map_x[rows], map_y[rows] = at[..., 0], at[..., 1]
    blank = [np.zeros(shape, np.float32) for _ in range(5)]
    return Canvas(map_x, map_y, *blank)


@dataclass(frozen=True, slots=True)
class _Piece:
    """Up to 8 mm of straight bead as seen on the plane z = 0.

    `table` has one row per node: left edge, right edge, height, depth of the side, opacity,
    mottle, raggedness. `before` and `after` are the normals of the lines that part it from its
    neighbours; `scales` is mm per pixel, shape (3, 2, 2), at start, middle and end: how bed x and y
    (rows) change with picture column and row (columns).
    """

    start: np.ndarray
    along: np.ndarray
    length: float
    table: np.ndarray
    before: np.ndarray | None
    after: np.ndarray | None
    scales: np.ndarray


def _scales(camera: Camera, at: np.ndarray) -> np.ndarray:
    """Return how bed coordinates change with column and row at bed places `at`, (..., 2, 2)."""
    c, r = np.moveaxis(camera.project(at[..., 0], at[..., 1]), -1, 0)
    by_column = camera.to_bed(c + 0.5, r) - camera.to_bed(c - 0.5, r)
    by_row = camera.to_bed(c, r + 0.5) - camera.to_bed(c, r - 0.5)
    return np.stack([by_column, by_row], -1)


def _seen_nodes(job: Print, camera: Camera) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return where each node's mid height is seen on z = 0, and the outline's edges there."""
    s, seg = job.sections, job.segments
    parallax = camera.parallax(job.x, job.y)
    lift = job.truth.bed(job.x, job.y) + s.height / 2
    at = np.stack([job.x, job.y], -1) + lift[:, None] * parallax
    owner = np.repeat(np.arange(len(seg)), seg.count)
    way = (seg.end - seg.start)[:, :2]
    way = way / np.hypot(*way.T)[:, None]
    lean = np.abs(parallax[:, 1] * way[owner, 0] - parallax[:, 0] * way[owner, 1])
    p = s.exponent / (s.exponent - 1)  # dual exponent: support function of the super-ellipse
    bulge = (s.depth**p + (lean * s.height / 2) ** p) ** (1 / p) - s.depth
    return at, job.left + bulge, job.right - bulge


def _joint(before: np.ndarray, after: np.ndarray) -> np.ndarray | None:
    """Return the normal of the line that parts two pieces at their joint; None at a hairpin."""
    normal = before + after
    size = np.hypot(*normal)
    return normal / size if size > 0.2 else None


def _pieces(job: Print, camera: Camera) -> Iterator[_Piece]:
    """Cut the print into short straight pieces."""
    s, seg = job.sections, job.segments
    at, left, right = _seen_nodes(job, camera)
    ragged = np.where(s.state >= 2, 1.0, np.clip(s.lip_area / (0.3 * s.area + 1e-9), 0, 1))
    table = np.stack([left, right, s.height, s.depth, s.opacity, job.mottle, ragged], -1)
    last = seg.first + seg.count - 1
    way = at[last] - at[seg.first]
    way = way / np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    stride = round(PIECE_MM / NODE_MM)
    spans: list[tuple[int, int, int]] = []
    for k in range(len(seg)):
        cuts = [*range(seg.first[k], last[k], stride), last[k]]
        if len(cuts) > 2 and cuts[-1] - cuts[-2] < 5:
            del cuts[-2]
        spans += [(k, lo, hi) for lo, hi in pairwise(cuts)]
    _, low, high = np.array(spans).T
    scales = _scales(camera, np.stack([at[low], (at[low] + at[high]) / 2, at[high]], 1))
    for (k, lo, hi), scale in zip(spans, scales, strict=True):
        chained = k > 0 and seg.run[k - 1] == seg.run[k]
        goes_on = k + 1 < len(seg) and seg.run[k + 1] == seg.run[k]
        begin, end = at[lo], at[hi]
        length = float(np.hypot(*(end - begin)))
        along = (end - begin) / length
        rows = table[lo : hi + 1].copy()
        rows[:, :2] += ((at[lo : hi + 1] - begin) @ np.array([-along[1], along[0]]))[:, None]
        before: np.ndarray | None = way[k]
        after: np.ndarray | None = way[k]
        if lo == seg.first[k]:
            before = _joint(way[k - 1], way[k]) if chained else None
        if hi == last[k]:
            after = _joint(way[k], way[k + 1]) if goes_on else None
        yield _Piece(begin, along, length, rows, before, after, scale)


def _ramp_area(x: np.ndarray, reach: np.ndarray, power: int) -> np.ndarray:
    """Return the integral from 0 to x of (1 - x/reach)^power, for x within 0 to reach."""
    y = np.clip(x / reach, 0, 1)
    return reach / (power + 1) * (1 - (1 - y) ** (power + 1))


def _pixel_mean(x: np.ndarray, reach: np.ndarray, power: int, pixel: float) -> np.ndarray:
    """Return the mean over one pixel of a ramp that begins at 0 and ends at `reach`."""
    upper = _ramp_area(x + pixel / 2, reach, power)
    return (upper - _ramp_area(x - pixel / 2, reach, power)) / pixel


def _draw(canvas: Canvas, piece: _Piece, camera: Camera, scene: Scene, light: np.ndarray) -> None:
    """Add one piece of bead to the canvas."""
    t, length = piece.along, piece.length
    normal = np.array([-t[1], t[0]])
    grad = normal @ piece.scales[1]
    pixel = float(np.hypot(*grad))
    a, b = np.abs(grad) / pixel

    half_max = float(np.abs(piece.table[:, :2]).max())
    cast = light[2] * float(piece.table[:, 2].max()) if scene.shadow else 0.0
    reach = half_max + cast + 2 * pixel
    ends = piece.start + np.outer([0, length], t)
    box = np.array([[-1, -1], [-1, 1], [1, -1], [1, 1]]) * reach
    px = camera.project(*(ends[:, None, :] + box[None]).reshape(-1, 2).T)
    c0, r0 = np.maximum(np.floor(px.min(0)).astype(int), 0)
    c1, r1 = np.minimum(np.ceil(px.max(0)).astype(int) + 1, [camera.width, camera.height])
    if c1 <= c0 or r1 <= r0:
        return
    dx = canvas.map_x[r0:r1, c0:c1] - np.float32(piece.start[0])
    dy = canvas.map_y[r0:r1, c0:c1] - np.float32(piece.start[1])
    u = dx * np.float32(t[0]) + dy * np.float32(t[1])
    v = dy * np.float32(t[0]) - dx * np.float32(t[1])
    near_it = (np.abs(v) < reach) & (u > -reach) & (u < length + reach)
    rows, columns = np.nonzero(near_it)
    if not len(rows):
        return
    index = (rows + r0) * camera.width + columns + c0
    u, v = u[near_it].astype(float), v[near_it].astype(float)

    inside_u = np.clip(u, 0, length)
    place = inside_u * ((len(piece.table) - 1) / length)
    k = np.minimum(place.astype(int), len(piece.table) - 2)
    w = (place - k)[:, None]
    here = piece.table[k] * (1 - w) + piece.table[k + 1] * w
    left, right, height, depth, opacity, mottle, ragged = here.T
    centre, half = (left + right) / 2, (left - right) / 2
    q = v - centre
    beyond = u - inside_u
    q = np.where(beyond != 0, np.copysign(np.hypot(beyond, q), q), q)
    to_left, to_right = half - q, half + q
    cover = half_plane(to_left / pixel, a, b) + half_plane(to_right / pixel, a, b) - 1
    share = np.ones_like(u)
    joints = ((piece.before, 0.0, 1.0, 0), (piece.after, length, -1.0, 2))
    for normal_there, at_u, sign, end in joints:
        if normal_there is not None:
            size = float(np.hypot(*(normal_there @ piece.scales[end])))
            d = (u - at_u) * float(normal_there @ t) + v * float(normal_there @ normal)
            share *= np.clip(0.5 + sign * d / size, 0, 1)
    cover = np.maximum(cover, 0) * share
    canvas.cover.ravel()[index] += cover
    canvas.opaque.ravel()[index] += cover * (
        opacity
        if not scene.translucency_mm
        else opacity * (1 - np.exp(-height / scene.translucency_mm))
    )

    shade = cover * (1 + scene.mottle * mottle)
    facing = float(light[:2] @ normal)
    for distance, side in ((to_left, facing), (to_right, -facing)):
        dark = scene.side_dark * (1 - 0.7 * side)
        if dark:
            shade -= dark * share * _pixel_mean(distance, depth, 2, pixel)
        if scene.shadow:
            contact = _pixel_mean(-distance, 0.5 * height, 1, pixel)
            gone = 0.4 * contact
            if side < -0.05:
                gone = gone + _pixel_mean(-distance, height * light[2] * -side, 1, pixel)
            canvas.shadow.ravel()[index] += scene.shadow * share * np.minimum(gone, 1.2)
    lip = np.minimum(to_left, to_right)
    if scene.side_dark:
        shade -= cover * ragged * 0.3 * np.exp(-(((lip - 0.1) / 0.06) ** 2))
    canvas.shade.ravel()[index] += shade
    if scene.highlight:
        sigma = np.hypot(0.07, pixel * 0.3)
        stripe = np.exp(-0.5 * ((q - 0.6 * facing * half) / sigma) ** 2)
        canvas.gloss.ravel()[index] += cover * stripe * np.clip(1 + 0.3 * mottle, 0, 3)


def _texture(scene: Scene, outline: tuple[float, float, float, float]) -> np.ndarray:
    """Return the bed's relative brightness over the plate, one texel for each 0.1 mm."""
    rng = np.random.default_rng([scene.seed, 51])
    x0, y0, x1, y1 = outline
    n, m = int((x1 - x0) / TEXEL_MM) + 1, int((y1 - y0) / TEXEL_MM) + 1
    out = np.ones((m, n), np.float32)
    if scene.smooth:
        cloud = rng.standard_normal((m // 60 + 4, n // 60 + 4), dtype=np.float32)
        out += scene.smooth * cv2.resize(cloud, (n, m), interpolation=cv2.INTER_CUBIC)
    if scene.grain:
        grain = cv2.GaussianBlur(rng.standard_normal((m, n), dtype=np.float32), (0, 0), 0.8)
        out += scene.grain * grain * np.float32(2.0)
    if scene.brushed:
        lines = rng.standard_normal((m, n // 40 + 2), dtype=np.float32)
        out += scene.brushed * cv2.resize(lines, (n, m), interpolation=cv2.INTER_LINEAR)
    if scene.scratches:
        marks = np.zeros((m, n), np.uint8)
        for _ in range(60):
            p = rng.uniform(0, 1, 2) * (n, m)
            angle, size = rng.uniform(0, np.pi), rng.uniform(20, 600)
            q = p + size * np.array([np.cos(angle), np.sin(angle)])
            level = int(rng.uniform(60, 255))
            ends = [tuple(int(v * 16) for v in e) for e in (p, q)]
            cv2.line(marks, ends[0], ends[1], level, 1, cv2.LINE_AA, 4)
        sign = 1 if rng.random() < 0.7 else -1
        out += np.float32(sign * scene.scratches / 255) * marks
    return np.maximum(out, 0.05, out=out)


def _light(scene: Scene, camera: Camera) -> np.ndarray:
    """Return the relative brightness of the light over the picture, made small and enlarged."""
    n = 96
    m = max(2, round(n * camera.height / camera.width))
    x, y = np.meshgrid(
        np.linspace(-1, 1, n), np.linspace(-1, 1, m) * (camera.height / camera.width)
    )
    g = np.radians(scene.gradient_deg)
    ramp = np.cos(g) * x + np.sin(g) * y
    out = (1 + 0.5 * scene.gradient * ramp + 0.15 * scene.gradient * (ramp**2 - 0.3)) * (
        1 - scene.vignette * (x**2 + y**2) / 1.5625
    )
    return _enlarge(np.maximum(out, 0.1), camera)


def _glare(scene: Scene, camera: Camera) -> np.ndarray:
    """Return the reflection of a window: a soft bright quadrilateral."""
    rng = np.random.default_rng([scene.seed, 52])
    small = np.zeros((300, 400), np.float32)
    centre = rng.uniform(0.2, 0.8, 2) * (400, 300)
    angle, size = rng.uniform(0, np.pi), rng.uniform(25, 70, 2)
    c, s = np.cos(angle), np.sin(angle)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * size @ np.array([[c, s], [-s, c]])
    cv2.fillPoly(small, [np.round(centre + corners).astype(np.int32)], 1.0)
    return _enlarge(cv2.GaussianBlur(small, (0, 0), rng.uniform(3, 12)), camera)


def _enlarge(small: np.ndarray, camera: Camera) -> np.ndarray:
    size = (camera.width, camera.height)
    return cv2.resize(small.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)


def expose(job: Print, scene: Scene, *, width_px: int = 4032) -> tuple[np.ndarray, PhotoTruth]:
    """Return the displayed picture in linear light before lens blur, (rows, columns, 3) float32.

    `width_px` is the longer side; the shorter is three quarters of it.
    """
    longer, shorter = width_px, round(width_px * 3 / 4)
    outline = job.truth.bed.outline
    camera = aim(
        width=shorter if scene.portrait else longer,
        height=longer if scene.portrait else shorter,
        outline=scene.frame or outline,
        tilt_deg=scene.tilt_deg,
        azimuth_deg=scene.azimuth_deg,
        roll_deg=scene.roll_deg,
        focal=scene.focal,
        k1=scene.k1,
        margin=scene.margin,
        centre_shift=scene.centre_shift,
    )
    canvas = _canvas(camera)
    lamp, rise = np.radians([scene.light_azimuth_deg, scene.light_elevation_deg])
    light = np.array([np.cos(lamp), np.sin(lamp), 1 / np.tan(rise)])
    for piece in _pieces(job, camera):
        _draw(canvas, piece, camera, scene, light)
    picture = _compose(canvas, scene, camera, outline)
    size = (camera.width, camera.height)
    return picture, PhotoTruth(camera=camera, scene=scene, size=size)


def _compose(
    canvas: Canvas, scene: Scene, camera: Camera, outline: tuple[float, float, float, float]
) -> np.ndarray:
    """Mix bed, shadow and beads, colour by colour."""
    x0, y0 = outline[:2]
    texture = cv2.remap(
        _texture(scene, outline),
        (canvas.map_x - np.float32(x0)) / np.float32(TEXEL_MM),
        (canvas.map_y - np.float32(y0)) / np.float32(TEXEL_MM),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=-1.0,
    )
    off_plate = texture < 0
    light = _light(scene, camera)
    more = np.maximum(canvas.cover, 1.0)
    bead = np.minimum(canvas.cover, 1.0)
    hides = canvas.opaque / more
    shade = np.maximum(canvas.shade, 0.03 * canvas.cover) / np.maximum(canvas.cover, 1e-6)
    if scene.side_dark:
        shade -= 0.12 * np.minimum(more - 1, 1)  # the seam between beads that crowd
    shade *= hides
    bed = texture * (1 - hides) - np.minimum(canvas.shadow, 1 - bead) * texture
    np.maximum(bed, 0.0, out=bed)
    gloss = scene.highlight * canvas.gloss / more if scene.highlight else None
    glare = scene.glare * _glare(scene, camera) if scene.glare else None
    picture = np.empty((*light.shape, 3), np.float32)
    for k in range(3):
        out = bed * np.float32(scene.bed_rgb[k]) + shade * np.float32(scene.filament_rgb[k])
        if gloss is not None:
            out += 0.5 * gloss
        if glare is not None:
            out += glare * (1 - 0.6 * bead)
        out[off_plate] = scene.table_rgb[k]
        picture[..., k] = out * light
    return picture
