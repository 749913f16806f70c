"""A child process on a pseudo-terminal, and the text on its screen."""

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import termios
import time
from codecs import getincrementaldecoder
from collections.abc import Callable, Sequence
from pathlib import Path

from load_kit import LONGEST_WAIT_S

MADE_OSCILLATOR = Path(__file__).with_name("made_oscillator_program.py")
"""The program that shows a made oscillator on the screen."""
_TOKEN = re.compile(
    r"\x1b\[(?P<row>\d*);?(?P<column>\d*)H|\x1b\[[?>=]?[\d;]*[ -/]*[@-~]"
    r"|\x1b[PX^_\]].*?(?:\x1b\\|\x07)|\x1b.|(?P<end>[\r\n])|(?P<text>[^\x00-\x1f\x7f]+)",
    re.DOTALL,
)
_BEGUN = re.compile(r"\x1b(?:\[[?>=]?[\d;]*[ -/]*|[PX^_\]][^\x07\x1b]*\x1b?)?\Z")
"""The beginning of an escape sequence, at the end of the text."""


class Cells:
    """The cells of a terminal after what was written to it; cursor moves count, colours do not."""

    def __init__(self, width: int, height: int) -> None:
        self._width, self._cells = width, [[" "] * width for _ in range(height)]
        self._row = self._column = 0
        self._decode = getincrementaldecoder("utf-8")("replace").decode
        self._begun = ""

    def write(self, written: bytes) -> None:
        """Write further bytes; they may end in the middle of a character or an escape sequence."""
        text = self._begun + self._decode(written)
        begun = _BEGUN.search(text)
        whole = len(text) if begun is None else begun.start()
        self._begun = text[whole:]
        for token in _TOKEN.finditer(text, 0, whole):
            if token["row"] is not None:
                self._row, self._column = int(token["row"] or 1) - 1, int(token["column"] or 1) - 1
            elif token["end"] == "\n":
                self._row += 1
            elif token["end"]:
                self._column = 0
            elif token["text"]:
                self._put(token["text"])

    def rows(self) -> list[str]:
        """Return the rows without the blanks at their ends."""
        return ["".join(line).rstrip() for line in self._cells]

    def _put(self, text: str) -> None:
        if self._row < len(self._cells) and self._column < self._width:
            fits = text[: self._width - self._column]
            self._cells[self._row][self._column : self._column + len(fits)] = fits
        self._column += len(text)


def rows_of(written: str, width: int, height: int) -> list[str]:
    """Return what a terminal shows after all of `written`."""
    cells = Cells(width, height)
    cells.write(written.encode())
    return cells.rows()


class Terminal:
    """A child process on a terminal of its own."""

    def __init__(
        self,
        command: Sequence[str],
        home: Path,
        *,
        width: int = 80,
        height: int = 24,
        stdin: int | None = None,
        stderr: int | None = None,
    ) -> None:
        """Start `command`, which keeps its state and its data under `home`."""
        self.master, self.slave = pty.openpty()
        self._descriptors = [self.slave, self.master]
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))
        self.before = termios.tcgetattr(self.slave)
        self._cells = Cells(width, height)
        self._seen: list[bytes] = []
        environment = {**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"}
        for name in ("NO_COLOR", "COLUMNS", "LINES"):  # these would change its colours or its size
            environment.pop(name, None)
        environment |= {"XDG_STATE_HOME": str(home), "XDG_DATA_HOME": str(home)}
        self.child = subprocess.Popen(
            list(command),
            stdin=self.slave if stdin is None else stdin,
            stdout=self.slave,
            stderr=self.slave if stderr is None else stderr,
            env=environment,
            start_new_session=True,
        )

    @property
    def seen(self) -> bytes:
        """All that was written to the terminal."""
        return b"".join(self._seen)

    @property
    def screen(self) -> list[str]:
        """The rows on the screen now."""
        return self._cells.rows()

    def wait_until(
        self, true_of: Callable[[list[str]], object], longest_wait_s: float = LONGEST_WAIT_S
    ) -> list[str]:
        """Read until `true_of(rows)` of the screen is true; return these rows."""
        deadline_s = time.monotonic() + longest_wait_s
        while not true_of(screen := self.screen):
            assert time.monotonic() < deadline_s, "not so: \n" + "\n".join(screen)
            alive = self.child.poll() is None
            assert self.read(0.1) or alive, "it ended: \n" + "\n".join(screen)
        return screen

    def wait_for(self, text: str, longest_wait_s: float = LONGEST_WAIT_S) -> list[str]:
        """Read until `text` is on the screen; return its rows."""
        return self.wait_until(lambda rows: any(text in row for row in rows), longest_wait_s)

    def end(self) -> int:
        """Read until the child has ended; return its exit code."""
        deadline_s = time.monotonic() + LONGEST_WAIT_S
        while self.child.poll() is None:
            assert time.monotonic() < deadline_s, "the screen does not end"
            self.read(0.05)
        while self.read(0.0):
            pass
        return self.child.returncode

    def type(self, keys: bytes) -> None:
        """Press keys."""
        os.write(self.master, keys)

    def waiting(self) -> int:
        """Return how many bytes of the child's output are not read yet."""
        (count,) = struct.unpack("i", fcntl.ioctl(self.master, termios.FIONREAD, b"\0" * 4))
        return int(count)

    def modes(self) -> list[int | list[bytes | int]]:
        """Return the terminal's present settings; `before` holds those before the start."""
        return termios.tcgetattr(self.slave)

    def vanish(self) -> None:
        """Close the terminal while the child has it open."""
        while self._descriptors:
            os.close(self._descriptors.pop())

    def close(self) -> None:
        """Kill the child if it still runs, and close the terminal."""
        if self.child.poll() is None:
            self.child.kill()
            self.child.wait()
        self.vanish()

    def read(self, timeout_s: float) -> bool:
        """Read the child's output, waiting up to `timeout_s`; return whether there was any."""
        if not select.select([self.master], [], [], timeout_s)[0]:
            return False
        written = os.read(self.master, 65536)
        self._seen.append(written)
        self._cells.write(written)
        return True
