"""Fifty counters at once, from outside: real processes, real sockets, and SQLite as it comes.

One that is dead, mute, slow or talks garbage takes nothing from the others; all that drop at once
come back; and a killed watch loses nothing that another program can't read.
"""

import contextlib
import signal
import time
from collections import defaultdict
from pathlib import Path

from counter_kit import value_of
from journal_kit import ask, check_sound
from load_kit import Stopwatch
from many_counters_kit import NumberedCounters, black_hole, simulated, watched_bench
from program_kit import COMMAND, Watching
from socket_kit import kept_port
from terminal_kit import Terminal

FIFTY = 50
GATE_S = 0.2
SICK = {"c000": "mute", "c001": "garbage", "c002": "slow", "c003": "huge", "c004": "wrong-answer"}
SICK_FROM_S, SICK_FOR_S = 3.0, 1000.0
DEAD, HANGS = "c005", "c006"
QUIT_S = 3.0
"""Longest time from a key or a signal to the end of the program."""


@contextlib.contextmanager
def sick_bench(folder: Path):
    """Serve fifty counters of which seven can't be read, and yield their bench file."""
    faults = [f"{name}={kind}@{SICK_FROM_S}s+{SICK_FOR_S}s" for name, kind in SICK.items()]
    with (
        simulated(folder, FIFTY, GATE_S, faults) as resources,
        black_hole() as hanging,
        kept_port() as dead,
    ):
        resources[DEAD] = f"TCPIP0::127.0.0.1::{dead}::SOCKET"
        resources[HANGS] = hanging
        yield watched_bench(folder, resources)


def times_of(journal: Path) -> dict[str, list[float]]:
    """Return the times of the readings in the journal, seconds of the run, by counter."""
    found: dict[str, list[float]] = defaultdict(list)
    query = "SELECT counter, elapsed_s FROM readings JOIN runs USING (run) ORDER BY elapsed_s"
    for counter, elapsed_s in ask(journal, query):
        found[counter].append(elapsed_s)
    return found


def check_that_the_others_lost_nothing(journal: Path) -> None:
    """Check rate and gaps of the forty-three counters with no fault, by the journal."""
    times = times_of(journal)
    others = set(times) - {*SICK, DEAD, HANGS}
    began_s, ended_s = SICK_FROM_S, max(max(of_one) for of_one in times.values())
    rates = [
        sum(began_s <= one <= ended_s for one in times[name]) / (ended_s - began_s)
        for name in others
    ]
    gaps = ask(journal, "SELECT counter, reason FROM gaps JOIN runs USING (run)")

    assert len(others) == FIFTY - len(SICK) - 2
    assert min(rates) > 0.7 / GATE_S
    assert not {counter for counter, _ in gaps} & others, gaps


def test_sick_counters_take_nothing_from_the_others_in_lines(tmp_path: Path) -> None:
    """The others keep their rate, and SIGTERM ends the watch while one still hangs in a connect."""
    journal = tmp_path / "journal.db"
    with sick_bench(tmp_path) as bench:
        words = ("--bench", str(bench))
        with Watching(*words, journal=journal) as watching:
            watching.wait_for_narration("c005: not there yet")
            watching.wait_for_narration(": silent: ", times=len(SICK))
            watching.wait_for_lines(len(watching.lines) + int(2.5 * FIFTY / GATE_S))
            watch = Stopwatch(watching.process.pid)
            code = watching.end(signal.SIGTERM)
            took_s = watch.elapsed_s

    assert (code, took_s < QUIT_S) == (130, True), took_s
    assert "c005 was never there: " in watching.narration
    assert "Traceback" not in watching.narration
    check_that_the_others_lost_nothing(journal)


