"""The coupon as a second witness: a solid square that is open was printed from too high.

Where the nozzle is too far from the bed the coupon's lines do not meet: the plate shows between
them, in stripes as far apart as the lines. Two things must come together before that is believed:
stripes along the lines and none across them, and a coupon that as a whole looks more like the plate
than the comb's lines do. Anything else is *not clear*. In rendered photos neither a closed coupon
nor a ridged one (nozzle too near) could be told with confidence: a groove a tenth of a millimetre
wide is one pixel, and the light decides whether it shows. So the witness only ever speaks against a
gap that is too small, and it never overrides the ladder.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.sheet import Coupon, Pad, Sheet
from padsheet.scoring.camera import Camera
from padsheet.scoring.colour_axis import (
    LUMINANCE_SEPARATION,
    discriminant_axis,
    luminance_axis,
    print_and_plate,
)
from padsheet.scoring.medians import median
from padsheet.scoring.patches import Lines, Patches, pad_lines, sample_lines
from padsheet.scoring.photo import Photo
from padsheet.scoring.phrases import place
from padsheet.scoring.remarks import COUPON_OPEN
from padsheet.scoring.squish import CouponWitness, PadScore

__all__ = ["coupon_look", "coupon_warnings", "witness", "witnessed"]

Floats = NDArray[np.float64]

# Stripes times missing brightness, and the brightness itself. From rendered photos with known gaps:
# no coupon whose volume fills it had more evidence than 0.012, see DEVELOPERS.md.
_LEAST_EVIDENCE, _MOST_LEVEL = 0.015, 0.85
# Below this contrast or this scale a stripe may be noise or sampling.
_LEAST_SEPARATION, _LEAST_PX_PER_SPACING = 10.0, 3.0
_BLOCKS, _BAND = 6, (0.8, 1.2)
_REFERENCE_MM = 4.0
_RIM_MM = 0.6


def coupon_look(
    photo: Photo,
    camera: Camera,
    sheet: Sheet,
    pad: Pad,
    coupon: Coupon,
    most_level: float = np.inf,
) -> tuple[float, float] | None:
    """Measure the coupon of a pad in a photo.

    Parameters
    ----------
    photo, camera, sheet, pad, coupon
        The picture, what maps the bed to it, and what is looked at in it.
    most_level : float
        In a coupon that is brighter than this no stripes are looked for, and none told.

    Returns
    -------
    (stripes, level) or None
        Amplitude of the stripes along the lines less that across them, and brightness of the
        coupon; both on a scale where the plate is 0 and the comb's lines are 1. None where the
        photo does not show them well enough.
    """
    lines = pad_lines(sheet, pad)
    shorter = replace(lines, length_mm=min(lines.length_mm, _REFERENCE_MM))
    comb = sample_lines(photo, camera, shorter, sheet.target_gap_mm / 2)
    side = coupon.side_mm - 2 * _RIM_MM
    along = _square(photo, camera, sheet, coupon, side, 0)
    spacing = coupon.side_mm / coupon.lines
    if not (comb.whole and along.whole):
        return None
    colours = print_and_plate(comb.light, comb.u_mm)
    colour = luminance_axis(colours)
    if colour.separation < LUMINANCE_SEPARATION:
        colour = discriminant_axis(colours)
    if colour.separation < _LEAST_SEPARATION or along.px_per_mm * spacing < _LEAST_PX_PER_SPACING:
        return None
    bare = np.abs(comb.u_mm) > comb.u_mm[-1] - 0.15
    plate = median(comb.light[:, :, bare] @ colour.axis)
    seen = along.along(colour.axis)[0].astype(float) - plate
    level = median(seen)
    if level > most_level:
        return 0.0, level
    stripes = _power(seen, along.u_mm, spacing)
    across = _square(photo, camera, sheet, coupon, side, 1)
    other = across.along(colour.axis)[0].astype(float)
    noise = _power(other, across.u_mm, spacing)
    return float(np.sqrt(max(stripes - noise, 0.0))), level


def _square(
    photo: Photo, camera: Camera, sheet: Sheet, coupon: Coupon, side_mm: float, axis: int
) -> Patches:
    """Sample the inside of a coupon, along its lines (axis 0, x) or across them (axis 1, y)."""
    lines = Lines(
        middle_mm=np.array([[coupon.x_mm, coupon.y_mm]]),
        along=np.eye(2)[[axis]],
        length_mm=side_mm,
        reach_mm=side_mm / 2,
    )
    return sample_lines(photo, camera, lines, sheet.target_gap_mm)


def _power(values: Floats, u_mm: Floats, spacing_mm: float) -> float:
    """Return the mean square amplitude, shape (S, U) in, of waves about as long as the spacing."""
    each = len(values) // _BLOCKS
    profiles = values[: each * _BLOCKS].reshape(_BLOCKS, each, -1).mean(axis=1)
    smooth = np.stack([np.ones_like(u_mm), u_mm, u_mm**2], axis=1)
    profiles = profiles - (smooth @ np.linalg.lstsq(smooth, profiles.T, rcond=None)[0]).T
    window = np.hanning(len(u_mm))
    waves = np.linspace(*_BAND, 5) / spacing_mm
    turn = np.exp(-2j * np.pi * waves[:, None] * u_mm) * window * 2 / window.sum()
    return float(np.mean(np.abs(profiles @ turn.T) ** 2))


def witness(look: tuple[float, float] | None, pad: PadScore, filled_mm: float) -> CouponWitness:
    """Judge what a coupon says, beside what the ladder says.

    Parameters
    ----------
    look : (stripes, level) or None
        From `coupon_look`.
    pad : PadScore
        The ladder's answer.
    filled_mm : float
        Largest gap at which the coupon's volume fills it.
    """
    if look is None or look[1] > _MOST_LEVEL or look[0] * (1 - look[1]) < _LEAST_EVIDENCE:
        return CouponWitness(seen="not clear")
    low, high = pad.interval_mm or (None, None)
    if high is not None and high < filled_mm:
        return CouponWitness(seen="open", ladder="disagrees")
    if low is not None and (low >= filled_mm or pad.verdict in ("too little", "off scale high")):
        return CouponWitness(seen="open", ladder="agrees")
    return CouponWitness(seen="open")


def witnessed(
    photo: Photo, camera: Camera, sheet: Sheet, pads: Sequence[PadScore], flow: float
) -> list[PadScore]:
    """Return the scores with what the coupons say; the gaps are left as they are.

    Parameters
    ----------
    pads : sequence of PadScore
        In the order of the sheet's pads.
    flow : float
        Extruded over commanded volume.
    """

    def looked_at(score: PadScore, pad: Pad) -> PadScore:
        coupon = pad.coupon
        outside = score.reason is not None and score.reason.code == "pad-outside"
        if coupon is None or coupon.lines < 2 or outside:
            return score
        filled_mm = flow * coupon.area_mm2 * coupon.lines / coupon.side_mm
        look = coupon_look(photo, camera, sheet, pad, coupon, _MOST_LEVEL)
        said = witness(look, score, filled_mm)
        notes = score.notes
        if said.ladder == "disagrees":
            notes = (*notes, COUPON_OPEN)
        return replace(score, coupon=said, notes=notes)

    return [looked_at(*pair) for pair in zip(pads, sheet.pads, strict=True)]


def coupon_warnings(pads: Sequence[PadScore]) -> tuple[str, ...]:
    """Say where coupons contradict the ladder."""
    against = [p for p in pads if p.coupon is not None and p.coupon.ladder == "disagrees"]
    if not against:
        return ()
    first = against[0]
    more = f" and {len(against) - 1} more" if len(against) > 1 else ""
    return (
        f"The coupon at {place(first.i, first.j)}{more} looks open though its ladder "
        "says that the nozzle is near enough: look at the print there before correcting.",
    )
