"""A disk that is full, at a station, under the record and under the broker: nothing is lost."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from disk_kit import tiny_disk
from relay_trial_kit import assert_complete, come_true, relay_trial
from server_process_kit import servers_folder

pytestmark = pytest.mark.long


@contextmanager
def full(disk: Path) -> Iterator[None]:
    """Fill a small disk to its last byte, and free it again."""
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file:
        for size in (1 << 16, 1 << 9, 1):
            while True:
                try:
                    file.write(bytes(size))
                except OSError:
                    break
    try:
        yield
    finally:
        filler.unlink()


def test_a_station_with_a_full_disk_sends_its_readings_when_there_is_room(tmp_path: Path) -> None:
    """They wait in memory; other stations go on meanwhile."""
    with tiny_disk(tmp_path / "disk", "4m") as disk, relay_trial(tmp_path) as trial:
        trial.add_stations(4, "--every", "100ms")
        crowded = trial.add_stations(2, "--every", "100ms", folder=disk / "stations")
        assert trial.grows()
        with full(disk):
            assert trial.take(readings=400)
            assert trial.grows()
            assert "is full" in crowded.log.read_text("utf-8")
        assert trial.take(readings=100)
        trial.end_stations()
        assert_complete(trial, least=600)


def test_a_record_with_a_full_disk_goes_on_when_there_is_room(tmp_path: Path) -> None:
    """Stations keep what is not answered; the server may end by itself, and is started again."""
    with (
        tiny_disk(servers_folder() / "disk_of_record", "96m") as disk,
        relay_trial(tmp_path, database_folder=disk) as trial,
    ):
        stations = trial.add_stations(10, "--every", "100ms")
        assert trial.grows()
        with full(disk):
            assert come_true(lambda: stations.ask("unsent all") not in {"?", "0"})
            assert trial.take(readings=1000)
        assert "No space left on device" in trial.database.server.log.read_text("utf-8")
        if not trial.database.server.is_running:
            trial.database.server.kill()
            trial.database.start()
        assert trial.grows()
        trial.end_stations()
        assert_complete(trial, least=1000)


def test_a_broker_with_a_full_disk_carries_on(tmp_path: Path) -> None:
    """What it can't save is sent again; it may be killed meanwhile."""
    with (
        tiny_disk(tmp_path / "disk", "1m") as disk,
        relay_trial(tmp_path, broker_folder=disk) as trial,
    ):
        trial.add_stations(10, "--every", "100ms")
        assert trial.grows()
        with full(disk):
            assert trial.grows(by=200)
            trial.broker.kill()
            trial.broker.start()
            assert trial.grows(by=200)
        assert trial.grows()
        trial.end_stations()
        assert_complete(trial, least=500)
