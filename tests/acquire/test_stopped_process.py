"""A watch that is stopped for seconds while a counter talks on: what becomes of what it said.

The counter is a plain socket or pseudo-terminal that shares no code with the product. Line n says
10 MHz plus n tenths of a millihertz, and it is noted when each was sent.
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

import pytest
from counter_kit import PlainCounter, Watched, number_of
from counter_kit import on_a_socket as on_a_plain_socket
from load_kit import Stalls
from program_kit import COMMAND

pytestmark = pytest.mark.usefixtures("side_by_side")

STOPPED_S = 3.0
HEARD = 8
"""Readings before the stop: the pace is known by then."""
OFF_S = 0.6
"""No time of a reading may be further off; what waits for up to 0.5 s is dated within that."""


class Talker:
    """Says a line every `pace_s` while somebody listens.

    Attributes:
        sent: line -> Unix time.
        is_quiet: no line is sent meanwhile, as with the signal away; its numbers go by.
    """

    def __init__(self, pace_s: float, write: Callable[[bytes], object]) -> None:
        self.sent: dict[int, float] = {}
        self.is_quiet = False
        self._pace_s = pace_s
        self._write = write
        self._ended = threading.Event()

    def talk(self) -> None:
        """Say lines until `end`."""
        began_s, number = time.monotonic(), 0
        with suppress(OSError):
            while not self._ended.wait(began_s + number * self._pace_s - time.monotonic()):
                number += 1
                if not self.is_quiet:
                    self.sent[number] = time.time()
                    self._write(b"%+.14E\r\n" % (1e7 + number * 1e-4))

    def end(self) -> None:
        """Say no more."""
        self._ended.set()


@contextmanager
def on_a_socket(pace_s: float) -> Iterator[tuple[Talker, str]]:
    """A talker behind a port, and its resource."""
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
    """A talker at one end of a pseudo-terminal, and the resource of the other end."""
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


def watch_stopped(
    resource: str, count: int, meanwhile: Callable[[], None], driver: str = "talk-only"
) -> Watched:
    """Watch `count` readings; after `HEARD` of them the process is stopped for `STOPPED_S`."""
    process = subprocess.Popen(
        [*COMMAND, "watch", resource, "--driver", driver,
         "--nominal", "10MHz", "--json", "--no-journal", "--count", str(count)],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    lines = [json.loads(process.stdout.readline()) for _ in range(HEARD)]
    process.send_signal(signal.SIGSTOP)
    meanwhile()
    process.send_signal(signal.SIGCONT)
    lines += [json.loads(line) for line in process.communicate(timeout=60)[0].splitlines()]
    return Watched(process.returncode, lines, "")


def wait() -> None:
    """Let the time of the stop go by."""
    time.sleep(STOPPED_S)


def tells_the_truth(watched: Watched, talker: Talker) -> None:
    """No reading is dated wrongly or told twice, and what is missing lies in a gap."""
    numbers = watched.numbers
    assert numbers == sorted(set(numbers))
    assert max(map(abs, watched.late_s(talker.sent))) < OFF_S
    missing = sorted(set(range(numbers[0], numbers[-1])) - set(numbers))
    assert bool(missing) == bool(watched.gaps)


@pytest.mark.parametrize("wire", [on_a_socket, on_a_serial_line])
def test_readings_that_waited_are_kept_and_dated_by_the_pace(wire):
    """Stopped for 3 s: each line is there once, at the time at which it was sent, and flagged."""
    for _ in range(3):
        with Stalls() as stalls, wire(0.3) as (talker, resource):
            began_s = time.monotonic()
            watched = watch_stopped(resource, 20, wait)
            stood_still_s = stalls.longest_s(began_s, time.monotonic())
        tells_the_truth(watched, talker)
        if stood_still_s < 0.05:
            break
    else:
        return  # a pace that the machine disturbs is none, and dates nothing

    waited = [number_of(line) for line in watched.readings if "dated-by-pace" in line["flags"]]
    assert watched.gaps == []
    assert 8 <= len(waited) <= 11
    assert waited == list(range(waited[0], waited[-1] + 1))
    assert watched.lines[-1]["readings"] == 20


def test_readings_that_cannot_be_dated_are_counted_and_told_as_a_gap():
    """Some lines did not come during the stop: nobody knows which, so none of them is dated."""
    with on_a_socket(0.25) as (talker, resource):

        def with_silence() -> None:
            time.sleep(STOPPED_S / 3)
            talker.is_quiet = True
            time.sleep(STOPPED_S / 3)
            talker.is_quiet = False
            time.sleep(STOPPED_S / 3)

        watched = watch_stopped(resource, 20, with_silence)

    tells_the_truth(watched, talker)
    (gap,) = watched.gaps
    assert "found too late to tell when taken, and not used" in gap["reason"]
    assert not any("dated-by-pace" in line["flags"] for line in watched.readings)


def test_more_than_is_taken_at_once_is_not_dated_as_new():
    """A hundred lines a second wait for 3 s, some 7 kB: what is beyond 4 kB waited as long."""
    with on_a_socket(0.01) as (talker, resource):
        watched = watch_stopped(resource, 400, wait)

    tells_the_truth(watched, talker)


def test_an_answer_that_waited_is_kept_and_dated_by_how_long_the_others_took():
    """Asked for before the stop, found after it: no reading that the counter took is missing."""
    counter = PlainCounter(gate_s=0.5)
    with on_a_plain_socket(counter) as resource:
        watched = watch_stopped(resource, 14, wait, driver="scpi")

    numbers, waited = watched.numbers, [
        line for line in watched.readings if "dated-by-pace" in line["flags"]
    ]  # fmt: skip
    assert max(map(abs, watched.late_s(counter.taken))) < OFF_S
    assert numbers == list(range(numbers[0], numbers[0] + 14))
    assert len(waited) <= 1
    assert all(gap["lasted_s"] > STOPPED_S / 2 for gap in watched.gaps)
