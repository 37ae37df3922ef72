"""The proof of the edit style on file."""

from __future__ import annotations

import json

from padsheet.patterns.bed import Bed, Edits
from padsheet.scoring.edit_proof import StyleProof
from padsheet.scoring.kept_proof import forget_proof, is_proved, write_proof
from padsheet.scoring.rounds import BedFolder


def test_a_proof_stands_until_it_is_forgotten(tmp_path) -> None:
    folder = BedFolder(tmp_path)
    assert not is_proved(folder, Bed())
    forget_proof(folder)
    path = write_proof(folder, Bed(), StyleProof(kind="ok", text="as it should be"))
    data = json.loads(path.read_text(encoding="utf-8"))
    assert (data["kind"], data["text"]) == ("ok", "as it should be")
    assert is_proved(folder, Bed())
    assert not is_proved(folder, Bed(edits=Edits(style="M421-offset")))
    forget_proof(folder)
    assert not is_proved(folder, Bed())
    assert not path.exists()
