"""Reads typed lines from standard input: from a terminal, where it prompts, or from a pipe or file.

A wrong line is named in a sentence, and asked for again where somebody can type it again. One that
may be cut is asked for again too; in a pipe or file it is taken as it is, which is said once. The
line ``q``, or the end of the input, ends the run.
"""

import os
import threading
from collections.abc import Callable, Iterator
from typing import Final

from benchwatch.errors import (
    BenchwatchError,
    FewerDigits,
    FileError,
    InputEnded,
    LinkLost,
    QuantityError,
)
from benchwatch.quantity import how_many
from benchwatch.system.terminal_modes import is_hung_up

QUIT: Final = "q"
"""The line that ends the run."""
CHUNK_BYTES: Final = 65_536
MOST_HELD_BYTES: Final = 1000
"""Most bytes kept of a line; what comes after them only makes it too long."""
MOST_NAMED: Final = 20
"""Wrong lines of a pipe or file that are named; further ones are only counted."""


class TypedInput:
    """Standard input as a source of typed readings.

    Args:
        descriptor: its file descriptor.
        say: writes a sentence for the person; None: put it on the time line instead.
        prompt: writes a prompt, without a line end; used on a terminal only.
    """

    def __init__(
        self,
        descriptor: int,
        *,
        say: Callable[[str], None] | None,
        prompt: Callable[[str], None],
    ) -> None:
        self._descriptor, self._say, self._prompt = descriptor, say, prompt
        self._is_terminal = os.isatty(descriptor)
        self._lock = threading.Lock()
        self._prompt_due = False
        self._has_named_short = False
        """Whether a line of a pipe or file that may be cut was named."""
        self._accepted = self._wrong = self._lines = 0

    def begin(
        self,
        enter: Callable[[str], None],
        end: Callable[[BenchwatchError], None],
        note: Callable[[str], None],
    ) -> None:
        """Read lines on a thread of their own until the input ends.

        Args:
            enter: takes a line; raises `QuantityError` where it is no reading, and `FewerDigits`
                where it may be cut, unless it comes again.
            end: called once, with the reason why no more lines come.
            note: puts a sentence on the time line.
        """
        self._say = self._say or note
        self._prompt_due = self._is_terminal
        threading.Thread(
            target=lambda: end(self._read(enter)), name="typed lines", daemon=True
        ).start()

    def prompt_if_due(self) -> None:
        """Write the prompt, once all that belongs above it is written."""
        with self._lock:
            if self._prompt_due:
                self._prompt_due = False
                self._prompt(f"reading {self._accepted + 1} (Hz): ")

    def _read(self, enter: Callable[[str], None]) -> BenchwatchError:
        """Pass the lines to `enter`; return why they end."""
        lines = WholeLines()
        try:
            while data := os.read(self._descriptor, CHUNK_BYTES):
                for line in lines.feed(data):
                    if line.strip().lower() == QUIT:
                        return self._ended()
                    self._take(line, enter)
        except OSError as error:
            return LinkLost(f"standard input can't be read any more: {error.strerror}.")
        if self._is_terminal:
            if is_hung_up(self._descriptor):
                return LinkLost("the terminal is gone.")
            self._prompt("\n")
        elif lines.is_cut:
            self._lines += 1
            self._name_wrong("the line has no end, so that its last digits may be missing.")
        return self._ended()

    def _take(self, line: str, enter: Callable[[str], None]) -> None:
        """Pass a line on; name it where it is no reading."""
        self._lines += 1
        if not (self._is_terminal or line.strip()):
            return
        # Before `enter`: once the reading is shown, the next prompt is written on another thread.
        self._accepted += 1
        self._prompt_due = self._is_terminal
        try:
            if self._is_terminal:
                enter(line)
            else:
                self._enter_short_too(line, enter)
        except QuantityError as error:
            self._accepted -= 1
            self._name_wrong(str(error))
            self.prompt_if_due()

    def _enter_short_too(self, line: str, enter: Callable[[str], None]) -> None:
        """Pass a line on, again where it may be cut: nobody can be asked; say so once."""
        try:
            enter(line)
        except FewerDigits:
            enter(line)
            assert self._say is not None
            if not self._has_named_short:
                self._say(
                    f"line {self._lines} ends two or more digits before the lines above it: it is "
                    "taken as it is, with its coarser resolution. Further ones are not named."
                )
            self._has_named_short = True

    def _name_wrong(self, why: str) -> None:
        """Say why a line was not used."""
        self._wrong += 1
        assert self._say is not None
        if self._is_terminal:
            self._say(why)
        elif self._wrong <= MOST_NAMED:
            self._say(f"line {self._lines} was not used: {why}")
        elif self._wrong == MOST_NAMED + 1:
            self._say("more lines were not used; they are only counted from here on.")

    def _ended(self) -> BenchwatchError:
        """Return the reason of an end in order."""
        if self._is_terminal:
            return InputEnded("the typing was ended.")
        ended = "standard input has ended."
        if not self._wrong:
            return InputEnded(ended)
        return FileError(
            f"{ended} {self._wrong} of {how_many(self._lines, 'line')} could not be used."
        )


class WholeLines:
    """Cuts pieces of text into lines that end with LF, CR LF or CR; its state is bounded.

    Attributes:
        is_cut: Whether a line has begun and has not ended.
    """

    def __init__(self) -> None:
        self._held = bytearray()
        self._after_cr = False

    @property
    def is_cut(self) -> bool:
        """Whether a line has begun and not ended."""
        return bool(self._held.strip())

    def feed(self, data: bytes) -> Iterator[str]:
        """Yield the lines that end in `data`, without their ends."""
        if self._after_cr and data.startswith(b"\n"):
            data = data[1:]
            self._after_cr = False
        if not data:
            return
        self._after_cr = data.endswith(b"\r")
        *whole, rest = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
        for piece in whole:
            self._hold(piece)
            line = self._held.decode("utf-8", "replace")
            self._held.clear()
            yield line
        self._hold(rest)

    def _hold(self, piece: bytes) -> None:
        self._held += piece[: max(MOST_HELD_BYTES - len(self._held), 0)]
