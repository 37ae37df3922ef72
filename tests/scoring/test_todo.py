"""What to do now: in the order of doing, with commands that exist."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest

from padsheet.cli.main import COMMANDS, main
from padsheet.scoring.advice import Advice, NodeAdvice
from padsheet.scoring.steps import AdvisedStep, StepKind
from padsheet.scoring.todo import Step, todo

FOLDER = Path("my bed")
BASE = "padsheet -C 'my bed'"


def advice_of(work: str, steps: tuple[AdvisedStep, ...], *, done: bool = False) -> Advice:
    return Advice(
        offset_mm=-0.02,
        offset_sigma_mm=0.004,
        tilt_mm_per_m=(0.0, 0.0),
        tilt_sigma_mm_per_m=(0.1, 0.1),
        warp_peak_to_valley_mm=0.03,
        twist_mm=None,
        screws=(),
        nodes=(NodeAdvice(i=0, j=0, dz_mm=-0.04, sigma_mm=0.004, changed=work == "mesh"),),
        work=work,
        steps=steps,
        warp_done=done,
        offset_done=done,
        done=done,
        set_offset=work == "offset",
    )


def step(kind: StepKind, text: str, reach: str = "") -> AdvisedStep:
    return AdvisedStep(kind=kind, text=text, reach=reach)


MESH = advice_of(
    "mesh",
    (
        step("edits", "Send the mesh edits: lower the nozzle at 1 grid point by up to 0.04 mm."),
        step("sheet", "Then print a new sheet to prove the edits.", "fine"),
        step("photo", "1 grid point not read: take a closer or better lit photo."),
    ),
)
ALL = [
    MESH,
    advice_of("screws", (step("note", "Turn it."), step("sheet", "Then print: far.", "first"))),
    advice_of("offset", (step("note", "Leave the mesh."), step("offset", "Lower it by 0.02 mm."))),
    advice_of("nothing", (step("note", "Change nothing."), step("sheet", "Print another one."))),
    advice_of("nothing", (step("note", "The bed is done."),), done=True),
    advice_of("withheld", (step("note", "The signs are turned over."), step("note", "No edits."))),
]


def commands(steps: list[Step]) -> list[str]:
    return [command for step in steps for command in step.commands]


def test_edits_are_sent_before_the_next_sheet_and_proved_before_they_are_sent() -> None:
    steps = todo(MESH, FOLDER, proved=False, mesh_known=True, photos=[Path("r/photo-1.jpg")])
    assert commands(steps) == [
        f"{BASE} edits --prove",
        f"{BASE} edits --proved answer.txt",
        f"{BASE} edits",
        f"{BASE} send --port PORT",
        f"{BASE} sheet --reach fine",
        f"{BASE} score r/photo-1.jpg NEW-PHOTO.jpg --force",
    ]
    assert [step.text for step in steps[1:]] == [step.text for step in MESH.steps]


def test_a_style_that_is_proved_is_not_proved_again() -> None:
    steps = todo(MESH, FOLDER, proved=True, mesh_known=True)
    assert commands(steps)[0] == f"{BASE} edits"
    assert commands(steps)[-1] == f"{BASE} score NEW-PHOTO.jpg --force"


def test_an_unknown_mesh_is_taken_in_first() -> None:
    steps = todo(MESH, FOLDER, proved=False, mesh_known=False)
    assert commands(steps)[0] == f"{BASE} mesh answer.txt"
    assert not any("prove" in command for command in commands(steps))


def test_the_wording_of_a_step_plays_no_part() -> None:
    text = "Print another sheet with --reach first, put it on record, photo of the same print."
    told = todo(advice_of("nothing", (step("note", text),)), Path(), proved=True, mesh_known=True)
    assert told == [Step(text=text)]
    again = todo(
        advice_of("nothing", (step("by eye", "Look."),)), Path(), proved=True, mesh_known=True
    )
    assert commands(again) == ["padsheet applied --offset MM"]


def test_screws_offset_and_doubt_get_their_own_commands() -> None:
    told = [commands(todo(a, Path(), proved=True, mesh_known=True)) for a in ALL[1:]]
    assert told == [
        ["padsheet applied --screws", "padsheet sheet --reach first"],
        ["padsheet edits", "padsheet applied --offset -0.02", "padsheet sheet"],
        ["padsheet sheet"],
        ["padsheet start-check start.gcode"],
        [],  # nothing is printed or sent until the contradiction is cleared up
    ]


@pytest.mark.parametrize("advice", ALL, ids=lambda a: a.work)
def test_every_command_and_option_exists(advice: Advice) -> None:
    for line in commands(todo(advice, FOLDER, proved=False, mesh_known=True)):
        words = shlex.split(line)
        assert words[:3] == ["padsheet", "-C", "my bed"]
        assert words[3] in COMMANDS
        command = main.get_command(click.Context(main), words[3])
        assert command is not None
        known = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in words if re.match("--", word)} <= known
