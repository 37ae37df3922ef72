"""A sheet told beforehand is the one that is made, and a refusal told beforehand is one too."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from padsheet.patterns import make
from padsheet.patterns.bed import Bed, Code, MeshGrid, Motion, Rectangle
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.gcode import write_gcode
from padsheet.patterns.make import SheetFiles, make_sheet, predict_sheet
from padsheet.patterns.sheet import Sheet


def outcome(make: Callable[..., SheetFiles | Sheet], bed: Bed, **asked: Any) -> Sheet | str:
    """Return the sheet without the digest of its G-code, or the code of the refusal."""
    try:
        made = make(bed, **asked)
    except PadsheetError as error:
        return error.code
    sheet = made.sheet if isinstance(made, SheetFiles) else made
    return dataclasses.replace(sheet, gcode_sha256=None)


CLIP = Rectangle(x_min_mm=100, y_min_mm=95, x_max_mm=112, y_max_mm=125)
#: What the printer does outside its mesh, where the correction has faded, and how far the corners
#: of the mesh stand above its middle.
MESHES = [
    ("hold", None, 0.05),
    ("hold", None, 1.0),
    ("hold", 2.0, -1.0),
    ("extend", None, -0.5),
    ("extend", 2.0, 1.5),
    ("off", None, 0.5),
    ("off", None, -0.5),
    ("unknown", None, 0.05),
    ("unknown", 2.0, 1.5),
    ("unknown", 0.5, -0.5),
]


@pytest.mark.parametrize(("outside", "fade_mm", "corner_mm"), MESHES)
def test_the_sheet_that_is_predicted_is_made(
    outside: str, fade_mm: float | None, corner_mm: float
) -> None:
    grid = MeshGrid(columns=3, rows=3, outside=outside, fade_height_mm=fade_mm)
    bowl = np.add.outer([1.0, 0.0, 1.0], [1.0, 0.0, 1.0]) / 2
    plate = dataclasses.replace(Bed().plate, keep_out=(CLIP,))
    told = []
    for active, reach_mm, clip in (
        ("yes", 0.08, False), ("yes", 0.15, True), ("no", 0.08, False), ("unknown", 0.15, True)
    ):  # fmt: skip
        asked = {
            "reach_mm": (-reach_mm, reach_mm),
            "number": 3,
            "mesh_active": active,
            "mesh_name": "mesh" if active == "yes" else None,
            "mesh_z_mm": corner_mm * bowl if active != "unknown" else None,
            "self_check": active == "no",
        }
        bed = Bed(mesh=grid, plate=plate if clip else Bed().plate)
        made = outcome(make_sheet, bed, **asked)
        told.append(made)
        assert outcome(predict_sheet, bed, **asked) == made
    # Where a mesh that lowers the corners fades out at once, they stand too high.
    refused = corner_mm < 0 and fade_mm is not None
    assert [one for one in told if isinstance(one, str)] == ["envelope-mesh-clearance"] * refused


@pytest.mark.parametrize(
    ("keys", "code"),
    [
        ({"code": Code(preamble=("M104 S400",))}, "envelope-temperature"),
        ({"code": Code(preamble=("G28 Z",))}, "envelope-no-lift"),
        ({"code": Code(postamble=("G28",))}, "envelope-home-late"),
        # Lower than the highest line of the sheet lies, which is in the middle of the print.
        ({"code": Code(postamble=("G0 Z0.5 F300", "G0 X50 Y50 F3000"))}, "envelope-low-travel"),
        ({"code": Code(postamble=("M104 S200",))}, "envelope-left-hot"),
        ({"motion": Motion(z_lowest_mm=0.5)}, "ladder-impossible"),
        ({"motion": Motion(z_top_mm=5.0)}, "envelope-z-top"),
    ],
)
def test_what_is_refused_is_predicted(keys: dict[str, Any], code: str) -> None:
    bed = Bed(mesh=MeshGrid(columns=3, rows=3), **keys)
    asked = {"reach_mm": (-0.08, 0.08), "mesh_active": "no"}
    assert outcome(make_sheet, bed, **asked) == code
    assert outcome(predict_sheet, bed, **asked) == code


def test_a_prediction_writes_the_text_of_few_strokes(monkeypatch: pytest.MonkeyPatch) -> None:
    """That is what makes it quick: no text of the whole print, no picture, no minutes."""
    written = []
    monkeypatch.setattr(make, "write_gcode", lambda s, b: written.append(s) or write_gcode(s, b))
    for name in ("estimate", "preview_svg", "preview_png", "sheet_to_json"):
        monkeypatch.setattr(make, name, None)
    sheet = predict_sheet(Bed(), reach_mm=(-0.15, 0.15), mesh_active="no")
    (few,) = written
    assert len(few.strokes) <= 5 < len(sheet.strokes) / 10
