"""Which reach the next sheet takes, by what it will meet; none that comes too near the bed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from padsheet.patterns.bed import Bed
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.ladder import FINE_MM, FIRST_MM, LARGEST_MM
from padsheet.patterns.layout import SELF_CHECK_LIFT_MM
from padsheet.patterns.sheet import Sheet
from padsheet.scoring.ahead import Ahead, Nearest, highest, nearest
from padsheet.scoring.phrases import listed, place, reach_word
from padsheet.scoring.too_near import TooNear, Way

__all__ = ["Choice", "SheetOptions", "choose_reach"]

#: Offsets are told in hundredths.
SMALLEST_TOLD_MM = 0.005
#: Slack of comparisons, in millimetres.
SLACK_MM = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A sheet that keeps clear of the bed, as far as is known.

    Attributes
    ----------
    why : str
        Why its reach is another than usual; empty if it is not.
    caution : str
        What makes the reach that was asked for a danger, where it is used; else empty.
    """

    sheet: Sheet
    why: str = ""
    caution: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetOptions:
    """What was asked of a sheet besides its reach: the options that go with another reach.

    Attributes
    ----------
    points : tuple of (i, j)
        Only these grid points; empty for all.
    self_check, no_mesh : bool
        What the sheet is for, and whether it leaves the mesh off.
    """

    points: tuple[tuple[int, int], ...] = ()
    self_check: bool = False
    no_mesh: bool = False

    @property
    def words(self) -> str:
        """The options, to go on with after others."""
        places = " ".join(f"{i + 1},{j + 1}" for i, j in self.points)
        return (
            (f" --points {places}" if places else "")
            + (" --self-check" if self.self_check else "")
            + (" --no-mesh" if self.no_mesh else "")
        )


