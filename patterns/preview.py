"""Drawing a sheet as SVG: the bed as a person in front of the printer sees it from above.

`padsheet.patterns.preview_png` turns the same drawing into pixels.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from xml.sax.saxutils import escape

from padsheet.patterns.bead import width_mm
from padsheet.patterns.bed import Bed, Rectangle
from padsheet.patterns.estimate import Estimate
from padsheet.patterns.sheet import Pad, Sheet, Stroke

__all__ = ["LIGHT", "RULES", "TEXT_MM", "preview_svg", "shifted_words"]

TEXT_MM = 5.0
"""Height of the drawing's type."""

_EDGE_MM = 14.0
_LINE_MM = 7.0
_SHADES = 5
_KEY_MM = 42.0
#: A pad farther than this from its grid point is seen to be, and asked about.
_SEEN_MM = 3.0

# One hue from dark to light, so that heights can be told apart in any kind of colour vision; places
# that are no pads differ from them by being drawn in grey or orange, and by their shape.
LIGHT = {
    "paper": "#ffffff", "ink": "#222222", "plate": "#f2f1ed", "edge": "#8a8880",
    "clip": "#c2571a", "mark": "#4a4a4a", "solid": "#9aa7a0", "way": "#b9b6ae",
    "h0": "#08264d", "h1": "#1c4f8f", "h2": "#3c7cc4", "h3": "#74a9dd", "h4": "#a9cbea",
}  # fmt: skip
DARK = {
    "paper": "#16181b", "ink": "#e6e4df", "plate": "#24272b", "edge": "#7c8087",
    "clip": "#f0935a", "mark": "#c9c9c6", "solid": "#66756e", "way": "#4a4e54",
    "h0": "#dcecfb", "h1": "#a3caf0", "h2": "#69a3dd", "h3": "#3f79b8", "h4": "#2c568a",
}  # fmt: skip
#: What the classes of the drawing look like; values name colours, or are lengths in millimetres.
RULES: dict[str, dict[str, str]] = {
    "axis": {"text-anchor": "middle", "dominant-baseline": "central"},
    "plate": {"fill": "plate", "stroke": "edge", "stroke-width": "0.6"},
    "front": {"stroke": "ink", "stroke-width": "1.6"},
    "clip": {"fill": "none", "stroke": "clip", "stroke-width": "0.6"},
    "clip-lines": {"stroke": "clip", "stroke-width": "0.4"},
    "way": {"fill": "none", "stroke": "way", "stroke-width": "0.25", "stroke-dasharray": "1 1"},
    "line": {"fill": "none", "stroke-linejoin": "round", "stroke-linecap": "round"},
    "node": {"fill": "none", "stroke": "ink", "stroke-width": "0.3"},
    "marker": {"stroke": "mark"},
    "marker-box": {"fill": "none", "stroke": "mark", "stroke-width": "0.5"},
    "coupon": {"fill": "solid"},
    "purge": {"stroke": "solid"},
    "comb": {"stroke": "solid"},
    **{f"h{k}": {"stroke": f"h{k}"} for k in range(_SHADES)},
}


def _variables(colours: dict[str, str]) -> str:
    names = "; ".join(f"--{name}: {code}" for name, code in colours.items() if name != "paper")
    return f"svg {{ background: {colours['paper']}; {names}; }}"


def _style() -> str:
    rules = [f"text {{ font: {TEXT_MM:g}px system-ui, sans-serif; fill: var(--ink); }}"]
    for name, rule in RULES.items():
        body = "; ".join(f"{k}: {f'var(--{v})' if v in LIGHT else v}" for k, v in rule.items())
        rules.append(f".{name} {{ {body}; }}")
    dark = f"@media (prefers-color-scheme: dark) {{ {_variables(DARK)} }}"
    return "\n".join(["", _variables(LIGHT), dark, *rules, ""])


