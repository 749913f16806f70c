"""Minutes of a relay whose parts are killed, held up, set back and put right in any order.

python -m pytest tests/benchmarks/test_soak_relay.py -s
"""

import random
import secrets
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from relay_trial_kit import RelayTrial, assert_complete, come_true, relay_trial
from server_process_kit import Server

LASTS_S = 300.0
STATIONS = 40
LONGEST_FAULT_S = 30.0
"""Longer than a broker keeps a connection on which nothing comes (1.5 times 15 s)."""


class Faults:
    """Faults of a relay, one after another, some of them at one time.

    Args:
        trial: its parts.
        chance: what happens, when and how long.
        backup: folder for a backup of the record.
    """

    def __init__(self, trial: RelayTrial, chance: random.Random, backup: Path) -> None:
        self._trial, self._chance, self._backup = trial, chance, backup
        self._ends: list[tuple[float, Callable[[], object]]] = []
        self._held: set[Server] = set()
        """Parts that are killed or stand still."""
        self.done: dict[str, int] = {}

    def begin_one(self) -> None:
        """Begin a fault, which ends by itself later; see `end_due`."""
        act = self._chance.choice(
            (self._kill, self._pause, self._link, self._power, self._clock, self._disk,
             self._silent, self._save, self._set_back)
        )  # fmt: skip
        if act():
            name = act.__name__.strip("_")
            self.done[name] = self.done.get(name, 0) + 1

    def end_due(self, *, all_of_them: bool = False) -> None:
        """End the faults that have lasted long enough."""
        now_s = time.monotonic()
        due = [end for end in self._ends if all_of_them or end[0] <= now_s]
        self._ends = [end for end in self._ends if end not in due]
        for _, act in due:
            act()

    def _later(self, act: Callable[[], object]) -> bool:
        lasts_s = LONGEST_FAULT_S * self._chance.random() ** 3
        self._ends.append((time.monotonic() + lasts_s, act))
        return True

    def _part(self) -> Server | None:
        trial = self._trial
        parts = (trial.broker, trial.keeper, trial.database.server, *trial.stations)
        part = self._chance.choice(parts)
        return None if part in self._held else part

    def _kill(self) -> bool:
        part = self._part()
        if part is None:
            return False
        self._held.add(part)
        part.kill()
        return self._later(lambda: (part.start(), self._held.discard(part)))

    def _pause(self) -> bool:
        part = self._part()
        if part is None:
            return False
        self._held.add(part)
        part.pause()
        return self._later(lambda: (part.resume(), self._held.discard(part)))

    def _at_station(self, begin: str, end: str) -> bool:
        stations = self._chance.choice(self._trial.stations)
        if stations in self._held:
            return False
        name = self._chance.choice(list(stations.files))
        stations.ask(f"{begin} {name}")
        return self._later(lambda: stations in self._held or stations.ask(f"{end} {name}"))

    def _link(self) -> bool:
        return self._at_station("link off", "link on")

    def _power(self) -> bool:
        return self._at_station("power off", "power on")

    def _clock(self) -> bool:
        return self._at_station(f"clock {self._chance.randrange(-5000, 5000)}h", "clock 0")

    def _disk(self) -> bool:
        return self._at_station("disk full", "disk free")

    def _silent(self) -> bool:
        return self._at_station("counters off", "counters on")

    def _save(self) -> bool:
        if self._trial.database.server in self._held:
            return False
        shutil.rmtree(self._backup, ignore_errors=True)
        self._trial.save(self._backup)
        return True

    def _set_back(self) -> bool:
        if self._trial.database.server in self._held or not self._backup.exists():
            return False
        self._trial.set_back(self._backup)
        return True


@pytest.mark.timeout(900)
def test_nothing_is_lost_or_doubled_in_minutes_of_faults(tmp_path: Path) -> None:
    """Compare record and journals row by row at the end; print what happened."""
    seed = secrets.randbits(32)
    chance = random.Random(seed)
    with relay_trial(tmp_path) as trial:
        for _ in range(4):
            trial.add_stations(STATIONS // 4)
        faults = Faults(trial, chance, tmp_path / "backup")
        ends_s = time.monotonic() + LASTS_S
        while time.monotonic() < ends_s:
            faults.begin_one()
            time.sleep(chance.uniform(0.2, 6.0))
            faults.end_due()
        faults.end_due(all_of_them=True)
        for stations in trial.stations:
            for words in ("power on", "link on", "disk free", "clock 0", "counters on"):
                assert stations.ask(f"{words} all") == "ok"
        assert come_true(lambda: trial.count() >= 0)
        assert trial.grows()
        trial.end_stations()
        found = trial.compare()
        print(f"\nseed {seed}: {faults.done}\n{found}")
        assert_complete(trial, least=1000)
