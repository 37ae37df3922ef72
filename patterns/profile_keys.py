"""Every key of bed.toml, once: its type, its range, its unit and its words.

The checks of `padsheet.patterns.profile` and the comments of the file it writes both come from
this table, so they cannot disagree. Defaults are those of the dataclasses in
`padsheet.patterns.bed`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from padsheet.patterns.bed import (
    Code,
    Edits,
    EditStyle,
    Heat,
    MeshGrid,
    Motion,
    Nozzle,
    Outside,
    Plate,
    Rectangle,
    Screw,
    Target,
)

__all__ = ["ARRAYS", "FAR_MM", "MESH_SIDES", "TABLES", "Key", "Kind", "Table", "inset_sides"]

Kind = Literal["number", "whole", "flag", "choice", "text", "gcode", "lines", "nodes"]

MESH_SIDES = ("x_min_mm", "x_max_mm", "y_min_mm", "y_max_mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key of bed.toml.

    Attributes
    ----------
    name : str
        As in the file and in the dataclass.
    kind : str
        What it holds: a number, a whole number, true or false, one of `choices`, a name, one line
        of G-code, several lines of G-code, or a list of grid points.
    comment : str
        What it means, for the file; whole sentences.
    least, most : float
        Range of a number, both ends allowed.
    unit : str
        Unit of a number.
    choices : tuple
        What a choice may be.
    example : float, str or None
        Shown, commented out, where the key has no value.
    required : bool
        Whether the key has no default.
    """

    name: str
    kind: Kind
    comment: str
    least: float = 0.0
    most: float = 0.0
    unit: str = ""
    choices: tuple[str | int, ...] = ()
    example: float | str | None = None
    required: bool = False

    @property
    def allowed(self) -> str:
        """What the key may hold, in words: the end of "it must be ..."."""
        unit = f" {self.unit}" if self.unit else ""
        match self.kind:
            case "number":
                return f"a number from {self.least:g} to {self.most:g}{unit}"
            case "whole":
                return f"a whole number from {self.least:g} to {self.most:g}{unit}"
            case "flag":
                return "true or false, without quotes"
            case "choice":
                return "one of " + ", ".join(
                    f'"{choice}"' if isinstance(choice, str) else str(choice)
                    for choice in self.choices
                )
            case "text":
                return "a name in quotes, of 1 to 60 printable characters"
            case "gcode":
                return "one line of plain ASCII G-code in quotes"
            case "lines":
                return "a list of G-code lines in quotes, or one multi-line string, in plain ASCII"
            case "nodes":
                return "a list of [column, row] pairs, both counted from 1, each once"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table of bed.toml: its path, the dataclass it fills, its words and its keys."""

    path: str
    fills: type
    comment: str
    keys: tuple[Key, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the keys, in the order of the file."""
        return tuple(key.name for key in self.keys)

    def __getitem__(self, name: str) -> Key:
        return next(key for key in self.keys if key.name == name)


def _number(
    name: str,
    least: float,
    most: float,
    unit: str,
    comment: str,
    *,
    example: float | None = None,
    required: bool = False,
) -> Key:
    return Key(
        name=name,
        kind="number",
        least=least,
        most=most,
        unit=unit,
        comment=comment,
        example=example,
        required=required,
    )


def _whole(name: str, least: int, most: int, unit: str, comment: str) -> Key:
    return Key(name=name, kind="whole", least=least, most=most, unit=unit, comment=comment)


def _choice(name: str, choices: tuple[str | int, ...], comment: str) -> Key:
    return Key(name=name, kind="choice", choices=choices, comment=comment)


# Coordinates are checked against the plate; the range here only catches a slip of the keyboard.
FAR_MM = 2000.0

_PLATE = Table(
    path="plate",
    fills=Plate,
    comment="What can be printed on. Millimetres; x to the right, y to the back, seen from above "
    "by a person who stands in front of the printer.",
    keys=(
        Key(
            name="name",
            kind="text",
            comment="Name of the plate. Another plate is another surface: give it another name.",
        ),
        _choice("shape", ("rectangle", "round"), "Shape of the plate."),
        _number("size_x_mm", 50, 1000, "mm", "Size along x; for a round plate, the diameter."),
        _number("size_y_mm", 50, 1000, "mm", "Size along y; for a round plate, the same."),
        _choice(
            "origin",
            ("corner", "centre"),
            "Where the printer's X0 Y0 lies: at the front left corner, or in the middle of the "
            "plate (then coordinates left of it and in front of it are negative).",
        ),
        _number("margin_mm", 0, 20, "mm", "Nothing is printed nearer than this to the edge."),
    ),
)

_KEEP_OUT = Table(
    path="plate.keep_out",
    fills=Rectangle,
    comment="Clips and the like: nothing is printed in these rectangles. One block for each.",
    keys=(
        _number("x_min_mm", -FAR_MM, FAR_MM, "mm", "Left side.", example=100.0, required=True),
        _number("x_max_mm", -FAR_MM, FAR_MM, "mm", "Right side.", example=120.0, required=True),
        _number("y_min_mm", -FAR_MM, FAR_MM, "mm", "Front side.", example=0.0, required=True),
        _number("y_max_mm", -FAR_MM, FAR_MM, "mm", "Back side.", example=8.0, required=True),
    ),
)

