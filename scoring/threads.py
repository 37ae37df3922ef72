"""How many threads a photo is read with, and running a function over them."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import cv2

__all__ = ["in_threads", "one_thread", "thread_count", "usable_cores"]

Item = TypeVar("Item")
Result = TypeVar("Result")

_MOST_THREADS = 8
_limit = [_MOST_THREADS]


def usable_cores() -> int:
    """Return the number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def thread_count() -> int:
    """Return the number of threads that one photo is read with."""
    return min(_limit[0], usable_cores())


def one_thread() -> None:
    """Read photos with one thread from now on: where each core already has its own photo."""
    _limit[0] = 1
    cv2.setNumThreads(1)


def in_threads(function: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
    """Return the function's results in the order of the items; the first error is raised.

    Worth it for work that is done in NumPy and OpenCV, which let other threads run meanwhile.
    """
    workers = min(thread_count(), len(items))
    if workers < 2:
        return [function(item) for item in items]
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(function, items))
