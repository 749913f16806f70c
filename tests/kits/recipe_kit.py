"""A copy of the program that a recipe changes, to test that the addition works."""

import os
import shutil
import subprocess
import sys
from collections.abc import Iterable
from importlib.util import find_spec
from pathlib import Path

from program_kit import PROGRAM

PACKAGES = {
    "benchwatch": ".",
    "benchwatch_drivers": "drivers",
    "benchwatch_simulators": "simulators",
}
"""The import packages, wherever they are installed, and their folders in the copy."""
SOURCE_ROOTS = tuple(PACKAGES.values())
LONGEST_WAIT_S = 120.0


class ProgramCopy:
    """The three packages in a folder of their own, and the files that a recipe touched in it.

    Paths are relative to the checkout: ``benchwatch/quantity/units.py``.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.touched: set[str] = set()
        for package, root in PACKAGES.items():
            found = find_spec(package)
            assert found is not None
            assert found.origin is not None
            shutil.copytree(
                Path(found.origin).parent,
                folder / root / package,
                ignore=shutil.ignore_patterns("__pycache__"),
            )

    def add(self, path: str, text: str) -> None:
        """Write a new file."""
        file = self.folder / path
        assert not file.exists(), f"{path} is there already"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8")
        self.touched.add(path)

    def edit(self, path: str, old: str, new: str) -> None:
        """Replace a passage that occurs once in a file."""
        file = self.folder / path
        text = file.read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{path} holds {text.count(old)} times: {old}"
        file.write_text(text.replace(old, new), encoding="utf-8")
        self.touched.add(path)

    def program(self, *arguments: str, **more: str) -> "subprocess.CompletedProcess[str]":
        """Run the copy's `benchwatch` with arguments; `more` are environment variables."""
        return self._run(["-c", PROGRAM, *arguments], more)

    def python(self, code: str, **more: str) -> str:
        """Run code that imports the copy; check the exit code, return the standard output."""
        done = self._run(["-c", code], more)
        assert done.returncode == 0, done.stderr
        return done.stdout

    def environment(self, more: dict[str, str] | None = None) -> dict[str, str]:
        """Return an environment in which Python imports the copy and reads no file of the user."""
        paths = os.pathsep.join(str(self.folder / root) for root in SOURCE_ROOTS)
        home = {
            "HOME": str(self.folder),
            "XDG_CONFIG_HOME": str(self.folder / "config"),
            "XDG_DATA_HOME": str(self.folder / "data"),
            "XDG_STATE_HOME": str(self.folder / "state"),
        }
        return {**os.environ, **home, "PYTHONPATH": paths, **(more or {})}

    def _run(
        self, arguments: Iterable[str], more: dict[str, str]
    ) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            [sys.executable, *arguments],
            cwd=self.folder,
            env=self.environment(more),
            capture_output=True,
            text=True,
            timeout=LONGEST_WAIT_S,
        )
