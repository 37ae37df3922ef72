"""The phone page: who gets in, what it takes, what it stores, and what it shows."""

from __future__ import annotations

import contextlib
import http.client
import io
import re
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from padsheet.cli import phone
from padsheet.cli.main import main
from padsheet.cli.phone_page import TEMPLATES, create_app
from padsheet.cli.phone_score import (
    Limits,
    Outcome,
    clear_uploads,
    newest_has_scores,
    photo_suffix,
    round_folder,
    score_photos,
    store_photo,
)
from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.profile_writer import profile_text
from padsheet.scoring.advice import Advice, NodeAdvice
from padsheet.scoring.colours import contrast_ratio
from padsheet.scoring.scores import scores_to_json
from padsheet.scoring.squish import PadScore, Reason, SheetScore
from padsheet.scoring.steps import AdvisedStep

CODE, HOST = "s3cret-code", "127.0.0.1:8737"
BASE = f"http://{HOST}"


def jpeg(side: int = 8) -> bytes:
    stream = io.BytesIO()
    Image.new("RGB", (side, side), (90, 60, 30)).save(stream, "JPEG")
    return stream.getvalue()


def scored(sheet_id: str = "k3f9") -> Outcome:
    pads = tuple(
        PadScore(
            i=i,
            j=0,
            x_mm=20.0 + 45 * i,
            y_mm=20.0,
            gap_mm=gap,
            verdict="unread" if gap is None else "too little",
            reason=Reason(code="glare", text="a <lamp> is mirrored") if gap is None else None,
        )
        for i, gap in enumerate((0.28, 0.25, None))
    )
    score = SheetScore(
        sheet_id=sheet_id,
        sheet_number=1,
        target_gap_mm=0.2,
        tolerance_mm=0.03,
        pads=pads,
        order=((0, 0), (1, 0)),
        covariance_mm2=np.eye(2) * 2.5e-5,
        common_sigma_mm=0.004,
        flow=1.0,
        flow_sigma=0.02,
        registration_rms_mm=0.02,
        lines_used=20,
    )
    advice = Advice(
        offset_mm=-0.02,
        offset_sigma_mm=0.004,
        tilt_mm_per_m=(0.0, 0.0),
        tilt_sigma_mm_per_m=(0.1, 0.1),
        warp_peak_to_valley_mm=0.03,
        twist_mm=None,
        screws=(),
        nodes=tuple(
            NodeAdvice(i=i, j=0, dz_mm=dz, sigma_mm=0.005, changed=dz != 0)
            for i, dz in enumerate((-0.08, -0.05, 0.0))
        ),
        work="mesh",
        steps=(AdvisedStep(kind="edits", text="Write the edits <now>."),),
        warp_done=False,
        offset_done=False,
        estimate_mm=0.02,
        done=False,
    )
    return Outcome(score=score, advice=advice)


class Scorer:
    """Stands for the scoring process and writes what that writes."""

    def __init__(self, outcome: Outcome | None = None) -> None:
        self.outcome = outcome
        self.calls: list[tuple[list[Path], bool]] = []

    def __call__(self, folder, photos, limits, force):
        self.calls.append((list(photos), force))
        if self.outcome is not None:
            return self.outcome
        outcome = scored()
        target = folder / "rounds" / "01"
        target.mkdir(parents=True, exist_ok=True)
        (target / "scores.json").write_text(scores_to_json(outcome.score, outcome.advice))
        (target / "annotated.jpg").write_bytes(jpeg(16))
        (target / "report.html").write_text("<!doctype html><title>report</title>")
        return outcome


