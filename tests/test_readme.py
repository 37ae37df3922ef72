"""README and DEVELOPERS say what the program and the project really do."""

from __future__ import annotations

import ast
import doctest
import importlib
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest

from padsheet.cli.main import COMMANDS, main
from padsheet.scoring.colours import CLASSES, UNREAD
from padsheet.scoring.words import LABELS, MEANINGS

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def command_of(name: str) -> click.Command:
    command = main.get_command(click.Context(main), name)
    assert command is not None
    return command


def options_of(name: str) -> set[str]:
    params = command_of(name).params
    return {o for p in params for o in (*p.opts, *p.secondary_opts) if o.startswith("--")}


def reference_rows() -> dict[str, str]:
    """Return each row of the table under "Every command" by the command's name."""
    table = README.partition("## Every command")[2]
    return dict(re.findall(r"^\| `padsheet ([a-z-]+)[^|`]*` (\|.*)$", table, re.MULTILINE))


def code_blocks() -> list[str]:
    return [block.strip() for block in re.findall(r"```sh\n(.*?)```", README, re.DOTALL)]


def test_the_reference_has_every_command_and_no_other() -> None:
    assert reference_rows().keys() == COMMANDS.keys()


@pytest.mark.parametrize("name", COMMANDS)
def test_help_begins_with_a_sentence_and_has_an_example(name: str) -> None:
    text = command_of(name).help or ""
    first = text.partition("\n\n")[0].replace("\n", " ").strip()
    assert re.fullmatch(r"[A-Z].{10,}\.", first), first
    assert "Example" in text


@pytest.mark.parametrize("name", COMMANDS)
def test_help_names_values_in_words(name: str) -> None:
    command = command_of(name)
    told = command.get_help(click.Context(command, info_name=name, terminal_width=80))
    for jargon in ("INTEGER", "RANGE", "TEXT", "FLOAT"):
        assert jargon not in told
    assert max(map(len, told.splitlines())) <= 80


@pytest.mark.parametrize("name", COMMANDS)
def test_the_reference_tells_the_options_that_exist(name: str) -> None:
    told = set(re.findall(r"`(--[a-z0-9-]+)", reference_rows()[name]))
    assert told == options_of(name) - {"--help"}


def test_options_of_the_examples_exist() -> None:
    lines = "\n".join(code_blocks()).splitlines()
    calls = [re.match(r"padsheet (?:-C \S+ )?([a-z-]+)(.*)", line) for line in lines]
    assert sum(call is not None for call in calls) > 10
    for call in filter(None, calls):
        assert set(re.findall(r"--[a-z0-9-]+", call[2])) <= options_of(call[1]), call[0]


def test_first_paragraph_states_the_job() -> None:
    title, paragraph = README.split("\n\n")[:2]
    assert title == "# padsheet"
    assert paragraph.startswith("padsheet is a ruler for the nozzle gap")


@pytest.mark.parametrize("word", ["peel", "string", "marker", "same way", "glare"])
def test_the_symptoms_that_a_newcomer_meets_have_a_row(word: str) -> None:
    table = README.partition("## Troubleshooting by symptom")[2].partition("\n## ")[0]
    symptoms = re.findall(r"^\| ([^|]+) \|", table, re.MULTILINE)
    assert any(word in symptom for symptom in symptoms), word


def test_the_line_for_completion_names_the_command() -> None:
    assert 'eval "$(_PADSHEET_COMPLETE=bash_source padsheet)"' in code_blocks()
    environment = {**os.environ, "_PADSHEET_COMPLETE": "bash_complete"}
    environment |= {"COMP_WORDS": "padsheet sc", "COMP_CWORD": "1"}
    code = "import sys; sys.argv[0] = 'padsheet'; from padsheet.cli.main import main; main()"
    answer = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False
    )
    assert "score" in answer.stdout.replace(",", " ").split()


def test_readme_and_ci_run_the_same_tests() -> None:
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert "pip install '.[dev]' && python -m pytest" in code_blocks()
    assert [line for line in ci if "pytest" in line] == ["python -m pytest"]
    assert any(line.startswith("python -m pip install") and "'.[dev]'" in line for line in ci)


def test_set_up_and_demo_is_one_command() -> None:
    wanted = "python3 -m venv .venv && . .venv/bin/activate && pip install . && padsheet demo"
    assert wanted in code_blocks()


def test_codes_of_photos_and_pads_are_those_of_the_source() -> None:
    files = ("judge", "finder", "photo", "reading", "refusals", "registration")
    source = "".join((ROOT / "scoring" / f"{f}.py").read_text(encoding="utf-8") for f in files)
    in_source = set(re.findall(r'"((?:photo|pad)-[a-z-]+)"', source))
    assert set(re.findall(r"^\| `((?:photo|pad)-[a-z-]+)` \|", README, re.MULTILINE)) == in_source


@pytest.mark.parametrize("package", ["patterns", "scoring", "cli"])
def test_developers_says_where_every_module_belongs(package: str) -> None:
    there = {path.stem for path in (ROOT / package).glob("[!_]*.py")}
    if package == "cli":
        row = next(line for line in DEVELOPERS.splitlines() if line.startswith("| `cli/` |"))
        shared = row.partition("what they share:")[2]
        told = set(re.findall(r"`(\w+)`", shared)) | {name.replace("-", "_") for name in COMMANDS}
        assert there - {"main"} == told
        return
    table = DEVELOPERS.partition(f"modules of `{package}/` |")[2].partition("\n\n")[0]
    told_once = re.findall(r"`(\w+)`", table)
    assert sorted(told_once) == sorted(there), "a new module needs its place in DEVELOPERS.md"


