"""The edits of a round of the bed folder, and the meshes they begin from and lead to."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.patterns.sheet_file import sheet_to_json
from padsheet.scoring.advice import Advice
from padsheet.scoring.applied import Applied
from padsheet.scoring.edit_styles import adds
from padsheet.scoring.edits import EditList, make_edits
from padsheet.scoring.mesh import SAME_VALUE_MM, Mesh
from padsheet.scoring.offset import OffsetChange, offset_lines
from padsheet.scoring.offset_kept import with_present_offset
from padsheet.scoring.read_back import SHOWN_TWICE_MM
from padsheet.scoring.recording import mesh_change, now_text, record_applied
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.waiting import outdated

__all__ = [
    "RoundEdits",
    "edits_of_round",
    "free_mesh_name",
    "in_but_not_saved",
    "mesh_of_round",
    "name_mesh_anew",
    "named",
    "record_cut_short",
    "record_read_back",
    "round_to_edit",
    "round_to_record",
    "sheet_mesh",
    "store_empty",
    "write_edits",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundEdits:
    """What is to be told to the printer after a round.

    Attributes
    ----------
    advice : Advice
        What the edits come from.
    edits : EditList
        The mesh points; may hold none.
    offset : OffsetChange or None
        The common offset; None when it is in tolerance or goes into the mesh points.
    offset_problem : str
        Why the offset cannot be written as a line, empty if it can.
    """

    advice: Advice
    edits: EditList
    offset: OffsetChange | None = None
    offset_problem: str = ""


def round_to_edit(folder: BedFolder, number: int | None = None, *, force: bool = False) -> Round:
    """Return the round whose advice is to be applied: the one named, else the newest.

    Raises
    ------
    PadsheetError
        If there is none, it is not scored, or its edits are in already and `force` is not given.
    """
    round_ = folder.latest_round() if number is None else folder.round(number)
    if round_ is None or not round_.scores_json.exists():
        raise _no_scores(folder, round_)
    if round_.applied_json.exists() and not force:
        remedy = "Print a new sheet with `padsheet sheet`; --force writes the old edits again."
        said = "is on record already"
        if in_but_not_saved(folder, round_):
            said += ", but not that the printer has saved it: it may be lost when switched off"
            remedy = (
                "`padsheet send --port PORT` reads the mesh back and saves it, or send "
                f"{folder.bed().edits.save} by hand. Then print a new sheet with `padsheet sheet`."
            )
        from padsheet.scoring.amiss import slip_of

        slip = slip_of(folder, round_)
        if slip is not None:
            said += f", and not as advised: {slip.points}"
            remedy = "`padsheet edits` writes the lines that mend it; then take the mesh in again."
        raise PadsheetError(
            f"what was done after round {round_.number} {said}",
            remedy=remedy,
            code="edits-applied",
        )
    return round_


def _no_scores(folder: BedFolder, round_: Round | None) -> PadsheetError:
    """Say which photo is missing, and where an earlier round's edits are to be had."""
    problem = "no round has scores to correct the mesh from"
    remedy = "Print a sheet (`padsheet sheet`), photograph it, then `padsheet score PHOTO`."
    if round_ is not None:
        problem = f"round {round_.number} is not scored yet"
    if round_ is not None and round_.sheet_json.exists():
        problem += ": its sheet is written and waits for its photo"
        remedy = "Print it, photograph it, then `padsheet score PHOTO`."
        if why := outdated(folder, round_):
            remedy = (
                f"It {why}: unless it is printed already, write it afresh with `padsheet sheet "
                "--force`. Print it, photograph it, then `padsheet score PHOTO`."
            )
        earlier = [r for r in folder.rounds() if r.number < round_.number and r.edits_unsaid]
        if earlier:
            remedy += (
                f" If the edits of round {earlier[-1].number} are not in yet, "
                f"`padsheet edits --round {earlier[-1].number}` writes them; take the mesh in "
                "after them, and write the sheet afresh with `padsheet sheet --force`."
            )
    return PadsheetError(problem, remedy=remedy, code="edits-no-scores")