def form(fields: dict[str, str], photo: bytes, name: str) -> tuple[bytes, str]:
    """Encode a form with a file, as RFC 7578 describes."""
    edge = "edge-5f2c7d"
    parts = [
        f'--{edge}\r\nContent-Disposition: form-data; name="{key}"\r\n\r\n{value}\r\n'.encode()
        for key, value in fields.items()
    ]
    head = f'--{edge}\r\nContent-Disposition: form-data; name="photo"; filename="{name}"\r\n'
    parts += [head.encode(), b"Content-Type: image/jpeg\r\n\r\n", photo]
    parts.append(f"\r\n--{edge}--\r\n".encode())
    return b"".join(parts), f"multipart/form-data; boundary={edge}"


class Phone:
    """A browser on a phone."""

    def __init__(self, folder: Path, scorer, **options) -> None:
        self.now = 0.0
        self.folder, self.scorer = folder, scorer
        self.app = create_app(
            folder, code=CODE, hosts=[HOST], scorer=scorer, clock=lambda: self.now, **options
        )
        self.client = self.app.test_client()

    def get(self, path: str = "", code: str = CODE, **options):
        return self.client.get(f"/{code}/{path}", base_url=BASE, **options)

    def token(self) -> str:
        return re.search(r'name="token" value="([^"]+)"', self.get().text)[1]

    def send(self, photo: bytes, name: str = "IMG.jpg", *, code: str = CODE, **options):
        fields = {"token": options.pop("token", None) or self.token(), **options.pop("data", {})}
        # As bytes: the test client would leave its temporary file of a large form open.
        body, kind = form(fields, photo, name)
        return self.client.post(f"/{code}/", base_url=BASE, data=body, content_type=kind, **options)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    bed = tmp_path / "my-bed"
    bed.mkdir()
    (bed / "bed.toml").write_text("")
    return bed


@pytest.fixture
def page(folder: Path) -> Phone:
    return Phone(folder, Scorer())


PATHS = ["", "picture/1.jpg", "report", "phone.css", "phone.js", "icon.svg"]


@pytest.mark.parametrize("path", PATHS)
def test_every_address_needs_the_code(page, path):
    page.send(jpeg())
    assert page.get(path).status_code == 200
    for code in ("wrong", CODE[:-1], CODE + "x", "-"):
        refused = page.get(path, code=code)
        assert refused.status_code == 404
        assert CODE not in refused.text
    assert page.client.get(f"/{path}", base_url=BASE).status_code == 404


def test_all_routes_are_below_the_code(page):
    for rule in page.app.url_map.iter_rules():
        assert rule.rule.startswith("/<code>/")
    assert len(list(page.app.url_map.iter_rules())) == len(PATHS) + 1


def test_upload_needs_the_code_too(page):
    assert page.send(jpeg(), code="wrong").status_code == 404
    assert page.scorer.calls == []


def test_other_host_names_are_not_answered(page):
    # A page of another name that resolves to this computer sends its own name as the host.
    answer = page.client.get(f"/{CODE}/", base_url="http://evil.test:8737")
    assert answer.status_code == 404


@pytest.mark.parametrize("path", [*PATHS, "nothing-here"])
def test_security_headers_and_no_cookie(page, path):
    page.send(jpeg())
    answer = page.get(path)
    policy = answer.headers["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")
    assert "frame-ancestors 'none'" in policy
    if path != "report":
        assert "unsafe" not in policy
    assert "script-src" not in policy or "script-src 'self'" in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Cache-Control"] == "no-store"
    assert "Set-Cookie" not in answer.headers


def test_page_loads_nothing_from_outside(page):
    page.send(jpeg())
    html = page.get().text
    assert not re.search(r"https?:|(?:src|href)=\"//|<style|style=\"|\son\w+=", html)
    for name in ("phone.css", "phone.js"):
        assert not re.search(r"https?:|@import|url\(", (TEMPLATES / name).read_text())
    assert "innerHTML" not in (TEMPLATES / "phone.js").read_text()


