"""Print G-code on a bed: path, nozzle gap, melt and bead at every fifth of a millimetre."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from .bead import BeadSettings, Sections, cross_section
from .bed import BedShape
from .gcode import Extrusion, read_gcode

__all__ = ["Print", "Segments", "Truth", "ZError", "print_sheet"]

NODE_MM = 0.2
Surface = Callable[[np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True, slots=True, kw_only=True)
class ZError:
    """How far the Z axis is off: once for the whole print, and for each height it goes to."""

    homing_mm: float = 0.0
    step_rms_mm: float = 0.004


@dataclass(frozen=True, slots=True)
class Truth:
    """What is really so on this print.

    The gap is ``Z commanded + Z error + mesh(x, y) - bed(x, y)``: positive where there is air
    between nozzle and bed.
    """

    bed: BedShape
    mesh: Surface | None
    homing_mm: float
    step_errors: dict[float, float]

    def mesh_at(self, x_mm: object, y_mm: object) -> np.ndarray:
        """Return the correction in force, 0 without a mesh."""
        x, y = np.asarray(x_mm, float), np.asarray(y_mm, float)
        return np.zeros(np.broadcast(x, y).shape) if self.mesh is None else self.mesh(x, y)

    def gap(self, x_mm: object, y_mm: object, z_mm: object) -> np.ndarray:
        """Return the true nozzle gap at (x, y) for a commanded height, homing error included.

        The small errors of the single Z steps are left out: they belong to no place.
        """
        z = np.asarray(z_mm, float)
        return z + self.homing_mm + self.mesh_at(x_mm, y_mm) - self.bed(x_mm, y_mm)

    def node_gaps(self, nodes_x: object, nodes_y: object, z_mm: float) -> np.ndarray:
        """Return `gap` at the nodes of a grid, shape (rows, columns)."""
        return self.gap(*np.meshgrid(np.asarray(nodes_x, float), np.asarray(nodes_y, float)), z_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Segments:
    """One entry for each straight piece of extruded path, in printing order.

    `first` and `count` say which nodes belong to it. `area_nominal` is from the E word alone;
    `width`, `gap` and `area` are means over the middle 80 % of its length; `state` is that of most
    of its nodes (0 pressed, 1 free strand, 2 choked, 3 smear).
    """

    line: np.ndarray
    run: np.ndarray
    start: np.ndarray
    end: np.ndarray
    first: np.ndarray
    count: np.ndarray
    area_nominal: np.ndarray
    area: np.ndarray
    gap: np.ndarray
    width: np.ndarray
    state: np.ndarray

    def __len__(self) -> int:
        return len(self.line)

    def nearest(self, x_mm: float, y_mm: float) -> int:
        """Return the index of the piece that passes nearest to a point."""
        along = self.end[:, :2] - self.start[:, :2]
        rel = np.array([x_mm, y_mm]) - self.start[:, :2]
        t = np.clip((rel * along).sum(1) / np.maximum((along**2).sum(1), 1e-12), 0, 1)
        return int(np.argmin(np.hypot(*(rel - t[:, None] * along).T)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Print:
    """A finished print: nodes of all beads, their sections, the pieces they form, the truth.

    `left` and `right` are the distances of the outline from the path, seen along the path, with
    the wander and the roughness of each edge (left is positive).
    """

    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    gap: np.ndarray
    sections: Sections
    left: np.ndarray
    right: np.ndarray
    mottle: np.ndarray
    segments: Segments
    truth: Truth


def _follow(
    commanded: np.ndarray, step: np.ndarray, run: np.ndarray, settings: BeadSettings
) -> np.ndarray:
    """Let the flow run after the commanded one; each run begins thin."""
    if settings.lag_mm <= 0:
        return commanded
    keep = np.exp(-step / settings.lag_mm)
    out = np.empty_like(commanded)
    last, flow = -1, 0.0
    for k, wanted in enumerate(commanded):
        flow = (
            flow * keep[k] + wanted * (1 - keep[k])
            if run[k] == last
            else settings.start_flow * wanted
        )
        last, out[k] = run[k], flow
    return out


def _along(rng: np.random.Generator, count: int, correlation_mm: float) -> np.ndarray:
    """Return noise of unit variance along the path."""
    sigma = correlation_mm / NODE_MM / 2
    noise = gaussian_filter1d(rng.standard_normal(count), sigma, mode="wrap")
    return noise * np.sqrt(2 * np.sqrt(np.pi) * sigma)


def _field(rng: np.random.Generator, x: np.ndarray, y: np.ndarray, length_mm: float) -> np.ndarray:
    """Return a smooth random field of about unit variance at the places asked for."""
    count = 24
    angle, phase = rng.uniform(0, 2 * np.pi, (2, count))
    k = np.abs(rng.normal(0, 1.2, count)) / length_mm
    out = np.zeros_like(x)
    for a, p, q in zip(angle, phase, k, strict=True):
        out += np.cos(q * (np.cos(a) * x + np.sin(a) * y) + p)
    return out * np.sqrt(2 / count)


def _nodes(pieces: list[Extrusion]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return node places (N, 3), the piece of each node, and the number of nodes per piece."""
    ends = np.array([(*p.start, *p.end) for p in pieces])
    length = np.hypot(ends[:, 3] - ends[:, 0], ends[:, 4] - ends[:, 1])
    count = np.maximum(2, np.ceil(length / NODE_MM).astype(int) + 1)
    owner = np.repeat(np.arange(len(pieces)), count)
    first = np.cumsum(count) - count
    t = (np.arange(len(owner)) - first[owner]) / (count - 1)[owner]
    return ends[owner, :3] + t[:, None] * (ends[owner, 3:] - ends[owner, :3]), owner, count


