"""Refusing a whole photo by what its lines show, or as too few of its pads can be read."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.ladder import FIRST_MM
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.floor import height_floor_mm
from padsheet.scoring.gaps import comb_of
from padsheet.scoring.judge import before_fit
from padsheet.scoring.lines import PadWidths
from padsheet.scoring.medians import median, medians
from padsheet.scoring.phrases import points
from padsheet.scoring.squish import PadScore

__all__ = ["fewest_pads", "refuse_blur", "refuse_floor", "too_few_read", "usual_apart"]

Floats = NDArray[np.float64]

# Of a photo that is blurred by more than this, the pads that seem sharper are not to be trusted.
_MOST_BLUR_MM = 0.22
# Only of lines that are sharper than this is a missing step the printer's and not the photo's.
_SHARP_MM = 0.16
# Fewer pads than this, or than this part of the sheet, tell too little of flow and photo bias.
_FEWEST_PADS, _LEAST_PART = 3, 0.2


def usual_apart(widths: Sequence[PadWidths]) -> Floats:
    """Return print minus plate as most pads show it, shape (3,)."""
    return medians(np.transpose([w.apart for w in widths if w.whole] or [np.zeros(3)]))


def refuse_blur(name: str, widths: Sequence[PadWidths]) -> None:
    """Refuse a photo that is blurred as a whole, by the pads that show print and plate clearly.

    Parameters
    ----------
    name : str
        Of the photo, for the error.
    widths : sequence of PadWidths
        One for each pad of the sheet.

    Raises
    ------
    PadsheetError
        If it is.
    """
    usual = usual_apart(widths)
    shown = [
        w
        for w in widths
        if (why := before_fit(w, usual)) is None
        or why.code == "pad-blur"
        or w.only_colour_is_blurred
    ]
    blur_mm = median([w.blur_mm for w in shown] or [0.0])
    if blur_mm > _MOST_BLUR_MM and 2 * sum(w.only_colour_is_blurred for w in shown) > len(shown):
        raise PadsheetError(
            f"print and plate are equally bright in {name}, and phones blur colour, here by "
            f"{blur_mm:.2f} mm on the bed, more than widths can be read with",
            remedy="Print the sheet in a lighter or darker filament, or try light from another "
            "side.",
            code="photo-unsure",
        )
    if blur_mm > _MOST_BLUR_MM:
        raise PadsheetError(
            f"{name} is blurred by {blur_mm:.2f} mm on the bed, more than widths can be read with",
            remedy="Take the photo nearer, tap to focus, give it more light and hold still.",
            code="photo-unsure",
        )


def refuse_floor(sheet: Sheet, widths: Sequence[PadWidths]) -> None:
    """Refuse a print whose lowest steps were printed at one height.

    Raises
    ------
    PadsheetError
        If they were on most pads; it names the height.
    """
    usual = usual_apart(widths)
    sharp = [w for w in widths if w.blur_px < _SHARP_MM * w.px_per_mm]
    clear = [w.width_mm for w in sharp if before_fit(w, usual) is None]
    floor_mm = height_floor_mm(comb_of(sheet), np.array(clear)) if clear else None
    if floor_mm is not None:
        raise PadsheetError(
            "the lowest steps of the ladder came out alike: the printer seems not to go below "
            f"about {floor_mm:.2f} mm",
            remedy="Look for a limit on the lowest Z in the printer's settings, end stop or start "
            "code, give it in bed.toml as z_lowest_mm, and print a new sheet.",
            code="print-floor",
        )


def fewest_pads(pads: Sequence[PadScore], *, part: bool = False) -> int:
    """Return how many of these pads must be read; a spot sheet may have fewer than usual.

    Parameters
    ----------
    pads : sequence of PadScore
        All of the sheet.
    part : bool
        Whether only those count that the photo shows, as in one of several close-ups.
    """
    count = sum(not (part and _code(pad) == "pad-outside") for pad in pads)
    return min(count, max(_FEWEST_PADS, math.ceil(_LEAST_PART * count)))


def too_few_read(name: str, sheet: Sheet, pads: Sequence[PadScore]) -> PadsheetError:
    """Return the error that says why too few pads were read, and what to do.

    Where the bed is beyond the sheet's reach, no other photo of the same print will help.

    Parameters
    ----------
    name : str
        Of the photo or photos.
    sheet : Sheet
    pads : sequence of PadScore
        All of the sheet.
    """
    high = sum(pad.verdict == "off scale high" for pad in pads)
    low = sum(pad.verdict == "off scale low" for pad in pads)
    alike = sum(_code(pad) == "pad-no-fall" for pad in pads)
    unread = sum(pad.gap_mm is None for pad in pads)
    begin = f"too few pads in {name} could be read"
    if high + low and 2 * (high + low + alike) > unread:
        return PadsheetError(
            f"{begin}: {_beyond(high, low, alike, len(pads))}",
            remedy=_nearer(sheet, high, low),
            code="print-beyond-reach",
        )
    texts = [pad.reason.text for pad in pads if pad.reason is not None]
    most = max(set(texts), key=texts.count) if texts else "no lines were seen"
    return PadsheetError(
        f"{begin}; for most of the others {most}",
        remedy="Take the photo again as said, or print the sheet again.",
        code="photo-unusable",
    )


def _beyond(high: int, low: int, alike: int, count: int) -> str:
    """Count the points that lie beyond the sheet's reach, by side."""
    told = [
        f"{words} at {number}"
        for words, number in (("too far", high), ("too near", low), ("one or the other", alike))
        if number
    ]
    return f"the nozzle is beyond what the sheet reads, {', '.join(told)} of {points(count)}"


def _nearer(sheet: Sheet, high: int, low: int) -> str:
    """Say how the next sheet will read more: the bed nearer to it, or a wider reach."""
    wide = max(sheet.reach_mm) > FIRST_MM - 1e-9
    first = "" if wide else "print a sheet with `padsheet sheet --reach first`"
    if low >= high:
        paper = (
            "Before anything else is printed set the screws or the printer's offset with a sheet "
            "of paper again, bed and nozzle warm, so that the nozzle comes up"
        )
        return f"{paper}; then {first or 'print the sheet again'}."
    if not wide:
        return f"{first[0].upper()}{first[1:]}."
    return (
        "Set the screws or the printer's offset with a sheet of paper again, bed and nozzle warm; "
        "then print the sheet again."
    )


def _code(pad: PadScore) -> str:
    return pad.reason.code if pad.reason else ""