def test_usable_photo_shows_verdict_picture_and_next_step(page):
    answer = page.send(jpeg())
    assert answer.status_code == 303
    html = page.get().text
    assert "The photo is usable" in html
    assert "2 of 3 points need lowering, the worst by 0.08 mm at column 1, row 1" in html
    assert "<li>Write the edits &lt;now&gt;." in html
    assert "picture/1.jpg" in html
    assert page.get("picture/1.jpg").data == (page.folder / "rounds/01/annotated.jpg").read_bytes()
    assert "<title>report" in page.get("report").text


def test_replacing_is_offered_only_where_there_is_something_to_replace(page):
    assert "Replace the score" not in page.get().text
    (page.folder / "rounds" / "02").mkdir(parents=True)
    (page.folder / "rounds" / "02" / "sheet.json").write_text("{}")
    assert "Replace the score" not in page.get().text
    (page.folder / "rounds" / "02" / "scores.json").write_text("{}")
    assert "Replace the score" in page.get().text
    page.send(jpeg())
    assert "Replace the score" not in page.get().text  # what this page wrote needs no asking


def test_commands_of_the_next_step_are_shown(page):
    (page.folder / "bed.toml").write_text(profile_text())
    page.send(jpeg())
    html = page.get().text
    assert f"<code>padsheet -C {page.folder} mesh answer.txt</code>" in html
    assert f"<code>padsheet -C {page.folder} send --port PORT</code>" in html


def test_a_scored_round_is_told_in_the_pages_own_words(folder, tmp_path, monkeypatch):
    body = (
        "import sys; sys.exit(print('Error: scores.json is there already. Give --force.'"
        " ' [file-exists]', file=sys.stderr) or 1)"
    )
    outcome = run(folder, fake_module(tmp_path, monkeypatch, body))
    assert "Replace the score" in outcome.problem
    assert "--force" not in outcome.problem


def test_refused_points_are_listed_and_escaped(page):
    page.send(jpeg())
    html = page.get().text
    assert "<b>Column 3, row 1</b>, unread: a &lt;lamp&gt; is mirrored" in html


def test_unusable_photo_says_why_and_is_not_kept(folder):
    problem = "Fewer than 8 markers were found. Hold the phone higher."
    page = Phone(folder, Scorer(Outcome(problem=problem, code="photo-no-sheet")))
    page.send(jpeg())
    html = page.get().text
    assert "This photo cannot be used" in html
    assert problem in html
    assert list((folder / "phone").iterdir()) == []
    assert page.get("picture/1.jpg").status_code == 404
    assert page.get("report").status_code == 404


def test_photos_of_one_print_are_scored_together(page):
    for _ in range(3):
        page.send(jpeg())
    assert [len(photos) for photos, _ in page.scorer.calls] == [1, 2, 3]
    assert "3 photos read, round 01" in page.get().text


def test_a_bad_photo_does_not_spoil_the_good_ones(page):
    page.send(jpeg())
    page.scorer.outcome = Outcome(problem="Too dark. More light.", code="photo-dark")
    page.send(jpeg())
    page.scorer.outcome = None
    page.send(jpeg())
    calls = [photos for photos, _ in page.scorer.calls]
    assert calls[2][0] == calls[0][0]
    assert calls[1][1] not in calls[2]
    assert len(calls[2]) == 2


def test_a_round_is_replaced_only_when_asked_or_own(page):
    page.send(jpeg())
    page.send(jpeg())
    assert [force for _, force in page.scorer.calls] == [False, True]
    other = Phone(page.folder, Scorer())
    other.send(jpeg(), data={"replace": "yes"})
    assert [force for _, force in other.scorer.calls] == [True]


@pytest.mark.parametrize(
    "name", ["../../evil.jpg", "/etc/passwd", "bed.toml", "..\\x.jpg", "a\x00b.jpg", "-rf.jpg"]
)
def test_names_of_the_client_are_never_used(page, name):
    before = set(page.folder.parent.rglob("*"))
    page.send(jpeg(), name=name)
    new = {p for p in set(page.folder.parent.rglob("*")) - before if p.is_file()}
    stored = [p for p in new if p.parent.name == "phone"]
    assert len(stored) == 1
    assert re.fullmatch(r"photo-[0-9a-f]{16}\.jpg", stored[0].name)
    assert all(page.folder in p.parents for p in new)
    assert (page.folder / "bed.toml").read_text() == ""


