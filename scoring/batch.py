"""Scoring the newest photo of many bed folders at once, on all cores or on a Dask cluster."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Literal

from padsheet.patterns.errors import PadsheetError
from padsheet.patterns.files import access_error
from padsheet.scoring.rounds import PHOTO_SUFFIXES, PROFILE, BedFolder, Round
from padsheet.scoring.scorer import score_round
from padsheet.scoring.scores import scores_to_data
from padsheet.scoring.threads import one_thread, usable_cores
from padsheet.scoring.words import summary

__all__ = ["Outcome", "bed_folders", "newest_photo", "outcome_data", "score_all", "score_newest"]

# Pictures that padsheet itself writes beside the photos.
_OWN_PICTURES = ("annotated", "preview")
_CONNECT_SECONDS = 15


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one bed folder.

    Attributes
    ----------
    folder : str
        The bed folder.
    state : {"scored", "skipped", "failed"}
        Skipped where no photo is new.
    photo : str or None
        The photo that was chosen.
    round : int or None
        The round that it was scored in.
    summary : str
        One sentence: the verdict, or why there is none.
    on_target : int or None
        Points on target by all sheets together, as `padsheet score` shows them.
    scores : dict or None
        As in scores.json.
    error : dict or None
        Problem, remedy and code of the refusal.
    seconds : float
        How long it took.
    """

    folder: str
    state: Literal["scored", "skipped", "failed"]
    photo: str | None = None
    round: int | None = None
    summary: str = ""
    on_target: int | None = None
    scores: dict[str, Any] | None = None
    error: dict[str, str] | None = None
    seconds: float = 0.0


def outcome_data(outcome: Outcome) -> dict[str, Any]:
    """Return an outcome as plain data for JSON."""
    return {
        "format": 1,
        "folder": outcome.folder,
        "state": outcome.state,
        "photo": outcome.photo,
        "round": outcome.round,
        "summary": outcome.summary,
        "on_target": outcome.on_target,
        "seconds": round(outcome.seconds, 2),
        "scores": outcome.scores,
        "error": outcome.error,
    }


def bed_folders(folder: Path) -> list[Path]:
    """Find the bed folders in a folder, at any depth, in the order of their names.

    Raises
    ------
    PadsheetError
        If there are none.
    """
    found: list[Path] = []
    for place, below, files in os.walk(folder):
        if PROFILE in files:
            found.append(Path(place))
            below.clear()  # what a bed folder holds is its own
        below[:] = [name for name in below if not name.startswith(".")]
    if not found:
        raise PadsheetError(
            f"there is no bed folder in {folder}" if folder.is_dir() else f"{folder} is no folder",
            remedy=f"Name a folder whose subfolders were made with `padsheet init` (a {PROFILE} "
            "in each).",
            code="batch-no-beds",
        )
    return sorted(found)


def _photos_in(folder: Path) -> list[Path]:
    """Return the photos that lie in a folder, what padsheet drew itself left out."""
    if not folder.is_dir():
        return []
    return [
        path
        for path in folder.iterdir()
        if path.suffix.lower() in PHOTO_SUFFIXES
        and not path.name.startswith(".")
        and not path.stem.startswith(_OWN_PICTURES)
        and path.is_file()
    ]


def newest_photo(folder: BedFolder, *, again: bool = False) -> tuple[Path, Round | None] | None:
    """Choose the photo of a bed folder that is to be scored.

    The newest by the file's time of those that lie in the bed folder itself or in the folder of a
    round, and are not scored yet: photos that a scored round keeps, or has a copy of, are.

    Parameters
    ----------
    folder : BedFolder
    again : bool
        Take photos into account that are scored already.

    Returns
    -------
    (photo, round) or None
        The round is None for a photo in the bed folder itself: its markers tell. None if there is
        nothing to score.
    """
    candidates: list[tuple[Path, Round | None]] = [(p, None) for p in _photos_in(folder.path)]
    kept: list[Path] = []
    for round_ in folder.rounds():
        candidates += [(path, round_) for path in _photos_in(round_.path)]
        kept += round_.photos() if round_.scores_json.exists() else ()
    candidates.sort(key=lambda found: (found[0].stat().st_mtime_ns, found[0].name), reverse=True)
    new = (found for found in candidates if again or not _copied(found[0], kept))
    return next(new, None)


def _copied(photo: Path, kept: Sequence[Path]) -> bool:
    """Tell whether a photo is among those kept, byte by byte."""
    size = photo.stat().st_size
    return any(k.stat().st_size == size and k.read_bytes() == photo.read_bytes() for k in kept)


