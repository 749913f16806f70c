"""What a watch tells the part that sends its events."""

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from pipeline_kit import reading

from benchwatch.acquire import CounterStatus
from benchwatch.clock import SystemClock
from benchwatch.counter import LinkStatus
from benchwatch.journal import Journal
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.quantity import parse_frequency
from benchwatch.reading import Event, Gap, Mark, Reading
from benchwatch.run.live_counter import LiveCounter
from benchwatch.run.live_watch import LiveWatch
from benchwatch.snapshot import RelayNow, Snapshot

PLAN = Plan(name="main", resource="FAKE", nominal=parse_frequency("10 MHz"))
AT_STATION = CounterStatus(link=LinkStatus("reading", 0.5))
GAP = Gap(counter="main", utc_s=1e9, elapsed_s=9.0, lasted_s=2.0, reason="mute")


class Taken:
    """Keeps what it is told."""

    def __init__(self) -> None:
        self.counters: list[str] = []
        self.events: list[tuple[Event, Snapshot]] = []

    notices = ()

    def stop(self) -> str:
        """Do nothing."""
        return ""

    def started(self, counters: Mapping[str, LiveCounter]) -> None:
        """Keep the names."""
        self.counters = list(counters)

    def took(self, event: Event, snapshot: Snapshot) -> None:
        """Keep an event."""
        self.events.append((event, snapshot))


class Played:
    """Stands in for the thread that reads a counter: gives a reading and a gap when started."""

    def __init__(self, **asked: object) -> None:
        self._take = asked["on_event"]

    def start(self) -> None:
        """Give the events."""
        for event in (reading(1), GAP):
            self._take(event)  # type: ignore[operator]

    def stop(self) -> None:
        """Do nothing."""

    def join(self, _timeout: float) -> None:
        """Do nothing."""


def rows_of(path: Path, run: int | None) -> dict[int, str]:
    """Return the numbers of the events of a run in the file, each with its table."""
    with closing(sqlite3.connect(path)) as connection:
        return {
            number: table
            for table in ("readings", "gaps", "marks")
            for (number,) in connection.execute(
                f"SELECT number FROM {table} WHERE run = ?",
                (run,),
            )
        }


def test_the_relay_is_told_every_event_with_its_number_in_the_journal(tmp_path: Path) -> None:
    """Readings, gaps and marks, also those of the operator, in the order of their numbers."""
    journal, relay = Journal(tmp_path / "journal.db"), Taken()
    run = LiveWatch([PLAN], journal=journal, relay=relay, acquire=Played)  # type: ignore[arg-type]
    run.start()
    run.mark("cover off")
    run.counter("main").pipeline.note("by hand", 1e9, 20.0)
    run.stop()
    told = {snapshot.number: type(event).__name__.lower() + "s" for event, snapshot in relay.events}
    runs = {snapshot.run for _, snapshot in relay.events}
    journal.close()

    assert relay.counters == ["main"]
    assert [type(event) for event, _ in relay.events] == [Reading, Gap, Mark, Mark]
    assert len(runs) == 1
    assert rows_of(tmp_path / "journal.db", runs.pop()) == told


def test_after_another_visit_events_have_the_key_of_its_run(tmp_path: Path) -> None:
    """A line must say under which run the record has it."""
    journal = Journal(tmp_path / "journal.db")
    pipeline = Pipeline(PLAN, journal=journal, utc_s=1e9)
    first = pipeline.take(reading(1))
    pipeline._journal.begin_another(1e9 + 2, "another visit")
    second = pipeline.take(reading(2))

    assert first.run in journal.own_runs
    assert second.run in journal.own_runs
    assert first.run != second.run
    assert list(rows_of(tmp_path / "journal.db", second.run)) == [second.number]
    journal.close()


def test_numbers_go_on_while_the_journal_can_not_be_written(tmp_path: Path) -> None:
    """The number that is told is the one under which the event is written later."""
    journal = Journal(tmp_path / "journal.db")
    pipeline = Pipeline(PLAN, journal=journal, utc_s=1e9)
    with closing(sqlite3.connect(tmp_path / "journal.db", isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        told = [pipeline.take(reading(number)).number for number in range(3)]
        waits = journal.not_on_disk
        other.execute("ROLLBACK")
    journal.close()

    assert waits == 3
    assert list(rows_of(tmp_path / "journal.db", pipeline.snapshot.run)) == told


def test_without_a_journal_there_is_neither_run_nor_number() -> None:
    """Such events can't be sent, and nothing may look as if they could."""
    shown = Pipeline(PLAN).take(reading(1))

    assert (shown.run, shown.number) == (None, None)


def test_how_sending_stands_is_in_every_later_snapshot_and_its_words_in_no_journal(
    tmp_path: Path,
) -> None:
    """A note on the broker would itself be one more event to send."""
    journal, away = Journal(tmp_path / "journal.db"), RelayNow(unsent=7, trouble="no broker")
    pipeline = Pipeline(PLAN, journal=journal, utc_s=1e9)
    counter = LiveCounter(pipeline, SystemClock(), 0.0)
    counter.show_relay(away, "the broker is away")
    after = [pipeline.take(reading(1)), pipeline.take(replace(GAP, elapsed_s=3.0))]
    journal.close()
    with closing(sqlite3.connect(tmp_path / "journal.db")) as connection:
        notes = connection.execute("SELECT document FROM notes").fetchall()

    assert [one.relay for one in after] == [away, away]
    assert "the broker is away" in [one.text for one in after[-1].logged_events or ()]
    assert notes == []


def test_a_counter_elsewhere_is_unsent_while_its_station_says_so() -> None:
    """The bench view of a desk has the same word as that of the station."""
    pipeline = Pipeline(replace(PLAN, station="tide-007"))
    pipeline.take(reading(1))
    behind = pipeline.connect(replace(AT_STATION, unsent=4286))
    behind_still = pipeline.take(reading(2))
    well = pipeline.connect(AT_STATION)

    assert behind.relay == behind_still.relay == RelayNow(unsent=4286, behind=True)
    assert well.relay is None


def test_the_status_of_a_counter_here_says_nothing_of_sending() -> None:
    """Only the relay of this watch does."""
    pipeline = Pipeline(PLAN)
    away = RelayNow(trouble="no broker")
    LiveCounter(pipeline, SystemClock(), 0.0).show_relay(away, "")

    assert pipeline.connect(AT_STATION).relay == away


def test_a_counter_that_is_not_journaled_is_not_sent() -> None:
    """Such as one of another station, which that station sends."""
    relay = Taken()
    run = LiveWatch([PLAN], relay=relay, acquire=Played)  # type: ignore[arg-type]
    run.start()
    run.stop()

    assert run.counter("main").snapshot.readings == 1
    assert (relay.counters, relay.events) == ([], [])


@pytest.mark.parametrize("kept", [True, False])
def test_a_watch_without_a_relay_calls_nothing(tmp_path: Path, kept: bool) -> None:
    """One machine alone changes nothing."""
    journal = Journal(tmp_path / "journal.db") if kept else None
    run = LiveWatch([PLAN], journal=journal, acquire=Played)  # type: ignore[arg-type]
    run.start()
    run.stop()

    assert run.counter("main").pipeline.on_taken is None
    assert run.counter("main").snapshot.relay is None
    if journal is not None:
        journal.close()