def test_sick_counters_take_nothing_from_the_screen(tmp_path: Path) -> None:
    """It is drawn as often, answers keys, and `q` ends it in order."""
    journal = tmp_path / "journal.db"
    with sick_bench(tmp_path) as bench:
        words = ("--bench", str(bench), "--journal", str(journal), "--nominal", "10MHz")
        command = (*COMMAND, "watch", *words)
        with contextlib.closing(Terminal(command, tmp_path, width=120, height=36)) as screen:
            screen.wait_for("0:05")
            waits_s = []
            for _ in range(7):
                began_s, before = time.monotonic(), len(screen.seen)
                screen.type(b"u")
                screen.wait_until(lambda _, n=before: b"fractions in" in screen.seen[n:])  # type: ignore[misc] # binds the value of this round
                waits_s.append(time.monotonic() - began_s)
                screen.read(0.3)
            screen.wait_for("0:09")
            watch = Stopwatch(screen.child.pid)
            screen.type(b"q")
            code = screen.end()
            took_s = watch.elapsed_s

    assert (code, took_s < QUIT_S) == (0, True), took_s
    assert sorted(waits_s)[3] < 0.5, waits_s
    check_that_the_others_lost_nothing(journal)


def test_fifty_drop_at_once_and_come_back(tmp_path: Path) -> None:
    """Each has one gap that is as long as nothing came, nothing is read in it, and all are back."""
    journal, drop_s, gone_s = tmp_path / "journal.db", 3.0, 1.5
    with simulated(tmp_path, FIFTY, GATE_S, [f"closed@{drop_s}s+{gone_s}s"]) as resources:
        words = ("--bench", str(watched_bench(tmp_path, resources)))
        with Watching(*words, journal=journal) as watching:
            watching.wait_for_narration(": lost: the counter closed", times=FIFTY)
            watching.wait_for_narration(": reading ", times=2 * FIFTY)
            watching.wait_for_more(3 * FIFTY)
            code = watching.end(signal.SIGTERM)

    gaps = ask(journal, "SELECT counter, elapsed_s, lasted_s FROM gaps JOIN runs USING (run)")
    assert code == 130
    assert sorted(counter for counter, *_ in gaps) == sorted(resources)
    times = times_of(journal)
    for counter, began_s, lasted_s in gaps:
        assert gone_s < lasted_s < gone_s + 4.0, (counter, lasted_s)
        assert not [one for one in times[counter] if began_s < one < began_s + lasted_s - 1e-6]


def test_a_killed_watch_of_fifty_loses_at_most_the_reading_in_flight(tmp_path: Path) -> None:
    """Two watches share one journal; SQLite finds in it all that each counter of both has sent."""
    journal = tmp_path / "journal.db"
    with (
        contextlib.closing(NumberedCounters(FIFTY, GATE_S)) as first,
        contextlib.closing(NumberedCounters(FIFTY, GATE_S)) as second,
    ):
        benches = []
        for name, served in (("first", first), ("second", second)):
            (tmp_path / name).mkdir()
            benches.append(str(watched_bench(tmp_path / name, served.resources)))
        with (
            Watching("--bench", benches[0], journal=journal) as killed,
            Watching("--bench", benches[1], journal=journal) as other,
        ):
            for watching in (killed, other):
                watching.wait_for_narration(": reading ", times=FIFTY)
                watching.wait_for_more(5 * FIFTY)
            killed.end(signal.SIGKILL)
            shown = [(line["counter"], line["frequency_hz"]) for line in killed.lines
                     if line["kind"] == "reading"]  # fmt: skip
            other.wait_for_more(5 * FIFTY)
            code = other.end(signal.SIGTERM)
        sent = {**first.answered()}, {**second.answered()}

    check_sound(journal)
    assert code == 130
    found: dict[tuple[str, str], list[float]] = defaultdict(list)
    rows = ask(journal, "SELECT resource, counter, text FROM readings JOIN runs USING (run) "
                        "ORDER BY run, number")  # fmt: skip
    for resource, counter, text in rows:
        found[resource, counter].append(float(text))
    for served, answered in zip((first, second), sent, strict=True):
        for name, resource in served.resources.items():
            read = found[resource, name]
            assert read == [value_of(n) for n in range(1, len(read) + 1)], name
            assert answered[name] - len(read) <= 1, name
    kept = {(name, value) for (at, name), values in found.items() for value in values
            if at == first.resources[name]}  # fmt: skip
    assert set(shown) <= kept
