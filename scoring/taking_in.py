"""Taking in a mesh read from the printer: turned over, as advised, and what it corrects."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.edit_proof import judge_proof, prove_edit
from padsheet.scoring.edit_styles import adds
from padsheet.scoring.edits import make_edits
from padsheet.scoring.kept_proof import PROVE_GCODE, is_proved
from padsheet.scoring.mesh import Mesh, mesh_csv
from padsheet.scoring.mesh_check import FLIP_WORDS, looks_flipped
from padsheet.scoring.phrases import listed, place
from padsheet.scoring.read_back import tolerance_mm
from padsheet.scoring.recording import mesh_change
from padsheet.scoring.round_edits import mesh_of_round
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.waiting import mark_corrected

__all__ = [
    "AgainstAdvice",
    "Correction",
    "Turned",
    "advised_meshes",
    "against_advice",
    "correct_reading",
    "expected_meshes",
    "in_full",
    "own_state",
    "refuse_proof_answer",
    "turned_over",
]

#: Printers show thousandths, so a value read back may be off by half of one.
SHOWN_MM = 0.0006
Kind = Literal["rows", "columns", "both"]
_TURNS: dict[Kind, tuple[slice, slice]] = {
    "rows": (slice(None, None, -1), slice(None)),
    "columns": (slice(None), slice(None, None, -1)),
    "both": (slice(None, None, -1), slice(None, None, -1)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """A mesh just read that is one already known, value by value, once it is turned over.

    Attributes
    ----------
    kind : {"rows", "columns", "both"}
        What has to be turned over.
    base : Mesh
        The mesh on record: the same one, or that which the advised edits begin from.
    after_round : int or None
        The round whose edits are to make this of `base`; None where it is `base` itself.
    certain : bool
        Whether the mesh just read is, as it lies, what was advised: then the one on record is
        surely the wrong one.
    led_from : str
        Where `certain`, the mesh from which edits lead to the one just read, and which so is right.
    alike : tuple of str
        The other meshes on record that would be turned over with `base`.
    as_advised : int or None
        The round after whose edits `base` was read back just as advised; None if it was not.
    """

    kind: Kind
    base: Mesh
    after_round: int | None = None
    certain: bool = False
    led_from: str = ""
    alike: tuple[str, ...] = ()
    as_advised: int | None = None

    @property
    def corrects(self) -> bool:
        """Whether the mesh on record reads otherwise when turned, and so may be the wrong one.

        Where this is what edits were to make of it, nothing speaks against the one on record.
        """
        z_mm = self.base.z_mm
        other = bool(np.any(np.abs(z_mm[_TURNS[self.kind]] - z_mm) > SHOWN_MM))
        return other and self.after_round is None

    @property
    def text(self) -> str:
        """Say what was noticed, and what yes means."""
        name, words = self.base.name, FLIP_WORDS[self.kind]
        if self.certain:
            return (
                f"this is as it was meant, and the mesh '{name}' that is on record is the same "
                f"with {words}: it was read the wrong way round, which is now corrected"
            )
        if self.after_round is None:
            both = listed([f"'{mesh}'" for mesh in (name, *self.alike)])
            were = "were" if self.alike else "was"
            return (
                f"with {words} this is, value by value, the mesh '{name}' that is on record: one "
                f"of the two was read the wrong way round{self._for_the_old}. Yes corrects how "
                f"{both} {were} read, and takes nothing for applied"
            )
        return (
            f"with {words} this is, value by value, what the edits of round {self.after_round} "
            "were to make of the mesh: it was most likely read the wrong way round. Yes takes the "
            "edits for given at the exchanged points"
        )

    @property
    def _for_the_old(self) -> str:
        """Say what speaks for the mesh on record, to go on with."""
        if self.as_advised is None:
            return ""
        return (
            f", and most likely this table, for '{self.base.name}' was as advised when it was read "
            f"back after round {self.as_advised}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What was corrected because a mesh had been read the wrong way round.

    Attributes
    ----------
    names : tuple of str
        The meshes that were turned over.
    records : tuple of int
        Rounds whose record of what was applied was reckoned anew.
    on_word : tuple of int
        Those of them that stood on the user's word: their edits were written from such a mesh.
    unsaid : tuple of (int, Applied)
        The newest round and its record on the user's word, which was taken away: its edits were
        written from such a mesh, and whether the mesh just read is that after them nobody knows.
    score_again : tuple of Round
        Scored rounds that count on any of these, oldest first.
    waits : Round or None
        The round whose sheet was written with such a mesh and waits for its photo.
    """

    names: tuple[str, ...]
    records: tuple[int, ...]
    on_word: tuple[int, ...]
    unsaid: tuple[tuple[int, Applied], ...]
    score_again: tuple[Round, ...]
    waits: Round | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainstAdvice:
    """What was applied beside what was advised.

    Attributes
    ----------
    words : str
        To go on with after what was recorded; empty where there is nothing to compare.
    as_meant : bool
        Whether nothing differs by more than one smallest edit.
    """

    words: str
    as_meant: bool


