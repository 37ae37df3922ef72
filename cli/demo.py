"""`padsheet demo`: the whole job on an example photo, with no printer and no network."""

from __future__ import annotations

import json
import shlex
import shutil
import sys
from dataclasses import asdict, dataclass
from importlib.resources import as_file
from importlib.resources.abc import Traversable
from pathlib import Path

import click
import numpy as np

from padsheet.cli.options import (
    fitted,
    folder_of,
    json_option,
    refuse_file,
    say,
    say_steps,
    show_json,
    user_errors,
)
from padsheet.cli.score_one import show_scores
from padsheet.demo_photos import mesh_file, scenario
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.patterns.make import make_sheet
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import sheet_from_json
from padsheet.scoring.doing import Step
from padsheet.scoring.edits import SAVE_WARNING
from padsheet.scoring.mesh import SAME_VALUE_MM, parse_mesh_csv
from padsheet.scoring.overwriting import write_group
from padsheet.scoring.phrases import place
from padsheet.scoring.round_edits import RoundEdits, edits_of_round, write_edits
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.scorer import Scored, score_round
from padsheet.scoring.scores import scores_to_data
from padsheet.scoring.squish import SheetScore

__all__ = ["Comparison", "command", "compared"]

SECOND = "second-round"
#: Tells that a folder was made by this command, which may then begin it afresh.
MARK = ".padsheet-demo"


@click.command("demo")
@click.argument(
    "directory",
    metavar="[DIR]",
    type=click.Path(path_type=Path),
    default=Path("padsheet-demo"),
)
@click.option(
    "--photo",
    "name",
    type=click.Choice(["ordinary", "dark", "upside-down"]),
    default="ordinary",
    show_default=True,
    help="Which example photo to score.",
)
@click.option(
    "--force", is_flag=True, help="Begin the demo afresh in the folder of an earlier one."
)
@json_option
@click.pass_context
def command(ctx: click.Context, directory: Path, name: str, force: bool, as_json: bool) -> None:
    """Run the whole job on an example photo: sheet, score, adjustments, report.

    Makes the bed folder DIR (padsheet-demo if not given), writes the sheet, reads a rendered photo
    of its print, writes report and edits, and compares what was measured with the truth.

    \b
    Example:
      padsheet demo
      padsheet demo /tmp/try --photo dark
    """  # noqa: D301 -- click's mark for a paragraph kept as it is
    source = scenario(name)
    with user_errors():
        folder = BedFolder(folder_of(ctx) / directory)
        refuse_file(folder.path)
        _make_room(folder.path, force=force)
        with folder.lock():
            _write_bed(folder, source)
            say("Writing the sheet of the demo bed ...")
            round_ = _write_sheet(folder, source)
            say("Scoring the rendered example photo ...")
            with as_file(source / "photo.jpg") as photo:
                scored, _ = score_round(folder, [photo], round_=round_)
            made = _write_edits(folder, round_)
            goes_on = _write_second(folder, name)
            apart = _apart(folder, made) if goes_on else ""
    against = compared(scored.score, source)
    if as_json:
        data = scores_to_data(scored.score, scored.advice, **scored.context)
        show_json({**data, "demo": _data(folder, round_, name, made, against)})
    else:
        _show(scored, against)
    _talk(folder, round_, made, goes_on=goes_on, apart=apart)


def _make_room(path: Path, *, force: bool) -> None:
    """Make the folder; what an earlier demo wrote goes if told so, and nothing else ever."""
    if path.exists() and any(path.iterdir()):
        ours = (path / MARK).exists()
        if not (force and ours):
            raise PadsheetError(
                f"the folder {path} is not empty",
                remedy="Name another folder, or repeat an earlier demo there with --force."
                if ours
                else "Name an empty or a new folder for the demo.",
                code="demo-folder",
            )
        for part in ("rounds", "meshes", SECOND):
            shutil.rmtree(path / part, ignore_errors=True)
    path.mkdir(parents=True, exist_ok=True)


def _write_bed(folder: BedFolder, source: Traversable) -> None:
    """Write profile and mesh."""
    write_atomic(folder.path / MARK, "made by padsheet demo\n")
    write_atomic(folder.profile, (source / "bed.toml").read_bytes())
    shipped = _shipped_sheet(source)
    if shipped.mesh_name is not None:
        table = mesh_file(shipped.mesh_name)
        text = table.read_text(encoding="utf-8")
        folder.store_mesh(parse_mesh_csv(text, Path(table.name), folder.bed().mesh))


def _shipped_sheet(source: Traversable) -> Sheet:
    return sheet_from_json((source / "sheet.json").read_text(encoding="utf-8"))


def _write_sheet(folder: BedFolder, source: Traversable) -> Round:
    """Write round 1's sheet and check that it is the one in the photo."""
    shipped = _shipped_sheet(source)
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
    write_group(round_.path, files.by_name)
    return round_


def _write_edits(folder: BedFolder, round_: Round) -> RoundEdits | None:
    """Write the edits as `padsheet edits` does; None if there is nothing to change."""
    advice = round_.read_advice()
    if advice is None or advice.work != "mesh":
        return None
    empty = folder.active_mesh() is None
    made = edits_of_round(folder, folder.bed(), round_, empty_mesh=empty)
    if made.edits.edits:
        write_edits(round_, made.edits)
    return made


