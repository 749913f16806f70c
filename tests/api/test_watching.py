"""A script that watches counters: snapshots come, links close, failures are errors."""

import threading
from pathlib import Path

import pytest

import benchwatch


def test_a_simulated_bench_is_watched_and_closed(tmp_path: Path) -> None:
    """Each reading gives a snapshot; all threads end, and the journal has the readings."""
    before = threading.active_count()
    journal = tmp_path / "runs.db"
    with benchwatch.watch(sim="fast", seed=5, count=4, journal=journal) as watch:
        seen = list(watch)

    measured = [now for now in seen if now.reading and "repeat" not in now.reading.flags]
    assert [now.readings for now in measured] == [1, 2, 3, 4]
    assert watch.outcome is not None
    assert watch.outcome.reason == "count reached"
    assert threading.active_count() <= before
    assert len(benchwatch.read_run(journal=journal)) == len(seen)
    with pytest.raises(benchwatch.UsageError, match="is closed"):
        next(iter(watch))


def test_leaving_early_ends_the_run(tmp_path: Path) -> None:
    """After the first reading; the handle to the counter has the snapshot."""
    with benchwatch.watch(sim="fast", seed=5, tolerance="5ppb") as watch:
        now = next(iter(watch))
        newest = watch.counter(now.counter).snapshot

    assert now.reading is not None
    assert newest.readings >= 1
    assert newest.numbers.tolerance is None or newest.numbers.tolerance.limit == 5e-9
    assert watch.outcome is not None


def test_nothing_that_answers_is_a_connection_error() -> None:
    """The sentence is that of the command."""
    with (
        benchwatch.watch("TCPIP0::127.0.0.1::1::SOCKET") as watch,
        pytest.raises(benchwatch.ConnectionFailed, match="nothing listens on that port"),
    ):
        list(watch)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({}, "nothing to watch"),
        ({"sim": "fast", "resources": "COM3"}, "leave resources and bench out"),
        ({"resources": "A", "seed": 3}, "seed is for a simulated bench"),
        ({"resources": ["A", "A"]}, "given twice"),
        ({"resources": "A", "until_settled": True}, "add settle"),
        ({"resources": "A", "driver": "nobody's"}, "nobody's"),
        ({"resources": "A", "nominal": "fast"}, "fast"),
    ],
)
def test_settings_that_do_not_fit_are_refused(settings: dict[str, object], message: str) -> None:
    """Before anything is opened."""
    with pytest.raises(benchwatch.UsageError, match=message):
        benchwatch.watch(**settings)  # type: ignore[arg-type]
