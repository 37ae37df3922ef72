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
    folder_of,
    force_option,
    refuse_file,
    say,
    user_errors,
)
from padsheet.cli.questions import EDIT_STYLES, OFFSET_STYLES, OUTSIDE, ask
from padsheet.patterns.bed import Bed, Plate
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.patterns.profile import DEFAULT_INSET_MM, bed_from_tables, profile_text
from padsheet.scoring.applied import KEPT_STYLES
from padsheet.scoring.edit_styles import check_style

__all__ = ["command"]

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
@click.option(
    "--outside",
    type=click.Choice(OUTSIDE),
    help="What the printer does beyond the outermost grid points, by its manual.",
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
@click.option(
    "--offset-style",
    type=click.Choice(OFFSET_STYLES),
    help="How the offset of all points is set; hand is by the printer's menu or knob.",
)
@click.option(
    "--offset-now",
    type=NUMBER,
    metavar="MM",
    help="The offset that the printer holds now, for M851 and M206.",
)
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
    if options["offset_now"] is not None and options["offset_style"] not in KEPT_STYLES:
        raise click.UsageError(
            "--offset-now needs --offset-style M851 or M206: only those take the new value, and so "
            "need the present one."
        )
    folder = folder_of(ctx) / directory if directory else folder_of(ctx)
    path = folder / "bed.toml"
    with user_errors():
        refuse_file(folder)
        # Before the questions, so that nobody answers them for nothing.
        _refuse_overwriting(path, force=force)
        if _nothing_given(ctx) and at_terminal():
            options |= ask()
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
            "outside": options["outside"],
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
            "offset_style": options["offset_style"],
            "offset_now_mm": options["offset_now"],
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
        f"X0 Y0 in the {'middle' if plate.origin == 'centre' else 'front left corner'}, "
        f"nozzle {bed.nozzle.bore_mm:g} mm, {bed.heat.nozzle_c:g} C on {bed.heat.bed_c:g} C.\n"
        "Caution: the printer's own manual comes first. Check every value against it: a wrong "
        "size, temperature or command can damage the printer.\n"
        f"{_unasked_words(bed)}"
        f"{_screw_words(bed)}"
        f"Next: edit {path}. If the printer holds a mesh already, take it in with "
        f"`padsheet -C {folder} mesh FILE`; if it holds none, or only zeros, say so with "
        f"`padsheet -C {folder} mesh --empty`. Then `padsheet -C {folder} sheet`."
    )


def _unasked_words(bed: Bed) -> str:
    """Name the values that nobody told and that matter most, in one sentence."""
    parts = [
        "z_step_mm and z_lowest_mm in [motion], on which the known heights of the ruler rest",
    ]
    if bed.mesh.outside == "unknown":
        parts.append(
            "outside in [mesh], without which the outer pads stand up to 18 mm inside their points"
        )
    edits = bed.edits
    if edits.offset_style in KEPT_STYLES and edits.offset_now_mm is None:
        parts.append(
            "offset_now_mm in [edits], without which advice cannot give the line that sets the "
            f"offset with {edits.offset_style}"
        )
    return f"Look up first what nobody has told yet and matters most: {'; '.join(parts)}.\n"


def _screw_words(bed: Bed) -> str:
    """Say what of the screws is a guess; empty without any."""
    if not bed.screws:
        return ""
    places = ", ".join(f"{s.name} x {s.x_mm:g} y {s.y_mm:g}" for s in bed.screws)
    first = bed.screws[0]
    turn = (
        "It does not say which turn raises the bed: turn a knob a little, look, and write it "
        "there; until then no direction is advised."
        if first.raises == "unknown"
        else f"It says that {first.raises}, seen from above, raises the bed by {first.pitch_mm:g} "
        "mm a turn: turn a knob a little and look. The wrong way round would double the tilt."
    )
    turned_round = (
        " Two of them in front and one at the back is a guess as well: yours may be the other way "
        "round."
        if len(bed.screws) == 3
        else ""
    )
    return (
        f"The places of the screws are guessed ({places}): correct them in [[screw]] at the end of "
        f"the file.{turned_round} {turn}\n"
    )
