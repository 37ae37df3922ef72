"""Scoring a round of a bed folder: photos in, scores, annotated picture and report out.

Lines picked by eye take the place of photos where there are none.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.markers import SHEET_NUMBERS
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.advice import Advice, advise
from padsheet.scoring.finder import sheet_numbers_seen
from padsheet.scoring.history import standing
from padsheet.scoring.mesh import SAME_VALUE_MM, Mesh
from padsheet.scoring.offset_check import with_offset_checked
from padsheet.scoring.photo import Photo, read_photo
from padsheet.scoring.reading import PhotoReading, read_print
from padsheet.scoring.rounds import BedFolder, Round, refuse_rescoring
from padsheet.scoring.scores import PrintContext
from padsheet.scoring.screw_check import with_screws_checked
from padsheet.scoring.selfcheck import SelfCheck, self_check, unlifted
from padsheet.scoring.squish import SheetScore
from padsheet.scoring.steps import AdvisedStep
from padsheet.scoring.threads import import_ahead
from padsheet.scoring.together import judged

if TYPE_CHECKING:
    from padsheet.scoring.by_eye import Pick

__all__ = [
    "Scored",
    "find_round",
    "round_by_eye",
    "score_by_eye",
    "score_photos",
    "score_round",
    "score_round_by_eye",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """A scored print.

    Attributes
    ----------
    score : SheetScore
    advice : Advice or None
        None where no profile is at hand, and for a self-check.
    readings : tuple of PhotoReading
        One for each photo that could be read.
    check : SelfCheck or None
        What a self-check showed, if the sheet is one; the known lifts are taken out of `score`.
    plate, bed_c : str, float or None
        Plate and bed temperature of the print, as far as they are known.
    mesh, mesh_active : str
        Name of the mesh that the sheet was printed with, and whether it was in force.
    mesh_absent : bool
        Whether that name only records that the printer held no mesh.
    """

    score: SheetScore
    advice: Advice | None
    readings: tuple[PhotoReading, ...] = ()
    check: SelfCheck | None = None
    plate: str = ""
    bed_c: float | None = None
    mesh: str = ""
    mesh_active: str = "unknown"
    mesh_absent: bool = False

    @property
    def context(self) -> PrintContext:
        """What the scores were printed on and with, for `scores_to_json`."""
        return {
            "plate": self.plate,
            "bed_c": self.bed_c,
            "mesh": self.mesh,
            "mesh_active": self.mesh_active,
            "check": self.check,
        }

    @property
    def shown(self) -> SheetScore:
        """The scores with verdicts by all sheets together, as a person is shown them."""
        return judged(self.score, self.advice)


def find_round(folder: BedFolder, photo: Photo) -> Round:
    """Find the round that a photo belongs to by the number in its markers.

    Raises
    ------
    PadsheetError
        If there is no sheet, or the photo shows one that the folder does not hold.
    """
    rounds = [r for r in folder.rounds() if r.sheet_json.exists()]
    if not rounds:
        raise _no_sheet()
    if len(rounds) == 1:
        return rounds[0]
    seen = sheet_numbers_seen(photo)
    if not seen:
        return rounds[-1]
    number = seen.most_common(1)[0][0]
    matching = [r for r in rounds if r.number % SHEET_NUMBERS == number]
    if not matching:
        raise PadsheetError(
            f"the photo shows sheet number {number}, which this bed folder does not hold",
            remedy="Work in the folder of the bed that was printed (-C DIR).",
            code="photo-other-sheet",
        )
    return matching[-1]


def _no_sheet() -> PadsheetError:
    return PadsheetError(
        "this bed folder has no sheet yet",
        remedy="Write one with `padsheet sheet` and print it.",
        code="round-none",
    )


def score_photos(paths: Sequence[Path], sheet: Sheet, *, mesh: Mesh | None = None) -> Scored:
    """Score photos of a sheet without a bed folder: no advice, nothing written."""
    paths, notes = _distinct(paths)
    score, readings = read_print([read_photo(p) for p in paths], sheet, mesh=mesh)
    score = replace(score, warnings=(*score.warnings, *notes))
    return _checked(Scored(score=score, advice=None, readings=tuple(readings)), sheet, mesh)


def _distinct(paths: Sequence[Path]) -> tuple[list[Path], list[str]]:
    """Leave out photos that are the same file once more: they tell nothing new.

    Returns
    -------
    (list of Path, list of str)
        The photos to read, and a sentence for each that was left out.
    """
    kept: list[Path] = []
    notes: list[str] = []
    seen: dict[bytes, Path] = {}
    for path in paths:
        # A path that cannot be read is left to the reader, which says why.
        same = path.is_file() and len(paths) > 1
        data = hashlib.sha256(path.read_bytes()).digest() if same else str(path).encode()
        if data in seen:
            twice = (
                "was given twice" if path == seen[data] else f"is the same photo as {seen[data]}"
            )
            notes.append(f"{path} {twice}; it is counted once.")
            continue
        seen[data] = path
        kept.append(path)
    return kept, notes


def score_by_eye(picks: Sequence[Pick], sheet: Sheet) -> Scored:
    """Score lines picked by eye without a bed folder: no advice, nothing written."""
    from padsheet.scoring.by_eye import score_picks

    return _checked(Scored(score=score_picks(sheet, picks), advice=None), sheet, None)


def _checked(scored: Scored, sheet: Sheet, mesh: Mesh | None) -> Scored:
    """Say what the sheet was printed with; evaluate a self-check, and take its lifts out."""
    scored = replace(
        scored,
        plate=sheet.plate_name,
        mesh=sheet.mesh_name or "",
        mesh_active=sheet.mesh_active,
        mesh_absent=mesh is not None and mesh.absent,
    )
    if not sheet.self_check:
        return scored
    check = self_check(scored.score, sheet, mesh)
    score = unlifted(scored.score, sheet)
    return replace(scored, score=score, check=check)


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
    import_ahead("padsheet.scoring.round_files")
    bed = folder.bed()
    paths, notes = _distinct(paths)
    photos = [read_photo(path) for path in paths]
    chosen = round_ or find_round(folder, photos[0])
    refuse_rescoring(chosen, force)
    sheet = chosen.read_sheet()
    known = _known_mesh(folder, chosen, sheet)
    score, readings = read_print(photos, sheet, mesh=known)
    score = replace(score, warnings=(*score.warnings, *notes))
    scored = _checked(Scored(score=score, advice=None, readings=tuple(readings)), sheet, known)
    scored = _advised(folder, bed, chosen, scored)
    from padsheet.scoring.round_files import photo_with_scores, write_round

    write_round(
        folder,
        bed,
        chosen,
        sheet,
        scored,
        lambda: photo_with_scores(photos, scored, sheet),
        photos=paths,
        force=force,
    )
    return scored, chosen


def round_by_eye(folder: BedFolder, round_: Round | None = None) -> Round:
    """Return the round whose print is looked at: the one given, else the newest with a sheet.

    Raises
    ------
    PadsheetError
        If there is none.
    """
    rounds = [r for r in folder.rounds() if r.sheet_json.exists()]
    if round_ is None and not rounds:
        raise _no_sheet()
    return round_ or rounds[-1]


def score_round_by_eye(
    folder: BedFolder, round_: Round, picks: Sequence[Pick], *, force: bool = False
) -> Scored:
    """Score a round from lines picked by eye, and write the same files as from photos.

    The picks are kept as ``by-eye.csv`` beside the scores.

    Raises
    ------
    PadsheetError
        If no line was picked, or the round is scored already. Nothing is written then.
    """
    from padsheet.scoring.by_eye import picks_to_csv, score_picks
    from padsheet.scoring.round_files import drawing_with_scores, write_round

    bed = folder.bed()
    refuse_rescoring(round_, force)
    sheet = round_.read_sheet()
    known = _known_mesh(folder, round_, sheet)
    scored = _checked(Scored(score=score_picks(sheet, picks), advice=None), sheet, known)
    scored = _advised(folder, bed, round_, scored)
    write_round(
        folder,
        bed,
        round_,
        sheet,
        scored,
        lambda: drawing_with_scores(scored, sheet),
        more={"by-eye.csv": picks_to_csv(picks)},
        force=force,
    )
    return scored


def _known_mesh(folder: BedFolder, round_: Round, sheet: Sheet) -> Mesh | None:
    """Return the mesh in force on the sheet, where it is known that one was."""
    return folder.mesh_in_force(round_) if sheet.mesh_active == "yes" else None


def _advised(folder: BedFolder, bed: Bed, round_: Round, scored: Scored) -> Scored:
    """Add the advice, which a self-check has none of, and what the profile says of the bed."""
    scored = replace(scored, plate=bed.plate.name, bed_c=bed.heat.bed_c)
    unsaid = folder.unsaid_edits(scored.mesh, before=round_.number) if scored.mesh else None
    if unsaid is not None:
        # The sheet was written for that mesh, but the printer may have held another by then.
        scored = replace(scored, mesh="", mesh_active="unknown", mesh_absent=False)
    if scored.check is not None:
        return scored
    score = scored.score
    stand = standing(folder, round_.number, score=score, plate=scored.plate, bed_c=scored.bed_c)
    # What was in force on the sheet, not what the printer holds by now: a sheet that is scored
    # after its edits are in must not be corrected once more.
    mesh = folder.mesh_in_force(round_)
    advice = advise(score, bed, mesh=mesh, state=stand.state, proof=stand.proof)
    advice = with_screws_checked(folder, bed, round_, advice)
    advice = with_offset_checked(folder, bed, round_, score, advice)
    advice = _for_mesh_held(advice, mesh, folder.active_mesh())
    return replace(scored, advice=advice if unsaid is None else _mesh_unsaid(advice, unsaid))


def _mesh_unsaid(advice: Advice, unsaid: Round) -> Advice:
    """Say first that nobody knows which mesh was in force, and how to tell."""
    word = f"`padsheet applied --round {unsaid.number} --force"
    text = (
        f"What became of the mesh edits of round {unsaid.number} is not on record, so which mesh "
        f"was in force on this sheet is not known here. If they were in, say {word} --as-advised`; "
        f"if none were made, {word} --no-edits`. Then score this photo again with --force."
    )
    return replace(advice, steps=(AdvisedStep(kind="note", text=text), *advice.steps))


def _for_mesh_held(advice: Advice, printed: Mesh | None, held: Mesh | None) -> Advice:
    """Take back that the bed is done where the printer holds another mesh than the sheet's."""
    if not advice.done or printed is None or held is None:
        return advice
    if held.grid == printed.grid and np.allclose(held.z_mm, printed.z_mm, atol=SAME_VALUE_MM):
        return advice
    why = (
        f"The bed is done with the mesh '{printed.name}' of this sheet, but the printer is taken "
        f"to hold '{held.name}' by now."
    )
    what = "Print another sheet to see how the bed is with that."
    steps = (AdvisedStep(kind="note", text=why), AdvisedStep(kind="sheet", text=what))
    return replace(advice, done=False, steps=steps)
