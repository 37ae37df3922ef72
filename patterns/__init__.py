"""What is printed: bead physics, bed profile, pads, markers, sheets and their G-code.

The names below are the library's face; README.md has an example. Each is imported from its module
when it is first asked for, so that no part of the package pays for what it does not use.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from padsheet.patterns.lazy import lazy_names

if TYPE_CHECKING:
    from padsheet.patterns.bed import (
        Bed,
        Code,
        Edits,
        Heat,
        MeshGrid,
        Motion,
        Nozzle,
        Plate,
        Rectangle,
        Screw,
        Target,
    )
    from padsheet.patterns.envelope import check_envelope
    from padsheet.patterns.errors import PadsheetError
    from padsheet.patterns.estimate import Estimate
    from padsheet.patterns.make import SheetFiles, make_sheet
    from padsheet.patterns.profile import load_bed, parse_bed, profile_text
    from padsheet.patterns.sheet import Pad, Sheet, Track
    from padsheet.patterns.sheet_file import sheet_from_json, sheet_to_json

__all__ = [
    "Bed",
    "Code",
    "Edits",
    "Estimate",
    "Heat",
    "MeshGrid",
    "Motion",
    "Nozzle",
    "Pad",
    "PadsheetError",
    "Plate",
    "Rectangle",
    "Screw",
    "Sheet",
    "SheetFiles",
    "Target",
    "Track",
    "check_envelope",
    "load_bed",
    "make_sheet",
    "parse_bed",
    "profile_text",
    "sheet_from_json",
    "sheet_to_json",
]

_NAMES = {
    "bed": "Bed Code Edits Heat MeshGrid Motion Nozzle Plate Rectangle Screw Target",
    "envelope": "check_envelope",
    "errors": "PadsheetError",
    "estimate": "Estimate",
    "make": "SheetFiles make_sheet",
    "profile": "load_bed parse_bed profile_text",
    "sheet": "Pad Sheet Track",
    "sheet_file": "sheet_from_json sheet_to_json",
}

__getattr__, __dir__ = lazy_names(__name__, _NAMES)
