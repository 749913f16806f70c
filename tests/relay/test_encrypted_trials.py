"""Stations, keeper and broker with certificates of ``relay init``: outages lose and double nothing.

The record is compared with the journals row by row, by code that shares nothing with the program.
"""

from pathlib import Path

import pytest
from relay_folder_kit import MadeRelay
from relay_trial_kit import RelayTrial, assert_complete, come_true, relay_trial

pytestmark = pytest.mark.long

STATIONS = 6


def speaks_tls_alone(trial: RelayTrial) -> bool:
    """Return whether the broker listens at one port, and takes nobody there without TLS."""
    config = (trial.broker.folder / "broker.conf").read_text("utf-8").splitlines()
    listeners = [line for line in config if line.startswith("listener ")]
    return len(listeners) == 1 and "require_certificate true" in config


def test_an_outage_is_made_up_over_tls(tmp_path: Path) -> None:
    """Thousands of events wait for the broker, and are then in the record, each once."""
    made = MadeRelay(tmp_path / "relay", stations=STATIONS)
    with relay_trial(tmp_path, certificates=made) as trial:
        stations = trial.add_stations(STATIONS, "--every", "20ms")
        assert speaks_tls_alone(trial)
        assert trial.grows()
        trial.broker.kill()
        assert trial.take(readings=3000)
        assert come_true(lambda: stations.ask("unsent all") not in {"0", "?"})
        trial.broker.start()
        assert trial.grows(by=3000)
        trial.end_stations()

        assert_complete(trial, least=3000)


def test_every_part_is_killed_in_turn_over_tls(tmp_path: Path) -> None:
    """Broker, keeper, database and stations by signal 9, one after the other."""
    made = MadeRelay(tmp_path / "relay", stations=STATIONS)
    with relay_trial(tmp_path, certificates=made) as trial:
        stations = trial.add_stations(STATIONS, "--every", "200ms")
        assert trial.grows()
        for part in (trial.broker, trial.keeper, trial.database.server, stations):
            part.kill()
            part.start()
            assert trial.grows()
        trial.end_stations()

        assert_complete(trial, least=200)
