"""A virtual printer and phone: prints first-layer G-code on a known bed and photographs it.

It stands apart from the package under test (nothing of it is imported here) so that an error in
one cannot hide in the other. See README.md for what is modelled and what is not.
"""

from .bead import BeadSettings, Sections, half_width_at, side_fill
from .bed import (
    BedShape,
    Compensation,
    bilinear_of,
    dent,
    dome,
    flat,
    random_bed,
    saddle,
    sampled_mesh,
    tilt,
)
from .camera import Camera
from .gcode import Extrusion, read_gcode
from .phone import photograph
from .printer import Print, Segments, Truth, ZError, print_sheet
from .render import PhotoTruth, expose
from .scenes import Scene, plain_scene, random_scene

__all__ = [
    "BeadSettings",
    "BedShape",
    "Camera",
    "Compensation",
    "Extrusion",
    "PhotoTruth",
    "Print",
    "Scene",
    "Sections",
    "Segments",
    "Truth",
    "ZError",
    "bilinear_of",
    "dent",
    "dome",
    "expose",
    "flat",
    "half_width_at",
    "photograph",
    "plain_scene",
    "print_sheet",
    "random_bed",
    "random_scene",
    "read_gcode",
    "saddle",
    "sampled_mesh",
    "side_fill",
    "tilt",
]
