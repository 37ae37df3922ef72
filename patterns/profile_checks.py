"""Checks of a bed profile that look at more than one key: geometry, proportions, the template."""

from __future__ import annotations

import itertools
import math
import re
from string import Formatter

from padsheet.patterns.bed import Bed, Rectangle
from padsheet.patterns.errors import PadsheetError

__all__ = ["check_bed", "check_template"]

# Common practice, no source: a first layer is between a fifth and four fifths of the bore high
# and between nine tenths and twice the bore wide.
HEIGHT_PER_BORE = (0.2, 0.8)
WIDTH_PER_BORE = (0.9, 2.0)

# Below this the pads of neighbouring points cannot be told apart at all.
LEAST_PITCH_MM = 3.0

# Knobs may stand out beyond the plate, but not by far.
SCREW_BEYOND_MM = 25.0

# With fewer points the bed's tilt is not determined.
LEAST_PADS = 3

_INDEX_FIELDS = frozenset({"column0", "row0", "column1", "row1"})
_VALUE_FIELDS = frozenset({"value_mm", "change_mm"})
# Digits are bounded so that a slip cannot ask for a line of a million blanks.
_INDEX_SPEC = re.compile(r"(0?[0-9]{1,2})?d?")
_VALUE_SPEC = re.compile(r"\+?(0?[0-9]{1,2})?(\.(?P<decimals>[0-9]))?f")


def check_bed(bed: Bed, *, inset_mm: float | None = None) -> None:
    """Refuse a bed whose values, each allowed by itself, do not go together.

    Parameters
    ----------
    bed : Bed
        The bed.
    inset_mm : float, optional
        How the mesh was given, for the words of the error; None if by its four sides.

    Raises
    ------
    PadsheetError
        Names the table, the key, the value and what to do.
    """
    _check_plate(bed)
    _check_keep_out(bed)
    _check_mesh_sides(bed, inset_mm)
    _check_mesh_nodes(bed, inset_mm)
    _check_nozzle_and_target(bed)
    _check_motion(bed)
    _check_code(bed)
    _check_edits(bed)
    _check_screws(bed)


def _geometry(problem: str, remedy: str) -> PadsheetError:
    return PadsheetError(problem, remedy=remedy, code="profile-geometry")


def _range(problem: str, remedy: str) -> PadsheetError:
    return PadsheetError(problem, remedy=remedy, code="profile-range")


def _check_plate(bed: Bed) -> None:
    plate = bed.plate
    if plate.shape == "round" and plate.size_x_mm != plate.size_y_mm:
        raise _geometry(
            f"[plate] size_x_mm is {plate.size_x_mm:g} and size_y_mm is {plate.size_y_mm:g}, "
            "but a round plate has one diameter",
            'Give both the diameter, or set shape = "rectangle".',
        )


def _check_keep_out(bed: Bed) -> None:
    outline = bed.plate.outline
    for number, clip in enumerate(bed.plate.keep_out, start=1):
        where = f"[[plate.keep_out]] number {number}:"
        _check_order(where, clip)
        if not clip.overlaps(outline):
            raise _geometry(
                f"{where} x_min_mm {clip.x_min_mm:g} to x_max_mm {clip.x_max_mm:g}, "
                f"y_min_mm {clip.y_min_mm:g} to y_max_mm {clip.y_max_mm:g} is not on the plate, "
                f"which reaches from {_corners(outline)}",
                "Correct the rectangle, or delete the block, or correct the origin: "
                f"{_origin_words(bed)}.",
            )


def _check_order(where: str, area: Rectangle) -> None:
    for axis, low, high in (
        ("x", area.x_min_mm, area.x_max_mm),
        ("y", area.y_min_mm, area.y_max_mm),
    ):
        if low >= high:
            raise _geometry(
                f"{where} {axis}_min_mm is {low:g} and {axis}_max_mm is {high:g}",
                f"Make {axis}_min_mm smaller than {axis}_max_mm.",
            )


