"""Forty stations keep their readings while all parts of the relay are killed, one by one and all.

The record is compared with the journals row by row, by code that shares nothing with the program.
"""

from pathlib import Path

import pytest
from register_kit import fill
from relay_trial_kit import assert_complete, come_true, relay_trial

from benchwatch.register import register_path

pytestmark = pytest.mark.long


def test_nothing_is_lost_or_doubled_when_every_part_is_killed(tmp_path: Path) -> None:
    """Broker, keeper, database and ten stations by signal 9, each alone and then all at once."""
    for name in ("tide-001", "tide-040"):
        (tmp_path / "stations" / name).mkdir(parents=True)
        for simulated in (False, True):
            journal = tmp_path / "stations" / name / "journal.sqlite"
            fill(register_path(journal, simulated=simulated), 10)
    with relay_trial(tmp_path) as trial:
        trial.add_stations(30)
        killed = trial.add_stations(10)
        parts = (trial.broker, trial.keeper, trial.database.server, killed)
        assert trial.grows()
        for part in parts:
            part.kill()
            part.start()
            assert trial.grows()
        for part in parts:
            part.kill()
        for part in parts:
            part.start()
        assert trial.grows()
        for simulated in (False, True):
            fill(register_path(journal, simulated=simulated), 10)
        trial.end_stations()
        assert come_true(lambda: trial.count("entries") > 100)
        assert_complete(trial, least=500)


def test_a_record_that_is_set_back_is_filled_up_again(tmp_path: Path) -> None:
    """As after an old backup: the answers fall back, and the stations send what is missing."""
    with relay_trial(tmp_path) as trial:
        trial.add_stations(40, "--every", "500ms")
        assert trial.grows()
        trial.save(tmp_path / "backup")
        saved = trial.count()
        assert trial.grows(by=400)
        trial.set_back(tmp_path / "backup")
        assert come_true(lambda: trial.count() >= saved)
        assert trial.grows()
        trial.end_stations()
        assert_complete(trial, least=saved + 400)


def test_clocks_that_are_wrong_by_hours_and_years_lose_nothing(tmp_path: Path) -> None:
    """Also of days that have no partition of their own, and of a clock that is set back."""
    with relay_trial(tmp_path) as trial:
        stations = trial.add_stations(8, "--every", "200ms")
        for ahead, name in (("3h", "tide-001"), ("-26h", "tide-002"), ("-4000d", "tide-003"),
                            ("800d", "tide-004"), ("49h", "tide-005")):  # fmt: skip
            assert stations.ask(f"clock {ahead} {name}") == "ok"
        assert trial.grows()
        assert stations.ask("clock 0 all") == "ok"
        assert stations.ask("clock -2h tide-006") == "ok"
        assert trial.grows()
        trial.keeper.kill()
        assert stations.ask("power off tide-003") == "ok"
        assert stations.ask("power on tide-003") == "ok"
        trial.keeper.start()
        assert trial.grows()
        trial.end_stations()
        assert_complete(trial, least=100)
