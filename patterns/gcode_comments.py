"""Comments of G-code in lines short enough for every terminal and firmware."""

from __future__ import annotations

import textwrap

__all__ = ["LONGEST_LINE", "comment_lines", "with_comment"]

#: Some terminals, hosts and firmwares cut longer lines (common practice, no source).
LONGEST_LINE = 80


def comment_lines(text: str) -> tuple[str, ...]:
    """Return a text as one or more comments; lines after the first are set in.

    Examples
    --------
    >>> comment_lines("CAUTION: hot.")
    ('; CAUTION: hot.',)
    >>> len(comment_lines("words " * 20))
    2
    """
    wrapped = textwrap.wrap(
        text, LONGEST_LINE, initial_indent="; ", subsequent_indent=";   ", break_on_hyphens=False
    )
    return tuple(wrapped) or (";",)


def with_comment(line: str, words: str) -> tuple[str, ...]:
    """Put words behind a line; before it where both together are too long.

    Examples
    --------
    >>> with_comment("M420 V", "show the mesh")
    ('M420 V ; show the mesh',)
    """
    together = f"{line} ; {words}"
    return (together,) if len(together) <= LONGEST_LINE else (*comment_lines(words), line)
