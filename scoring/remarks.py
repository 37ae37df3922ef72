"""Remarks on single points, each with the few words that stand for it in a row of a table."""

from __future__ import annotations

__all__ = [
    "ALREADY_RIGHT",
    "BOUND_HIGH",
    "BOUND_LOW",
    "COUPON_OPEN",
    "HELD_BACK",
    "INFERRED",
    "KEPT_CLEAR",
    "NEVER_LOWERED",
    "NOT_YET",
    "ODD_END",
    "WITHIN_NOISE",
    "limited_to",
    "short_remark",
]

ALREADY_RIGHT = "already right to the printer's smallest edit"
WITHIN_NOISE = "within the noise of the measurement"
KEPT_CLEAR = "lowered less, to keep the nozzle clear of the bed"
NOT_YET = "not lowered yet, to keep the nozzle clear of the bed"
BOUND_HIGH = "farther than the sheet can read: lowered only by what is proven"
BOUND_LOW = "nearer than the sheet can read: raised by the likeliest, at least by what is proven"
INFERRED = "not read: inferred from its neighbours"
NEVER_LOWERED = "not read: never lowered by inference"
#: Widths that change steadily along a line are not seen by that: a bed that slopes does the same.
ODD_END = "a line has a lump or a thin stretch at one end"
COUPON_OPEN = "the coupon looks open, as if the nozzle were farther from the bed here"
#: Why no node is edited in this round, by the kind of work.
HELD_BACK = {
    "screws": "held back: the screws come first",
    "offset": "held back: the common offset comes first",
    "withheld": "held back: see the first step",
}

_IN_ONE_ROUND = " in one round"
_SHORT = {
    ALREADY_RIGHT: "already right",
    WITHIN_NOISE: "within the noise",
    KEPT_CLEAR: "kept clear of bed",
    NOT_YET: "kept clear of bed",
    BOUND_HIGH: "only as proven",
    BOUND_LOW: "only as proven",
    INFERRED: "by its neighbours",
    NEVER_LOWERED: "no gap to go by",
    ODD_END: "lump or thin end",
    COUPON_OPEN: "coupon looks open",
}


def limited_to(largest_mm: float) -> str:
    """Return the remark on an edit that the profile's largest one cut short."""
    return f"limited to {largest_mm:.2f} mm{_IN_ONE_ROUND}"


def short_remark(remark: str, room: int) -> str:
    """Return what stands for a remark where there is room for so many characters.

    Whole words only; two points show that more was said.

    Examples
    --------
    >>> short_remark(ALREADY_RIGHT, 19)
    'already right'
    >>> short_remark(limited_to(0.2), 19)
    'limited to 0.20 mm'
    >>> short_remark("words that nobody has shortened", 19)
    'words that nobody..'
    """
    if len(remark) <= room:
        return remark
    short = _SHORT.get(remark, remark.removesuffix(_IN_ONE_ROUND))
    if len(short) <= room:
        return short
    # One character more, so that a word that ends just there is kept.
    return short[: room - 1].rpartition(" ")[0] + ".."
