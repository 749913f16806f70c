"""The checks described for other computers are those of this program, and ask for no secrets."""

import re
import tomllib
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
CHECKS = TOP / ".github" / "workflows" / "checks.yml"
pytestmark = pytest.mark.skipif(not CHECKS.exists(), reason="a source distribution has no checks")


def test_each_system_and_python_is_checked() -> None:
    """Linux, macOS and Windows, with each Python from the lowest that is declared."""
    yaml = pytest.importorskip("yaml")
    jobs = yaml.safe_load(CHECKS.read_text("utf-8"))["jobs"]
    matrix = jobs["tests"]["strategy"]["matrix"]
    declared = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["project"]

    assert matrix["system"] == ["ubuntu-latest", "macos-latest", "windows-latest"]
    assert matrix["python"][0] == declared["requires-python"].removeprefix(">=")
    assert jobs["types"]["strategy"]["matrix"]["platform"] == ["linux", "darwin", "win32"]
    assert all("timeout-minutes" in job for job in jobs.values())


def test_it_runs_what_is_run_here() -> None:
    """The whole set of checks is the one command of this project."""
    text = CHECKS.read_text("utf-8")

    assert "run: .ci/run" in text
    assert (TOP / ".ci" / "run").stat().st_mode & 0o100


def test_it_may_read_only_and_pins_by_major_version() -> None:
    """No secret is named, nothing may be written, and no further rights are asked for."""
    text = CHECKS.read_text("utf-8")

    assert "secrets" not in text
    assert re.findall(r"^permissions:\n((?:  .*\n)+)", text, re.MULTILINE) == ["  contents: read\n"]
    assert set(re.findall(r"uses: \S+@(\S+)", text)) <= {"v4", "v5"}
