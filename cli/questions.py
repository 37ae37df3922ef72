"""The questions of `padsheet init`: asked in turn, gone back to, and changed before the end."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import click

from padsheet.cli.options import NOTHING_WRITTEN, confirmed, prompted, say
from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.profile import DEFAULT_INSET_MM, bed_from_tables
from padsheet.patterns.profile_keys import TABLES, Key
from padsheet.scoring.applied import KEPT_STYLES
from padsheet.scoring.edit_styles import check_style

__all__ = [
    "BACK",
    "EDIT_STYLES",
    "OFFSET_STYLES",
    "OFFSET_STYLE_WORDS",
    "OUTSIDE",
    "OUTSIDE_WORDS",
    "STYLE_WORDS",
    "ask",
]

EDIT_STYLES = tuple(str(style) for style in TABLES["edits"]["style"].choices)

# Height of one turn, coarse threads of ISO 261, mm.
PITCH_MM = {"3": 0.5, "4": 0.7, "5": 0.8}


# What the questions say of each style, in the order of the choices.
STYLE_WORDS = {
    "M421": "M421 sets the value of a point",
    "M421-offset": "M421 with Q adds to the value of a point",
    "G29 S3": "G29 S3 sets the value of a point; elsewhere it may start a probing run",
    "table": "no command, or you do not know: values to type in by hand",
    "custom": "a line of your own",
}


OFFSET_STYLES = tuple(str(style) for style in TABLES["edits"]["offset_style"].choices)

# What the questions say of each, in the order of the choices.
OFFSET_STYLE_WORDS = {
    "none": "not at all: every mesh point is moved alike",
    "M851": "M851 sets it, and M500 saves it",
    "M206": "M206 sets it, and M500 saves it",
    "M290": "M290 moves the nozzle while a print runs",
    "hand": "by hand in the printer's menu or at its knob, or you do not know",
}


OUTSIDE = tuple(str(word) for word in TABLES["mesh"]["outside"].choices)

# What the questions say of each, in the order of the choices.
OUTSIDE_WORDS = {
    "hold": "hold: the correction stays as at the mesh's edge",
    "extend": "extend: the slope of the mesh's edge goes on",
    "off": "off: there is no correction there",
    "unknown": "you do not know yet",
}


BACK = ("<", "b", "back")
UNKNOWN = "unknown"


class _Back(Exception):
    """The question before is to be asked again."""


Answers = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Question:
    """One question: `ask` gets its text and default until the answer can be used.

    `voids` names the answers that no longer hold once this one changes.
    """

    name: str
    text: str
    default: Any
    ask: Callable[[_Question, Any, Answers], Any]
    about: str = ""
    choices: Sequence[str] = ()
    applies: Callable[[Answers], bool] = lambda _: True
    voids: Sequence[str] = ()

    def put(self, answers: Answers) -> None:
        """Ask, with the answer given before as the default, and keep the answer."""
        self.explain()
        before = answers.get(self.name, self.default)
        answers[self.name] = self.ask(self, before, answers)
        if answers[self.name] != before:
            for name in self.voids:
                answers.pop(name, None)

    def explain(self) -> None:
        """Say what the question is about, and what there is to choose from."""
        if self.about:
            say(self.about)
        for k, choice in enumerate(self.choices, 1):
            say(f"  {k}  {choice}", hang=3)


def ask() -> Answers:
    """Ask for what differs most from printer to printer; talk goes to standard error."""
    say(
        "Enter keeps the value in brackets, < or b goes back to the question before; everything "
        "can be changed later in bed.toml."
    )
    answers: Answers = {}
    _put(answers, QUESTIONS)
    while True:
        listed = [question for question in QUESTIONS if question.applies(answers)]
        say("\nYour answers:")
        for number, question in enumerate(listed, 1):
            say(f"  {number:2d}  {question.text}: {_shown(answers[question.name])}", hang=3)
        answer = prompted("Write it? [Y/n, or the number of an answer to change]").lower()
        if answer in ("", "y", "yes"):
            return _options(answers)
        if answer in ("n", "no"):
            say(NOTHING_WRITTEN)
            raise click.exceptions.Exit(1)
        if answer in BACK:
            answer = str(len(listed))
        if answer not in {str(number) for number in range(1, len(listed) + 1)}:
            say(f"Answer y for yes, n for no, or a number from 1 to {len(listed)}.")
            continue
        _put(answers, [listed[int(answer) - 1]])
        # What the new answer makes needed, or impossible.
        _put(answers, [q for q in QUESTIONS if q.name not in answers])
        while no_room := _no_room(answers):
            say(no_room)
            _put(answers, [q for q in QUESTIONS if q.name == "inset"])


def _put(answers: Answers, questions: Sequence[_Question]) -> None:
    """Ask questions in turn, and again those that the user goes back to."""
    at = 0
    while at < len(questions):
        if questions[at].applies(answers):
            try:
                questions[at].put(answers)
            except _Back:
                before = [k for k in range(at) if questions[k].applies(answers)]
                if not before and len(questions) == 1 and questions[0].name in answers:
                    return  # it keeps its answer
                at = before[-1] if before else at
                continue
        at += 1


def _shown(answer: Any) -> str:
    if answer is None:
        return UNKNOWN
    return f"{answer:g}" if isinstance(answer, float) else str(answer)


def _options(answers: Answers) -> Answers:
    """Turn the answers into what the options would have told."""
    names = ("inset", "outside", "bed_temp", "screws", "edit_style", "offset_style")
    options = {name: answers[name] for name in names}
    options["size"] = (answers["size_x_mm"], answers["size_y_mm"])
    options["mesh"] = (answers["columns"], answers["rows"])
    if answers["screws"] != "0":
        options |= {"pitch_mm": PITCH_MM[answers["thread"]], "raises": answers["raises"]}
    if answers["edit_style"] == "custom":
        options["edit_template"] = answers["edit_template"]
    if _with_kept_offset(answers):
        options["offset_now"] = answers["offset_now"]
    options["centre_origin"] = answers["origin"] == "centre"
    options["g29_sets_points"] = answers["edit_style"] == "G29 S3"
    return options


def _line(text: str, default: str = "") -> str:
    answer = prompted(text, default)
    if answer.lower() in BACK:
        raise _Back
    return answer


def _ask_number(question: _Question, default: float, _: Answers) -> Any:
    """Ask for a value of the profile until it is a number within its range."""
    key = KEYS[question.name]
    while True:
        value = _value_of(_line(question.text, f"{default:g}"), key)
        if value is not None:
            return value
        whole = "a whole number" if key.kind == "whole" else "a number"
        say(f"Give {whole} from {key.least:g} to {key.most:g}, such as {default:g}.")


def _ask_number_if_known(question: _Question, default: float | None, _: Answers) -> float | None:
    """Ask for a value of the profile until it is a number within its range, or not known."""
    key = KEYS[question.name]
    while True:
        answer = _line(question.text, _shown(default)).lower()
        if answer in (UNKNOWN, "u"):
            return None
        value = _value_of(answer, key)
        if value is not None:
            return value
        if answer in ("?", "help"):
            question.explain()
        say(f"Give a number from {key.least:g} to {key.most:g}, or u if you do not know it.")


def _ask_inset(question: _Question, default: float, answers: Answers) -> float:
    """Ask how far inside the plate the mesh lies, until it has room there."""
    while True:
        inset_mm: float = _ask_number(question, default, answers)
        no_room = _no_room({**answers, "inset": inset_mm})
        if not no_room:
            return inset_mm
        say(no_room)


def _no_room(answers: Answers) -> str:
    """Say why the mesh has no room on the plate; empty if it has."""
    plate = {name: answers[name] for name in ("size_x_mm", "size_y_mm")}
    mesh = {name: answers[name] for name in ("columns", "rows")}
    try:
        bed_from_tables({"plate": plate, "mesh": {**mesh, "inset_mm": answers["inset"]}})
    except PadsheetError as error:
        return f"{error.problem}. {error.remedy}"
    return ""


def _ask_one_of(question: _Question, default: str, _: Answers) -> str:
    """Ask for one of a few words that stand in the text."""
    words = ANSWERS[question.name]
    while True:
        answer = _line(question.text, default).lower().removeprefix("m")
        if answer in words:
            return answer
        *others, last = words
        say(f"Give {', '.join(others)} or {last}.")


def _ask_listed(question: _Question, default: str, _: Answers) -> str:
    """Ask for one of the choices that are listed: by number or by word."""
    values = ANSWERS[question.name]
    words = {value.lower(): value for value in values}
    words |= {str(k): value for k, value in enumerate(values, 1)}
    if UNKNOWN in values:
        words["u"] = UNKNOWN
    number = values.index(default) + 1
    while True:
        answer = _line(question.text, str(number)).lower()
        chosen = words.get(answer)
        if answer in ("?", "help"):
            question.explain()
            say(f"Give a number from 1 to {len(values)}; Enter alone takes {number}.")
        elif chosen is None:
            say(f"Give a number from 1 to {len(values)}.")
        elif chosen != "G29 S3" or _released():
            return chosen


def _released() -> bool:
    """Ask whether `G29 S3` is safe on this printer."""
    say("On other printers a G29 starts a probing run that may drive the nozzle into the bed.")
    return confirmed("Does the manual say that G29 S3 sets one mesh point?", default=False)


def _ask_template(question: _Question, default: str, _: Answers) -> str:
    """Ask for the line of one point until it can be filled in."""
    while True:
        template = _line(question.text, default)
        try:
            check_style(bed_from_tables({"edits": {"style": "custom", "template": template}}).edits)
        except PadsheetError as error:
            say(f"{error.problem}. {error.remedy}")
        else:
            return template


def _value_of(answer: str, key: Key) -> float | int | None:
    """Return the number in an answer, None if there is none or it is out of range."""
    try:
        value = int(answer) if key.kind == "whole" else float(answer.lower().removesuffix("mm"))
    except ValueError:
        return None
    return value if key.least <= value <= key.most else None


# The profile's keys behind the numbers that are asked for.
KEYS = {
    "size_x_mm": TABLES["plate"]["size_x_mm"],
    "size_y_mm": TABLES["plate"]["size_y_mm"],
    "columns": TABLES["mesh"]["columns"],
    "rows": TABLES["mesh"]["rows"],
    "inset": TABLES["mesh"]["inset_mm"],
    "bed_temp": TABLES["heat"]["bed_c"],
    "offset_now": TABLES["edits"]["offset_now_mm"],
}
# What the other questions may be answered with.
ANSWERS: dict[str, tuple[str, ...]] = {
    "origin": tuple(str(choice) for choice in TABLES["plate"]["origin"].choices),
    "outside": OUTSIDE,
    "screws": ("0", "3", "4"),
    "thread": tuple(PITCH_MM),
    "raises": tuple(str(choice) for choice in TABLES["screw"]["raises"].choices),
    "edit_style": EDIT_STYLES,
    "offset_style": OFFSET_STYLES,
}
RAISES_WORDS = {
    "clockwise": "clockwise raises the bed",
    "counter-clockwise": "counter-clockwise raises the bed",
    "unknown": "I do not know: until bed.toml says it, no direction is advised",
}


def _with_screws(answers: Answers) -> bool:
    return bool(answers.get("screws", "0") != "0")


def _with_kept_offset(answers: Answers) -> bool:
    return answers.get("offset_style") in KEPT_STYLES


QUESTIONS = (
    _Question(
        name="size_x_mm",
        text="Width of the plate (x), mm",
        default=Bed().plate.size_x_mm,
        ask=_ask_number,
    ),
    _Question(
        name="size_y_mm",
        text="Depth of the plate (y), mm",
        default=Bed().plate.size_y_mm,
        ask=_ask_number,
    ),
    _Question(
        name="origin",
        about="Where does the printer count from: where is X0 Y0? On many round plates, and where "
        "coordinates of the plate can be negative, it is the middle.",
        choices=("the front left corner of the plate", "the middle of the plate"),
        text="Place of X0 Y0",
        default=Bed().plate.origin,
        ask=_ask_listed,
    ),
    _Question(
        name="columns",
        text="Mesh points from left to right",
        default=Bed().mesh.columns,
        ask=_ask_number,
    ),
    _Question(
        name="rows",
        text="Mesh points from front to back",
        default=Bed().mesh.rows,
        ask=_ask_number,
    ),
    _Question(
        name="inset",
        about="How far inside the plate do the outermost mesh points lie? Where the four sides "
        "differ, give one here and correct [mesh] in bed.toml.",
        text="From the outermost points to the edge, mm",
        default=DEFAULT_INSET_MM,
        ask=_ask_inset,
    ),
    _Question(
        name="outside",
        about="What does the printer do beyond its outermost mesh points? Look in its manual. With "
        "hold or extend the outer pads stand on their points; else up to 18 mm inside them, and "
        "the outer points are known less well.",
        choices=tuple(OUTSIDE_WORDS[word] for word in OUTSIDE),
        text="Beyond the outermost mesh points",
        default=Bed().mesh.outside,
        ask=_ask_listed,
    ),
    _Question(
        name="bed_temp",
        text="Temperature of the bed, C",
        default=Bed().heat.bed_c,
        ask=_ask_number,
    ),
    _Question(
        name="screws",
        text="Screws with which you level the bed (0 for none, 3 or 4)",
        default="0",
        ask=_ask_one_of,
    ),
    _Question(
        name="thread",
        text="Their thread (3, 4 or 5 for M3, M4 or M5)",
        default="4",
        ask=_ask_one_of,
        applies=_with_screws,
    ),
    _Question(
        name="raises",
        about="Which way does a knob raise the bed? Turn it a little and look. The turn counts as "
        "seen from above: from below it looks the other way round.",
        choices=tuple(RAISES_WORDS[turn] for turn in ANSWERS["raises"]),
        text="Turn that raises the bed",
        default="unknown",
        ask=_ask_listed,
        applies=_with_screws,
    ),
    _Question(
        name="edit_style",
        about="How is the printer told the value of a mesh point? Its manual says which it knows.",
        choices=tuple(STYLE_WORDS[style] for style in EDIT_STYLES),
        text="Way to tell a mesh value",
        default=str(Bed().edits.style),
        ask=_ask_listed,
    ),
    _Question(
        name="edit_template",
        about="Such as SETPOINT C={column0} R={row0} Z={value_mm:.3f}; column1 and row1 count from "
        "1, change_mm is what to add.",
        text="Line for one point",
        default="",
        ask=_ask_template,
        applies=lambda answers: answers.get("edit_style") == "custom",
    ),
    _Question(
        name="offset_style",
        about="How do you move the nozzle up or down at all points alike (the Z offset)? If your "
        "printer's menu has such a setting, by hand is always right.",
        choices=tuple(OFFSET_STYLE_WORDS[style] for style in OFFSET_STYLES),
        text="Way to set the offset of all points",
        default=str(Bed().edits.offset_style),
        ask=_ask_listed,
        voids=("offset_now",),
    ),
    _Question(
        name="offset_now",
        about="Which value of it does the printer hold now? M851 or M206 alone, or the menu, "
        "shows it on many. With it advice gives the line to send; without it, by how much to "
        "change what you find.",
        text="Offset that the printer holds now, mm",
        default=Bed().edits.offset_now_mm,
        ask=_ask_number_if_known,
        applies=_with_kept_offset,
    ),
)
