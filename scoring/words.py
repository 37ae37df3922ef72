"""Pads and sheets in the user's words, the same in terminal, picture and report."""

from __future__ import annotations

from collections.abc import Iterable

from padsheet.scoring.advice import Advice, NodeAdvice
from padsheet.scoring.phrases import place, points, signed
from padsheet.scoring.remarks import BOUND_HIGH, BOUND_LOW, KEPT_CLEAR, NOT_YET
from padsheet.scoring.squish import PadScore, SheetScore, Verdict
from padsheet.scoring.together import judged, offset_words

__all__ = [
    "LATER",
    "UNSURE",
    "adjustment",
    "both_together",
    "coupon_words",
    "error_sentence",
    "fine_tuning",
    "headline",
    "in_all",
    "interval_half_mm",
    "is_fine_tuning",
    "squish_words",
    "summary",
    "verdict_label",
    "waiting",
]

#: Verdicts in the user's words, the same wherever one is shown: where the nozzle is.
LABELS: dict[Verdict, str] = {
    "on target": "on target",
    "shape on target": "shape on target",
    "too little": "too far",
    "too much": "too near",
    "uncertain": "uncertain",
    "off scale high": "off scale, far",
    "off scale low": "off scale, near",
    "unread": "unread",
}
#: What a verdict means, beside its label.
MEANINGS: dict[Verdict, str] = {
    "shape on target": "level with the other points within tolerance; only the common offset is "
    "off, or not known well enough",
    "too little": "the nozzle is too far from the bed",
    "too much": "the nozzle is too near the bed",
    "uncertain": "the interval reaches across a tolerance limit",
    "off scale high": "the nozzle is farther from the bed than the sheet can read",
    "off scale low": "the nozzle is nearer the bed than the sheet can read",
}

#: Stands in the place of an adjustment that is not known.
UNSURE = "unsure"
#: In that of one that has to wait for another round, since the nozzle is to keep clear of the bed.
LATER = "later"

#: Less than this shows as nothing in the hundredths that a person is told.
_LEAST_TOLD_MM = 0.005

#: Verdicts of points that are off for sure, or beyond what the sheet reads.
OFF = ("too little", "too much", "off scale high", "off scale low")


def adjustment(node: NodeAdvice | None) -> str:
    """Say what to do at a grid point: lower or raise, later, leave what is right, or unsure.

    In brackets where that is fine-tuning; see `is_fine_tuning`.

    Empty where single points wait for other work, which is said once for all; see `waiting`.

    Examples
    --------
    >>> adjustment(NodeAdvice(i=0, j=0, dz_mm=-0.04, sigma_mm=0.004, changed=True))
    'lower 0.04'
    >>> adjustment(NodeAdvice(i=0, j=0, dz_mm=0.0, sigma_mm=0.06, inferred=True))
    'unsure'
    >>> adjustment(NodeAdvice(i=0, j=0, dz_mm=0.0, sigma_mm=0.06, note=NOT_YET))
    'later'
    """
    if node is None:
        return ""
    if not node.changed or node.dz_mm == 0:
        if node.inferred or node.note in (BOUND_HIGH, BOUND_LOW):
            return UNSURE
        if is_put_off(node):
            return LATER
        return "" if node.waits else "leave"
    digits = 2 if abs(node.dz_mm * 100 - round(node.dz_mm * 100)) < 1e-6 else 3
    text = f"{'lower' if node.dz_mm < 0 else 'raise'} {abs(node.dz_mm):.{digits}f}"
    return f"({text})" if is_fine_tuning(node) else text


def is_fine_tuning(node: NodeAdvice) -> bool:
    """Tell whether a point is adjusted that is within tolerance without it, by its shape.

    Where the mesh takes what all points share as well, the whole of its error has to be.
    """
    return node.changed and bool(node.dz_mm) and _is_within(node)


def is_put_off(node: NodeAdvice) -> bool:
    """Tell whether a point that is off is not lowered in this round, to keep clear of the bed."""
    held = not node.changed and node.note in (NOT_YET, KEPT_CLEAR)
    return held and not _is_within(node)


def _is_within(node: NodeAdvice) -> bool:
    return node.verdict == "on target" if node.shape_mm is None else node.in_shape


