"""Parts that stand still and connections that are cut: nothing is lost, and nothing comes twice."""

from pathlib import Path

import pytest
from relay_trial_kit import assert_complete, relay_trial

pytestmark = pytest.mark.long


def test_what_stands_still_for_a_while_loses_nothing(tmp_path: Path) -> None:
    """Broker, keeper and database are open and silent, longer than stations wait for answers."""
    with relay_trial(tmp_path) as trial:
        trial.add_stations(40, "--every", "500ms")
        assert trial.grows()
        for part in (trial.broker, trial.keeper, trial.database.server):
            part.pause()
            assert trial.take(readings=640)
            part.resume()
            assert trial.grows()
        assert trial.grows()
        trial.end_stations()
        assert_complete(trial, least=1200)


def test_links_that_are_cut_and_stations_that_fall_silent_come_back(tmp_path: Path) -> None:
    """Each station goes on from where the record is, also one whose broker is gone meanwhile."""
    with relay_trial(tmp_path) as trial:
        stations = trial.add_stations(40, "--every", "500ms")
        assert trial.grows()
        assert stations.ask("link off all") == "ok"
        assert trial.take(readings=200)
        assert stations.ask("link on all") == "ok"
        assert stations.ask("counters off tide-001") == "ok"
        assert stations.ask("power off tide-002") == "ok"
        assert trial.grows()
        trial.broker.kill()
        assert stations.ask("power on tide-002") == "ok"
        assert stations.ask("counters on tide-001") == "ok"
        assert trial.take(readings=200)
        trial.broker.start()
        assert trial.grows(by=400)
        trial.end_stations()
        assert_complete(trial, least=800)
