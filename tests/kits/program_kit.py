"""The program as a process of its own: started, run to its end, or read line by line."""

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any, Self

from line_schema_kit import held
from load_kit import LONGEST_WAIT_S

PROGRAM = "from benchwatch.cli import main; main()"
"""The program for ``python -c``; a test may put code that changes it before this."""
COMMAND = (sys.executable, "-m", "benchwatch.cli")


def start_program(*arguments: str, **environ: str) -> "subprocess.Popen[str]":
    """Start the program with its output on pipes; `environ` are environment variables."""
    return subprocess.Popen(
        [*COMMAND, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | environ,
    )


def run_program(*arguments: str, **environ: str) -> "subprocess.CompletedProcess[str]":
    """Run the program to its end; `environ` are environment variables."""
    return subprocess.run(
        [*COMMAND, *arguments],
        capture_output=True,
        text=True,
        timeout=2 * LONGEST_WAIT_S,
        env=os.environ | environ,
    )


def start_python(code: str, *arguments: str) -> "subprocess.Popen[str]":
    """Start a Python process that runs `code`, with its output on pipes."""
    return subprocess.Popen(
        [sys.executable, "-c", code, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


class Watching:
    """One ``watch --json`` in a process of its own; its output is read as it comes.

    Args:
        resource: arguments of ``watch``, such as the resource.
        journal: the journal's file; None leaves the option out.
        options: further command-line options.
        environ: environment variables to change.
    """

    def __init__(
        self, *resource: str, journal: Path | None, options: tuple[str, ...] = (), **environ: str
    ) -> None:
        where = () if journal is None else ("--journal", str(journal))
        words = ("watch", *resource, "--nominal", "10MHz", "--json", *where, *options)
        self.process = subprocess.Popen(
            [*COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env=os.environ | environ,
        )  # fmt: skip
        self._changed = threading.Condition()
        self._open_streams = 2
        self._lines: list[str] = []
        self._narration: list[str] = []
        self._threads = [
            threading.Thread(target=self._read, args=pair, daemon=True)
            for pair in ((self.process.stdout, self._lines), (self.process.stderr, self._narration))
        ]
        for thread in self._threads:
            thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.end(0)

    @property
    def lines(self) -> list[dict[str, Any]]:
        """All complete JSON lines so far."""
        return [held(json.loads(line)) for line in list(self._lines) if line.endswith("\n")]

    @property
    def shown(self) -> list[float]:
        """The frequencies on the lines of readings so far."""
        return [line["frequency_hz"] for line in self.lines if line["kind"] == "reading"]

    @property
    def narration(self) -> str:
        """Its narration on standard error so far."""
        return "".join(self._narration)

    def wait_for_lines(self, count: int) -> None:
        """Wait until it has written `count` lines in all."""
        with self._changed:
            enough = self._changed.wait_for(
                lambda: len(self._lines) >= count or self._over, LONGEST_WAIT_S
            )
        assert enough, self.narration
        assert len(self._lines) >= count, self.narration

    def wait_for_more(self, more: int) -> None:
        """Wait until it has written `more` further lines."""
        self.wait_for_lines(len(self._lines) + more)

    def wait_for_narration(self, words: str, times: int = 1) -> None:
        """Wait until its narration holds `words` at least `times` times."""
        with self._changed:
            self._changed.wait_for(
                lambda: self.narration.count(words) >= times or self._over, LONGEST_WAIT_S
            )
        assert self.narration.count(words) >= times, self.narration

    def end(self, number: int = signal.SIGINT) -> int:
        """Send a signal (0: none), read the output to its end, and return the exit code."""
        if number:
            self.process.send_signal(number)
        code = self.process.wait(LONGEST_WAIT_S)
        for thread in self._threads:
            thread.join(LONGEST_WAIT_S)
        return code

    @property
    def _over(self) -> bool:
        return not self._open_streams

    def _read(self, stream: Any, into: list[str]) -> None:
        with stream:
            for line in stream:
                with self._changed:
                    into.append(line)
                    self._changed.notify_all()
        with self._changed:
            self._open_streams -= 1
            self._changed.notify_all()