def fine_tuning(advice: Advice | None) -> str:
    """Say what adjustments in brackets are; empty where there are none."""
    if advice is None or not any(is_fine_tuning(node) for node in advice.nodes):
        return ""
    return (
        "Adjustments in brackets are fine-tuning: those points are within tolerance without them."
    )


def in_all(node: NodeAdvice | None, advice: Advice | None) -> str:
    """Say what adjustment and common offset come to together where they go opposite ways.

    Empty where they do not, or only one of them is to be made.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> node = NodeAdvice(i=0, j=0, dz_mm=0.03, sigma_mm=0.004, changed=True)
    >>> in_all(node, SimpleNamespace(offset_to_set_mm=-0.05))
    'lower 0.02'
    >>> in_all(node, SimpleNamespace(offset_to_set_mm=-0.03))
    'none'
    >>> in_all(node, SimpleNamespace(offset_to_set_mm=0.05))
    ''
    """
    if node is None or advice is None or not node.changed:
        return ""
    offset_mm = round(advice.offset_to_set_mm, 2)
    if node.dz_mm * offset_mm >= 0:
        return ""
    sum_mm = node.dz_mm + offset_mm
    if abs(sum_mm) < _LEAST_TOLD_MM:
        return "none"
    return f"{'lower' if sum_mm < 0 else 'raise'} {abs(sum_mm):.2f}"


def both_together(advice: Advice | None) -> str:
    """Say what the sums of adjustment and common offset are; empty where none is told."""
    if advice is None or not any(in_all(node, advice) for node in advice.nodes):
        return ""
    offset_mm = advice.offset_to_set_mm
    verb = "lowers" if offset_mm < 0 else "raises"
    return (
        f"The common offset {verb} the nozzle by {abs(offset_mm):.2f} mm everywhere, some "
        "adjustments go the other way: 'in all' is what both come to at that point."
    )


def waiting(advice: Advice | None) -> str:
    """Say why no single point is adjusted now, in one sentence; empty where points are.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> node = SimpleNamespace(waits=True, note="held back: the screws come first")
    >>> waiting(SimpleNamespace(nodes=[node]))
    'Adjustments of single points wait: the screws come first.'
    """
    node = next((node for node in advice.nodes if node.waits), None) if advice else None
    if node is None:
        return ""
    why = node.note.partition("held back: ")[2] or "other work comes first"
    return f"Adjustments of single points wait: {why}."


def interval_half_mm(pad: PadScore) -> float | None:
    """Return half the width of the pad's 95 % interval, or None where it is open or missing."""
    if pad.interval_mm is None:
        return None
    low, high = pad.interval_mm
    return None if low is None or high is None else (high - low) / 2


def squish_words(pad: PadScore) -> str:
    """Say the verdict of a pad, and what it means.

    Examples
    --------
    >>> squish_words(PadScore(i=0, j=0, x_mm=0, y_mm=0, verdict="too little"))
    'too far: the nozzle is too far from the bed'
    """
    meaning = MEANINGS.get(pad.verdict)
    return verdict_label(pad) + (f": {meaning}" if meaning else "")


def verdict_label(pad: PadScore) -> str:
    """Return the verdict of a pad in two or three words.

    Examples
    --------
    >>> verdict_label(PadScore(i=0, j=0, x_mm=0, y_mm=0, verdict="off scale high"))
    'off scale, far'
    """
    return LABELS[pad.verdict]


def coupon_words(pad: PadScore) -> str:
    """Say what the coupon of a pad shows; empty where nobody looked.

    Examples
    --------
    >>> from padsheet.scoring.squish import CouponWitness
    >>> seen = CouponWitness(seen="open", ladder="agrees")
    >>> coupon_words(PadScore(i=0, j=0, x_mm=0, y_mm=0, verdict="too little", coupon=seen))
    'coupon: open, as the ladder says'
    """
    if pad.coupon is None:
        return ""
    if pad.coupon.seen == "not clear":
        return "coupon: not clear in the photo"
    told = {"agrees": ", as the ladder says", "disagrees": ", against what the ladder says"}
    return "coupon: open" + told.get(pad.coupon.ladder or "", "")