def preview_svg(sheet: Sheet, bed: Bed, estimate: Estimate | None = None) -> str:
    """Draw a sheet.

    Parameters
    ----------
    sheet : Sheet
        With or without its strokes: without them markers are frames, and there are no travels.
    bed : Bed
        Plate, keep-outs and mesh.
    estimate : Estimate, optional
        Minutes and grams for the caption.

    Returns
    -------
    str
        A self-contained SVG document with the front edge at the bottom. Its unit is the millimetre;
        it follows the reader's choice of a dark or light screen.
    """
    outline = bed.plate.outline
    left, top = outline.x_min_mm - _EDGE_MM, -outline.y_max_mm - _EDGE_MM
    caption = _caption(sheet, bed, estimate)
    wide = outline.x_max_mm - outline.x_min_mm + 2 * _EDGE_MM + _KEY_MM
    high = outline.y_max_mm - outline.y_min_mm + 2 * _EDGE_MM + (len(caption) + 1) * _LINE_MM
    foot = -outline.y_min_mm + _EDGE_MM
    title = f"Pad sheet {sheet.number} on {sheet.plate_name}"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{left:g} {top:g} {wide:g} {high:g}" '
        f'width="{wide:g}mm" height="{high:g}mm" role="img">',
        f"<title>{escape(title)}</title>",
        f"<style>{_style()}</style>",
        *_plate(bed),
        *_ways(sheet.strokes),
        *_coupons(sheet),
        *_other_strokes(sheet),
        *_markers(sheet),
        *_combs(sheet),
        *_nodes(sheet, bed),
        *_labels(sheet, bed),
        *_key(sheet, bed),
        *(
            f'<text x="{outline.x_min_mm:g}" y="{foot + k * _LINE_MM:g}">{escape(line)}</text>'
            for k, line in enumerate(caption, start=1)
        ),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _caption(sheet: Sheet, bed: Bed, estimate: Estimate | None) -> list[str]:
    low, high = sheet.reach_mm
    lines = [
        f"Sheet {sheet.number} ({sheet.id}), {sheet.plate_name}: {len(sheet.pads)} pads, "
        f"{len(sheet.markers)} markers",
        f"target gap {sheet.target_gap_mm:.2f} mm, reads errors from {low:+.2f} to {high:+.2f} mm",
    ]
    if sheet.self_check:
        lifted = [pad.lift_mm for pad in sheet.pads if pad.lift_mm]
        lines.append(f"self-check: {len(lifted)} pads are printed {max(lifted):.2f} mm higher")
    if shifted_mm := _shifted_mm(sheet):
        corrected = bed.mesh.outside in ("hold", "extend")
        lines += [
            f"pads stand up to {shifted_mm:.0f} mm inside their grid points (rings):",
            "beyond the mesh a bed that bends might rise into the nozzle"
            if corrected
            else f'outside = "{bed.mesh.outside}" in bed.toml keeps them within the mesh',
        ]
    if estimate is not None:
        hold = f", bed held {estimate.hold_minutes:.0f} min" if estimate.hold_minutes else ""
        lines.append(
            f"about {estimate.minutes:.0f} min printing after {estimate.heat_minutes:.0f} min "
            f"heating{hold}; {estimate.grams:.1f} g of filament"
        )
    return lines


def _shifted_mm(sheet: Sheet) -> float:
    """Return how far from its grid point a pad stands at most; 0 where that is hardly seen."""
    far = max((_apart_mm(sheet, pad) for pad in sheet.pads), default=0.0)
    return far if far > _SEEN_MM else 0.0


def _apart_mm(sheet: Sheet, pad: Pad) -> float:
    return math.hypot(pad.x_mm - sheet.nodes_x_mm[pad.i], pad.y_mm - sheet.nodes_y_mm[pad.j])


def shifted_words(sheet: Sheet, bed: Bed) -> str:
    """Say why pads do not stand on their grid points; empty where they do."""
    shifted_mm = _shifted_mm(sheet)
    if not shifted_mm:
        return ""
    inside = f"Pads at the edge stand up to {shifted_mm:.0f} mm inside their grid points, "
    if bed.mesh.outside in ("hold", "extend"):
        why = "since a bed that bends might rise into the nozzle beyond those"
    else:
        why = f'within the mesh, as outside = "{bed.mesh.outside}" in bed.toml asks for'
    return f"{inside}{why} (how far, goes with the sheet's reach); that is reckoned with."


