"""Watches as real processes, and a journal as plain SQLite finds it: no code of the product."""

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any, Self

WAIT_S = 60.0
"""Longest wait for anything, on a busy machine."""
COMMAND = (sys.executable, "-c", "from benchwatch.cli import main; main()")


class Watching:
    """One ``watch --json`` in a process of its own; its output is read as it comes.

    Args:
        resource: what it watches, or the first words of another command.
        journal: the file it keeps its readings in; None leaves the option out.
        options: further words.
        environ: what is different in its environment.
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
        self._said: list[str] = []
        self._threads = [
            threading.Thread(target=self._read, args=pair, daemon=True)
            for pair in ((self.process.stdout, self._lines), (self.process.stderr, self._said))
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
        """All whole lines so far."""
        return [json.loads(line) for line in list(self._lines) if line.endswith("\n")]

    @property
    def shown(self) -> list[float]:
        """The frequencies on its lines."""
        return [line["frequency_hz"] for line in self.lines if line["kind"] == "reading"]

    @property
    def said(self) -> str:
        """Its narration on standard error so far."""
        return "".join(self._said)

    def wait_for_lines(self, count: int) -> None:
        """Wait until it has written so many lines in all."""
        with self._changed:
            enough = self._changed.wait_for(lambda: len(self._lines) >= count or self._over, WAIT_S)
        assert enough, self.said
        assert len(self._lines) >= count, self.said

    def wait_for_more(self, more: int) -> None:
        """Wait until it has written so many lines more."""
        self.wait_for_lines(len(self._lines) + more)

    def wait_until_said(self, words: str, times: int = 1) -> None:
        """Wait until its narration has these words so many times."""
        with self._changed:
            self._changed.wait_for(lambda: self.said.count(words) >= times or self._over, WAIT_S)
        assert self.said.count(words) >= times, self.said

    def end(self, number: int = signal.SIGINT) -> int:
        """Send a signal (0: none), read all that is left, and return the exit code."""
        if number:
            self.process.send_signal(number)
        code = self.process.wait(WAIT_S)
        for thread in self._threads:
            thread.join(WAIT_S)
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


def run(*words: str, **environ: str) -> "subprocess.CompletedProcess[str]":
    """Run a command of the product to its end."""
    return subprocess.run(
        [*COMMAND, *words], capture_output=True, text=True, timeout=120, check=False,
        env=os.environ | environ,
    )  # fmt: skip


def ask(path: Path, query: str) -> list[tuple[Any, ...]]:
    """Ask the journal as any program with SQLite would, changing nothing."""
    there = f"{path.absolute().as_uri()}?mode=ro"
    with contextlib.closing(sqlite3.connect(there, uri=True, timeout=10)) as reader:
        return reader.execute(query).fetchall()


def kept(path: Path) -> list[float]:
    """Return the frequencies of all readings in the journal, in ascending order."""
    return sorted(float(text) for (text,) in ask(path, "SELECT text FROM readings"))


def copy(source: Path, to: Path) -> None:
    """Copy a file as another program does: opened here, it would lose the locks on it (POSIX)."""
    subprocess.run(["cp", str(source), str(to)], check=True)


def gaps_in(path: Path) -> int:
    """Count the gaps in the journal: a busy machine makes some."""
    ((count,),) = ask(path, "SELECT count(*) FROM gaps")
    return int(count)


def check_sound(path: Path) -> None:
    """See that SQLite itself finds nothing wrong (``PRAGMA integrity_check``)."""
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]
