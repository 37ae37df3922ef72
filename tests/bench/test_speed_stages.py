"""The functions that the benchmark of speed puts a clock around."""

from __future__ import annotations

import importlib

import pytest
from speed_stages import STAGES


@pytest.mark.parametrize(("module", "name"), [stage[1:] for stage in STAGES])
def test_what_is_clocked_is_there(module: str, name: str) -> None:
    assert callable(getattr(importlib.import_module(module), name))
