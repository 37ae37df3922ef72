"""Compiled templates are kept, taken again, and made anew where the text has changed."""

from __future__ import annotations

import sys
from pathlib import Path

import jinja2
import pytest

from padsheet.scoring.compiled_templates import CompiledTemplates


def rendered(folder: Path) -> str:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder), bytecode_cache=CompiledTemplates(folder)
    )
    return environment.get_template("page.txt").render(name="sheet")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    monkeypatch.setattr(sys, "pycache_prefix", None)
    (tmp_path / "page.txt").write_text("a {{ name }}")
    return tmp_path


def test_kept_and_taken_again(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert rendered(folder) == "a sheet"
    (kept,) = (folder / "__pycache__").iterdir()
    before = kept.read_bytes()

    def never(*_: object, **__: object) -> str:
        raise AssertionError("compiled again")

    monkeypatch.setattr(jinja2.Environment, "compile", never)
    assert rendered(folder) == "a sheet"
    assert kept.read_bytes() == before


def test_another_text_is_compiled_anew(folder: Path) -> None:
    rendered(folder)
    (folder / "page.txt").write_text("another {{ name }}")
    assert rendered(folder) == "another sheet"


@pytest.mark.parametrize("junk", [b"", b"junk", b"j2" * 40])
def test_a_damaged_file_is_made_anew(folder: Path, junk: bytes) -> None:
    rendered(folder)
    (kept,) = (folder / "__pycache__").iterdir()
    kept.write_bytes(junk)
    assert rendered(folder) == "a sheet"
    assert kept.read_bytes() != junk


def test_nothing_is_written_where_python_must_not(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert rendered(folder) == "a sheet"
    assert not (folder / "__pycache__").exists()


def test_a_folder_that_cannot_be_written(folder: Path) -> None:
    (folder / "__pycache__").write_text("in the way")
    assert rendered(folder) == "a sheet"
