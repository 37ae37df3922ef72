"""Whether the bed tilted as the turns of its screws were to tilt it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from padsheet.patterns.bed import Bed
from padsheet.scoring.advice import Advice
from padsheet.scoring.plane import MM_PER_M
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.screws import ScrewTurn, moved_plane
from padsheet.scoring.steps import AdvisedStep

__all__ = ["other_way_words", "with_screws_checked"]

#: Part of the advised change by which a tilt must have gone the other way to be spoken of.
OTHER_WAY_PART = 0.15


def with_screws_checked(folder: BedFolder, bed: Bed, round_: Round, advice: Advice) -> Advice:
    """Say first that the tilt went the other way after screws were turned, if it did.

    Only where the sheet before advised the turns, they are on record, and no mesh point was changed
    in between.

    Raises
    ------
    PadsheetError
        If a file of an earlier round cannot be read.
    """
    earlier = [r for r in folder.rounds() if r.number < round_.number and r.scores_json.exists()]
    if not earlier:
        return advice
    before, first = earlier[-1].read_advice(), earlier[-1].number
    since = [r.read_applied() for r in folder.rounds() if first <= r.number < round_.number]
    turned = any(applied is not None and applied.screws_turned for applied in since)
    edited = any(applied is not None and applied.nodes for applied in since)
    if before is None or before.work != "screws" or not turned or edited:
        return advice
    if advice.work == "withheld":
        return advice
    words = other_way_words(before, advice, bed, earlier[-1].number)
    if not words:
        return advice
    return replace(advice, steps=(AdvisedStep(kind="note", text=words), *advice.steps))


def other_way_words(before: Advice, after: Advice, bed: Bed, number: int) -> str:
    """Say that the tilt went the other way than the turns advised were to bring it.

    Parameters
    ----------
    before, after : Advice
        That of round `number`, which advised the turns, and that of the sheet after them.
    bed : Bed
        Its screws and mesh.

    Returns
    -------
    str
        Empty where the tilt did not go the other way, or not for sure.
    """
    screws = {screw.name: screw for screw in bed.screws}
    turns = [
        ScrewTurn(
            screw=screws[told.name],
            wanted_mm=told.bed_mm,
            bed_mm=told.bed_mm,
            turns=told.turns,
            direction=told.direction,
        )
        for told in before.screws
        if told.name in screws
    ]
    if len(turns) < max(3, len(before.screws)):
        return ""
    grid = bed.mesh
    size_m = np.array([grid.x_max_mm - grid.x_min_mm, grid.y_max_mm - grid.y_min_mm]) / MM_PER_M
    # In millimetres from end to end of the mesh, along x and y.
    was, now = (np.array(a.tilt_mm_per_m) * size_m for a in (before, after))
    wanted = -moved_plane(turns, centre_mm=grid.outline.centre_mm)[1:] * size_m
    length = float(np.linalg.norm(wanted))
    if length == 0:
        return ""
    sigmas = [np.array(a.tilt_sigma_mm_per_m) * size_m for a in (before, after)]
    way = wanted / length
    went = float((now - was) @ way)
    sigma = float(np.sqrt(sum(((s * way) ** 2).sum() for s in sigmas)))
    if went > -max(OTHER_WAY_PART * length, 3 * sigma):
        return ""
    told_was, told_now, meant = (float(np.abs(t).sum()) for t in (was, now, was + wanted))
    told = any(turn.direction in ("clockwise", "counter-clockwise") for turn in turns)
    wrong = "raises in bed.toml is wrong, or " if told else ""
    return (
        f"The tilt went the other way: from {told_was:.2f} to {told_now:.2f} mm over the whole "
        f"mesh, where the turns of round {number} were to bring it to {meant:.2f}. Most likely "
        f"{wrong}the screws were turned the other way round: turn one knob a little and look which "
        "way the bed goes, before you turn any further."
    )
