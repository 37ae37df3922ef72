"""The verdicts that a person is shown: by all sheets together, as the stop rule judges."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from padsheet.scoring.advice import Advice
from padsheet.scoring.squish import PadScore, SheetScore, Verdict

__all__ = ["judged", "judged_by"]


def judged(score: SheetScore, advice: Advice | None) -> SheetScore:
    """Return the scores with each read pad's verdict by all sheets of this epoch.

    One photo alone knows the common part too badly to tell much of a single point; what all sheets
    tell together, shape and common offset judged apart, is what edits and the end go by. Gap,
    interval and squish score stay those of this print, and so do pads off scale or unread.

    Parameters
    ----------
    score : SheetScore
        As measured.
    advice : Advice or None
        Without it, or where it holds no verdict, the pad's own verdict stays.
    """
    if advice is None:
        return score
    told = {(node.i, node.j): node.verdict for node in advice.nodes if node.verdict}
    return replace(score, pads=tuple(_judged_pad(pad, told) for pad in score.pads))


def _judged_pad(pad: PadScore, told: dict[tuple[int, int], str]) -> PadScore:
    verdict = told.get((pad.i, pad.j))
    if verdict is None or pad.gap_mm is None:
        return pad
    return replace(pad, verdict=cast(Verdict, verdict))


def judged_by(advice: Advice) -> str:
    """Say in one sentence what the verdicts go by.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> judged_by(SimpleNamespace(sheets=2))
    'Verdicts are by 2 sheets together, shape and common offset judged apart.'
    """
    by = "this sheet" if advice.sheets == 1 else f"{advice.sheets} sheets together"
    return f"Verdicts are by {by}, shape and common offset judged apart."
