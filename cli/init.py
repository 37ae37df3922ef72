"""`padsheet init`: make a bed folder with its commented profile."""

from __future__ import annotations

import math
import shlex
import sys
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from padsheet.cli.options import (
    NUMBER,
    confirmed,
    folder_of,
    force_option,
    prompted,
    refuse_file,
    say,
    user_errors,
)
from padsheet.patterns.bed import Bed, Plate
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.patterns.profile import DEFAULT_INSET_MM, bed_from_tables, profile_text
from padsheet.patterns.profile_keys import TABLES, Key
from padsheet.scoring.edit_styles import check_style

__all__ = ["command"]

EDIT_STYLES = tuple(str(style) for style in TABLES["edits"]["style"].choices)

# The corner points of a mesh on a round plate lie this far inside its edge.
ROUND_CORNER_INSET_MM = 15.0

# Common practice, no source: the flat face of a nozzle is about twice its bore.
FLAT_PER_BORE = 2.0

# Guesses, to be corrected in the file: so far from the edges are the screws of a plate.
SCREW_INSET_MM = 25.0
# By their number: name, and place as parts of the way from left to right and from front to back.
SCREW_PLACES = {
    3: (("front left", 0, 0), ("front right", 1, 0), ("back middle", 0.5, 1)),
    4: (("front left", 0, 0), ("front right", 1, 0), ("back left", 0, 1), ("back right", 1, 1)),
}
# Height of one turn, coarse threads of ISO 261, mm.
PITCH_MM = {3: 0.5, 4: 0.7, 5: 0.8}

# What the questions say of each style, in the order of the choices.
STYLE_WORDS = {
    "M421": "M421 sets the value of a point",
    "M421-offset": "M421 with Q adds to the value of a point",
    "G29 S3": "G29 S3 sets the value of a point; elsewhere it may start a probing run",
    "table": "no command, or you do not know: values to type in by hand",
    "custom": "a line of your own",
}

# Options that say nothing about the bed itself.
NOT_VALUES = frozenset({"directory", "force"})


@click.command("init", short_help="Make a bed folder with its profile, bed.toml.")
@click.argument("directory", metavar="[DIR]", required=False, type=click.Path(path_type=Path))
@click.option(
    "--size", type=(NUMBER, NUMBER), metavar="X Y", help="Width and depth of the plate, mm."
)
@click.option("--round", "diameter", type=NUMBER, metavar="MM", help="Round plate: its diameter.")
@click.option("--centre-origin", is_flag=True, help="X0 Y0 is the middle of the plate.")
@click.option(
    "--mesh",
    type=(int, int),
    metavar="COLUMNS ROWS",
    help="Grid points of the mesh from left to right and from front to back.",
)
@click.option(
    "--inset",
    type=NUMBER,
    metavar="MM",
    help="From the outermost grid points to the edge of the plate.",
)
@click.option("--nozzle", type=NUMBER, metavar="MM", help="Diameter of the nozzle's bore.")
@click.option("--filament", type=NUMBER, metavar="MM", help="Diameter of the filament.")
@click.option("--target", type=NUMBER, metavar="MM", help="Height of the first layer you want.")
@click.option("--width", type=NUMBER, metavar="MM", help="Width of its lines.")
@click.option("--tolerance", type=NUMBER, metavar="MM", help="How near to the target is enough.")
@click.option("--nozzle-temp", type=NUMBER, metavar="C", help="Temperature of the nozzle.")
@click.option("--bed-temp", type=NUMBER, metavar="C", help="Temperature of the bed.")
@click.option(
    "--screws",
    type=click.Choice(["0", "3", "4"]),
    help="How many screws level the bed; their places are guessed, to be corrected.",
)
@click.option("--edit-style", type=click.Choice(EDIT_STYLES), help="How the printer is told edits.")
@click.option("--edit-template", metavar="LINE", help="Line for one point, for the custom style.")
@click.option(
    "--g29-sets-points",
    is_flag=True,
    help="The printer's manual says that G29 S3 sets one mesh point.",
)
@force_option
@click.pass_context
def command(ctx: click.Context, /, directory: Path | None, force: bool, **options: Any) -> None:
    """Make a bed folder with its commented profile, bed.toml.

    DIR is made if it is missing; without it, the folder of -C or the current folder is used.
    With no options and at a terminal, the most important values are asked for; else what is not
    given has its default: a plate of 220 x 220 mm, a mesh of 5 x 5 points inset by 20 mm, a
    0.4 mm nozzle, 1.75 mm filament, a first layer 0.20 mm high and 0.45 mm wide.

    \b
    Example:
      padsheet init my-bed --size 235 235 --mesh 5 5 --bed-temp 65
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    if options["size"] and options["diameter"] is not None:
        raise click.UsageError("--size and --round contradict each other; give one of them.")
    if options["edit_style"] == "G29 S3" and not options["g29_sets_points"]:
        raise click.UsageError(
            "--edit-style 'G29 S3' needs --g29-sets-points: on some printers a G29 starts a "
            "probing run, so look in the printer's manual first."
        )
    if options["edit_style"] == "custom" and not options["edit_template"]:
        raise click.UsageError("--edit-style custom needs --edit-template, the line for one point.")
    folder = folder_of(ctx) / directory if directory else folder_of(ctx)
    path = folder / "bed.toml"
    with user_errors():
        refuse_file(folder)
        # Before the questions, so that nobody answers them for nothing.
        _refuse_overwriting(path, force=force)
        if _nothing_given(ctx) and at_terminal():
            options |= _ask()
        tables = _tables(options)
        bed = bed_from_tables(tables)
        if screws := _screws(bed.plate, options):
            bed = bed_from_tables({**tables, "screw": screws})
        check_style(bed.edits)
        folder.mkdir(parents=True, exist_ok=True)
        write_atomic(path, profile_text(bed))
    say(_next_steps(path, bed))


def at_terminal() -> bool:
    """Tell whether a person sits at both ends."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def _nothing_given(ctx: click.Context) -> bool:
    return all(
        ctx.get_parameter_source(name) == ParameterSource.DEFAULT
        for name in ctx.params
        if name not in NOT_VALUES
    )


