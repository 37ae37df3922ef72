"""Names of a package that are imported from its modules only when they are first asked for."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Mapping

__all__ = ["lazy_names"]


def lazy_names(
    package: str, names: Mapping[str, str]
) -> tuple[Callable[[str], object], Callable[[], list[str]]]:
    """Make ``__getattr__`` and ``__dir__`` of a package (PEP 562).

    Parameters
    ----------
    package : str
        Its name.
    names : mapping
        Module to the names that it holds, with blanks between them.

    Examples
    --------
    >>> get, _ = lazy_names("padsheet.patterns", {"errors": "PadsheetError"})
    >>> get("PadsheetError")
    <class 'padsheet.patterns.errors.PadsheetError'>
    """
    module_of = {name: module for module, held in names.items() for name in held.split()}

    def get(name: str) -> object:
        if name not in module_of:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(importlib.import_module(f"{package}.{module_of[name]}"), name)

    def listed() -> list[str]:
        return sorted({*vars(sys.modules[package]), *module_of})

    return get, listed
