"""What is written of a scored round: its photos, the picture with the scores, report and scores.

A module of its own, so that it can be imported while the photo is being read.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from padsheet.patterns.bed import Bed
from padsheet.patterns.files import write_atomic
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.advice import Advice
from padsheet.scoring.annotate import annotate
from padsheet.scoring.doing import Step
from padsheet.scoring.done import after_self_check
from padsheet.scoring.history import applied_words, summaries
from padsheet.scoring.overwriting import write_group
from padsheet.scoring.photo import Photo, jpeg_bytes
from padsheet.scoring.quality import photo_notes
from padsheet.scoring.report import RoundRow, render_report
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.scores import scores_to_json
from padsheet.scoring.selfcheck import SelfCheck, what_next
from padsheet.scoring.squish import SheetScore
from padsheet.scoring.todo import todo_of
from padsheet.scoring.together import in_shape_only, judged

if TYPE_CHECKING:
    from padsheet.scoring.scorer import Scored

__all__ = ["drawing_with_scores", "photo_with_scores", "write_round"]


def write_round(
    folder: BedFolder,
    bed: Bed,
    round_: Round,
    sheet: Sheet,
    scored: Scored,
    draw: Callable[[], Image.Image],
    *,
    photos: Sequence[Path] = (),
    more: Mapping[str, str] | None = None,
    force: bool,
) -> None:
    """Write what came of a round; the scores come last and vouch for the rest.

    Parameters
    ----------
    folder, bed, round_, sheet, scored
        What was scored.
    draw : callable
        Draws the picture with the scores, which is packed while the report is made.
    photos : sequence of Path
        To be kept with the round.
    more : mapping of str to str, optional
        Other files, by name.
    force : bool
        Overwrite what the round already has.
    """
    with ThreadPoolExecutor(1) as pool:
        picture = pool.submit(_jpeg, draw())
        _keep_photos(round_, photos)
        # After the photos are kept: the report's commands name them.
        report = _report(folder, round_, bed, sheet, scored, picture)
        scores = scores_to_json(scored.score, scored.advice, **scored.context)
    files: dict[str, bytes | str] = {
        **(more or {}),
        round_.annotated_jpg.name: picture.result(),
        round_.report_html.name: report,
        round_.scores_json.name: scores,
    }
    write_group(round_.path, files, force=force)


def _keep_photos(round_: Round, paths: Sequence[Path]) -> None:
    """Copy the photos into the round, unless they are there already."""
    held = {path.read_bytes() for path in round_.photos()}
    number = len(round_.photos())
    for path in paths:
        data = path.read_bytes()
        if data in held:
            continue
        number += 1
        write_atomic(round_.photo(number, path.suffix or ".jpg"), data)


def photo_with_scores(photos: Sequence[Photo], scored: Scored, sheet: Sheet) -> Image.Image:
    """Draw the scores on the photo that shows most pads."""
    best = max(scored.readings, key=lambda r: len(r.score.order))
    photo = next(p for p in photos if p.name == best.score.photos[0])
    camera = best.registration.camera
    picture = photo.rgb if photo.work is None else photo.work
    scale = max(picture.shape[:2]) / max(photo.rgb.shape[:2])

    def to_pixel(xy_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        seen = camera.project(np.asarray(xy_mm, float))[..., ::-1]
        return np.asarray((seen + 0.5) * scale - 0.5)

    return annotate(picture, sheet, _as_mapped(scored), to_pixel, judged=scored.check is None)


def drawing_with_scores(scored: Scored, sheet: Sheet) -> Image.Image:
    """Draw the scores on a drawing of the sheet."""
    from padsheet.scoring.drawing import draw_sheet, to_drawing

    shown = _as_mapped(scored)
    return annotate(draw_sheet(sheet), sheet, shown, lambda xy_mm: to_drawing(sheet, xy_mm))


def _as_mapped(scored: Scored) -> SheetScore:
    """Return the scores with figures and colours as on the map of the report."""
    return in_shape_only(scored.shown, scored.advice)


def _jpeg(picture: Image.Image) -> bytes:
    return jpeg_bytes(np.asarray(picture), quality=88)


def _report(
    folder: BedFolder,
    round_: Round,
    bed: Bed,
    sheet: Sheet,
    scored: Scored,
    picture: Future[bytes],
) -> str:
    advice = scored.advice
    best = max(scored.readings, key=lambda r: len(r.score.order), default=None)
    today = datetime.datetime.now().astimezone()
    return render_report(
        sheet=sheet,
        score=scored.shown,
        advice=advice,
        picture=picture,
        curves=() if best is None else best.curves,
        crops=None if best is None else best.crops,
        steps=_check_steps(folder, bed, scored)
        if advice is None
        else todo_of(folder, round_, advice),
        rounds=_rows(folder, round_, scored, f"{today:%Y-%m-%d}"),
        title="" if scored.check is None else _headline(scored.check)[0],
        check=scored.check,
        mesh_absent=scored.mesh_absent,
        photo_notes=photo_notes(
            scored.score, [r.quality for r in scored.readings if r.quality is not None]
        )
        if scored.readings
        else (),
        bed_name=folder.path.resolve().name,
        made=f"{today:%Y-%m-%d %H:%M}",
        round_plate=bed.plate.shape == "round",
    )


def _check_steps(folder: BedFolder, bed: Bed, scored: Scored) -> list[Step] | None:
    """Return what to do after a self-check, and what it showed as facts."""
    if scored.check is None:
        return None
    doing, (_, rest) = what_next(scored.check), _headline(scored.check)
    told = [rest, *(text for text in scored.check.words[1:] if text not in doing)]
    return [
        *after_self_check(folder, bed.mesh, scored.check.outcome, doing),
        *(Step(text=text, fact=True) for text in told if text),
    ]


def _headline(check: SelfCheck) -> tuple[str, str]:
    """Return the first sentence of what a self-check says, and the rest of its verdict."""
    first, dot, rest = check.words[0].partition(". ")
    return f"{first}{dot.strip()}", rest


def _rows(folder: BedFolder, round_: Round, scored: Scored, today: str) -> list[RoundRow]:
    rows = [
        RoundRow(
            number=row.number,
            made=_day_of(folder.round(row.number)),
            read=row.read,
            points=row.pads,
            on_target=None if row.work == "self-check" else _on_target(folder.round(row.number)),
            in_shape=_in_shape(folder.round(row.number).read_advice()),
            worst_mm=row.worst[2] if row.worst else None,
            common_mm=row.common_mm,
            applied=applied_words(row),
        )
        for row in summaries(folder, before=round_.number)
        if row.progress in ("scored", "applied")
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
            on_target=None
            if scored.check is not None
            else sum(p.verdict == "on target" for p in scored.shown.pads),
            in_shape=_in_shape(scored.advice),
            worst_mm=max(errors, key=abs, default=None),
            common_mm=scored.advice.common_mm if scored.advice and errors else None,
        )
    )
    return rows


def _day_of(round_: Round) -> str:
    """Return the day on which a round was scored, by the date of its file."""
    stamp = round_.scores_json.stat().st_mtime
    return f"{datetime.datetime.fromtimestamp(stamp).astimezone():%Y-%m-%d}"


def _in_shape(advice: Advice | None) -> int:
    return 0 if advice is None else sum(node.in_shape for node in advice.nodes)


def _on_target(round_: Round) -> int:
    shown = judged(round_.read_score(), round_.read_advice())
    return sum(pad.verdict == "on target" for pad in shown.pads)
