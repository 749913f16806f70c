"""Counters on plain sockets that share no code with the product and record all they receive.

They answer the queries that any SCPI counter answers (SCPI-1999 volume 1, IEEE 488.2 common
queries). Reading n is 10 MHz + n tenths of a millihertz, so its value shows its number.
`TinyCounter` runs free; `PlainCounter` measures when it is queried, records when each reading was
taken, and can have the faults of a strange instrument.

``python tests/kits/counter_kit.py GATE_S [COUNT]`` serves a `TinyCounter`, or several, and prints
their resource strings.
"""

import contextlib
import json
import math
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial, wraps
from pathlib import Path
from typing import Any, TypeVar

from line_schema_kit import held
from program_kit import COMMAND, PROGRAM
from socket_kit import TinyServer, serving

KNOWN = {
    "*ESE?": "0",
    "*IDN?": "MADE FOR A TEST,TINY COUNTER,0,1.0",
    "INIT:CONT?": "0",
    "ROSC:SOUR?": "EXT",
    "SYST:ERR?": '0,"No error"',
}
"""Queries and answers, without that of the gate, which depends on the gate."""


def value_of(number: int) -> float:
    """Return the frequency that reading `number` has, in hertz."""
    return 1e7 + number * 1e-4


def number_of(line: dict[str, Any]) -> int:
    """Return the number of the reading on a JSON line."""
    return round((line["frequency_hz"] - 1e7) / 1e-4)


class TinyCounter:
    """Serves clients until closed; `received` holds every line, in order."""

    def __init__(self, gate_s: float = 0.0) -> None:
        self.received: list[str] = []
        self.answered = 0
        self.replies: dict[str, bytes | None] = {}
        """Replies in place of the usual ones; None: no answer."""
        aperture = f"{gate_s or 1e-6:.6E}"
        self._knows = {**KNOWN, "FREQ:APER?": aperture}
        self.close_after: int | None = None
        """Close the connection instead of sending the reading after so many."""
        self.invalid_every = 0
        """One reading in so many is 9.91E37, no number (SCPI-1999 volume 1, 7.2.1.5); 0: none."""
        self._asked = 0
        self.gate_s = gate_s
        """Seconds from reading to reading; a test may change it at any time."""
        self._gate_ends_s = 0.0
        self._server = TinyServer(self._serve)
        self.port, self.resource = self._server.port, self._server.resource

    def close(self) -> None:
        """Stop listening and close all connections."""
        self._server.close()

    @property
    def settings(self) -> list[str]:
        """All received commands that are no queries: each may have changed a setting."""
        return [
            part.strip()
            for line in self.received
            for part in line.split(";")
            if "?" not in part and part.strip()
        ]

    def _serve(self, client: socket.socket) -> None:
        with client.makefile("rb") as lines:
            for raw in lines:
                line = raw.decode("latin-1").strip()
                self.received.append(line)
                reply = self._reply(line.upper())
                if reply is None:
                    continue
                if reply == b"":
                    client.shutdown(socket.SHUT_RDWR)
                    return
                client.sendall(reply)

    def _wait_for_gate(self) -> None:
        """Wait for the end of a gate; gates end on a grid, and a late query gets the newest one."""
        gate_s = self.gate_s
        if not gate_s:
            return
        now_s = time.monotonic()
        self._gate_ends_s = max(self._gate_ends_s + gate_s, now_s - gate_s)
        time.sleep(max(0.0, self._gate_ends_s - now_s))

    def _reply(self, line: str) -> bytes | None:
        """Return the bytes to send; None: send nothing; empty: close the connection."""
        if line in self.replies:
            return self.replies[line]
        if line.startswith(("READ?", ":READ?")):
            self._wait_for_gate()
            if self.answered == self.close_after:
                self.close_after = None
                return b""
            self._asked += 1
            if self.invalid_every and self._asked % self.invalid_every == 0:
                return b"9.91E37\n"
            self.answered += 1
            return b"%.11E\n" % value_of(self.answered)
        known = self._knows.get(line.removeprefix(":").removeprefix("SENS:"))
        return None if known is None else known.encode() + b"\n"


@contextlib.contextmanager
def tiny_counter(gate_s: float = 0.0) -> Iterator[TinyCounter]:
    """Serve a `TinyCounter` during the block."""
    counter = TinyCounter(gate_s)
    try:
        yield counter
    finally:
        counter.close()


@dataclass
class PlainCounter:
    """Answers one line at a time.

    Attributes:
        gate_s: How long a reading takes.
        lacks: Queries that it does not know: it sends nothing, and queues no error.
        change: Called with (query, answer, how often it was sent); returns what is sent instead:
            other text, None for nothing, or '' to close the connection.
        hold_at: From this `hold_question` on, each answer is held back until the next query; a new
            connection ends that.
    """

    gate_s: float = 0.1
    lacks: tuple[str, ...] = ()
    answers: dict[str, str] = field(default_factory=dict)
    """Answers in place of the usual ones."""
    change: Callable[[str, str, int], str | None] | None = None
    hold_at: int | None = None
    hold_question: str = "READ?"
    taken: dict[int, float] = field(default_factory=dict)
    """Reading -> Unix time of the middle of its gate."""
    queried: dict[int, float] = field(default_factory=dict)
    """Reading -> Unix time at which it was asked for."""
    received: list[str] = field(default_factory=list)
    asked: dict[str, int] = field(default_factory=dict)
    delays: dict[tuple[str, int], float] = field(default_factory=dict)
    """(Query, how often it was sent) -> seconds by which that answer is late."""
    connections: int = 0
    _held: str | None = None
    _holds: bool = False

    def connected(self) -> None:
        """Reset what one connection held back, for a new connection."""
        self.connections += 1
        self._held, self._holds = None, False

    def answer(self, line: str) -> str | None:
        """Return the answer to a line; None for nothing, '' to close the connection."""
        self.received.append(line)
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
        """Call `how`, which sends an answer, at once or after the query's delay."""
        question = self.received[-1].upper()
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
        number = len(self.taken) + 1
        self.queried[number] = time.time()
        time.sleep(self.gate_s)
        self.taken[number] = time.time() - self.gate_s / 2
        return f"{value_of(number):.11E}"