_MESH = Table(
    path="mesh",
    fills=MeshGrid,
    comment="The grid points of the printer's own bed mesh. Take them from the printer's manual or "
    "from the mesh that the printer reports.",
    keys=(
        _whole("columns", 2, 15, "points", "Number of grid points along x."),
        _whole("rows", 2, 15, "points", "Number of grid points along y."),
        _number(
            "inset_mm",
            0,
            500,
            "mm",
            "The outermost grid points lie this far inside the edges of the plate. Where the four "
            "sides differ, give x_min_mm, x_max_mm, y_min_mm and y_max_mm instead.",
        ),
        _number("x_min_mm", -FAR_MM, FAR_MM, "mm", "Place of the leftmost grid points."),
        _number("x_max_mm", -FAR_MM, FAR_MM, "mm", "Place of the rightmost grid points."),
        _number("y_min_mm", -FAR_MM, FAR_MM, "mm", "Place of the frontmost grid points."),
        _number("y_max_mm", -FAR_MM, FAR_MM, "mm", "Place of the rearmost grid points."),
        Key(
            name="skip",
            kind="nodes",
            comment="Grid points that get no pad: [column, row], counted from 1 at the front left.",
        ),
        _choice(
            "outside",
            get_args(Outside),
            "What the printer does outside the mesh: holds the value of its edge, extends its "
            "slope, or switches the correction off. With unknown, pads stay inside.",
        ),
        _number(
            "fade_height_mm",
            0.5,
            100,
            "mm",
            "Height at which the correction has faded out. Leave it out if it never fades.",
            example=10.0,
        ),
        _choice(
            "table_first_row",
            ("front", "back"),
            "Which end of the bed the first row of the printer's printed mesh table shows.",
        ),
        _choice(
            "table_first_column",
            ("left", "right"),
            "Which side of the bed the first column of that table shows.",
        ),
    ),
)

_NOZZLE = Table(
    path="nozzle",
    fills=Nozzle,
    comment="The nozzle and the filament. Measure the filament if you can.",
    keys=(
        _number("bore_mm", 0.1, 1.2, "mm", "Diameter of the bore."),
        _number("flat_mm", 0.2, 4.0, "mm", "Diameter of the flat face round the bore."),
        _number("filament_mm", 1.0, 3.5, "mm", "Diameter of the filament."),
    ),
)

_HEAT = Table(
    path="heat",
    fills=Heat,
    comment="As in your own prints with this filament: the bed changes its shape with heat.",
    keys=(
        _number("nozzle_c", 150, 320, "degrees C", "Temperature of the nozzle."),
        _number("bed_c", 0, 130, "degrees C", "Temperature of the bed; 0 for an unheated one."),
        _number("soak_min", 0, 60, "minutes", "How long the bed warms through before printing."),
        _number(
            "hold_min",
            0,
            120,
            "minutes",
            "How long the bed is kept warm after the print. At 0 it is switched off at once.",
        ),
        _number(
            "filament_density_g_cm3",
            0.5,
            9.0,
            "g/cm3",
            "Density of the filament; only for the estimate of its weight.",
        ),
    ),
)

_TARGET = Table(
    path="target",
    fills=Target,
    comment="The first layer you want.",
    keys=(
        _number("height_mm", 0.05, 1.0, "mm", "Height of the first layer."),
        _number("width_mm", 0.1, 2.4, "mm", "Width of its lines."),
        _number(
            "tolerance_mm",
            0.005,
            0.15,
            "mm",
            "A grid point is on target when its nozzle gap is this near to the height.",
        ),
        _number(
            "offset_tolerance_mm",
            0.005,
            0.15,
            "mm",
            "The same for the part that all grid points share.",
        ),
    ),
)

_MOTION = Table(
    path="motion",
    fills=Motion,
    comment="Speeds and limits of the machine.",
    keys=(
        _number("print_mm_s", 2, 100, "mm/s", "Printing speed; slow lines are true lines."),
        _number("travel_mm_s", 10, 500, "mm/s", "Speed of moves without extrusion."),
        _number("z_mm_s", 0.5, 60, "mm/s", "Speed of lifts."),
        _number("acceleration_mm_s2", 50, 20000, "mm/s2", "Acceleration while printing."),
        _number("retract_mm", 0, 10, "mm", "Filament drawn back before a travel."),
        _number("retract_mm_s", 1, 120, "mm/s", "Speed of drawing back."),
        _number("lift_mm", 0.2, 10, "mm", "Lift of the nozzle for a travel."),
        _number(
            "z_step_mm",
            0.001,
            0.1,
            "mm",
            "Lift of one whole motor step: the lead of the screw over its steps, such as 8 / 200. "
            "A manual's 0.0025 or so is a microstep, a sixteenth of it as a rule.",
        ),
        _number("z_lowest_mm", -5, 0.9, "mm", "Lowest Z that the printer accepts."),
        _number("z_top_mm", 20, 1500, "mm", "Highest Z that the printer reaches."),
        _number(
            "clearance_mm",
            0.02,
            0.5,
            "mm",
            "The nozzle stays at least this far above the highest bed that may be expected.",
        ),
        _choice(
            "extruder",
            ("relative", "absolute"),
            "How E words are written in the sheet: relative (M83) or absolute (M82).",
        ),
    ),
)