def in_but_not_saved(folder: BedFolder, round_: Round) -> bool:
    """Tell whether edits are on record as sent and read back, but not as saved."""
    applied = round_.read_applied()
    if applied is None or applied.saved is not False:
        return False
    active = folder.active_mesh()
    return active is not None and active.name == applied.after


def record_cut_short(folder: BedFolder, bed: Bed, round_: Round, *, keep_mean: bool) -> bool:
    """Record edits that were read back and stored by a run that ended before the record.

    Returns
    -------
    bool
        Whether there was something to record.
    """
    if round_.applied_json.exists() or not round_.edits_gcode.exists():
        return False
    advice, before, active = (
        round_.read_advice(),
        _advised_from(folder, round_) or _stored_empty(folder, round_),
        folder.active_mesh(),
    )
    if advice is None or before is None or active is None or before.name == active.name:
        return False
    meant = make_edits(advice.nodes, bed, before, keep_mean=keep_mean).expected
    if meant is None or np.any(np.abs(meant.z_mm - active.z_mm) > SHOWN_TWICE_MM):
        return False
    record_applied(round_, before, active, saved=False)
    return True


def _stored_empty(folder: BedFolder, round_: Round) -> Mesh | None:
    """Return the empty mesh that was stored when a round's edits began from nothing."""
    stem = _before_stem(round_)
    return next(
        (
            m
            for m in folder.known_meshes()
            if m.absent or (m.name.startswith(stem) and not np.any(m.z_mm))
        ),
        None,
    )


def _before_stem(round_: Round) -> str:
    return f"round-{round_.number:02d}-before"


def store_empty(folder: BedFolder, round_: Round, edits: EditList, bed: Bed) -> None:
    """Store the empty mesh that edits begin from, on the user's word, as the printer's present one.

    What is read back afterwards is then compared with it, and the same edits are never added to
    what they have made already.
    """
    active = folder.active_mesh()
    if edits.before is None or (active is not None and not np.any(active.z_mm)):
        return
    folder.store_mesh(named(edits.before, free_mesh_name(folder, _before_stem(round_)), bed))


def edits_of_round(
    folder: BedFolder,
    bed: Bed,
    round_: Round,
    *,
    only_changed: bool = True,
    keep_mean: bool = False,
    empty_mesh: bool = False,
) -> RoundEdits:
    """Turn the advice of a round into edits, and the common offset into its line.

    Parameters
    ----------
    folder : BedFolder
        Its active mesh is the one that the edits start from.
    bed : Bed
        The folder's profile.
    round_ : Round
        A scored one.
    only_changed, keep_mean, empty_mesh : bool, optional
        As in `padsheet.scoring.edits.make_edits`.

    Raises
    ------
    PadsheetError
        If the scores hold no advice, a check forbids edits, or the edits cannot be made.
    """
    advice = round_.read_advice()
    if advice is None and round_.sheet_json.exists() and round_.read_sheet().self_check:
        raise PadsheetError(
            f"round {round_.number} is a self-check of the ruler, from which no edits are made",
            remedy="Print and score an ordinary sheet (`padsheet sheet`), or name an earlier round "
            "with --round.",
            code="edits-self-check",
        )
    if advice is None:
        raise PadsheetError(
            f"the scores of round {round_.number} hold no advice",
            remedy="Score the photo again inside the bed folder.",
            code="edits-no-advice",
        )
    if advice.work == "withheld":
        told = [step.text for step in advice.steps]
        why = told[0].rstrip(".") if told else "a check forbids it"
        raise PadsheetError(
            f"no edits are given after round {round_.number}: {why}",
            remedy=" ".join(told[1:]) or "Print and score a new sheet.",
            code="edits-withheld",
        )
    held = folder.active_mesh()
    absent = held is not None and held.absent
    mesh = None if empty_mesh else held
    _check_said(folder, round_)
    _check_mesh_was_on(round_, bed, mesh)
    edits = make_edits(
        advice.nodes,
        bed,
        mesh,
        only_changed=only_changed,
        keep_mean=keep_mean,
        empty_mesh=empty_mesh or absent,
    )
    offset, problem = _offset(with_present_offset(folder, bed, before=round_.number), advice)
    return RoundEdits(advice=advice, edits=edits, offset=offset, offset_problem=problem)


