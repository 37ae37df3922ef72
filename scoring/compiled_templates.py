"""Keeping compiled templates where Python keeps compiled modules, for they take long to compile."""

from __future__ import annotations

import sys
from contextlib import suppress
from importlib.util import cache_from_source
from pathlib import Path

from jinja2 import FileSystemBytecodeCache
from jinja2.bccache import Bucket

__all__ = ["CompiledTemplates"]


class CompiledTemplates(FileSystemBytecodeCache):
    """Compiled templates in the ``__pycache__`` of their folder.

    Where that cannot be written, or Python is told not to write there, they are compiled anew.

    Parameters
    ----------
    folder : Path
        Where the templates lie.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(str(Path(cache_from_source(str(folder / "template.py"))).parent))

    def load_bytecode(self, bucket: Bucket) -> None:
        """Read a template's code, if it is there."""
        with suppress(OSError):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep a template's code."""
        if sys.dont_write_bytecode:
            return
        with suppress(OSError):
            Path(self.directory).mkdir(parents=True, exist_ok=True)
            super().dump_bytecode(bucket)
