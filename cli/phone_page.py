"""The local web page that takes photos from a phone and shows what was read.

Whoever does not know the code in the address gets nothing. The page keeps no cookie, loads nothing
from outside, and never uses a name that a client sends.
"""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from flask import Flask, Response, abort, redirect, render_template, request, url_for
from markupsafe import Markup
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as AnyResponse

from padsheet.cli.phone_score import (
    Limits,
    Outcome,
    Refused,
    newest_has_scores,
    refused_pads,
    round_folder,
    score_photos,
    steps_of,
    store_photo,
)
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.doing import Step
from padsheet.scoring.photo_guide import bad_photo, good_photo
from padsheet.scoring.words import summary

__all__ = ["Desk", "Entry", "create_app"]

Scorer = Callable[[Path, Sequence[Path], Limits, bool], Outcome]

TEMPLATES = Path(__file__).resolve().parent / "templates"

POLICY = (
    "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
# The report brings its own styles and pictures inside itself, and needs nothing else.
REPORT_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What the page says of one upload."""

    number: int
    usable: bool
    headline: str
    code: str = ""
    photos: int = 1
    refused: tuple[Refused, ...] = ()
    warnings: tuple[str, ...] = ()
    steps: tuple[Step, ...] = ()
    round_name: str = ""
    seconds: float = 0.0


@dataclass(slots=True, kw_only=True)
class Desk:
    """What one run of the page remembers: photos that were usable, and the outcomes."""

    folder: Path
    limits: Limits
    scorer: Scorer
    photos: list[Path] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    round: Path | None = None

    uploads: int = 0
    times: deque[float] = field(default_factory=deque)
    counting: threading.Lock = field(default_factory=threading.Lock)
    busy: threading.Lock = field(default_factory=threading.Lock)

    def admit(self, now: float) -> None:
        """Count one more upload.

        Raises
        ------
        PadsheetError
            If there were too many, in all or within the last minute.
        """
        with self.counting:
            while self.times and now - self.times[0] > 60:
                self.times.popleft()
            if self.uploads >= self.limits.uploads:
                raise PadsheetError(
                    f"this page has taken its {self.limits.uploads} photos",
                    remedy="Stop `padsheet phone` at the computer and start it again.",
                    code="upload-too-many",
                )
            if len(self.times) >= self.limits.per_minute:
                raise PadsheetError(
                    "too many photos within a minute",
                    remedy="Wait a minute and send it again.",
                    code="upload-too-fast",
                )
            self.uploads += 1
            self.times.append(now)

    def take(self, photo: Path, *, replace: bool) -> Entry:
        """Score a new photo together with the usable ones before it, and remember the outcome."""
        together = [*self.photos, photo][-self.limits.combined :]
        # What this page wrote itself may be replaced without asking again.
        began = time.monotonic()
        outcome = self.scorer(self.folder, together, self.limits, replace or self.round is not None)
        seconds = time.monotonic() - began
        number = len(self.entries) + 1
        if outcome.score is None:
            photo.unlink(missing_ok=True)
            entry = Entry(
                number=number,
                usable=False,
                headline=outcome.problem,
                code=outcome.code,
                seconds=seconds,
            )
        else:
            self.photos = together
            self.round = round_folder(self.folder, outcome.score.sheet_id)
            entry = Entry(
                number=number,
                usable=True,
                headline=summary(outcome.score, outcome.advice),
                photos=len(together),
                refused=tuple(refused_pads(outcome.score)),
                warnings=outcome.score.warnings,
                steps=steps_of(self.folder, self.round, outcome.advice),
                round_name="" if self.round is None else self.round.name,
                seconds=seconds,
            )
        self.entries.append(entry)
        return entry


def _scored(folder: Path, photos: Sequence[Path], limits: Limits, force: bool) -> Outcome:
    return score_photos(folder, photos, limits, force=force)


def create_app(
    folder: Path,
    *,
    code: str,
    hosts: Sequence[str],
    limits: Limits | None = None,
    scorer: Scorer = _scored,
    clock: Callable[[], float] = time.monotonic,
) -> Flask:
    """Make the page of one bed folder.

    Parameters
    ----------
    folder : Path
        The bed folder; nothing is stored outside it.
    code : str
        What the address must hold for any request to be answered.
    hosts : sequence of str
        The only values of the Host header that are answered, such as ``"127.0.0.1:8737"``.
    limits : Limits, optional
        What uploads may cost.
    scorer, clock : callable, optional
        How photos are scored and time is read; tests put others in their place.

    Returns
    -------
    Flask
        An application without cookies.
    """
    app = Flask(__name__, template_folder=str(TEMPLATES), static_folder=None)
    desk = Desk(folder=folder, limits=limits or Limits(), scorer=scorer)
    token = secrets.token_urlsafe(24)
    # The form's few other bytes come on top of the photo.
    app.config["MAX_CONTENT_LENGTH"] = desk.limits.upload_mb * 2**20 + 2**16
    app.config["MAX_FORM_PARTS"] = 8
    app.extensions["desk"] = desk

    def guard() -> None:
        """Answer only to the code, in the address, from this page's own hosts."""
        given = (request.view_args or {}).get("code", "")
        if not hmac.compare_digest(given.encode(), code.encode()) or request.host not in hosts:
            abort(404)

    app.before_request(guard)
    app.after_request(_secured)
    app.register_error_handler(HTTPException, _refusal)
    _add_reading(app, desk, code, token)
    _add_upload(app, desk, code, token, clock)
    return app


def _secured(response: Response) -> Response:
    headers = {
        "Content-Security-Policy": POLICY,
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
        # The address holds the code, so it is told to nobody else.
        "Referrer-Policy": "same-origin",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Cache-Control": "no-store",
    }
    for name, value in headers.items():
        response.headers.setdefault(name, value)
    return response


def _refusal(error: HTTPException) -> tuple[str, int]:
    """Say what is wrong in one sentence, without a template or a trace."""
    words = {
        404: "There is no such page. Scan the code on the computer's screen again.",
        413: "The photo is too large. Take it with the phone's ordinary photo mode.",
    }
    text = words.get(error.code or 0, "This request cannot be answered. Go back and reload.")
    page = f'<!doctype html><html lang="en"><title>padsheet</title><p>{text}</p></html>'
    return page, error.code or 400


def _add_reading(app: Flask, desk: Desk, code: str, token: str) -> None:
    """Add everything that only shows."""

    @app.get("/<code>/")
    def page(code: str) -> str:
        return _page(desk, code, token)

    @app.get("/<code>/picture/<int:number>.jpg")
    def picture(code: str, number: int) -> Response:
        return _file(desk, "annotated.jpg", "image/jpeg")

    @app.get("/<code>/report")
    def report(code: str) -> Response:
        response = _file(desk, "report.html", "text/html")
        response.headers["Content-Security-Policy"] = REPORT_POLICY
        return response

    @app.get("/<code>/phone.css")
    def style(code: str) -> Response:
        return Response((TEMPLATES / "phone.css").read_bytes(), mimetype="text/css")

    @app.get("/<code>/icon.svg")
    def icon(code: str) -> Response:
        return Response((TEMPLATES / "icon.svg").read_bytes(), mimetype="image/svg+xml")

    @app.get("/<code>/phone.js")
    def script(code: str) -> Response:
        return Response((TEMPLATES / "phone.js").read_bytes(), mimetype="text/javascript")


def _file(desk: Desk, name: str, kind: str) -> Response:
    """Send a file of the round that was just scored; its name is ours, never the client's."""
    if desk.round is None or not (desk.round / name).is_file():
        abort(404)
    return Response((desk.round / name).read_bytes(), mimetype=kind)


def _page(desk: Desk, code: str, token: str, problem: str = "") -> str:
    return render_template(
        "phone.html",
        code=code,
        token=token,
        problem=problem,
        bed_name=desk.folder.resolve().name,
        latest=desk.entries[-1] if desk.entries else None,
        earlier=desk.entries[-2::-1],
        photos=len(desk.photos),
        scored=not desk.photos and newest_has_scores(desk.folder),
        picture=desk.round is not None and (desk.round / "annotated.jpg").is_file(),
        report=desk.round is not None and (desk.round / "report.html").is_file(),
        limits=desk.limits,
        good_photo=Markup(good_photo()),
        bad_photo=Markup(bad_photo()),
    )


def _add_upload(app: Flask, desk: Desk, code: str, token: str, clock: Callable[[], float]) -> None:
    """Add the one request that changes something."""

    @app.post("/<code>/")
    def upload(code: str) -> AnyResponse | tuple[str, int]:
        _check_origin(token)
        photo = request.files.get("photo")
        if photo is None:
            return _page(desk, code, token, "No photo was chosen. Choose one and send it."), 400
        # One scoring at a time: memory for one is bounded, for many it is not.
        if not desk.busy.acquire(blocking=False):
            words = "Another photo is just being read. Wait a few seconds and send it again."
            return _page(desk, code, token, words), 429
        try:
            desk.admit(clock())
            stored = store_photo(photo.stream, desk.folder, desk.limits)
            desk.take(stored, replace=request.form.get("replace") == "yes")
        except PadsheetError as error:
            status = 429 if error.code in ("upload-too-many", "upload-too-fast") else 400
            words = f"{error.problem[:1].upper()}{error.problem[1:]}. {error.remedy}"
            return _page(desk, code, token, words), status
        finally:
            desk.busy.release()
        return redirect(url_for("page", code=code), code=303)


def _check_origin(token: str) -> None:
    """Refuse forms that another site made a browser send."""
    given = request.form.get("token", "")
    if not hmac.compare_digest(given.encode(), token.encode()):
        abort(403)
    if request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
        abort(403)
    origin = request.headers.get("Origin")
    if origin is not None and urlsplit(origin).netloc != request.host:
        abort(403)