def _write_second(folder: BedFolder, name: str) -> bool:
    """Put the second round's mesh and photo at hand; False if this bed has none."""
    second = scenario(SECOND)
    wanted, mesh_name = _shipped_sheet(scenario(name)), _shipped_sheet(second).mesh_name
    if wanted.mesh_name is None or mesh_name is None:
        return False
    there = folder.path / SECOND
    there.mkdir(exist_ok=True)
    write_atomic(there / "mesh.csv", mesh_file(mesh_name).read_bytes())
    write_atomic(there / "photo.jpg", (second / "photo.jpg").read_bytes())
    return True


def _apart(folder: BedFolder, made: RoundEdits | None) -> str:
    """Say where the mesh under the second photo, rendered once, is not quite that of these edits.

    The photo stays as it is while the reading gets better.
    """
    expected = None if made is None else made.edits.expected
    path = folder.path / SECOND / "mesh.csv"
    if expected is None:
        return ""
    z_mm = parse_mesh_csv(path.read_text(encoding="utf-8"), path, folder.bed().mesh).z_mm
    apart_mm = np.abs(z_mm - expected.z_mm)
    count = int((apart_mm > SAME_VALUE_MM).sum())
    if count == 0:
        return ""
    return (
        f" (its mesh.csv differs from them by up to {apart_mm.max():.2f} mm at {count} points, "
        "which does no harm)"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What was measured less the truth, over the pads that were read.

    Attributes
    ----------
    pads, read : int
        All pads, and those that have a gap.
    relative_rms_mm : float
        Root mean square of the errors, less what all pads share.
    common_mm : float
        The mean error, which all pads share.
    worst_mm : float
        The largest error, signed.
    worst_i, worst_j : int
        The pad that has it.
    held : int
        How many of the stated 95 % intervals hold the truth.
    """

    pads: int
    read: int
    relative_rms_mm: float
    common_mm: float
    worst_mm: float
    worst_i: int
    worst_j: int
    held: int

    @property
    def text(self) -> str:
        """The comparison in words."""
        return (
            f"Measured minus true, {self.read} of {self.pads} pads: "
            f"{self.relative_rms_mm:.4f} mm RMS from pad to pad, {self.common_mm:+.4f} mm in "
            f"common, {self.worst_mm:+.4f} mm at worst, at "
            f"{place(self.worst_i, self.worst_j)}. {self.held} of {self.read} stated 95 % "
            "intervals hold the truth."
        )


def compared(score: SheetScore, source: Traversable) -> Comparison:
    """Compare the measured gaps with the truth of the rendered print.

    Parameters
    ----------
    score : SheetScore
        With at least one pad that was read.
    source : Traversable
        Folder of the example; see `padsheet.demo_photos.scenario`.
    """
    truth = json.loads((source / "truth.json").read_text(encoding="utf-8"))
    true_mm = {(p["i"], p["j"]): float(p["gap_mm"]) for p in truth["pads"]}
    read = [pad for pad in score.pads if pad.gap_mm is not None]
    errors = np.array([(pad.gap_mm or 0.0) - true_mm[pad.i, pad.j] for pad in read])
    worst = int(np.argmax(np.abs(errors)))
    held = 0
    for pad in read:
        low, high = pad.interval_mm or (None, None)
        true = true_mm[pad.i, pad.j]
        held += (low is None or low <= true) and (high is None or true <= high)
    return Comparison(
        pads=len(score.pads),
        read=len(read),
        relative_rms_mm=float(errors.std()),
        common_mm=float(errors.mean()),
        worst_mm=float(errors[worst]),
        worst_i=read[worst].i,
        worst_j=read[worst].j,
        held=held,
    )


def _data(
    folder: BedFolder, round_: Round, name: str, made: RoundEdits | None, against: Comparison
) -> dict[str, object]:
    written = made is not None and bool(made.edits.edits)
    return {
        "photo": name,
        "folder": str(folder.path.resolve()),
        "report": str(round_.report_html.resolve()),
        "edits": str(round_.edits_gcode.resolve()) if written else None,
        **asdict(against),
    }


def _show(scored: Scored, against: Comparison) -> None:
    show_scores(scored, in_short=True)
    click.echo(fitted(against.text, sys.stdout))


def _talk(
    folder: BedFolder, round_: Round, made: RoundEdits | None, *, goes_on: bool, apart: str
) -> None:
    """Say where everything is, what to take care of, and what to try next."""
    say(
        f"\nThe photo is rendered, not real. In {round_.path} are the sheet (sheet.gcode, "
        "preview.svg), the photo as read (annotated.jpg), scores.json and the report."
    )
    if made is not None and made.edits.edits:
        lines = [edit.line for edit in made.edits.edits]
        more = f", {len(lines)} lines such as {lines[0]}" if lines[0] else ""
        say(f"There too: edits.gcode for the printer{more}; and the way back, restore.gcode.")
        say("With a real printer, before any of them is sent:")
        for caution in (*made.edits.cautions, SAVE_WARNING):
            say(f"! {caution}", hang=2)
    report = Step(
        text="Open the report in a browser: every point, and what to do.",
        commands=(str(round_.report_html.resolve()),),
    )
    base = f"padsheet -C {shlex.quote(str(folder.path))}"
    there = shlex.quote(str(folder.path / SECOND))
    second = Step(
        text=f"Go on to the second round: the mesh after these edits{apart}, sheet, photo.",
        commands=(
            f"{base} mesh {there}/mesh.csv --yes",
            f"{base} sheet",
            f"{base} score {there}/photo.jpg",
            f"{base} rounds",
        ),
    )
    own = Step(text="Then begin with your own printer.", commands=("padsheet init my-bed",))
    say("What to do now:")
    say_steps([report, *([second] if goes_on else []), own])
