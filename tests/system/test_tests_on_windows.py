"""On Windows the files of tests that can't be loaded there are left out, and no others."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from posix_kit import POSIX_MODULES, posix_only

TESTS = Path(__file__).parents[1]
pytestmark = pytest.mark.long


def test_files_that_use_terminals_are_left_out() -> None:
    """Those of the terminal directly or by a kit; those of the numbers stay."""
    left_out = {path.relative_to(TESTS).as_posix() for path in posix_only(TESTS)}

    assert "screen/terminal/test_screen_terminal.py" in left_out
    assert "system/test_terminal_modes.py" in left_out
    assert "bus/test_file_wire.py" in left_out
    assert not {name for name in left_out if name.startswith(("estimate/", "quantity/"))}
    assert len(left_out) < len([*TESTS.rglob("test_*.py")]) / 3


def test_the_others_are_collected_without_modules_of_posix(tmp_path: Path) -> None:
    """All other files are loaded where these modules are missing, and it is said."""
    (tmp_path / "without_posix.py").write_text(
        "import asyncio, psutil, serial, subprocess, sys, textual.app\n"
        "import textual.drivers.linux_driver\n"
        f"for name in {sorted(POSIX_MODULES)!r}:\n    sys.modules[name] = None\n"
    )
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "--collect-only", "-p", "without_posix",
         "-n", "0", "-W", "default", str(TESTS)],
        capture_output=True,
        text=True,
        cwd=TESTS.parent,
        env=os.environ | {"PYTHONPATH": str(tmp_path)},
    )  # fmt: skip

    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]
    assert "left out" in done.stdout
