"""The verdicts that a person is shown: by all sheets together, as the stop rule judges."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from padsheet.scoring.advice import Advice
from padsheet.scoring.phrases import within_95
from padsheet.scoring.squish import PadScore, SheetScore, Verdict

__all__ = ["judged", "judged_by", "offset_words"]


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
    if verdict in (None, pad.verdict) or pad.gap_mm is None:
        return pad
    return replace(pad, verdict=cast(Verdict, verdict))


def offset_words(advice: Advice) -> str:
    """Say how far all points together are off, and how well that is known.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> offset_words(SimpleNamespace(common_mm=0.012, offset_sigma_mm=0.035))
    '0.01 mm too far from the bed, +-0.07 mm (95 %)'
    """
    size = f"{abs(advice.common_mm):.2f} mm"
    side = "too far from" if advice.common_mm > 0 else "too near to"
    where = "right" if size == "0.00 mm" else f"{size} {side} the bed"
    return f"{where}, {within_95(advice.offset_sigma_mm, 2)}"


def judged_by(advice: Advice) -> str:
    """Say in a sentence or two what the verdicts go by.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> judged_by(SimpleNamespace(sheets=2, nodes=()))
    'Verdicts and adjustments are by 2 sheets together, shape and common offset judged apart.'
    """
    by = "this sheet" if advice.sheets == 1 else f"{advice.sheets} sheets together"
    text = f"Verdicts and adjustments are by {by}, shape and common offset judged apart."
    if any(node.verdict == "shape on target" for node in advice.nodes):
        text += (
            " 'Shape on target': level with the other points within tolerance, whatever its gap; "
            "only the common offset, which all points share, is off or not known well enough."
        )
    return text