def _check_mesh_sides(bed: Bed, inset_mm: float | None) -> None:
    mesh, outline = bed.mesh, bed.plate.outline
    if inset_mm is not None:
        if 2 * inset_mm >= min(bed.plate.size_x_mm, bed.plate.size_y_mm):
            raise _geometry(
                f"[mesh] inset_mm is {inset_mm:g}, which leaves nothing of a plate of "
                f"{bed.plate.size_x_mm:g} x {bed.plate.size_y_mm:g} mm",
                "Give less than half of the plate's shorter side.",
            )
        return
    _check_order("[mesh]", mesh.outline)
    for name, value, low, high in (
        ("x_min_mm", mesh.x_min_mm, outline.x_min_mm, outline.x_max_mm),
        ("x_max_mm", mesh.x_max_mm, outline.x_min_mm, outline.x_max_mm),
        ("y_min_mm", mesh.y_min_mm, outline.y_min_mm, outline.y_max_mm),
        ("y_max_mm", mesh.y_max_mm, outline.y_min_mm, outline.y_max_mm),
    ):
        if value < 0 and bed.plate.origin == "corner":
            raise _geometry(
                f"[mesh] {name} is {value:g}, but with the origin at the corner of the plate no "
                "coordinate on it is negative",
                'Correct it, or set [plate] origin = "centre" if X0 Y0 is the middle.',
            )
        if not low <= value <= high:
            raise _geometry(
                f"[mesh] {name} is {value:g}, outside the plate, which reaches from {low:g} to "
                f"{high:g} along {name[0]}",
                f"Correct it, or the size or origin: {_origin_words(bed)}.",
            )


def _check_mesh_nodes(bed: Bed, inset_mm: float | None) -> None:
    mesh = bed.mesh
    for axis, count_name, pitch in zip("xy", ("columns", "rows"), mesh.pitch_mm, strict=True):
        if pitch < LEAST_PITCH_MM:
            given = "inset_mm" if inset_mm is not None else f"{axis}_min_mm and {axis}_max_mm"
            raise _geometry(
                f"[mesh] {count_name} is {getattr(mesh, count_name)}, which with {given} puts the "
                f"grid points only {pitch:.3g} mm apart along {axis}",
                f"Check {count_name} and {given}: below {LEAST_PITCH_MM:g} mm nothing can be "
                "printed at each point.",
            )
    for number, (i, j) in enumerate(mesh.skip, start=1):
        if not (0 <= i < mesh.columns and 0 <= j < mesh.rows):
            raise _geometry(
                f"[mesh] skip: pair {number} is [{i + 1}, {j + 1}], but the mesh has "
                f"{mesh.columns} columns and {mesh.rows} rows",
                "Give [column, row], both counted from 1.",
            )
    left = mesh.columns * mesh.rows - len(set(mesh.skip))
    if left < LEAST_PADS:
        raise _geometry(
            f"[mesh] skip leaves {left} grid points with a pad",
            f"Leave at least {LEAST_PADS}, else the tilt of the bed cannot be told.",
        )
    _check_round_nodes(bed, inset_mm)


def _check_round_nodes(bed: Bed, inset_mm: float | None) -> None:
    if bed.plate.shape != "round":
        return
    mesh = bed.mesh
    centre_x, centre_y = bed.plate.outline.centre_mm
    radius = bed.plate.size_x_mm / 2
    x_mm, y_mm = mesh.x_mm, mesh.y_mm
    off = [
        [i + 1, j + 1]
        for i, j in mesh.nodes
        if (i, j) not in mesh.skip
        and math.hypot(float(x_mm[i]) - centre_x, float(y_mm[j]) - centre_y) > radius + 1e-9
    ]
    if off:
        given = "inset_mm" if inset_mm is not None else "the four sides (x_min_mm and so on)"
        raise _geometry(
            f"[mesh] {given}: {len(off)} grid points lie off the round plate, such as column "
            f"{off[0][0]}, row {off[0][1]}",
            f"Make the mesh smaller, or give these points no pad: skip = {off}.",
        )


