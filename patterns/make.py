"""From a bed profile to the finished files of one sheet, checked by the safety envelope."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed
from padsheet.patterns.envelope import check_sheet_gcode
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.estimate import Estimate, estimate
from padsheet.patterns.gcode import switches_mesh_off, write_gcode
from padsheet.patterns.layout import Layout, lay_out_sheet
from padsheet.patterns.preview import preview_svg, shifted_words
from padsheet.patterns.preview_png import preview_png
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import sheet_to_json

__all__ = ["SheetFiles", "make_sheet"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFiles:
    """A sheet and the texts of its files.

    Attributes
    ----------
    sheet : Sheet
    gcode, json, svg : str
        sheet.gcode, sheet.json and preview.svg.
    estimate : Estimate
        Minutes and grams.
    notes : tuple of str
        What the user should know about the layout.
    """

    sheet: Sheet
    gcode: str
    json: str
    svg: str
    estimate: Estimate
    notes: tuple[str, ...]

    @property
    def by_name(self) -> dict[str, str | bytes]:
        """Name and content of each file; sheet.json comes last, for it vouches for the others."""
        return {
            "sheet.gcode": self.gcode,
            "preview.svg": self.svg,
            "preview.png": preview_png(self.svg),
            "sheet.json": self.json,
        }


#: The finest common screw, 2 mm of lead, lifts by this in one of 200 steps.
LEAST_WHOLE_STEP_MM = 0.01


def make_sheet(
    bed: Bed,
    *,
    reach_mm: tuple[float, float],
    number: int = 1,
    points: Sequence[tuple[int, int]] | None = None,
    mesh_active: Literal["yes", "no", "unknown"] = "unknown",
    mesh_name: str | None = None,
    mesh_z_mm: NDArray[np.float64] | None = None,
    self_check: bool = False,
) -> SheetFiles:
    """Lay out a sheet, write its G-code and let nothing leave that the envelope refuses.

    Parameters
    ----------
    bed, reach_mm, number, points, mesh_active, mesh_name, self_check
        See `padsheet.patterns.layout.lay_out_sheet`.
    mesh_z_mm : ndarray of float, shape (rows, columns), optional
        Values of the mesh in force, if known: the envelope then reckons with them.

    Raises
    ------
    PadsheetError
        If the sheet cannot be laid out, or its finished G-code is not safe on this bed.
    """

    def attempt(inside: bool) -> tuple[Layout, str]:
        # Even where the mesh holds or goes on beyond its edge, a steep bed may leave it there.
        steep = inside and mesh_active != "unknown"
        grid = replace(bed.mesh, outside="unknown") if steep else bed.mesh
        layout = lay_out_sheet(
            replace(bed, mesh=grid),
            reach_mm=reach_mm,
            number=number,
            points=points,
            mesh_active=mesh_active,
            mesh_name=mesh_name,
            self_check=self_check,
            inside=inside,
        )
        gcode = write_gcode(layout.sheet, bed)
        check_sheet_gcode(gcode, layout.sheet, bed, mesh_z_mm=mesh_z_mm)
        return layout, gcode

    layout, gcode = _safest(attempt, mesh_active)
    digest = hashlib.sha256(gcode.encode("utf-8")).hexdigest()
    sheet = replace(layout.sheet, gcode_sha256=digest)
    spent = estimate(gcode, bed)
    return SheetFiles(
        sheet=sheet,
        gcode=gcode,
        json=sheet_to_json(sheet),
        svg=preview_svg(sheet, bed, spent),
        estimate=spent,
        notes=(
            *layout.notes,
            *filter(None, [shifted_words(sheet, bed)]),
            *_mesh_notes(bed, mesh_active),
            *_step_notes(bed),
        ),
    )


def _step_notes(bed: Bed) -> tuple[str, ...]:
    """Doubt a whole motor step that is so small that it must be a microstep."""
    step_mm = bed.motion.z_step_mm
    if step_mm >= LEAST_WHOLE_STEP_MM:
        return ()
    return (
        f"z_step_mm is {step_mm:g} mm in bed.toml, which looks like a microstep: a whole step of "
        f"the Z motor lifts more, {16 * step_mm:g} mm if there are 16 to one. The ruler is truer "
        "with heights of whole steps.",
    )


def _mesh_notes(bed: Bed, mesh_active: Literal["yes", "no", "unknown"]) -> tuple[str, ...]:
    """Say so where the sheet relies on a mesh that it cannot switch off itself to be off."""
    if mesh_active != "no" or switches_mesh_off(bed):
        return ()
    return (
        "Nothing in this sheet switches the mesh off, since the profile's mesh_on holds no M420: "
        "see that it is off before you print, or the scores are wrong.",
    )


def _safest(
    attempt: Callable[[bool], tuple[Layout, str]], mesh_active: Literal["yes", "no", "unknown"]
) -> tuple[Layout, str]:
    """Turn the combs beyond the mesh only where that is known to be safe.

    With a mesh of unknown values in force, nobody can check what its missing correction would do.
    """
    if mesh_active == "unknown":
        try:
            return attempt(True)
        except PadsheetError as error:
            if error.code != "layout-no-room":
                raise
        return attempt(False)
    try:
        return attempt(False)
    except PadsheetError as error:
        if error.code != "envelope-mesh-clearance":
            raise
        refused = error
    try:
        return attempt(True)
    except PadsheetError as error:
        # That there is no room inside would hide what the user can do about it.
        raise (refused if error.code == "layout-no-room" else error) from error
