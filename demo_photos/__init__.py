"""Rendered example photos with their sheets and truth; see the README in this folder."""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable

__all__ = ["SCENARIOS", "mesh_file", "scenario"]

SCENARIOS = ("ordinary", "dark", "upside-down", "second-round")
"""Names of the example photos."""


def scenario(name: str) -> Traversable:
    """Return the folder of an example: bed.toml, sheet.gcode, sheet.json, photo.jpg, truth.json."""
    if name not in SCENARIOS:
        raise ValueError(f"no example {name!r}")
    return files("padsheet.demo_photos") / name


def mesh_file(name: str) -> Traversable:
    """Return the mesh of that name, a CSV file."""
    return files("padsheet.demo_photos") / "meshes" / f"{name}.csv"
