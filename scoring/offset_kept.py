"""The offset that the printer holds: what bed.toml gives, and what was set since by the record."""

from __future__ import annotations

from dataclasses import replace

from padsheet.patterns.bed import Bed
from padsheet.scoring.applied import KEPT_STYLES
from padsheet.scoring.rounds import BedFolder

__all__ = ["present_offset_mm", "with_present_offset"]


def present_offset_mm(folder: BedFolder, bed: Bed, *, before: int | None = None) -> float | None:
    """Return the offset that the printer holds, as far as is known.

    The profile's value is the start; what is on record as set since is added, in the printer's
    sign. A value that was changed by hand in bed.toml is the user's word, and what was recorded
    under another value no longer counts.

    Parameters
    ----------
    before : int or None
        Only rounds before this one.

    Returns
    -------
    float or None
        None where the profile gives no value, or the offset is not set by a new value.

    Raises
    ------
    PadsheetError
        If a record cannot be read.
    """
    start_mm, style = bed.edits.offset_now_mm, bed.edits.offset_style
    if start_mm is None or style not in KEPT_STYLES:
        return None
    total_mm = start_mm
    for round_ in reversed(folder.rounds()):
        if before is not None and round_.number >= before:
            continue
        applied = round_.read_applied()
        if applied is None or not applied.offset_mm:
            continue
        if applied.offset_style != style or applied.offset_profile_mm != start_mm:
            break
        total_mm += bed.edits.offset_sign * applied.offset_mm
    return round(total_mm, 6) + 0.0


def with_present_offset(folder: BedFolder, bed: Bed, *, before: int | None = None) -> Bed:
    """Return the profile with the offset that the printer holds now; see `present_offset_mm`.

    Raises
    ------
    PadsheetError
        If a record cannot be read.
    """
    now_mm = present_offset_mm(folder, bed, before=before)
    return bed if now_mm is None else replace(bed, edits=replace(bed.edits, offset_now_mm=now_mm))
