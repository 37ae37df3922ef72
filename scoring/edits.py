"""The corrections as lines for the printer: one point each, and the way back.

A correction is asked for by a proof on the real printer first, see `padsheet.scoring.edit_proof`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padsheet.patterns.bed import Bed, Edits, MeshGrid
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.gcode_comments import comment_lines, with_comment
from padsheet.scoring.advice import NodeAdvice
from padsheet.scoring.edit_styles import adds, check_style, edit_line
from padsheet.scoring.mesh import Mesh
from padsheet.scoring.phrases import place

__all__ = ["CAUTIONS", "SAVE_WARNING", "Edit", "EditList", "make_edits", "printed_table"]

CAUTIONS = (
    "The nozzle and the bed are hot and the axes move: keep hands, hair and clothes away.",
    "A wrong edit can drive the nozzle into the bed: stay at the printer, ready to switch it off, "
    "never leave it alone, and watch the first layer after every edit.",
    "Your printer's manual comes first.",
)
SAVE_WARNING = (
    "Saving stores every other change that is pending in the printer too, wanted or not. "
    "Save only after the mesh shown agrees with the list."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Edit:
    """The change of one mesh point.

    Attributes
    ----------
    i, j : int
        Node, from 0 at the smallest x and y.
    dz_mm : float
        What is added to its mesh value; negative lowers the nozzle there.
    old_mm, new_mm : float or None
        Mesh value before and after; None where the mesh is not known.
    line, restore : str
        G-code that makes the change, and that takes it back; empty in the table style.
    """

    i: int
    j: int
    dz_mm: float
    old_mm: float | None
    new_mm: float | None
    line: str
    restore: str

    @property
    def words(self) -> str:
        """Say the change in words.

        Examples
        --------
        >>> edit = Edit(i=2, j=1, dz_mm=-0.04, old_mm=None, new_mm=None, line="", restore="")
        >>> edit.words
        'lower the nozzle by 0.040 mm at column 3, row 2'
        """
        if self.old_mm is None and self.new_mm is not None:
            return f"set to {_value(self.new_mm)} at {place(self.i, self.j)}"
        if self.dz_mm == 0:
            text = f"no change at {place(self.i, self.j)}"
        else:
            verb = "lower" if self.dz_mm < 0 else "raise"
            text = f"{verb} the nozzle by {abs(self.dz_mm):.3f} mm at {place(self.i, self.j)}"
        if self.old_mm is None or self.new_mm is None:
            return text
        return f"{text} (mesh value {_value(self.old_mm)} to {_value(self.new_mm)})"

    @property
    def comment(self) -> str:
        """Say the change in as many words as a line of G-code has room for.

        Examples
        --------
        >>> Edit(i=2, j=1, dz_mm=-0.04, old_mm=0.02, new_mm=-0.02, line="", restore="").comment
        'lower by 0.040 mm at column 3, row 2: 0.020 to -0.020'
        """
        if self.old_mm is None or self.new_mm is None or self.dz_mm == 0:
            return self.words.replace(" the nozzle", "").partition(" (")[0]
        verb = "lower" if self.dz_mm < 0 else "raise"
        at = place(self.i, self.j)
        values = f"{_value(self.old_mm)} to {_value(self.new_mm)}"
        return f"{verb} by {abs(self.dz_mm):.3f} mm at {at}: {values}"


@dataclass(frozen=True, slots=True, kw_only=True)
class EditList:
    """All edits of one round, with the way back.

    Attributes
    ----------
    style : str
        Edit style by its G-code word.
    edits : tuple of Edit
        Raising ones first: if sending breaks off, the nozzle is rather too high than too low.
    table, restore_table : tuple of str
        In the table style: the new and the old mesh in the printer's own order; else empty.
    show, save : str
        Lines that show the mesh and that save it. The save line is in no list of lines.
    cautions : tuple of str
        What the user has to read first.
    before, expected : Mesh or None
        The mesh as known, and as it must be afterwards; None where it is not known.
    from_nothing : bool
        Whether the user says that the printer holds no mesh; `before` is then flat.
    """

    style: str
    edits: tuple[Edit, ...]
    table: tuple[str, ...]
    restore_table: tuple[str, ...]
    show: str
    save: str
    cautions: tuple[str, ...]
    before: Mesh | None
    expected: Mesh | None
    from_nothing: bool

    @property
    def lines(self) -> tuple[str, ...]:
        """Return the edits as commented lines, then the line that shows the mesh."""
        return (*self.unsaved_lines, *self._save_note())

    @property
    def unsaved_lines(self) -> tuple[str, ...]:
        """Return `lines` without the word on saving: for a trial that must not be saved."""
        title = f"{_count(len(self.edits))}, style {self.style}"
        return (*self._head(title), *self._body(self.table, back=False), *self._show())

    @property
    def restore(self) -> tuple[str, ...]:
        """Return the lines that take the edits back, commented in the same way."""
        title = f"takes back {_count(len(self.edits))}, style {self.style}"
        note = []
        if self.edits and all(edit.old_mm is None for edit in self.edits):
            note = ["; each line takes back one change: leave out those that were never sent"]
        return (
            *self._head(title),
            *note,
            *self._body(self.restore_table, back=True),
            *self._show(),
            *self._save_note(),
        )

    def _head(self, title: str) -> tuple[str, ...]:
        return tuple(line for text in (title, *self.cautions) for line in comment_lines(text))

    def _body(self, table: tuple[str, ...], *, back: bool) -> tuple[str, ...]:
        if not self.edits:
            return ("; nothing to change",)
        if table:
            return ("; type these values into the printer's own table:", *(f"; {r}" for r in table))
        if back:
            # The edits that lowered come first: taking them back raises the nozzle.
            undone = [with_comment(e.restore, _undo_words(e)) for e in reversed(self.edits)]
            return tuple(line for lines in undone for line in lines)
        done = [with_comment(edit.line, edit.comment) for edit in self.edits]
        key = comment_lines(
            "lower, raise: the nozzle there. After the colon: mesh value, old to new."
        )
        return (*key, *(line for lines in done for line in lines))

    def _show(self) -> tuple[str, ...]:
        return ("; show the mesh and compare it:", self.show)

    def _save_note(self) -> tuple[str, ...]:
        return (
            *comment_lines(SAVE_WARNING),
            f"; To save, send this line by hand: {self.save}",
        )


def _value(z_mm: float) -> str:
    """Write a mesh value; a rounded zero has no sign.

    Examples
    --------
    >>> _value(-0.0004), _value(-0.04)
    ('0.000', '-0.040')
    """
    return f"{round(z_mm, 3) + 0.0:.3f}"


def _count(edits: int) -> str:
    return f"{edits} mesh edit" if edits == 1 else f"{edits} mesh edits"


def _undo_words(edit: Edit) -> str:
    if edit.dz_mm == 0:
        return f"take back: no change at {place(edit.i, edit.j)}"
    back = "raise" if edit.dz_mm < 0 else "lower"
    return f"take back: {back} by {abs(edit.dz_mm):.3f} mm at {place(edit.i, edit.j)}"


def make_edits(
    nodes: Sequence[NodeAdvice],
    bed: Bed,
    mesh: Mesh | None,
    *,
    only_changed: bool = True,
    keep_mean: bool = False,
    empty_mesh: bool = False,
) -> EditList:
    """Turn the advice for the nodes into lines for the printer.

    Changes are rounded to ``bed.edits.smallest_mm`` and limited to ``bed.edits.largest_mm``.

    Parameters
    ----------
    nodes : sequence of NodeAdvice
        At most one for each node.
    bed : Bed
        Its `edits` say how the printer is told, its `mesh` the grid.
    mesh : Mesh or None
        The mesh as read back from the printer since it was switched on.
    only_changed : bool, optional
        Leave out nodes that do not change; without it every node of `nodes` gets a line.
    keep_mean : bool, optional
        Take a lowering mean change out, so that the mesh lowers nothing as a whole; a raising one
        stays, as points would else be lowered further than advised.
    empty_mesh : bool, optional
        The user says that the printer holds no mesh at all: every node is written, from zero.

    Returns
    -------
    EditList

    Raises
    ------
    PadsheetError
        If the style needs the mesh and it is not known; if the mesh or a node is not of the
        profile's grid, a value is not finite, the advice belongs to another mesh, `G29 S3` is not
        released by the profile, or the template cannot be used.
    """
    check_style(bed.edits)
    before = _known_mesh(bed, mesh, empty_mesh=empty_mesh)
    if before is None and not adds(bed.edits):
        raise PadsheetError(
            f"the style {bed.edits.style} writes whole mesh values, and the mesh is not known",
            remedy="Take in what the printer shows with `padsheet mesh FILE`; if it says that it "
            "holds none, put that on record with `padsheet mesh --empty`.",
            code="edits-mesh-unknown",
        )
    wanted_mm = _changes(nodes, bed.mesh, keep_mean=keep_mean)
    change_mm, limited = _rounded(wanted_mm, bed.edits)
    if before is not None:
        _check_fresh(nodes, before, bed.edits, all_nodes=empty_mesh)
    given = {(node.i, node.j) for node in nodes}
    chosen = [
        (i, j)
        for i, j in bed.mesh.nodes
        if empty_mesh or change_mm[j, i] != 0 or (not only_changed and (i, j) in given)
    ]
    cautions = _cautions(limited, bed.edits, empty_mesh)
    return _listed(bed, before, change_mm, chosen, cautions, from_nothing=empty_mesh)


def _listed(
    bed: Bed,
    before: Mesh | None,
    change_mm: NDArray[np.float64],
    chosen: list[tuple[int, int]],
    cautions: tuple[str, ...],
    *,
    from_nothing: bool,
) -> EditList:
    """Write the lines of the chosen nodes, those that raise the nozzle first."""
    z_mm = None if before is None else before.z_mm
    edits = [_edit(bed, i, j, float(change_mm[j, i]), z_mm) for i, j in chosen]
    edits.sort(key=lambda edit: edit.dz_mm < 0)
    expected = None
    if before is not None:
        expected = Mesh(
            grid=bed.mesh,
            z_mm=before.z_mm + change_mm,
            name=before.name,
            bed_c=before.bed_c,
            plate=before.plate,
        )
    as_table = bed.edits.style == "table"
    return EditList(
        style=bed.edits.style,
        edits=tuple(edits),
        table=printed_table(expected) if as_table and expected else (),
        restore_table=printed_table(before) if as_table and before else (),
        show=bed.edits.show,
        save=bed.edits.save,
        cautions=cautions,
        before=before,
        expected=expected,
        from_nothing=from_nothing,
    )


def _known_mesh(bed: Bed, mesh: Mesh | None, *, empty_mesh: bool) -> Mesh | None:
    """Return the mesh that the changes are added to, if any."""
    if empty_mesh:
        if mesh is not None and np.any(mesh.z_mm):
            raise PadsheetError(
                f"the printer is said to hold no mesh, but '{mesh.name}' was read from it",
                remedy="Leave --empty-mesh out. If the printer holds none by now, put that on "
                "record with `padsheet mesh --empty`.",
                code="edits-not-empty",
            )
        return Mesh(grid=bed.mesh, z_mm=np.zeros((bed.mesh.rows, bed.mesh.columns)), name="empty")
    if mesh is None:
        return None
    if mesh.z_mm.shape != (bed.mesh.rows, bed.mesh.columns):
        raise PadsheetError(
            f"the mesh '{mesh.name}' has {mesh.grid.columns} x {mesh.grid.rows} points, the "
            f"profile {bed.mesh.columns} x {bed.mesh.rows}",
            remedy="Take the present mesh in with `padsheet mesh FILE`.",
            code="edits-other-grid",
        )
    return mesh


def _changes(
    nodes: Sequence[NodeAdvice], grid: MeshGrid, *, keep_mean: bool
) -> NDArray[np.float64]:
    """Return the wanted change of every node, shape (rows, columns)."""
    change_mm = np.zeros((grid.rows, grid.columns))
    seen = set()
    for node in nodes:
        where = place(node.i, node.j)
        if not (0 <= node.i < grid.columns and 0 <= node.j < grid.rows) or (node.i, node.j) in seen:
            raise PadsheetError(
                f"the advice for {where} does not fit the mesh of the profile",
                remedy="Score the photo again with this bed.toml.",
                code="edits-other-grid",
            )
        if not math.isfinite(node.dz_mm):
            raise PadsheetError(
                f"the advice for {where} is not a number",
                remedy="Score the photo again.",
                code="edits-not-finite",
            )
        seen.add((node.i, node.j))
        if node.changed:
            change_mm[node.j, node.i] = node.dz_mm
    # Only upwards: taking a raising mean out would lower points further than the advice allows.
    return change_mm - min(0.0, float(change_mm.mean())) if keep_mean else change_mm


def _rounded(
    wanted_mm: NDArray[np.float64], edits: Edits
) -> tuple[NDArray[np.float64], list[tuple[int, int]]]:
    """Round to whole smallest edits within the largest, and tell which nodes were limited."""
    most = math.floor(edits.largest_mm / edits.smallest_mm + 1e-9)
    steps = np.rint(wanted_mm / edits.smallest_mm)
    limited = [(int(i), int(j)) for j, i in np.argwhere(np.abs(steps) > most)]
    # Rounding once more takes the noise of the product away: 3 x 0.01 is 0.03.
    rounded = np.round(np.clip(steps, -most, most) * edits.smallest_mm, 6) + 0.0
    return rounded, limited


def _check_fresh(nodes: Sequence[NodeAdvice], mesh: Mesh, edits: Edits, *, all_nodes: bool) -> None:
    """Refuse advice that was made for other mesh values than those known now.

    Where all nodes are written, those that the advice leaves alone count too.
    """
    for node in nodes:
        if node.new_mm is None or not (node.changed or all_nodes):
            continue
        old_mm = float(mesh.z_mm[node.j, node.i])
        if abs(node.new_mm - node.dz_mm - old_mm) > 0.5 * edits.smallest_mm + 1e-6:
            raise PadsheetError(
                f"the advice counts on a mesh value of {node.new_mm - node.dz_mm:.3f} mm at "
                f"{place(node.i, node.j)}, the mesh '{mesh.name}' has {old_mm:.3f}",
                remedy="The mesh has changed since the sheet was printed (or these edits are in "
                "already): print a new sheet. If only the reading of the mesh was corrected, score "
                "the photo again with --force.",
                code="edits-stale",
            )


def _cautions(limited: list[tuple[int, int]], edits: Edits, empty: bool) -> tuple[str, ...]:
    more = []
    if limited:
        where = "; ".join(place(i, j) for i, j in limited)
        more.append(
            f"Limited to {edits.largest_mm:g} mm in one round: {where}. The rest follows in the "
            "next round."
        )
    if empty:
        more.append("Every point is written, as the printer is said to hold no mesh.")
    return (*CAUTIONS, *more)


def _edit(bed: Bed, i: int, j: int, dz_mm: float, z_mm: NDArray[np.float64] | None) -> Edit:
    """Write the line of one node and the one that takes it back."""
    old_mm = None if z_mm is None else float(z_mm[j, i])
    new_mm = None if old_mm is None else round(old_mm + dz_mm, 6) + 0.0
    if bed.edits.style == "table":
        line = restore = ""
    else:
        line = edit_line(bed.edits, i, j, new_mm, dz_mm)
        restore = edit_line(bed.edits, i, j, old_mm, -dz_mm)
    return Edit(
        i=i, j=j, dz_mm=dz_mm, old_mm=old_mm, new_mm=new_mm, line=line, restore=restore
    )  # fmt: skip


def printed_table(mesh: Mesh) -> tuple[str, ...]:
    """Return the mesh as rows of numbers in the order in which the printer shows its own table."""
    grid = mesh.grid
    z_mm = mesh.z_mm[:: 1 if grid.table_first_row == "front" else -1]
    z_mm = z_mm[:, :: 1 if grid.table_first_column == "left" else -1]
    return tuple(" ".join(f"{round(float(z), 3) + 0.0:+.3f}" for z in row) for row in z_mm)
