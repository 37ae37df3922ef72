"""Keeping compiled templates where Python keeps compiled modules, for they take long to compile."""

from __future__ import annotations

import sys
from importlib.util import cache_from_source
from pathlib import Path

from jinja2 import BytecodeCache
from jinja2.bccache import Bucket

from padsheet.patterns.files import write_atomic

__all__ = ["CompiledTemplates"]


class CompiledTemplates(BytecodeCache):
    """Compiled templates in the ``__pycache__`` of their folder.

    Jinja2 itself takes none that was compiled from another text or by another version. Where the
    folder cannot be written, or Python is told not to write there, templates are compiled anew.

    Parameters
    ----------
    folder : Path
        Where the templates lie.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def _path(self, bucket: Bucket) -> Path:
        return Path(cache_from_source(str(self._folder / f"template-{bucket.key}.py")))

    def load_bytecode(self, bucket: Bucket) -> None:
        """Read a template's code, if it is there."""
        try:
            code = self._path(bucket).read_bytes()
        except OSError:
            return
        bucket.bytecode_from_string(code)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep a template's code."""
        if sys.dont_write_bytecode:
            return
        path = self._path(bucket)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(path, bucket.bytecode_to_string())
        except OSError:
            return