@pytest.mark.parametrize("content", [b"", b"hello", b"<svg onload=x>", b"GIF89a" + b"0" * 40])
def test_what_is_no_photo_is_refused_before_it_is_stored(page, content):
    answer = page.send(content, name="photo.jpg")
    assert answer.status_code == 400
    assert page.scorer.calls == []
    assert not list(page.folder.glob("phone/*"))


def test_form_without_a_photo(page):
    answer = page.client.post(f"/{CODE}/", base_url=BASE, data={"token": page.token()})
    assert answer.status_code == 400
    assert "No photo was chosen" in answer.text


def test_forms_of_other_sites_are_refused(page):
    token = page.token()
    assert page.send(jpeg(), token="guess").status_code == 403
    for headers in (
        {"Origin": "http://evil.test"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ):
        assert page.send(jpeg(), token=token, headers=headers).status_code == 403
    assert page.scorer.calls == []
    own = {"Origin": BASE, "Sec-Fetch-Site": "same-origin"}
    assert page.send(jpeg(), token=token, headers=own).status_code == 303


def test_uploads_are_limited_in_size(folder):
    page = Phone(folder, Scorer(), limits=Limits(upload_mb=1))
    assert page.send(jpeg() + b"0" * (2**20 + 2**17)).status_code == 413
    slightly = page.send(jpeg() + b"0" * 2**20)
    assert slightly.status_code == 400
    assert "larger than 1 MB" in slightly.text
    assert page.scorer.calls == []
    assert list((folder / "phone").iterdir()) == []


def test_uploads_are_limited_in_rate_and_number(folder):
    page = Phone(folder, Scorer(), limits=Limits(per_minute=2, uploads=3))
    statuses = []
    for now in (0.0, 1.0, 2.0, 62.0, 140.0):
        page.now = now
        statuses.append(page.send(jpeg()).status_code)
    assert statuses == [303, 303, 429, 303, 429]
    assert len(page.scorer.calls) == 3


def test_only_one_photo_is_read_at_a_time(folder):
    inside, go_on = threading.Event(), threading.Event()

    def slow(*_):
        inside.set()
        assert go_on.wait(10)
        return Outcome(problem="Too dark.", code="photo-dark")

    page = Phone(folder, slow)
    token = page.token()
    first = threading.Thread(target=lambda: page.send(jpeg(), token=token))
    first.start()
    assert inside.wait(10)
    other = page.app.test_client().post(
        f"/{CODE}/",
        base_url=BASE,
        data={"token": token, "photo": (io.BytesIO(jpeg()), "x.jpg")},
    )
    go_on.set()
    first.join(10)
    assert other.status_code == 429
    assert "Another photo is just being read" in other.text


@pytest.mark.parametrize(
    ("head", "suffix"),
    [
        (b"\xff\xd8\xff\xe1", ".jpg"),
        (b"\x89PNG\r\n\x1a\n", ".png"),
        (b"RIFF\x00\x01\x02\x03WEBP", ".webp"),
        (b"II*\x00", ".tif"),
        (b"MM\x00*", ".tif"),
        (b"\x00\x00\x00\x18ftypheic", ".heic"),
        (b"\x00\x00\x00\x0aftypmif1", ".heic"),
    ],
)
def test_kind_of_photo_by_its_first_bytes(head, suffix):
    assert photo_suffix(head) == suffix


def test_store_photo_leaves_nothing_after_a_broken_upload(folder):
    class Broken(io.BytesIO):
        def read(self, size=-1):
            if self.tell() > 0:
                raise OSError("connection lost")
            return super().read(size)

    with pytest.raises(OSError, match="connection lost"):
        store_photo(Broken(jpeg()), folder, Limits())
    assert list((folder / "phone").iterdir()) == []


def fake_module(tmp_path: Path, monkeypatch, body: str) -> str:
    """Write a module that stands for the scoring process."""
    (tmp_path / "stand_in.py").write_text(body)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    return "stand_in"


def run(folder: Path, module: str, seconds: float = 20.0) -> Outcome:
    (folder / "phone").mkdir(exist_ok=True)
    photo = folder / "phone" / "photo-00.jpg"
    return score_photos(folder, [photo], Limits(seconds=seconds), force=True, module=module)


def test_scoring_process_gets_the_photos_and_gives_scores(folder, tmp_path, monkeypatch):
    wanted = scored()
    (tmp_path / "scores").write_text(scores_to_json(wanted.score, wanted.advice))
    body = (
        "import sys, pathlib\n"
        f"here = pathlib.Path({str(tmp_path)!r})\n"
        "(here / 'argv').write_text('\\n'.join(sys.argv[1:]))\n"
        "print((here / 'scores').read_text())\n"
    )
    outcome = run(folder, fake_module(tmp_path, monkeypatch, body))
    assert outcome.score.pads == wanted.score.pads
    assert outcome.advice == wanted.advice
    assert (tmp_path / "argv").read_text().splitlines() == [
        "6144",
        "240",
        "-C",
        str(folder.resolve()),
        "score",
        "--json",
        "--force",
        "--",
        str((folder / "phone" / "photo-00.jpg").resolve()),
    ]


def test_refusal_of_the_scoring_process_reaches_the_page(folder, tmp_path, monkeypatch):
    body = (
        "import sys; print('reading', file=sys.stderr);"
        "sys.exit(print('Error: the photo is blurred. Hold still. [photo-blur]',"
        " file=sys.stderr) or 1)"
    )
    outcome = run(folder, fake_module(tmp_path, monkeypatch, body))
    assert outcome.code == "photo-blur"
    assert outcome.problem == "The photo is blurred. Hold still."


@pytest.mark.parametrize(
    "body",
    [
        "raise RuntimeError('secret path')",
        "print('not json')",
        "print('[1, 2]')",
        "import os; os.abort()",
        "import sys; sys.exit(2)",
    ],
)
def test_a_crash_of_the_scoring_process_is_one_sentence(folder, tmp_path, monkeypatch, body):
    outcome = run(folder, fake_module(tmp_path, monkeypatch, body))
    assert outcome.score is None
    assert outcome.code == "score-stopped"
    assert "secret path" not in outcome.problem


def test_a_scoring_that_hangs_is_stopped_with_its_children(folder, tmp_path, monkeypatch):
    mark = tmp_path / "alive"
    child = f"import time, pathlib; time.sleep(4); pathlib.Path({str(mark)!r}).touch()"
    body = (
        "import subprocess, sys, time\n"
        f"subprocess.Popen([sys.executable, '-c', {child!r}])\n"
        "time.sleep(60)\n"
    )
    start = time.monotonic()
    outcome = run(folder, fake_module(tmp_path, monkeypatch, body), seconds=1.0)
    assert outcome.code == "score-too-long"
    assert time.monotonic() - start < 4
    time.sleep(max(0.0, 5.0 - (time.monotonic() - start)))
    assert not mark.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="the system has no such limits")
