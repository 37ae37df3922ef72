"""One thing to do now, how its commands begin, and the command that scores a round anew."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path

from padsheet.scoring.rounds import Round

__all__ = [
    "Step",
    "command_base",
    "score_again",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do now: a sentence, and the commands to copy for it, one a line.

    `other` is another way to the same end, to be taken instead. What is a `fact` is nothing to do,
    and stands apart from the steps.
    """

    text: str
    commands: tuple[str, ...] = ()
    other: Step | None = None
    fact: bool = False


def command_base(folder: Path) -> str:
    """Return how a command for this bed folder begins."""
    return "padsheet" if folder == Path() else f"padsheet -C {shlex.quote(str(folder))}"


def score_again(round_: Round, base: str = "padsheet") -> str:
    """Return the command that scores a round again from what it was scored from."""
    picks = round_.path / "by-eye.csv"
    photos = round_.photos()
    given = [shlex.quote(str(path)) for path in photos] or ["PHOTO"]
    if picks.exists() and not photos:
        given = ["--by-eye", shlex.quote(str(picks))]
    return " ".join([base, "score", *given, f"--round {round_.number} --force"])