def expected_meshes(folder: BedFolder, bed: Bed) -> Iterator[tuple[Mesh, Mesh, int | None]]:
    """Give the meshes that the printer may be expected to hold.

    Yields
    ------
    (Mesh, Mesh, int or None)
        The mesh expected, the one on record behind it, and the round whose edits lead from one to
        the other. The most likely first: the one last read back, what was advised, all others.
    """
    active = folder.active_mesh() if folder.active_mesh_fits() else None
    if active is not None:
        yield active, active, None
    scored = [r for r in folder.rounds() if r.scores_json.exists()]
    if scored:
        for meant, base in advised_meshes(folder, bed, scored[-1]):
            yield meant, base, scored[-1].number
    for mesh in folder.known_meshes():
        yield mesh, mesh, None


def advised_meshes(folder: BedFolder, bed: Bed, round_: Round) -> Iterator[tuple[Mesh, Mesh]]:
    """Give what the edits of a scored round are to make of the mesh, and that mesh.

    With the common part first, then without it; where none were advised, the edits that were lost
    before its sheet. Nothing where there are none, or a mesh is gone or of another grid.
    """
    advice = round_.read_advice()
    if advice is None or advice.work != "mesh":
        lost = _lost_before(folder, round_)
        try:
            base = mesh_of_round(folder, round_)
            if lost is not None and lost.lost_mesh and base is not None:
                yield folder.mesh(lost.lost_mesh), base
        except PadsheetError:
            pass
        return
    for keep_mean in (False, True):
        try:
            base = mesh_of_round(folder, round_)
            made = make_edits(advice.nodes, bed, base, keep_mean=keep_mean)
        except PadsheetError:
            continue
        if base is not None and made.expected is not None:
            yield made.expected, base


def _lost_before(folder: BedFolder, round_: Round) -> Applied | None:
    """Return the record of edits that were lost before the sheet of a round, if there is one."""
    earlier = folder.scored_before(round_)
    record = None if earlier is None else earlier.read_applied()
    return record if record is not None and record.lost else None


def refuse_proof_answer(folder: BedFolder, bed: Bed, new: Mesh, file: str) -> None:
    """Refuse the mesh that the printer shows after the one small edit of a proof.

    Taken in, it would go on record as what was applied after a round.

    Parameters
    ----------
    new : Mesh
        As just read.
    file : str
        Where it was read from, for the command to give instead.

    Raises
    ------
    PadsheetError
        If the edit of a proof was written, and is all that sets `new` apart from the mesh known.
    """
    if not (folder.path / PROVE_GCODE).exists() or not folder.active_mesh_fits():
        return
    before = folder.active_mesh()
    if before is None or before.z_mm.shape != new.z_mm.shape:
        return
    proof = judge_proof(before, new, bed)
    if proof.kind in ("not-applied", "other"):
        return
    meant = (mesh for mesh, _, number in expected_meshes(folder, bed) if number is not None)
    if any(_same(new.z_mm, mesh.z_mm, SHOWN_MM) for mesh in meant):
        return  # the edits of a round happen to be just that
    change_mm = new.z_mm - before.z_mm
    row, column = np.unravel_index(int(np.argmax(np.abs(change_mm))), change_mm.shape)
    what = (
        f"this is the mesh with the small edit of the proof in it: {change_mm[row, column]:+.3f} "
        f"mm at {place(int(column), int(row))}, and so it was not taken in"
    )
    remedy = f"Have it judged with `padsheet edits --proved {shlex.quote(file)}`."
    if is_proved(folder, bed):
        back = prove_edit(bed, before).edits[0].restore or "the old value"
        remedy = f"It is judged already: take the edit back ({back}) and show the mesh again."
    raise PadsheetError(
        what,
        remedy=f"{remedy} If that value is to stay, take it in with --force.",
        code="mesh-proof",
    )