def _check_nozzle_and_target(bed: Bed) -> None:
    nozzle, target = bed.nozzle, bed.target
    if nozzle.flat_mm <= nozzle.bore_mm:
        raise _geometry(
            f"[nozzle] flat_mm is {nozzle.flat_mm:g}, not more than bore_mm {nozzle.bore_mm:g}",
            "Give the diameter of the flat face round the bore, as a rule about twice the bore.",
        )
    _check_between("height_mm", target.height_mm, nozzle.bore_mm, HEIGHT_PER_BORE)
    _check_between("width_mm", target.width_mm, nozzle.bore_mm, WIDTH_PER_BORE)
    if target.width_mm > nozzle.flat_mm:
        raise _range(
            f"[target] width_mm is {target.width_mm:g}, wider than the nozzle's flat face, "
            f"[nozzle] flat_mm {nozzle.flat_mm:g}",
            "Give a narrower line, or correct flat_mm: the flat must cover the line.",
        )
    for name in ("tolerance_mm", "offset_tolerance_mm"):
        tolerance = getattr(target, name)
        if tolerance > target.height_mm / 2:
            raise _range(
                f"[target] {name} is {tolerance:g}, more than half of height_mm "
                f"{target.height_mm:g}",
                "Give a smaller tolerance.",
            )


def _check_between(name: str, value: float, bore_mm: float, factors: tuple[float, float]) -> None:
    low, high = (factor * bore_mm for factor in factors)
    if not low - 1e-9 <= value <= high + 1e-9:
        raise _range(
            f"[target] {name} is {value:g}, which a nozzle with [nozzle] bore_mm {bore_mm:g} "
            "cannot print well",
            f"Give {low:.3g} to {high:.3g} mm, or correct bore_mm.",
        )


def _check_motion(bed: Bed) -> None:
    motion, height_mm = bed.motion, bed.target.height_mm
    if motion.clearance_mm >= height_mm:
        raise _range(
            f"[motion] clearance_mm is {motion.clearance_mm:g}, not less than [target] height_mm "
            f"{height_mm:g}",
            "Give a smaller clearance (0.05 mm as a rule), or a higher first layer.",
        )
    if motion.z_lowest_mm >= height_mm:
        raise _range(
            f"[motion] z_lowest_mm is {motion.z_lowest_mm:g}, not below [target] height_mm "
            f"{height_mm:g}, so the first layer could not be printed",
            "Give the lowest Z that the printer accepts, 0 as a rule.",
        )


def _check_code(bed: Bed) -> None:
    if not any(line.split(";")[0].strip() for line in bed.code.home):
        raise PadsheetError(
            f"[code] home is {list(bed.code.home)}, which holds no command",
            remedy='Give the command that homes the printer, as a rule home = ["G28"].',
            code="profile-missing",
        )


def _check_edits(bed: Bed) -> None:
    edits = bed.edits
    if edits.smallest_mm >= edits.largest_mm:
        raise _range(
            f"[edits] smallest_mm is {edits.smallest_mm:g}, not less than largest_mm "
            f"{edits.largest_mm:g}",
            "Make smallest_mm the smaller one.",
        )
    if edits.style == "G29 S3" and not edits.g29_sets_points:
        raise PadsheetError(
            '[edits] style is "G29 S3", but g29_sets_points is false: on some printers a G29 '
            "starts a probing run",
            remedy="If the printer's manual says that G29 S3 sets one mesh point, set "
            "g29_sets_points = true; else choose another style.",
            code="profile-g29",
        )
    if edits.style == "custom" and not edits.template.strip():
        raise PadsheetError(
            f'[edits] style is "custom", but template is "{edits.template}"',
            remedy="Give the line for one point, such as "
            'template = "SETPOINT C={column0} R={row0} Z={value_mm:.3f}".',
            code="profile-missing",
        )
    if edits.template:
        check_template(edits.template, edits.smallest_mm)


