"""A script that watches counters: snapshots come, links close, failures are errors."""

import threading
from pathlib import Path

import pytest

import benchwatch

NOBODY = "TCPIP0::127.0.0.1::1::SOCKET"
"""Nothing listens there."""


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


@pytest.mark.parametrize("address", [NOBODY, "127.0.0.1:1"])
def test_nothing_that_answers_is_a_connection_error(address: str) -> None:
    """The sentence is that of the command; a plain address is understood."""
    with (
        benchwatch.watch(address) as watch,
        pytest.raises(benchwatch.ConnectionFailed, match="nothing listens on that port"),
    ):
        list(watch)


def test_a_resource_string_that_is_none_is_a_usage_error() -> None:
    """A misspelt one, which only the bus can refuse."""
    with (
        benchwatch.watch("TCPIP0::127.0.0.1::1::SOCKETS") as watch,
        pytest.raises(benchwatch.UsageError, match="SOCKETS"),
    ):
        list(watch)


def test_a_bench_file_names_the_counters(tmp_path: Path) -> None:
    """All of them, or those that are asked for; the settings of the script go first."""
    path = tmp_path / "bench.toml"
    counters = "".join(
        f'[counters.{name}]\nresource = "TCPIP0::127.0.0.1::{port}::SOCKET"\nnominal = "10 MHz"\n'
        for name, port in (("ten", 1), ("five", 2))
    )
    path.write_text(f'tolerance = "5 ppb"\n{counters}')
    with benchwatch.watch(bench=path) as watch:
        assert watch.names == ("ten", "five")
    with benchwatch.watch("five", bench=path, tolerance="1 ppb") as watch:
        assert watch.names == ("five",)
        assert watch.counter().pipeline.plan.tolerance == 1e-9
    with pytest.raises(benchwatch.UsageError, match="has no counter 'one'"):
        benchwatch.watch("one", bench=path)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({}, "nothing to watch"),
        ({"sim": "fast", "resources": NOBODY}, "leave resources and bench out"),
        ({"resources": NOBODY, "seed": 3}, "seed is for a simulated bench"),
        ({"resources": [NOBODY, NOBODY]}, "given twice"),
        ({"resources": NOBODY, "until_settled": True}, "add settle"),
        ({"resources": NOBODY, "driver": "nobody's"}, "nobody's"),
        ({"resources": NOBODY, "nominal": "fast"}, "fast"),
    ],
)
def test_settings_that_do_not_fit_are_refused(settings: dict[str, object], message: str) -> None:
    """Before anything is opened."""
    with pytest.raises(benchwatch.UsageError, match=message):
        benchwatch.watch(**settings)  # type: ignore[arg-type]