def _check_said(folder: BedFolder, round_: Round) -> None:
    """Refuse edits where nobody knows which mesh the sheet was printed with."""
    sheet = round_.read_sheet() if round_.sheet_json.exists() else None
    name = sheet.mesh_name if sheet is not None and sheet.mesh_active == "yes" else None
    unsaid = folder.unsaid_edits(name, before=round_.number) if name else None
    if unsaid is not None:
        raise PadsheetError(
            f"what became of the mesh edits of round {unsaid.number} is not on record, so which "
            f"mesh was in force on the sheet of round {round_.number} is not known",
            remedy=f"Say it with `padsheet applied --round {unsaid.number} --force` and "
            "--as-advised or --no-edits; then score the photo again with --force.",
            code="edits-unsaid",
        )


def _check_mesh_was_on(round_: Round, bed: Bed, mesh: Mesh | None) -> None:
    """Refuse to add what a sheet without the mesh shows to a mesh that holds values."""
    if not round_.sheet_json.exists() or round_.read_sheet().mesh_active != "no":
        return
    if (mesh is None and adds(bed.edits)) or (mesh is not None and np.any(mesh.z_mm)):
        raise PadsheetError(
            f"the sheet of round {round_.number} was printed without the mesh, so it does not tell "
            "what is wrong with the mesh in the printer",
            remedy="Print a sheet with the mesh on; or let the printer forget its mesh, and put "
            "that on record with `padsheet mesh --empty`.",
            code="edits-mesh-was-off",
        )


def _offset(bed: Bed, advice: Advice) -> tuple[OffsetChange | None, str]:
    """Return the offset's line; a profile that does not tell enough must not stop the edits."""
    if not advice.set_offset or advice.work == "screws" or bed.edits.offset_style == "none":
        return None, ""
    try:
        return offset_lines(bed, advice.offset_mm), ""
    except PadsheetError as error:
        return None, str(error)


def write_edits(round_: Round, edits: EditList) -> None:
    """Write restore.gcode and then edits.gcode: there is never an edit without its way back."""
    round_.path.mkdir(parents=True, exist_ok=True)
    write_atomic(round_.restore_gcode, "\n".join(edits.restore) + "\n")
    write_atomic(round_.edits_gcode, "\n".join(edits.lines) + "\n")


def free_mesh_name(folder: BedFolder, stem: str) -> str:
    """Return `stem`, or `stem-2`, `stem-3` ... if there is a mesh of that name."""
    name, number = stem, 1
    while (folder.meshes / f"{name}.csv").exists():
        number += 1
        name = f"{stem}-{number}"
    return name


def mesh_of_round(folder: BedFolder, round_: Round) -> Mesh | None:
    """Return the mesh that was in force on a round's sheet, else the one known to be active."""
    if round_.sheet_json.exists():
        sheet = round_.read_sheet()
        if sheet.mesh_active == "yes" and sheet.mesh_name:
            return folder.mesh(sheet.mesh_name)
    applied = round_.read_applied()
    if applied is not None and applied.before:
        return folder.mesh(applied.before)
    return _advised_from(folder, round_) or folder.active_mesh()


