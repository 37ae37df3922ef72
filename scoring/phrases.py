"""Numbers as a person says them: signs, grid points, counts."""

from __future__ import annotations

from collections.abc import Sequence

from padsheet.patterns.ladder import FINE_MM, FIRST_MM, LARGEST_MM
from padsheet.scoring.squish import Z95

__all__ = [
    "PLUS_MINUS",
    "REACHES_MM",
    "is_reach",
    "listed",
    "place",
    "points",
    "reach_mm",
    "reach_word",
    "rounds_words",
    "signed",
    "typographic",
    "within_95",
]

#: The reaches of a sheet that have a name.
REACHES_MM = {"fine": FINE_MM, "first": FIRST_MM}

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


def reach_word(reach: float) -> str:
    """Return a reach in millimetres as the option of `padsheet sheet` takes it.

    Examples
    --------
    >>> reach_word(0.15), reach_word(0.17)
    ('first', '0.17')
    """
    return next((name for name, mm in REACHES_MM.items() if abs(mm - reach) < 1e-6), f"{reach:.2f}")


def reach_mm(word: str) -> float:
    """Return the millimetres of a reach as the option takes it.

    Examples
    --------
    >>> reach_mm("fine"), reach_mm("0.17")
    (0.08, 0.17)
    """
    return REACHES_MM[word] if word in REACHES_MM else float(word)


def is_reach(word: str) -> bool:
    """Tell whether a word is a reach that a sheet can be asked for.

    Examples
    --------
    >>> [is_reach(word) for word in ("first", "0.17", "0.3", "far", "nan")]
    [True, True, False, False, False]
    """
    try:
        return 0 < reach_mm(word) <= LARGEST_MM
    except ValueError:
        return False


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


def rounds_words(numbers: Sequence[int]) -> str:
    """Name rounds by their numbers.

    Examples
    --------
    >>> rounds_words([2]), rounds_words([1, 2, 3])
    ('round 2', 'rounds 1, 2 and 3')
    """
    return f"{'round' if len(numbers) == 1 else 'rounds'} {listed([str(n) for n in numbers])}"


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
