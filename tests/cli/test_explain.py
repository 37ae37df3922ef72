"""`padsheet explain` from outside."""

from __future__ import annotations

import json

from click.testing import CliRunner

from padsheet.cli.main import main
from padsheet.patterns.error_codes import CODES


def test_a_code_is_explained() -> None:
    result = CliRunner().invoke(main, ["explain", "[folder-busy]"])
    assert result.exit_code == 0
    assert result.stdout == f"folder-busy: {CODES['folder-busy'].paragraph}\n"


def test_all_codes_are_listed() -> None:
    data = json.loads(CliRunner().invoke(main, ["explain", "--json"]).stdout)
    assert data["codes"].keys() == CODES.keys()


def test_an_unknown_code_is_one_sentence() -> None:
    result = CliRunner().invoke(main, ["explain", "foto-empty"])
    assert result.exit_code == 1
    assert "Did you mean photo-empty" in result.stderr
    assert "[code-unknown]" in result.stderr
