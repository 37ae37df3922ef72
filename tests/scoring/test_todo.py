"""What to do now: in the order of doing, with commands that exist."""

from __future__ import annotations

import re
import shlex
from dataclasses import replace
from pathlib import Path

import click
import pytest

from padsheet.cli.main import COMMANDS, main
from padsheet.patterns.bed import Edits
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
    ways = [way for step in steps for way in (step, step.other) if way is not None]
    return [command for way in ways for command in way.commands]


def test_edits_are_sent_before_the_next_sheet_and_proved_before_they_are_sent() -> None:
    steps = todo(MESH, FOLDER, proved=False, mesh_known=True, photos=[Path("r/photo-1.jpg")])
    assert commands(steps) == [
        f"{BASE} edits --prove",
        f"{BASE} edits --proved answer.txt",
        f"{BASE} send --port PORT",
        f"{BASE} edits",
        f"{BASE} mesh answer-after.txt",
        f"{BASE} sheet --reach fine",
        f"{BASE} score r/photo-1.jpg NEW-PHOTO.jpg --force",
    ]
    assert [step.text for step in steps[1:]] == [step.text for step in MESH.steps]


def test_a_style_that_is_proved_is_not_proved_again() -> None:
    steps = todo(MESH, FOLDER, proved=True, mesh_known=True)
    assert commands(steps)[0] == f"{BASE} send --port PORT"
    assert commands(steps)[-1] == f"{BASE} score NEW-PHOTO.jpg --force"


def test_by_hand_is_another_way_and_ends_with_saving() -> None:
    (over_cable,) = (s for s in todo(MESH, FOLDER, proved=True, mesh_known=True) if s.other)
    assert over_cable.commands == (f"{BASE} send --port PORT",)
    assert over_cable.other is not None
    assert over_cable.other.text.startswith("Or without a serial cable: ")
    assert over_cable.other.text.endswith(
        "If all is as advised, save it in the printer: send M500."
    )


@pytest.mark.parametrize("style", ["table", "M421"])
@pytest.mark.parametrize("save", ["M500", ""])
@pytest.mark.parametrize("files_first", [True, False])
def test_mesh_and_an_offset_that_the_printer_keeps_are_saved_once(
    style: str, save: str, files_first: bool
) -> None:
    both = replace(
        MESH,
        steps=(MESH.steps[0], step("offset", "Lower it by 0.02 mm."), *MESH.steps[1:]),
        set_offset=True,
    )
    how = "send M500" if save else "as its manual says"

    def texts(offset_style: str, advice: Advice = both) -> list[str]:
        told = Edits(style=style, save=save, offset_style=offset_style, offset_now_mm=-1.0)
        steps = todo(
            advice, FOLDER, proved=True, mesh_known=True, edits=told, files_first=files_first
        )
        return [s.text + (s.other.text if s.other else "") for s in steps]

    for offset_style in ("M851", "M206"):
        first, offset, record, saved, sheet, _ = texts(offset_style)
        assert "save it in the printer" not in first
        assert "it is saved once the common offset is set, with it." in first
        assert f"{offset_style} Z-1.02" in offset
        assert "put it on record" in record
        assert saved.startswith(f"Save mesh and offset in the printer now: {how}.")
        assert sheet.startswith("Then print")
    # Where nothing is kept, or no offset is to be set, the mesh is saved as soon as it is in.
    for others in (texts("hand"), texts("M290"), texts("M851", MESH)):
        assert "If all is as advised, save it in the printer: " in others[0]
        assert not any(text.startswith("Save") for text in others)


def test_values_that_are_typed_in_have_one_way_only() -> None:
    told = Edits(style="table", show="", save="")
    step = todo(MESH, FOLDER, proved=True, mesh_known=True, edits=told)[0]
    assert step.other is None
    assert step.commands == (f"{BASE} edits", f"{BASE} applied --as-advised")
    assert "as the printer's manual says" in step.text


@pytest.mark.parametrize("unsaved", [False, True])
def test_a_bed_that_is_done_is_to_be_saved_and_its_offset_kept(unsaved: bool) -> None:
    done = todo(ALL[4], Path(), proved=True, mesh_known=True, unsaved=unsaved, by_hand_mm=-0.04)
    texts = [step.text for step in done]
    assert any("send M500" in text for text in texts) is unsaved
    assert sum("In every print from now on: lower the nozzle by 0.04 mm" in t for t in texts) == 1
    assert texts[-1].startswith("See that your own prints use the mesh")


def test_an_unknown_mesh_is_taken_in_first() -> None:
    steps = todo(MESH, FOLDER, proved=False, mesh_known=False)
    assert commands(steps)[0] == f"{BASE} mesh answer.txt"
    # Or that there is none: one command, and no option for others.
    assert steps[0].other.commands == (f"{BASE} mesh --empty",)
    assert not any("--empty-mesh" in step.text for step in steps)
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
        ["padsheet applied --offset -0.02", "padsheet sheet"],  # by hand no line sets it
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


def test_lines_are_written_where_the_printer_keeps_the_offset() -> None:
    told = todo(ALL[2], Path(), proved=True, mesh_known=True, edits=Edits(offset_style="M290"))
    assert commands(told)[0] == "padsheet edits"
    record = next(s.text for s in told if any("applied --offset" in c for c in s.commands))
    assert "Set with M290 it is lost once the printer is switched off" in record
    assert "else give it again in every print" in record


def test_an_offset_with_m290_is_told_again_in_each_print_and_at_the_end() -> None:
    bed_done = replace(advice_of("nothing", ()), done=True)
    edits = Edits(offset_style="M290")
    told = todo(bed_done, Path(), proved=True, mesh_known=True, edits=edits, by_hand_mm=-0.05)
    assert "lower the nozzle by 0.05 mm with M290 as it starts" in told[0].text
    assert "keeps an offset set with M290 has lost it" in told[0].text


@pytest.mark.parametrize(
    ("set_mm", "words"),
    [
        (0.0, ""),
        (-0.05, "lower by 0.07 mm in all from now on, in place of lower by 0.05 mm"),
        (0.02, "no offset by hand from now on, in place of higher by 0.02 mm"),
        (0.05, "higher by 0.03 mm in all from now on, in place of higher by 0.05 mm"),
    ],
)
def test_a_second_offset_by_hand_is_told_as_further_and_in_all(set_mm: float, words: str) -> None:
    told = todo(ALL[2], Path(), proved=True, mesh_known=True, by_hand_mm=set_mm)
    (text,) = (step.text for step in told if step.text.startswith("Lower it by 0.02 mm."))
    assert text == "Lower it by 0.02 mm." + (
        f" So set {words} as on record. If that was not set on this print, print this sheet again "
        "with it before you change anything."
        if words
        else ""
    )


def test_who_carries_files_finds_that_way_first() -> None:
    edits = advice_of("mesh", (step("edits", "Send the mesh edits."),))
    node = NodeAdvice(i=0, j=0, dz_mm=0.05, sigma_mm=0.004, changed=True)
    edits = replace(edits, nodes=(node,))
    cable = todo(edits, Path(), proved=True, mesh_known=True)[0]
    files = todo(edits, Path(), proved=True, mesh_known=True, files_first=True)[0]
    assert cable.commands == files.other.commands == ("padsheet send --port PORT",)
    assert files.commands == cable.other.commands
    assert files.text.startswith("Send the mesh edits. Give the printer the lines of edits.gcode")
