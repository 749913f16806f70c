"""A file or a pipe that another program writes, as a wire that can only be read.

Only whole lines are returned: a half-written one is held until its end comes. Of a file only what
is appended is read, as with ``tail -F``; a file that is emptied or replaced is read from its start.
"""

import os
import stat
import time
from pathlib import Path
from typing import Final

from benchwatch.bus.exception_mapping import link_failed, opening_failed
from benchwatch.errors import ConnectionFailed, InputEnded, UsageError
from benchwatch.quantity import printable
from benchwatch.reading import TYPED
from benchwatch.system.clocks import monotonic
from benchwatch.system.file_names import home_path, looks_like_path
from benchwatch.system.file_opening import open_shared
from benchwatch.system.pipe_reader import PipeReader, pipe_reader
from benchwatch.system.terminal_modes import open_own_terminal

STANDARD_INPUT: Final = "-"
POLL_S: Final = 0.01
"""Time between two checks of a file: the system does not report that it has grown."""
LONGEST_NAME: Final = 255
"""Characters; no system has a longer name of a file (POSIX: NAME_MAX of usual file systems)."""
CHUNK_BYTES: Final = 65_536
MOST_HELD_BYTES: Final = 8192
"""Most bytes held until a line ends; more are passed on, and the session refuses the line."""


def file_of(resource: str) -> str | None:
    """Return the path in `resource`, ``-`` for standard input; None when it names no file.

    A file is written ``FILE::/path``, or as a path that can't be anything else; the word ``typed``
    stands for readings that a person types.
    """
    text = resource.strip()
    if text.upper().startswith("FILE::"):
        text = text[len("FILE::") :]
    elif text == TYPED or "::" in text or text.upper().startswith("ASRL"):
        return None
    elif text != STANDARD_INPUT and not looks_like_path(text):
        return text if text and len(text) <= LONGEST_NAME and Path(text).exists() else None
    return text if text == STANDARD_INPUT else str(home_path(text))


def redirect_standard_input() -> int:
    """Make the terminal standard input, for the keys, where readings come on standard input.

    Returns:
        The file descriptor of the readings from now on.

    Raises:
        UsageError: there is no terminal.
    """
    try:
        terminal = open_own_terminal()
    except OSError as error:
        raise UsageError(
            "readings come on standard input, and there is no terminal for the keys. "
            "Add --plain or --json."
        ) from error
    readings = os.dup(0)
    os.dup2(terminal, 0)
    os.close(terminal)
    return readings


def open_file_wire(
    path: str, resource: str, *, standard_input: int, cut_pipes: set[str]
) -> "FileWire":
    """Open a file, a named pipe or standard input for reading.

    Args:
        path: the file's path; ``-`` for standard input.
        resource: the resource string as the operator wrote it.
        standard_input: file descriptor of standard input.
        cut_pipes: resources of pipes that were closed in the middle of a line; updated on close.

    Raises:
        ConnectionFailed: it can't be opened.
        UsageError: it is a folder, a terminal or another device.
    """
    if path == STANDARD_INPUT:
        fd = os.dup(standard_input)
    else:
        try:
            # checked before opening, because opening some devices already changes their state
            _refuse_device(Path(path).stat().st_mode, resource)
            fd = open_shared(path)
        except FileNotFoundError as error:
            raise ConnectionFailed(
                f"there is no file {printable(path, 200)}. Start the program that writes it, or "
                "check its name."
            ) from error
        except OSError as error:
            raise opening_failed(error, resource) from error
    mode = os.fstat(fd).st_mode
    if stat.S_ISREG(mode) and path != STANDARD_INPUT:
        return GrowingFile(fd, path, resource)
    if stat.S_ISDIR(mode) or os.isatty(fd):
        os.close(fd)
        raise _no_lines("a folder" if stat.S_ISDIR(mode) else "a terminal", resource)
    reader = pipe_reader(fd, standard_input if path == STANDARD_INPUT else path)
    return Pipe(reader, resource, cut_pipes, ends=path == STANDARD_INPUT)


def _refuse_device(mode: int, resource: str) -> None:
    if stat.S_ISCHR(mode) or stat.S_ISBLK(mode):
        raise _no_lines("a device, such as a terminal or serial port", resource)


def _no_lines(what: str, resource: str) -> UsageError:
    return UsageError(
        f"{printable(resource, 200)} is {what}. Give a file or a pipe, or write a serial port as "
        "ASRL/dev/ttyUSB0::INSTR."
    )