def error_sentence(pad: PadScore, target_gap_mm: float) -> str:
    """Say how far the gap is off, with the direction in words.

    Examples
    --------
    >>> pad = PadScore(i=0, j=0, x_mm=0, y_mm=0, verdict="too little", gap_mm=0.26,
    ...                interval_mm=(0.25, 0.27))
    >>> error_sentence(pad, 0.20)
    'gap 0.260 mm, 0.060 mm too far (95 % interval 0.250 to 0.270)'
    """
    low, high = pad.interval_mm or (None, None)
    if pad.gap_mm is None:
        if low is not None:
            return f"gap above {low:.3f} mm"
        return f"gap below {high:.3f} mm" if high is not None else "no gap"
    error_mm = pad.gap_mm - target_gap_mm
    side = "too far" if error_mm > 0 else "too near"
    text = f"gap {pad.gap_mm:.3f} mm, {abs(error_mm):.3f} mm {side}"
    if low is not None and high is not None:
        text += f" (95 % interval {low:.3f} to {high:.3f})"
    return text


def headline(pad: PadScore, score: SheetScore) -> str:
    """Return the signed gap error in millimetres, or a sign for what was read instead.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> pad = PadScore(i=0, j=0, x_mm=0, y_mm=0, verdict="off scale high", interval_mm=(0.29, None))
    >>> headline(pad, SimpleNamespace(target_gap_mm=0.20))
    '> +0.09'
    """
    if pad.gap_mm is not None:
        return signed(pad.gap_mm - score.target_gap_mm)
    low, high = pad.interval_mm or (None, None)
    if pad.verdict == "off scale high":
        return "+++" if low is None else f"> {signed(low - score.target_gap_mm)}"
    if pad.verdict == "off scale low":
        return "---" if high is None else f"< {signed(high - score.target_gap_mm)}"
    return "?"


def summary(score: SheetScore, advice: Advice | None) -> str:
    """Put the verdict of a whole sheet into one sentence.

    Parameters
    ----------
    score : SheetScore
        The scores.
    advice : Advice or None
        What to change; without it the sentence counts verdicts only.

    Returns
    -------
    str
        One sentence with a final full stop.
    """
    score = judged(score, advice)
    total = points(len(score.pads))
    unread = sum(pad.verdict == "unread" for pad in score.pads)
    parts = _edit_parts(advice, total) if advice is not None else []
    if not parts and advice is not None and _off_together(score, advice):
        parts = _shape_parts(score, advice, total)
    if not parts:
        parts = _verdict_parts(score, total)
    if not parts and advice is not None and _only_offset_open(score):
        parts = _shape_parts(score, advice, total)
    if not parts:
        parts = [_nothing_found(score, advice, total)]
    if unread and unread < len(score.pads):
        parts.append(f"{unread} could not be read")
    tail = _next_words(advice)
    return "; ".join(parts) + (f"; {tail}" if tail else "") + "."


def _worst_node(nodes: Iterable[NodeAdvice]) -> str:
    worst = max(nodes, key=lambda node: abs(node.dz_mm))
    return f"the worst by {abs(worst.dz_mm):.2f} mm at {place(worst.i, worst.j)}"


def _edit_parts(advice: Advice, total: str) -> list[str]:
    every = [node for node in advice.nodes if node.changed and node.dz_mm]
    changed = [node for node in every if not is_fine_tuning(node)]
    down = [node for node in changed if node.dz_mm < 0]
    up = [node for node in changed if node.dz_mm > 0]
    parts: list[str] = []
    for nodes, word in ((down, "lowering"), (up, "raising")):
        if nodes:
            of = f" of {total}" if not parts else ""
            verb = "needs" if len(nodes) == 1 else "need"
            worst = _worst_node(nodes)
            if len(nodes) == 1:
                worst = worst.removeprefix("the worst ")
            parts.append(f"{len(nodes)}{of} {verb} {word}, {worst}")
    if fine := len(every) - len(changed):
        of, more = ("", " more") if parts else (f" of {total}", "")
        parts.append(f"{fine}{of}{more} {'is' if fine == 1 else 'are'} fine-tuned within tolerance")
    if parts and (later := sum(map(is_put_off, advice.nodes))):
        verb = "has" if later == 1 else "have"
        parts.append(f"{later} {verb} to wait for a later round, to keep the nozzle clear")
    return parts


