"""How many cores there are, sharing work among them, and leaving them to others."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from importlib import import_module
from typing import TypeVar

import cv2

__all__ = ["import_ahead", "in_threads", "one_thread", "usable_cores", "workers"]

Item = TypeVar("Item")
Result = TypeVar("Result")

# Python itself runs in one thread at a time: more of them would wait for each other.
_MOST_THREADS = 2
_limit = [_MOST_THREADS]


def usable_cores() -> int:
    """Return the number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def one_thread() -> None:
    """Read photos with one thread from now on: where each core already has its own photo."""
    cv2.setNumThreads(1)
    _limit[0] = 1


def workers() -> int:
    """Return the number of threads that share work here."""
    return min(_limit[0], usable_cores())


def import_ahead(name: str) -> None:
    """Begin to import a module in the background; an import of it waits for the rest.

    Worth it where a photo is waited for, or OpenCV works for long without Python's lock.
    """
    threading.Thread(target=import_module, args=(name,), daemon=True).start()


def in_threads(function: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
    """Return the function's results in the order of the items; the first error is raised.

    Worth it for steps of NumPy and OpenCV on arrays that each take a tenth of a millisecond.
    """
    threads = min(workers(), len(items))
    if threads < 2:
        return [function(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(function, items))
