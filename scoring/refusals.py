"""Refusing a whole photo by what its lines show, before any gap is fitted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.floor import height_floor_mm
from padsheet.scoring.gaps import comb_of
from padsheet.scoring.judge import before_fit
from padsheet.scoring.lines import PadWidths
from padsheet.scoring.medians import median, medians

__all__ = ["refuse_blur", "refuse_floor", "usual_apart"]

Floats = NDArray[np.float64]

# Of a photo that is blurred by more than this, the pads that seem sharper are not to be trusted.
_MOST_BLUR_MM = 0.22
# Only of lines that are sharper than this is a missing step the printer's and not the photo's.
_SHARP_MM = 0.16


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