def _rect(area: Rectangle, kind: str) -> str:
    return (
        f'<rect class="{kind}" x="{area.x_min_mm:.2f}" y="{-area.y_max_mm:.2f}" '
        f'width="{area.x_max_mm - area.x_min_mm:.2f}" '
        f'height="{area.y_max_mm - area.y_min_mm:.2f}"/>'
    )


def _plate(bed: Bed) -> Iterator[str]:
    outline = bed.plate.outline
    if bed.plate.shape == "round":
        x, y = outline.centre_mm
        yield f'<circle class="plate" cx="{x:g}" cy="{0 - y:g}" r="{bed.plate.size_x_mm / 2:g}"/>'
    else:
        yield _rect(outline, "plate")
        x, y = outline.x_min_mm, -outline.y_min_mm
        yield f'<line class="front" x1="{x:g}" y1="{y:g}" x2="{outline.x_max_mm:g}" y2="{y:g}"/>'
    for clip in bed.plate.keep_out:
        yield _rect(clip, "clip")
        # Crossed out: the colour alone must not carry the meaning.
        for a, b in ((clip.y_min_mm, clip.y_max_mm), (clip.y_max_mm, clip.y_min_mm)):
            yield (
                f'<line class="clip-lines" x1="{clip.x_min_mm:g}" y1="{-a:g}" '
                f'x2="{clip.x_max_mm:g}" y2="{-b:g}"/>'
            )


