"""What a command imports before it begins: the start-up that every run pays for."""

from __future__ import annotations

import os
import re
import subprocess
import sys

import pytest

from padsheet.cli.main import COMMANDS

SLOW = ("scipy", "skimage", "flask", "serial", "dask", "distributed", "pillow_heif")


def imported_by(statement: str) -> set[str]:
    """Return the top packages that a fresh interpreter holds after a statement."""
    code = (
        f"{statement}; import sys; "
        "print(*{name.split('.')[0] for name in sys.modules}, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


def test_help_needs_no_arrays_and_no_pictures() -> None:
    loaded = imported_by("from padsheet.cli.main import main; main(['--help'], standalone_mode=0)")
    assert "click" in loaded
    assert not loaded & {"numpy", "cv2", "PIL", "jinja2", *SLOW}


def test_score_begins_to_decode_before_the_rest_is_imported() -> None:
    loaded = imported_by("import padsheet.cli.score")
    assert not loaded & {"numpy", "jinja2", *SLOW}


@pytest.mark.parametrize("module", ["score_one", "sheet"])
def test_a_command_imports_only_what_it_needs(module: str) -> None:
    """SciPy takes as long to import as all else together; only rare paths need it."""
    loaded = imported_by(f"import padsheet.cli.{module}")
    assert "numpy" in loaded
    assert not loaded & set(SLOW)


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_of_commands_imports_none_of_them(shell: str) -> None:
    code = (
        "import sys\n"
        "from padsheet.cli.main import main\n"
        "try:\n    main(prog_name='padsheet')\n"
        "finally:\n    print(*sys.modules, file=sys.stderr)"
    )
    word = {"COMP_WORDS": "padsheet s", "COMP_CWORD": "s" if shell == "fish" else "1"}
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, **word, "_PADSHEET_COMPLETE": f"{shell}_complete"},
        capture_output=True,
        text=True,
        check=True,
    )
    told = [name for name in COMMANDS if re.search(rf"(?m)^(plain,)?{name}(\t.*)?$", done.stdout)]
    assert told == [name for name in COMMANDS if name.startswith("s")]
    if shell != "bash":  # which shows no descriptions
        assert COMMANDS["score"] in done.stdout
    loaded = set(done.stderr.split())
    assert "padsheet.cli.main" in loaded
    assert not loaded & {"numpy", "padsheet.cli.score", "padsheet.cli.sheet"}
