"""Scoring a round of a bed folder: photos in, scores, annotated picture and report out."""

from __future__ import annotations

import datetime
import io
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.advice import Advice, advise
from padsheet.scoring.annotate import annotate
from padsheet.scoring.finder import sheet_numbers_seen
from padsheet.scoring.history import applied_words, standing, summaries
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.photo import Photo, read_photo
from padsheet.scoring.quality import photo_notes
from padsheet.scoring.reading import PhotoReading, read_print
from padsheet.scoring.report import RoundRow, render_report
from padsheet.scoring.round_edits import is_proved
from padsheet.scoring.rounds import BedFolder, Round, refuse_overwrite, write_group
from padsheet.scoring.scores import scores_to_json
from padsheet.scoring.squish import SheetScore
from padsheet.scoring.todo import Step, todo

__all__ = ["Scored", "find_round", "score_photos", "score_round", "todo_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """A scored print.

    Attributes
    ----------
    score : SheetScore
    advice : Advice or None
        None where no profile is at hand.
    readings : tuple of PhotoReading
        One for each photo that could be read.
    """

    score: SheetScore
    advice: Advice | None
    readings: tuple[PhotoReading, ...]


def find_round(folder: BedFolder, photo: Photo) -> Round:
    """Find the round that a photo belongs to by the number in its markers.

    Raises
    ------
    PadsheetError
        If there is no sheet, or the photo shows one that the folder does not hold.
    """
    rounds = [r for r in folder.rounds() if r.sheet_json.exists()]
    if not rounds:
        raise PadsheetError(
            "this bed folder has no sheet yet",
            remedy="Write one with `padsheet sheet` and print it.",
            code="round-none",
        )
    if len(rounds) == 1:
        return rounds[0]
    seen = sheet_numbers_seen(photo)
    if not seen:
        return rounds[-1]
    number = seen.most_common(1)[0][0]
    matching = [r for r in rounds if r.number % 20 == number]
    if not matching:
        raise PadsheetError(
            f"the photo shows sheet number {number}, which this bed folder does not hold",
            remedy="Work in the folder of the bed that was printed (-C DIR).",
            code="photo-other-sheet",
        )
    return matching[-1]


def score_photos(paths: Sequence[Path], sheet: Sheet, *, mesh: Mesh | None = None) -> Scored:
    """Score photos of a sheet without a bed folder: no advice, nothing written."""
    score, readings = read_print([read_photo(p) for p in paths], sheet, mesh=mesh)
    return Scored(score=score, advice=None, readings=tuple(readings))


def score_round(
    folder: BedFolder, paths: Sequence[Path], *, round_: Round | None = None, force: bool = False
) -> tuple[Scored, Round]:
    """Score photos of a round and write its scores, annotated picture and report.

    Parameters
    ----------
    folder : BedFolder
        Its lock should be held.
    paths : sequence of Path
        Photos of one print.
    round_ : Round, optional
        Found by the markers if not given.
    force : bool
        Overwrite the scores that the round already has.

    Raises
    ------
    PadsheetError
        If the photos cannot be read, or the round is scored already. Nothing is written then.
    """
    bed = folder.bed()
    photos = [read_photo(path) for path in paths]
    chosen = round_ or find_round(folder, photos[0])
    refuse_overwrite(chosen.scores_json, force)
    sheet = chosen.read_sheet()
    # What was in force on the sheet, not what the printer holds by now: a sheet that is scored
    # after its edits are in must not be corrected once more.
    mesh = folder.mesh_in_force(chosen)
    known = mesh if sheet.mesh_active == "yes" else None
    score, readings = read_print(photos, sheet, mesh=known)
    plate, bed_c = bed.plate.name, bed.heat.bed_c
    stand = standing(folder, chosen.number, score=score, plate=plate, bed_c=bed_c)
    advice = advise(score, bed, mesh=mesh, state=stand.state, proof=stand.proof)
    scored = Scored(score=score, advice=advice, readings=tuple(readings))
    picture = _annotated(photos, scored, sheet)
    _keep_photos(chosen, paths)
    # After the photos are kept: the report's commands name them.
    report = _report(folder, chosen, bed, sheet, scored, picture)
    write_group(
        chosen.path,
        {
            "annotated.jpg": _jpeg(picture),
            "report.html": report,
            "scores.json": scores_to_json(score, advice, plate=plate, bed_c=bed_c),
        },
        force=force,
    )
    return scored, chosen


def _keep_photos(round_: Round, paths: Sequence[Path]) -> None:
    """Copy the photos into the round, unless they are there already."""
    held = {path.read_bytes() for path in round_.photos()}
    number = len(round_.photos())
    for path in paths:
        if path.read_bytes() in held:
            continue
        number += 1
        target = round_.photo(number, path.suffix or ".jpg")
        part = target.with_name(f".{target.name}.part")
        shutil.copyfile(path, part)
        part.replace(target)


def _annotated(photos: Sequence[Photo], scored: Scored, sheet: Sheet) -> NDArray[np.uint8]:
    """Draw the scores on the photo that shows most pads."""
    best = max(scored.readings, key=lambda r: len(r.score.order))
    photo = next(p for p in photos if p.name == best.score.photos[0])
    camera = best.registration.camera

    def to_pixel(xy_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        return camera.project(np.asarray(xy_mm, float))[..., ::-1]

    return annotate(photo.rgb, sheet, scored.score, to_pixel)


def _jpeg(picture: NDArray[np.uint8]) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, "JPEG", quality=88)
    return stream.getvalue()


def _report(
    folder: BedFolder,
    round_: Round,
    bed: Bed,
    sheet: Sheet,
    scored: Scored,
    picture: NDArray[np.uint8],
) -> str:
    advice = scored.advice
    best = max(scored.readings, key=lambda r: len(r.score.order))
    today = datetime.datetime.now().astimezone()
    return render_report(
        sheet=sheet,
        score=scored.score,
        advice=advice,
        picture=picture,
        curves=best.curves,
        crops=best.crops,
        steps=None if advice is None else todo_of(folder, round_, advice),
        rounds=_rows(folder, round_, scored, f"{today:%Y-%m-%d}"),
        photo_notes=photo_notes(
            scored.score, [r.quality for r in scored.readings if r.quality is not None]
        ),
        bed_name=folder.path.resolve().name,
        made=f"{today:%Y-%m-%d %H:%M}",
    )


def todo_of(folder: BedFolder, round_: Round, advice: Advice) -> list[Step]:
    """Return what to do now in a bed folder, with the commands to copy."""
    return todo(
        advice,
        folder.path,
        proved=is_proved(folder, folder.bed()),
        mesh_known=folder.active_mesh() is not None,
        photos=round_.photos(),
    )


def _rows(folder: BedFolder, round_: Round, scored: Scored, today: str) -> list[RoundRow]:
    rows = [
        RoundRow(
            number=row.number,
            made=_day_of(folder.round(row.number)),
            read=row.read,
            points=row.pads,
            on_target=_on_target(folder.round(row.number)),
            worst_mm=row.worst[2] if row.worst else None,
            mean_mm=row.mean_mm,
            applied=applied_words(row),
        )
        for row in summaries(folder)
        if row.number < round_.number and row.progress in ("scored", "applied")
    ]
    errors = [
        p.gap_mm - scored.score.target_gap_mm for p in scored.score.pads if p.gap_mm is not None
    ]
    rows.append(
        RoundRow(
            number=round_.number,
            made=today,
            read=len(errors),
            points=len(scored.score.pads),
            on_target=sum(p.verdict == "on target" for p in scored.score.pads),
            worst_mm=max(errors, key=abs),
            mean_mm=float(np.mean(errors)),
        )
    )
    return rows


def _day_of(round_: Round) -> str:
    """Return the day on which a round was scored, by the date of its file."""
    stamp = round_.scores_json.stat().st_mtime
    return f"{datetime.datetime.fromtimestamp(stamp).astimezone():%Y-%m-%d}"


def _on_target(round_: Round) -> int:
    return sum(pad.verdict == "on target" for pad in round_.read_score().pads)
