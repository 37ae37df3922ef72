"""What to change: the common offset, the screws, and the height correction of each node."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Advice", "NodeAdvice", "ScrewAdvice"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeAdvice:
    """What to add to the mesh value of one node.

    Attributes
    ----------
    dz_mm : float
        Rounded to the printer's smallest edit; negative lowers the nozzle there.
    sigma_mm : float
        Standard deviation of the correction that is needed (common part excluded).
    new_mm : float or None
        New mesh value, if the mesh is known.
    changed : bool
        Whether an edit is to be sent for this node.
    inferred : bool
        Whether the node has no read pad near it and was inferred from its neighbours.
    note : str
        Why it was left alone or limited, in a few words; empty if nothing is to be said.
    """

    i: int
    j: int
    dz_mm: float
    sigma_mm: float
    new_mm: float | None = None
    changed: bool = False
    inferred: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScrewAdvice:
    """What to do with one bed screw.

    Attributes
    ----------
    bed_mm : float
        How far the bed must go up (positive) or down (negative) at this screw.
    turns : float
        Unsigned turns, a multiple of 1/8.
    direction : {"clockwise", "counter-clockwise", "leave"}
        Seen from above.
    text : str
        The whole sentence.
    """

    name: str
    bed_mm: float
    turns: float
    direction: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """Everything to be done after one sheet.

    Attributes
    ----------
    offset_mm, offset_sigma_mm : float
        Common part of the needed correction (negative: lower the nozzle everywhere).
    tilt_mm_per_m, tilt_sigma_mm_per_m : (float, float)
        Positive where the gap grows with x (y).
    warp_peak_to_valley_mm : float
        What remains of the gap after offset and tilt are taken out.
    twist_mm : float or None
        What four screws cannot take out, corner to corner; None with three screws or none.
    screws, nodes : tuple
        In profile order; in the order of `MeshGrid.nodes`.
    work : {"screws", "mesh", "offset", "nothing", "withheld"}
        Which kind of correction comes now; "withheld" when a check forbids edits.
    steps : tuple of str
        What to do now, in order, as sentences.
    warp_done, offset_done, done : bool
        Stop rule, warp and offset apart.
    """

    offset_mm: float
    offset_sigma_mm: float
    tilt_mm_per_m: tuple[float, float]
    tilt_sigma_mm_per_m: tuple[float, float]
    warp_peak_to_valley_mm: float
    twist_mm: float | None
    screws: tuple[ScrewAdvice, ...]
    nodes: tuple[NodeAdvice, ...]
    work: str
    steps: tuple[str, ...]
    warp_done: bool
    offset_done: bool
    done: bool
