"""The common offset that is set anew in each print: what is on record of it, in words."""

from __future__ import annotations

from padsheet.patterns.bed import Bed, Edits
from padsheet.scoring.applied import EACH_PRINT_STYLES
from padsheet.scoring.rounds import BedFolder

__all__ = [
    "SMALLEST_BY_HAND_MM",
    "hand_offset_mm",
    "hand_offset_words",
    "in_all_words",
    "moved_words",
    "set_how",
]

#: A common offset below this cannot be set by hand.
SMALLEST_BY_HAND_MM = 0.005


def hand_offset_mm(folder: BedFolder, bed: Bed) -> float:
    """Return the common offset on record that is set in each print, by hand or with M290.

    It is 0 in other styles. What was set in another way, when the profile said so, is not counted:
    the printer keeps that.

    Raises
    ------
    PadsheetError
        If a record cannot be read.
    """
    style = bed.edits.offset_style
    if style not in EACH_PRINT_STYLES:
        return 0.0
    records = (round_.read_applied() for round_ in folder.rounds())
    return sum(
        applied.offset_mm
        for applied in records
        if applied is not None
        and applied.offset_mm is not None
        and applied.offset_style in ((style, "") if style == "hand" else (style,))
    )


def hand_offset_words(offset_mm: float, style: str = "hand") -> str:
    """Say which common offset has to be set anew in a print; empty if none.

    Examples
    --------
    >>> hand_offset_words(-0.02)
    'lower the nozzle by 0.02 mm by hand as it starts, unless the printer still holds that'
    """
    if abs(offset_mm) < SMALLEST_BY_HAND_MM:
        return ""
    verb = "lower" if offset_mm < 0 else "raise"
    how = "with M290" if style == "M290" else "by hand"
    return (
        f"{verb} the nozzle by {abs(offset_mm):.2f} mm {how} as it starts, unless the printer "
        "still holds that"
    )


def in_all_words(set_mm: float, more_mm: float) -> str:
    """Say what a further common offset makes with one that is set by hand in each print already.

    Parameters
    ----------
    set_mm, more_mm : float
        What is on record as set by hand, and what is to be added now; negative lowers.

    Returns
    -------
    str
        Sentences to go on with; empty where either is nothing.

    Examples
    --------
    >>> in_all_words(-0.05, -0.05).partition(",")[0]
    ' So set lower by 0.10 mm in all from now on'
    >>> in_all_words(-0.05, 0.0)
    ''
    """
    if min(abs(set_mm), abs(more_mm)) < SMALLEST_BY_HAND_MM:
        return ""
    total_mm = set_mm + more_mm
    told = f" So set {moved_words(total_mm)} mm in all from now on"
    if abs(total_mm) < SMALLEST_BY_HAND_MM:
        told = " So set no offset by hand from now on"
    return (
        f"{told}, in place of {moved_words(set_mm)} mm as on record. If that was not set on this "
        "print, print this sheet again with it before you change anything."
    )


def moved_words(offset_mm: float) -> str:
    """Say whereto a common offset moves the nozzle; the unit is left to the sentence."""
    return f"{'lower' if offset_mm < 0 else 'higher'} by {abs(offset_mm):.2f}"


def set_how(told: Edits) -> str:
    """Say how an offset is set in each print."""
    return "with M290" if told.offset_style == "M290" else "in its menu"
