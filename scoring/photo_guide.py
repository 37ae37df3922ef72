"""How to take the photo, drawn as inline SVG: one to follow and one to avoid."""

from __future__ import annotations

from padsheet.scoring.svg import tag

__all__ = ["bad_photo", "good_photo"]


def _sheet_drawing(columns: int, pitch: float) -> str:
    """Draw a bed with its pads as the guide's photos show it, the middle at (0, 0)."""
    half = columns * pitch / 2
    body = tag("rect", x=-half, y=-half, width=2 * half, height=2 * half, rx=4, class_="plate")
    comb = "".join(f"M{-7 + 3.5 * k:.1f} -6v12" for k in range(5))
    for i in range(columns):
        for j in range(columns):
            x, y = (i + 0.5) * pitch - half, (j + 0.5) * pitch - half
            body += tag("path", d=comb, class_="print", transform=f"translate({x:.1f} {y:.1f})")
    return body


def _screen(body: str, name: str) -> str:
    """Draw a phone's screen of 200 x 150 with something on it, cut off at its edges."""
    clip = f"clip-{name}"
    return (
        tag("rect", x=-112, y=-84, width=224, height=168, rx=16, class_="phone")
        + tag("clipPath", tag("rect", x=-98, y=-76, width=196, height=152, rx=4), id=clip)
        + tag("rect", x=-98, y=-76, width=196, height=152, rx=4, class_="desk")
        + tag("g", body, clip_path=f"url(#{clip})")
    )


def _side_view(x: float, angle_deg: float, height: float, lamp: str) -> str:
    """Draw the phone above the bed from the side, with the field that it sees."""
    phone = tag("rect", x=-26, y=-4, width=52, height=8, rx=4, class_="phone")
    field = tag("path", d=f"M0 4L-52 {height:.0f}H52Z", class_="field")
    camera = tag(
        "g", field + phone, transform=f"translate({x:.0f} {-height:.0f}) rotate({angle_deg:.0f})"
    )
    bed = tag("rect", x=-64, y=0, width=128, height=7, rx=2, class_="plate")
    return camera + bed + lamp


def _guide(screen: str, side: str, label: str) -> str:
    body = tag("g", screen, transform="translate(124 100)")
    body += tag("g", side, transform="translate(352 150)")
    return tag("svg", body, viewBox="0 0 440 200", class_="guide", role="img", aria_label=label)


def good_photo() -> str:
    """Draw how to hold the phone: level above the middle, whole sheet seen, soft light."""
    window = tag("path", d="M-84 -116h26v36h-26zM-71 -116v36M-84 -98h26", class_="window")
    window += tag("path", d="M-50 -84L-30 -58M-50 -100L-18 -60", class_="ray")
    return _guide(
        _screen(_sheet_drawing(5, 28.0), "good"),
        _side_view(0.0, 0.0, 104.0, window),
        "Good: the phone level above the middle, the whole sheet seen, light from a window",
    )


def bad_photo() -> str:
    """Draw what spoils a photo: tilted phone, sheet cut off, reflection of a lamp."""
    sheet = tag("g", _sheet_drawing(5, 34.0), transform="translate(38 26) rotate(17) skewX(-24)")
    glare = "".join(
        tag("ellipse", cx=-22, cy=-18, rx=r, ry=0.7 * r, class_="glare") for r in (44, 32, 20)
    )
    lamp = tag("path", d="M-74 -128h34l8 22h-50zM-57 -128v-12", class_="window")
    lamp += tag("path", d="M-54 -100L-8 -3L32 -82", class_="ray")
    return _guide(
        _screen(sheet + glare, "bad"),
        _side_view(44.0, 30.0, 92.0, lamp),
        "Bad: the phone tilted, part of the sheet outside, a lamp reflected in the bed",
    )
