"""A counter made of plain sockets, with the faults of a strange instrument.

It shares no code with the product. Reading n is 10 MHz plus n tenths of a millihertz, and `taken`
says when each was taken, so that whoever gets the lines of the program can tell which reading each
is, and how far its time is off.
"""

import contextlib
import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from program_kit import COMMAND, PROGRAM

KNOWN = {
    "*IDN?": "MADE FOR A TEST,PLAIN COUNTER,0,1.0",
    "*ESE?": "0",
    "FREQ:APER?": None,
    "INIT:CONT?": "0",
    "ROSC:SOUR?": "EXT",
    "SYST:ERR?": '0,"No error"',
}
"""Questions and answers; the gate's is made from the gate."""


@dataclass
class PlainCounter:
    """Answers questions on one line at a time.

    Attributes:
        gate_s: How long a reading takes.
        lacks: Questions that it does not know: nothing is answered, and it notes no error.
        change: Called with (question, answer, how often that was asked); returns what is sent
            instead: other text, None for nothing, or '' to hang up.
        hold_at: From this reading on every answer is held back until the next question, until the
            connection is opened again.
    """

    gate_s: float = 0.1
    lacks: tuple[str, ...] = ()
    answers: dict[str, str] = field(default_factory=dict)
    """Answers that differ from the usual ones."""
    change: Callable[[str, str, int], str | None] | None = None
    hold_at: int | None = None
    hold_question: str = "READ?"
    taken: dict[int, float] = field(default_factory=dict)
    """Reading -> Unix time of the middle of its gate."""
    heard: list[str] = field(default_factory=list)
    asked: dict[str, int] = field(default_factory=dict)
    delays: dict[tuple[str, int], float] = field(default_factory=dict)
    """(Question, how often it was asked) -> how much later the answer leaves; others go on."""
    connections: int = 0
    _held: str | None = None
    _holds: bool = False

    def connected(self) -> None:
        """Begin anew for a new connection."""
        self.connections += 1
        self._held, self._holds = None, False

    def answer(self, line: str) -> str | None:
        """Return what is sent after a line; None for nothing, '' to hang up."""
        self.heard.append(line)
        question = line.upper()
        count = self.asked[question] = self.asked.get(question, 0) + 1
        text = None if question in self.lacks else self._true(question)
        if text is None:
            return None
        if self.change is not None:
            changed = self.change(question, text, count)
            if not changed:
                return changed
            text = changed
        if question == self.hold_question and self.hold_at == count:
            self._holds = True
        if self._holds:
            text, self._held = self._held, text  # type: ignore[assignment]
        return text

    def send(self, how: Callable[[], None]) -> None:
        """Let an answer leave, at once or later."""
        question = self.heard[-1].upper()
        delay_s = self.delays.get((question, self.asked[question]))
        if delay_s is None:
            how()
            return

        def late() -> None:
            with contextlib.suppress(OSError):
                how()

        threading.Timer(delay_s, late).start()

    def _true(self, question: str) -> str | None:
        if question == "READ?":
            return self.read()
        if question in self.answers:
            return self.answers[question]
        if question.startswith("FREQ:APER "):
            self.gate_s = float(question.split()[1])
            return None
        if question == "FREQ:APER?":
            return f"{self.gate_s:.6E}"
        return KNOWN.get(question)

    def read(self) -> str:
        """Take a reading."""
        time.sleep(self.gate_s)
        number = len(self.taken) + 1
        self.taken[number] = time.time() - self.gate_s / 2
        return f"{1e7 + number * 1e-4:.11E}"


@contextlib.contextmanager
def on_a_socket(counter: PlainCounter) -> Iterator[str]:
    """Serve it on a free port; yield its resource string."""
    listener = socket.create_server(("127.0.0.1", 0))
    clients: list[socket.socket] = []

    def serve() -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = listener.accept()
                client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                clients.append(client)
                counter.connected()
                with contextlib.suppress(OSError), client, client.makefile("rb") as lines:
                    for raw in lines:
                        text = counter.answer(raw.decode("latin-1").strip())
                        if text == "":
                            client.shutdown(socket.SHUT_RDWR)
                            break
                        if text is not None:
                            send = partial(client.sendall, text.encode("latin-1") + b"\n")
                            counter.send(send)

    threading.Thread(target=serve, daemon=True).start()
    try:
        yield f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
    finally:
        for one in (listener, *clients):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()


@dataclass
class Watched:
    """What a watch wrote."""

    code: int
    lines: list[dict[str, Any]]
    errors: str

    @property
    def readings(self) -> list[dict[str, Any]]:
        """The lines of kind reading."""
        return [line for line in self.lines if line["kind"] == "reading"]

    @property
    def gaps(self) -> list[dict[str, Any]]:
        """The lines of kind gap."""
        return [line for line in self.lines if line["kind"] == "gap"]

    @property
    def marks(self) -> list[str]:
        """The texts of the lines of kind mark."""
        return [line["text"] for line in self.lines if line["kind"] == "mark"]

    @property
    def numbers(self) -> list[int]:
        """Which reading each line of kind reading is."""
        return [number_of(line) for line in self.readings]

    def late_s(self, taken: dict[int, float]) -> list[float]:
        """How far the time of each reading is off, in seconds; positive: too late."""
        return [unix_time(line["time"]) - taken[number_of(line)] for line in self.readings]


def number_of(line: dict[str, Any]) -> int:
    """Which reading a line is."""
    return round((line["frequency_hz"] - 1e7) / 1e-4)


def unix_time(text: str) -> float:
    """Read a time of the lines."""
    from datetime import datetime

    return datetime.fromisoformat(text).timestamp()


OFTEN = f"""
from benchwatch.acquire import settings_poller
settings_poller.LOOK_AGAIN_S /= 16
settings_poller.OLD_S /= 16
{PROGRAM}
"""
"""The program, asking for the settings more often than it does, so that no test waits for that."""


def watch(
    resource: str,
    *options: str,
    journal: Path | None = None,
    often: bool = False,
    wait_s: float = 90.0,
) -> Watched:
    """Watch in a process of its own, to its end; `often`: it asks for settings twice a second."""
    place = ["--no-journal"] if journal is None else ["--journal", str(journal)]
    command = [sys.executable, "-c", OFTEN] if often else COMMAND
    done = subprocess.run(
        [*command, "watch", resource, "--nominal", "10MHz", "--json",
         *place, *options],
        capture_output=True, text=True, timeout=wait_s,
    )  # fmt: skip
    return Watched(done.returncode, [json.loads(line) for line in done.stdout.splitlines()],
                   done.stderr)  # fmt: skip