def turned_over(
    new: Mesh, expected: Iterable[tuple[Mesh, Mesh, int | None]], bed: Bed
) -> Turned | None:
    """Tell whether a mesh just read is an expected one turned over, value by value.

    Parameters
    ----------
    new : Mesh
        As just read.
    expected : iterable of (Mesh, Mesh, int or None)
        See `expected_meshes`.
    bed : Bed
        Half of its smallest edit is what values may differ by.

    Returns
    -------
    Turned or None
        None where it is one of them as it was read, or none of them when turned either.
    """
    most_mm = tolerance_mm(bed)
    fitting = [item for item in expected if item[0].z_mm.shape == new.z_mm.shape]
    found: Turned | None = None
    for mesh, base, number in fitting:
        if _same(new.z_mm, mesh.z_mm, most_mm):
            # The one last read back may be what is wrong, where this is what was advised.
            first = found is not None and found.base is fitting[0][0] and found.after_round is None
            if found is None or not first or number is None:
                return None
            return replace(found, certain=True, led_from=base.name)
        for kind, turn in _TURNS.items():
            if found is None and _same(new.z_mm[turn], mesh.z_mm, most_mm):
                found = Turned(kind=kind, base=base, after_round=number)
    return found


def _same(one: NDArray[np.float64], other: NDArray[np.float64], most_mm: float) -> bool:
    return bool(np.all(np.abs(one - other) <= most_mm + 1e-9))


def correct_reading(folder: BedFolder, turned: Turned) -> Correction:
    """Turn over the mesh on record, what was read like it, and what was reckoned from either.

    The sheets name their mesh, so they are right as soon as its values are. Edits that were written
    from it and are not in yet are taken away: they would be given at the wrong points.

    Parameters
    ----------
    folder : BedFolder
        Its lock should be held.
    turned : Turned
        As confirmed: the mesh just read lies right, the one on record does not.
    """
    right = _turned_with(folder, turned)
    base, names = right[turned.base.name], tuple(reversed(right))
    records, unsaid = {}, {}
    for round_ in folder.rounds():
        applied = round_.read_applied()
        if applied is None:
            continue
        if applied.how == "word" and applied.after != base.name:
            again = _word_anew(folder, applied, right)
        else:
            again = _reckoned_anew(folder, applied, right)
        if again is not None and again.how == "word" and round_ == folder.latest_round():
            unsaid[round_.number] = applied
        elif again is not None:
            records[round_.number] = again
    changed = {*records, *unsaid}
    touched = [r for r in folder.rounds() if r.number in changed or _names(r) & set(right)]
    for number, again in records.items():
        write_atomic(folder.round(number).applied_json, applied_to_json(again))
    for number in unsaid:
        folder.round(number).applied_json.unlink()
    for round_ in touched:
        if not round_.applied_json.exists():
            round_.edits_gcode.unlink(missing_ok=True)
            round_.restore_gcode.unlink(missing_ok=True)
    # The mesh that was recognised comes last: a run cut short is begun again as it was.
    for mesh in sorted(right.values(), key=lambda mesh: mesh.name == base.name):
        write_atomic(folder.meshes / f"{mesh.name}.csv", mesh_csv(mesh))
    # What was applied after a round changes nothing of what its own sheet shows.
    on_it = [r.number for r in touched if _names(r, after=False) & set(right)]
    first = min([*on_it, *(number + 1 for number in changed)], default=None)
    later = [r for r in folder.rounds() if first is not None and r.number >= first]
    waits = later[-1] if later and not later[-1].scores_json.exists() else None
    if waits is not None and not _names(waits) & set(right):
        waits = None
    if waits is not None and waits.sheet_json.exists():
        mark_corrected(waits)
    return Correction(
        names=names,
        records=tuple(sorted(records)),
        on_word=tuple(sorted(n for n, again in records.items() if again.how == "word")),
        unsaid=tuple(unsaid.items()),
        score_again=tuple(r for r in later if r.scores_json.exists()),
        waits=waits,
    )


