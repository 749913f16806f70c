"""Runs many command lines of the program, such as one for each made file, in one child process.

For each command line, the child reports the output and the exit code.
"""

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from line_schema_kit import held

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
    """Exit code and output of one command line."""

    code: object
    """The exit code; ``traceback`` where an exception left the program."""
    out: str
    narration: str

    @property
    def lines(self) -> list[dict[str, object]]:
        """The JSON lines on standard output."""
        return [held(json.loads(line)) for line in self.out.splitlines()]

    @property
    def readings(self) -> list[dict[str, object]]:
        """The JSON lines of readings."""
        return [line for line in self.lines if line["kind"] == "reading"]


def run_each(commands: list[list[str]]) -> list[Outcome]:
    """Run each command line in one child process; return the outcomes in the same order."""
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
    """Write `content` to a file and return its path."""
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return str(path)
