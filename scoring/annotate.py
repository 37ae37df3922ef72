"""The photo with the answer drawn on it: each pad outlined, its gap error and verdict beside it."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from padsheet.patterns.sheet import Pad, Sheet
from padsheet.scoring.colours import DARK_INK, LIGHT_INK, hex_to_rgb, pad_colour
from padsheet.scoring.medians import median
from padsheet.scoring.squish import PadScore, SheetScore
from padsheet.scoring.words import headline, verdict_label

__all__ = ["LARGEST_SIDE_PX", "ToPixel", "annotate"]

#: Bed millimetres, shape (N, 2) as (x, y), to pixels, shape (N, 2) as (column, row).
ToPixel = Callable[[NDArray[np.float64]], NDArray[np.float64]]
Pixels = NDArray[np.float64]
Font = ImageFont.FreeTypeFont | ImageFont.ImageFont
Box = tuple[float, float, float, float]  # left, top, right, bottom

LARGEST_SIDE_PX = 2400
# Column and row numbers stand outside the plate; farther out where a pad's label is in the way.
COUNTS_OUTSIDE_MM = (13.0, 18.0, 24.0, 31.0, 39.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """Sizes in pixels, chosen for one picture."""

    line: int
    large: int
    small: int
    count: int


def annotate(
    photo_rgb: NDArray[np.uint8],
    sheet: Sheet,
    score: SheetScore,
    to_pixel: ToPixel,
    *,
    judged: bool = True,
) -> Image.Image:
    """Draw the scores on the photo of the sheet.

    Text stands upright in the picture and on a ground of its own, so it can be read on light and
    dark photos, whichever way the sheet is turned in them; the front edge of the bed is marked.

    Parameters
    ----------
    photo_rgb : ndarray of uint8, shape (M, N, 3)
        The photo, upright, in sRGB. It is not changed.
    sheet, score
        What was printed, and what was read.
    to_pixel : callable
        Turns bed millimetres, shape (K, 2) as (x, y), into pixels of `photo_rgb`, shape (K, 2) as
        (column, row), pixel centres at whole numbers.
    judged : bool, optional
        Whether verdict and squish score stand below the number; a self-check judges no point.

    Returns
    -------
    PIL.Image.Image
        The annotated picture; its longer side is at most `LARGEST_SIDE_PX`.
    """
    image, scale = _shrunk(photo_rgb)

    def place(xy_mm: NDArray[np.float64]) -> Pixels:
        # Pixel centres are whole numbers, so the picture's corner is at -0.5 at every scale.
        return (np.asarray(to_pixel(xy_mm), dtype=np.float64) + 0.5) * scale - 0.5

    scores = {(pad.i, pad.j): pad for pad in score.pads}
    pairs = [(pad, scores[pad.i, pad.j]) for pad in sheet.pads if (pad.i, pad.j) in scores]
    style = _style(image, place(np.array([(pad.x_mm, pad.y_mm) for pad in sheet.pads])))
    _draw_front(image, sheet, place, style)
    corners = np.array([_outline_mm(pad, sheet) for pad, _ in pairs]).reshape(-1, 4, 2)
    seen = place(corners.reshape(-1, 2)).reshape(corners.shape)
    outlines = [(answer, outline) for (_, answer), outline in zip(pairs, seen, strict=True)]
    _draw_outlines(image, outlines, score, style)
    picture = Image.fromarray(image)
    labels = [_label_lines(answer, score, style)[: None if judged else 1] for answer, _ in outlines]
    # As many lines as fit everywhere: labels of one picture should look alike.
    rooms = _rooms_below([outline for _, outline in outlines])
    fits = [_fitting(*pair) for pair in zip(labels, rooms, strict=True)]
    most = min(fits, default=1) if style.large >= 20 else 1
    taken = [
        _write_label(picture, outline, answer, score, lines[:most], style)
        for (answer, outline), lines in zip(outlines, labels, strict=True)
    ]
    _write_counts(picture, sheet, place, style, taken)
    return picture


def _shrunk(photo_rgb: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], float]:
    scale = min(1.0, LARGEST_SIDE_PX / max(photo_rgb.shape[:2]))
    if scale == 1.0:
        return photo_rgb.copy(), 1.0
    size = (round(photo_rgb.shape[1] * scale), round(photo_rgb.shape[0] * scale))
    image = cv2.resize(photo_rgb, size, interpolation=cv2.INTER_AREA)
    return np.asarray(image, dtype=np.uint8), scale


def _style(image: NDArray[np.uint8], centres: Pixels) -> Style:
    """Choose sizes from the distance between neighbouring pads in the picture."""
    pitch = max(image.shape[:2]) / 6
    if len(centres) > 1:
        apart = np.linalg.norm(centres[:, None] - centres[None], axis=2)
        np.fill_diagonal(apart, np.inf)
        pitch = median(apart.min(axis=1))
    # Five signs of a bold face are about 3 times as wide as it is high.
    large = int(np.clip(pitch * 0.22, 11, max(image.shape[:2]) * 0.03))
    return Style(
        line=max(2, round(pitch / 60)),
        large=large,
        small=max(10, round(large * 0.62)),
        count=max(large, round(max(image.shape[:2]) / 80)),
    )


def _outline_mm(pad: Pad, sheet: Sheet) -> NDArray[np.float64]:
    """Corners of the comb with a small rim; so short a side bends by no pixel in any lens."""
    offsets = [track.offset_mm for track in sheet.tracks] or [0.0]
    rim = 1.5
    left, right = min(offsets) - rim + pad.x_mm, max(offsets) + rim + pad.x_mm
    half = sheet.track_length_mm / 2 + rim
    front, back = pad.y_mm - half, pad.y_mm + half
    return np.array([(left, front), (right, front), (right, back), (left, back)])


def _polylines(
    image: NDArray[np.uint8], lines: Sequence[Pixels], colour: str, width: int, *, closed: bool
) -> None:
    # Four fractional bits: sub-pixel corners keep thin outlines straight.
    fixed = np.round(np.clip(lines, -30000, 30000) * 16).astype(np.int32)[:, :, None]
    cv2.polylines(
        image, list(fixed), closed, hex_to_rgb(colour), width, lineType=cv2.LINE_AA, shift=4
    )


def _draw_outlines(
    image: NDArray[np.uint8],
    outlines: Sequence[tuple[PadScore, Pixels]],
    score: SheetScore,
    style: Style,
) -> None:
    """Draw all outlines, those of one colour at once."""
    if not outlines:
        return
    # Dark and light rings around the colour keep it visible on any photo.
    every = [outline for _, outline in outlines]
    _polylines(image, every, DARK_INK, 3 * style.line + 4, closed=True)
    _polylines(image, every, LIGHT_INK, 3 * style.line, closed=True)
    of_fill: dict[str, list[Pixels]] = {}
    for pad, outline in outlines:
        fill = pad_colour(pad, score.target_gap_mm, score.tolerance_mm).fill
        of_fill.setdefault(fill, []).append(outline)
    for fill, lines in of_fill.items():
        _polylines(image, lines, fill, 2 * style.line, closed=True)


def _draw_front(image: NDArray[np.uint8], sheet: Sheet, place: ToPixel, style: Style) -> None:
    edge = place(_front_mm(sheet))
    _polylines(image, [edge], DARK_INK, 3 * style.line + 4, closed=False)
    _polylines(image, [edge], LIGHT_INK, 2 * style.line, closed=False)


def _front_mm(sheet: Sheet) -> NDArray[np.float64]:
    x_min, y_min, x_max, _ = sheet.plate_outline_mm
    x = np.linspace(x_min, x_max, 25)
    return np.column_stack([x, np.full_like(x, y_min)])


def _write_counts(
    picture: Image.Image, sheet: Sheet, place: ToPixel, style: Style, taken: list[Box]
) -> None:
    """Write the column numbers along the front, the row numbers along the left, and FRONT."""
    x_min, y_min, x_max, _ = sheet.plate_outline_mm
    font = _font(style.count)
    outside = COUNTS_OUTSIDE_MM
    for number, x in enumerate(sheet.nodes_x_mm, start=1):
        text = f"col {number}"
        at = _free(picture, place, [(x, y_min - out) for out in outside], text, font, taken)
        taken.append(_write_box(picture, at, [(text, font)], DARK_INK, LIGHT_INK))
    for number, y in enumerate(sheet.nodes_y_mm, start=1):
        text = f"row {number}"
        at = _free(picture, place, [(x_min - out, y) for out in outside], text, font, taken)
        taken.append(_write_box(picture, at, [(text, font)], LIGHT_INK, DARK_INK))
    nodes = np.array(sheet.nodes_x_mm)
    between = (nodes[1:] + nodes[:-1]) / 2
    middle = (x_min + x_max) / 2
    # Between two column numbers, beyond them, at an end of the edge, at last on the edge itself.
    first = between[np.argsort(abs(between - middle), kind="stable")][:2].tolist()
    places = [(x, y_min - out) for out in (*outside, 48.0) for x in (*first, middle)]
    ends = [x for out in (12, 26) for x in (x_max + out, x_min - out)]
    places += [(x, y_min - out) for x in ends for out in outside]
    places.append((middle, y_min - outside[0] / 4))
    at = _free(picture, place, places, "FRONT", font, taken)
    taken.append(_write_box(picture, at, [("FRONT", font)], DARK_INK, LIGHT_INK))


def _free(
    picture: Image.Image,
    place: ToPixel,
    places_mm: list[tuple[float, float]],
    text: str,
    font: Font,
    taken: list[Box],
) -> Pixels:
    """Return the first place in the picture where a text covers nothing, else the best."""
    points = place(np.array(places_mm))
    boxes = np.array(taken).reshape(-1, 4)
    covered = []
    for at in points:
        box = _box_of(picture, at, [(text, font)])
        # A place outside is drawn at the picture's edge, and counts as covered by how far it moves.
        moved = abs((box[0] + box[2]) / 2 - at[0]) + abs((box[1] + box[3]) / 2 - at[1])
        # The rim drawn around it is not wider than this.
        rim = 0.2 * (box[3] - box[1])
        grown = (box[0] - rim, box[1] - rim, box[2] + rim, box[3] + rim)
        over = _overlap(grown, boxes)
        if over == 0 and moved < 1.0:
            return np.asarray(at)
        covered.append(over + moved * (box[3] - box[1]))
    return np.asarray(points[int(np.argmin(covered))])


def _overlap(one: Box, others: Pixels) -> float:
    """Return the area that a box shares with others, shape (N, 4)."""
    left, top, right, bottom = others.T
    wide = np.minimum(right, one[2]) - np.maximum(left, one[0])
    high = np.minimum(bottom, one[3]) - np.maximum(top, one[1])
    return float((np.maximum(wide, 0.0) * np.maximum(high, 0.0)).sum())


def _label_lines(pad: PadScore, score: SheetScore, style: Style) -> list[tuple[str, Font]]:
    lines: list[tuple[str, Font]] = [(headline(pad, score), _font(style.large))]
    verdict = verdict_label(pad)
    if pad.verdict.startswith("off scale") and pad.interval_mm is not None:
        # A bound on this side of the target does not say that the nozzle is off at all.
        low, high = pad.interval_mm
        if low is not None and low <= score.target_gap_mm + score.tolerance_mm:
            verdict = "or farther"
        elif high is not None and high >= score.target_gap_mm - score.tolerance_mm:
            verdict = "or nearer"
    squish = "" if pad.squish is None else f"squish {pad.squish:.0f}"
    lines += [(t, _font(style.small)) for t in (verdict, squish) if t]
    return lines


def _rooms_below(outlines: list[Pixels]) -> list[float]:
    """Return, for each outline, the pixels between it and the next one below it."""
    low = np.array([outline.min(axis=0) for outline in outlines]).reshape(-1, 2)
    high = np.array([outline.max(axis=0) for outline in outlines]).reshape(-1, 2)
    apart = (low[None, :, 0] > high[:, None, 0]) | (high[None, :, 0] < low[:, None, 0])
    above = (low[None, :, 1] + high[None, :, 1]) / 2 <= high[:, None, 1]
    room = low[None, :, 1] - high[:, None, 1]
    rooms: list[float] = np.where(apart | above, np.inf, room).min(axis=1, initial=np.inf).tolist()
    return rooms


def _fitting(lines: list[tuple[str, Font]], room: float) -> int:
    """Count the lines that fit above the next pad; at least one."""
    for count in (3, 2):
        if _box_size(lines[:count])[1] <= 1.1 * room:
            return count
    return 1


def _write_label(
    picture: Image.Image,
    outline: Pixels,
    pad: PadScore,
    score: SheetScore,
    lines: list[tuple[str, Font]],
    style: Style,
) -> Box:
    entry = pad_colour(pad, score.target_gap_mm, score.tolerance_mm)
    height = _box_size(lines)[1]
    # Below the outline as the picture is seen, so that the printed lines stay visible.
    at = np.array([outline[:, 0].mean(), outline[:, 1].max() + height / 2 + style.line])
    return _write_box(picture, at, lines, entry.fill, entry.ink)


@functools.lru_cache(maxsize=16)
def _font(size: int) -> Font:
    # Kept, since unpacking the face takes as long as drawing dozens of labels.
    return ImageFont.load_default(size=size)


@functools.lru_cache(maxsize=1024)
def _size(text: str, font: Font) -> tuple[float, float]:
    # Kept, since every label is measured several times before it has its place.
    blank = ImageDraw.Draw(Image.new("RGB", (1, 1)))
    left, top, right, bottom = blank.textbbox((0, 0), text, font=font, anchor="lt")
    return right - left, bottom - top


def _box_size(lines: Sequence[tuple[str, Font]]) -> tuple[float, float, float]:
    """Return width and height of a box of text, and the space about its lines."""
    sizes = [_size(*line) for line in lines]
    space = 0.45 * min(height for _, height in sizes)
    width = max(width for width, _ in sizes) + 2 * space
    return width, sum(height for _, height in sizes) + space * (len(sizes) + 1), space


def _box_of(picture: Image.Image, at: Pixels, lines: list[tuple[str, Font]]) -> Box:
    """Return the box of lines of text about a point, moved so far that it is in the picture."""
    width, height, _ = _box_size(lines)
    image_width, image_height = picture.size
    x0 = max(2.0, min(float(at[0]) - width / 2, image_width - width - 3))
    y0 = max(2.0, min(float(at[1]) - height / 2, image_height - height - 3))
    return x0, y0, x0 + width, y0 + height


def _write_box(
    picture: Image.Image, at: Pixels, lines: list[tuple[str, Font]], fill: str, ink: str
) -> Box:
    """Write lines of text, centred on a box that is kept inside the picture; return the box."""
    label, rim = _label(tuple(lines), fill, ink)
    x0, y0, x1, y1 = _box_of(picture, at, lines)
    outer = (x0 - rim, y0 - rim, x1 + rim, y1 + rim)
    picture.paste(label, (round(outer[0]), round(outer[1])), label)
    return outer


@functools.lru_cache(maxsize=256)
def _label(lines: tuple[tuple[str, Font], ...], fill: str, ink: str) -> tuple[Image.Image, int]:
    """Draw a box of text on nothing; return it, and how far its rim reaches beyond the box."""
    # Kept, since many pads of a large sheet have the same label.
    width, height, space = _box_size(lines)
    rim = max(1, round(space / 4))
    label = Image.new("RGBA", (int(width + 2 * rim) + 1, int(height + 2 * rim) + 1))
    draw = ImageDraw.Draw(label)
    outer = (0, 0, width + 2 * rim, height + 2 * rim)
    draw.rounded_rectangle(outer, radius=space * 1.2, fill=DARK_INK)
    box = (rim, rim, width + rim, height + rim)
    draw.rounded_rectangle(box, radius=space, fill=fill, outline=LIGHT_INK, width=rim)
    y = rim + space
    for text, font in lines:
        draw.text((rim + width / 2, y), text, font=font, fill=ink, anchor="mt")
        y += _size(text, font)[1] + space
    return label, rim
