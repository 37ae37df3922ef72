"""What is said of a sheet that might come too near the bed, and what can be done about it."""

from __future__ import annotations

from dataclasses import dataclass

from padsheet.patterns.errors import PadsheetError

__all__ = ["TooNear", "Way"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """What can be done about a sheet that comes too near: a sentence, and commands for it.

    `commands` are without the program's name, and empty where there is nothing to type.
    """

    text: str
    commands: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """All of it in one sentence."""
        if not self.commands:
            return self.text
        told = ", ".join(f"`padsheet {command}`" for command in self.commands)
        return f"{self.text.rstrip('.')}: {told}."


class TooNear(PadsheetError):
    """A sheet whose lowest lines might come nearer to the bed than the clearance.

    Attributes
    ----------
    ways : tuple of Way
        What can be done, one instead of the other.
    reach : str
        Of the sheet, as the option takes it.
    up_mm : float
        By how much the nozzle has to be raised for a sheet of that reach, where raising it is the
        last of the ways; else 0.
    in_all : str
        What that makes with the offset on record, to go on with; empty where none is.
    """

    def __init__(
        self,
        problem: str,
        *,
        ways: tuple[Way, ...],
        reach: str,
        up_mm: float = 0.0,
        in_all: str = "",
    ) -> None:
        said = [way.sentence for way in ways]
        later = [f"Or {text[0].lower()}{text[1:]}" for text in said[1:]]
        super().__init__(problem, remedy=" ".join([*said[:1], *later]), code="sheet-too-near")
        self.ways, self.reach, self.up_mm, self.in_all = ways, reach, up_mm, in_all
