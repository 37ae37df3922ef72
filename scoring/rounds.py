"""The bed folder: profile, meshes and rounds as plain files, and the history they tell."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

import numpy as np

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.patterns.profile import load_bed
from padsheet.patterns.sheet import Sheet
from padsheet.patterns.sheet_file import sheet_from_json
from padsheet.scoring.advice import Advice
from padsheet.scoring.applied import Applied, applied_from_json
from padsheet.scoring.edit_styles import adds
from padsheet.scoring.json_values import read_json, spoilt
from padsheet.scoring.lock import locked
from padsheet.scoring.mesh import Mesh, empty_mesh, mesh_csv, read_mesh_csv
from padsheet.scoring.nearby import meant
from padsheet.scoring.overwriting import refuse_overwrite
from padsheet.scoring.scores import scores_from_json
from padsheet.scoring.squish import SheetScore

__all__ = ["PHOTO_SUFFIXES", "PROFILE", "BedFolder", "Round", "refuse_rescoring"]

PROFILE = "bed.toml"
ACTIVE = "active.txt"
PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")

Item = TypeVar("Item")


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """One round: the sheet, its photos, its scores and what was applied.

    Attributes
    ----------
    number : int
        From 1.
    path : Path
        Its folder, which need not exist yet.
    """

    number: int
    path: Path

    @property
    def sheet_gcode(self) -> Path:
        """The print."""
        return self.path / "sheet.gcode"

    @property
    def sheet_json(self) -> Path:
        """What the scorer needs of it."""
        return self.path / "sheet.json"

    @property
    def preview_svg(self) -> Path:
        """A drawing of it."""
        return self.path / "preview.svg"

    @property
    def preview_png(self) -> Path:
        """The same drawing as pixels."""
        return self.path / "preview.png"

    @property
    def scores_json(self) -> Path:
        """Scores and advice."""
        return self.path / "scores.json"

    @property
    def annotated_jpg(self) -> Path:
        """The photo with the scores drawn in."""
        return self.path / "annotated.jpg"

    @property
    def report_html(self) -> Path:
        """The report."""
        return self.path / "report.html"

    @property
    def edits_gcode(self) -> Path:
        """The edits for the printer."""
        return self.path / "edits.gcode"

    @property
    def restore_gcode(self) -> Path:
        """The way back."""
        return self.path / "restore.gcode"

    @property
    def applied_json(self) -> Path:
        """What was really applied."""
        return self.path / "applied.json"

    def photo(self, number: int, suffix: str = ".jpg") -> Path:
        """Return the place of photo `number`, from 1."""
        return self.path / f"photo-{number}{suffix.lower()}"

    def photos(self) -> tuple[Path, ...]:
        """Return the photos that are there, by number."""
        found = []
        for path in self.path.glob("photo-*"):
            digits = path.stem.removeprefix("photo-")
            if digits.isdecimal() and path.suffix.lower() in PHOTO_SUFFIXES:
                found.append((int(digits), path))
        return tuple(path for _, path in sorted(found))

    @property
    def begun(self) -> bool:
        """Whether it holds anything that must not be lost; a sheet cut short is nothing yet."""
        return self.sheet_json.exists() or self.scores_json.exists() or bool(self.photos())

    def read_sheet(self) -> Sheet:
        """Read sheet.json; a `PadsheetError` says what is wrong with it."""
        return _read(self.sheet_json, sheet_from_json, "Write a sheet with `padsheet sheet`.")

    def read_score(self) -> SheetScore:
        """Read the scores; a `PadsheetError` says what is wrong with them."""
        return self._read_scores()[0]

    def read_advice(self) -> Advice | None:
        """Read the advice, None if the scores hold none."""
        return self._read_scores()[1]

    def read_context(self) -> tuple[str, float | None]:
        """Return plate and bed temperature of the print, as the scores keep them."""
        data = _read(self.scores_json, _scores_data, "Score a photo with `padsheet score`.")
        plate, bed_c = data.get("plate", ""), data.get("bed_c")
        if not isinstance(plate, str) or not isinstance(bed_c, int | float | None):
            raise spoilt(str(self.scores_json), "plate or bed_c has the wrong form", "scores-file")
        return plate, None if bed_c is None else float(bed_c)

    def read_self_check(self) -> str:
        """Return the outcome of a self-check as the scores keep it; empty where it was none."""
        data = _read(self.scores_json, _scores_data, "Score a photo with `padsheet score`.")
        check = data.get("self_check") or {}
        outcome = check.get("outcome", "") if isinstance(check, dict) else None
        if not isinstance(outcome, str):
            raise spoilt(str(self.scores_json), "self_check has the wrong form", "scores-file")
        return outcome

    def read_applied(self) -> Applied | None:
        """Read what was applied, None if nobody recorded it."""
        if not self.applied_json.exists():
            return None
        return _read(self.applied_json, applied_from_json, "Record it again.")

    @property
    def edits_unsaid(self) -> bool:
        """Whether mesh edits were advised and nobody has said what became of them."""
        if self.applied_json.exists() or not self.scores_json.exists():
            return False
        try:
            advice = self.read_advice()
        except PadsheetError:
            return False  # spoilt scores advise nothing; whoever reads them says so
        return advice is not None and advice.has_edits

    def _read_scores(self) -> tuple[SheetScore, Advice | None]:
        try:
            stat = self.scores_json.stat()
        except OSError:
            return _scores_of(self.scores_json, None)
        return _scores_of(self.scores_json, (stat.st_ino, stat.st_mtime_ns, stat.st_size))


class BedFolder:
    """The folder of one bed.

    Parameters
    ----------
    path : Path
        A folder with ``bed.toml`` in it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    @property
    def profile(self) -> Path:
        """The profile, bed.toml."""
        return self.path / PROFILE

    @property
    def meshes(self) -> Path:
        """The folder of the meshes."""
        return self.path / "meshes"

    def bed(self) -> Bed:
        """Read the profile.

        Raises
        ------
        PadsheetError
            If this is no bed folder or the profile has a mistake.
        """
        self.require()
        return load_bed(self.profile)

    def require(self) -> None:
        """Refuse a folder that is no bed folder.

        Raises
        ------
        PadsheetError
            If there is no profile.
        """
        if self.profile.is_file():
            return
        why = f"it has no {PROFILE}" if self.path.is_dir() else "there is no such folder"
        near = meant(self.path, PROFILE)
        raise PadsheetError(
            f"{self.path.resolve()} is not a bed folder: {why}",
            remedy=f"Did you mean {near}? Else make one with `padsheet init DIR`."
            if near
            else "Make one with `padsheet init DIR` and work in it with `padsheet -C DIR`.",
            code="folder-none",
        )

    def lock(self) -> AbstractContextManager[None]:
        """Hold the folder's lock; see `padsheet.scoring.lock.locked`."""
        if not self.path.is_dir():
            self.require()
        return locked(self.path)

    def round(self, number: int) -> Round:
        """Return a round by its number, there or not."""
        return Round(number=number, path=self.path / "rounds" / f"{number:02d}")

    def rounds(self) -> tuple[Round, ...]:
        """Return the rounds that were begun, oldest first."""
        folder = self.path / "rounds"
        names = [path.name for path in folder.iterdir()] if folder.is_dir() else []
        numbers = sorted({int(name) for name in names if name.isdecimal()})
        return tuple(r for r in map(self.round, numbers) if r.number > 0 and r.begun)

    def latest_round(self) -> Round | None:
        """Return the newest round, None if there is none."""
        rounds = self.rounds()
        return rounds[-1] if rounds else None

    def scored_before(self, round_: Round) -> Round | None:
        """Return the newest round with scores before another one, None if there is none."""
        rounds = self.rounds()
        earlier = [r for r in rounds if r.number < round_.number and r.scores_json.exists()]
        return earlier[-1] if earlier else None

    def next_round(self) -> Round:
        """Return the round that comes next; its folder need not exist."""
        latest = self.latest_round()
        return self.round(1 if latest is None else latest.number + 1)

    def mesh(self, name: str) -> Mesh:
        """Read a mesh by name.

        Raises
        ------
        PadsheetError
            If there is none of that name or it does not fit the profile.
        """
        path = self._mesh_path(name)
        if not path.is_file():
            raise PadsheetError(
                f"the bed folder has no mesh {name!r}",
                remedy="Take in what the printer reports with `padsheet mesh FILE`.",
                code="mesh-none",
            )
        return read_mesh_csv(path, self.bed().mesh)

    def active_mesh(self) -> Mesh | None:
        """Return the mesh that the printer holds, as last read back; None if unknown."""
        path = self.meshes / ACTIVE
        if not path.is_file():
            return None
        return self.mesh(path.read_text(encoding="utf-8", errors="replace").strip())

    def active_mesh_fits(self) -> bool:
        """Tell whether the mesh on record, if any, is there and of the grid of the profile now.

        Raises
        ------
        PadsheetError
            If it cannot be read for another reason.
        """
        try:
            self.active_mesh()
        except PadsheetError as error:
            if error.code in ("mesh-other-grid", "mesh-none"):
                return False
            raise
        return True

    def mesh_in_force(self, round_: Round) -> Mesh | None:
        """Return the mesh that was in force while a round's sheet was printed.

        Returns
        -------
        Mesh or None
            All zero for a sheet printed without the mesh. Where the sheet does not know its mesh,
            the one before the round's recorded edits, else the one that the printer is taken to
            hold; None if nobody knows, or edits were advised before the sheet of which nobody said
            what became of them.

        Raises
        ------
        PadsheetError
            If a file cannot be read, or the sheet's mesh is gone or of another grid.
        """
        sheet = round_.read_sheet() if round_.sheet_json.exists() else None
        if sheet is not None and sheet.mesh_active == "no":
            return empty_mesh(self.bed().mesh)
        if sheet is not None and sheet.mesh_active == "yes" and sheet.mesh_name:
            if self.unsaid_edits(sheet.mesh_name, before=round_.number) is not None:
                return None
            return self.mesh(sheet.mesh_name)
        applied = round_.read_applied()
        if applied is not None:
            return self.mesh(applied.before) if applied.before else None
        return self.active_mesh()

    def unsaid_edits(self, mesh_name: str, *, before: int | None = None) -> Round | None:
        """Return the newest round whose edits, begun from a mesh, may be in the printer unrecorded.

        Parameters
        ----------
        mesh_name : str
            The mesh that the printer is taken to hold.
        before : int or None
            Only rounds before this one count.

        Raises
        ------
        PadsheetError
            If a file of a round cannot be read.
        """
        for round_ in reversed(self.rounds()):
            if before is not None and round_.number >= before:
                continue
            if round_.edits_unsaid and self._begin_from(round_, mesh_name):
                return round_
        return None

    def _begin_from(self, round_: Round, mesh_name: str) -> bool:
        """Tell whether the edits of a round begin from a mesh, and not a mesh taken in later."""
        sheet = round_.read_sheet() if round_.sheet_json.exists() else None
        if sheet is not None and sheet.mesh_active == "yes" and sheet.mesh_name:
            return sheet.mesh_name == mesh_name
        # A sheet that knows no mesh: whole values were written from one known before, and one read
        # back since would be on record. Changes may be sent with none known; then it shows them.
        return round_.edits_gcode.exists() and not adds(self.bed().edits)

    def known_meshes(self) -> tuple[Mesh, ...]:
        """Return every mesh of the folder that can be read and has the profile's grid."""
        found = []
        for path in sorted(self.meshes.glob("*.csv")):
            try:
                found.append(read_mesh_csv(path, self.bed().mesh))
            except (PadsheetError, OSError):
                continue  # one that is spoilt or of an older grid tells nothing
        return tuple(found)

    def store_mesh(self, mesh: Mesh, *, force: bool = False) -> Path:
        """Write a mesh and make it the active one.

        Raises
        ------
        PadsheetError
            If there is one of that name and `force` is not given, or a sheet was printed with it
            and its values were others: the scores of that sheet would no longer be right.
        """
        path = self._mesh_path(mesh.name)
        refuse_overwrite(path, force)
        if path.exists():
            self._refuse_other_values(mesh)
        self.meshes.mkdir(parents=True, exist_ok=True)
        write_atomic(path, mesh_csv(mesh))
        write_atomic(self.meshes / ACTIVE, f"{mesh.name}\n")
        return path

    def _refuse_other_values(self, mesh: Mesh) -> None:
        """Refuse to change a mesh that a sheet names."""
        try:
            old = self.mesh(mesh.name)
        except PadsheetError:
            return  # it tells nothing any more
        if np.allclose(old.z_mm, mesh.z_mm, rtol=0.0, atol=5e-7):
            return
        for round_ in self.rounds():
            if round_.sheet_json.exists() and round_.read_sheet().mesh_name == mesh.name:
                raise PadsheetError(
                    f"the sheet of round {round_.number} was printed with the mesh {mesh.name!r}, "
                    "whose values would be lost",
                    remedy="Give the new mesh another name, or leave --name out.",
                    code="mesh-in-use",
                )

    def _mesh_path(self, name: str) -> Path:
        """Return the place of a mesh; a name that leads out of the folder is refused."""
        if not name or name != Path(name).name or name.startswith(".") or "\\" in name:
            raise PadsheetError(
                f"{name!r} cannot be the name of a mesh",
                remedy="Use letters, digits, dashes and underscores.",
                code="mesh-name",
            )
        return self.meshes / f"{name}.csv"


