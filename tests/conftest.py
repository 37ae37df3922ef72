"""Fixtures shared by all tests."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

VIRTUAL = Path(__file__).parent / "virtual"


@pytest.fixture(scope="session")
def virtual() -> ModuleType:
    """Return the virtual printer and phone (tests/virtual), loaded once as `virtual_printer`."""
    name = "virtual_printer"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(
            name, VIRTUAL / "__init__.py", submodule_search_locations=[str(VIRTUAL)]
        )
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]
