"""Counters that misbehave, watched by the program as a process: no false reading is shown.

The counters are plain sockets and pseudo-terminals (`plain_counter`); what the program says is read
as JSON lines.
"""

import contextlib
import json
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from counter_kit import (
    PlainCounter,
    Watched,
    again_if_kept_from_reading,
    on_a_socket,
    watch,
)
from load_kit import wait_until
from program_kit import COMMAND, run_program

pytestmark = [pytest.mark.long, pytest.mark.usefixtures("side_by_side")]

GATE_S = 0.1


# ------------------------------------------------------------- answers one question late


@pytest.mark.parametrize(
    "lacks",
    [("*ESE?",), ("*ESE?", "SYST:ERR?", "FREQ:APER?", "ROSC:SOUR?", "INIT:CONT?")],
    ids=["without *ESE?", "knows only readings"],
)
@again_if_kept_from_reading
def test_a_counter_that_answers_one_question_late_is_opened_again(lacks: tuple[str, ...]) -> None:
    """No reading is told as the one before, or with its time."""
    counter = PlainCounter(GATE_S, lacks=lacks, hold_at=6)
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--count", "25")

    assert watched.code == 0, watched.errors
    assert watched.misdated(counter) == []
    assert counter.connections == 2
    assert len(watched.gaps) == 1


@again_if_kept_from_reading
def test_an_answer_that_comes_behind_the_identity_is_not_the_next_one() -> None:
    """A counter that answers out of order: the missed reading comes when the next one is asked."""
    gate_s, longest_wait_s = 0.4, 1.9
    counter = PlainCounter(gate_s, delays={("READ?", 6): longest_wait_s - 0.7 * gate_s})
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--count", "14")

    assert watched.code == 0, watched.errors
    assert watched.misdated(counter) == []
    assert 6 not in watched.numbers
    assert len(watched.gaps) == 1


# ------------------------------------------------------------- settings


@again_if_kept_from_reading
def test_garbled_answers_about_settings_cost_nothing(tmp_path: Path) -> None:
    """Each reading has its gate, and is put right by the time base that was told.

    One garbled answer is asked for again at once; what is garbled for longer is kept, and called
    old, until it is told again.
    """
    bad = {"ROSC:SOUR?": {1, 4, 5, 6, *range(10, 25)}, "FREQ:APER?": {1, 3, 4, 5}}
    counter = PlainCounter(
        GATE_S,
        answers={"ROSC:SOUR?": "INT"},
        change=lambda asked, text, n: "\xfe1\xff" if n in bad.get(asked, ()) else text,
    )
    with on_a_socket(counter) as resource:
        bench = tmp_path / "bench.toml"
        bench.write_text(
            f'[counters.main]\nresource = "{resource}"\nnominal = "10 MHz"\n'
            '[counters.main.time_base]\noffset = "1e-8"\nuncertainty = "1e-10"\n'
        )
        watched = watch("main", "--bench", str(bench), "--count", "70", often=True)

    assert watched.code == 0, watched.errors
    assert counter.asked["ROSC:SOUR?"] > 25
    assert [line["correction"] for line in watched.readings] == pytest.approx([1e-8] * 70)
    assert all(line["flags"] == ["internal-timebase"] for line in watched.readings)
    assert all(line["gate_s"] == GATE_S for line in watched.readings)
    assert watched.gaps == []
    kept, again = watched.marks
    assert kept == (
        "the counter no longer tells its time base so that it can be read; the last one told is "
        "kept: internal"
    )
    assert again == "the counter tells its time base again: internal"


@again_if_kept_from_reading
def test_a_gate_longer_than_its_readings_come_leaves_all_readable(tmp_path: Path) -> None:
    """Times advance in lines and journal, which replay; what is wrong is said once, live."""
    journal, file = tmp_path / "journal.sqlite", tmp_path / "lines.jsonl"
    counter = PlainCounter(GATE_S, answers={"FREQ:APER?": "10.0"})
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--count", "25", journal=journal)
    file.write_text("".join(json.dumps(line) + "\n" for line in watched.lines))
    replays = [run_program("replay", str(path), "--json") for path in (file, journal)]

    times = [line["elapsed_s"] for line in watched.readings]
    assert watched.code == 0, watched.errors
    assert all(later > earlier for earlier, later in pairwise(times))
    assert [n for n in watched.misdated(counter) if n > watched.numbers[4]] == []
    assert all(line["gate_s"] is None for line in watched.readings[6:])
    assert sum("no gate is longer than that" in text for text in watched.marks) == 1
    for replay in replays:
        assert replay.returncode == 0, replay.stderr
        assert replay.stdout.count('"kind":"reading"') == 25


def test_a_gate_that_can_not_be_is_unknown() -> None:
    """1E30 s is more than any clock holds."""
    counter = PlainCounter(GATE_S, answers={"FREQ:APER?": "1E30"})
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--count", "5")

    assert watched.code == 0, watched.errors
    assert "Traceback" not in watched.errors
    assert [line["gate_s"] for line in watched.readings] == [None] * 5


@again_if_kept_from_reading
def test_a_gate_that_was_asked_for_is_set_again_when_the_counter_forgot_it() -> None:
    """Power failed behind an adapter that stays on, so that no connection was lost."""

    def restarts(question: str, text: str, n: int) -> str:
        if (question, n) == ("READ?", 8):
            counter.gate_s = 0.02
        return text

    counter = PlainCounter(0.05, change=restarts)
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--gate", "100ms", "--count", "60", often=True)

    settings = [line for line in counter.received if "?" not in line]
    assert watched.code == 0, watched.errors
    assert settings[:2] == ["FREQ:APER 0.1", "FREQ:APER 0.1"]
    assert watched.readings[-1]["gate_s"] == 0.1
    assert watched.marks == [
        "the counter's gate was found at 0.02 s; it was set to 0.1 s again, as asked"
    ]