def _path(points: Iterable[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.2f} {0 - y:.2f}" for x, y in points)


def _ways(strokes: tuple[Stroke, ...]) -> Iterator[str]:
    """Draw the travels as one faint path."""
    ways = [_path((a.xyz_mm[-1][:2], b.xyz_mm[0][:2])) for a, b in itertools.pairwise(strokes)]
    if ways:
        yield f'<path class="way" d="{"".join(ways)}"/>'


def _coupons(sheet: Sheet) -> Iterator[str]:
    for pad in sheet.pads:
        if pad.coupon is not None:
            square = Rectangle.around(pad.coupon.x_mm, pad.coupon.y_mm, pad.coupon.side_mm)
            yield _rect(square, "coupon")


def _other_strokes(sheet: Sheet) -> Iterator[str]:
    """Draw purge line and markers as they are printed, lead-ins and turns of the combs thin."""
    for stroke in sheet.strokes:
        if stroke.part != "coupon":
            wide = float(width_mm(stroke.area_mm2[0], stroke.xyz_mm[0][2]))
            wide = 0.3 if stroke.part == "comb" else wide
            path = _path(point[:2] for point in stroke.xyz_mm)
            yield f'<path class="line {stroke.part}" stroke-width="{wide:.2f}" d="{path}"/>'


def _markers(sheet: Sheet) -> Iterator[str]:
    if any(stroke.part == "marker" for stroke in sheet.strokes):
        return
    for marker in sheet.markers:
        yield _rect(Rectangle.around(marker.x_mm, marker.y_mm, marker.side_mm), "marker-box")


def _shade(height_mm: float, lowest: float, highest: float) -> int:
    """Return the class of a height: 0 for the lowest, darkest on a light screen."""
    if highest <= lowest:
        return 0
    return min(_SHADES - 1, int(_SHADES * (height_mm - lowest) / (highest - lowest)))


def _combs(sheet: Sheet) -> Iterator[str]:
    """Draw each track with the width it has when the gap is as commanded."""
    heights = [track.height_mm for track in sheet.tracks]
    half = sheet.track_length_mm / 2
    for track in sheet.tracks:
        wide = float(width_mm(track.area_mm2, track.height_mm))
        shade = _shade(track.height_mm, min(heights), max(heights))
        lines = "".join(
            _path(
                (
                    (pad.x_mm + track.offset_mm, pad.y_mm - half),
                    (pad.x_mm + track.offset_mm, pad.y_mm + half),
                )
            )
            for pad in sheet.pads
        )
        yield f'<path class="line h{shade}" stroke-width="{wide:.2f}" d="{lines}"/>'


def _nodes(sheet: Sheet, bed: Bed) -> Iterator[str]:
    """Ring the grid points that have no pad on them."""
    with_pad = {(p.i, p.j) for p in sheet.pads if _apart_mm(sheet, p) <= _SEEN_MM}
    for i, j in bed.mesh.nodes:
        if (i, j) not in with_pad:
            x, y = float(bed.mesh.x_mm[i]), float(bed.mesh.y_mm[j])
            yield f'<circle class="node" cx="{x:g}" cy="{0 - y:g}" r="1.5"/>'


def _labels(sheet: Sheet, bed: Bed) -> Iterator[str]:
    """Yield the numbers of columns and rows, from 1, and which edge is the front."""
    outline = bed.plate.outline
    middle = outline.centre_mm[0]
    front = -outline.y_min_mm
    # Where numbers would run into each other, only every second or third is shown.
    every_x, every_y = (math.ceil(_LINE_MM / pitch) for pitch in bed.mesh.pitch_mm)
    for column, x in list(enumerate(bed.mesh.x_mm, start=1))[::every_x]:
        yield f'<text class="axis" x="{float(x):g}" y="{front + 4:g}">{column}</text>'
    for row, y in list(enumerate(bed.mesh.y_mm, start=1))[::every_y]:
        yield (
            f'<text class="axis" x="{outline.x_min_mm - 4.5:g}" y="{0 - float(y):g}">{row}</text>'
        )
    yield f'<text class="axis" x="{middle:g}" y="{front + 10.5:g}">front</text>'
    yield f'<text class="axis" x="{middle:g}" y="{-outline.y_max_mm - 5:g}">back</text>'


def _key(sheet: Sheet, bed: Bed) -> Iterator[str]:
    """Explain the shades, and all that is no pad, beside the plate."""
    x, y = bed.plate.outline.x_max_mm + 8, -bed.plate.outline.y_max_mm + TEXT_MM
    heights = [track.height_mm for track in sheet.tracks]
    rows: list[tuple[str, str]] = [("", "nozzle height, mm")]
    for height in sorted(set(heights), reverse=True):
        shade = _shade(height, min(heights), max(heights))
        rows.append((f'<path class="line h{shade}" stroke-width="1.6" d="{{}}"/>', f"{height:.3f}"))
    if any(pad.coupon for pad in sheet.pads):
        rows.append(('<path class="purge" stroke-width="4" d="{}"/>', "coupon"))
    if any(stroke.part == "purge" for stroke in sheet.strokes):
        rows.append(('<path class="line purge" stroke-width="0.8" d="{}"/>', "purge line"))
    rows.append(('<path class="line marker" stroke-width="1.6" d="{}"/>', "marker"))
    if len(sheet.strokes) > 1:
        rows.append(('<path class="way" d="{}"/>', "travel"))
    if bed.plate.keep_out:
        rows.append(('<path class="line clip" d="{}"/>', "keep-out"))
    if len(sheet.pads) < len(bed.mesh.nodes) or _shifted_mm(sheet):
        words = "grid point" if _shifted_mm(sheet) else "no pad here"
        rows.append((f'<circle class="node" cx="{x + 2.5:g}" cy="{{y}}" r="1.5"/>', words))
    for k, (sign, words) in enumerate(rows):
        level = y + k * _LINE_MM
        stroke = _path(((x, -level + 1.5), (x + 5, -level + 1.5)))
        if sign:
            yield sign.replace("{}", stroke).replace("{y}", f"{level - 1.5:g}")
        yield f'<text x="{x + (9 if sign else 0):g}" y="{level:g}">{words}</text>'