def choose_reach(
    lay: Callable[[float], Sheet],
    ahead: Ahead | None,
    bed: Bed,
    options: SheetOptions,
    *,
    asked_mm: float | None = None,
    force: bool = False,
) -> Choice:
    """Choose the sheet whose reach holds what is expected, and refuse one that comes too near.

    Parameters
    ----------
    lay : callable
        Lays out the sheet of a reach in millimetres.
    ahead : Ahead or None
        What the sheet will meet, None for a bed never read.
    bed : Bed
        The profile.
    options : SheetOptions
        What else was asked of the sheet.
    asked_mm : float or None
        The reach that was asked for; None to choose it.
    force : bool
        Whether a reach that was asked for is used though it comes too near.

    Raises
    ------
    TooNear
        If its lowest lines might come nearer to the bed than the clearance at the 95 % bound.
    PadsheetError
        If the sheet cannot be made.
    """
    if ahead is not None:
        told = _Told(lay=lay, ahead=ahead, bed=bed, options=options)
        return told.asked(asked_mm, force=force) if asked_mm is not None else told.usual()
    if asked_mm is None:
        asked_mm = FINE_MM if options.self_check else FIRST_MM
    return Choice(sheet=lay(asked_mm))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """The choice for a bed that was read before."""

    lay: Callable[[float], Sheet]
    ahead: Ahead
    bed: Bed
    options: SheetOptions

    def asked(self, reach_mm: float, *, force: bool) -> Choice:
        """Return the sheet of the reach that was asked for."""
        ahead, sheet = self.ahead, self.lay(reach_mm)
        refusal = self.refusal(sheet)
        if refusal is None and ahead.screws and ahead.unknown and reach_mm < FIRST_MM - SLACK_MM:
            refusal = self._after_own_turns(reach_mm)
        if refusal is None or force:
            return Choice(sheet=sheet, caution=refusal.problem if refusal else ahead.unknown)
        raise refusal

    def usual(self) -> Choice:
        """Return the fine sheet if what is expected lies in its reach, else a wider one."""
        if self.ahead.unknown:
            return self._unknown()
        fine = self.lay(FINE_MM)
        why = self._why_not(fine)
        if not why:
            return Choice(sheet=fine)
        wide = self._wide()
        if wide is None:
            return Choice(sheet=self._clear(fine))
        refusal = self.refusal(wide)
        if refusal is None:
            return Choice(sheet=wide, why=f"{_instead(self._wide_mm)}: {why}.")
        # What can be put on record, or looked at, comes before a sheet that reads coarser.
        asks_first = self.ahead.unsaid or self.ahead.doubtful
        wider = None if asks_first else self._wider(wide)
        if wider is None:
            raise refusal
        return Choice(sheet=wider, why=f"{_instead(-wider.reach_mm[0])}: {why}.")

    def _unknown(self) -> Choice:
        """Return the sheet for a bed of which nobody knows how it lies by now."""
        wide = self._wide()
        sheet = self._clear(wide or self.lay(FINE_MM))
        return Choice(
            sheet=sheet, why=f"{_instead(self._wide_mm)}: {self.ahead.unknown}." if wide else ""
        )

    def _clear(self, sheet: Sheet) -> Sheet:
        refusal = self.refusal(sheet)
        if refusal is not None:
            raise refusal
        return sheet

    def _why_not(self, fine: Sheet) -> str:
        """Return why a fine sheet does not do; empty if it does."""
        ahead = self.ahead
        since = f"by round {ahead.since} and what is on record since, the gap error "
        low, high = nearest(ahead, fine), highest(ahead, fine)
        if self._missing_mm(low) > SLACK_MM:
            where = place(low.i, low.j)
            return f"{since}near {where} may be as low as {low.error_mm:+.2f} mm (95 % bound)"
        if high[0] > FINE_MM:
            return f"{since}at {place(*high[1:])} is expected to be {high[0]:+.2f} mm"
        if ahead.screws:
            return (
                f"the screws were to be turned after round {ahead.since}, which no hand does to a "
                "hundredth"
            )
        return ""

    @property
    def _wide_mm(self) -> float:
        """The reach of the sheet that is tried after the fine one."""
        return round(LARGEST_MM - SELF_CHECK_LIFT_MM, 6) if self.options.self_check else FIRST_MM

    def _wide(self) -> Sheet | None:
        return self._laid(self._wide_mm)

    def _laid(self, reach_mm: float) -> Sheet | None:
        """Return a sheet of wider reach than usual; None where nozzle or sheet has no such."""
        try:
            return self.lay(reach_mm)
        except PadsheetError as error:
            if error.code in ("ladder-impossible", "ladder-reach", "layout-self-check"):
                return None
            raise

    def _wider(self, sheet: Sheet) -> Sheet | None:
        """Return a sheet of wider reach than one that comes too near; None if none is clear."""
        reach_mm = round(-sheet.reach_mm[0], 6)
        missing_mm = self._missing_mm(nearest(self.ahead, sheet))
        most_mm = LARGEST_MM - (SELF_CHECK_LIFT_MM if self.options.self_check else 0.0)
        least_mm = math.ceil((reach_mm + missing_mm) * 100 - 1e-6) / 100
        for wider_mm in sorted({least_mm, max(least_mm, FIRST_MM)}, reverse=True):
            if wider_mm > most_mm + SLACK_MM or wider_mm <= reach_mm:
                continue
            wider = self._laid(wider_mm)
            if wider is not None and self._missing_mm(nearest(self.ahead, wider)) <= SLACK_MM:
                return wider
        return None

    def _missing_mm(self, near: Nearest) -> float:
        return self.bed.motion.clearance_mm - near.gap_mm

    def refusal(self, sheet: Sheet) -> TooNear | None:
        """Return why a sheet must not be printed, None if it is clear or nobody knows."""
        ahead = self.ahead
        if not ahead.states:
            return None
        near = nearest(ahead, sheet)
        if self._missing_mm(near) <= SLACK_MM:
            return None
        reach = reach_word(-sheet.reach_mm[0])
        sure = nearest(ahead, sheet, sure=True) if ahead.doubtful else near
        if self._missing_mm(sure) <= SLACK_MM:
            return self._doubted(near, reach)
        ways = [*self._on_record(), *self._other_mesh()]
        up_mm, in_all = 0.0, ""
        wider = self._wider(sheet)
        if wider is not None:
            ways.append(self._of_wider_reach(wider))
        elif not ahead.unsaid:
            up_mm = math.ceil(self._missing_mm(near) * 100 - 1e-6) / 100
            if abs(ahead.set_in_all_mm) >= SMALLEST_TOLD_MM:
                total_mm = ahead.set_in_all_mm + up_mm
                in_all = f", {total_mm:+.2f} mm in all with what is on record"
            ways.append(self._raised(up_mm, in_all))
        unsaid = " (what was advised after it is not on record)" if ahead.unsaid else ""
        return TooNear(
            f"by round {ahead.since} and what is on record since{unsaid}, a sheet of reach {reach} "
            f"may bring the nozzle {_to(near)}; the clearance is "
            f"{self.bed.motion.clearance_mm:.2f} mm",
            ways=tuple(ways),
            reach=reach,
            up_mm=up_mm,
            in_all=in_all,
        )

    def _on_record(self) -> list[Way]:
        """Return what to put on record, for each thing that was advised and is not."""
        return [
            Way(
                text="If what was advised is done, say the first of these; if not, the second.",
                commands=(f"applied {done}", f"applied {left}"),
            )
            for done, left in self.ahead.unsaid
        ]

    def _other_mesh(self) -> list[Way]:
        """Return what another mesh than the one reckoned with might mend."""
        ways = []
        if self.ahead.unknown:
            ways.append(
                Way(
                    text="If the printer holds another mesh by now, take it in.",
                    commands=("mesh FILE",),
                )
            )
        if self.options.no_mesh and self.ahead.mesh_lowered:
            ways.append(Way(text="Leave out --no-mesh: without its mesh the bed is that far off."))
        elif self.ahead.mesh_lowered:
            ways.append(Way(text="Bring back the mesh of the newest sheet.", commands=("restore",)))
        return ways

    def _of_wider_reach(self, wider: Sheet) -> Way:
        word = reach_word(-wider.reach_mm[0])
        return Way(
            text="Print a sheet of wider reach, which keeps clear of the bed.",
            commands=(f"sheet --reach {word}{self.options.words}",),
        )

    def _raised(self, up_mm: float, in_all: str) -> Way:
        return Way(
            text=f"Raise the nozzle everywhere by {up_mm:.2f} mm{in_all}, for the next sheet too, "
            "and put that on record.",
            commands=(f"applied --offset {self.ahead.offset_mm + up_mm:.2f}",),
        )

    def _after_own_turns(self, asked_mm: float) -> TooNear:
        """Return the refusal of a sheet that lies low, where nobody knows how the bed lies."""
        way = Way(
            text="Print one of wider reach.",
            commands=(f"sheet --reach first{self.options.words}",),
        )
        return TooNear(
            f"{self.ahead.unknown}; a sheet of reach {reach_word(asked_mm)} may then come too near "
            "the bed, or not read it",
            ways=(way,),
            reach="first",
        )

    def _doubted(self, near: Nearest, reach: str) -> TooNear:
        """Return the refusal of a sheet that is safe only if screws were turned the right way."""
        ahead = self.ahead
        one = len(ahead.doubtful) == 1
        knobs = f"the {ahead.doubtful[0]} knob" if one else f"the knobs {listed(ahead.doubtful)}"
        look = Way(
            text=f"Look which way {knobs} {'moves' if one else 'move'} the bed. Where that is not "
            f"as round {ahead.since} says, turn back twice as far and correct raises in bed.toml. "
            "Once all are turned the right way, write the sheet.",
            commands=(f"sheet --reach {reach} --force",),
        )
        return TooNear(
            "turns of bed screws went the other way before. If those of round "
            f"{ahead.since} do so too, a sheet of reach {reach} may bring the nozzle {_to(near)}; "
            f"the clearance is {self.bed.motion.clearance_mm:.2f} mm",
            ways=(look,),
            reach=reach,
        )


def _instead(reach_mm: float) -> str:
    return f"Reach {reach_word(reach_mm)} in place of fine"


def _to(near: Nearest) -> str:
    to = f"to {near.gap_mm:.2f} mm from" if near.gap_mm > 0 else f"{-near.gap_mm:.2f} mm into"
    return f"{to} the bed near {place(near.i, near.j)} (95 % bound)"
