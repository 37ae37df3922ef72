"""Which G-code words may stand in a sheet's file, and why the others may not.

What these words mean is common practice of the trade, no source, unless another is named.
"""

from __future__ import annotations

__all__ = ["HARMLESS", "LATE_OFFSETS", "REFUSED", "why_refused"]

HARMLESS = frozenset(
    {
        "M17",  # motors on
        "M73",  # progress shown
        "M75",  # print timer
        "M76",
        "M77",
        "M105",  # reports
        "M114",
        "M115",
        "M117",  # messages
        "M118",
        "M150",  # light
        "M155",  # reports on their own
        "M201",  # acceleration and speed limits
        "M203",
        "M204",
        "M205",
        "M300",  # beep
        "M355",  # light
        "M400",  # wait for the moves
        "M413",  # power-loss recovery
        "M900",  # pressure advance
        "T0",  # the first tool
    }
)
"""Words that change neither place, feed nor heat."""

LATE_OFFSETS = frozenset({"M206", "M290", "M851"})
"""Words that shift the zero of Z: settings before the print, a hazard in it."""

REFUSED: dict[str, str] = {
    **dict.fromkeys(("G2", "G3", "G5"), "draws a curve, whose path is not checked here"),
    **dict.fromkeys(("G10", "G53", "G54", "G55", "G56", "G57", "G58", "G59"), "shifts the axes"),
    **dict.fromkeys(("G29", "G30", "G33", "G34", "G38.2", "G38.3"), "may start a probing run"),
    "G93": "changes what speeds mean",
    "G95": "changes what speeds mean",
    **dict.fromkeys(("M0", "M1", "M25", "M226", "M600"), "stops the print half-way"),
    "M92": "changes the steps per millimetre",
    "M112": "is the emergency stop",
    "M200": "changes what E words mean",
    "M211": "may switch off the guards at the ends of the axes",
    "M302": "allows extrusion with a cold nozzle",
    "M303": "starts a tuning run of a heater",
    "M304": "changes how the heaters are controlled",
    "M301": "changes how the heaters are controlled",
    "M421": "changes the mesh",
    "M428": "shifts the axes",
    "M500": "stores settings",
    "M501": "loads settings and so wipes unsaved edits of the mesh",
    "M502": "resets all settings, the mesh included",
    "M504": "checks or resets settings",
    "M997": "starts an update of the printer",
    "M999": "restarts the printer",
}
"""Words that are dangerous in a sheet, with the reason."""

_AT_THE_WRONG_TIME = {
    **dict.fromkeys(LATE_OFFSETS, "shifts the zero of Z in the middle of the print"),
    **dict.fromkeys(("M18", "M84"), "releases the motors before the end"),
}

_SETTINGS = frozenset({"M500", "M501", "M502", "M504"})


def why_refused(word: str) -> tuple[str, str]:
    """Return the error code and the reason for a word that may not stand in the file.

    Examples
    --------
    >>> why_refused("M112")
    ('envelope-refused-word', 'is the emergency stop')
    >>> why_refused("M7777")[0]
    'envelope-unknown-word'
    """
    reason = REFUSED.get(word) or _AT_THE_WRONG_TIME.get(word)
    if reason is None:
        return "envelope-unknown-word", "is not known here, so nobody can say if it is safe"
    return ("envelope-settings" if word in _SETTINGS else "envelope-refused-word"), reason
