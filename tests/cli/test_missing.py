"""Files and folders that are not there, or are of the other sort: what is wrong, and what to do."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from padsheet.cli.main import COMMANDS, main

FILE_COMMANDS = [
    (["mesh"], "save the whole answer"),
    (["edits", "--proved"], "save the whole answer"),
    (["start-check"], "save the start code"),
    (["score"], "check the name"),
    (["score", "--sheet"], "sheet.json that padsheet wrote"),
]
IN_FOLDER = {
    "sheet": [],
    "score": ["photo.jpg"],
    "mesh": ["answer.txt"],
    "edits": [],
    "send": ["--dry-run"],
    "applied": ["--screws"],
    "restore": [],
    "reset": [],
    "start-check": ["start.gcode"],
    "rounds": [],
    "phone": [],
}


@pytest.fixture(autouse=True)
def _there(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bed").mkdir()
    (tmp_path / "bed" / "bed.toml").write_text("", encoding="utf-8")
    (tmp_path / "file").write_text("x", encoding="utf-8")


def refused(*words):
    """Run a command that must be refused; return its one sentence and remedy, in small letters."""
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exit_code == 1, result.output
    assert result.stdout == ""
    assert re.match(r"Error: .+\. .+\. \[[a-z-]+\]\n\Z", result.stderr), result.stderr
    return result.stderr.lower()


@pytest.mark.parametrize(("words", "remedy"), FILE_COMMANDS)
def test_a_file_that_is_not_there(tmp_path, words, remedy):
    more = ["photo.jpg"] if words == ["score", "--sheet"] else []
    told = refused("-C", "bed", *words, "nothing.txt", *more)
    assert "there is no" in told
    assert "nothing.txt" in told
    assert remedy in told
    if not more:  # a name alone is looked up where the user is, which is not the bed folder
        assert f"nothing.txt in {tmp_path}".lower() in told


@pytest.mark.parametrize(("words", "remedy"), FILE_COMMANDS)
def test_a_folder_where_a_file_is_wanted(words, remedy):
    more = ["photo.jpg"] if words == ["score", "--sheet"] else []
    assert re.search(r"cannot be|no readable", refused("-C", "bed", *words, "bed", *more))


@pytest.mark.parametrize("name", IN_FOLDER)
def test_a_bed_folder_that_is_not_there(name):
    for words in ([*IN_FOLDER[name]], ["--by-eye"]) if name == "score" else (IN_FOLDER[name],):
        told = refused("-C", "nowhere", name, *words)
        assert "is not a bed folder: there is no such folder. make one with `padsheet init" in told
        assert told.endswith("[folder-none]\n")


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (["rounds"], "-C bed"),
        (["-C", "bd", "rounds"], "-C bed"),
        (["-C", "bed/rounds", "rounds"], "-C bed"),
        (["-C", "bed/rounds/01", "sheet"], "-C bed"),
    ],
)
def test_the_bed_folder_that_was_most_likely_meant(words, meant):
    Path("bed/rounds/01").mkdir(parents=True, exist_ok=True)
    assert f"did you mean `padsheet {meant}`?".lower() in refused(*words)


@pytest.mark.parametrize(("word", "meant"), [("shet", "sheet"), ("Round", "rounds"), ("xyz", "")])
def test_a_mistyped_command(word, meant):
    result = CliRunner().invoke(main, [word])
    assert result.exit_code == 2
    assert f"No such command '{word}'." in result.stderr
    assert (f"Did you mean '{meant}'?" in result.stderr) is bool(meant)
    assert ("Did you mean" in result.stderr) is bool(meant)


def test_all_commands_that_work_in_a_folder_are_tried():
    assert set(COMMANDS) - set(IN_FOLDER) == {"demo", "init", "explain"}


@pytest.mark.parametrize(
    "words", [["-C", "file", "rounds"], ["init", "file"], ["demo", "file"], ["-C", "file", "sheet"]]
)
def test_a_file_where_a_folder_is_wanted(words):
    assert "file is a file, not a folder. name a folder" in refused(*words)


@pytest.mark.parametrize("name", ["nowhere", "file"])
def test_many_beds_in_no_folder(name):
    assert f"{name} is no folder. name a folder" in refused("score", "--all", name)


@pytest.mark.parametrize("name", ["mesh", "start-check"])
def test_without_the_file_it_says_which_one(name):
    result = CliRunner().invoke(main, ["-C", "bed", name])
    assert result.exit_code == 2
    assert f"such as `padsheet {name} " in result.stderr


@pytest.mark.parametrize("word", ["x", "0,2", ""])
def test_what_is_no_number_is_said_in_plain_words(word):
    result = CliRunner().invoke(main, ["init", "new", f"--nozzle={word}"])
    assert result.exit_code == 2
    assert f"{word!r} is not a number such as 0.2." in result.stderr