def _advised_from(folder: BedFolder, round_: Round) -> Mesh | None:
    """Return the mesh that a round's advice counts on, None if it does not tell or is gone.

    The active mesh may be the one after the edits already, where a run ended before the record.
    """
    advice = round_.read_advice() if round_.scores_json.exists() else None
    if advice is None:
        return None
    told = {(n.i, n.j): n.new_mm - n.dz_mm for n in advice.nodes if n.new_mm is not None}
    active = folder.active_mesh()
    known: list[Mesh] = [*([] if active is None else [active]), *folder.known_meshes()]
    for mesh in known:
        if set(told) == set(mesh.grid.nodes):
            off_mm = [float(mesh.z_mm[j, i]) - value for (i, j), value in told.items()]
            if np.allclose(off_mm, 0.0, atol=SAME_VALUE_MM):
                return mesh
    return None


def record_read_back(folder: BedFolder, before: Mesh | None, after: Mesh) -> Applied | None:
    """Record a mesh read back after edits were written: what was really applied.

    Until the next sheet is written the last mesh read back counts: a record that is there is
    brought up to date, what it says of offset and screws is kept. Nothing is recorded where the
    newest round neither advised edits nor has a record, the mesh before is not known or of another
    plate, or is the same still. A sheet written before edits were recorded is taken to be printed
    after them.

    Parameters
    ----------
    before : Mesh or None
        The mesh of the round's sheet, see `mesh_of_round`; looked up before `after` is stored.
    after : Mesh
        As just read.
    """
    round_ = round_to_record(folder)
    if round_ is None or before is None or _other_plate(before, after):
        return None
    known = round_.read_applied()
    late = round_ != folder.latest_round()
    if known is None and not (round_.edits_gcode.exists() or round_.edits_unsaid) and not late:
        return None
    newest = folder.latest_round()
    printed = late and newest is not None and bool(newest.photos() or newest.scores_json.exists())
    if known is None and not printed and not mesh_change(before, after):
        return None  # looked at before the edits are sent
    if late:
        name_mesh_anew(folder, round_, before.name, after.name)
    return record_applied(
        round_,
        before,
        after,
        offset_mm=None if known is None else known.offset_mm,
        offset_style="" if known is None else known.offset_style,
        offset_profile_mm=None if known is None else known.offset_profile_mm,
        screws_turned=known is not None and known.screws_turned,
        force=known is not None,
    )


def round_to_record(folder: BedFolder) -> Round | None:
    """Return the round that a mesh read back belongs to: the newest, or one still unrecorded."""
    round_ = folder.latest_round()
    if round_ is None or not round_.sheet_json.exists():
        return round_
    sheet = round_.read_sheet()
    name = sheet.mesh_name if sheet.mesh_active == "yes" else None
    unsaid = folder.unsaid_edits(name, before=round_.number) if name else None
    return unsaid or round_


def name_mesh_anew(folder: BedFolder, round_: Round, before: str, after: str) -> None:
    """Let the sheets after a round name the mesh after its edits, where they name the one before.

    They were written while nobody had said that the edits were in.
    """
    for later in folder.rounds():
        if later.number <= round_.number or not later.sheet_json.exists():
            continue
        sheet = later.read_sheet()
        if sheet.mesh_active == "yes" and sheet.mesh_name == before:
            write_atomic(later.sheet_json, sheet_to_json(replace(sheet, mesh_name=after)))


def _other_plate(before: Mesh, after: Mesh) -> bool:
    """Tell whether two meshes are known to belong to different plates."""
    return bool(before.plate and after.plate) and before.plate != after.plate


def sheet_mesh(folder: BedFolder) -> Mesh | None:
    """Return the mesh that the newest round's sheet was printed with, None if nobody knows."""
    round_ = folder.latest_round()
    return folder.active_mesh() if round_ is None else mesh_of_round(folder, round_)


def named(mesh: Mesh, name: str, bed: Bed) -> Mesh:
    """Return a mesh just read, with its name, time and plate."""
    return replace(mesh, name=name, taken=now_text(), plate=bed.plate.name)
