"""Servers as child processes: started, killed, paused, and ended with the tests in any case.

`server_watcher_program` ends those that are left when the process of the tests has ended.
"""

import atexit
import contextlib
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable
from functools import cache
from itertools import count
from pathlib import Path

import psutil
from load_kit import wait_until

NOT_INSTALLED = "a server is not installed: "
"""How the reason of a test begins that was skipped for want of a server."""
HOST = "127.0.0.1"
START_S = 30.0
"""Longest start of a server, on a busy machine."""

numbers = count(1)
"""Numbers for names that no other server or database of this process has."""
closed_at_end = contextlib.ExitStack()
"""What is closed when the process of the tests ends in order."""


class Server:
    """A server as a child process, in its folder and on its port.

    Args:
        words: its command line.
        folder: where it writes its log.
        port: on which it listens.
        answers: returns whether it takes clients.
        end_signal: ends it in order.
        user: name of the account that it runs as; None is the account of the tests.
        log: name of its log.
    """

    def __init__(
        self,
        words: list[str],
        folder: Path,
        port: int,
        answers: Callable[[], bool],
        *,
        end_signal: signal.Signals = signal.SIGTERM,
        user: str | None = None,
        log: str = "server",
    ) -> None:
        self.port = port
        self.folder = folder
        self.log = folder / f"{log}.log"
        self._words, self._answers, self._end_signal, self._user = words, answers, end_signal, user
        self._note = servers_folder() / f"{next(numbers)}.pid"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, also once more after it has ended, and wait until it takes clients.

        Raises:
            RuntimeError: it ended instead; the text has the end of its log.
        """
        assert self._process is None, "it is running"
        account = {"user": self._user, "group": self._user, "extra_groups": []}
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                self._words, stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=self.folder,
                start_new_session=True, **(account if self._user else {}),
            )  # fmt: skip
        self._note.write_text(f"{self._process.pid} {int(self._end_signal)}", "ascii")
        wait_until(lambda: self._answers() or self._has_ended(), START_S)
        if self._has_ended() or not self._answers():
            self.kill()
            raise RuntimeError(f"{self._words[0]} did not start: {self.end_of_log()}")

    @property
    def is_running(self) -> bool:
        """Whether it has been started, and has neither ended nor been ended."""
        return self._process is not None and not self._has_ended()

    @property
    def process(self) -> int:
        """Number of its first process."""
        assert self._process is not None, "it is not running"
        return self._process.pid

    @property
    def cpu_s(self) -> float:
        """Seconds of processor time of all its processes since its last start."""
        mine, *children = self._all_processes()
        times = mine.cpu_times()
        total_s = times.user + times.system + times.children_user + times.children_system
        for child in children:
            with contextlib.suppress(psutil.NoSuchProcess):
                total_s += sum(child.cpu_times()[:2])
        return total_s

    def kill(self) -> None:
        """Kill all its processes at once by signal 9."""
        self._send(signal.SIGKILL)
        self._wait()

    def stop(self) -> None:
        """End it in order; nothing happens when it has ended."""
        self._send(self._end_signal)
        self.resume()
        self._wait()

    def pause(self) -> None:
        """Let its processes stand still: the port is open, and nothing is answered."""
        self._send(signal.SIGSTOP)

    def resume(self) -> None:
        """Let its processes go on."""
        self._send(signal.SIGCONT)

    def _send(self, number: signal.Signals) -> None:
        for process in self._all_processes() if self.is_running else []:
            if number is not self._end_signal or process.pid == self.process:
                with contextlib.suppress(psutil.NoSuchProcess):
                    process.send_signal(number)

    def _wait(self) -> None:
        if self._process is not None:
            try:
                self._process.wait(START_S)
            finally:
                self._process.kill()
                self._process.wait()
                self._process = None
                self._note.unlink(missing_ok=True)

    def _all_processes(self) -> list[psutil.Process]:
        first = psutil.Process(self.process)
        return [first, *first.children(recursive=True)]

    def _has_ended(self) -> bool:
        return self._process is not None and self._process.poll() is not None

    def end_of_log(self) -> str:
        """Return the last lines that it wrote."""
        return "".join(self.log.read_text("utf-8", "replace").splitlines(keepends=True)[-8:])


@cache
def servers_folder() -> Path:
    """Return the folder of this process's servers; it goes when they end."""
    folder = Path(tempfile.mkdtemp(prefix="benchwatch_servers_"))
    folder.chmod(0o711)  # PostgreSQL passes through it as another user
    program = Path(__file__).with_name("server_watcher_program.py")
    watcher = subprocess.Popen(
        [sys.executable, "-I", "-S", str(program), str(folder)],
        stdin=subprocess.PIPE, start_new_session=True,
    )  # fmt: skip
    mine = os.getpid()

    def end() -> None:
        if os.getpid() == mine:
            closed_at_end.close()
            assert watcher.stdin is not None
            watcher.stdin.close()
            watcher.wait()

    atexit.register(end)
    return folder
