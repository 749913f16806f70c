"""Runs of a journal that are read as one recording: which they are, and how their times go on."""

from collections.abc import Iterable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from pipeline_kit import RUN, START_UTC_S, reading

from benchwatch.errors import FileError
from benchwatch.journal import Journal
from benchwatch.journal.schema import JournalRun, settings_text
from benchwatch.reading import Entry, Gap, Mark, Reading
from benchwatch.recording import (
    EventStream,
    Selection,
    StatedFacts,
    read_recording,
    read_recordings,
    run_selection,
)

HOUR_S = 3600.0
SIMULATED = settings_text(simulated_bench="station")


def run(number: int, **changed: object) -> JournalRun:
    """Return a made run of a watch of its own, `number` hours after the first."""
    start = START_UTC_S + number * HOUR_S
    key = (1_900_000_000_000 + number) << 20
    made = replace(RUN, key=key, watch=key, started_utc_s=start)
    return replace(made, **changed)  # type: ignore[arg-type]


def add(
    path: Path,
    *runs: JournalRun,
    seconds: Iterable[int] = range(1, 11),
    events: Iterable[Entry] = (),
) -> None:
    """Write runs with a reading at each of `seconds` of their time; `events` end the last one."""
    journal = Journal(path)
    for one in runs:
        journal.save_run(one)
        for second in seconds:
            event = reading(second, f"10000000.{second:04d}", counter=one.counter)
            journal.write(one.key, replace(event, utc_s=one.started_utc_s + second))
    for event in events:
        journal.write(runs[-1].key, event)
    journal.close()


def selected(*runs: JournalRun) -> Selection:
    """Return the selection of `runs`."""
    return Selection(tuple(one.key for one in runs))


def counters(path: Path) -> list[tuple[str | None, float | None]]:
    """Return name and start of each recording that is read where no run is named."""
    return [(one.counter, one.utc_start_s) for one in read_recordings(str(path))]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return the path of a new journal."""
    return tmp_path / "journal.db"


# ------------------------------------------------------------- which runs


def test_the_newest_watch_of_real_counters_is_read(path):
    """A demo on a simulated bench hides no earlier work, nor does a watch without readings."""
    add(path, run(0), run(1, counter="ten"))
    add(path, run(2, settings=SIMULATED, counter="main"))
    add(path, run(3), seconds=())

    assert counters(path) == [("ten", START_UTC_S + HOUR_S)]


def test_without_real_counters_the_newest_simulated_watch_is_read(path):
    """Where only simulated benches were watched, the newest of them is meant."""
    add(path, run(0, settings=SIMULATED), run(1, settings=SIMULATED, counter="ten"))

    assert counters(path) == [("ten", START_UTC_S + HOUR_S)]


@pytest.mark.parametrize("at_first", [1, 2, 3, 4, 50])
def test_the_same_watch_is_found_among_few_runs_and_among_all(path, monkeypatch, at_first):
    """Only the newest runs are looked at first; a watch that is cut there is still read whole."""
    monkeypatch.setattr(run_selection, "RUNS_AT_FIRST", at_first)
    ten, five = run(1, counter="ten"), run(2, counter="five", watch=run(1).watch)
    add(path, run(0), ten, five)
    add(path, run(3, settings=SIMULATED), run(4, settings=SIMULATED))

    assert [name for name, _ in counters(path)] == ["ten", "five"]


def test_all_counters_of_the_newest_watch_are_read(path):
    """A watch of two counters gives both."""
    add(path, run(0), run(1, counter="ten"), run(2, counter="five", watch=run(1).watch))

    assert [name for name, _ in counters(path)] == ["ten", "five"]


def test_one_chosen_run_is_read_alone(path):
    """Neither an earlier nor a later run comes with it."""
    add(path, run(0), run(1), run(2))
    recording = read_recording(str(path), selection=selected(run(1)))

    assert len(recording) == 10
    assert recording.utc_start_s == START_UTC_S + HOUR_S


# ------------------------------------------------------------- times of several runs


def test_the_times_of_a_later_watch_go_on(path):
    """Elapsed times count from the first run's start, and every date is right."""
    runs = run(0), run(1), run(5)
    add(path, *runs)
    recording = read_recording(str(path), selection=selected(*runs))
    expected = [hour * HOUR_S + second for hour in (0, 1, 5) for second in range(1, 11)]

    assert recording.time_s == pytest.approx(expected, abs=1e-6)
    assert recording.utc_start_s == START_UTC_S
    assert recording.text == tuple(f"10000000.{n:04d}" for n in range(1, 11)) * 3
    assert [gap.before for gap in recording.gaps] == [10, 20]
    assert recording.gaps[0].begin_s == pytest.approx(10.5)
    assert recording.gaps[0].lasted_s == pytest.approx(HOUR_S - 10.0)
    assert recording.gaps[1].reason == "not watched between run 2 and run 3"
    assert recording.interval_s == 1.0


