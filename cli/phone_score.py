"""From the bytes of an upload to an outcome: kind of file, storing, scoring in a process apart."""

from __future__ import annotations

import os
import re
import secrets
import shutil
import signal
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.advice import Advice
from padsheet.scoring.doing import Step
from padsheet.scoring.phrases import place
from padsheet.scoring.rounds import BedFolder, Round
from padsheet.scoring.scores import scores_from_json
from padsheet.scoring.squish import SheetScore
from padsheet.scoring.todo import todo_of
from padsheet.scoring.words import verdict_label

__all__ = [
    "UPLOADS",
    "Limits",
    "Outcome",
    "Refused",
    "clear_uploads",
    "newest_has_scores",
    "photo_suffix",
    "refused_pads",
    "round_folder",
    "score_photos",
    "steps_of",
    "store_photo",
]

UPLOADS = "phone"  # folder of the uploaded photos, inside the bed folder

# First bytes of the photos that the scorer decodes (file signatures; common practice).
SIGNATURES = (
    (re.compile(rb"\xff\xd8\xff"), ".jpg"),
    (re.compile(rb"\x89PNG\r\n\x1a\n"), ".png"),
    (re.compile(rb"RIFF....WEBP", re.DOTALL), ".webp"),
    (re.compile(rb"II\*\x00|MM\x00\*"), ".tif"),
    (re.compile(rb"....ftyp(?:heic|heix|hevc|heim|heis|mif1|msf1)", re.DOTALL), ".heic"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What an upload may cost.

    Attributes
    ----------
    upload_mb : int
        Largest photo.
    uploads, per_minute : int
        Most photos in one run of the page, and within any minute.
    combined : int
        Most photos that are scored together.
    seconds : float
        Longest scoring, on the clock.
    memory_mb, cpu_s : int
        Address space and processor time of the scoring process, where the system can bound them.
    """

    upload_mb: int = 60
    uploads: int = 60
    per_minute: int = 8
    combined: int = 4
    seconds: float = 120.0
    memory_mb: int = 6144
    cpu_s: int = 240


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one scoring: scores and advice, or what is wrong and what to do."""

    score: SheetScore | None = None
    advice: Advice | None = None
    problem: str = ""
    code: str = ""


STOPPED = Outcome(
    problem="The photo could not be read: the scoring stopped before its end. "
    "Take it again; if it happens twice, score it with `padsheet score` at the computer.",
    code="score-stopped",
)

SCORED_ALREADY = Outcome(
    problem="This round has a score already. Tick \N{LEFT DOUBLE QUOTATION MARK}Replace the score"
    "\N{RIGHT DOUBLE QUOTATION MARK} below and send the photo again, or print the next sheet.",
    code="file-exists",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A point that was not read, and why."""

    name: str
    verdict: str
    reason: str


def photo_suffix(head: bytes) -> str:
    r"""Tell a photo's kind by its first bytes; names and types that a client claims do not count.

    Raises
    ------
    PadsheetError
        If it is none of the kinds that the scorer decodes.

    Examples
    --------
    >>> photo_suffix(b"\xff\xd8\xff\xe0")
    '.jpg'
    """
    for signature, suffix in SIGNATURES:
        if signature.match(head):
            return suffix
    raise PadsheetError(
        "this file is not a photo that can be read",
        remedy="Send a JPEG, PNG, HEIC, WebP or TIFF picture straight from the camera.",
        code="upload-not-a-photo",
    )


def store_photo(stream: IO[bytes], folder: Path, limits: Limits) -> Path:
    """Store an upload under a name of our own inside the bed folder.

    Raises
    ------
    PadsheetError
        If it is empty, too large or not a photo; nothing is left behind then.
    """
    head = stream.read(32)
    suffix = photo_suffix(head)
    uploads = folder / UPLOADS
    uploads.mkdir(exist_ok=True)
    path = uploads / f"photo-{secrets.token_hex(8)}{suffix}"
    left = limits.upload_mb * 2**20 - len(head)
    try:
        with path.open("xb") as file:
            file.write(head)
            while chunk := stream.read(2**20):
                left -= len(chunk)
                if left < 0:
                    raise PadsheetError(
                        f"the photo is larger than {limits.upload_mb} MB",
                        remedy="Take it with the phone's ordinary photo mode, not as a raw file.",
                        code="upload-too-large",
                    )
                file.write(chunk)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return path


def score_photos(
    folder: Path,
    photos: Sequence[Path],
    limits: Limits,
    *,
    force: bool,
    module: str = "padsheet.cli.phone_child",
) -> Outcome:
    """Score photos of one print in a process of its own.

    Parameters
    ----------
    folder : Path
        The bed folder.
    photos : sequence of Path
        Stored photos.
    limits : Limits
        Bounds of time and memory.
    force : bool
        Whether to replace what the round already holds.
    module : str, optional
        The module that is run; tests put another in its place.

    Returns
    -------
    Outcome
        Never raises for what the photo does to the process.
    """
    command = [sys.executable, "-m", module, str(limits.memory_mb), str(limits.cpu_s)]
    command += ["-C", str(folder.resolve()), "score", "--json"]
    command += ["--force"] if force else []
    command += ["--", *(str(photo.resolve()) for photo in photos)]
    environment = {**os.environ, "TMPDIR": str((folder / UPLOADS).resolve())}
    process = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
        start_new_session=True,
    )
    try:
        out, talk = process.communicate(timeout=limits.seconds)
    except subprocess.TimeoutExpired:
        _kill(process)
        return Outcome(
            problem=f"Reading the photo took longer than {limits.seconds:.0f} s and was stopped. "
            "Take it again with the phone's ordinary photo mode.",
            code="score-too-long",
        )
    return _outcome(process.returncode, out, talk.decode("utf-8", "replace"))


def _kill(process: subprocess.Popen[bytes]) -> None:
    """End a process with all that it started."""
    if hasattr(os, "killpg"):
        # The child leads a session of its own, so its group is its process id.
        os.killpg(process.pid, signal.SIGKILL)
    else:
        process.kill()
    process.communicate()


def _outcome(status: int, out: bytes, talk: str) -> Outcome:
    error = re.search(r"^Error: (.+?) \[([a-z0-9-]+)\]\s*\Z", talk, re.DOTALL | re.MULTILINE)
    if status == 0:
        try:
            score, advice = scores_from_json(out.decode("utf-8"))
        except (UnicodeDecodeError, PadsheetError):
            return STOPPED
        return Outcome(score=score, advice=advice)
    if status == 1 and error and error[2] == SCORED_ALREADY.code:
        return SCORED_ALREADY
    if status == 1 and error:
        text = " ".join(error[1].split())
        return Outcome(problem=text[:1].upper() + text[1:], code=error[2])
    return STOPPED


def round_folder(folder: Path, sheet_id: str) -> Path | None:
    """Find the newest round with scores of this sheet.

    Returns
    -------
    Path or None
        A folder in ``rounds/``, or None if none holds scores of this sheet.
    """
    for round_ in reversed(BedFolder(folder).rounds()):
        try:
            if round_.read_score().sheet_id == sheet_id:
                return round_.path
        except (OSError, PadsheetError):
            continue  # a round without scores, or with spoilt ones, is none of this sheet
    return None


def newest_has_scores(folder: Path) -> bool:
    """Tell whether the newest round, to which the next photo most likely belongs, is scored."""
    printed = [r for r in BedFolder(folder).rounds() if r.sheet_json.is_file()]
    return bool(printed) and printed[-1].scores_json.is_file()


def steps_of(folder: Path, round_: Path | None, advice: Advice | None) -> tuple[Step, ...]:
    """Return what to do now; without commands where the bed folder cannot be read."""
    if advice is None:
        return ()
    if round_ is not None and round_.name.isdecimal():
        try:
            made = Round(number=int(round_.name), path=round_)
            return tuple(todo_of(BedFolder(folder), made, advice))
        except (OSError, PadsheetError):
            pass
    return tuple(Step(text=step.text) for step in advice.steps)


def refused_pads(score: SheetScore) -> list[Refused]:
    """List the points without a gap, with the reason given for each."""
    return [
        Refused(
            name=place(pad.i, pad.j),
            verdict=verdict_label(pad),
            reason="" if pad.reason is None else pad.reason.text,
        )
        for pad in score.pads
        if pad.gap_mm is None
    ]


def clear_uploads(folder: Path) -> int:
    """Remove the stored uploads: those that were scored are kept in their round.

    Temporary files go too: of uploads that broke off, and of a scoring that was stopped.

    Returns
    -------
    int
        How many photos were removed.
    """
    photos = list((folder / UPLOADS).glob("photo-*"))
    for path in (*photos, *(folder / UPLOADS).glob("tmp*")):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
    return len(photos)
