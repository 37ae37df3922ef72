"""Damaged input of every kind: one sentence or a result, never a traceback, a hang or half a file.

`python -m pytest tests/fuzz --hypothesis-profile=long` feeds thousands into each reader.
"""

from __future__ import annotations

import gc
import io
import json
import random
import re
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from padsheet.cli.main import main
from padsheet.patterns.error_codes import CODES
from padsheet.scoring.rounds import BedFolder

# A seed cannot be shrunk to anything simpler.
PHASES = [Phase.explicit, Phase.generate]
PROFILE = settings.default
LONG = not PROFILE.derandomize


def cases(usual: int, share: float = 0.3) -> settings:
    """Return the settings: so many cases as a rule, a share of the profile's in the long run."""
    return settings(
        max_examples=max(1, int(PROFILE.max_examples * share)) if LONG else usual,
        deadline=None,
        phases=PHASES,
        suppress_health_check=list(HealthCheck),
    )


seeds = st.integers(0, 2**32 - 1)
SEVERAL = (
    "photo",
    "bed_toml",
    "sheet_json",
    "mesh_table",
    "start_code",
    "template",
    "applied_json",
)


@pytest.mark.parametrize("name", SEVERAL)
@cases(60)
@given(seed=seeds)
def test_readers(targets: ModuleType, name: str, seed: int) -> None:
    getattr(targets, name)(seed)


@cases(30, 0.1)
@given(seed=seeds)
def test_damaged_gcode(targets: ModuleType, seed: int) -> None:
    targets.sheet_gcode(seed)


@pytest.mark.parametrize("name", ["bed_file", "mesh_file"])
@cases(40, 0.2)
@given(seed=seeds)
def test_files(targets: ModuleType, tmp_path: Path, name: str, seed: int) -> None:
    getattr(targets, name)(seed, tmp_path)


@cases(60)
@given(seed=seeds)
def test_scores(targets: ModuleType, whole_folder: Path, seed: int) -> None:
    text = (whole_folder / "rounds" / "01" / "scores.json").read_text(encoding="utf-8")
    targets.scores_json(seed, text)


FILES = (
    "bed.toml",
    "meshes/one.csv",
    "meshes/two.csv",
    "meshes/active.txt",
    "rounds/01/sheet.json",
    "rounds/01/scores.json",
    "rounds/01/applied.json",
    "rounds/02/sheet.json",
    "rounds/02/scores.json",
    "proof.json",
    ".lock",
)


def damage(targets: ModuleType, rng: random.Random, path: Path) -> None:
    """Damage one file of a folder, or put a strange one in its place."""
    way = rng.random()
    if way < 0.05 and path.exists():
        path.unlink()
        path.mkdir()
    elif way < 0.15 or not path.exists():
        strange = [b"", b"{}", b"[]", b"null", b"\xff\xfe\x00", b"[" * 100_000, b'{"pid": 1e999}']
        path.write_bytes(rng.choice(strange))
    elif path.suffix == ".json":
        path.write_text(
            targets.damaged_json(rng, path.read_text(encoding="utf-8")), encoding="utf-8",
            errors="replace",
        )  # fmt: skip
    else:
        path.write_bytes(targets.damaged_bytes(rng, path.read_bytes()))


def whole_or_absent(folder: Path) -> None:
    """See that nothing half-written is left, and that the lock is free or not ours."""
    left = [p for p in folder.rglob("*") if p.name.startswith(".") and p.name != ".lock"]
    assert not left, left
    for path in folder.rglob("*.gcode"):
        assert path.read_bytes().endswith(b"\n")


COMMANDS = (
    ["rounds"],
    ["rounds", "--json"],
    ["edits"],
    ["edits", "--json", "--force", "--all"],
    ["edits", "--prove"],
    ["edits", "--proved", "-"],
    ["edits", "--round", "1", "--force", "--empty-mesh"],
    ["send", "--dry-run"],
    ["mesh", "-", "--yes"],
    ["mesh", "-", "--yes", "--force", "--name", "two", "--first-row", "back"],
    ["start-check", "-"],
    ["score", "--json", "--force", "-C"],
    ["sheet", "--points", "2,2"],
)