def refuse_rescoring(round_: Round, force: bool) -> None:
    """Refuse to score a round again without `force`.

    Raises
    ------
    PadsheetError
        If the round has scores and `force` is False.
    """
    if round_.scores_json.exists() and not force:
        raise PadsheetError(
            f"round {round_.number} is scored already: {round_.scores_json}",
            remedy="Score it again with --force. A new print needs a sheet of its own, made with "
            "`padsheet sheet`.",
            code="file-exists",
        )


@lru_cache(maxsize=16)
def _scores_of(path: Path, _stamp: tuple[int, int, int] | None) -> tuple[SheetScore, Advice | None]:
    # Kept for as long as the file is the same: each round is asked for its scores several times.
    return _read(path, scores_from_json, "Score a photo of it with `padsheet score`.")


def _scores_data(text: str) -> dict[str, object]:
    """Read scores.json as plain data."""
    return read_json(text, "scores.json", code="scores-file")


def _read(path: Path, parse: Callable[[str], Item], remedy: str) -> Item:
    """Read and parse a file of a round; every error names the file."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise PadsheetError(f"there is no {path}", remedy=remedy, code="file-none") from error
    except UnicodeDecodeError as error:
        raise spoilt(str(path), "it is not text", "file-spoilt") from error
    try:
        return parse(text)
    except PadsheetError as error:
        raise PadsheetError(
            f"{path}: {error.problem}", remedy=error.remedy, code=error.code
        ) from error