def test_memory_of_the_scoring_process_is_bounded():
    code = (
        "from padsheet.cli.phone_child import limit_process\n"
        "assert limit_process(400, 20)\n"
        "try:\n"
        "    bytearray(600 * 2**20)\n"
        "except MemoryError:\n"
        "    print('bounded')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout == "bounded\n", done.stderr


def test_the_child_runs_the_padsheet_command():
    command = [sys.executable, "-m", "padsheet.cli.phone_child", "4096", "20", "--help"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0
    assert done.stdout.startswith("Usage: padsheet")


def test_the_real_command_refuses_a_photo_in_one_sentence(folder):
    """The whole way: our child, the real `padsheet score`, and its refusal on the page."""
    (folder / "phone").mkdir()
    photo = folder / "phone" / "photo-00.jpg"
    photo.write_bytes(jpeg(400))
    outcome = score_photos(folder, [photo], Limits(), force=False)
    assert outcome.score is None
    assert outcome.code not in ("score-stopped", "score-too-long")
    assert outcome.problem.endswith(".")
    assert "[" not in outcome.problem


def test_round_folder_is_the_newest_of_that_sheet(tmp_path):
    for name, sheet in (("01", "a"), ("02", "b"), ("03", "b"), ("04", "c"), ("05", "")):
        (tmp_path / "rounds" / name).mkdir(parents=True)
        text = scores_to_json(scored(sheet).score) if sheet else "{"
        (tmp_path / "rounds" / name / "scores.json").write_text(text)
    assert round_folder(tmp_path, "b").name == "03"
    assert round_folder(tmp_path, "x") is None


def test_the_hundredth_round_is_newer_than_the_ninety_ninth(tmp_path):
    for name in ("99", "100"):
        (tmp_path / "rounds" / name).mkdir(parents=True)
        (tmp_path / "rounds" / name / "scores.json").write_text(scores_to_json(scored("a").score))
        (tmp_path / "rounds" / name / "sheet.json").touch()
    assert round_folder(tmp_path, "a").name == "100"
    (tmp_path / "rounds" / "100" / "scores.json").unlink()
    assert not newest_has_scores(tmp_path)


def test_uploads_are_cleared_and_nothing_else(folder):
    (folder / "phone").mkdir()
    for name in ("photo-12.jpg", "photo-34.heic", "tmpa8f3_q", "mine.jpg"):
        (folder / "phone" / name).touch()
    (folder / "phone" / "tmpb7").mkdir()
    assert clear_uploads(folder) == 2
    assert [path.name for path in (folder / "phone").iterdir()] == ["mine.jpg"]


def test_command_refuses_what_is_no_bed_folder(tmp_path):
    done = CliRunner().invoke(main, ["-C", str(tmp_path), "phone"])
    assert done.exit_code == 1
    assert "[folder-none]" in done.stderr


def test_command_says_which_extra_is_missing(folder, monkeypatch):
    monkeypatch.setattr(phone.importlib.util, "find_spec", lambda name: None)
    done = CliRunner().invoke(main, ["-C", str(folder), "phone"])
    assert done.exit_code == 1
    assert "pip install '.[phone]'" in done.stderr


def test_lan_address_or_a_remedy(monkeypatch):
    class NoWay:
        def __init__(self, *_): ...
        def __enter__(self):
            return self

        def __exit__(self, *_): ...
        def connect(self, _):
            raise OSError("unreachable")

    monkeypatch.setattr(phone.socket, "socket", NoWay)
    with pytest.raises(PadsheetError, match="phone-no-network"):
        phone._lan_address()


def start_page(folder: Path) -> tuple[subprocess.Popen[str], int]:
    """Start the real command in a process of its own."""
    import socket

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    code = "from padsheet.cli.main import main; main()"
    command = [sys.executable, "-c", code, "-C", str(folder), "phone", "--port", str(port)]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, stdout=pipe, stderr=pipe, text=True), port


@pytest.fixture
def served(folder):
    """The real command in a process of its own: its address and port."""
    process, port = start_page(folder)
    try:
        yield process.stdout.readline().strip(), port
    finally:
        process.terminate()
        process.communicate(timeout=10)


def test_the_real_server_answers_its_address_and_nothing_else(served, folder):
    address, port = served
    assert re.fullmatch(rf"http://127\.0\.0\.1:{port}/[\w-]{{20,}}/", address)
    with urllib.request.urlopen(address, timeout=10) as answer:
        assert b"Photograph the printed sheet" in answer.read()
        assert not answer.headers.get("Server")
    with pytest.raises(urllib.error.HTTPError, match="404") as refused:
        urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=10)
    refused.value.close()
    again = CliRunner().invoke(main, ["-C", str(folder), "phone", "--port", str(port)])
    assert again.exit_code == 1
    assert "[phone-port-taken]" in again.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="needs signals")