def _verdict_parts(score: SheetScore, total: str) -> list[str]:
    sides = (
        (("too little", "off scale high"), "too far from the bed"),
        (("too much", "off scale low"), "too near the bed"),
    )
    parts: list[str] = []
    for verdicts, words in sides:
        pads = [pad for pad in score.pads if pad.verdict in verdicts and _proven(pad, score)]
        if not pads:
            continue
        of = f" of {total}" if not parts else ""
        text = f"{len(pads)}{of} {'is' if len(pads) == 1 else 'are'} {words}"
        errors = {pad: abs(pad.gap_mm - score.target_gap_mm) for pad in pads if pad.gap_mm}
        beyond = [pad for pad in pads if pad.gap_mm is None]
        if beyond:
            text += f", beyond the sheet's reach at {place(beyond[0].i, beyond[0].j)}"
        elif errors:
            worst = max(errors, key=lambda pad: errors[pad])
            lead = "by" if len(pads) == 1 else "the worst by"
            text += f", {lead} {errors[worst]:.2f} mm at {place(worst.i, worst.j)}"
        parts.append(text)
    bounds = [pad for pad in score.pads if pad.verdict in OFF and not _proven(pad, score)]
    if bounds:
        of = f" of {total}" if not parts else ""
        at = place(bounds[0].i, bounds[0].j)
        first = f"at {at}" if len(bounds) == 1 else f"the first at {at}"
        verb = "is" if len(bounds) == 1 else "are"
        parts.append(f"{len(bounds)}{of} {verb} off the scale of this sheet, {first}")
    return parts


def _proven(pad: PadScore, score: SheetScore) -> bool:
    """Tell whether a pad that is off is so for sure: a bound within tolerance proves nothing."""
    if pad.gap_mm is not None or pad.interval_mm is None:
        return True
    low, high = pad.interval_mm
    over = low is not None and low > score.target_gap_mm + score.tolerance_mm
    return over or (high is not None and high < score.target_gap_mm - score.tolerance_mm)


def _off_together(score: SheetScore, advice: Advice) -> bool:
    """Tell whether all points that are off are so by what all points share, and by that alone."""
    level = {(node.i, node.j) for node in advice.nodes if node.in_shape}
    off = [pad for pad in score.pads if pad.verdict in OFF]
    return bool(off) and all((pad.i, pad.j) in level for pad in off)


def _only_offset_open(score: SheetScore) -> bool:
    return any(pad.verdict == "shape on target" for pad in score.pads)


def _shape_parts(score: SheetScore, advice: Advice, total: str) -> list[str]:
    """Tell the shape, which is known, from the common offset, which is not."""
    level = {(node.i, node.j) for node in advice.nodes if node.in_shape}
    shape = sum(
        pad.verdict in ("shape on target", "on target")
        or (pad.verdict in OFF and (pad.i, pad.j) in level)
        for pad in score.pads
    )
    once = "" if advice.warp_done or shape < len(score.pads) else ", not yet at all at once"
    parts = [f"The shape of the bed is within tolerance at {shape} of {total}{once}"]
    if uncertain := sum(pad.verdict == "uncertain" for pad in score.pads):
        parts.append(f"{uncertain} cannot be told yet")
    state = "off" if advice.set_offset else "not sure"
    return [
        *parts,
        f"the common offset, one number for the whole bed, is {state}: the nozzle is "
        f"{offset_words(advice)}",
    ]


def _nothing_found(score: SheetScore, advice: Advice | None, total: str) -> str:
    good = sum(pad.verdict == "on target" for pad in score.pads)
    if good == len(score.pads):
        alone = advice is not None and not advice.done and advice.offset_done
        return f"All {total} are on target" + (" one by one, not yet all at once" if alone else "")
    if all(pad.verdict == "unread" for pad in score.pads):
        return f"None of the {total} could be read"
    text = f"{good} of {total} {'is' if good == 1 else 'are'} on target"
    uncertain = sum(pad.verdict == "uncertain" for pad in score.pads)
    return f"{text}; {uncertain} cannot be told yet" if uncertain else text


def _next_words(advice: Advice | None) -> str:
    if advice is None:
        return ""
    if advice.done:
        sheets = f" (judged by {advice.sheets} sheets together)" if advice.sheets > 1 else ""
        return f"the bed is done{sheets}"
    everywhere = (
        f"{'lower' if advice.offset_mm < 0 else 'raise'} the nozzle everywhere by "
        f"{abs(advice.offset_mm):.2f} mm"
    )
    return {
        "screws": "turn the bed screws first",
        "offset": everywhere,
        "mesh": everywhere if advice.set_offset else "",
        "withheld": "no edits are given until the check below is settled",
    }.get(advice.work, "")
