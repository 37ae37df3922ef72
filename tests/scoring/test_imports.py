"""Imports go one way, cli -> scoring -> patterns, and only cli knows click."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
BELOW = {"patterns": {"patterns"}, "scoring": {"scoring", "patterns"}, "cli": None}
FILES = sorted(
    path
    for package in BELOW
    for path in (ROOT / package).rglob("*.py")
    if "build" not in path.parts
)


def imported(tree: ast.AST) -> Iterator[str]:
    """Yield the full name of every imported module, from inside functions too."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            yield node.module or ""
            # `from padsheet import scoring` names the package only here.
            if node.module == "padsheet":
                yield from (f"padsheet.{alias.name}" for alias in node.names)
        elif (
            isinstance(node, ast.Call)
            and ast.unparse(node.func) in ("importlib.import_module", "__import__", "import_module")
            and node.args
            and isinstance(node.args[0], ast.Constant)
        ):
            yield str(node.args[0].value)


@pytest.mark.parametrize("path", FILES, ids=lambda p: f"{p.parent.name}/{p.name}")
def test_imports_point_downwards(path: Path) -> None:
    package = path.relative_to(ROOT).parts[0]
    for name in imported(ast.parse(path.read_text(encoding="utf-8"))):
        parts = name.split(".")
        if package != "cli":
            assert parts[0] != "click", "only cli knows click"
        assert parts[0] not in BELOW, f"{name}: import padsheet.{name}"
        below = BELOW[package]
        if parts[0] == "padsheet" and len(parts) > 1 and below is not None:
            assert parts[1] in below, name


def test_the_three_packages_were_looked_at() -> None:
    looked = {path.relative_to(ROOT).parts[0] for path in FILES}
    assert looked == set(BELOW)
    assert len(FILES) > 50


@pytest.mark.parametrize(
    ("line", "names"),
    [
        ("import click as c", ["click"]),
        ("def f():\n    from padsheet.cli.main import main", ["padsheet.cli.main"]),
        ("from padsheet import cli", ["padsheet", "padsheet.cli"]),
        ("import importlib\nimportlib.import_module('click')", ["importlib", "click"]),
    ],
)
def test_the_check_itself_sees_every_form(line: str, names: list[str]) -> None:
    assert list(imported(ast.parse(line))) == names
