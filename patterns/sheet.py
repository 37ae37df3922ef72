"""A pad sheet: all pads, markers and strokes of one print, as pure geometry in bed millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Coupon", "Marker", "Pad", "Sheet", "Stroke", "Track"]

Part = Literal["purge", "comb", "marker", "coupon"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """One unbroken extrusion: a polyline with a height at each vertex and an area for each piece.

    Attributes
    ----------
    part : str
        What it belongs to.
    label : str
        Words for the G-code comment, such as ``"pad column 3 row 2, tracks 1 to 5"``.
    xyz_mm : tuple of (x, y, z)
        N vertices; z is the commanded nozzle height.
    area_mm2 : tuple of float
        N - 1 cross-sections of the bead, one for each piece.
    speed_mm_s : float
        Printing speed.
    """

    part: Part
    label: str
    xyz_mm: tuple[tuple[float, float, float], ...]
    area_mm2: tuple[float, ...]
    speed_mm_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One measured line of a comb; it runs along y.

    Attributes
    ----------
    number : int
        1 to 10 from left to right.
    offset_mm : float
        Its centre, in x, from the centre of the pad.
    height_mm : float
        Commanded nozzle height.
    area_mm2 : float
        Commanded cross-section.
    """

    number: int
    offset_mm: float
    height_mm: float
    area_mm2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Coupon:
    """The small solid square of a pad, at the target height.

    Attributes
    ----------
    x_mm, y_mm, side_mm : float
        Its centre and side.
    lines : int
        How many lines along x fill it; 0 where that is not known.
    area_mm2 : float
        Commanded cross-section of each.
    """

    x_mm: float
    y_mm: float
    side_mm: float
    lines: int = 0
    area_mm2: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pad:
    """What is printed at one grid point.

    Attributes
    ----------
    i, j : int
        Node of the mesh, along x and y, from 0 at the smallest x and y.
    x_mm, y_mm : float
        Centre of the comb: the place whose gap the pad tells. Near the edge of the plate it is not
        the node.
    lift_mm : float
        By how much the whole pad is printed higher than the sheet's heights; above 0 at every other
        pad of a self-check, else 0.
    """

    i: int
    j: int
    x_mm: float
    y_mm: float
    coupon: Coupon | None = None
    lift_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """One printed ArUco marker.

    Attributes
    ----------
    id : int
        In the dictionary of `padsheet.patterns.markers`; it carries the place and the sheet number.
    x_mm, y_mm, side_mm : float
        Centre and side of its black square.
    """

    id: int
    x_mm: float
    y_mm: float
    side_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """Everything the scorer needs to know of one print.

    Attributes
    ----------
    id : str
        Stable name of the sheet, derived from all that shapes its print.
    number : int
        Number of the sheet in its bed folder, from 1; the markers' ids carry it modulo 20.
    reach_mm : (low, high)
        How far the bed may be off: gap errors from low (negative: nozzle too near) to high.
    sigma_mm : float
        Predicted standard deviation of the worst pad in that reach, relative to the sheet's mean.
    pads : tuple of Pad
        In the order of the nodes, row by row from the front.
    tracks : tuple of Track
        The comb, the same at every pad.
    track_length_mm, window_mm : float
        Drawn length of a track, and the middle part of it that is measured.
    markers : tuple of Marker
        Four to twelve.
    tick_mm : float
        How far the tick beside track 1 sticks out to the left. 0 where there is no room for one:
        track 1 is then told by its foot, the shorter of the two at the front of the comb.
    target_gap_mm, tolerance_mm : float
        From the profile, as they were when the sheet was made.
    bore_mm, flat_mm : float
        Diameters of the nozzle's bore and of its flat face.
    z_step_mm : float
        What one whole motor step lifts the nozzle.
    plate_name : str
        From the profile.
    plate_outline_mm : (x_min, y_min, x_max, y_max)
        Bounding rectangle of the plate.
    nodes_x_mm, nodes_y_mm : tuple of float
        Places of the mesh's columns and rows, rising.
    mesh_active : {"yes", "no", "unknown"}
        Whether a mesh was in force while it was printed.
    mesh_name : str or None
        Name of that mesh in the bed folder.
    mesh_corrected : bool
        Whether that mesh was found, after the sheet was written, to have been read the wrong way
        round.
    gcode_sha256 : str or None
        Digest of the G-code that prints it, once that is written.
    strokes : tuple of Stroke
        In printing order. Not stored in sheet.json.
    """

    id: str
    number: int
    reach_mm: tuple[float, float]
    sigma_mm: float
    pads: tuple[Pad, ...]
    tracks: tuple[Track, ...]
    track_length_mm: float
    window_mm: float
    markers: tuple[Marker, ...]
    target_gap_mm: float
    tolerance_mm: float
    bore_mm: float
    flat_mm: float
    z_step_mm: float
    plate_name: str
    plate_outline_mm: tuple[float, float, float, float]
    nodes_x_mm: tuple[float, ...]
    nodes_y_mm: tuple[float, ...]
    mesh_active: Literal["yes", "no", "unknown"] = "unknown"
    mesh_name: str | None = None
    mesh_corrected: bool = False
    gcode_sha256: str | None = None
    tick_mm: float = 0.0
    strokes: tuple[Stroke, ...] = ()

    @property
    def self_check(self) -> bool:
        """Whether some pads are lifted by a known height, to check the ruler itself."""
        return any(pad.lift_mm for pad in self.pads)
