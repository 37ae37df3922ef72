"""What every command says: broken between words at a terminal, with commands ready to copy."""

from __future__ import annotations

import importlib
import os
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from padsheet.cli.main import main
from padsheet.cli.options import say_steps
from padsheet.scoring.todo import Step


def run(*arguments: object):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def at_terminal(columns: int, *arguments: str) -> list[str]:
    """Return the lines that a command writes to a terminal of so many columns."""
    fcntl, pty, termios = (importlib.import_module(n) for n in ("fcntl", "pty", "termios"))
    leader, follower = pty.openpty()
    fcntl.ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", 50, columns, 0, 0))
    code = "from padsheet.cli.main import main; main()"
    environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")}
    process = subprocess.Popen(
        [sys.executable, "-c", code, *arguments],
        stdin=follower,
        stdout=follower,
        stderr=follower,
        env=environment,
    )
    os.close(follower)
    said = b""
    while True:
        try:
            block = os.read(leader, 65536)
        except OSError:  # the other end is closed
            break
        if not block:
            break
        said += block
    os.close(leader)
    process.wait(60)
    return said.decode().splitlines()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "my bed"
    assert run("init", place, "--size", 120, 120, "--mesh", 3, 3).exit_code == 0
    return place


def test_a_sheet_that_waits_for_its_photo_is_not_written_again(folder: Path) -> None:
    assert run("-C", folder, "sheet").exit_code == 0
    before = (folder / "rounds/01/sheet.gcode").read_bytes()
    result = run("-C", folder, "sheet")
    assert result.exit_code == 1
    assert "waits for its photo" in result.stderr
    # The remedy is a command for this folder, not the one that was just refused.
    assert f"`padsheet -C '{folder}' score PHOTO`" in result.stderr
    assert "begin a new round" not in result.stderr
    assert (folder / "rounds/01/sheet.gcode").read_bytes() == before
    # Of another reach than the one that waits.
    other = run("-C", folder, "sheet", "--reach", "fine")
    assert "of reach first, is written" in other.stderr
    # A lower one is not to pass by force.
    assert "--force" not in other.stderr
    assert f"delete {folder / 'rounds/01'}" in " ".join(other.stderr.split())
    wider = run("-C", folder, "sheet", "--reach", "0.17")
    assert f"`padsheet -C '{folder}' sheet --reach 0.17 --force`" in wider.stderr
    assert run("-C", folder, "sheet", "--force").exit_code == 0


def test_commands_that_make_a_folder_are_told_without_one(tmp_path: Path) -> None:
    result = run("-C", tmp_path, "rounds")
    assert "`padsheet init DIR`" in result.stderr


def test_without_c_commands_are_told_without_it(folder: Path, monkeypatch) -> None:
    monkeypatch.chdir(folder)
    assert "`padsheet sheet`" in run("rounds").stderr


def test_score_without_a_photo_says_what_to_name() -> None:
    result = run("score")
    assert result.exit_code == 2
    assert "padsheet score photo.jpg" in result.stderr
    assert "--by-eye" in result.stderr
    assert max(map(len, result.stderr.splitlines())) <= 80


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
@pytest.mark.parametrize("columns", [50, 80])
@pytest.mark.parametrize(
    "arguments",
    [
        ("explain",),
        ("-C", "/no/such/place", "rounds"),
        ("explain", "never-was"),
        ("start-check", "START"),
        ("--help",),
        ("mesh", "--help"),
    ],
)
def test_nothing_is_wider_than_the_terminal(
    tmp_path: Path, columns: int, arguments: tuple[str, ...]
) -> None:
    start = tmp_path / "start.gcode"
    start.write_text("G28\nM420 S1\nG1 Z0.3\n")
    lines = at_terminal(columns, *(str(start) if word == "START" else word for word in arguments))
    assert lines
    assert max(map(len, lines)) <= columns


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
@pytest.mark.parametrize("columns", range(50, 90, 7))
def test_a_command_told_in_a_sentence_is_never_broken(folder: Path, columns: int) -> None:
    lines = at_terminal(columns, "-C", str(folder), "sheet")
    assert any(f"`padsheet -C '{folder}' score PHOTO`" in line for line in lines)
    assert any(f"`padsheet -C '{folder}' mesh FILE`" in line for line in lines)
    command = len(f"`padsheet -C '{folder}' sheet --force`.")
    assert max(map(len, lines)) <= max(columns, command)


def test_a_mistyped_code_is_not_answered_with_strange_ones() -> None:
    assert "Did you mean" not in run("explain", "nonsense").stderr
    assert "pad-glare" in run("explain", "photo-glare").stderr
    assert "photo-" in run("explain", "foto").stderr


def test_steps_are_wrapped_where_there_is_no_terminal_too(capsys) -> None:
    command = "padsheet -C my-bed score " + " ".join(f"photo-{k}.jpg" for k in range(20))
    say_steps([Step(text="word " * 40, commands=(command,)), Step(text="fact " * 40, fact=True)])
    lines = capsys.readouterr().err.splitlines()
    assert f"     {command}" in lines
    assert max(len(line) for line in lines if command not in line) <= 80
    assert sum(line.startswith("   word") for line in lines) >= 2
