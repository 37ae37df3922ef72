"""What is known of a bed after a sheet, and whether that is good enough to stop."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, nodes_with_pad
from padsheet.scoring.between import bend_mm, shared_shift_mm
from padsheet.scoring.fusion import NodeState, first_state, update
from padsheet.scoring.mesh import Mesh, same_nodes
from padsheet.scoring.offset import safe_offset_mm
from padsheet.scoring.plane import MM_PER_M, Split, grid_xy_mm, relative_part, split_plane, twist_of
from padsheet.scoring.proof import Proof
from padsheet.scoring.screws import ScrewTurn, can_level, left_over, screw_turns
from padsheet.scoring.squish import Z95, SheetScore, verdict

__all__ = ["FEWEST_PADS", "Case", "build_case"]

#: Confidence of the stop rule.
CONFIDENCE = 0.95
#: A tilt smaller than this, over the whole mesh, is left to the mesh.
SCREW_TILT_MM = 0.10
#: Fewer read pads than this tell no plane.
FEWEST_PADS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What is known of the bed, before anything is decided.

    Attributes
    ----------
    score, bed, mesh, state, proof
        As `padsheet.scoring.advice.advise` was given them.
    split : Split
        Offset, tilt and warp of the nodes' gap errors.
    relative_mm, relative_sigma_mm : ndarray of float, shape (N,)
        Gap error of each node less the common part, and its standard deviation.
    must_pass : ndarray of bool, shape (N,)
        Nodes that the stop rule judges: those that have a pad on this sheet or on a whole one.
    unread : int
        Pads that were read on no sheet of this epoch.
    """

    score: SheetScore
    bed: Bed
    mesh: Mesh | None
    state: NodeState
    proof: Proof | None
    split: Split
    relative_mm: NDArray[np.float64]
    relative_sigma_mm: NDArray[np.float64]
    must_pass: NDArray[np.bool_]
    unread: int

    @property
    def centre_mm(self) -> tuple[float, float]:
        """Middle of the mesh, where offset and tilt are told apart."""
        return self.bed.mesh.outline.centre_mm

    @property
    def twist_mm(self) -> float | None:
        """What four or more screws cannot take out; None with fewer."""
        if len(self.bed.screws) < 4 or not can_level(self.bed.screws):
            return None
        return twist_of(grid_xy_mm(self.bed.mesh), self.split.warp_mm)

    @property
    def offset_mm(self) -> float:
        """Common correction, negative to lower the nozzle everywhere."""
        return -self.split.common_mm + 0.0

    @property
    def nodes_take_offset(self) -> bool:
        """Whether the common part has no place of its own and goes into the nodes."""
        return self.bed.edits.offset_style == "none"

    @property
    def height_mm(self) -> NDArray[np.float64] | None:
        """Height of the bed at the nodes, up to a constant; None where the mesh is not known."""
        return None if self.mesh is None else self.mesh.z_mm.ravel() - self.state.error_mm

    @property
    def shift_mm(self) -> NDArray[np.float64]:
        """How far each node is best set off the bed's height, for the cells' sake, shape (N,).

        A part of the tolerance only: the nodes themselves must stay well inside it.
        """
        if self.height_mm is None:
            return np.zeros_like(self.relative_mm)
        limit_mm = self.bed.target.tolerance_mm / 3
        return shared_shift_mm(self.bed.mesh, self.height_mm, largest_mm=limit_mm)

    @property
    def bend_mm(self) -> float:
        """Range of what a bed as smooth as its nodes does between them; 0 if not known."""
        if self.height_mm is None:
            return 0.0
        return float(np.ptp(bend_mm(self.bed.mesh, self.height_mm)))

    @property
    def warp_done(self) -> bool:
        """Stop rule for everything but the common part."""
        missed = _missed(self.relative_mm, self.relative_sigma_mm, self.bed.target.tolerance_mm)
        surely = float(missed[self.must_pass].sum()) <= 1 - CONFIDENCE
        return surely and self.unread == 0 and bool(self.must_pass.any())

    @property
    def offset_done(self) -> bool:
        """Stop rule for the common part."""
        missed = _missed(
            np.array([self.split.common_mm]),
            np.array([self.split.common_sigma_mm]),
            self.bed.target.offset_tolerance_mm,
        )
        return float(missed[0]) <= 1 - CONFIDENCE

    def verdicts(self, *, of_shape: bool) -> tuple[str, ...]:
        """Return the verdict of each node by all sheets, as the stop rule judges.

        "on target" where both the shape there and the common part are within tolerance with 95 %
        confidence, "shape on target" where only the common part is off or not known; empty where
        the node was never read.

        Parameters
        ----------
        of_shape : bool
            Whether a node is judged by its shape alone, as it is adjusted by, or by its whole
            error; then "shape on target" is only said where the interval of that leaves it open.
        """
        tolerance_mm, target_mm = self.bed.target.tolerance_mm, self.score.target_gap_mm
        if of_shape:
            error_mm, half_mm = self.relative_mm, Z95 * self.relative_sigma_mm
        else:
            error_mm = self.state.error_mm
            half_mm = Z95 * np.sqrt(np.diag(self.state.covariance_mm2))
        low_mm, high_mm = target_mm + error_mm - half_mm, target_mm + error_mm + half_mm
        told: list[str] = []
        for k, in_shape in enumerate(self.in_shape):
            alone = verdict((float(low_mm[k]), float(high_mm[k])), target_mm, tolerance_mm)
            if not self.state.read[k]:
                told.append("")
            elif in_shape and self.offset_done:
                told.append("on target")
            else:
                told.append(
                    "shape on target" if in_shape and (of_shape or alone == "uncertain") else alone
                )
        return tuple(told)

    @property
    def in_shape(self) -> NDArray[np.bool_]:
        """Nodes that were read and whose shape is within tolerance with 95 % confidence."""
        missed = _missed(self.relative_mm, self.relative_sigma_mm, self.bed.target.tolerance_mm)
        return (missed <= 1 - CONFIDENCE) & self.state.read

    @property
    def mostly_bounds(self) -> bool:
        """Whether this sheet gives bounds and hardly a gap: fewer than three, or under a quarter.

        Where all of them are wide by the same taste or light, they prove little of the common part,
        however many there are.
        """
        bounds = sum(pad.verdict.startswith("off scale") for pad in self.score.pads)
        few = len(self.score.order) < FEWEST_PADS
        return bounds > 0 and (few or 4 * bounds > 3 * len(self.score.pads))

    @property
    def sets_offset(self) -> bool:
        """Whether the common offset is out, has a place of its own and is above the noise."""
        worth_mm = max(self.split.common_sigma_mm, self.bed.edits.smallest_mm / 2)
        if self.nodes_take_offset or self.offset_done:
            return False
        if self.offset_mm < 0:
            return -self.safe_offset_mm >= self.bed.edits.smallest_mm - 1e-9
        return self.offset_mm > worth_mm

    @property
    def safe_offset_mm(self) -> float:
        """Common correction, a lowering as far as it is safe; see `safe_offset_mm`."""
        tolerance_mm = self.bed.target.offset_tolerance_mm
        return safe_offset_mm(self.offset_mm, self.split.common_sigma_mm, tolerance_mm)

    @property
    def tilt_over_mesh_mm(self) -> tuple[float, float]:
        """Height of the tilt from end to end of the mesh, and its standard deviation."""
        grid = self.bed.mesh
        size_m = np.array([grid.x_max_mm - grid.x_min_mm, grid.y_max_mm - grid.y_min_mm]) / MM_PER_M
        slopes = self.split.coefficients[1:]
        across = np.sign(slopes) * size_m
        spread = float(across @ self.split.covariance[1:, 1:] @ across)
        return float(np.abs(slopes) @ size_m), math.sqrt(max(spread, 0.0))

    @property
    def turns(self) -> tuple[ScrewTurn, ...]:
        """The screw turns that take the tilt out."""
        return screw_turns(self.bed.screws, self.split.tilt_mm_per_m, centre_mm=self.centre_mm)

    @property
    def clearly_tilted(self) -> bool:
        """Whether there is a tilt that is worth a turn, and there are screws for it."""
        tilt_mm, sigma_mm = self.tilt_over_mesh_mm
        limit_mm = max(SCREW_TILT_MM, 3 * self.bed.target.tolerance_mm)
        return tilt_mm > limit_mm and tilt_mm > 3 * sigma_mm and can_level(self.bed.screws)

    @property
    def turns_leave_mm(self) -> float:
        """The tilt to expect after turning the screws, from end to end of the mesh."""
        grid = self.bed.mesh
        return left_over(
            self.turns,
            self.split.tilt_mm_per_m,
            (grid.x_max_mm - grid.x_min_mm, grid.y_max_mm - grid.y_min_mm),
            centre_mm=self.centre_mm,
        )


