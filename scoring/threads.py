"""How many cores there are, and leaving them to others."""

from __future__ import annotations

import os

import cv2

__all__ = ["one_thread", "usable_cores"]


def usable_cores() -> int:
    """Return the number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def one_thread() -> None:
    """Read photos with one thread from now on: where each core already has its own photo."""
    cv2.setNumThreads(1)