def test_files_that_developers_names_exist() -> None:
    named = re.findall(r"(?:patterns|scoring|cli|tests|demo_photos)/[\w/]+\.\w+", DEVELOPERS)
    assert len(named) > 30
    for name in named:
        assert (ROOT / name).is_file(), name


def test_developers_names_every_benchmark() -> None:
    for script in (ROOT / "tests" / "bench").glob("*.py"):
        # These two are run by another.
        if script.stem not in ("speed_photos", "speed_stages"):
            runs = '__name__ == "__main__"' in script.read_text(encoding="utf-8")
            assert (f"tests/bench/{script.name}" in DEVELOPERS) == runs, script


def test_developers_names_every_dependency() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"].values()
    for needed in [*project["dependencies"], *(one for extra in extras for one in extra)]:
        name = re.split(r"[<>=~!\[; ]", needed)[0]
        assert f"`{name}`" in DEVELOPERS, name


def test_the_library_s_example_runs() -> None:
    blocks = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    assert len(blocks) == 1
    example = doctest.DocTestParser().get_doctest(blocks[0], {}, "README", "README.md", 0)
    assert len(example.examples) > 10
    # Three dots stand for what a better reader may change.
    failed, _ = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS).run(example)
    assert failed == 0


@pytest.mark.parametrize("package", ["patterns", "scoring"])
def test_the_library_s_names_are_what_they_are_said_to_be(package: str) -> None:
    """Names, types and modules stand in three lists, for readers, checkers and the import."""
    module = importlib.import_module(f"padsheet.{package}")
    tree = ast.parse((ROOT / package / "__init__.py").read_text(encoding="utf-8"))
    typed = {
        alias.name: node.module
        for branch in tree.body
        if isinstance(branch, ast.If)
        for node in branch.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert set(module.__all__) == typed.keys()
    for name, home in typed.items():
        assert home is not None
        assert getattr(module, name) is getattr(importlib.import_module(home), name)
        assert getattr(module, name).__doc__, name
        assert name in dir(module)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = module.nothing


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_links_and_pictures_exist(text: str) -> None:
    targets = re.findall(r"\]\(([^)#:]+)\)", text)
    targets += re.findall(r'src(?:set)?="([^"]+)"', text)
    assert targets
    for target in targets:
        assert (ROOT / target).is_file(), target


def test_every_picture_is_small_and_says_what_it_shows() -> None:
    pictures = sorted((ROOT / ".pictures").glob("*"))
    for picture in pictures:
        assert picture.stat().st_size < 150_000, picture
        assert f".pictures/{picture.name}" in README, picture
    alts = re.findall(r"!\[([^\]]*)\]", README) + re.findall(r'<img alt="([^"]*)"', README)
    assert len(alts) >= len(pictures) - 1  # one is another's dark dress
    assert all(len(alt) > 20 for alt in alts)


def test_the_glossary_has_the_verdicts_that_are_shown() -> None:
    told = re.search(r"^- \*\*Verdict\*\*: .*$", README, re.MULTILINE)
    assert told is not None
    assert set(LABELS.values()) <= set(re.findall("`([^`]+)`", told[0]))


def test_one_thing_has_one_word() -> None:
    """A nozzle is too far from the bed or too near it; nothing else is said for that."""
    shown = [*LABELS.values(), *MEANINGS.values(), *(c.words for c in (*CLASSES, UNREAD))]
    files = [path for part in ("patterns", "scoring", "cli") for path in (ROOT / part).glob("*.py")]
    strings = [
        node.value
        for path in files
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and "\n" not in node.value
    ]
    page = (ROOT / "scoring" / "templates" / "report.html").read_text(encoding="utf-8")
    other = r"too (little|much) squish|too (high|low) here|far too (near|far|high)|too near to the"
    told = [text for text in (*shown, *strings, page, README) if re.search(other, text)]
    assert told == []
    assert "not read" not in " ".join((*LABELS.values(), UNREAD.words))


def test_the_contents_name_every_section_and_links_lead_to_one() -> None:
    heads = re.findall(r"^## (.*)$", README, re.MULTILINE)
    anchors = {re.sub(r"[^a-z0-9 -]", "", head.lower()).replace(" ", "-"): head for head in heads}
    contents = README.partition("**Contents.**")[2].partition("\n")[0]
    linked = re.findall(r"\[([^\]]+)\]\(#([^)]+)\)", contents)
    assert [text for text, _ in linked] == heads
    for anchor in re.findall(r"\]\(#([^)]+)\)", README):
        assert anchor in anchors, anchor


def test_the_walk_is_lean_and_the_tables_of_codes_are_folded() -> None:
    walk = README.partition("## From a cold bed to a finished one")[2].partition("\n## ")[0]
    assert len(walk.split()) < 1300
    codes = README.partition("## Error codes")[2].partition("\n## ")[0]
    assert codes.count("<details>") == codes.count("|---|---|---|") > 10