def test_what_a_killed_page_left_is_cleared_at_the_next_start(folder):
    killed, _ = start_page(folder)
    address = killed.stdout.readline().strip()
    with urllib.request.urlopen(address, timeout=10) as answer:
        token = re.search(r'name="token" value="([^"]+)"', answer.read().decode())[1]
    body, kind = form({"token": token}, jpeg(), "IMG.jpg")
    request = urllib.request.Request(address, data=body, headers={"Content-Type": kind})

    def send() -> None:
        with contextlib.suppress(OSError, http.client.HTTPException):
            urllib.request.urlopen(request, timeout=30).close()

    sending = threading.Thread(target=send)
    sending.start()
    until = time.monotonic() + 20
    while not list((folder / "phone").glob("photo-*")) and time.monotonic() < until:
        time.sleep(0.002)
    killed.kill()  # while the photo is read in a process of its own
    killed.communicate(timeout=10)
    sending.join(30)
    (folder / "phone" / "tmp-of-an-upload").touch()
    assert len(list((folder / "phone").glob("photo-*"))) == 1
    again, _ = start_page(folder)
    try:
        assert again.stdout.readline().startswith("http://")
        assert [path.name for path in (folder / "phone").iterdir()] == [".lock"]
        # Two pages would clear each other's photos.
        second, _ = start_page(folder)
        said = second.communicate(timeout=20)[1]
        assert second.returncode == 1
        assert "[folder-busy]" in said
    finally:
        again.terminate()
        said = again.communicate(timeout=10)[1]
    assert "removed a photo that was left over" in " ".join(said.split())