_CODE = Table(
    path="code",
    fills=Code,
    comment="Your own G-code: a list of lines, or one multi-line string.",
    keys=(
        Key(name="home", kind="lines", comment="Homes the printer."),
        Key(
            name="mesh_on",
            kind="lines",
            comment="Switches the mesh on after homing. Empty if the printer does that by itself.",
        ),
        Key(
            name="preamble",
            kind="lines",
            comment="What your printer needs before the sheet: not heating, homing or the mesh, "
            "which the sheet does itself.",
        ),
        Key(name="postamble", kind="lines", comment="What your printer needs after the sheet."),
    ),
)

_EDITS = Table(
    path="edits",
    fills=Edits,
    comment="How corrections are told to the printer. Its manual says which words it knows.",
    keys=(
        _choice(
            "style",
            get_args(EditStyle),
            "M421 sets a point, counted from 0; M421-offset adds to a point; G29 S3 sets a point; "
            "table is the whole mesh as numbers; custom is your own line (template).",
        ),
        Key(
            name="g29_sets_points",
            kind="flag",
            comment="Whether G29 S3 sets one point on this printer. On others a G29 may start a "
            "probing run that drives the nozzle into the bed: true only if the manual says so.",
        ),
        _choice(
            "g29_index",
            ("XY1", "IJ0"),
            "Words of the point in G29 S3: X and Y counted from 1, or I and J counted from 0.",
        ),
        _choice(
            "offset_style",
            ("none", "M851", "M206", "M290", "hand"),
            "How the common offset of all points is set: by a command, by hand while printing "
            "(hand), or not at all (none).",
        ),
        _number(
            "offset_now_mm",
            -20,
            20,
            "mm",
            "Value of that offset in the printer, for M851 and M206, which take the new one. What "
            "`padsheet applied --offset` records from now on is added to it; a value changed here "
            "counts as it stands. Leave it out if you do not know it.",
            example=0.0,
        ),
        _choice(
            "offset_sign",
            (1, -1),
            "1 where a larger offset lifts the nozzle, -1 where it lowers it.",
        ),
        _number("smallest_mm", 0.001, 0.1, "mm", "Edits are rounded to this."),
        _number("largest_mm", 0.01, 1.0, "mm", "No edit of one round is larger than this."),
        Key(
            name="template",
            kind="gcode",
            comment="The line for one point in the custom style. Fields: {column0} {row0} count "
            "from 0, {column1} {row1} from 1, {value_mm} is the new mesh value, {change_mm} what "
            'to add to it. Example: "SETPOINT C={column0} R={row0} Z={value_mm:.3f}".',
        ),
        Key(
            name="show",
            kind="gcode",
            comment="Makes the printer report its mesh. Empty if there is no such command.",
        ),
        Key(
            name="save",
            kind="gcode",
            comment="Makes the printer keep its settings. Empty if there is no such command.",
        ),
    ),
)

_SCREW = Table(
    path="screw",
    fills=Screw,
    comment="The screws that level the bed. One block for each; none if they are not to be turned. "
    "Their places are coordinates of the printer, as those of [mesh] and [[plate.keep_out]]: they "
    "count from X0 Y0, so a change of origin changes them too.",
    keys=(
        Key(
            name="name",
            kind="text",
            comment="Name of the screw.",
            example="front left",
            required=True,
        ),
        _number("x_mm", -FAR_MM, FAR_MM, "mm", "Place along x.", example=30.0, required=True),
        _number("y_mm", -FAR_MM, FAR_MM, "mm", "Place along y.", example=30.0, required=True),
        _number(
            "pitch_mm",
            0.2,
            3.0,
            "mm",
            "Height of one turn: M3 0.5, M4 0.7, M5 0.8 mm (coarse threads, ISO 261).",
            example=0.7,
        ),
        _choice(
            "raises",
            ("clockwise", "counter-clockwise", "unknown"),
            "The turn that raises the bed, seen from above: turn the knob a little and look which "
            "way the bed goes. From below the same turn looks the other way round. While it is "
            "unknown, no direction is advised.",
        ),
    ),
)

# In the order of the file.
TABLES: Mapping[str, Table] = {
    table.path: table
    for table in (
        _PLATE,
        _KEEP_OUT,
        _MESH,
        _NOZZLE,
        _HEAT,
        _TARGET,
        _MOTION,
        _CODE,
        _EDITS,
        _SCREW,
    )
}

# Tables of which there may be several, [[...]] in the file.
ARRAYS = frozenset({"plate.keep_out", "screw"})


def inset_sides(outline: Rectangle, inset_mm: float) -> dict[str, float]:
    """Return the four sides of a mesh that lies `inset_mm` inside the edges of a plate."""
    area = outline.grown(-inset_mm)
    return {side: getattr(area, side) for side in MESH_SIDES}