def in_full(folder: BedFolder, turned: Turned) -> Turned:
    """Return what was noticed with all that yes would turn over, and what speaks against it."""
    if not turned.corrects:
        return turned
    name = turned.base.name
    alike = tuple(mesh for mesh in _turned_with(folder, turned) if mesh != name)
    return replace(turned, alike=alike, as_advised=_as_advised(folder, name))


def _turned_with(folder: BedFolder, turned: Turned) -> dict[str, Mesh]:
    """Return the mesh recognised, last, and those that were read like it, all turned over."""
    turn, right = _TURNS[turned.kind], {}
    base = replace(turned.base, z_mm=turned.base.z_mm[turn].copy())
    on_word = {name for r in folder.rounds() if (name := _mesh_on_word(r.read_applied()))}
    kept = {base.name, turned.led_from, *on_word}
    for mesh in folder.known_meshes():
        # One that is the same bed, and fits the corrected one only when turned in the same way. Not
        # what was reckoned from another: that is reckoned anew.
        flip = None if mesh.name in kept else looks_flipped(mesh, base)
        if flip is not None and flip.kind == turned.kind:
            right[mesh.name] = replace(mesh, z_mm=mesh.z_mm[turn].copy())
    right[base.name] = base
    return right


def _as_advised(folder: BedFolder, name: str) -> int | None:
    """Return the round after whose edits a mesh was read back just as advised, if any."""
    for round_ in folder.rounds():
        applied = round_.read_applied()
        if applied is None or applied.how != "meshes" or applied.after != name:
            continue
        advice = round_.read_advice() if applied.nodes and round_.scores_json.exists() else None
        if advice is None or advice.work != "mesh":
            continue
        if against_advice(folder, round_, applied).as_meant:
            return round_.number
    return None


def _names(round_: Round, *, after: bool = True) -> set[str]:
    """Return the meshes that a round's sheet and record name; at will without those `after` it."""
    names = _sheet_names(round_)
    applied = round_.read_applied()
    if applied is not None:
        names |= {applied.before, applied.after if after else None}
    return {name for name in names if name is not None}


def _mesh_on_word(applied: Applied | None) -> str | None:
    """Return the name of the mesh that was reckoned from the user's word, if any."""
    return None if applied is None or applied.how != "word" else applied.after


def _reckoned_anew(folder: BedFolder, applied: Applied, right: dict[str, Mesh]) -> Applied | None:
    """Return a record of two meshes with the corrected ones; None where none of them is.

    One that stood on the user's word is of two meshes read if the mesh after its edits is one that
    was read just now.
    """
    ends = (applied.before, applied.after)
    if not all(ends) or not any(name in right for name in ends):
        return None
    try:
        before, after = (right.get(name) or folder.mesh(name) for name in ends if name)
    except PadsheetError:
        return None
    return replace(applied, how="meshes", nodes=mesh_change(before, after))


def _word_anew(folder: BedFolder, applied: Applied, right: dict[str, Mesh]) -> Applied | None:
    """Return a record on the user's word as it was if the mesh before its edits is a corrected one.

    A style that sends whole values sent those reckoned from the wrong mesh, to the points that were
    to change only; one that sends changes, as the profile's is taken to have done, sent the same
    changes. The mesh after them is put into `right`.
    """
    if applied.before not in right or not applied.nodes:
        return None
    before = right[applied.before]
    changed_mm = applied.on_grid(before.grid)
    if changed_mm is None:
        return None
    dz_mm = changed_mm.reshape(before.z_mm.shape)
    try:
        wrong = folder.mesh(applied.before).z_mm + dz_mm
        after = folder.mesh(applied.after) if applied.after else replace(before, z_mm=wrong)
    except PadsheetError:
        return None
    added = adds(folder.bed().edits)
    z_mm = before.z_mm + dz_mm if added else np.where(dz_mm != 0, after.z_mm, before.z_mm)
    after = replace(after, z_mm=z_mm)
    if applied.after:
        right[applied.after] = after
    return replace(applied, nodes=mesh_change(before, after))