def test_events_come_in_order_with_their_dates(path):
    """Read event by event it is the same: readings, the gap, and marks at their moments."""
    runs = run(0), run(1)
    closed = Mark(
        counter="main", utc_s=START_UTC_S + HOUR_S + 10.4, elapsed_s=10.4, text="lid closed"
    )
    add(path, *runs, events=[closed])
    stream = EventStream(str(path), StatedFacts(), selection=selected(*runs), say=lambda _: None)
    events = list(stream)
    readings = [event for event in events if isinstance(event, Reading)]
    (gap,) = (event for event in events if isinstance(event, Gap))
    (mark,) = (event for event in events if isinstance(event, Mark))

    assert [event.elapsed_s for event in events] == sorted(event.elapsed_s for event in events)
    assert [event.utc_s - event.elapsed_s for event in readings] == pytest.approx(
        [START_UTC_S] * 20, abs=1e-6
    )
    assert readings[10].utc_s == pytest.approx(START_UTC_S + HOUR_S + 1.0)
    assert gap.elapsed_s == pytest.approx(10.5)
    assert mark.elapsed_s == pytest.approx(HOUR_S + 10.4)


def test_counters_of_several_watches_share_one_time(path):
    """The zero of all is the start of the first run, also of a counter that joined later."""
    first = run(0, counter="ten")
    second = run(1, counter="ten"), run(2, counter="five", watch=run(1).watch,
                                        started_utc_s=START_UTC_S + HOUR_S)  # fmt: skip
    add(path, first, *second)
    ten, five = read_recordings(str(path), selection=selected(first, *second))

    assert ten.time_s[-1] == pytest.approx(five.time_s[-1])
    assert five.time_s[0] == pytest.approx(HOUR_S + 1.0)
    assert five.utc_start_s == pytest.approx(START_UTC_S)


def test_a_clock_set_back_between_two_runs_loses_no_reading(path):
    """A later run that is dated before the end of the earlier one is put after it, and said."""
    late = run(1, started_utc_s=START_UTC_S - HOUR_S)
    add(path, run(0), late)
    recording = read_recording(str(path), selection=selected(run(0), late))

    assert len(recording) == 20
    assert (np.diff(recording.time_s) > 0).all()
    assert recording.time_s[10] == pytest.approx(12.0)
    assert any(
        "by its dates run 2 begins before run 1 has ended" in note for note in recording.notes
    )


def test_runs_of_different_nominals_are_not_joined(path):
    """One recording has one nominal: the sentence names both and what to do."""
    other = run(1, nominal_hz=Decimal(5_000_000))
    add(path, run(0), other)

    with pytest.raises(FileError, match=r"10 MHz in run 1 and 5 MHz in run 2.*with --run"):
        read_recordings(str(path), selection=selected(run(0), other))


def test_a_run_without_a_known_nominal_takes_that_of_the_others(path):
    """It was interrupted before its first reading told the nominal."""
    unknown = run(0, nominal_hz=None)
    add(path, unknown, run(1))
    recording = read_recording(str(path), selection=selected(unknown, run(1)))

    assert recording.nominal == Decimal(10_000_000)


def test_a_run_that_was_removed_meanwhile_is_said(path):
    """The journal may be archived while a command begins to read it."""
    add(path, run(0))

    with pytest.raises(FileError, match="no longer has a run that was to be read"):
        read_recordings(str(path), selection=selected(run(4)))


def test_an_empty_selection_has_no_readings(path):
    """Runs without readings give the sentence of an empty file."""
    add(path, run(0), seconds=())

    with pytest.raises(FileError, match="holds no readings"):
        read_recordings(str(path), selection=selected(run(0)))