@contextlib.contextmanager
def on_a_socket(counter: PlainCounter) -> Iterator[str]:
    """Serve a counter on a free port, one connection at a time; yield its resource string."""
    one_at_a_time = threading.Lock()

    def serve(client: socket.socket) -> None:
        with one_at_a_time, client.makefile("rb") as lines:
            counter.connected()
            for raw in lines:
                text = counter.answer(raw.decode("latin-1").strip())
                if text == "":
                    client.shutdown(socket.SHUT_RDWR)
                    return
                if text is not None:
                    counter.send(partial(client.sendall, text.encode("latin-1") + b"\n"))

    with serving(serve) as server:
        yield server.resource


@dataclass
class Watched:
    """Exit code, JSON lines and standard error of a watch."""

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
        """The numbers of the readings on the lines."""
        return [number_of(line) for line in self.readings]

    def late_s(self, taken: dict[int, float]) -> list[float]:
        """Return the error of each reading's time, in seconds; positive: too late."""
        return [unix_time(line["time"]) - taken[number_of(line)] for line in self.readings]

    def misdated(self, counter: PlainCounter) -> list[int]:
        """Return the numbers of the readings that have the time of another one.

        A reading has come before the next one is asked for, and was taken after the one before it,
        however busy the machine is. The limits are a quarter of a gate off, for the clocks.
        """
        near_s = counter.gate_s / 4
        found = []
        for line in self.readings:
            number, told_s = number_of(line), unix_time(line["time"])
            came_s = told_s + (line["gate_s"] or 0.0) / 2
            before_s = counter.taken.get(number - 1, -math.inf) + near_s
            after_s = counter.queried.get(number + 1, math.inf) + near_s
            if told_s < before_s or came_s > after_s:
                found.append(number)
        return found


def unix_time(text: str) -> float:
    """Return a time of the JSON lines in Unix seconds."""
    return datetime.fromisoformat(text).timestamp()


OFTEN = f"""
from benchwatch.acquire import settings_poller
settings_poller.POLL_INTERVAL_S /= 16
settings_poller.OLD_SETTING_S /= 16
{PROGRAM}
"""
"""The program with settings polled 16 times as often, so that tests need not wait for a poll."""


def watch(
    resource: str,
    *options: str,
    journal: Path | None = None,
    often: bool = False,
    wait_s: float = 90.0,
) -> Watched:
    """Run a watch in a process of its own to its end; `often`: it polls settings twice a second."""
    place = ["--no-journal"] if journal is None else ["--journal", str(journal)]
    command = [sys.executable, "-c", OFTEN] if often else COMMAND
    done = subprocess.run(
        [*command, "watch", resource, "--nominal", "10MHz", "--json",
         *place, *options],
        capture_output=True, text=True, timeout=wait_s,
    )  # fmt: skip
    watched = Watched(
        done.returncode, [held(json.loads(line)) for line in done.stdout.splitlines()], done.stderr
    )
    note_busy(watched.lines)
    return watched


class _Newest(threading.local):
    """What the watches of the test that runs in this thread have said."""

    blames_computer = False


_newest = _Newest()


def note_busy(lines: list[dict[str, Any]]) -> None:
    """Note whether a watch says in its lines that it was kept from reading."""
    _newest.blames_computer |= any("this computer" in line.get("reason", "") for line in lines)


Test = TypeVar("Test", bound=Callable[..., None])


def again_if_kept_from_reading(test: Test) -> Test:
    """Run a test again, twice at most, if it fails and a watch of it was kept from reading.

    The program says so in a gap: on a busy machine an answer may be read too late to be used.
    """

    @wraps(test)
    def run(*arguments: Any, **named: Any) -> None:
        for _ in range(2):
            _newest.blames_computer = False
            try:
                test(*arguments, **named)
            except AssertionError:
                if not _newest.blames_computer:
                    raise
            else:
                return
        test(*arguments, **named)

    return run  # type: ignore[return-value] # called as `test` is


def serve(gate_s: float, count: int) -> None:
    """Serve counters and print their resource strings; for each line read, print their answers.

    These are the numbers of readings that each has sent, with blanks between them.
    """
    counters = [TinyCounter(gate_s) for _ in range(count)]
    for counter in counters:
        print(counter.resource, flush=True)
    for _ in sys.stdin:
        print(*(counter.answered for counter in counters), flush=True)


if __name__ == "__main__":
    serve(float(sys.argv[1]), int((*sys.argv, 1)[2]))
