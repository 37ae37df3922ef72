"""The one error a user may see: what is wrong, and what to do about it."""

from __future__ import annotations

__all__ = ["PadsheetError"]


class PadsheetError(Exception):
    """An input that cannot be used.

    Parameters
    ----------
    problem : str
        What is wrong, one sentence without the final full stop.
    remedy : str
        What the user can do about it, one sentence.
    code : str
        Short stable name of the refusal, such as ``"photo-no-sheet"``.

    Examples
    --------
    >>> str(PadsheetError("the photo is empty", remedy="Take it again.", code="photo-empty"))
    'the photo is empty. Take it again. [photo-empty]'
    """

    def __init__(self, problem: str, *, remedy: str, code: str) -> None:
        super().__init__(f"{problem}. {remedy} [{code}]")
        self.problem = problem
        self.remedy = remedy
        self.code = code

    def __reduce__(self) -> tuple[object, ...]:
        """Let it pass from one process to another, as what a user may see of it."""
        return _again, (self.problem, self.remedy, self.code)


def _again(problem: str, remedy: str, code: str) -> PadsheetError:
    return PadsheetError(problem, remedy=remedy, code=code)
