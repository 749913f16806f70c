"""A watch whose process is stopped for seconds while the counter goes on sending.

The counter is a plain socket or pseudo-terminal that shares no code with the product. Line n is 10
MHz plus n tenths of a millihertz, and the time of each line is recorded.
"""

import json
import os
import signal
import socket
import subprocess
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

import pytest
from counter_kit import PlainCounter, Watched, number_of
from counter_kit import on_a_socket as on_a_plain_socket
from load_kit import Stalls, Stopwatch
from program_kit import COMMAND

pytestmark = [pytest.mark.long, pytest.mark.usefixtures("side_by_side")]

STOPPED_S = 3.0
HEARD = 8
"""Readings before the stop; after these the pace is known."""
OFF_S = 0.6
"""Largest error of a reading's time: what waits for up to 0.5 s is dated within that. Whoever waits
for a processor can't tell when a line came, so that these waits are added."""
QUIET_S = 0.05
"""Longest stall of a machine on which the pace of lines is steady."""


class Talker:
    """Sends a line every `pace_s` while it has a reader.

    Attributes:
        sent: line -> Unix time.
        took_s: line -> seconds that sending it took.
        is_quiet: no line is sent meanwhile, as without a signal; its numbers are skipped.
    """

    def __init__(self, pace_s: float, write: Callable[[bytes], object]) -> None:
        self.sent: dict[int, float] = {}
        self.took_s: dict[int, float] = {}
        self.is_quiet = False
        self._pace_s = pace_s
        self._write = write
        self._ended = threading.Event()

    def talk(self) -> None:
        """Send lines until `end`."""
        began_s, number = time.monotonic(), 0
        with suppress(OSError):
            while not self._ended.wait(began_s + number * self._pace_s - time.monotonic()):
                number += 1
                if not self.is_quiet:
                    self.sent[number] = time.time()
                    self._write(b"%+.14E\r\n" % (1e7 + number * 1e-4))
                    self.took_s[number] = time.time() - self.sent[number]

    def end(self) -> None:
        """Stop sending."""
        self._ended.set()


@contextmanager
def on_a_socket(pace_s: float) -> Iterator[tuple[Talker, str]]:
    """Serve a talker on a port; yield it and its resource."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        client: list[socket.socket] = []

        def say(data: bytes) -> None:
            client[0].sendall(data)

        talker = Talker(pace_s, say)

        def serve() -> None:
            with suppress(OSError):
                client.append(listener.accept()[0])
                client[0].setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                talker.talk()

        threading.Thread(target=serve, daemon=True).start()
        try:
            yield talker, f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
        finally:
            talker.end()
            for one in client:
                one.close()


@contextmanager
def on_a_serial_line(pace_s: float) -> Iterator[tuple[Talker, str]]:
    """Serve a talker at one end of a pseudo-terminal; yield it and the other end's resource."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    talker = Talker(pace_s, lambda data: os.write(ours, data))
    thread = threading.Thread(target=talker.talk, daemon=True)
    thread.start()
    try:
        yield talker, f"ASRL{os.ttyname(theirs)}::INSTR"
    finally:
        talker.end()
        thread.join(10)
        os.close(ours)
        os.close(theirs)


@dataclass
class StoppedWatch(Watched):
    """A watch that was stopped, and for how long it waited for a processor otherwise."""

    waited_s: float = 0.0


