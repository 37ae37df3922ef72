"""Where the error of each photo comes from: registration, edges, or the fit itself.

    python tests/bench/decompose.py --cache DIR [--set all] [--only WORD] [--pads]

Needs a renderer whose truth also tells each printed segment (`segments` with `mid`, `length`,
`width_mean`, `gap_mean`, `state`) and the camera (`focal_px`, `centre`, `k1`, `position`,
`rotation`, `stored_to_display`): more than `rendered.py` asks for.
"""

from __future__ import annotations

import argparse
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from bench_board import Floats, measure_pad, rms
from bench_cache import Kept, kept

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.gaps import TrackData, fit_gaps
from padsheet.scoring.lines import PadWidths
from padsheet.scoring.patches import Patches, pad_lines, sample_lines
from padsheet.scoring.photo import Photo, decode_photo
from padsheet.scoring.reading import read_sheet_photo

# The fit alone is given widths as exact as a very good photo's.
_EXACT_SIGMA_MM = 0.003
_SAME_LINE_MM = 1.0
_CHOKED_MM = 0.09


@dataclass(frozen=True, slots=True, kw_only=True)
class Printed:
    """What was really printed; arrays of shape (P, T), NaN where a track is missing."""

    width_mm: Floats
    gap_mm: Floats
    pressed: np.ndarray


def true_camera(truth: dict[str, Any]) -> Camera:
    """Return the camera that took the photo, over the picture as it is displayed."""
    c = truth["camera"]
    to_display = np.array(c["stored_to_display"])
    turn = np.eye(3)
    turn[:2, :2] = to_display[:2, :2]
    rotation = turn @ np.array(c["rotation"])
    column, row, _ = to_display @ np.array([*c["centre"], 1.0])
    return Camera(
        focal_px=c["focal_px"],
        centre=(float(row), float(column)),
        k1=c["k1"],
        k2=0.0,
        rotation=rotation,
        shift_mm=-rotation @ np.array(c["position"]),
    )


def printed(truth: dict[str, Any], sheet: Sheet) -> Printed:
    """Match the renderer's segments with the tracks of the pads."""
    segments = [s for s in truth["segments"] if s["length"] >= sheet.window_mm]
    middles = np.array([s["mid"] for s in segments])
    shape = (len(sheet.pads), len(sheet.tracks))
    width, gap = np.full(shape, np.nan), np.full(shape, np.nan)
    pressed = np.zeros(shape, bool)
    for p, pad in enumerate(sheet.pads):
        for t, track in enumerate(sheet.tracks):
            away = np.hypot(*(middles - [pad.x_mm + track.offset_mm, pad.y_mm]).T)
            k = int(away.argmin())
            if away[k] < _SAME_LINE_MM:
                width[p, t], gap[p, t] = segments[k]["width_mean"], segments[k]["gap_mean"]
                pressed[p, t] = segments[k]["state"] == "pressed"
    return Printed(width_mm=width, gap_mm=gap, pressed=pressed)


def fit_alone(one: Kept, sheet: Sheet, made: Printed, told: bool) -> Floats:
    """Return the errors of the fit when it is given the true widths.

    `told` gives it what the gap of each track differs from the pad's beside its height, too.
    """
    gaps = one.gaps_mm()
    low, high = sheet.reach_mm
    off = gaps - sheet.target_gap_mm
    rows = np.flatnonzero(
        (made.pressed.sum(axis=1) >= 6) & (off > low - 0.005) & (off < high + 0.005)
    )
    if len(rows) < 4:
        return np.empty(0)
    heights = np.array([t.height_mm for t in sheet.tracks]) - sheet.target_gap_mm
    kink = made.gap_mm - gaps[:, None] - heights if told else np.zeros_like(made.gap_mm)
    data = TrackData(
        width_mm=made.width_mm[rows],
        sigma_mm=np.full((len(rows), len(sheet.tracks)), _EXACT_SIGMA_MM),
        kappa=np.zeros((len(rows), 1)),
        kink_mm=np.nan_to_num(kink[rows]),
        doubt=np.ones(len(rows)),
    )
    return np.asarray(fit_gaps(sheet, data).gap_mm - gaps[rows])


def levels(patches: Patches) -> tuple[float, float]:
    """Return the linear level of print and plate in the brightest channel."""
    u = np.abs(patches.u_mm)
    light = patches.light.max(axis=-1)
    return float(np.median(light[:, :, u < 0.08])), float(np.median(light[:, :, u > u[-1] - 0.15]))


def edge_errors(
    photo: Photo, sheet: Sheet, camera: Camera, made: Printed
) -> tuple[Floats, list[PadWidths], Floats]:
    """Return measured minus true widths (P, T), the measurements, and the levels (P, 2)."""
    widths, bright = [], []
    for pad in sheet.pads:
        patches = sample_lines(photo, camera, pad_lines(sheet, pad), sheet.target_gap_mm / 2)
        widths.append(measure_pad(patches))
        bright.append(levels(patches))
    places = np.array([[p.x_mm, p.y_mm] for p in sheet.pads])
    kappa = np.hypot(1.0, camera.view_tangent(places, np.array([1.0, 0.0]))) - 1.0
    silhouette = kappa[:, None] * np.clip(made.gap_mm, 0.0, 0.35)
    error = np.array([w.width_mm for w in widths]) - made.width_mm - silhouette
    usable = made.pressed & (made.gap_mm > _CHOKED_MM)
    return np.where(usable, error, np.nan), widths, np.array(bright)


