"""A child process on a pseudo-terminal, and what its screen shows."""

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import termios
import time
from collections.abc import Callable, Sequence
from pathlib import Path

PATIENCE_S = 20.0

_TOKEN = re.compile(
    r"\x1b\[(?P<row>\d*);?(?P<column>\d*)H|\x1b\[[?>=]?[\d;]*[ -/]*[@-~]"
    r"|\x1b[PX^_\]].*?(?:\x1b\\|\x07)|\x1b.|(?P<end>[\r\n])|(?P<text>[^\x00-\x1f\x7f])",
    re.DOTALL,
)


def rows_of(written: str, width: int, height: int) -> list[str]:
    """Put what was written to a terminal where its cursor moves say; colours are dropped."""
    cells = [[" "] * width for _ in range(height)]
    row = column = 0
    for token in _TOKEN.finditer(written):
        if token["row"] is not None:
            row, column = int(token["row"] or 1) - 1, int(token["column"] or 1) - 1
        elif token["end"]:
            row, column = (row + 1, column) if token["end"] == "\n" else (row, 0)
        elif token["text"]:
            if row < height and column < width:
                cells[row][column] = token["text"]
            column += 1
    return ["".join(line).rstrip() for line in cells]


class Terminal:
    """A child process on a terminal of its own."""

    def __init__(
        self,
        command: Sequence[str],
        home: Path,
        *,
        width: int = 80,
        height: int = 24,
        stderr: int | None = None,
    ) -> None:
        """Start `command`; what it keeps from run to run it keeps under `home`."""
        self.width, self.height = width, height
        self.master, self.slave = pty.openpty()
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))
        self.before = termios.tcgetattr(self.slave)
        self.seen = b""
        environment = {**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"}
        environment.pop("NO_COLOR", None)
        environment |= {"XDG_STATE_HOME": str(home), "XDG_DATA_HOME": str(home)}
        self.child = subprocess.Popen(
            list(command),
            stdin=self.slave,
            stdout=self.slave,
            stderr=self.slave if stderr is None else stderr,
            env=environment,
            start_new_session=True,
        )

    @property
    def screen(self) -> list[str]:
        """What stands on the screen now."""
        return rows_of(self.seen.decode("utf-8", "replace"), self.width, self.height)

    def wait_until(
        self, true_of: Callable[[list[str]], object], patience_s: float = PATIENCE_S
    ) -> list[str]:
        """Read until `true_of` the screen; return that screen."""
        deadline_s = time.monotonic() + patience_s
        while not true_of(screen := self.screen):
            assert time.monotonic() < deadline_s, "not so: \n" + "\n".join(screen)
            alive = self.child.poll() is None
            assert self.read(0.1) or alive, "it ended: \n" + "\n".join(screen)
        return screen

    def wait_for(self, text: str, patience_s: float = PATIENCE_S) -> list[str]:
        """Read until `text` stands on the screen."""
        return self.wait_until(lambda rows: any(text in row for row in rows), patience_s)

    def end(self) -> int:
        """Read until the child has ended; return its exit code."""
        deadline_s = time.monotonic() + PATIENCE_S
        while self.child.poll() is None:
            assert time.monotonic() < deadline_s, "the screen does not end"
            self.read(0.05)
        while self.read(0.0):
            pass
        return self.child.returncode

    def type(self, keys: bytes) -> None:
        """Press keys."""
        os.write(self.master, keys)

    def close(self) -> None:
        """End the child if need be and give the terminal back."""
        if self.child.poll() is None:
            self.child.kill()
            self.child.wait()
        os.close(self.slave)
        os.close(self.master)

    def read(self, timeout_s: float) -> bool:
        """Take what the child has written; tell whether there was anything."""
        if not select.select([self.master], [], [], timeout_s)[0]:
            return False
        self.seen += os.read(self.master, 65536)
        return True