def check_template(template: str, smallest_mm: float) -> None:
    """Refuse a custom edit line that cannot be filled in safely.

    Parameters
    ----------
    template : str
        The line, with fields in braces: one of {column0}, {column1}, one of {row0}, {row1}, and
        either {value_mm} or {change_mm}. A field may carry a format such as ``:.3f``.
    smallest_mm : float
        Smallest edit; the value's decimals must be able to tell it. Infinite to let any do.

    Raises
    ------
    PadsheetError
        If a field is unknown, missing, doubled in meaning, or its format does not fit.

    Examples
    --------
    >>> check_template("SETPOINT C={column0} R={row0} Z={value_mm:.3f}", 0.01)
    """

    def refuse(what: str, remedy: str) -> PadsheetError:
        return PadsheetError(
            f'[edits] template is "{template}": {what}', remedy=remedy, code="profile-template"
        )

    try:
        pieces = list(Formatter().parse(template))
    except ValueError as error:
        raise refuse(
            f"its braces do not match ({error})",
            "Write fields as {column0}, and a brace that is to be printed twice: {{ or }}.",
        ) from error
    fields = set()
    for _, name, spec, conversion in pieces:
        if name is None:
            continue
        fields.add(name)
        complaint = _field_complaint(name, spec or "", conversion, smallest_mm)
        if complaint:
            raise refuse(*complaint)
    for axis, pair in (("column", ("column0", "column1")), ("row", ("row0", "row1"))):
        if len(fields.intersection(pair)) != 1:
            raise refuse(
                f"it needs the {axis} of the point, once",
                f"Put in either {{{pair[0]}}}, which counts from 0, or {{{pair[1]}}}, from 1.",
            )
    if len(fields & _VALUE_FIELDS) != 1:
        raise refuse(
            "it needs either the new value or the change",
            "Put in {value_mm} if the command sets a point, {change_mm} if it adds to it.",
        )


def _field_complaint(
    name: str, spec: str, conversion: str | None, smallest_mm: float
) -> tuple[str, str] | None:
    """Return what is wrong with one field and what to do, or None."""
    if name not in _INDEX_FIELDS | _VALUE_FIELDS:
        return (
            f"there is no field {{{name}}}",
            "The fields are {column0}, {row0}, {column1}, {row1}, {value_mm} and {change_mm}.",
        )
    if conversion:
        return (f"{{{name}!{conversion}}} is no plain field", f"Write {{{name}}}.")
    if not spec:
        return None
    if name in _INDEX_FIELDS:
        if _INDEX_SPEC.fullmatch(spec):
            return None
        return (f"{{{name}:{spec}}} is no format for a whole number", f"Write {{{name}}}.")
    match = _VALUE_SPEC.fullmatch(spec)
    if match is None:
        return (
            f"{{{name}:{spec}}} is no format for a value in mm",
            f"Write {{{name}:.3f}} for three decimals.",
        )
    if match["decimals"] is not None and 10.0 ** -int(match["decimals"]) > smallest_mm * 1.000001:
        return (
            f"{{{name}:{spec}}} has too few decimals for edits of smallest_mm {smallest_mm:g}",
            f"Write {{{name}:.3f}} for three decimals.",
        )
    return None


def _check_screws(bed: Bed) -> None:
    limit = bed.plate.outline.grown(SCREW_BEYOND_MM)
    for screw in bed.screws:
        for axis, value, low, high in (
            ("x_mm", screw.x_mm, limit.x_min_mm, limit.x_max_mm),
            ("y_mm", screw.y_mm, limit.y_min_mm, limit.y_max_mm),
        ):
            if not low <= value <= high:
                raise _geometry(
                    f'[[screw]] "{screw.name}": {axis} is {value:g}, more than '
                    f"{SCREW_BEYOND_MM:g} mm outside the plate, which reaches from "
                    f"{_corners(bed.plate.outline)}",
                    f"Correct it, or the size or origin: {_origin_words(bed)}. The places of "
                    "screws do not move with [plate] origin: give them anew where it was changed.",
                )
    for one, other in itertools.combinations(bed.screws, 2):
        if one.name == other.name:
            raise _geometry(
                f'[[screw]] name is "{one.name}" twice', "Give each screw a name of its own."
            )
        if math.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm) < 1.0:
            raise _geometry(
                f'[[screw]] "{one.name}" and "{other.name}" have the same x_mm and y_mm',
                "Give each screw its own place, or delete one block.",
            )


def _origin_words(bed: Bed) -> str:
    where = "the middle" if bed.plate.origin == "centre" else "the front left corner"
    return f'[plate] origin = "{bed.plate.origin}" says that X0 Y0 is {where} of the plate'


def _corners(area: Rectangle) -> str:
    return (
        f"x {area.x_min_mm:g}, y {area.y_min_mm:g} to x {area.x_max_mm:g}, y {area.y_max_mm:g} mm"
    )
