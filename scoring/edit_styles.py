"""The edit styles: how the G-code of one mesh point is written.

An edit style is named by its G-code word. What each expects is common practice, no source:

=============  ============================================  ==========  =====================
style          line for column 4, row 2 of the bed           counts from  number
=============  ============================================  ==========  =====================
M421           ``M421 I3 J1 Z-0.040``                        0           the new mesh value
M421-offset    ``M421 I3 J1 Q-0.020``                        0           the change
G29 S3 (XY1)   ``G29 S3 X4 Y2 Z-0.040``                      1           the new mesh value
G29 S3 (IJ0)   ``G29 S3 I3 J1 Z-0.040``                      0           the new mesh value
table          the new mesh as numbers, to be typed in       --          the new mesh value
custom         the profile's own template                    as written  as written
=============  ============================================  ==========  =====================
"""

from __future__ import annotations

import math
import re
import string

from padsheet.patterns.bed import Edits
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.profile_checks import check_template

__all__ = ["adds", "bare_line", "check_style", "edit_line", "may_set_point", "number_text"]

# These M words move, heat, stop, switch, save or wipe; the only G word that may set a point is G29.
NEVER_M = frozenset(
    [
        *(*range(4), 17, 18, *range(20, 31), 42, 43, *range(80, 86), 92, *range(104, 110), 112),
        *(116, 140, 141, 190, 191, 201, 203, *range(300, 310), *range(400, 421)),
        *(*range(500, 505), *range(600, 610), 701, 702, 906, 997, 999),
    ]
)


def bare_line(line: str) -> str:
    """Return a line of G-code without its comment and surrounding blanks.

    Examples
    --------
    >>> bare_line("M421 I3 J1 Z-0.040 ; lower the nozzle")
    'M421 I3 J1 Z-0.040'
    """
    return re.sub(r"\([^)]*\)", "", line.partition(";")[0]).strip()


def may_set_point(line: str) -> bool:
    """Tell whether a line's word may be one that sets a mesh point.

    False for every G word but ``G29 S3``, for tool and line numbers, and for M words that are
    known to move, heat, stop, switch, save or wipe (common practice, no source).

    Examples
    --------
    >>> may_set_point("M421 I0 J0 Z0"), may_set_point("G28"), may_set_point("g1x5")
    (True, False, False)
    """
    bare = bare_line(line).upper()
    found = re.match(r"([A-Z_]+)(\d*)", bare)
    if found is None:
        return False
    letters, digits = found.groups()
    if letters == "G":
        return re.match(r"G0*29\s*S3(?![\d.])", bare) is not None
    if letters == "M":
        return digits != "" and int(digits) not in NEVER_M
    return len(letters) > 3


def adds(edits: Edits) -> bool:
    """Tell whether the style sends the change and not the new mesh value."""
    return edits.style == "M421-offset" or (
        edits.style == "custom" and "value_mm" not in _template_fields(edits.template)
    )


def edit_line(edits: Edits, i: int, j: int, value_mm: float | None, change_mm: float) -> str:
    """Write the G-code of one node in the profile's style.

    Parameters
    ----------
    edits : Edits
        They passed `check_style`.
    i, j : int
        Node, from 0 at the smallest x and y.
    value_mm : float or None
        The new mesh value, if the mesh is known.
    change_mm : float
        What is added to it; negative lowers the nozzle.

    Raises
    ------
    PadsheetError
        If the template wants the mesh value and that is not known.
    """
    value = "" if value_mm is None else number_text(value_mm)
    if edits.style == "M421":
        return f"M421 I{i} J{j} Z{value}"
    if edits.style == "M421-offset":
        return f"M421 I{i} J{j} Q{number_text(change_mm)}"
    if edits.style == "G29 S3" and edits.g29_index == "XY1":
        return f"G29 S3 X{i + 1} Y{j + 1} Z{value}"
    if edits.style == "G29 S3":
        return f"G29 S3 I{i} J{j} Z{value}"
    return _fill(edits.template, i, j, value_mm, change_mm)


def number_text(value_mm: float) -> str:
    """Write millimetres with three decimals, or with more where more are needed.

    Raises
    ------
    ValueError
        If the number is not finite.

    Examples
    --------
    >>> number_text(-0.04), number_text(0.0025), number_text(-0.0)
    ('-0.040', '0.0025', '0.000')
    """
    if not math.isfinite(value_mm):
        raise ValueError("an edit must be a finite number")
    text = f"{round(value_mm, 6) + 0.0:.6f}"
    while text.endswith("0") and len(text.partition(".")[2]) > 3:
        text = text[:-1]
    return text


def check_style(edits: Edits) -> None:
    """Refuse a style that the profile does not release or describe.

    Raises
    ------
    PadsheetError
        If it is `G29 S3` and not released, or the template of the custom style cannot be used.
    """
    if edits.style == "G29 S3" and not edits.g29_sets_points:
        raise PadsheetError(
            "the style G29 S3 is not released: on some printers a G29 starts a probing run, which "
            "moves the nozzle to the bed",
            remedy="Set g29_sets_points = true in [edits] of bed.toml only if the printer's manual "
            "says that G29 S3 sets one mesh point; else choose another style.",
            code="edits-g29",
        )
    if edits.style == "custom":
        _check_template(edits)


def _template_fields(template: str) -> set[str]:
    """Return the names in braces."""
    return {name for _, name, _, _ in string.Formatter().parse(template) if name is not None}


def _check_template(edits: Edits) -> None:
    """Refuse a template that the profile would refuse, or whose word may do something else."""
    template = edits.template
    if not template.strip():
        raise _bad_template(template, "it is empty")
    if not template.isprintable():
        raise _bad_template(template, "it must be one line of printable characters")
    try:
        # How fine its decimals have to be is for the profile to check, which knows the edits.
        check_template(template, math.inf)
    except PadsheetError as error:
        raise PadsheetError(error.problem, remedy=error.remedy, code="edits-template") from error
    if not may_set_point(template):
        raise _bad_template(
            template,
            "its first word may move, heat, stop or save; padsheet takes M words that do none of "
            "these, and words of four letters or more",
        )
    if template.strip().upper().startswith("G") and not edits.g29_sets_points:
        raise _bad_template(template, "a G29 may start a probing run, and g29_sets_points is false")


def _fill(template: str, i: int, j: int, value_mm: float | None, change_mm: float) -> str:
    """Fill a template that was checked; lengths without a form of their own get three decimals."""
    numbers: dict[str, float | None] = {
        "column0": i, "row0": j, "column1": i + 1, "row1": j + 1,
        "value_mm": value_mm, "change_mm": change_mm,
    }  # fmt: skip
    line = ""
    for text, name, form, _ in string.Formatter().parse(template):
        line += text
        if name is None:
            continue
        number = numbers[name]
        if number is None:
            raise _bad_template(template, "the mesh value is not known")
        if form:
            line += format(number, form)
        else:
            line += number_text(number) if name.endswith("_mm") else str(number)
    return line.strip()


def _bad_template(template: str, why: str) -> PadsheetError:
    return PadsheetError(
        f"the edit template '{template[:200]}' cannot be used: {why}",
        remedy="Write one line in [edits] template with {column0} or {column1}, {row0} or {row1}, "
        "and {value_mm} (the new mesh value) or {change_mm} (what is added).",
        code="edits-template",
    )