def score_newest(path: str, *, force: bool = False) -> Outcome:
    """Score the newest photo of one bed folder; whatever goes wrong is in the outcome.

    Parameters
    ----------
    path : str
        The bed folder.
    force : bool
        Score it anew if it is scored already.
    """
    begun = time.perf_counter()
    photo: Path | None = None
    try:
        folder = BedFolder(Path(path))
        with folder.lock():
            chosen = newest_photo(folder, again=force)
            if chosen is None:
                return Outcome(folder=path, state="skipped", summary="No new photo.")
            photo, round_ = chosen
            scored, done = score_round(folder, [photo], round_=round_, force=force)
        return Outcome(
            folder=path,
            state="scored",
            photo=str(photo),
            round=done.number,
            summary=summary(scored.score, scored.advice),
            on_target=sum(pad.verdict == "on target" for pad in scored.shown.pads),
            scores=scores_to_data(scored.score, scored.advice, **scored.context),
            seconds=time.perf_counter() - begun,
        )
    except Exception as error:  # one bed must not stop the others
        return _failed(path, error, photo, time.perf_counter() - begun)


def _failed(
    path: str, error: BaseException, photo: Path | None = None, seconds: float = 0.0
) -> Outcome:
    if isinstance(error, PadsheetError):
        refusal = error
    elif isinstance(error, OSError):
        refusal = access_error(error, path)
    else:
        refusal = PadsheetError(
            f"scoring broke off ({type(error).__name__}: {error})",
            remedy="Score this bed by itself to see more; free memory may be short.",
            code="batch-broken",
        )
    return Outcome(
        folder=path,
        state="failed",
        photo=None if photo is None else str(photo),
        summary=str(refusal),
        error={"problem": refusal.problem, "remedy": refusal.remedy, "code": refusal.code},
        seconds=seconds,
    )


def score_all(
    folders: Sequence[Path], *, force: bool = False, scheduler: str | None = None
) -> Iterator[Outcome]:
    """Score the newest photo of each bed folder; yield each outcome as soon as it is there.

    Parameters
    ----------
    folders : sequence of Path
        Bed folders.
    force : bool
        Score photos anew that are scored already.
    scheduler : str, optional
        Address of a Dask scheduler whose workers see the same files under the same paths, and have
        padsheet installed. This computer's cores otherwise.

    Raises
    ------
    PadsheetError
        If the cluster cannot be reached, or the library for it is missing.
    """
    paths = [str(folder.resolve()) for folder in folders]
    if scheduler is not None:
        yield from _on_cluster(paths, force, scheduler)
        return
    workers = min(usable_cores(), len(paths))
    if workers < 2:
        yield from (score_newest(path, force=force) for path in paths)
        return
    # A forked child may inherit a lock that a thread of the parent held.
    context = get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=one_thread) as pool:
        yield from _as_they_end(pool, paths, force)


def _as_they_end(pool: Executor, paths: Sequence[str], force: bool) -> Iterator[Outcome]:
    waiting: dict[Future[Outcome], str] = {
        pool.submit(score_newest, path, force=force): path for path in paths
    }
    for future in as_completed(waiting):
        error = future.exception()
        yield future.result() if error is None else _failed(waiting[future], error)


def _on_cluster(paths: Sequence[str], force: bool, scheduler: str) -> Iterator[Outcome]:
    try:
        from distributed import Client
        from distributed import as_completed as as_they_end
    except ImportError as error:
        raise PadsheetError(
            "a library that talks to clusters is missing",
            remedy="Install it: `pip install '.[cluster]'` in the folder of the project.",
            code="cluster-extra-missing",
        ) from error
    try:
        client = Client(scheduler, timeout=_CONNECT_SECONDS)
    except (OSError, ValueError) as error:
        raise PadsheetError(
            f"no Dask scheduler answers at {scheduler}",
            remedy="Check the address (such as tcp://192.168.0.5:8786), and that it runs.",
            code="cluster-unreachable",
        ) from error
    with client:
        # Not pure: the same call may find a newer photo. Not retried: it writes files.
        futures = client.map(partial(score_newest, force=force), paths, pure=False, retries=0)
        where = {future.key: path for future, path in zip(futures, paths, strict=True)}
        for ended in as_they_end(futures):
            broken = ended.exception()
            yield ended.result() if broken is None else _failed(where[ended.key], broken)