def build_case(
    score: SheetScore, bed: Bed, mesh: Mesh | None, state: NodeState | None, proof: Proof | None
) -> Case:
    """Gather what is known.

    Parameters are those of `padsheet.scoring.advice.advise`.

    Raises
    ------
    ValueError
        If `mesh` or `state` belongs to another grid than `bed`.
    """
    if state is None:
        mesh_mm = None if mesh is None else mesh.z_mm.ravel()
        state = update(first_state(bed.mesh), score, mesh_mm)
    if not same_nodes(state.grid, bed.mesh) or (mesh and not same_nodes(mesh.grid, bed.mesh)):
        raise ValueError("mesh, state and bed must have the same grid")
    split = split_plane(
        grid_xy_mm(bed.mesh),
        state.error_mm,
        state.covariance_mm2,
        centre_mm=bed.mesh.outline.centre_mm,
    )
    relative_mm, spread = relative_part(split, state.error_mm, state.covariance_mm2)
    # A sheet of a few points only leaves the others to be judged by the sheets before it.
    has_pad = {(pad.i, pad.j) for pad in score.pads} | set(nodes_with_pad(bed.mesh))
    must_pass = np.array([node in has_pad for node in bed.mesh.nodes], dtype=np.bool_)
    return Case(
        score=score,
        bed=bed,
        mesh=mesh,
        state=state,
        proof=proof,
        split=split,
        relative_mm=relative_mm,
        relative_sigma_mm=np.sqrt(np.maximum(np.diag(spread), 0.0)),
        must_pass=must_pass,
        unread=int((must_pass & ~state.read).sum()),
    )


def _missed(
    mean_mm: NDArray[np.float64], sigma_mm: NDArray[np.float64], tolerance_mm: float
) -> NDArray[np.float64]:
    """Return the probability of each value to lie outside the tolerance.

    Their sum bounds the probability that any does, however the values hang together (Boole's
    inequality).
    """
    sigma_mm = np.maximum(sigma_mm, 1e-9)
    root2 = math.sqrt(2.0)
    above = (tolerance_mm - mean_mm) / sigma_mm
    below = (-tolerance_mm - mean_mm) / sigma_mm
    inside = [
        math.erfc(-a / root2) - math.erfc(-b / root2) for a, b in zip(above, below, strict=True)
    ]
    outside: NDArray[np.float64] = 1.0 - np.array(inside) / 2
    return outside
