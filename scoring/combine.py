"""Several photos of one print, whole ones and close-ups of parts, put together.

The photos share the print, and with it most of what is uncertain. Part of what all gaps of a photo
have in common is its own, though (light, lens, sharpening), so two close-ups of different corners
may stand a little against each other: the pads that both show tell by how much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.sheet import Sheet
from padsheet.scoring.squish import CouponWitness, PadScore, SheetScore, read_pad

__all__ = ["combine_scores"]

Floats = NDArray[np.float64]

# Which part of a photo's common variance is its own and not the print's: flow and shape of the
# lines are the print's, edges and tone the photo's. In between, since nobody can tell.
_OWN_PART = 0.5
_LEAST_VARIANCE_MM2 = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stack:
    """N photos over P pads: gaps and weights (N, P), zero where a photo lacks a pad.

    `parts` and `rows` hold each photo's covariance less its common part, and which pads it has.
    """

    gap: Floats
    weight: Floats
    parts: tuple[Floats, ...]
    rows: tuple[list[int], ...]
    common_mm2: Floats


def combine_scores(scores: Sequence[SheetScore], sheet: Sheet) -> SheetScore:
    """Combine the scores of several photos of one print.

    Covariances are averaged, not divided; what the photos disagree about is added. Photos that show
    different parts are aligned by the pads that they share.

    Parameters
    ----------
    scores : sequence of SheetScore
        At least one; of photos of the same sheet.
    sheet : Sheet
    """
    if len(scores) == 1:
        return scores[0]
    order = tuple(
        (pad.i, pad.j) for pad in sheet.pads if any((pad.i, pad.j) in s.order for s in scores)
    )
    stack = _stacked(scores, order)
    moved, unsure = _offsets(stack)
    share = stack.weight / stack.weight.sum(axis=0)
    gap = stack.gap - moved[:, None]
    mean = (share * gap).sum(axis=0)
    spread = (share * (gap - mean) ** 2).sum(axis=0)
    covariance = np.zeros((len(order), len(order)))
    for part, rows, own in zip(stack.parts, stack.rows, share, strict=True):
        root = np.sqrt(own[rows])
        covariance[np.ix_(rows, rows)] += root[:, None] * root * part
    covariance += share.T @ unsure @ share
    covariance += float(stack.common_mm2.mean()) * (1 - _OWN_PART / len(scores))
    photos_of = (stack.weight > 0).sum(axis=0)
    covariance[np.diag_indices_from(covariance)] += spread / np.maximum(photos_of, 1)
    return _combined(scores, sheet, order, mean, covariance)


def _stacked(scores: Sequence[SheetScore], order: Sequence[tuple[int, int]]) -> _Stack:
    where = {node: k for k, node in enumerate(order)}
    shape = (len(scores), len(order))
    gap, weight = np.zeros(shape), np.zeros(shape)
    parts, indices, common = [], [], []
    for n, score in enumerate(scores):
        rows = [where[node] for node in score.order]
        shared = _shared_variance(score.covariance_mm2)
        part = score.covariance_mm2 - shared
        own = np.maximum(np.diag(part), _LEAST_VARIANCE_MM2)
        gaps = {(pad.i, pad.j): pad.gap_mm for pad in score.pads}
        gap[n, rows] = [gaps[node] or 0.0 for node in score.order]
        weight[n, rows] = 1.0 / own
        parts.append(part)
        indices.append(rows)
        common.append(shared)
    return _Stack(
        gap=gap,
        weight=weight,
        parts=tuple(parts),
        rows=tuple(indices),
        common_mm2=np.array(common),
    )


def _shared_variance(covariance: Floats) -> float:
    """Return the largest variance that all pads may share: what is left is still a covariance.

    ``C - v 1 1^T`` has no negative eigenvalue as long as ``v <= 1 / (1^T C^-1 1)``.
    """
    ones = np.ones(len(covariance))
    within = float(ones @ np.linalg.solve(covariance + 1e-12 * np.eye(len(ones)), ones))
    return 0.999 / within if within > 0 else 0.0


def _offsets(stack: _Stack) -> tuple[Floats, Floats]:
    """Return by how much each photo stands above the print, (N,), and their covariance (N, N).

    Least squares over the pads that several photos show, each offset drawn to zero by what may be
    a photo's own. Photos that disagree by more than that widen it.
    """
    total = stack.weight.sum(axis=0)
    tie = np.diag(stack.weight.sum(axis=1)) - (stack.weight / total) @ stack.weight.T
    pull = (stack.weight * (stack.gap - (stack.weight * stack.gap).sum(axis=0) / total)).sum(axis=1)
    own = np.maximum(_OWN_PART * stack.common_mm2, _LEAST_VARIANCE_MM2)
    count = len(own)
    moved = np.zeros(count)
    inverse = np.diag(own)
    for _ in range(3):
        inverse = np.linalg.inv(tie + np.diag(1.0 / own))
        moved = inverse @ pull
        own = np.maximum(own, float((moved**2).sum()) / (count - 1))
    return moved, inverse


def _combined(
    scores: Sequence[SheetScore],
    sheet: Sheet,
    order: tuple[tuple[int, int], ...],
    mean: Floats,
    covariance: Floats,
) -> SheetScore:
    where = {node: k for k, node in enumerate(order)}
    pads = []
    for n, pad in enumerate(sheet.pads):
        row = where.get((pad.i, pad.j))
        own = [score.pads[n] for score in scores]
        pads.append(
            _best_refusal(own)
            if row is None
            else replace(
                read_pad(sheet, pad, float(mean[row]), covariance, row),
                notes=tuple(dict.fromkeys(note for p in own for note in p.notes)),
                coupon=_coupon(own),
            )
        )
    return replace(
        scores[0],
        pads=tuple(pads),
        order=order,
        covariance_mm2=covariance,
        common_sigma_mm=float(np.sqrt(max(covariance.mean(), 0.0))),
        flow=float(np.mean([s.flow for s in scores])),
        flow_sigma=float(np.max([s.flow_sigma for s in scores])),
        registration_rms_mm=float(np.max([s.registration_rms_mm for s in scores])),
        lines_used=sum(s.lines_used for s in scores),
        photos=tuple(name for s in scores for name in s.photos),
        warnings=tuple(dict.fromkeys(w for s in scores for w in s.warnings)),
    )


def _coupon(pads: Sequence[PadScore]) -> CouponWitness | None:
    """Return what the photos together say of a coupon: one that saw it open is enough."""
    said = [pad.coupon for pad in pads if pad.coupon is not None]
    return next((one for one in said if one.seen == "open"), said[0] if said else None)


def _best_refusal(pads: Sequence[PadScore]) -> PadScore:
    """Return what says most of a pad that no photo reads: off scale, else a photo that shows it."""
    off_scale = [pad for pad in pads if pad.verdict.startswith("off scale")]
    shown = [pad for pad in pads if pad.reason is None or pad.reason.code != "pad-outside"]
    return (off_scale or shown or list(pads))[0]
