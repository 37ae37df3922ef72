"""The preview as a picture of pixels, for programs and printers that show no SVG."""

from __future__ import annotations

import functools
import io
import itertools
import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass

from PIL import Image, ImageDraw, ImageFont

from padsheet.patterns.preview import LIGHT, RULES, TEXT_MM

__all__ = ["preview_png"]

LONGER_SIDE_PX = 1600
# Drawn larger and shrunk, since Pillow's lines are not smoothed.
OVERSAMPLED = 2
_SVG = "{http://www.w3.org/2000/svg}"

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Canvas:
    """A picture being drawn, and where the drawing's millimetres lie in it."""

    draw: ImageDraw.ImageDraw
    left: float
    top: float
    scale: float

    def at(self, x: float, y: float) -> Point:
        return (x - self.left) * self.scale, (y - self.top) * self.scale


def preview_png(svg: str, *, longer_side_px: int = LONGER_SIDE_PX) -> bytes:
    """Draw the SVG that `padsheet.patterns.preview.preview_svg` wrote, in its light colours.

    Parameters
    ----------
    svg : str
        That drawing; only its own few kinds of elements are known.
    longer_side_px : int, optional
        Pixels of the longer side.

    Returns
    -------
    bytes
        A PNG file.

    Raises
    ------
    ValueError
        If the drawing holds an element that `preview_svg` does not write.
    """
    root = ET.fromstring(svg)
    left, top, wide, high = (float(v) for v in root.get("viewBox", "").split())
    scale = OVERSAMPLED * longer_side_px / max(wide, high)
    image = Image.new("RGB", (round(wide * scale), round(high * scale)), LIGHT["paper"])
    canvas = _Canvas(draw=ImageDraw.Draw(image), left=left, top=top, scale=scale)
    for element in root:
        _draw(canvas, element)
    small = image.reduce(OVERSAMPLED)
    # A drawing has few colours: a palette makes the file several times smaller.
    stream = io.BytesIO()
    small.quantize(128, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE).save(
        stream, "PNG", optimize=True
    )
    return stream.getvalue()


def _draw(canvas: _Canvas, element: ET.Element) -> None:
    tag = element.tag.removeprefix(_SVG)
    if tag in ("title", "style"):
        return
    style = _style_of(element)
    if tag == "rect":
        x, y, w, h = (_number(element, key) for key in ("x", "y", "width", "height"))
        _area(canvas, ((x, y), (x + w, y), (x + w, y + h), (x, y + h)), style)
    elif tag == "circle":
        _circle(canvas, element, style)
    elif tag == "line":
        ends = ((_number(element, f"x{k}"), _number(element, f"y{k}")) for k in (1, 2))
        _line(canvas, list(ends), style)
    elif tag == "path":
        for points in _pieces(element.get("d", "")):
            _line(canvas, points, style)
    elif tag == "text":
        _text(canvas, element, style)
    else:
        raise ValueError(f"a preview has no <{tag}>")


def _number(element: ET.Element, name: str) -> float:
    return float(element.get(name, "0"))


def _style_of(element: ET.Element) -> dict[str, str]:
    style: dict[str, str] = {}
    for name in element.get("class", "").split():
        style |= RULES.get(name, {})
    if (width := element.get("stroke-width")) is not None:
        style = {"stroke-width": width} | style
    return style


def _colour(style: dict[str, str], key: str) -> str | None:
    name = style.get(key, "none")
    return None if name == "none" else LIGHT[name]


def _pieces(path: str) -> Iterator[list[Point]]:
    """Yield the unbroken lines of a path of absolute M and L commands."""
    for piece in path.split("M")[1:]:
        numbers = [float(v) for v in re.split(r"[L ]", piece)]
        yield list(zip(numbers[::2], numbers[1::2], strict=True))


def _area(canvas: _Canvas, corners: tuple[Point, ...], style: dict[str, str]) -> None:
    fill = _colour(style, "fill")
    if fill is not None:
        canvas.draw.polygon([canvas.at(*corner) for corner in corners], fill=fill)
    if _colour(style, "stroke") is not None:
        _line(canvas, [*corners, corners[0]], style | {"stroke-linecap": "round"})


def _circle(canvas: _Canvas, element: ET.Element, style: dict[str, str]) -> None:
    x, y, r = (_number(element, key) for key in ("cx", "cy", "r"))
    box = (*canvas.at(x - r, y - r), *canvas.at(x + r, y + r))
    width = max(1, round(float(style.get("stroke-width", "0")) * canvas.scale))
    fill, outline = _colour(style, "fill"), _colour(style, "stroke")
    canvas.draw.ellipse(box, fill=fill, outline=outline, width=width)


def _line(canvas: _Canvas, points: list[Point], style: dict[str, str]) -> None:
    colour = _colour(style, "stroke")
    if colour is None:
        return
    width = max(1, round(float(style.get("stroke-width", "0")) * canvas.scale))
    if "stroke-dasharray" in style:
        for a, b in itertools.pairwise(points):
            for dash in _dashes(a, b, float(style["stroke-dasharray"].split()[0])):
                canvas.draw.line([canvas.at(*end) for end in dash], fill=colour, width=width)
        return
    pixels = [canvas.at(*point) for point in points]
    canvas.draw.line(pixels, fill=colour, width=width, joint="curve")
    if style.get("stroke-linecap") == "round":
        for x, y in (pixels[0], pixels[-1]):
            r = width / 2
            canvas.draw.ellipse((x - r, y - r, x + r, y + r), fill=colour)


def _dashes(a: Point, b: Point, dash: float) -> Iterator[tuple[Point, Point]]:
    length = math.dist(a, b)
    for start in range(0, math.ceil(length / dash), 2):
        ends = (start * dash / length, min((start + 1) * dash / length, 1.0))
        first, last = ((a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])) for t in ends)
        yield first, last


@functools.lru_cache(maxsize=4)
def _font(size_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size=size_px)


def _text(canvas: _Canvas, element: ET.Element, style: dict[str, str]) -> None:
    # An anchor at the middle, or at the left end of the base line, as SVG places texts.
    anchor = "mm" if "text-anchor" in style else "ls"
    at = canvas.at(_number(element, "x"), _number(element, "y"))
    font = _font(round(TEXT_MM * canvas.scale))
    canvas.draw.text(at, element.text or "", font=font, fill=LIGHT["ink"], anchor=anchor)
