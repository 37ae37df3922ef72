"""What is read: photos, widths, gaps, scores, and the advice that follows from them.

The names below are the library's face; README.md has an example. Each is imported from its module
when it is first asked for, so that no part of the package pays for what it does not use.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from padsheet.patterns.lazy import lazy_names

if TYPE_CHECKING:
    from padsheet.scoring.advice import Advice, NodeAdvice, advise
    from padsheet.scoring.edits import Edit, EditList, make_edits
    from padsheet.scoring.mesh import Mesh, interpolate, read_mesh_csv, write_mesh_csv
    from padsheet.scoring.mesh_table import read_table
    from padsheet.scoring.photo import Photo, decode_photo, read_photo
    from padsheet.scoring.reading import PhotoReading, read_print
    from padsheet.scoring.report import render_report
    from padsheet.scoring.rounds import BedFolder, Round
    from padsheet.scoring.scorer import Scored, score_photos, score_round
    from padsheet.scoring.scores import scores_from_json, scores_to_json
    from padsheet.scoring.squish import PadScore, SheetScore, squish_score, verdict
    from padsheet.scoring.textmap import score_map, score_table

__all__ = [
    "Advice",
    "BedFolder",
    "Edit",
    "EditList",
    "Mesh",
    "NodeAdvice",
    "PadScore",
    "Photo",
    "PhotoReading",
    "Round",
    "Scored",
    "SheetScore",
    "advise",
    "decode_photo",
    "interpolate",
    "make_edits",
    "read_mesh_csv",
    "read_photo",
    "read_print",
    "read_table",
    "render_report",
    "score_map",
    "score_photos",
    "score_round",
    "score_table",
    "scores_from_json",
    "scores_to_json",
    "squish_score",
    "verdict",
    "write_mesh_csv",
]

_NAMES = {
    "advice": "Advice NodeAdvice advise",
    "edits": "Edit EditList make_edits",
    "mesh": "Mesh interpolate read_mesh_csv write_mesh_csv",
    "mesh_table": "read_table",
    "photo": "Photo decode_photo read_photo",
    "reading": "PhotoReading read_print",
    "report": "render_report",
    "rounds": "BedFolder Round",
    "scorer": "Scored score_photos score_round",
    "scores": "scores_from_json scores_to_json",
    "squish": "PadScore SheetScore squish_score verdict",
    "textmap": "score_map score_table",
}

__getattr__, __dir__ = lazy_names(__name__, _NAMES)
