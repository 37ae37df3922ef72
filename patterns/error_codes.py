"""The catalogue of refusals: every code that an error may end with, once.

The README's section "Error codes" and `padsheet explain` are both written from this table.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["CODES", "GROUPS", "ErrorCode", "codes_table", "explain", "nearest"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorCode:
    """One code.

    Attributes
    ----------
    code : str
        As in the brackets at the end of an error.
    meaning : str
        What is wrong.
    remedy : str
        What to do.
    """

    code: str
    meaning: str
    remedy: str

    @property
    def paragraph(self) -> str:
        """Both as sentences."""
        return f"{_sentence(self.meaning)} {_sentence(self.remedy)}"


def _sentence(text: str) -> str:
    stop = "" if text.endswith("?") else "."
    return f"{text[:1].upper()}{text[1:]}{stop}"


# Title of each group, then code, meaning, remedy; without full stops.
_TABLE: Mapping[str, tuple[tuple[str, str, str], ...]] = {
    "Photos": (
        ("photo-missing", "no such file", "check name and folder"),
        ("photo-empty", "the file is empty", "copy it from the phone again"),
        (
            "photo-unreadable",
            "not a photo, damaged, or not permitted",
            "give the JPEG, PNG, TIFF, WebP or HEIC straight from the phone",
        ),
        ("photo-small", "fewer than 600 pixels on a side", "send the photo in full size"),
        (
            "photo-large",
            "more than 200 megapixels; refused before it is decoded",
            "give it as the phone took it",
        ),
        (
            "photo-no-sheet",
            "too few markers found",
            "whole sheet, in focus, even light, from above; clean the lens",
        ),
        (
            "photo-other-sheet",
            "markers of another sheet",
            "give that sheet's photo, or work in that bed's folder",
        ),
        (
            "photo-mirrored",
            "left and right exchanged",
            "switch mirroring off; use the camera on the back",
        ),
        (
            "photo-no-lines",
            "markers found, lines not",
            "nearer, sharper, even light; another filament colour; is it this bed's sheet?",
        ),
        (
            "photo-registration",
            "lines are not where the sheet has them",
            "right sheet? lost steps? plate flat? take it again",
        ),
        (
            "print-floor",
            "the lowest steps of the ladder came out alike: the printer goes no lower",
            "look for a limit on Z; give it as `z_lowest_mm`; print a new sheet",
        ),
        (
            "print-beyond-reach",
            "too few pads could be read: the bed is beyond the sheet's reach",
            "a sheet of more reach, or paper at the screws first, as said",
        ),
        (
            "photo-unusable",
            "too few pads could be read",
            "do what the reason says, or print again",
        ),
        (
            "photo-unsure",
            "the edges are too soft or too strange: all gaps could be off together",
            "nearer, in focus, even light without glare, hold still",
        ),
    ),
    "Pads": (
        ("pad-outside", "pad partly outside the photo", "take in the whole sheet"),
        (
            "pad-small",
            "lines only a few pixels wide",
            "go nearer, or photograph the bed in parts",
        ),
        (
            "pad-contrast",
            "print and plate look alike here, or hardly any line is there",
            "change the light or the filament colour; if other pads are clear, look at the print: "
            "thin scrapes mean a nozzle much too near",
        ),
        ("pad-glare", "a light is mirrored here", "move the lamp, or stand elsewhere"),
        (
            "pad-tracks",
            "too few lines of the pad made out",
            "clean the plate; look for a clip, a shadow, a loose line",
        ),
        ("pad-edges", "edges of the lines look strange here", "even light from all sides"),
        ("pad-blur", "blurred here", "hold still, tap to focus, more light"),
        (
            "pad-no-fall",
            "width does not fall with height",
            "nozzle much too near or much too far: look at the print",
        ),
        (
            "pad-high",
            "even the lowest line is round: the nozzle is farther from the bed than this sheet "
            "tells",
            "do what the score says first (screws, offset, edits); then `--reach first`, and if "
            "still so, set the screws with paper again",
        ),
        (
            "pad-low",
            "low lines faint and thin, or even the high ones pressed wide",
            "nozzle too near: raise it, then `--reach first`",
        ),
        (
            "pad-few-steps",
            "too few heights tell anything",
            "end of the sheet's reach: correct what is known, print again",
        ),
        (
            "pad-misfit",
            "widths do not follow one gap",
            "look for a scratch, a string, a shadow, a loose line",
        ),
        ("pad-uncertain", "gap not told well enough", "nearer, sharper, more even light"),
    ),
    "Lines picked by eye": (
        (
            "eye-high",
            "the highest line looks best, so the nozzle may be nearer than the sheet tells by eye",
            "raise it there, or print a sheet of larger reach",
        ),
        (
            "eye-low",
            "the lowest line looks best, so the nozzle may be farther than the sheet tells by eye",
            "lower it a little everywhere, or print a sheet of smaller reach",
        ),
        (
            "eye-halves",
            "the two lines named for a pad contradict each other",
            "look again, or leave the pad out",
        ),
        ("eye-none", "no line was named for a pad", "name one, or take a photo"),
        ("eye-empty", "no line was named for any pad", "name the line that looks just right"),
        ("eye-row", "a row of the table cannot be used", "column,row,line, counted from 1"),
        ("eye-file", "not a table of lines", "a text file; for a photo leave `--by-eye` away"),
    ),
    "The bed profile, bed.toml": (
        (
            "profile-missing",
            "there is no profile, or a key that it needs is left out",
            "`padsheet init`, or give the key that the message names",
        ),
        ("profile-exists", "there is a profile already", "another folder, or `--force`"),
        ("profile-unreadable", "the file may not be read", "check the file and its permissions"),
        (
            "profile-syntax",
            "not valid TOML",
            "correct the line named: a value is written as key = value, words in quotes",
        ),
        (
            "profile-unknown-key",
            "a key or table that does not exist, or stands in the wrong table",
            "the message says what was probably meant",
        ),
        ("profile-type", "a value of the wrong kind", "the message says what the key may hold"),
        ("profile-range", "a value out of its range", "the message says the range"),
        (
            "profile-geometry",
            "values that do not go together: mesh, clips or screws off the plate",
            "correct one of the keys named",
        ),
        (
            "profile-gcode",
            "a line of your own G-code is too long or not plain ASCII",
            "one short line of plain ASCII for each command",
        ),
        (
            "profile-template",
            "the line of the custom edit style cannot be filled in",
            "only the fields named, with formats as `:.3f`",
        ),
        (
            "profile-g29",
            "`G29 S3` is not released: a `G29` may start a probing run",
            "`g29_sets_points = true` only if the printer's manual says so",
        ),
    ),
    "Making a sheet": (
        ("ladder-reach", "a reach that cannot be asked for", "above 0 and up to 0.20 mm"),
        (
            "ladder-impossible",
            "no ladder reads that reach with this nozzle and target",
            "less reach, a higher first layer, or a larger bore",
        ),
        ("layout-no-point", "no such grid point", "columns and rows count from 1"),
        (
            "layout-no-room",
            "pads, purge line and four markers do not fit together",
            "a mesh with fewer points, or `--points`",
        ),
        (
            "layout-self-check",
            "too few pads for a self-check, or too wide a reach beside its lift",
            "all grid points, a reach up to 0.14 mm",
        ),
        ("gcode-no-strokes", "the sheet holds nothing to print", "lay it out afresh"),
        ("gcode-stroke", "a stroke that cannot be printed", "lay the sheet out afresh"),
        (
            "gcode-line",
            "a line of G-code that cannot be read",
            "correct it; it is one of your own in `[code]`",
        ),
    ),
    "The safety envelope of a sheet's finished G-code": (
        ("envelope-empty", "it prints nothing", "write the sheet again"),
        ("envelope-outside", "a line leaves the printable area", "correct `[plate]`"),
        ("envelope-keep-out", "a line runs through a keep-out", "correct `[[plate.keep_out]]`"),
        (
            "envelope-clearance",
            "the nozzle may come too near the bed",
            "less reach, or take the low move out of your own lines",
        ),
        (
            "envelope-mesh-clearance",
            "too near where the mesh ends or fades",
            "say in `[mesh] outside` what the printer does there; less reach",
        ),
        (
            "envelope-z-lowest",
            "below the lowest Z that the printer accepts",
            "correct `z_lowest_mm`, or print higher",
        ),
        ("envelope-z-top", "above the highest Z", "correct `z_top_mm`, or stay below"),
        ("envelope-low-travel", "a travel at print height", "lift first, in a move of its own"),
        (
            "envelope-travel-keep-out",
            "a low travel over a keep-out",
            "lift to 10 mm before it, or go round",
        ),
        ("envelope-travel-outside", "the nozzle is sent far beside the plate", "correct it"),
        ("envelope-in-air", "filament is fed on a travel", "feed none on travels"),
        (
            "envelope-not-placed",
            "extrusion begins where nobody knows the nozzle to be",
            "after homing move in absolute coordinates first",
        ),
        ("envelope-not-homed", "a move before all axes are homed", "home first; only lift before"),
        (
            "envelope-no-lift",
            "homing without a lift of 5 mm first",
            "leave homing to the sheet, or lift before",
        ),
        ("envelope-home-late", "homing over the print", "home before the print only"),
        (
            "envelope-home-after-mesh",
            "homing after the mesh was switched on",
            "switch the mesh on after the last homing",
        ),
        (
            "envelope-mesh-missing",
            "the mesh is not switched on before the print",
            "see `[code] mesh_on`; none of your lines may switch it off",
        ),
        (
            "envelope-mesh-unwanted",
            "the mesh is on though the sheet is to be printed without",
            "take it out of your own lines",
        ),
        (
            "envelope-temperature",
            "hotter than the profile, or no temperature given",
            "correct the line, or `[heat]`",
        ),
        ("envelope-nozzle-cold", "filament is fed through a cold nozzle", "wait for the heat"),
        ("envelope-bed-cold", "extrusion on a cold bed", "wait for the heat"),
        ("envelope-left-hot", "it ends with a heater on", "switch it off at the end"),
        ("envelope-speed", "faster than the profile, or no speed", "correct F, or `[motion]`"),
        ("envelope-feed", "more filament than a line can take", "correct E, or M82 and M83"),
        ("envelope-e-mode", "E may mean two things here", "M82 or M83 after each G90 or G91"),
        ("envelope-factor", "speed or flow factor is not 100 %", "M220 S100 and M221 S100"),
        ("envelope-fan", "the fan is not off", "M107 before the print"),
        ("envelope-offset", "G92 shifts X, Y or Z", "use G92 for E only"),
        (
            "envelope-ambiguous",
            "printers differ in what they do with a line",
            "one command in a line, each move with its own G0 or G1",
        ),
        (
            "envelope-settings",
            "settings are loaded, reset or saved",
            "take the line out: it may wipe unsaved edits",
        ),
        ("envelope-refused-word", "a word that is dangerous in a sheet", "take the line out"),
        (
            "envelope-unknown-word",
            "a word that is not known here, so nobody can say if it is safe",
            "take the line out, or do it by hand before the print",
        ),
    ),
    "Files of the bed folder": (
        ("folder-none", "not a bed folder", "`padsheet init DIR`, or `-C DIR`"),
        (
            "input-missing",
            "there is no file of the name given",
            "names are looked up from the folder you are in, not from that of -C",
        ),
        (
            "input-unreadable",
            "a file that was named is a folder, or may not be read",
            "name a file that you may read",
        ),
        (
            "folder-busy",
            "another run works in this folder",
            "wait; if it no longer runs, remove the lock file named",
        ),
        (
            "file-access",
            "the system does not let a file be used: permissions, a full disk, a wrong path",
            "put that right and run it again; no file is left half-written",
        ),
        (
            "file-exists",
            "nothing is overwritten unasked",
            "`--force`, or begin a new round",
        ),
        ("file-none", "a file of the round is missing", "the message says what makes it"),
        ("file-newer", "written by a newer padsheet", "update padsheet"),
        ("file-spoilt", "not text", "make it again; keep your changes out of these files"),
        ("sheet-file", "not a usable sheet.json", "use the one beside the sheet's G-code"),
        (
            "sheet-unsaid",
            "nobody has said what became of the advised edits, so the printer's mesh is not known",
            "`padsheet mesh FILE`, or `padsheet applied --no-edits`",
        ),
        (
            "sheet-too-near",
            "by what is on record the nozzle may come nearer to the bed than the clearance",
            "do what the message says: a wider reach, the mesh on or back, the nozzle raised",
        ),
        ("sheet-missing", "no readable sheet file", "give the sheet.json of this print"),
        ("scores-file", "not a usable scores.json", "score the photo again"),
        ("applied-file", "not a usable applied.json", "record it again"),
        (
            "applied-grid",
            "the two meshes have other grid points",
            "read the mesh back on the same grid",
        ),
        ("round-none", "no such round or sheet here", "see `padsheet rounds`"),
        (
            "round-grid",
            "the sheet was made for other grid points than the profile has now",
            "put the old mesh back into bed.toml, or print a new sheet",
        ),
        ("demo-folder", "the demo's folder holds something else", "give an empty folder"),
        ("demo-sheet", "the demo's photo does not fit this version", "install padsheet again"),
    ),
    "The printer's mesh": (
        ("mesh-none", "there is no mesh", "make one on the printer, then `padsheet mesh`"),
        ("mesh-no-table", "no table in the text", "copy the whole answer to `M420 V`"),
        ("mesh-too-long", "far too long for a mesh table", "copy only the table"),
        ("mesh-size", "another number of columns or rows", "whole table? else correct `[mesh]`"),
        ("mesh-ragged", "rows of different length", "copy the whole table"),
        ("mesh-several", "several different tables", "paste one of them"),
        ("mesh-incomplete", "points without a value", "fill the mesh on the printer"),
        ("mesh-not-a-number", "a word among the numbers", "copy the answer again"),
        ("mesh-decimal-comma", "decimal commas", "replace them by points"),
        ("mesh-unit", "not in millimetres", "convert the values"),
        ("mesh-too-large", "heights that are not credible", "is it the mesh, in millimetres?"),
        (
            "mesh-looks-flipped",
            "it fits the mesh known before only when turned over",
            "look at the map; give `--first-row`, `--first-column` and `--yes`; if columns and "
            "rows are exchanged, copy the table again",
        ),
        ("mesh-unconfirmed", "nobody said that the map is right", "look at it, then `--yes`"),
        ("mesh-declined", "you said that the map is wrong", "the other `--first-row`"),
        (
            "mesh-proof",
            "the mesh with the proof's one edit in it",
            "`padsheet edits --proved` judges it; take that edit back before `padsheet mesh`",
        ),
        ("mesh-name", "a name that cannot be a file's", "letters, digits, dashes, underscores"),
        (
            "mesh-in-use",
            "a sheet was printed with this mesh, and its values would be lost",
            "another name for the new one",
        ),
        ("mesh-file", "not a usable mesh file", "take the mesh in again"),
        ("mesh-file-newer", "written by a newer padsheet", "update, or take the mesh in again"),
        (
            "mesh-other-grid",
            "other grid points than the profile",
            "take the mesh in again, or put the old grid back",
        ),
    ),
    "Corrections": (
        ("edits-no-scores", "nothing is scored yet", "print, photograph, `padsheet score`"),
        ("edits-no-advice", "scores without advice", "score again inside the bed folder"),
        (
            "edits-self-check",
            "the round is a self-check of the ruler",
            "print and score an ordinary sheet",
        ),
        ("edits-withheld", "a check forbids edits", "do what it says, print a new sheet"),
        (
            "edits-applied",
            "this round's edits are in already",
            "`padsheet send` saves what is not saved; print a new sheet",
        ),
        (
            "edits-stale",
            "the mesh is no longer the one that the advice counts on",
            "print a new sheet",
        ),
        (
            "edits-unsaid",
            "nobody has said what became of the edits before this sheet",
            "`padsheet applied --round N --force` with `--as-advised` or `--no-edits`, then score "
            "again",
        ),
        ("applied-no-scores", "no scored round to record for", "`padsheet score` first"),
        (
            "applied-unsaid",
            "nobody has said what became of the advised edits",
            "read the mesh back, or `padsheet applied --as-advised` or `--no-edits`",
        ),
        (
            "applied-known",
            "what was applied was read back from the printer",
            "record screws or offset alone, or `--force`",
        ),
        (
            "applied-late",
            "a newer sheet is scored, whose advice counts on the record",
            "`--force`, then score the newer photos again",
        ),
        ("applied-offset", "more than 1 mm of offset", "give what was added in millimetres"),
        (
            "restore-none",
            "no earlier mesh is known to go back to",
            "name one with `--mesh`",
        ),
        (
            "restore-unknown",
            "the mesh in the printer is not known",
            "take it in with `padsheet mesh`",
        ),
        (
            "edits-mesh-was-off",
            "the sheet was printed without the mesh that the printer holds",
            "print one with the mesh on, or begin without one: `padsheet mesh --empty`",
        ),
        (
            "edits-mesh-unknown",
            "the style sets whole values, and the mesh is not known",
            "`padsheet mesh FILE`, or `padsheet mesh --empty`",
        ),
        ("edits-not-empty", "`--empty-mesh`, but a mesh is known", "leave it out"),
        ("edits-other-grid", "advice or mesh of another grid", "score again, take the mesh in"),
        ("edits-not-finite", "an advice that is no number", "score the photo again"),
        ("edits-g29", "`G29 S3` is not released", "see `g29_sets_points` in bed.toml"),
        ("edits-template", "the custom line cannot be used", "correct `[edits] template`"),
        ("edits-offset", "an offset that cannot be meant", "look at the scores and the profile"),
        (
            "edits-offset-unknown",
            "the offset's present value is not known",
            "give `offset_now_mm` in bed.toml",
        ),
        ("proof-no-mesh", "a proof needs the mesh before it", "`padsheet mesh` first"),
        ("proof-restore", "the proof's edit could not be taken back", "printer off and on"),
        ("proof-not-applied", "the printer did not take the edit", "does it know this word?"),
        ("proof-one-based", "the printer counts from 1", "custom style with column1 and row1"),
        ("proof-zero-based", "the printer counts from 0", '`g29_index = "IJ0"`, or custom'),
        ("proof-flipped-rows", "front and back are exchanged", "turn `table_first_row` round"),
        (
            "proof-flipped-columns",
            "left and right are exchanged",
            "turn `table_first_column` round",
        ),
        ("proof-transposed", "columns and rows are exchanged", "custom style, fields exchanged"),
        ("proof-wrong-sign", "the value went the wrong way", "custom style; was it this mesh?"),
        (
            "proof-absolute-for-additive",
            "the printer set where it should have added",
            "a style that sends the new value",
        ),
        (
            "proof-additive-for-absolute",
            "the printer added where it should have set",
            "a style that sends the change",
        ),
        ("proof-other", "the printer did something else", "restore the mesh; another style"),
    ),
    "The serial port": (
        ("send-table", "the style `table` has no lines", "type the values in by hand"),
        ("send-declined", "you said no; nothing was sent", "start again when you are ready"),
        ("send-stopped", "stopped by hand", "do what the message says of the printer's state"),
        (
            "send-other-mesh",
            "the printer holds another mesh than the one known here",
            "take it in with `padsheet mesh`, print a new sheet",
        ),
        ("send-not-as-meant", "read back, the mesh is not as meant", "nothing is saved; restore"),
        ("send-changed", "the mesh changed before saving", "read it back; nothing is saved"),
        ("send-save", "saving was not confirmed", "look at the printer; read the mesh back"),
        ("link-open", "the port cannot be opened", "right port? another program? permission?"),
        ("link-silent", "no answer", "printer on? right `--baud`?"),
        ("link-timeout", "an answer did not come in time", "look at the printer and its cable"),
        ("link-lost", "the connection broke off", "look at the cable, start again"),
        ("link-restart", "the printer restarted", "unsaved edits are lost; start again"),
        ("link-error", "the printer reported an error", "read it, look at the printer"),
        ("link-resend", "lines arrive damaged", "a better cable, a lower `--baud`"),
        ("link-noise", "what arrives cannot be read", "right `--baud`? a better cable"),
        (
            "link-forbidden",
            "a line that neither sets, shows nor saves the mesh",
            "check `show`, `save` and `template` in `[edits]`",
        ),
    ),
    "The phone page": (
        ("phone-extra-missing", "a library is missing", "`pip install '.[phone]'`"),
        ("phone-no-network", "no network to share", "join the phone's, or leave out `--lan`"),
        ("phone-port-taken", "the port is in use", "another `--port`"),
        ("upload-not-a-photo", "not a photo that can be read", "a picture from the camera"),
        ("upload-too-large", "larger than 60 MB", "the phone's ordinary photo mode"),
        ("upload-too-many", "this run of the page is full", "stop it and start it again"),
        ("upload-too-fast", "too many within a minute", "wait a minute"),
        ("score-too-long", "reading took too long", "the phone's ordinary photo mode"),
        ("score-stopped", "reading stopped before its end", "take it again"),
    ),
    "The rest": (
        (
            "self-check-few",
            "too few pads of a self-check were read to tell lift and bed apart",
            "a better photo, or more grid points",
        ),
        ("batch-no-beds", "no bed folder in that folder", "name the folder they lie in"),
        ("batch-broken", "scoring one of many beds broke off", "score this bed by itself"),
        ("cluster-extra-missing", "a library is missing", "`pip install '.[cluster]'`"),
        ("cluster-unreachable", "no scheduler at that address", "check address; does it run?"),
        ("code-unknown", "no such error code", "`padsheet explain` lists all"),
        ("start-empty", "the file holds no start code", "give the printer profile's start code"),
    ),
}

GROUPS: Mapping[str, tuple[ErrorCode, ...]] = {
    title: tuple(
        ErrorCode(code=code, meaning=meaning, remedy=remedy) for code, meaning, remedy in rows
    )
    for title, rows in _TABLE.items()
}
"""The codes by what they belong to."""

CODES: Mapping[str, ErrorCode] = {
    entry.code: entry for entries in GROUPS.values() for entry in entries
}
"""Every code."""


def explain(code: str) -> str | None:
    """Return the paragraph of a code, None if there is no such code.

    Examples
    --------
    >>> explain("[photo-empty]")
    'The file is empty. Copy it from the phone again.'
    """
    entry = CODES.get(code.strip("[] ").lower())
    return None if entry is None else entry.paragraph


def nearest(code: str) -> tuple[str, ...]:
    """Return the codes that are spelt most alike, or one of whose words is.

    Examples
    --------
    >>> nearest("photo-no-shet")[0], nearest("foto")[0].split("-")[0], nearest("nonsense")
    ('photo-no-sheet', 'photo', ())
    """
    asked = code.strip("[] ").lower()
    if whole := difflib.get_close_matches(asked, CODES, n=3, cutoff=0.6):
        return tuple(whole)
    # A word in another language or with a slip, but none that is only part of what was asked.
    words = sorted({w for known in CODES for w in known.split("-") if abs(len(w) - len(asked)) < 3})
    near = difflib.get_close_matches(asked, words, n=1, cutoff=0.6)
    return tuple(known for known in CODES if near and near[0] in known.split("-"))[:3]


def codes_table() -> str:
    """Return the catalogue in Markdown: a table for each group, folded under its title."""
    blocks = []
    for title, entries in GROUPS.items():
        rows = "\n".join(f"| `{e.code}` | {e.meaning} | {e.remedy} |" for e in entries)
        table = f"| code | meaning | what to do |\n|---|---|---|\n{rows}\n"
        blocks.append(f"<details>\n<summary>{title}</summary>\n\n{table}\n</details>\n")
    return "\n".join(blocks)


if __name__ == "__main__":
    print(codes_table())