def _edge_words(error: Floats, made: Printed, bright: Floats) -> str:
    seen = np.isfinite(error)
    if seen.sum() < 20:
        return "  edges: too few lines seen"
    design = np.stack([np.ones(seen.sum()), made.width_mm[seen] - 0.5, made.gap_mm[seen] - 0.2], 1)
    (bias, by_width, by_gap), *_ = np.linalg.lstsq(design, error[seen], rcond=None)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pad_mean = np.nanmean(error, axis=1)
        left = error - pad_mean[:, None]
        track_mean = np.nanmean(left, axis=0)
    both = np.isfinite(pad_mean)
    follows = float(np.corrcoef(pad_mean[both], bright[both, 0])[0, 1]) if both.sum() > 5 else 0.0
    return (
        f"  edges: bias {bias:+.4f}, per mm of width {by_width:+.3f}, per mm of gap {by_gap:+.3f}; "
        f"pads {pad_mean[both].std():.4f}, tracks {np.nanstd(track_mean):.4f}, rest "
        f"{rms((left - track_mean)[seen]):.4f}; print level {bright[:, 0].min():.2f}-"
        f"{bright[:, 0].max():.2f}, plate {bright[:, 1].min():.2f}-{bright[:, 1].max():.2f}, "
        f"pads' errors follow the print's level by {follows:+.2f}"
    )


def decompose(one: Kept, pads: bool) -> str:
    """Return what is to be said of one photo."""
    cv2.setNumThreads(1)
    sheet, truth, gaps = one.sheet(), one.truth(), one.gaps_mm()
    photo = decode_photo(one.photo.read_bytes(), one.folder.name)
    made, true = printed(truth, sheet), true_camera(truth)
    places = np.array([[p.x_mm, p.y_mm, sheet.target_gap_mm / 2] for p in sheet.pads])
    lines = [f"{one.folder.name} ({one.about['kind']}, {one.about['mode']})"]
    camera, read = true, np.full(len(gaps), np.nan)
    try:
        reading = read_sheet_photo(photo, sheet, mesh=one.mesh())
    except PadsheetError as error:
        lines.append(f"  refused: {error.code}; the rest with the true camera")
    else:
        camera = reading.registration.camera
        read = np.array([np.nan if p.gap_mm is None else p.gap_mm for p in reading.score.pads])
        lines.append(_gap_words(read - gaps, gaps, places))
    away = camera.to_bed(true.project(places), sheet.target_gap_mm / 2) - places[:, :2]
    across = np.array([1.0, 0.0])
    scale = camera.px_per_mm(places[:, :2], across) / true.px_per_mm(places[:, :2], across) - 1
    lines.append(
        f"  registration: {rms(np.hypot(*away.T)):.3f} mm, scale across {scale.mean():+.4f} "
        f"+- {scale.std():.4f}"
    )
    error, widths, bright = edge_errors(photo, sheet, camera, made)
    blur = float(np.nanmedian([w.blur_px for w in widths]))
    density = float(np.median([w.px_per_mm for w in widths]))
    lines.append(_edge_words(error, made, bright) + f"; blur {blur:.2f} px, {density:.1f} px/mm")
    alone, told = (fit_alone(one, sheet, made, t) for t in (False, True))
    if alone.size:
        lines.append(
            f"  fit alone: relative {alone.std():.4f} ({told.std():.4f} told each track's gap), "
            f"mean {alone.mean():+.4f}"
        )
    if pads:
        lines += [
            f"    {p.i} {p.j} gap {gaps[k]:.3f} error {read[k] - gaps[k]:+.4f} widths, um: "
            + " ".join(f"{1000 * e:.0f}" for e in error[k])
            for k, p in enumerate(sheet.pads)
        ]
    return "\n".join(lines)


def _gap_words(error: Floats, gaps: Floats, places: Floats) -> str:
    ok = np.isfinite(error)
    e = error[ok]
    plane = np.stack([np.ones(len(e)), *places[ok, :2].T], axis=1)
    flat = e - plane @ np.linalg.lstsq(plane, e, rcond=None)[0]
    slope = float(np.polyfit(gaps[ok], e, 1)[0]) if len(e) > 2 else float("nan")
    return (
        f"  gaps: {len(e)} of {len(error)} read, relative {e.std():.4f} ({flat.std():.4f} without "
        f"a plane), mean {e.mean():+.4f}, error per mm of gap {slope:+.3f}"
    )


def main(argv: list[str] | None = None) -> None:
    """Print the parts of each photo of the cache."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--set", choices=("all", "off-scale"), default="all", dest="which")
    parser.add_argument("--only", default="", help="photos whose folder's name holds this")
    parser.add_argument("--pads", action="store_true", help="each pad's errors too")
    given = parser.parse_args(argv)
    for one in kept(given.cache / given.which):
        if given.only in one.folder.name:
            print(decompose(one, given.pads), flush=True)


if __name__ == "__main__":
    main()
