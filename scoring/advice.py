"""What to change: the common offset, the screws, and the height correction of each node."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from padsheet.patterns.bed import Bed
from padsheet.scoring.case import FEWEST_PADS, Case, build_case
from padsheet.scoring.fusion import NodeState
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.nodes import NodePlan, plan_nodes
from padsheet.scoring.proof import Proof
from padsheet.scoring.remarks import HELD_BACK
from padsheet.scoring.screws import ScrewTurn
from padsheet.scoring.squish import SheetScore
from padsheet.scoring.steps import AdvisedStep, steps_for

__all__ = ["Advice", "NodeAdvice", "ScrewAdvice", "advise"]


#: Screws are advised where their turns, by hand, surely leave no more than this part of a tilt.
SCREWS_LEAVE_PART = 2 / 3


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
    waits : bool
        Whether nothing is said of this node yet, because other work comes first.
    note : str
        Why it was left alone or limited, in a few words; empty if nothing is to be said.
    error_mm : float or None
        Gap less target by all sheets of this epoch together, the common part included.
    verdict : str
        Verdict by all sheets together; empty for a node that was never read.
    shape_mm : float or None
        What it is off beside all that the points share, by all sheets together; None for a node
        that was never read, and where the edits take the common part too.
    in_shape : bool
        Whether it was read and, the common part taken out, is within tolerance with 95 %
        confidence.
    """

    i: int
    j: int
    dz_mm: float
    sigma_mm: float
    new_mm: float | None = None
    changed: bool = False
    inferred: bool = False
    waits: bool = False
    note: str = ""
    error_mm: float | None = None
    verdict: str = ""
    shape_mm: float | None = None
    in_shape: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ScrewAdvice:
    """What to do with one bed screw.

    Attributes
    ----------
    bed_mm : float
        How far the bed must go up (positive) or down (negative) at this screw.
    turns : float
        Unsigned turns, a multiple of 1/8.
    direction : {"clockwise", "counter-clockwise", "unknown", "leave"}
        Seen from above.
    text : str
        The whole sentence.
    raises : {"clockwise", "counter-clockwise", "unknown"}
        Which turn raises the bed, as the profile said when this was advised.
    """

    name: str
    bed_mm: float
    turns: float
    direction: str
    text: str
    raises: str = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """Everything to be done after one sheet.

    Attributes
    ----------
    offset_mm : float
        By how much the nozzle may be moved everywhere (negative: lower it): the common part of the
        needed correction, where it lowers only what the 95 % interval leaves no doubt of.
    offset_sigma_mm : float
        Standard deviation of the common part.
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
    steps : tuple of AdvisedStep
        What to do now, in order.
    warp_done, offset_done, done : bool
        Stop rule, warp and offset apart.
    set_offset : bool
        Whether the common offset is to be set in this round, by `offset_mm`.
    sheets : int
        How many sheets are judged together: those since the bed itself was last changed.
    estimate_mm : float or None
        Best estimate of what all points share; None where only `offset_mm` was kept.
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
    steps: tuple[AdvisedStep, ...]
    warp_done: bool
    offset_done: bool
    done: bool
    set_offset: bool = False
    sheets: int = 1
    estimate_mm: float | None = None

    @property
    def has_edits(self) -> bool:
        """Whether mesh edits are advised for now."""
        return self.work == "mesh" and any(node.changed for node in self.nodes)

    @property
    def offset_to_set_mm(self) -> float:
        """By how much the nozzle is to be moved everywhere in this round; 0 where it is not."""
        if self.set_offset:
            return self.offset_mm
        return next((step.offset_mm for step in self.steps if step.offset_mm), 0.0)

    @property
    def common_mm(self) -> float:
        """Gap less target that all points share, positive where the nozzle is too far."""
        return (-self.offset_mm if self.estimate_mm is None else self.estimate_mm) + 0.0


def advise(
    score: SheetScore,
    bed: Bed,
    *,
    mesh: Mesh | None,
    state: NodeState | None = None,
    proof: Proof | None = None,
) -> Advice:
    """Decide what to do after one sheet.

    Parameters
    ----------
    score : SheetScore
        The sheet's scores.
    bed : Bed
        The profile.
    mesh : Mesh or None
        The mesh that was in force on the sheet, if it is known; gives the new values.
    state : NodeState or None
        All sheets of this epoch fused, this one included. None to judge by this sheet alone.
    proof : Proof or None
        What this sheet says of the edits before it; no further edits are given if they are not
        in force.

    Returns
    -------
    Advice

    Raises
    ------
    ValueError
        If `mesh` or `state` belongs to another grid than `bed`.

    Notes
    -----
    The gaps at the pads answer to the nodes through the printer's bilinear interpolation. The node
    errors are the posterior mean of a linear Gaussian model whose prior is no error at all; tilt
    and warp over the nodes are then judged apart from the common part, which no node chases unless
    the profile has no place for it. Where the mesh is known, the nodes also take a small part of
    what the bed does between them, so that nodes and cells err alike.
    """
    case = build_case(score, bed, mesh, state, proof)
    work = _work(case)
    turns = case.turns if work == "screws" else ()
    plan = _plan(case)
    stays_open = work == "offset" or (work == "nothing" and not case.offset_done)
    if stays_open and _worth_editing(case, plan):
        work = "mesh"
    if work == "mesh" and not plan.changed.any():
        work = "offset" if case.sets_offset else "nothing"
    return Advice(
        offset_mm=case.safe_offset_mm,
        offset_sigma_mm=case.split.common_sigma_mm,
        tilt_mm_per_m=case.split.tilt_mm_per_m,
        tilt_sigma_mm_per_m=case.split.tilt_sigma_mm_per_m,
        warp_peak_to_valley_mm=float(np.ptp(case.split.warp_mm)),
        twist_mm=case.twist_mm,
        screws=tuple(_screw_advice(turn) for turn in turns),
        nodes=_node_advice(case, plan, work),
        work=work,
        steps=steps_for(case, plan, turns, work),
        warp_done=case.warp_done,
        offset_done=case.offset_done,
        done=case.warp_done and case.offset_done and work == "nothing",
        set_offset=work in ("mesh", "offset") and case.sets_offset,
        sheets=case.state.rounds,
        estimate_mm=case.split.common_mm + 0.0,
    )


def _work(case: Case) -> str:
    """Choose which kind of correction comes now."""
    if case.proof is not None and not case.proof.allows_edits:
        return "withheld"
    if int(case.state.read.sum()) < FEWEST_PADS or case.mostly_bounds:
        return "withheld"
    if case.warp_done and case.offset_done:
        return "nothing"
    # A turn that may leave nearly all of the tilt would only begin the history anew.
    if case.clearly_tilted and case.turns_leave_mm < SCREWS_LEAVE_PART * case.tilt_over_mesh_mm[0]:
        return "screws"
    if not case.warp_done or case.nodes_take_offset:
        return "mesh"
    return "offset" if case.sets_offset else "nothing"


def _worth_editing(case: Case, plan: NodePlan) -> bool:
    """Tell whether a shape within tolerance is still better corrected while the offset is open.

    Another sheet is printed in any case, so an edit costs nothing; it must be clear of the noise.
    """
    clear_mm = np.maximum(3 * case.relative_sigma_mm, case.bed.target.tolerance_mm / 2)
    return bool((np.abs(plan.dz_mm) > clear_mm).any())


def _plan(case: Case) -> NodePlan:
    """Plan the node edits, the common part in or out as the profile says."""
    if case.nodes_take_offset:
        needed_mm = case.shift_mm - case.state.error_mm
        sigma_mm = np.sqrt(np.diag(case.state.covariance_mm2))
    else:
        needed_mm, sigma_mm = case.shift_mm - case.relative_mm, case.relative_sigma_mm
    return plan_nodes(
        needed_mm,
        sigma_mm,
        state=case.state,
        score=case.score,
        bed=case.bed,
        common_mm=0.0 if case.nodes_take_offset else case.split.common_mm,
        offset_mm=0.0 if case.nodes_take_offset else case.safe_offset_mm,
    )


def _node_advice(case: Case, plan: NodePlan, work: str) -> tuple[NodeAdvice, ...]:
    """Write the plan as advice for each node; nothing is changed unless the mesh is the work."""
    mesh = None if case.mesh is None else case.mesh.z_mm.ravel()
    edit = work == "mesh"
    held_back = "" if work == "offset" and case.warp_done else HELD_BACK.get(work, "")
    # Points that are adjusted by their shape are judged by it.
    of_shape = not held_back and not case.nodes_take_offset
    advice, verdicts, in_shape = [], case.verdicts(of_shape=of_shape), case.in_shape
    for k, (i, j) in enumerate(case.bed.mesh.nodes):
        dz_mm = round(float(plan.dz_mm[k]), 6) + 0.0 if edit else 0.0
        advice.append(
            NodeAdvice(
                i=i,
                j=j,
                dz_mm=dz_mm,
                sigma_mm=float(case.relative_sigma_mm[k]),
                new_mm=None if mesh is None else round(float(mesh[k]) + dz_mm, 6),
                changed=edit and bool(plan.changed[k]),
                inferred=bool(plan.inferred[k]),
                waits=bool(held_back),
                note=plan.notes[k] if edit else held_back,
                error_mm=float(case.state.error_mm[k]),
                verdict=verdicts[k],
                shape_mm=None
                if case.nodes_take_offset or not case.state.read[k]
                else float(case.relative_mm[k]),
                in_shape=bool(in_shape[k]),
            )
        )
    return tuple(advice)


def _screw_advice(turn: ScrewTurn) -> ScrewAdvice:
    """Write one screw's turn as advice."""
    return ScrewAdvice(
        name=turn.screw.name,
        bed_mm=turn.bed_mm,
        turns=turn.turns,
        direction=turn.direction,
        text=turn.text,
        raises=turn.screw.raises,
    )
