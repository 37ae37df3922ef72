"""The proof of the edit style on file."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np

from padsheet.patterns.bed import Bed, Edits
from padsheet.patterns.profile_writer import profile_text
from padsheet.scoring.edit_proof import StyleProof, judge_proof, prove_edit
from padsheet.scoring.kept_proof import forget_proof, is_proved, write_proof
from padsheet.scoring.mesh import Mesh
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


def test_a_proof_on_a_flat_mesh_stands_until_the_mesh_is_no_longer_flat(tmp_path) -> None:
    folder, bed = BedFolder(tmp_path), Bed()
    folder.profile.write_text(profile_text(bed), encoding="utf-8")
    flat = Mesh(grid=bed.mesh, z_mm=np.zeros((5, 5)), name="flat")
    edit = prove_edit(bed, flat).edits[0]
    z_mm = np.zeros((5, 5))
    z_mm[edit.j, edit.i] = 0.02
    proof = judge_proof(flat, Mesh(grid=bed.mesh, z_mm=z_mm), bed)
    assert (proof.kind, proof.setting_open) == ("ok", True)
    assert "another proof stands before the next edits" in proof.text
    write_proof(folder, bed, proof)
    assert is_proved(folder, bed)
    folder.store_mesh(flat)
    assert is_proved(folder, bed)
    bumpy = np.random.default_rng(1).normal(0, 0.05, (5, 5))
    folder.store_mesh(Mesh(grid=bed.mesh, z_mm=bumpy, name="bumpy"))
    assert not is_proved(folder, bed)
    write_proof(folder, bed, replace(proof, setting_open=False))
    assert is_proved(folder, bed)
