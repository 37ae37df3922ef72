"""Numbers as a person says them: signs, grid points, counts."""

from __future__ import annotations

from collections.abc import Sequence

from padsheet.scoring.squish import Z95

__all__ = ["PLUS_MINUS", "listed", "place", "points", "signed", "typographic", "within_95"]

MINUS, PLUS_MINUS = "\N{MINUS SIGN}", "\N{PLUS-MINUS SIGN}"


def listed(words: Sequence[str]) -> str:
    """Join words as a person lists them.

    Examples
    --------
    >>> listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c"])
    ('a', 'a and b', 'a, b and c')
    """
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def place(i: int, j: int) -> str:
    """Name a grid point as a person counts it, from 1.

    Examples
    --------
    >>> place(2, 1)
    'column 3, row 2'
    """
    return f"column {i + 1}, row {j + 1}"


def within_95(sigma_mm: float, decimals: int) -> str:
    """Say how well a length is known, as everywhere: half the 95 % interval.

    Examples
    --------
    >>> within_95(0.005, 3)
    '+-0.010 mm (95 %)'
    """
    return f"+-{Z95 * sigma_mm:.{decimals}f} mm (95 %)"


def points(count: int) -> str:
    """Count grid points.

    Examples
    --------
    >>> points(1), points(3)
    ('1 point', '3 points')
    """
    return f"{count} point" if count == 1 else f"{count} points"


def signed(value: float, digits: int = 2) -> str:
    """Write a number with its sign; a rounded zero has none.

    Examples
    --------
    >>> signed(0.0612), signed(-0.004), signed(-0.04)
    ('+0.06', '0.00', '-0.04')
    """
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0 else text


def typographic(text: str) -> str:
    """Put a true minus sign before numbers.

    Examples
    --------
    >>> ord(typographic("-0.04")[0])
    8722
    """
    return text.replace("-", MINUS)