def _step_errors(
    pieces: list[Extrusion], rng: np.random.Generator, rms: float
) -> dict[float, float]:
    """Return one random error for each height that a bead ends at, in rising order."""
    heights = np.unique(np.round([p.end[2] for p in pieces], 4))
    return {float(v): float(rms * rng.standard_normal()) for v in heights}


def print_sheet(
    gcode_text: str,
    bed: BedShape,
    mesh: Surface | None = None,
    *,
    seed: int,
    flow: float | None = None,
    bead: BeadSettings | None = None,
    z_error: ZError | None = None,
    filament_mm: float = 1.75,
    nozzle_flat_mm: float = 1.0,
) -> Print:
    """Print a first layer.

    Parameters
    ----------
    gcode_text : str
        The whole G-code.
    bed : BedShape
        True height of the bed.
    mesh : callable, optional
        The correction that the printer adds to Z; mesh commands in the G-code are passed over.
    seed : int
        All randomness of this print.
    flow : float, optional
        Melt laid down per melt commanded; drawn from 0.92 to 1.08 if left out.
    bead : BeadSettings, optional
        Drawn at random if left out; ``BeadSettings().quiet()`` for a print without noise.
    z_error : ZError, optional
        No homing error and steps off by 0.004 mm rms if left out.
    """
    rng = np.random.default_rng([seed, 31])
    flow = float(rng.uniform(0.92, 1.08)) if flow is None else flow
    s = BeadSettings.random(seed) if bead is None else bead
    z_error = z_error or ZError()
    pieces = [
        p for p in read_gcode(gcode_text) if np.hypot(*np.subtract(p.end, p.start)[:2]) > 1e-6
    ]
    if not pieces:
        raise ValueError("the G-code extrudes nothing")
    xyz, owner, count = _nodes(pieces)
    x, y, z = xyz.T
    errors = _step_errors(pieces, rng, z_error.step_rms_mm)
    truth = Truth(bed, mesh, z_error.homing_mm, errors)
    heights = np.array(list(errors))
    gap = truth.gap(x, y, z) + np.interp(z, heights, np.array(list(errors.values())))

    ends = np.array([(*p.start, *p.end) for p in pieces])
    length = np.hypot(ends[:, 3] - ends[:, 0], ends[:, 4] - ends[:, 1])
    fed = np.array([p.filament_mm for p in pieces])
    nominal = fed * np.pi * (filament_mm / 2) ** 2 / length
    run = np.array([p.run for p in pieces])
    step = np.where(np.diff(owner, prepend=-1) != 0, 0.0, (length / (count - 1))[owner])
    supply = _follow(nominal[owner], step, run[owner], s)
    noise = (
        s.pad_noise * _field(rng, x, y, 30.0)
        + s.track_noise * rng.standard_normal(len(pieces))[owner]
        + s.path_noise * _along(rng, len(x), s.path_correlation_mm)
    )
    sections = cross_section(supply * flow * (1 + noise), gap, s, nozzle_flat_mm)
    left, right = _edges(sections, gap, s, rng)
    segments = _segments(pieces, owner, count, nominal, sections, gap, left - right)
    mottle = _along(rng, len(x), 0.7)
    return Print(
        x=x,
        y=y,
        z=z,
        gap=gap,
        sections=sections,
        left=left,
        right=right,
        mottle=mottle,
        segments=segments,
        truth=truth,
    )


def _edges(
    sections: Sections, gap: np.ndarray, s: BeadSettings, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return where the outline lies to the left and to the right of the path."""
    n = len(gap)
    fall = np.maximum(gap - sections.height, 0.0) * (sections.state == 1)
    wander = np.minimum(s.wander * (fall + 0.02 * (fall > 0)), 0.35) * _along(rng, n, 3.0)
    rough = (sections.state >= 2) * (s.edge_noise_mm > 0)
    ragged = 1 + 0.14 * rough * _along(rng, n, 1.2)
    half = sections.width / 2 * np.maximum(ragged, 0.3)
    left = wander + half + s.edge_noise_mm * _along(rng, n, 0.5)
    right = wander - half + s.edge_noise_mm * _along(rng, n, 0.5)
    return left, right


def _segments(
    pieces: list[Extrusion],
    owner: np.ndarray,
    count: np.ndarray,
    nominal: np.ndarray,
    sections: Sections,
    gap: np.ndarray,
    width: np.ndarray,
) -> Segments:
    """Sum the nodes up, piece by piece."""
    first = np.cumsum(count) - count
    t = (np.arange(len(owner)) - first[owner]) / (count - 1)[owner]
    inner = ((t >= 0.1) & (t <= 0.9)) | (count[owner] < 6)
    weight = np.bincount(owner, inner, len(pieces))

    def mean(values: np.ndarray) -> np.ndarray:
        return np.bincount(owner, values * inner, len(pieces)) / weight

    votes = np.array([mean((sections.state == k).astype(float)) for k in range(4)])
    return Segments(
        line=np.array([p.line for p in pieces]),
        run=np.array([p.run for p in pieces]),
        start=np.array([p.start for p in pieces]),
        end=np.array([p.end for p in pieces]),
        first=first,
        count=count,
        area_nominal=nominal,
        area=mean(sections.area),
        gap=mean(gap),
        width=mean(width),
        state=np.argmax(votes, axis=0),
    )
