"""The catalogue of refusals has every code that the source can raise, and no other."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest

from padsheet.patterns.error_codes import CODES, GROUPS, codes_table, explain, nearest
from padsheet.patterns.gcode_words import REFUSED, why_refused
from padsheet.scoring.edit_proof import Kind

ROOT = Path(__file__).resolve().parents[2]
SOURCES = [
    path
    for folder in ("patterns", "scoring", "cli")
    for path in sorted((ROOT / folder).glob("*.py"))
    if path.name != "error_codes.py"
]
CODE = re.compile(r"[a-z][a-z0-9]*(?:-[a-z0-9]+)+")
# Functions that put a prefix before the code that they are given, and where that code stands.
PREFIXED = {
    ("envelope.py", "refusal"): ("envelope-", 0),
    ("envelope_moves.py", "refusal"): ("envelope-", 0),
    ("link.py", "_fault"): ("link-", 1),
}
# Functions whose code is no keyword.
POSITIONAL = {"spoilt": 2, "_reason": 0}


def words(node: ast.expr) -> Iterator[str]:
    """Yield the text constants that an expression may be."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.IfExp):
        yield from (*words(node.body), *words(node.orelse))


def raised_in(path: Path) -> Iterator[str]:
    """Yield the codes that a source file names."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
        name = getattr(call.func, "id", getattr(call.func, "attr", ""))
        for keyword in call.keywords:
            if keyword.arg == "code":
                yield from words(keyword.value)
        if (path.name, name) in PREFIXED:
            prefix, place = PREFIXED[path.name, name]
            yield from (prefix + word for word in words(call.args[place]))
        elif name in POSITIONAL and len(call.args) > POSITIONAL[name]:
            yield from words(call.args[POSITIONAL[name]])


def all_codes() -> set[str]:
    found = {code for path in SOURCES for code in raised_in(path)}
    # What is put together from parts elsewhere.
    found |= {f"proof-{kind}" for kind in get_args(Kind) if kind != "ok"}
    found |= {f"envelope-{mesh}clearance" for mesh in ("", "mesh-")}
    found |= {why_refused(word)[0] for word in [*REFUSED, "M84", "M7777"]}
    return found | {"file-access"}


def test_the_catalogue_is_that_of_the_source() -> None:
    assert all_codes() == set(CODES)


def test_every_code_in_brackets_or_compared_with_is_in_the_catalogue() -> None:
    for path in SOURCES:
        text = re.sub(r"# type: ignore.*", "", path.read_text(encoding="utf-8"))
        for code in re.findall(r"\[([a-z]+(?:-[a-z0-9]+)+)\]", text):
            assert code in CODES, (path.name, code)
        for code in re.findall(r'error\.code (?:==|!=) "([a-z0-9-]+)"', text):
            assert code in CODES, (path.name, code)


def test_the_scan_sees_the_kinds_of_call_that_there_are() -> None:
    assert {"envelope-fan", "link-lost", "pad-blur", "file-spoilt", "mesh-unconfirmed"} <= {
        code for path in SOURCES for code in raised_in(path)
    }


@pytest.mark.parametrize("code", CODES)
def test_each_code_has_a_paragraph(code: str) -> None:
    assert CODE.fullmatch(code)
    entry = CODES[code]
    for text in (entry.meaning, entry.remedy):
        assert len(text) > 3
        assert not text.endswith(".")
        assert "|" not in text
    assert sum(entry.paragraph.count(stop) for stop in ".?") >= 2
    assert explain(f"[{code}]") == explain(code.upper()) == entry.paragraph


def test_no_code_stands_twice() -> None:
    assert sum(len(entries) for entries in GROUPS.values()) == len(CODES)


def test_the_readme_has_the_catalogue_word_for_word() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    section = readme.partition("## Error codes")[2].partition("\n## ")[0]
    # Written by `python -m padsheet.patterns.error_codes`.
    assert codes_table() in section


def test_a_code_that_is_none_gets_its_neighbours() -> None:
    assert explain("photo-no-shet") is None
    assert nearest("photo-no-shet")[0] == "photo-no-sheet"
    assert nearest("qqqq") == ()
