"""Fifty counters at once, from outside: real processes, real sockets, and SQLite as it comes.

One that is dead, mute, slow or talks garbage takes nothing from the others; all that drop at once
come back; and a killed watch loses nothing that another program can't read.
"""

import contextlib
import signal
import sqlite3
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from counter_kit import value_of
from journal_kit import ask, check_sound
from load_kit import Stalls, Starvation, Stopwatch, wait_until
from many_counters_kit import NumberedCounters, SimulatedCounters, black_hole, watched_bench
from program_kit import COMMAND, Watching
from socket_kit import kept_port
from terminal_kit import Terminal

FIFTY = 50
GATE_S = 0.2
SICK = {"c000": "mute", "c001": "garbage", "c002": "slow", "c003": "huge", "c004": "wrong-answer"}
SICK_FOR_S = 1000.0
DEAD, HANGS = "c005", "c006"
OTHERS = FIFTY - len(SICK) - 2
QUIT_S = 3.0
"""Longest time from a key or a signal to the end of the program."""
BUSY, CLOSED = "this computer", "the counter closed"
"""Part of the reason of a gap for which the machine was too busy, and no counter the cause."""


@dataclass
class SickBench:
    """Fifty counters of which two can't be reached and five can fall sick; `file` describes them.

    Attributes:
        journal: The journal of the watch.
        sick_s: From when until when the five were sick, seconds of the run.
        ran_s: How long that was without the waits of watch and counters for a processor.
    """

    simulated: SimulatedCounters
    file: Path
    journal: Path
    sick_s: tuple[float, float] = 0.0, 0.0
    ran_s: float = 0.0

    @property
    def all_read(self) -> bool:
        """Whether each counter that can be reached has given a reading."""
        with contextlib.suppress(sqlite3.OperationalError):  # it is not begun yet
            return len(times_of(self.journal)) == FIFTY - 2
        return False

    @contextlib.contextmanager
    def sick(self, watch: int) -> Iterator[float]:
        """Let the five be sick during the block, once all are read; yield since when.

        Args:
            watch: the process of the watch.
        """
        assert wait_until(lambda: self.all_read)
        with Starvation(watch, self.simulated.pid) as starvation:
            from_s = newest_s(self.journal)
            for name, kind in SICK.items():
                self.simulated.fault(kind, SICK_FOR_S, name)
            yield from_s
            self.sick_s = from_s, newest_s(self.journal)
        self.ran_s = starvation.elapsed_s


@contextlib.contextmanager
def sick_bench(folder: Path) -> Iterator[SickBench]:
    """Serve the fifty."""
    with (
        contextlib.closing(SimulatedCounters(folder, FIFTY, GATE_S)) as simulated,
        black_hole() as hanging,
        kept_port() as dead,
    ):
        unreachable = {DEAD: f"TCPIP0::127.0.0.1::{dead}::SOCKET", HANGS: hanging}
        file = watched_bench(folder, simulated.resources | unreachable)
        yield SickBench(simulated, file, folder / "journal.db")


def times_of(journal: Path) -> dict[str, list[float]]:
    """Return the times of the readings in the journal, seconds of the run, by counter."""
    found: dict[str, list[float]] = defaultdict(list)
    query = "SELECT counter, elapsed_s FROM readings JOIN runs USING (run) ORDER BY elapsed_s"
    for counter, elapsed_s in ask(journal, query):
        found[counter].append(elapsed_s)
    return found


def newest_s(journal: Path) -> float:
    """Return the time of the newest reading, seconds of the run."""
    ((elapsed_s,),) = ask(journal, "SELECT max(elapsed_s) FROM readings")
    return float(elapsed_s)


def check_that_the_others_lost_nothing(bench: SickBench) -> None:
    """Check rate and gaps of the forty-three counters with no fault, by the journal."""
    times, (from_s, to_s) = times_of(bench.journal), bench.sick_s
    others = set(times) - {*SICK, DEAD, HANGS}
    counts = [sum(from_s <= one <= to_s for one in times[name]) for name in others]
    gaps = ask(bench.journal, "SELECT counter, reason FROM gaps JOIN runs USING (run)")

    assert len(others) == OTHERS
    assert min(counts) > 0.7 * bench.ran_s / GATE_S
    assert not {counter for counter, reason in gaps if BUSY not in reason} & others, gaps


def test_sick_counters_take_nothing_from_the_others_in_lines(tmp_path: Path) -> None:
    """The others keep their rate, and SIGTERM ends the watch while one still hangs in a connect."""
    with sick_bench(tmp_path) as bench:
        words = ("--bench", str(bench.file))
        with Watching(*words, journal=bench.journal) as watching:
            watching.wait_for_narration("c005: not there yet")
            with bench.sick(watching.process.pid):
                for name in SICK:
                    watching.wait_for_narration(f"{name}: silent: ")
                watching.wait_for_more(int(2.5 * FIFTY / GATE_S))
            watch = Stopwatch(watching.process.pid)
            code = watching.end(signal.SIGTERM)
            took_s = watch.elapsed_s

    assert (code, took_s < QUIT_S) == (130, True), took_s
    assert "c005 was never there: " in watching.narration
    assert "Traceback" not in watching.narration
    check_that_the_others_lost_nothing(bench)


