"""The bed profile as checked data: plate, mesh, nozzle, heat, target, motion, edits, screws.

Bed coordinates are millimetres: x to the right, y to the back, seen from above by a person who
stands in front of the printer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "ALTERNATE_BELOW_PITCH_MM",
    "SLACK_MM",
    "Bed",
    "Code",
    "EditStyle",
    "Edits",
    "Heat",
    "MeshGrid",
    "Motion",
    "Nozzle",
    "Outside",
    "Plate",
    "Rectangle",
    "Screw",
    "Target",
    "nodes_with_pad",
]

Outside = Literal["hold", "extend", "off", "unknown"]
EditStyle = Literal["M421", "M421-offset", "G29 S3", "table", "custom"]

SLACK_MM = 1e-9
"""What rounding may take or add where places on the plate are compared."""


ALTERNATE_BELOW_PITCH_MM = 18.0
"""On a mesh denser than this, every other column and row gets a pad."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rectangle:
    """An upright rectangle on the bed, in millimetres."""

    x_min_mm: float
    y_min_mm: float
    x_max_mm: float
    y_max_mm: float

    @classmethod
    def around(cls, x_mm: float, y_mm: float, side_mm: float) -> Rectangle:
        """Return the square of side `side_mm` about a point."""
        half = side_mm / 2
        return cls(
            x_min_mm=x_mm - half,
            y_min_mm=y_mm - half,
            x_max_mm=x_mm + half,
            y_max_mm=y_mm + half,
        )

    @property
    def centre_mm(self) -> tuple[float, float]:
        """Its middle, (x, y)."""
        return (self.x_min_mm + self.x_max_mm) / 2, (self.y_min_mm + self.y_max_mm) / 2

    def within(self, other: Rectangle) -> bool:
        """Tell whether the whole of it lies in another one; rounding may let it touch the edge."""
        return (
            self.x_min_mm >= other.x_min_mm - SLACK_MM
            and self.y_min_mm >= other.y_min_mm - SLACK_MM
            and self.x_max_mm <= other.x_max_mm + SLACK_MM
            and self.y_max_mm <= other.y_max_mm + SLACK_MM
        )

    def grown(self, by_mm: float) -> Rectangle:
        """Return the rectangle with each side moved outwards by `by_mm`."""
        return Rectangle(
            x_min_mm=self.x_min_mm - by_mm,
            y_min_mm=self.y_min_mm - by_mm,
            x_max_mm=self.x_max_mm + by_mm,
            y_max_mm=self.y_max_mm + by_mm,
        )

    def overlaps(self, other: Rectangle) -> bool:
        """Tell whether the two share more than an edge."""
        return (
            self.x_min_mm < other.x_max_mm
            and other.x_min_mm < self.x_max_mm
            and self.y_min_mm < other.y_max_mm
            and other.y_min_mm < self.y_max_mm
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """What can be printed on.

    Attributes
    ----------
    shape : {"rectangle", "round"}
        A round plate has ``size_x_mm == size_y_mm ==`` its diameter.
    origin : {"corner", "centre"}
        Where (0, 0) lies: at the front left corner of the (bounding) rectangle, or in the middle.
    margin_mm : float
        Nothing is printed nearer than this to the edge of the plate.
    keep_out : tuple of Rectangle
        Clips and the like; nothing is printed in them and the nozzle does not travel low over them.
    """

    name: str = "plate"
    shape: Literal["rectangle", "round"] = "rectangle"
    size_x_mm: float = 220.0
    size_y_mm: float = 220.0
    origin: Literal["corner", "centre"] = "corner"
    margin_mm: float = 3.0
    keep_out: tuple[Rectangle, ...] = ()

    @property
    def outline(self) -> Rectangle:
        """Bounding rectangle of the plate in bed coordinates."""
        shift_x, shift_y = (
            (0.0, 0.0) if self.origin == "corner" else (self.size_x_mm / 2, self.size_y_mm / 2)
        )
        return Rectangle(
            x_min_mm=-shift_x,
            y_min_mm=-shift_y,
            x_max_mm=self.size_x_mm - shift_x,
            y_max_mm=self.size_y_mm - shift_y,
        )

    def admits(self, area: Rectangle) -> bool:
        """Tell whether the whole of `area` may be printed on (margin and keep-outs respected)."""
        limit = self.outline.grown(-self.margin_mm)
        inside = area.within(limit)
        if inside and self.shape == "round":
            centre_x, centre_y = limit.centre_mm
            far = math.hypot(
                max(abs(area.x_min_mm - centre_x), abs(area.x_max_mm - centre_x)),
                max(abs(area.y_min_mm - centre_y), abs(area.y_max_mm - centre_y)),
            )
            inside = far <= (limit.x_max_mm - limit.x_min_mm) / 2 + SLACK_MM
        return inside and not any(area.overlaps(clip) for clip in self.keep_out)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeshGrid:
    """The bed mesh: where its grid points (nodes) lie and how the printer uses it.

    Attributes
    ----------
    columns, rows : int
        Number of nodes along x and along y, each 2 to 15.
    x_min_mm, x_max_mm, y_min_mm, y_max_mm : float
        Place of the outermost nodes.
    skip : tuple of (i, j)
        Nodes that get no pad; i along x and j along y, both from 0 at the smallest x and y.
    outside : {"hold", "extend", "off", "unknown"}
        What the printer does outside the mesh rectangle: holds the edge value, goes on with the
        edge's slope, applies nothing, or nobody knows.
    fade_height_mm : float or None
        Height at which the correction has faded to nothing; None if it never fades.
    table_first_row, table_first_column : str
        Which end of the bed the first row and column of the printer's own mesh table show.
    """

    columns: int = 5
    rows: int = 5
    x_min_mm: float = 20.0
    x_max_mm: float = 200.0
    y_min_mm: float = 20.0
    y_max_mm: float = 200.0
    skip: tuple[tuple[int, int], ...] = ()
    outside: Outside = "unknown"
    fade_height_mm: float | None = None
    table_first_row: Literal["front", "back"] = "front"
    table_first_column: Literal["left", "right"] = "left"

    @property
    def x_mm(self) -> NDArray[np.float64]:
        """Node places along x, shape (columns,), millimetres, rising."""
        return np.linspace(self.x_min_mm, self.x_max_mm, self.columns)

    @property
    def y_mm(self) -> NDArray[np.float64]:
        """Node places along y, shape (rows,), millimetres, rising."""
        return np.linspace(self.y_min_mm, self.y_max_mm, self.rows)

    @property
    def outline(self) -> Rectangle:
        """The mesh rectangle: from the outermost nodes to the outermost nodes."""
        return Rectangle(
            x_min_mm=self.x_min_mm,
            y_min_mm=self.y_min_mm,
            x_max_mm=self.x_max_mm,
            y_max_mm=self.y_max_mm,
        )

    @property
    def pitch_mm(self) -> tuple[float, float]:
        """Distance between neighbouring nodes along x and y."""
        return (
            (self.x_max_mm - self.x_min_mm) / (self.columns - 1),
            (self.y_max_mm - self.y_min_mm) / (self.rows - 1),
        )

    @property
    def nodes(self) -> tuple[tuple[int, int], ...]:
        """All (i, j), row by row from the front, each row from the left."""
        return tuple((i, j) for j in range(self.rows) for i in range(self.columns))


def nodes_with_pad(grid: MeshGrid) -> list[tuple[int, int]]:
    """Return the nodes that have a pad on a whole sheet: on a dense mesh, not all of them."""
    nodes = [node for node in grid.nodes if node not in grid.skip]
    if min(grid.pitch_mm) >= ALTERNATE_BELOW_PITCH_MM:
        return nodes
    return [(i, j) for i, j in nodes if i % 2 == 0 and j % 2 == 0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Nozzle:
    """Bore and flat face of the nozzle, and the filament's diameter."""

    bore_mm: float = 0.4
    flat_mm: float = 1.0
    filament_mm: float = 1.75

    @property
    def filament_area_mm2(self) -> float:
        """Cross-section of the filament."""
        return math.pi * (self.filament_mm / 2) ** 2

    @property
    def bore_area_mm2(self) -> float:
        """Cross-section of the bore."""
        return math.pi * (self.bore_mm / 2) ** 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Heat:
    """Temperatures, and how long they are held.

    Attributes
    ----------
    nozzle_c, bed_c : float
        Degrees Celsius while printing; 0 for a bed that is not heated.
    soak_min, hold_min : float
        How long the bed is kept warm before and after the print.
    filament_density_g_cm3 : float
        For the estimate of the filament's weight.
    """

    nozzle_c: float = 210.0
    bed_c: float = 60.0
    soak_min: float = 5.0
    hold_min: float = 0.0
    filament_density_g_cm3: float = 1.24


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """The first layer that is wanted, and how near is near enough.

    Attributes
    ----------
    height_mm, width_mm : float
        Height of the layer and width of its lines.
    tolerance_mm, offset_tolerance_mm : float
        How far a point may be off, less what all points share, and how far that shared part may.
    """

    height_mm: float = 0.20
    width_mm: float = 0.45
    tolerance_mm: float = 0.03
    offset_tolerance_mm: float = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """Speeds and limits of the machine.

    Attributes
    ----------
    print_mm_s, travel_mm_s, z_mm_s, retract_mm_s : float
        Speed of lines, of moves without extrusion, of lifts, and of drawing filament back.
    acceleration_mm_s2 : float
        While printing; for the estimate of the time.
    retract_mm, lift_mm : float
        Filament drawn back, and lift of the nozzle, before a travel.
    z_step_mm : float
        What one whole motor step lifts the nozzle (8 mm lead, 200 steps: 0.04 mm).
    z_lowest_mm : float
        Lowest Z the printer accepts.
    z_top_mm : float
        Highest Z the printer reaches.
    clearance_mm : float
        The nozzle stays at least this far above the highest bed that the reach allows.
    extruder : {"relative", "absolute"}
        How E words are written in the sheet's G-code (M83 or M82).
    """

    print_mm_s: float = 25.0
    travel_mm_s: float = 120.0
    z_mm_s: float = 8.0
    acceleration_mm_s2: float = 500.0
    retract_mm: float = 1.0
    retract_mm_s: float = 30.0
    lift_mm: float = 0.6
    z_step_mm: float = 0.04
    z_lowest_mm: float = 0.0
    z_top_mm: float = 200.0
    clearance_mm: float = 0.05
    extruder: Literal["relative", "absolute"] = "relative"


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """The user's own G-code: lines of text, each tuple in printing order.

    Attributes
    ----------
    home, mesh_on : tuple of str
        What homes the printer, and what switches the mesh on afterwards.
    preamble, postamble : tuple of str
        What the printer needs before and after a sheet.
    """

    home: tuple[str, ...] = ("G28",)
    mesh_on: tuple[str, ...] = ("M420 S1",)
    preamble: tuple[str, ...] = ()
    postamble: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Edits:
    """How mesh corrections are told to the printer.

    Attributes
    ----------
    style : str
        The edit style by its G-code word; see `padsheet.scoring.edits`.
    g29_sets_points : bool
        Whether `G29 S3` sets a point on this printer; elsewhere a G29 may start a probing run.
    g29_index : {"XY1", "IJ0"}
        Words and base of the point's index in `G29 S3`.
    offset_style : {"none", "M851", "M206", "M290", "hand"}
        How the common offset is set; "hand" means it is turned in at print time.
    offset_now_mm : float or None
        The offset's present value, if known.
    offset_sign : {1, -1}
        +1 where a larger offset value lifts the nozzle, -1 where it lowers it.
    smallest_mm, largest_mm : float
        Edits are rounded to `smallest_mm` and never larger than `largest_mm` in one round.
    template : str
        The line for one point in the custom style, with fields in braces.
    """

    style: EditStyle = "M421"
    g29_sets_points: bool = False
    g29_index: Literal["XY1", "IJ0"] = "XY1"
    offset_style: Literal["none", "M851", "M206", "M290", "hand"] = "hand"
    offset_now_mm: float | None = None
    offset_sign: Literal[1, -1] = 1
    smallest_mm: float = 0.01
    largest_mm: float = 0.15
    template: str = ""
    show: str = "M420 V"
    save: str = "M500"


@dataclass(frozen=True, slots=True, kw_only=True)
class Screw:
    """One bed screw.

    Attributes
    ----------
    name : str
        As the user calls it, such as "front left".
    x_mm, y_mm : float
        Its place; it may lie beyond the plate.
    pitch_mm : float
        Height of one turn (coarse threads, ISO 261: M3 0.5, M4 0.7, M5 0.8 mm).
    raises : {"clockwise", "counter-clockwise", "unknown"}
        The turn, seen from above, that raises the bed at this screw.
    """

    name: str
    x_mm: float
    y_mm: float
    pitch_mm: float = 0.7
    raises: Literal["clockwise", "counter-clockwise", "unknown"] = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bed:
    """One bed of one printer: everything that a sheet, its score and its edits depend on."""

    plate: Plate = field(default_factory=Plate)
    mesh: MeshGrid = field(default_factory=MeshGrid)
    nozzle: Nozzle = field(default_factory=Nozzle)
    heat: Heat = field(default_factory=Heat)
    target: Target = field(default_factory=Target)
    motion: Motion = field(default_factory=Motion)
    code: Code = field(default_factory=Code)
    edits: Edits = field(default_factory=Edits)
    screws: tuple[Screw, ...] = ()