def _refuse_overwriting(path: Path, *, force: bool) -> None:
    if path.exists() and not force:
        raise PadsheetError(
            f"there is a profile already: {path}",
            remedy="Edit it, name another folder, or overwrite it with --force.",
            code="profile-exists",
        )


def _ask() -> dict[str, Any]:
    """Ask for what differs most from printer to printer; talk goes to standard error."""
    bed = Bed()
    say("Enter keeps the value in brackets; everything can be changed later in bed.toml.")
    size_x_mm = _number("plate", "size_x_mm", "Width of the plate (x), mm", bed.plate.size_x_mm)
    size_y_mm = _number("plate", "size_y_mm", "Depth of the plate (y), mm", bed.plate.size_y_mm)
    columns = _number("mesh", "columns", "Mesh points from left to right", bed.mesh.columns)
    rows = _number("mesh", "rows", "Mesh points from front to back", bed.mesh.rows)
    answers: dict[str, Any] = {"size": (size_x_mm, size_y_mm), "mesh": (columns, rows)}
    answers["inset"] = _ask_inset(answers)
    answers["bed_temp"] = _number("heat", "bed_c", "Temperature of the bed, C", bed.heat.bed_c)
    answers |= _ask_screws()
    style = _ask_style(str(bed.edits.style))
    answers["edit_style"] = style
    if style == "custom":
        answers["edit_template"] = _ask_template()
    answers["g29_sets_points"] = style == "G29 S3"
    return answers


def _ask_inset(answers: dict[str, Any]) -> float:
    """Ask how far inside the plate the mesh lies, until it has room there."""
    say(
        "How far inside the plate do the outermost mesh points lie? Where the four sides differ, "
        "give one here and correct [mesh] in bed.toml."
    )
    text = "From the outermost points to the edge, mm"
    while True:
        inset_mm: float = _number("mesh", "inset_mm", text, DEFAULT_INSET_MM)
        try:
            sides = {"size_x_mm": answers["size"][0], "size_y_mm": answers["size"][1]}
            mesh = dict(zip(("columns", "rows"), answers["mesh"], strict=True))
            bed_from_tables({"plate": sides, "mesh": {**mesh, "inset_mm": inset_mm}})
        except PadsheetError as error:
            say(f"{error.problem}. {error.remedy}")
        else:
            return inset_mm