def test_text_colours_have_level_aa_contrast_in_both_dresses():
    css = (TEMPLATES / "phone.css").read_text(encoding="utf-8")
    light, _, rest = css.partition("@media (prefers-color-scheme: dark)")
    for block in (light, rest.partition("* {")[0]):
        dress = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})\b", block))
        for ink, ground in (
            ("ink", "paper"),
            ("ink", "card"),
            ("muted", "card"),
            ("muted", "paper"),
            ("accent", "card"),
            ("on-accent", "accent"),
        ):
            # WCAG 2.2, success criterion 1.4.3 (level AA): 4.5 for text.
            assert contrast_ratio(dress[ink], dress[ground]) >= 4.5, (ink, ground)


def test_the_code_on_the_screen_scans_to_the_address(capsys):
    """Read the blocks of the terminal back as pixels, with a reader that is not ours."""
    address = "http://192.0.2.2:8737/tbIv-WYqf1BX_COLY_9tWA/"
    phone._introduce(address, everywhere=True)
    captured = capsys.readouterr()
    assert captured.out.strip() == address
    # Each sign holds two pixels above each other; a full block is light on a dark terminal.
    rows = [line for line in captured.err.splitlines() if set(line) <= set(" █▀▄") and line]
    pairs = {" ": (0, 0), "█": (1, 1), "▀": (1, 0), "▄": (0, 1)}
    halves = [[[pairs[sign][k] for sign in row] for row in rows] for k in (0, 1)]
    pixels = np.stack(halves, axis=1).reshape(-1, len(rows[0])).astype(np.uint8) * 255
    picture = np.kron(pixels, np.ones((8, 8), np.uint8))
    text, *_ = cv2.QRCodeDetector().detectAndDecode(picture)
    assert text == address