def own_state(folder: BedFolder, mesh: Mesh, applied: Applied, round_: Round) -> str:
    """Say of a mesh just recorded that it is what `padsheet reset` or `padsheet restore` makes.

    Parameters
    ----------
    mesh : Mesh
        As just stored.
    applied : Applied
        What was recorded of it.
    round_ : Round
        The round that it was recorded for.

    Returns
    -------
    str
        A sentence; empty if it is neither zero everywhere nor a mesh that the folder knows already.
    """
    if applied.before is not None and not applied.nodes:
        return (
            f"This is the mesh '{applied.before}' again, as on the sheet of round {round_.number} "
            "and after `padsheet restore`: none of the edits is in."
        )
    if _same(mesh.z_mm, np.zeros_like(mesh.z_mm), SHOWN_MM):
        return (
            "Every point is zero, as after `padsheet reset`: the mesh corrects nothing now, and "
            "none of the edits is in."
        )
    for earlier in folder.known_meshes():
        if earlier.name == mesh.name or _only_read_back(folder, earlier, applied):
            continue
        if _same(mesh.z_mm, earlier.z_mm, SHOWN_MM):
            return (
                f"This is the mesh '{earlier.name}' again, as after `padsheet restore --mesh "
                f"{earlier.name}`."
            )
    return ""


def _only_read_back(folder: BedFolder, mesh: Mesh, applied: Applied) -> bool:
    """Tell whether a mesh was taken in since the sheet of a record, and no sheet was printed on it.

    It may be one that was mistyped, which nobody goes back to.
    """
    if not (mesh.taken and applied.before):
        return False
    before = next((m for m in folder.known_meshes() if m.name == applied.before), None)
    if before is None or not before.taken or mesh.taken < before.taken:
        return False
    return all(mesh.name not in _sheet_names(round_) for round_ in folder.rounds())


def _sheet_names(round_: Round) -> set[str | None]:
    return {round_.read_sheet().mesh_name} if round_.sheet_json.exists() else set()


def against_advice(folder: BedFolder, round_: Round, applied: Applied) -> AgainstAdvice:
    """Compare what was applied after a round with what was advised."""
    advice = round_.read_advice() if round_.scores_json.exists() else None
    if advice is None:
        return AgainstAdvice(words="", as_meant=True)
    done = {(i, j): dz_mm for i, j, dz_mm in applied.nodes}
    wanted = {(node.i, node.j): node.dz_mm for node in advice.nodes}
    if advice.work != "mesh":
        lost = _lost_before(folder, round_) if applied.nodes else None
        if lost is None:
            return AgainstAdvice(words="", as_meant=True)
        wanted = dict.fromkeys(wanted, 0.0) | {(i, j): dz_mm for i, j, dz_mm in lost.lost}
    apart_mm = np.array([done.get(node, 0.0) - dz_mm for node, dz_mm in wanted.items()])
    other = [place(*node) for node, mm in zip(wanted, apart_mm, strict=True) if abs(mm) > SHOWN_MM]
    if not other:
        return AgainstAdvice(words=", all as advised", as_meant=True)
    if np.ptp(apart_mm) <= SHOWN_MM:
        # The shape as advised, and a common part, as with --keep-mean.
        return AgainstAdvice(words="", as_meant=True)
    most_mm = float(np.abs(apart_mm).max())
    if most_mm <= folder.bed().edits.smallest_mm + SHOWN_MM:
        points = "1 point that differs" if len(other) == 1 else f"{len(other)} points that differ"
        words = f", as advised but for {points} by up to {most_mm:.3f} mm"
        return AgainstAdvice(words=words, as_meant=True)
    if np.ptp(apart_mm) <= folder.bed().edits.smallest_mm + SHOWN_MM:
        return AgainstAdvice(words="", as_meant=True)  # a common part, and what rounding does
    more = f" and {len(other) - 3} more" if len(other) > 3 else ""
    words = f"; not as advised at {'; '.join(other[:3])}{more}"
    return AgainstAdvice(words=words, as_meant=False)