def watch_stopped(
    resource: str, count: int, meanwhile: Callable[[], None], driver: str = "talk-only"
) -> StoppedWatch:
    """Watch `count` readings; after `HEARD` of them the process is stopped for `STOPPED_S`."""
    process = subprocess.Popen(
        [*COMMAND, "watch", resource, "--driver", driver,
         "--nominal", "10MHz", "--json", "--no-journal", "--count", str(count)],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        with process:
            assert process.stdout is not None
            lines = [json.loads(process.stdout.readline()) for _ in range(HEARD)]
            watch = Stopwatch(process.pid, own=False)
            process.send_signal(signal.SIGSTOP)
            meanwhile()
            process.send_signal(signal.SIGCONT)
            waited_s = 0.0
            for line in process.stdout:
                lines.append(json.loads(line))
                waited_s = watch.waited_s
    finally:
        process.kill()
    return StoppedWatch(process.returncode, lines, "", waited_s)


def undisturbed(attempt: Callable[[], StoppedWatch]) -> StoppedWatch | None:
    """Return the first of three watches during which the machine did not stand still, if any."""
    for _ in range(3):
        with Stalls() as stalls:
            began_s = time.monotonic()
            watched = attempt()
            if stalls.longest_s(began_s, time.monotonic()) < QUIET_S:
                return watched
    return None


def wait() -> None:
    """Sleep for the time of the stop."""
    time.sleep(STOPPED_S)


def tells_the_truth(watched: StoppedWatch, talker: Talker) -> None:
    """Check that no reading is dated wrongly or doubled, and that missing ones are in a gap."""
    numbers, late_s = watched.numbers, watched.late_s(talker.sent)
    off_s = [s - talker.took_s[n] for n, s in zip(numbers, late_s, strict=True)]
    assert numbers == sorted(set(numbers))
    assert min(late_s) > -OFF_S
    assert max(off_s) < OFF_S + watched.waited_s
    missing = sorted(set(range(numbers[0], numbers[-1])) - set(numbers))
    assert bool(missing) == bool(watched.gaps)


@pytest.mark.parametrize("wire", [on_a_socket, on_a_serial_line])
def test_readings_that_waited_are_kept_and_dated_by_the_pace(wire):
    """Stopped for 3 s: each line is there once, with the time at which it was sent, and flagged."""

    def attempt() -> StoppedWatch:
        with wire(0.3) as (talker, resource):
            watched = watch_stopped(resource, 20, wait)
        tells_the_truth(watched, talker)
        return watched

    watched = undisturbed(attempt)
    if watched is None:
        pytest.skip("on a busy machine the pace is not steady, and lines are not dated by it")

    waited = [number_of(line) for line in watched.readings if "dated-by-pace" in line["flags"]]
    assert watched.gaps == []
    assert 8 <= len(waited) <= 11
    assert waited == list(range(waited[0], waited[-1] + 1))
    assert watched.lines[-1]["readings"] == 20


def test_readings_that_cannot_be_dated_are_counted_in_a_gap():
    """Some lines were not sent during the stop; as it is unknown which, none is dated."""

    def attempt() -> StoppedWatch:
        with on_a_socket(0.25) as (talker, resource):

            def with_silence() -> None:
                time.sleep(STOPPED_S / 3)
                talker.is_quiet = True
                time.sleep(STOPPED_S / 3)
                talker.is_quiet = False
                time.sleep(STOPPED_S / 3)

            watched = watch_stopped(resource, 20, with_silence)
        tells_the_truth(watched, talker)
        return watched

    watched = undisturbed(attempt)
    if watched is None:
        pytest.skip("on a busy machine the silence is not where it was meant to be")

    (gap,) = watched.gaps
    assert "found too late to tell when taken, and not used" in gap["reason"]
    assert not any("dated-by-pace" in line["flags"] for line in watched.readings)


def test_more_than_is_taken_at_once_is_not_dated_as_new():
    """A hundred lines a second wait for 3 s, some 7 kB: those beyond 4 kB are no newer."""
    with on_a_socket(0.01) as (talker, resource):
        watched = watch_stopped(resource, 400, wait)

    tells_the_truth(watched, talker)


def test_an_answer_that_waited_is_kept_and_dated_by_the_usual_time():
    """Queried before the stop and read after it: no reading of the counter is missing."""

    def attempt() -> StoppedWatch:
        counter = PlainCounter(gate_s=0.5)
        with on_a_plain_socket(counter) as resource:
            watched = watch_stopped(resource, 14, wait, driver="scpi")
        assert max(map(abs, watched.late_s(counter.taken))) < OFF_S + watched.waited_s
        return watched

    watched = undisturbed(attempt)
    if watched is None:
        pytest.skip("on a busy machine other answers wait too")

    numbers, waited = watched.numbers, [
        line for line in watched.readings if "dated-by-pace" in line["flags"]
    ]  # fmt: skip
    assert numbers == list(range(numbers[0], numbers[0] + 14))
    assert len(waited) <= 1
    assert all(gap["lasted_s"] > STOPPED_S / 2 for gap in watched.gaps)
