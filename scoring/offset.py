"""The common offset as a line for the printer, in the profile's own way and sign."""

from __future__ import annotations

import math
from dataclasses import dataclass

from padsheet.patterns.bed import Bed, Edits
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.applied import KEPT_STYLES
from padsheet.scoring.edit_styles import number_text
from padsheet.scoring.squish import Z95

__all__ = ["LARGEST_OFFSET_MM", "OffsetChange", "offset_how", "offset_lines", "safe_offset_mm"]

LARGEST_OFFSET_MM = 1.0
"""More than this is a slip of the decimal point: no offset is that far off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetChange:
    """How the common part of the correction is told to the printer.

    Attributes
    ----------
    lines, restore : tuple of str
        G-code, and the way back; both empty where the offset is turned in by hand.
    text : str
        The same in words.
    """

    lines: tuple[str, ...]
    restore: tuple[str, ...]
    text: str


def safe_offset_mm(offset_mm: float, sigma_mm: float, tolerance_mm: float) -> float:
    """Return by how much the nozzle may be moved everywhere.

    A nozzle is raised by the estimate, but lowered only so far that the 95 % interval leaves it no
    nearer than the tolerance, then in whole hundredths: too far from the bed a print does not hold,
    too near the nozzle is in it.

    Parameters
    ----------
    offset_mm, sigma_mm : float
        Common part of the needed correction, negative to lower, and its standard deviation.
    tolerance_mm : float
        By how much the common part may miss its target.

    Examples
    --------
    >>> safe_offset_mm(-0.17, 0.056, 0.03), safe_offset_mm(-0.05, 0.012, 0.03)
    (-0.09, -0.05)
    >>> safe_offset_mm(-0.02, 0.03, 0.03), safe_offset_mm(0.04, 0.02, 0.03)
    (0.0, 0.04)
    """
    sure_mm = -offset_mm - Z95 * sigma_mm + tolerance_mm
    if sure_mm >= -offset_mm or offset_mm >= 0:
        return offset_mm
    return -max(0, math.floor(sure_mm * 100 + 1e-9)) / 100 + 0.0


def offset_lines(bed: Bed, dz_common_mm: float) -> OffsetChange:
    """Write the change of the common offset in the profile's offset style.

    Parameters
    ----------
    bed : Bed
        ``bed.edits.offset_style``, `offset_now_mm` and `offset_sign` apply.
    dz_common_mm : float
        Negative lowers the nozzle everywhere.

    Raises
    ------
    PadsheetError
        If the value is not finite or above 1 mm, or the style needs the present offset and the
        profile does not tell it.

    Examples
    --------
    >>> offset_lines(Bed(), -0.04).text
    'Lower the nozzle by 0.040 mm everywhere, by hand at the start of each print, sheets too.'
    """
    edits = bed.edits
    if not math.isfinite(dz_common_mm) or abs(dz_common_mm) > LARGEST_OFFSET_MM:
        raise PadsheetError(
            f"an offset change of {dz_common_mm:g} mm is not credible",
            remedy="Set the height of the bed by its screws first, then print a new sheet.",
            code="edits-offset",
        )
    dz_mm = round(round(dz_common_mm / edits.smallest_mm) * edits.smallest_mm, 6) + 0.0
    if dz_mm == 0:
        return OffsetChange(lines=(), restore=(), text="Leave the common offset as it is.")
    verb = "Lower" if dz_mm < 0 else "Raise"
    what = f"{verb} the nozzle by {abs(dz_mm):.3f} mm everywhere"
    change_mm = edits.offset_sign * dz_mm
    if edits.offset_style == "hand":
        return OffsetChange(
            lines=(), restore=(), text=f"{what}, by hand at the start of each print, sheets too."
        )
    if edits.offset_style == "none":
        return OffsetChange(
            lines=(),
            restore=(),
            text=f"{what}: the profile names no way to set an offset, so add it to every mesh "
            "point.",
        )
    if edits.offset_style == "M290":
        return OffsetChange(
            lines=(f"M290 Z{number_text(change_mm)}",),
            restore=(f"M290 Z{number_text(-change_mm)}",),
            text=f"{what} with M290, which moves the nozzle at once and adds {change_mm:+.3f} mm "
            "to the offset.",
        )
    return _absolute_offset(edits, change_mm, what)


def _absolute_offset(edits: Edits, change_mm: float, what: str) -> OffsetChange:
    """Write M851 or M206, which take the new value."""
    now_mm = edits.offset_now_mm
    if now_mm is None:
        raise PadsheetError(
            f"{edits.offset_style} takes the new offset, and the present one is not known",
            remedy=_find_out(edits, change_mm),
            code="edits-offset-unknown",
        )
    word = edits.offset_style
    return OffsetChange(
        lines=(f"{word} Z{number_text(now_mm + change_mm)}",),
        restore=(f"{word} Z{number_text(now_mm)}",),
        text=f"{what}: set {word} Z from {now_mm:.3f} to {now_mm + change_mm:.3f}.",
    )


def _find_out(edits: Edits, change_mm: float) -> str:
    """Say how the present offset is found out, and how it is moved without that."""
    word, side = edits.offset_style, "more" if change_mm > 0 else "less"
    return (
        f"Ask the printer ({word} alone shows it on many, or the menu on its screen), and set "
        f"{abs(change_mm):.2f} mm {side} than it shows: {word} Z{number_text(change_mm)} where "
        "that is 0. With the value in bed.toml, offset_now_mm in [edits], the next advice gives "
        "the line."
    )


def offset_how(edits: Edits, dz_common_mm: float) -> str:
    """Say with which line the common offset is moved, where the style takes a new value.

    Parameters
    ----------
    edits : Edits
        With the offset that the printer holds now, if that is known.
    dz_common_mm : float
        Negative lowers the nozzle everywhere.

    Returns
    -------
    str
        A sentence to go on with; empty where nothing more is to be said.

    Examples
    --------
    >>> offset_how(Edits(offset_style="M851", offset_now_mm=-1.2), -0.04)
    ' The line for it: M851 Z-1.240 (now Z-1.200).'
    >>> offset_how(Edits(offset_style="hand"), -0.04)
    ''
    """
    if edits.offset_style not in KEPT_STYLES or not dz_common_mm:
        return ""
    dz_mm = round(round(dz_common_mm / edits.smallest_mm) * edits.smallest_mm, 6)
    change_mm, now_mm = edits.offset_sign * dz_mm, edits.offset_now_mm
    if now_mm is None:
        return (
            f" {edits.offset_style} takes the new value, and the present one is not known here. "
            + _find_out(edits, change_mm)
        )
    new = number_text(now_mm + change_mm)
    return f" The line for it: {edits.offset_style} Z{new} (now Z{number_text(now_mm)})."