def test_sick_counters_take_nothing_from_the_screen(tmp_path: Path) -> None:
    """It is drawn as often, answers keys, and `q` ends it in order."""
    with sick_bench(tmp_path) as bench:
        words = ("--bench", str(bench.file), "--journal", str(bench.journal), "--nominal", "10MHz")
        command = (*COMMAND, "watch", *words)
        with (
            contextlib.closing(Terminal(command, tmp_path, width=120, height=36)) as screen,
            Stalls() as stalls,
        ):
            screen.wait_until(lambda _: bench.all_read)
            with bench.sick(screen.child.pid) as from_s:
                waits_s = []
                for _ in range(7):
                    began_s, before = time.monotonic(), len(screen.seen)
                    screen.type(b"u")
                    screen.wait_until(lambda _, n=before: b"fractions in" in screen.seen[n:])  # type: ignore[misc] # binds the value of this round
                    waits_s.append(stalls.since(began_s))
                    screen.read(0.3)
                screen.wait_until(lambda _: newest_s(bench.journal) > from_s + 5.0)
            watch = Stopwatch(screen.child.pid)
            screen.type(b"q")
            code = screen.end()
            took_s = watch.elapsed_s

    assert (code, took_s < QUIT_S) == (0, True), took_s
    assert sorted(waits_s)[3] < 0.5, waits_s
    check_that_the_others_lost_nothing(bench)


def gaps_of(
    journal: Path, since_s: float, longer_than_s: float = 0.0
) -> dict[str, list[tuple[float, float, str]]]:
    """Return begin, length and reason of the gaps that ended after `since_s`, by counter.

    Times are seconds of the run.
    """
    query = "SELECT counter, elapsed_s, lasted_s, reason FROM gaps JOIN runs USING (run)"
    found = defaultdict(list)
    for counter, began_s, lasted_s, reason in ask(journal, query):
        if began_s + lasted_s > since_s and lasted_s > longer_than_s:
            found[counter].append((began_s, lasted_s, reason))
    return found


def test_fifty_drop_at_once_and_come_back(tmp_path: Path) -> None:
    """Each has one gap that is as long as nothing came, nothing is read in it, and all are back."""
    journal, gone_s = tmp_path / "journal.db", 1.5
    with contextlib.closing(SimulatedCounters(tmp_path, FIFTY, GATE_S)) as simulated:
        words = ("--bench", str(watched_bench(tmp_path, simulated.resources)))
        with Watching(*words, journal=journal) as watching:
            for name in simulated.resources:
                watching.wait_for_narration(f"{name}: reading ")
            watch, since_s = Stopwatch(watching.process.pid), newest_s(journal)
            simulated.fault("closed", gone_s, *simulated.resources)
            for name in simulated.resources:
                watching.wait_for_narration(f"{name}: lost: the counter closed")
            assert wait_until(lambda: len(gaps_of(journal, since_s, gone_s)) == FIFTY)
            waited_s = watch.total_s - watch.elapsed_s
            watching.wait_for_more(3 * FIFTY)
            code = watching.end(signal.SIGTERM)

    assert code == 130
    gaps, times = gaps_of(journal, since_s), times_of(journal)
    assert sorted(gaps) == sorted(simulated.resources)
    for counter, of_one in gaps.items():
        longest = max(of_one, key=lambda gap: gap[1])
        closed = next((gap for gap in of_one if CLOSED in gap[2]), longest)
        assert gone_s < closed[1] < gone_s + 4.0 + waited_s, (counter, of_one)
        assert all(BUSY in reason for *_, reason in of_one if reason is not closed[2]), of_one
        for began_s, lasted_s, _ in of_one:
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
    gaps = Counter(resource for (resource,) in ask(
        journal, "SELECT resource FROM gaps JOIN runs USING (run)"))  # fmt: skip
    for served, answered in zip((first, second), sent, strict=True):
        for name, resource in served.resources.items():
            read = found[resource, name]
            values = [value_of(n) for n in range(1, answered[name] + 1)]
            assert read == [value for value in values if value in set(read)], name
            # One is in flight. Where the machine stood still, one may not be used: that is a gap.
            assert answered[name] - len(read) <= 1 + gaps[resource], name
    kept = {(name, value) for (at, name), values in found.items() for value in values
            if at == first.resources[name]}  # fmt: skip
    assert set(shown) <= kept
