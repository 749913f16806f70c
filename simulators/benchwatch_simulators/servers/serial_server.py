"""Serves an instrument on a serial line: a pseudo-terminal under a name that does not change.

Pulling the line removes the pseudo-terminal, and the next one has another number. So the resource
string holds a symbolic link to the present one. A computer without pseudo-terminals has no such
bus.
"""

import contextlib
import os
import shutil
import tempfile
import threading
from pathlib import Path

from benchwatch.errors import UsageError
from benchwatch.system.pseudo_terminal import open_pseudo_terminal, read_near_end
from benchwatch.system.waiting import wait_readable, wait_writable
from benchwatch_simulators.bench_time import InstrumentClosed
from benchwatch_simulators.counters.delivery import Delivery
from benchwatch_simulators.counters.instrument import CommandExecutor, Talker
from benchwatch_simulators.servers.line_splitter import LineSplitter

_POLL_S = 0.02
"""Time between two checks whether the other end is open."""
_JOIN_S = 2.0
"""Longest wait for the end of the thread."""


class PseudoTerminal:
    """The instrument's end of one pseudo-terminal; may be closed from any thread.

    Args:
        link: path of the symbolic link to the other end.

    Raises:
        UsageError: this computer has no pseudo-terminals.
    """

    def __init__(self, link: Path) -> None:
        try:
            self._master, slave, path = open_pseudo_terminal()
        except OSError as error:
            raise UsageError(
                "this computer has no pseudo-terminals: choose another bus."
            ) from error
        self._lock = threading.Lock()
        self._held = b""
        """Bytes that were read when it was asked whether the other end is open."""
        self._link = link
        link.symlink_to(path)
        os.close(slave)
        self.is_open = True

    def close(self) -> None:
        """Pull the line."""
        with self._lock:
            if self.is_open:
                self.is_open = False
                self._link.unlink(missing_ok=True)
                os.close(self._master)

    def is_used(self) -> bool:
        """Return whether the other end is open.

        Raises:
            EOFError: the line was pulled.
        """
        with self._lock:
            self._check()
            if not self._held:
                data = read_near_end(self._master)
                self._held = data or b""
                return data is not None
            return True

    def read(self) -> bytes:
        """Return the bytes written at the other end; empty if there are none.

        Raises:
            EOFError: the line was pulled.
        """
        with self._lock:
            self._check()
            data, self._held = self._held, b""
            return data or read_near_end(self._master) or b""

    def wait(self, timeout_s: float) -> None:
        """Wait until bytes were written at the other end, or `timeout_s` have passed.

        Raises:
            EOFError: the line was pulled.
        """
        self._check()
        if not self._held:
            wait_readable(self._master, timeout_s)
        self._check()

    def write(self, data: bytes) -> None:
        """Write `data`; it is lost if the other end is closed, as on any serial line.

        Raises:
            EOFError: the line was pulled.
        """
        while data:
            self._check()
            wait_writable(self._master, _POLL_S)
            if not self.is_used():
                return
            with self._lock:
                self._check()
                with contextlib.suppress(BlockingIOError):
                    data = data[os.write(self._master, data) :]

    def _check(self) -> None:
        if not self.is_open:
            raise EOFError


class SerialServer:
    """Puts one instrument on a serial line of its own.

    Args:
        instrument: instrument that answers, or talks.
        name: name of the counter, the last part of the line's path.
        delivery: applies the faults of the answers; None: there are none.

    Raises:
        UsageError: this computer has no pseudo-terminals.
    """

    def __init__(
        self, instrument: CommandExecutor | Talker, name: str, delivery: Delivery | None = None
    ) -> None:
        self._instrument = instrument
        self._delivery = delivery or Delivery()
        self._folder = Path(tempfile.mkdtemp(prefix="bench-"))
        self._link = self._folder / name
        self._line: PseudoTerminal | None = None
        self._thread: threading.Thread | None = None
        try:
            self.resume()
        except UsageError:
            self.close()
            raise

    @property
    def resource(self) -> str:
        """The resource string."""
        return f"ASRL{self._link}::INSTR"

    def close(self) -> None:
        """Stop serving, and remove the folder of the line."""
        self.suspend()
        shutil.rmtree(self._folder, ignore_errors=True)

    def hang_up(self) -> None:
        """Pull the line, and plug it in again."""
        self.suspend()
        self.resume()

    def suspend(self) -> None:
        """Pull the line."""
        if self._line is not None:
            self._line.close()
        if self._thread is not None and self._delivery.closing.is_set():
            self._thread.join(_JOIN_S)

    def resume(self) -> None:
        """Plug the line in again."""
        if self._line is None or not self._line.is_open:
            self._line = PseudoTerminal(self._link)
            self._thread = threading.Thread(
                target=self._serve, args=(self._line,), name="bench serial line", daemon=True
            )
            self._thread.start()

    power_off = suspend
    power_on = resume
    """The adapter has no power while the instrument is off, so the line is gone."""

    def _serve(self, line: PseudoTerminal) -> None:
        with contextlib.suppress(EOFError, OSError, InstrumentClosed):
            if isinstance(self._instrument, Talker):
                self._talk(line, self._instrument)
            else:
                self._converse(line, self._instrument)
        line.close()

    def _converse(self, line: PseudoTerminal, instrument: CommandExecutor) -> None:
        while True:
            while not line.is_used():
                self._nap()
            self._delivery.faults.forget()
            splitter = LineSplitter(instrument)
            while line.is_used():
                line.wait(_POLL_S)
                for message in splitter.split(line.read()):
                    self._send(line, instrument.execute(message))

    def _talk(self, line: PseudoTerminal, talker: Talker) -> None:
        number = talker.newest
        while True:
            number, text = talker.next_line(number)
            line.read()
            self._send(line, text)

    def _send(self, line: PseudoTerminal, answer: str | None) -> None:
        if answer is not None:
            for part in self._delivery.parts(answer):
                line.write(part.data)

    def _nap(self) -> None:
        if self._delivery.closing.wait(_POLL_S):
            raise InstrumentClosed
