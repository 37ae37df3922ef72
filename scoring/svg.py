"""Elements of SVG drawings.

Drawings of the report carry no colours of their own but those of `padsheet.scoring.colours`; lines
and text take the page's colours through classes, so that they follow its light and dark dress.
"""

from __future__ import annotations

from functools import cache, lru_cache
from html import escape

__all__ = ["tag", "text_at"]


def tag(name: str, body: str | None = None, /, **attributes: object) -> str:
    """Write one element.

    Parameters
    ----------
    name : str
        Of the element.
    body : str or None
        What it holds, written as it is.
    **attributes : object
        Their values are escaped, and numbers have two decimals at most; None leaves one out. ``_``
        in names stands for ``-``, ``class_`` for ``class``.

    Examples
    --------
    >>> tag("circle", cx=1.0, r=0.5, stroke_width=2, class_="dot")
    '<circle cx="1" r="0.5" stroke-width="2" class="dot"/>'
    """
    pairs = []
    for key, value in attributes.items():
        if value is None:
            continue
        if isinstance(value, float):
            text = f"{value:.2f}".rstrip("0").rstrip(".")
        else:
            text = _escaped(str(value))
        pairs.append(f' {_name(key)}="{text}"')
    start = f"<{name}{''.join(pairs)}"
    return f"{start}/>" if body is None else f"{start}>{body}</{name}>"


@lru_cache(maxsize=256)
def _escaped(value: str) -> str:
    # Kept, since a drawing's classes and sizes come again and again.
    return escape(value)


@cache
def _name(key: str) -> str:
    return key.rstrip("_").replace("_", "-")


def text_at(x: float, y: float, words: str, size: float, **attributes: object) -> str:
    """Write words with their middle at a place; `size` is the height of the type."""
    return tag("text", escape(words), x=x, y=y, font_size=size, text_anchor="middle", **attributes)
