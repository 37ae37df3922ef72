"""The process in which an uploaded photo is decoded and scored, under limits of its own.

Run as ``python -m padsheet.cli.phone_child MEMORY_MB CPU_SECONDS ARGUMENT...``; the arguments are
those of the `padsheet` command.
"""

from __future__ import annotations

import sys

__all__ = ["limit_process", "main"]

LARGEST_FILE_MB = 400


def limit_process(memory_mb: int, cpu_s: int) -> bool:
    """Bound this process's memory, processor time and files; tell whether the system can.

    Parameters
    ----------
    memory_mb : int
        Largest address space, in binary megabytes.
    cpu_s : int
        Most seconds of processor time, all threads together.

    Returns
    -------
    bool
        False on systems without such limits, where only the caller's time limit holds.
    """
    try:
        import resource
    except ImportError:
        return False
    limits = {
        resource.RLIMIT_AS: memory_mb * 2**20,
        resource.RLIMIT_CPU: cpu_s,
        resource.RLIMIT_FSIZE: LARGEST_FILE_MB * 2**20,
        resource.RLIMIT_CORE: 0,
    }
    for kind, most in limits.items():
        _, hard = resource.getrlimit(kind)
        bound = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(kind, (bound, bound))
    return True


def main(arguments: list[str]) -> None:
    """Set the limits, then run the command."""
    limit_process(int(arguments[0]), int(arguments[1]))
    from padsheet.cli.main import main as padsheet

    padsheet(arguments[2:], prog_name="padsheet")


if __name__ == "__main__":
    main(sys.argv[1:])
