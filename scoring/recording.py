"""Putting on record what was applied after a round."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import write_atomic
from padsheet.scoring.applied import Applied, applied_to_json
from padsheet.scoring.mesh import Mesh, same_nodes
from padsheet.scoring.overwriting import refuse_overwrite
from padsheet.scoring.rounds import Round

__all__ = ["mesh_change", "now_text", "record_applied", "record_saved"]


def record_applied(
    round_: Round,
    before: Mesh,
    after: Mesh,
    *,
    offset_mm: float | None = None,
    offset_style: str = "",
    offset_profile_mm: float | None = None,
    screws_turned: bool = False,
    taken: str | None = None,
    saved: bool | None = None,
    force: bool = False,
) -> Applied:
    """Record what was applied after a round: the difference of two meshes read back.

    Raises
    ------
    PadsheetError
        If the meshes have other nodes, or something is recorded already and `force` is not given.
    """
    if not same_nodes(before.grid, after.grid):
        raise PadsheetError(
            f"the meshes {before.name!r} and {after.name!r} have other grid points",
            remedy="Read the mesh back from the printer after the edits, on the same grid.",
            code="applied-grid",
        )
    applied = Applied(
        how="meshes",
        nodes=mesh_change(before, after),
        before=before.name,
        after=after.name,
        offset_mm=offset_mm,
        offset_style=offset_style,
        offset_profile_mm=offset_profile_mm,
        screws_turned=screws_turned,
        taken=now_text() if taken is None else taken,
        saved=saved,
    )
    return _write_applied(round_, applied, force)


def mesh_change(before: Mesh, after: Mesh) -> tuple[tuple[int, int, float], ...]:
    """Return what was added to each node, (i, j, dz_mm); nodes that did not change are left out."""
    change = after.z_mm - before.z_mm
    # Files keep six decimals; what is smaller is the way numbers are kept, not an edit.
    return tuple(
        (i, j, round(float(change[j, i]), 6))
        for i, j in before.grid.nodes
        if abs(change[j, i]) > 5e-7
    )


def record_saved(round_: Round) -> None:
    """Record that the printer has saved the mesh that was applied after a round."""
    applied = round_.read_applied()
    if applied is not None:
        _write_applied(round_, replace(applied, saved=True), force=True)


def now_text() -> str:
    """Return the present time to the second, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def _write_applied(round_: Round, applied: Applied, force: bool) -> Applied:
    """Write applied.json."""
    refuse_overwrite(round_.applied_json, force)
    write_atomic(round_.applied_json, applied_to_json(applied))
    return applied
