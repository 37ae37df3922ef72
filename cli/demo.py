"""`padsheet demo`: the whole job on an example photo, with no printer and no network."""

from __future__ import annotations

import json
import shutil
from importlib.resources import as_file
from importlib.resources.abc import Traversable
from pathlib import Path

import click
import numpy as np

from padsheet.cli.options import force_option, json_option, say, show_json, user_errors
from padsheet.cli.score import show_scores
from padsheet.demo_photos import mesh_file, scenario
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.patterns.make import make_sheet
from padsheet.patterns.sheet_file import sheet_from_json
from padsheet.scoring.mesh import parse_mesh_csv
from padsheet.scoring.round_edits import edits_of_round, write_edits
from padsheet.scoring.rounds import BedFolder, Round, write_group
from padsheet.scoring.scorer import Scored, score_round
from padsheet.scoring.scores import scores_to_data
from padsheet.scoring.squish import SheetScore

__all__ = ["command"]


@click.command("demo")
@click.argument(
    "folder", type=click.Path(path_type=Path, file_okay=False), default=Path("padsheet-demo")
)
@click.option(
    "--photo",
    "name",
    type=click.Choice(["ordinary", "dark", "upside-down"]),
    default="ordinary",
    show_default=True,
    help="Which example photo to score.",
)
@force_option
@json_option
def command(folder: Path, name: str, force: bool, as_json: bool) -> None:
    """Run the whole job on an example photo: sheet, score, adjustments, report.

    \b
    Example:
      padsheet demo
      padsheet demo /tmp/try --photo dark
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    with user_errors():
        bed_folder = _begin(folder, scenario(name), force=force)
        say("Writing the sheet of the demo bed ...")
        round_ = _write_sheet(bed_folder, scenario(name))
        say("Scoring the rendered example photo ...")
        with as_file(scenario(name) / "photo.jpg") as photo, bed_folder.lock():
            scored, _ = score_round(bed_folder, [photo], round_=round_, force=True)
        lines = _write_edits(bed_folder, round_)
        against = _against_truth(scored.score, scenario(name))
    if as_json:
        data = scores_to_data(scored.score, scored.advice)
        show_json({**data, "demo": {"folder": str(folder.resolve()), **against}})
        return
    _talk(folder, round_, scored, lines, against)


def _begin(folder: Path, source: Traversable, *, force: bool) -> BedFolder:
    """Make the bed folder with profile and mesh."""
    if folder.exists() and any(folder.iterdir()):
        ours = (folder / ".padsheet-demo").exists()
        if not (force and ours):
            raise PadsheetError(
                f"the folder {folder} is not empty",
                remedy="Name another folder, or repeat an earlier demo there with --force."
                if ours
                else "Name an empty or a new folder for the demo.",
                code="demo-folder",
            )
        shutil.rmtree(folder)
    folder.mkdir(parents=True, exist_ok=True)
    write_atomic(folder / ".padsheet-demo", "made by padsheet demo\n")
    write_atomic(folder / "bed.toml", (source / "bed.toml").read_bytes())
    bed_folder = BedFolder(folder)
    shipped = sheet_from_json((source / "sheet.json").read_text(encoding="utf-8"))
    if shipped.mesh_name is not None:
        table = mesh_file(shipped.mesh_name)
        text = table.read_text(encoding="utf-8")
        bed_folder.store_mesh(parse_mesh_csv(text, Path(table.name), bed_folder.bed().mesh))
    return bed_folder


def _write_sheet(folder: BedFolder, source: Traversable) -> Round:
    """Write round 1's sheet and check that it is the one in the photo."""
    shipped = sheet_from_json((source / "sheet.json").read_text(encoding="utf-8"))
    mesh = folder.active_mesh()
    files = make_sheet(
        folder.bed(),
        reach_mm=shipped.reach_mm,
        number=shipped.number,
        mesh_active=shipped.mesh_active,
        mesh_name=shipped.mesh_name,
        mesh_z_mm=None if mesh is None else mesh.z_mm,
    )
    if files.sheet.pads != shipped.pads or files.sheet.tracks != shipped.tracks:
        raise PadsheetError(
            "the example photo does not belong to the sheet that this version writes",
            remedy="Install padsheet again from a whole copy of the project.",
            code="demo-sheet",
        )
    round_ = folder.round(shipped.number)
    write_group(
        round_.path,
        {"sheet.gcode": files.gcode, "preview.svg": files.svg, "sheet.json": files.json},
        force=True,
    )
    return round_


def _write_edits(folder: BedFolder, round_: Round) -> tuple[str, ...]:
    """Write the edits as `padsheet edits` does; none if there is nothing to change."""
    bed = folder.bed()
    empty = folder.active_mesh() is None
    advice = round_.read_advice()
    if advice is None or advice.work != "mesh":
        return ()
    made = edits_of_round(folder, bed, round_, empty_mesh=empty)
    if made.edits.edits:
        write_edits(round_, made.edits)
    return tuple(made.edits.lines)


def _against_truth(score: SheetScore, source: Traversable) -> dict[str, float | int]:
    """Compare the measured gaps with the truth of the rendered print."""
    truth = json.loads((source / "truth.json").read_text(encoding="utf-8"))
    true_gap = {(p["i"], p["j"]): p["gap_mm"] for p in truth["pads"]}
    errors = np.array([p.gap_mm - true_gap[p.i, p.j] for p in score.pads if p.gap_mm is not None])
    return {
        "relative_rms_mm": float(errors.std()),
        "common_mm": float(errors.mean()),
        "worst_mm": float(np.abs(errors).max()),
        "read": len(errors),
    }


def _talk(
    folder: Path,
    round_: Round,
    scored: Scored,
    lines: tuple[str, ...],
    against: dict[str, float | int],
) -> None:
    show_scores(scored)
    if lines:
        click.echo("\nThe edits for the printer:\n")
        click.echo("\n".join(lines))
    for step in scored.advice.steps if scored.advice else ():
        say(step)
    say(
        f"Measured minus true: {against['relative_rms_mm']:.4f} mm RMS from pad to pad, "
        f"{against['common_mm']:+.4f} mm in common, over {against['read']} pads."
    )
    say(f"Everything is in {folder.resolve()}; open {round_.report_html.resolve()} to look.")
    say("The photo is rendered, not real. Next: `padsheet init my-bed` for your own printer.")
