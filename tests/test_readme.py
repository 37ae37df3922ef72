"""The README tells the truth about commands and checks."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from click import Context

from padsheet.cli.main import COMMANDS, main

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_documented_and_has_help(name: str) -> None:
    assert f"padsheet {name}" in README
    command = main.get_command(Context(main), name)
    assert command is not None
    assert command.help is not None
    first = command.help.split("\n\n")[0].strip()
    assert first[0].isupper()
    assert "Example" in command.help


def test_readme_opens_with_one_paragraph_on_the_job() -> None:
    blocks = README.split("\n\n")
    assert blocks[0] == "# padsheet"
    assert blocks[1].startswith("padsheet is a ruler for the nozzle gap")


def test_ci_calls_the_test_command_of_the_readme() -> None:
    assert "python -m pytest" in README
    assert "\npython -m pytest\n" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_developers_gives_a_reason_for_every_dependency() -> None:
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for requirement in project["dependencies"]:
        assert requirement.split(">=")[0] in developers
