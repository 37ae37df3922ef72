"""The verdicts that a person is shown: by all sheets together, as the stop rule judges."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from padsheet.scoring.advice import Advice
from padsheet.scoring.phrases import within_95
from padsheet.scoring.squish import PadScore, SheetScore, Verdict

__all__ = ["in_shape_only", "judged", "judged_by", "offset_words", "shapes_mm", "shared_words"]

#: What all points share is told in hundredths of a millimetre; less than this is none.
_LEAST_SHARED_MM = 0.005


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
    side = "too far from" if advice.common_mm > 0 else "too near"
    where = "right" if size == "0.00 mm" else f"{size} {side} the bed"
    return f"{where}, {within_95(advice.offset_sigma_mm, 2)}"


def shapes_mm(advice: Advice | None) -> dict[tuple[int, int], float]:
    """Return what each point is off beside all that the points share, which adjustments go by.

    Empty where that is as good as the gap error itself, where the adjustments take what all share
    as well, and where no point is adjusted now.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> node = SimpleNamespace(i=0, j=0, shape_mm=0.02, waits=False)
    >>> shapes_mm(SimpleNamespace(nodes=(node,), common_mm=-0.05))
    {(0, 0): 0.02}
    >>> shapes_mm(SimpleNamespace(nodes=(node,), common_mm=-0.004))
    {}
    """
    if advice is None or abs(advice.common_mm) < _LEAST_SHARED_MM:
        return {}
    if any(node.waits for node in advice.nodes):
        return {}
    return {(node.i, node.j): node.shape_mm for node in advice.nodes if node.shape_mm is not None}


def in_shape_only(score: SheetScore, advice: Advice | None) -> SheetScore:
    """Return the scores with the shape in the place of the gap, for maps; see `shapes_mm`.

    Bounds of points off scale are told beside what all points share as well. The scores stay as
    they are where there are no shapes.
    """
    shapes = shapes_mm(advice)
    if advice is None or not shapes:
        return score
    common_mm = advice.common_mm

    def shaped(pad: PadScore) -> PadScore:
        shape_mm = shapes.get((pad.i, pad.j))
        if pad.gap_mm is not None and shape_mm is not None:
            return replace(pad, gap_mm=score.target_gap_mm + shape_mm)
        if pad.interval_mm is None:
            return pad
        low, high = (None if end is None else end - common_mm for end in pad.interval_mm)
        return replace(pad, interval_mm=(low, high))

    return replace(score, pads=tuple(map(shaped, score.pads)))


def shared_words(advice: Advice) -> str:
    """Say what the shape of the bed is told beside.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> shared_words(SimpleNamespace(common_mm=-0.05))
    'the 0.05 mm that all points together are too near'
    """
    side = "far" if advice.common_mm > 0 else "near"
    return f"the {abs(advice.common_mm):.2f} mm that all points together are too {side}"


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