def _ask_screws() -> dict[str, Any]:
    """Ask for the screws under the bed: how many, their thread, and which turn raises it."""
    count = _one_of("Screws with which you level the bed: 0 for none, 3 or 4", (0, *SCREW_PLACES))
    if not count:
        return {"screws": "0"}
    thread = _one_of("Their thread: 3, 4 or 5 for M3, M4 or M5", tuple(PITCH_MM), default=4)
    say(
        "Turn a knob a little and look which way the bed goes. The turn counts as seen from above: "
        "from below it looks the other way round."
    )
    turns = [str(choice) for choice in TABLES["screw"]["raises"].choices]
    for k, turn in enumerate(turns, 1):
        say(f"  {k}  {turn} raises the bed")
    usual = turns.index("counter-clockwise") + 1
    raises = turns[_one_of("Number", tuple(range(1, len(turns) + 1)), default=usual) - 1]
    return {"screws": str(count), "pitch_mm": PITCH_MM[thread], "raises": raises}


def _one_of(text: str, numbers: tuple[int, ...], *, default: int = 0) -> int:
    """Ask for one of a few whole numbers until it is one."""
    while True:
        answer = prompted(text, str(default)).lower().removeprefix("m")
        if answer in {str(number) for number in numbers}:
            return int(answer)
        *others, last = (str(number) for number in numbers)
        say(f"Give {', '.join(others)} or {last}.")


def _ask_style(default: str) -> str:
    """Ask how the printer is told a mesh value: by number or by word."""
    say("How is the printer told the value of a mesh point? Its manual says which it knows.")
    for k, style in enumerate(EDIT_STYLES, 1):
        say(f"  {k}  {STYLE_WORDS[style]}")
    while True:
        answer = prompted("Number", str(EDIT_STYLES.index(default) + 1))
        words = {style.lower(): style for style in EDIT_STYLES}
        words |= {str(k): style for k, style in enumerate(EDIT_STYLES, 1)}
        chosen = words.get(answer.lower())
        if chosen is None:
            say(f"Give a number from 1 to {len(EDIT_STYLES)}.")
        elif chosen != "G29 S3" or _released():
            return chosen


def _released() -> bool:
    """Ask whether `G29 S3` is safe on this printer."""
    say("On other printers a G29 starts a probing run that may drive the nozzle into the bed.")
    return confirmed("Does the manual say that G29 S3 sets one mesh point?", default=False)


def _ask_template() -> str:
    """Ask for the line of one point until it can be filled in."""
    say(
        "Such as SETPOINT C={column0} R={row0} Z={value_mm:.3f}; column1 and row1 count from 1, "
        "change_mm is what to add."
    )
    while True:
        template = prompted("Line for one point", "")
        try:
            check_style(bed_from_tables({"edits": {"style": "custom", "template": template}}).edits)
        except PadsheetError as error:
            say(f"{error.problem}. {error.remedy}")
        else:
            return template


def _number(table: str, name: str, text: str, default: float) -> Any:
    """Ask for a value of the profile until it is a number within its range."""
    key = TABLES[table][name]
    while True:
        answer = prompted(text, f"{default:g}")
        value = _value_of(answer, key)
        if value is not None:
            return value
        whole = "a whole number" if key.kind == "whole" else "a number"
        say(f"Give {whole} from {key.least:g} to {key.most:g}, such as {default:g}.")


def _value_of(answer: str, key: Key) -> float | int | None:
    """Return the number in an answer, None if there is none or it is out of range."""
    try:
        value = int(answer) if key.kind == "whole" else float(answer.lower().removesuffix("mm"))
    except ValueError:
        return None
    return value if key.least <= value <= key.most else None


