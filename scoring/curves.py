"""The ladder curve of one pad: measured widths against heights, for the report."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["LadderCurve"]


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
