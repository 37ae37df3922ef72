"""From a bed profile to the finished files of one sheet, checked by the safety envelope.

What sheet comes of it can be told beforehand, without its files.
"""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed
from padsheet.patterns.clearance import lowest_heights_mm
from padsheet.patterns.envelope import check_sheet_gcode
from padsheet.patterns.envelope_moves import MESH_PART, ROUNDING_MM
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.estimate import Estimate, estimate
from padsheet.patterns.gcode import switches_mesh_off, travels_mm, write_gcode
from padsheet.patterns.layout import Layout, lay_out_sheet
from padsheet.patterns.preview import preview_svg, shifted_words
from padsheet.patterns.preview_png import preview_png
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import sheet_to_json

__all__ = ["SheetFiles", "make_sheet", "predict_sheet"]

T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class SheetFiles:
    """A sheet and the texts of its files, those that take long only when they are asked for.

    Attributes
    ----------
    sheet : Sheet
    bed : Bed
        The profile that it is made for.
    gcode : str
        sheet.gcode, checked.
    notes : tuple of str
        What the user should know about the layout.
    """

    sheet: Sheet
    bed: Bed
    gcode: str
    notes: tuple[str, ...]

    @cached_property
    def estimate(self) -> Estimate:
        """Minutes and grams."""
        return estimate(self.gcode, self.bed)

    @cached_property
    def json(self) -> str:
        """Text of sheet.json."""
        return sheet_to_json(self.sheet)

    @cached_property
    def svg(self) -> str:
        """Text of preview.svg."""
        return preview_svg(self.sheet, self.bed, self.estimate)

    @property
    def by_name(self) -> dict[str, str | bytes]:
        """Name and content of each file; sheet.json comes last, for it vouches for the others."""
        return {
            "sheet.gcode": self.gcode,
            "preview.svg": self.svg,
            "preview.png": preview_png(self.svg),
            "sheet.json": self.json,
        }


#: Of a coordinate in the G-code.
_DECIMALS = 3
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
        layout = lay_out_sheet(
            _bed_of(bed, mesh_active, inside=inside),
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
    return SheetFiles(
        sheet=sheet,
        bed=bed,
        gcode=gcode,
        notes=(
            *layout.notes,
            *filter(None, [shifted_words(sheet, bed)]),
            *_mesh_notes(bed, mesh_active),
            *_step_notes(bed),
        ),
    )


def predict_sheet(
    bed: Bed,
    *,
    reach_mm: tuple[float, float],
    number: int = 1,
    points: Sequence[tuple[int, int]] | None = None,
    mesh_active: Literal["yes", "no", "unknown"] = "unknown",
    mesh_name: str | None = None,
    mesh_z_mm: NDArray[np.float64] | None = None,
    self_check: bool = False,
) -> Sheet:
    """Tell the sheet that `make_sheet` makes, without its files: only for what is not printed.

    Of its G-code no more is written than shows whether the envelope lets the user's own lines pass
    and the strokes that go lowest, highest and widest; how near all others come to the bed with the
    mesh in force is reckoned without the text.

    Parameters
    ----------
    bed, reach_mm, number, points, mesh_active, mesh_name, mesh_z_mm, self_check
        As for `make_sheet`.

    Returns
    -------
    Sheet
        The same but for the digest of the G-code.

    Raises
    ------
    PadsheetError
        Where `make_sheet` refuses; lines of the G-code have other numbers than there.
    """

    def attempt(inside: bool) -> Sheet:
        sheet = lay_out_sheet(
            _bed_of(bed, mesh_active, inside=inside),
            reach_mm=reach_mm,
            number=number,
            points=points,
            mesh_active=mesh_active,
            mesh_name=mesh_name,
            self_check=self_check,
            inside=inside,
        ).sheet
        few = _outermost(sheet)
        check_sheet_gcode(write_gcode(few, bed), few, bed, mesh_z_mm=mesh_z_mm)
        if mesh_z_mm is not None and mesh_active != "no":
            _check_over_mesh(sheet, bed, mesh_z_mm)
        return sheet

    return _safest(attempt, mesh_active)


def _outermost(sheet: Sheet) -> Sheet:
    """Return a sheet with only the strokes that the envelope may refuse: the extreme ones."""
    strokes = sheet.strokes
    kept = {0, len(strokes) - 1}
    for extreme in (
        [-max(z for _, _, z in stroke.xyz_mm) for stroke in strokes],
        [min(z for _, _, z in stroke.xyz_mm) for stroke in strokes],
        [-max(stroke.area_mm2) for stroke in strokes],
    ):
        kept.add(min(range(len(strokes)), key=extreme.__getitem__))
    return replace(sheet, strokes=tuple(strokes[k] for k in sorted(kept)))


def _check_over_mesh(sheet: Sheet, bed: Bed, mesh_z_mm: NDArray[np.float64]) -> None:
    """Refuse a sheet that the envelope would refuse for the mesh in force."""
    paths = [ends for s in sheet.strokes for ends in itertools.pairwise(s.xyz_mm)]
    # As the G-code has them: NumPy would round otherwise half-way.
    written = [
        [round(v, _DECIMALS) for v in (*start, *end)]
        for start, end in (*paths, *travels_mm(sheet, bed))
    ]
    ends = np.array(written, np.float64)
    lowest = lowest_heights_mm(
        ends[:, :3], ends[:, 3:], bed.mesh, mesh_z_mm, reference_mm=bed.target.height_mm
    )
    height_mm = float(lowest.min()) + sheet.reach_mm[0]
    least_mm = bed.motion.clearance_mm * MESH_PART
    if not height_mm >= least_mm - ROUNDING_MM / 2:
        raise PadsheetError(
            f"with the mesh in force the nozzle may come as near as {height_mm:.3f} mm to the bed, "
            f"less than {least_mm:g} mm",
            remedy="Ask for less reach. Say in [mesh] outside what the printer does beyond the "
            "mesh.",
            code="envelope-mesh-clearance",
        )


def _bed_of(bed: Bed, mesh_active: Literal["yes", "no", "unknown"], *, inside: bool) -> Bed:
    """Return the profile that a sheet is laid out by.

    Even where the mesh holds or goes on beyond its edge, a steep bed may leave it there.
    """
    steep = inside and mesh_active != "unknown"
    return replace(bed, mesh=replace(bed.mesh, outside="unknown")) if steep else bed


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


def _safest(attempt: Callable[[bool], T], mesh_active: Literal["yes", "no", "unknown"]) -> T:
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
