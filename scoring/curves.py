"""The ladder curves of pads: measured widths against heights, for the report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from padsheet.patterns.sheet import Sheet
from padsheet.patterns.widths import CHOKED_BELOW_MM, tells_something
from padsheet.scoring.gaps import GapFit, comb_of
from padsheet.scoring.lines import PadWidths

__all__ = ["LadderCurve", "ladder_curves"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LadderCurve:
    """Widths of the tracks of one pad and what the fit makes of them; one entry for each track.

    Attributes
    ----------
    i, j : int
        Node of the pad.
    height_mm : tuple of float
        Commanded nozzle heights.
    area_mm2 : tuple of float
        Commanded cross-sections.
    width_mm : tuple of (float or None)
        Measured widths; None where a track could not be measured.
    sigma_mm : tuple of float
        Standard deviations of the widths.
    fitted_mm : tuple of (float or None)
        Widths that the fit predicts.
    state : tuple of str
        ``"used"``, or why the track was left out of the fit, such as ``"choked"`` or ``"round"``.

    Raises
    ------
    ValueError
        If the tuples differ in length.
    """

    i: int
    j: int
    height_mm: tuple[float, ...]
    area_mm2: tuple[float, ...]
    width_mm: tuple[float | None, ...]
    sigma_mm: tuple[float, ...]
    fitted_mm: tuple[float | None, ...]
    state: tuple[str, ...]

    def __post_init__(self) -> None:
        sizes = {
            len(values)
            for values in (
                self.height_mm,
                self.area_mm2,
                self.width_mm,
                self.sigma_mm,
                self.fitted_mm,
                self.state,
            )
        }
        if len(sizes) != 1:
            raise ValueError(f"the curve's tuples differ in length: {sorted(sizes)}")


def ladder_curves(
    sheet: Sheet, fit: GapFit, fitted: Sequence[int], widths: Sequence[PadWidths]
) -> tuple[LadderCurve, ...]:
    """Return the curve of each pad, and why tracks are not in the fit.

    Parameters
    ----------
    sheet : Sheet
    fit : GapFit
    fitted : sequence of int
        Which of the sheet's pads took part in the fit, in its order.
    widths : sequence of PadWidths
        One for each pad of the sheet.
    """
    told = tells_something(comb_of(sheet), fit.track_gap_mm, fit.fitted_mm)
    rows = {k: row for row, k in enumerate(fitted)}
    curves = []
    for k, (pad, seen) in enumerate(zip(sheet.pads, widths, strict=True)):
        read = np.isfinite(seen.width_mm).tolist()
        row = rows.get(k)
        states, fits = ["not fitted"] * len(read), [None] * len(read)
        if row is not None:
            choked = fit.track_gap_mm[row] <= CHOKED_BELOW_MM
            beyond = np.where(choked, "choked", "wider than the nozzle's flat")
            states = np.where(told[row], "used", beyond).tolist()
            fits = fit.fitted_mm[row].tolist()
        curves.append(
            LadderCurve(
                i=pad.i,
                j=pad.j,
                height_mm=tuple(t.height_mm for t in sheet.tracks),
                area_mm2=tuple(t.area_mm2 for t in sheet.tracks),
                width_mm=tuple(
                    w if ok else None for w, ok in zip(seen.width_mm.tolist(), read, strict=True)
                ),
                sigma_mm=tuple(v if np.isfinite(v) else 0.0 for v in seen.sigma_mm.tolist()),
                fitted_mm=tuple(fits),
                state=tuple(
                    state if ok else "not made out" for state, ok in zip(states, read, strict=True)
                ),
            )
        )
    return tuple(curves)
