"""Runs the program on many made files in one process of its own, which shares nothing with it.

The child calls the command line once a file and reports what each call wrote and how it ended.
"""

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

CHILD = """
import contextlib, io, json, sys, traceback
from benchwatch.cli import run
for line in sys.stdin:
    out, narration = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(narration):
        try:
            code = run(json.loads(line))
        except BaseException:
            code = "traceback"
            traceback.print_exc()
    print(json.dumps([code, out.getvalue(), narration.getvalue()]), flush=True)
"""


@dataclass(frozen=True)
class Outcome:
    """How one call ended."""

    code: object
    """The exit code; ``traceback`` where an exception came through."""
    out: str
    narration: str

    @property
    def lines(self) -> list[dict[str, object]]:
        """The JSON lines on standard output."""
        return [json.loads(line) for line in self.out.splitlines()]

    @property
    def readings(self) -> list[dict[str, object]]:
        """Those of readings."""
        return [line for line in self.lines if line["kind"] == "reading"]


def run_each(commands: list[list[str]]) -> list[Outcome]:
    """Run each command line."""
    done = subprocess.run(
        [sys.executable, "-c", CHILD],
        input="".join(json.dumps(command) + "\n" for command in commands),
        capture_output=True, text=True, timeout=100, check=True,
    )  # fmt: skip
    return [Outcome(*json.loads(line)) for line in done.stdout.splitlines()]


def run_one(*command: str) -> Outcome:
    """Run one command line."""
    (outcome,) = run_each([list(command)])
    return outcome


def write(path: Path, content: str | bytes) -> str:
    """Put `content` into a file and return its path."""
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return str(path)