def _tables(options: dict[str, Any]) -> dict[str, Any]:
    """Turn the options into the tables of a profile; what was not given is left out."""
    size_x_mm, size_y_mm = options["size"] or (None, None)
    columns, rows = options["mesh"] or (None, None)
    diameter, nozzle = options["diameter"], options["nozzle"]
    inset, target, width = options["inset"], options["target"], options["width"]
    if diameter is not None:
        size_x_mm = size_y_mm = diameter
        inset = _round_inset(diameter) if inset is None else inset
    if nozzle is not None:
        # The same proportions as the default first layer of the default nozzle.
        scale = nozzle / Bed().nozzle.bore_mm
        target = round(Bed().target.height_mm * scale, 3) if target is None else target
        width = round(Bed().target.width_mm * scale, 3) if width is None else width
    tables: dict[str, dict[str, Any]] = {
        "plate": {
            "shape": "round" if diameter is not None else None,
            "size_x_mm": size_x_mm,
            "size_y_mm": size_y_mm,
            "origin": "centre" if options["centre_origin"] else None,
        },
        "mesh": {
            "columns": columns,
            "rows": rows,
            "inset_mm": DEFAULT_INSET_MM if inset is None else inset,
        },
        "nozzle": {
            "bore_mm": nozzle,
            "flat_mm": None
            if nozzle is None
            else max(Bed().nozzle.flat_mm, FLAT_PER_BORE * nozzle),
            "filament_mm": options["filament"],
        },
        "heat": {"nozzle_c": options["nozzle_temp"], "bed_c": options["bed_temp"]},
        "target": {
            "height_mm": target,
            "width_mm": width,
            "tolerance_mm": options["tolerance"],
        },
        "edits": {
            "style": options["edit_style"],
            "template": options["edit_template"],
            "g29_sets_points": options["g29_sets_points"] or None,
        },
    }
    return {
        name: {key: value for key, value in table.items() if value is not None}
        for name, table in tables.items()
    }


def _screws(plate: Plate, options: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the blocks of the screws, near the corners or, of a round plate, its edge."""
    area = plate.outline.grown(-SCREW_INSET_MM)
    inner = 1.0
    if plate.shape == "round":
        # Corners of a square whose corners lie on the circle inside the edge.
        inner = math.sqrt(0.5)
    blocks = []
    for name, right, back in SCREW_PLACES.get(int(options["screws"] or 0), ()):
        x_mm, y_mm = (
            (low + high) / 2 + (part - 0.5) * (high - low) * inner
            for part, low, high in (
                (right, area.x_min_mm, area.x_max_mm),
                (back, area.y_min_mm, area.y_max_mm),
            )
        )
        block = {"name": name, "x_mm": round(x_mm, 1), "y_mm": round(y_mm, 1)}
        given = {key: options[key] for key in ("pitch_mm", "raises") if key in options}
        blocks.append(block | given)
    return blocks


def _round_inset(diameter_mm: float) -> float:
    """Return an inset, in whole millimetres, whose corner points lie well on a round plate."""
    radius_mm = diameter_mm / 2
    if not (math.isfinite(radius_mm) and radius_mm > ROUND_CORNER_INSET_MM):
        return DEFAULT_INSET_MM  # the diameter itself is refused by the checks
    return float(math.ceil(radius_mm - (radius_mm - ROUND_CORNER_INSET_MM) / math.sqrt(2)))


def _next_steps(path: Path, bed: Bed) -> str:
    plate, mesh = bed.plate, bed.mesh
    size = f"{plate.size_x_mm:g} x {plate.size_y_mm:g} mm"
    shape = f"round plate of {plate.size_x_mm:g} mm" if plate.shape == "round" else f"plate {size}"
    folder = shlex.quote(str(path.parent))
    return (
        f"Wrote {path}: {shape}, mesh of {mesh.columns} x {mesh.rows} points from "
        f"x {mesh.x_min_mm:g}, y {mesh.y_min_mm:g} to x {mesh.x_max_mm:g}, y {mesh.y_max_mm:g} mm, "
        f"nozzle {bed.nozzle.bore_mm:g} mm, {bed.heat.nozzle_c:g} C on {bed.heat.bed_c:g} C.\n"
        "Caution: the printer's own manual comes first. Check every value against it: a wrong "
        "size, temperature or command can damage the printer.\n"
        f"{_screw_words(bed)}"
        f"Next: edit {path}. If the printer holds a mesh already, take it in with "
        f"`padsheet -C {folder} mesh FILE`. Then `padsheet -C {folder} sheet`."
    )


def _screw_words(bed: Bed) -> str:
    """Say what of the screws is a guess; empty without any."""
    if not bed.screws:
        return ""
    places = ", ".join(f"{s.name} x {s.x_mm:g} y {s.y_mm:g}" for s in bed.screws)
    first = bed.screws[0]
    return (
        f"The places of the screws are guessed ({places}): correct them in [[screw]] at the end of "
        f"the file. It says that {first.raises}, seen from above, raises the bed by "
        f"{first.pitch_mm:g} mm a turn: turn a knob a little and look. The wrong way round would "
        "double the tilt.\n"
    )