# ------------------------------------------------------------- words


def test_advice_fits_a_counter_that_was_read_a_moment_ago() -> None:
    """Its port and its driver are right; another program, its power or its cable is not."""
    counter = PlainCounter(GATE_S)
    counter.change = lambda _asked, text, _n: text if counter.asked.get("READ?", 0) < 6 else None
    said = ""
    with on_a_socket(counter) as resource, subprocess.Popen(
        [*COMMAND, "watch", resource, "--nominal", "10MHz", "--json",
         "--no-journal", "--for", "60s"],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stderr is not None
        for line in process.stderr:
            said += line
            if "It answered before: check that it is on" in line:
                process.terminate()

    assert "It answered before: check that it is on" in said
    assert "choose another driver" not in said
    assert "Check the port" not in said


# ------------------------------------------------------------- counters that talk by themselves

LINE_S = 0.05
STOPPED_LINES = 60
"""Lines that are said while the program is stopped: three seconds of them."""


def talker(stop: threading.Event, sent: dict[int, float], bad: Callable[[int], bool]) -> str:
    """Let a talk-only counter say a line every 50 ms; return its resource string.

    Args:
        stop: ends it.
        sent: gets the Unix time at which each reading was sent.
        bad: tells whether a line is spoilt.
    """
    listener = socket.create_server(("127.0.0.1", 0))

    def talk() -> None:
        client, _ = listener.accept()
        began_s, number = time.monotonic(), 0
        with listener, client, contextlib.suppress(OSError):
            while not stop.wait(began_s + number * LINE_S - time.monotonic()):
                number += 1
                text = "?" * 9 if bad(number) else f"{1e7 + number * 1e-4:+.11E}"
                sent[number] = time.time()
                client.sendall(text.encode() + b"\n")

    threading.Thread(target=talk, daemon=True).start()
    return f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"


@again_if_kept_from_reading
def test_bad_lines_of_a_talk_only_counter_delay_no_good_ones() -> None:
    """20 lines a second, 3 of 10 bad: each good one is told with the time at which it was said."""
    stop, sent = threading.Event(), {}
    try:
        resource = talker(stop, sent, lambda number: number % 10 in {2, 5, 9})
        watched = watch(resource, "--driver", "talk-only", "--count", "100")
    finally:
        stop.set()

    numbers = watched.numbers
    good = [n for n in range(numbers[0], numbers[-1] + 1) if n % 10 not in {2, 5, 9}]
    assert watched.code == 0, watched.errors
    assert numbers == good
    assert len(numbers) == 100
    assert sorted(watched.late_s(sent))[int(0.9 * len(numbers))] < 0.2


def test_lines_that_came_while_the_program_stood_still_are_not_told_as_new() -> None:
    """It is stopped for three seconds: what was said meanwhile has its own time, or is a gap."""
    stop, sent = threading.Event(), {}
    resource = talker(stop, sent, lambda _number: False)
    with subprocess.Popen(
        [*COMMAND, "watch", resource, "--driver", "talk-only",
         "--nominal", "10MHz", "--json", "--no-journal", "--count", "60"],
        stdout=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        try:
            assert process.stdout is not None
            lines = [process.stdout.readline() for _ in range(20)]
            process.send_signal(signal.SIGSTOP)
            said = len(sent)
            assert wait_until(lambda: len(sent) >= said + STOPPED_LINES)
            process.send_signal(signal.SIGCONT)
            lines += process.stdout.readlines()
        finally:
            stop.set()
            process.kill()
    watched = Watched(process.returncode, [json.loads(text) for text in lines], "")

    assert watched.lines[-1]["reason"] == "count reached"
    assert len(watched.readings) == 60
    assert max(map(abs, watched.late_s(sent))) < 1.0
    numbers = watched.numbers
    assert bool(watched.gaps) == (numbers != list(range(numbers[0], numbers[-1] + 1)))


@again_if_kept_from_reading
def test_every_third_reading_cut_with_its_connection_is_a_gap_and_the_watch_goes_on() -> None:
    """Stretches of two readings, one after the other: too short for second differences."""
    counter = PlainCounter(0.02, change=lambda q, text, n: text if q != "READ?" or n % 3 else "")
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--settle", "1ppb/10s", "--tolerance", "5ppb", "--count", "17")

    assert watched.code == 0, watched.errors
    assert watched.numbers == [n for n in range(1, 26) if n % 3][:17]
    assert len(watched.gaps) == 8
    assert counter.connections == 9


@again_if_kept_from_reading
def test_what_a_busy_counter_does_not_tell_after_a_reconnect_is_asked_again() -> None:
    """The connection breaks, then the question for the time base is lost: it is asked again."""
    counter = PlainCounter(answers={"ROSC:SOUR?": "INT"})
    lost = []

    def change(question: str, answer: str, count: int) -> str | None:
        if question == "READ?" and count == 5:
            return ""
        if question == "ROSC:SOUR?" and counter.connections == 2 and not lost:
            lost.append(count)
            return None
        return answer

    counter.change = change
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--count", "12")

    assert len(lost) == 1
    assert all("internal-timebase" in line["flags"] for line in watched.readings)
    assert len(watched.readings) == 12
