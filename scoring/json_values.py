"""Reading the files of a bed folder: their format, and values that are what they should be.

Functions of single values raise TypeError or ValueError; `parts_of` puts that into words.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar, cast

from padsheet.patterns.errors import PadsheetError

__all__ = [
    "FORMAT",
    "flag",
    "many",
    "number",
    "number_or_null",
    "parts_of",
    "read_json",
    "spoilt",
    "text_in",
    "whole",
]

#: Newest format that is written and read.
FORMAT = 1

Item = TypeVar("Item")


def read_json(text: str, name: str, *, code: str) -> dict[str, Any]:
    """Read a file of the bed folder as JSON and check its format.

    Raises
    ------
    PadsheetError
        If it is not JSON, holds NaN or infinity, or is of a newer format.
    """
    try:
        data = json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise spoilt(name, "it is not JSON", code) from error
    told = data.get("format") if isinstance(data, dict) else None
    if not isinstance(told, int) or isinstance(told, bool):
        raise spoilt(name, "it does not say its format", code)
    if told > FORMAT:
        raise PadsheetError(
            f"this {name} is of format {told}, newer than this program reads",
            remedy="Update padsheet.",
            code="file-newer",
        )
    return cast(dict[str, Any], data)


@contextmanager
def parts_of(name: str, code: str) -> Iterator[None]:
    """Read the parts of a file.

    Raises
    ------
    PadsheetError
        In place of what they raise if one is missing or has the wrong form.
    """
    try:
        yield
    except KeyError as error:
        raise spoilt(name, f"{error.args[0]} is missing", code) from error
    except (TypeError, ValueError, AttributeError, IndexError, OverflowError) as error:
        raise spoilt(name, "a part of it has the wrong form", code) from error


def spoilt(name: str, detail: str, code: str) -> PadsheetError:
    """Return the error for a file that cannot be used."""
    return PadsheetError(
        f"{name} cannot be read: {detail}",
        remedy="It was not written by padsheet or was changed by hand; make it again.",
        code=code,
    )


def _no_constant(name: str) -> float:
    """Refuse NaN and infinity, which JSON does not have."""
    raise ValueError(name)


def number(value: Any) -> float:
    """Read a number; a boolean or text is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError("not a number")
    told = float(value)
    # 1e999 is a number in JSON, and infinite here.
    if not math.isfinite(told):
        raise ValueError("not finite")
    return told


def number_or_null(value: Any) -> float | None:
    """Read a number or null."""
    return None if value is None else number(value)


def whole(value: Any) -> int:
    """Read a whole number."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise TypeError("not a whole number")
    return value


def text_in(value: Any) -> str:
    """Read a text."""
    if not isinstance(value, str):
        raise TypeError("not a text")
    return value


def flag(value: Any) -> bool:
    """Read true or false."""
    if not isinstance(value, bool):
        raise TypeError("not true or false")
    return value


def many(values: Any, read: Callable[[Any], Item]) -> tuple[Item, ...]:
    """Read a list."""
    if not isinstance(values, list):
        raise TypeError("not a list")
    return tuple(read(value) for value in values)