@cases(150, 0.25)
@given(seed=seeds)
def test_commands_in_a_damaged_folder(
    targets: ModuleType, whole_folder: Path, tmp_path: Path, seed: int
) -> None:
    rng = random.Random(seed)
    folder = tmp_path / "bed"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(whole_folder, folder)
    for name in rng.sample(FILES, rng.choice([1, 1, 2])):
        damage(targets, rng, folder / name)
    words = list(rng.choice(COMMANDS))
    if words[0] == "score":
        picture = folder / "photo.jpg"
        picture.write_bytes(targets.damaged_bytes(rng, rng.choice(targets.pictures())))
        words[-1] = str(picture)
    text = targets.damaged_text(rng, targets.TABLE)
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    start = time.process_time()
    result = CliRunner().invoke(main, ["-C", str(folder), *words], input=text)
    # A real photo may be read here, which takes its time.
    assert time.process_time() - start < 4 * targets.MOST_S
    check_result(result, words)
    whole_or_absent(folder)
    if result.exit_code != 0 and words[0] in ("rounds", "mesh", "score", "sheet"):
        after = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
        for path, data in before.items():
            if path.name != ".lock":
                assert after[path] == data, path


def check_result(result: object, words: list[str]) -> None:
    """See that a command ended as it promises."""
    error = result.exception  # type: ignore[attr-defined]
    if error is not None and not isinstance(error, SystemExit):
        raise error
    output = result.output  # type: ignore[attr-defined]
    assert "Traceback" not in output
    status = result.exit_code  # type: ignore[attr-defined]
    assert status in (0, 1, 2), words
    if status == 1 and words[0] != "start-check" and "--proved" not in words:
        assert re.search(r"\[([a-z0-9-]+)\]\s*\Z", output), output
        assert re.search(r"\[([a-z0-9-]+)\]\s*\Z", output)[1] in CODES  # type: ignore[index]


@pytest.fixture(scope="session")
def phone_page(
    whole_folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> Callable[..., object]:
    """Return a maker of pages that take photos but score none."""
    from padsheet.cli.phone_page import create_app
    from padsheet.cli.phone_score import Limits, Outcome

    folder = tmp_path_factory.mktemp("phone") / "bed"
    shutil.copytree(whole_folder, folder)

    def make() -> tuple[object, Path]:
        app = create_app(
            folder,
            code="code",
            hosts=["localhost"],
            limits=Limits(per_minute=10**9, uploads=10**9, upload_mb=1),
            scorer=lambda *_: Outcome(problem="not read", code="photo-no-sheet"),
        )
        return app.test_client(), folder

    return make


# What a broken form leaves open, the form's own library closes when it is collected.
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@cases(60, 0.25)
@given(seed=seeds)
def test_uploads(targets: ModuleType, phone_page: Callable[..., tuple], seed: int) -> None:
    rng = random.Random(seed)
    client, folder = phone_page()
    token = re.search(r'name="token" value="([^"]+)"', client.get("/code/").text)[1]
    data = targets.damaged_bytes(rng, rng.choice(targets.pictures()))
    names = ["p.jpg", "../../x.jpg", "a\x00b", "é" * 300, "", "con", "C:\\x.jpg"]
    if rng.random() < 0.5:
        form = {"photo": (io.BytesIO(data), rng.choice(names)), "token": token}
        answer = client.post("/code/", data=form)
    else:
        # A body that is damaged as a whole: boundaries, headers and all.
        body = (
            (
                f'--b\r\nContent-Disposition: form-data; name="token"\r\n\r\n{token}\r\n--b\r\n'
                'Content-Disposition: form-data; name="photo"; filename="p.jpg"\r\n'
                "Content-Type: image/jpeg\r\n\r\n"
            ).encode()
            + data[:3000]
            + b"\r\n--b--\r\n"
        )
        answer = client.post(
            "/code/",
            data=targets.damaged_bytes(rng, body),
            content_type="multipart/form-data; boundary=b",
        )
    assert answer.status_code in (303, 400, 403, 404, 413, 429), answer.status_code
    assert "Traceback" not in answer.text
    if answer.status_code != 303:
        del answer
        gc.collect()  # here, and not in a later test
    # The photo was not read, so nothing of it stays.
    assert not list((folder / "phone").glob("*"))
    assert not [p for p in folder.rglob("x.jpg")]


def test_the_folder_that_is_damaged_works_when_it_is_whole(whole_folder: Path) -> None:
    result = CliRunner().invoke(main, ["-C", str(whole_folder), "rounds", "--json"])
    assert result.exit_code == 0
    assert len(json.loads(result.stdout)["rounds"]) == 2
    assert BedFolder(whole_folder).active_mesh() is not None


def test_more_than_200_megapixels_are_refused_before_they_are_decoded(targets: ModuleType) -> None:
    from padsheet.patterns.errors import PadsheetError
    from padsheet.scoring.photo import decode_photo

    for width, height in ((20_000, 10_001), (1_000_000, 201), (2**31 - 1, 2**31 - 1)):
        start = time.process_time()
        with pytest.raises(PadsheetError) as caught:
            decode_photo(targets.claimed_size(width, height))
        assert caught.value.code in ("photo-large", "photo-unreadable")
        assert time.process_time() - start < 0.5
