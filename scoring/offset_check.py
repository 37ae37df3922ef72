"""Whether a common offset on record is seen in the next sheet."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from padsheet.patterns.bed import Bed
from padsheet.scoring.advice import Advice
from padsheet.scoring.fusion import HOMING_SIGMA_MM
from padsheet.scoring.history import recorded_since
from padsheet.scoring.mesh import footprint
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.squish import Z95, SheetScore
from padsheet.scoring.steps import AdvisedStep

__all__ = ["offset_step", "with_offset_checked"]


def with_offset_checked(
    folder: BedFolder, bed: Bed, round_: Round, score: SheetScore, advice: Advice
) -> Advice:
    """Say first that an offset put on record since the sheet before is not seen, if it surely is.

    Raises
    ------
    PadsheetError
        If a file of an earlier round cannot be read.
    """
    earlier = folder.scored_before(round_)
    if earlier is None or advice.work == "withheld":
        return advice
    nodes_mm, offset_mm, screws = recorded_since(folder, earlier.number, round_.number, bed.mesh)
    if nodes_mm is None or not offset_mm or screws:
        return advice
    before = earlier.read_score()
    there = {(pad.i, pad.j): pad for pad in before.pads}
    both = [(there[pad.i, pad.j], pad) for pad in score.pads if (pad.i, pad.j) in there]
    changes = [
        (here.x_mm, here.y_mm, here.gap_mm - was.gap_mm)
        for was, here in both
        if was.gap_mm is not None and here.gap_mm is not None
    ]
    if 2 * len(changes) < len(score.pads):
        return advice
    places = np.array(changes)
    edited_mm = footprint(bed.mesh, places[:, :2]) @ nodes_mm
    went_mm = float((places[:, 2] - edited_mm).mean()) - score.target_gap_mm + before.target_gap_mm
    sigma_mm = math.hypot(
        before.common_sigma_mm, score.common_sigma_mm, math.sqrt(2) * HOMING_SIGMA_MM
    )
    step = offset_step(offset_mm, went_mm, sigma_mm, earlier.number)
    return advice if step is None else replace(advice, steps=(step, *advice.steps))


def offset_step(
    offset_mm: float, went_mm: float, sigma_mm: float, number: int
) -> AdvisedStep | None:
    """Say that all points together moved otherwise than an offset on record; None if they may not.

    Parameters
    ----------
    offset_mm : float
        On record since the sheet before; negative lowers the nozzle.
    went_mm : float
        By how much all gaps together changed, mesh edits apart.
    sigma_mm : float
        Its standard deviation: of both photos, and of homing twice.
    number : int
        The round before.

    Examples
    --------
    >>> offset_step(-0.04, -0.01, 0.028, 2) is None
    True
    >>> offset_step(-0.1, -0.01, 0.028, 2).text[:45]
    'The offset of -0.10 mm on record is not seen:'
    """
    if abs(went_mm - offset_mm) <= Z95 * sigma_mm:
        return None
    seen = "is not seen" if abs(went_mm) <= Z95 * sigma_mm else "is not what is seen"
    return AdvisedStep(
        kind="note",
        text=f"The offset of {offset_mm:+.2f} mm on record {seen}: all points together changed by "
        f"{went_mm:+.2f} +-{Z95 * sigma_mm:.2f} mm (95 %). Was it set and kept, or was another "
        f"offset made that is not on record? If so, correct the record of round {number} with "
        f"`padsheet applied --offset MM --round {number} --force`, and score this photo again.",
    )