class FileWire:
    """Base class of the wires of files and pipes: whole lines are read, nothing can be sent."""

    message_based: Final = False
    honours_timeout: Final = True
    never_duplicates: Final = True

    def __init__(self, resource: str) -> None:
        self._resource = resource
        self._held = b""
        """The beginning of a line whose end is still to come."""
        self._skipping = False
        """True until the next line end, where the beginning of the line was not read."""
        self._closed = False

    @property
    def resource(self) -> str:
        """The resource string."""
        return self._resource

    def receive(self, timeout_s: float) -> bytes:
        """Return whole lines, waiting up to `timeout_s` for the first; or b''."""
        until_s = monotonic() + timeout_s
        try:
            while True:
                data = self._whole_lines(self._read_more(max(until_s - monotonic(), 0.0)))
                if data or monotonic() >= until_s:
                    return data
        except Exception as error:
            raise link_failed(error, self._resource, "reading") from error

    def has_input(self) -> bool:
        """True when bytes wait to be read."""
        return False

    def send(self, data: bytes) -> None:
        """Refuse: nothing can be sent."""
        raise UsageError(
            f"nothing can be sent to {printable(self._resource, 200)} (here: "
            f"'{printable(data.decode('latin-1').strip())}'). "
            "Choose a driver that only listens, such as --driver lines."
        )

    def close(self) -> None:
        """Close the file."""
        if not self._closed:
            self._closed = True
            self._release()

    def _release(self) -> None:
        """Close what was opened; called once."""
        raise NotImplementedError

    def _read_more(self, timeout_s: float) -> bytes:
        """Return new bytes, or b'' after at most `timeout_s`."""
        raise NotImplementedError

    def _without_tail(self, data: bytes) -> bytes:
        """Drop the rest of a line whose beginning was not read."""
        if self._skipping:
            _, end, data = data.partition(b"\n")
            self._skipping = not end
        return data

    def _whole_lines(self, data: bytes) -> bytes:
        """Return the whole lines in the held bytes and `data`; hold the rest."""
        data = self._held + data
        end = data.rfind(b"\n") + 1
        if len(data) - end > MOST_HELD_BYTES:
            end = len(data)
        self._held = data[end:]
        return data[:end]


class Pipe(FileWire):
    """A named pipe, which may have one writer after the other, or standard input, which ends.

    Args:
        reader: reads the pipe, and is closed with it.
        resource: the resource string as the operator wrote it.
        cut_pipes: resources that were closed in the middle of a line: the rest of that line is
            still to come, and would parse as a number.
        ends: True when the end of the stream is the end of the run.
    """

    def __init__(
        self, reader: PipeReader, resource: str, cut_pipes: set[str], *, ends: bool
    ) -> None:
        super().__init__(resource)
        self._reader = reader
        self._cut_pipes = cut_pipes
        self._ends = ends
        self._skipping = resource in cut_pipes

    def has_input(self) -> bool:
        """True when bytes, or the end of the stream, wait to be read."""
        return self._reader.wait(0.0)

    def close(self) -> None:
        """Close the pipe, and note whether that cuts a line."""
        if not self._closed:
            note = self._cut_pipes.add if self._held or self._skipping else self._cut_pipes.discard
            note(self._resource)
        super().close()

    def _release(self) -> None:
        self._reader.close()

    def _read_more(self, timeout_s: float) -> bytes:
        data = self._reader.read() if self._reader.wait(timeout_s) else None
        if data is None:
            return b""
        if not data:
            if self._ends:
                raise InputEnded("standard input has ended.")
            self._held = b""  # the writer has closed the pipe and will not finish the line
            time.sleep(min(POLL_S, timeout_s))
        return self._without_tail(data)


class GrowingFile(FileWire):
    """A file that grows, is emptied, or is replaced by another one of the same name."""

    def __init__(self, fd: int, path: str, resource: str) -> None:
        super().__init__(resource)
        self._fd = fd
        self._path = path
        self._position = os.lseek(fd, 0, os.SEEK_END)
        if self._position:
            os.lseek(fd, -1, os.SEEK_END)
            self._skipping = os.read(fd, 1) != b"\n"

    def has_input(self) -> bool:
        """True when the file has grown."""
        return os.fstat(self._fd).st_size > self._position

    def _release(self) -> None:
        os.close(self._fd)

    def _read_more(self, timeout_s: float) -> bytes:
        data = os.read(self._fd, CHUNK_BYTES)
        self._position += len(data)
        if not data and not self._restarts():
            time.sleep(min(POLL_S, timeout_s))
        return self._without_tail(data)

    def _restarts(self) -> bool:
        """Go to the beginning of the file if it was emptied or replaced; return whether it was."""
        here = os.fstat(self._fd)
        try:
            there = Path(self._path).stat()
        except FileNotFoundError:  # between two files of that name, or for good
            there = here
        if (there.st_dev, there.st_ino) != (here.st_dev, here.st_ino):
            new = open_shared(self._path)
            os.dup2(new, self._fd)
            os.close(new)
        elif here.st_size < self._position:
            os.lseek(self._fd, 0, os.SEEK_SET)
        else:
            return False
        self._held, self._position, self._skipping = b"", 0, False
        return True
