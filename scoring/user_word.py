"""What was done to the bed after a round, on the user's word."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.scoring.advice import Advice
from padsheet.scoring.applied import KEPT_STYLES, Applied, applied_to_json
from padsheet.scoring.edits import EditList, make_edits
from padsheet.scoring.mesh import SAME_VALUE_MM
from padsheet.scoring.offset import LARGEST_OFFSET_MM
from padsheet.scoring.recording import now_text
from padsheet.scoring.round_edits import free_mesh_name, mesh_of_round, name_mesh_anew, named
from padsheet.scoring.rounds import BedFolder, Round

__all__ = ["record_word"]


def record_word(
    folder: BedFolder,
    number: int | None,
    *,
    mesh_points: str = "",
    screws: bool = False,
    offset_mm: float | None = None,
    force: bool = False,
) -> Round:
    """Record what was done after a round; what is on record already stays, unless it is said anew.

    Parameters
    ----------
    folder : BedFolder
        Its lock should be held.
    number : int or None
        The round; the newest scored one by default.
    mesh_points : {"", "advised", "none"}
        Whether the advised edits are in, all of them or none; empty where nothing is said of them.
    screws : bool
        Whether screws were turned.
    offset_mm : float or None
        What was added to the common offset.
    force : bool
        Let the word stand against what was read back.

    Raises
    ------
    PadsheetError
        If there is no such scored round, a newer sheet is scored already, the word contradicts the
        record, or nobody says what became of advised edits.
    """
    round_ = _round(folder, number, force=force)
    known, advice = round_.read_applied(), round_.read_advice()
    _check_word(folder, round_, known, advice, mesh_points, offset_mm, screws, force=force)
    applied = known or Applied(how="word", nodes=())
    after: EditList | None = None
    if mesh_points:
        applied = replace(applied, how="word", nodes=(), before=None, after=None)
    if mesh_points == "advised":
        after = _advised(folder, round_, advice)
        applied = replace(
            applied,
            nodes=tuple((e.i, e.j, e.dz_mm) for e in after.edits if e.dz_mm),
            before=None if after.before is None else after.before.name,
        )
    if offset_mm is not None:
        edits = folder.bed().edits
        applied = replace(
            applied,
            offset_mm=offset_mm,
            offset_style=edits.offset_style,
            offset_profile_mm=edits.offset_now_mm if edits.offset_style in KEPT_STYLES else None,
        )
    applied = replace(
        applied,
        screws_turned=applied.screws_turned or screws,
        # What was set since is not in what the printer has saved.
        saved=None if mesh_points or offset_mm else applied.saved,
        taken=now_text(),
    )
    if after is not None:
        applied = replace(applied, after=_store_after(folder, round_, after))
    write_atomic(round_.applied_json, applied_to_json(applied))
    if mesh_points == "none" and known is not None:
        _take_back(folder, round_, known)
    return round_


def _take_back(folder: BedFolder, round_: Round, known: Applied) -> None:
    """Take the mesh before the edits for the present one, where an earlier word took them for in.

    A mesh taken in since is what the printer holds.
    """
    if known.how != "word" or not (known.before and known.after):
        return
    held = folder.active_mesh()
    if held is not None and held.name == known.after:
        folder.store_mesh(folder.mesh(known.before), force=True)
        name_mesh_anew(folder, round_, known.after, known.before)


def _check_word(
    folder: BedFolder,
    round_: Round,
    known: Applied | None,
    advice: Advice | None,
    mesh_points: str,
    offset_mm: float | None,
    screws: bool,
    *,
    force: bool,
) -> None:
    """Refuse a word that cannot be, that contradicts the record, or that leaves edits unsaid."""
    if offset_mm is not None and not abs(offset_mm) <= LARGEST_OFFSET_MM:
        raise PadsheetError(
            f"an offset of {offset_mm:g} mm cannot have been added",
            remedy="Give what was added in millimetres, such as -0.04 to lower the nozzle.",
            code="applied-offset",
        )
    if known is not None and mesh_points and known.how == "meshes" and not force:
        raise PadsheetError(
            f"what was applied after round {round_.number} was read back from the printer",
            remedy="Leave the mesh points out and record screws or offset alone, or --force.",
            code="applied-known",
        )
    if known is None and not mesh_points and advice is not None and advice.has_edits:
        said = (" --screws" if screws else "") + (
            "" if offset_mm is None else f" --offset {offset_mm:g}"
        )
        raise PadsheetError(
            f"nobody has said what became of the mesh edits of round {round_.number}",
            remedy="Read the mesh back with `padsheet mesh FILE`, or say it too: `padsheet applied "
            f"--as-advised{said}`, or `padsheet applied --no-edits{said}` if none were made."
            + (_earlier_screws(folder, round_) if screws else ""),
            code="applied-unsaid",
        )


def _earlier_screws(folder: BedFolder, round_: Round) -> str:
    """Name the earlier round that advised the screws, if the word is late."""
    for earlier in reversed(folder.rounds()):
        if earlier.number >= round_.number or not earlier.scores_json.exists():
            continue
        advice = earlier.read_advice()
        if advice is not None and advice.work == "screws" and earlier.read_applied() is None:
            number = earlier.number
            return (
                f" If the screws were turned as round {number} advised, before the sheet of round "
                f"{round_.number}: `padsheet applied --round {number} --screws --force`."
            )
    return ""


def _round(folder: BedFolder, number: int | None, *, force: bool) -> Round:
    """Return the round that the word is about."""
    scored = [r for r in folder.rounds() if r.scores_json.exists()]
    chosen = [r for r in scored if number is None or r.number == number]
    if not chosen:
        which = "no round" if number is None else f"no round {number}"
        raise PadsheetError(
            f"there is {which} with scores",
            remedy="See `padsheet rounds`; read its photo with `padsheet score` first.",
            code="applied-no-scores",
        )
    if chosen[-1].number != scored[-1].number and not force:
        raise PadsheetError(
            f"a sheet after round {chosen[-1].number} is scored already, and its advice counts on "
            "the record as it is",
            remedy="With --force it is changed; then score the newer photos again.",
            code="applied-late",
        )
    return chosen[-1]


def _advised(folder: BedFolder, round_: Round, advice: Advice | None) -> EditList:
    """Return the edits as `padsheet edits` writes them for this round."""
    if advice is None or not advice.has_edits:
        raise PadsheetError(
            f"round {round_.number} advised no mesh edits",
            remedy="Use --no-edits, or say what was done with --screws or --offset.",
            code="applied-unsaid",
        )
    # From the mesh of the sheet: what is held active may be the one after these edits already.
    before = mesh_of_round(folder, round_)
    return make_edits(advice.nodes, folder.bed(), before)


def _store_after(folder: BedFolder, round_: Round, edits: EditList) -> str | None:
    """Take the mesh for the one that the printer holds now, where the one before is known.

    Returns
    -------
    str or None
        The name of the mesh that was reckoned so; None where there is none.
    """
    held, stem = folder.active_mesh(), f"round-{round_.number:02d}-word"
    if edits.expected is None:
        return None
    if held is not None and np.allclose(
        held.z_mm, edits.expected.z_mm, rtol=0.0, atol=SAME_VALUE_MM
    ):
        return held.name if held.name.startswith(stem) else None
    before = edits.before
    if before is not None and held is not None and held.name != before.name:
        return None  # a mesh taken in since is what the printer holds
    name = free_mesh_name(folder, stem)
    folder.store_mesh(named(edits.expected, name, folder.bed()))
    if before is not None:
        name_mesh_anew(folder, round_, before.name, name)
    return name
