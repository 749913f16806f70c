"""Profiles against simulated counters that speak their dialect on real sockets."""

import contextlib
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from tempfile import mkdtemp
from typing import Self

import pytest
from acquisition_kit import EventRecorder
from journal_kit import BUSY
from link_kit import open_link
from load_kit import LONGEST_WAIT_S, Stalls

from benchwatch.acquire import Acquisition
from benchwatch.clock import SystemClock
from benchwatch.counter import Setup
from benchwatch.quantity import parse_frequency
from benchwatch.reading import Reading
from benchwatch_drivers.bundled_profiles import bundled, load
from benchwatch_simulators.bench.simulated_bench import ServedBench, open_bench
from benchwatch_simulators.faults import FAULT_KINDS

BENCH = """
about = "a quiet oscillator for tests"

[oscillators.main]
nominal = "10 MHz"
landing = "37 ppb"
white_fm = "1e-11"

[counters.main]
oscillator = "main"
resolution = "1e-11 s"
"""
COUNTERS = {
    "terse": 'dialect = "terse"\ngate = "0.05 s"',
    "talk-only": 'dialect = "talk-only"\ngate = "0.05 s"',
    "talk-only-display": 'dialect = "talk-only"\nstyle = "display"\ngate = "0.05 s"',
    "talk-only, serial": 'bus = "serial"\ndialect = "talk-only"\ngate = "0.05 s"',
    "terse, serial": 'bus = "serial"\ndialect = "terse"\ngate = "0.05 s"',
    "terse-addressed, lan-gpib": 'bus = "lan-gpib"\ndialect = "terse"\ngate = "0.05 s"',
    "interval": 'dialect = "interval"\npulse = "0.1 s"\ninterval = "0.0499999 s"',
    "interval-talk-only":
        'dialect = "interval-talk-only"\npulse = "0.1 s"\ninterval = "0.0499999 s"',
}  # fmt: skip
"""Profile, and bus if no socket -> a counter that speaks so. The pulses come ten times a second,
for speed."""
OFFSET_HZ = 0.37
NEAR_HZ = 0.05
"""A count is 2 mHz, or 1 mHz of an interval's slope; a wrong digit is far more."""
BEFORE, AFTER = 4, 8
"""Readings before the fault, and readings in all after which it is over."""
SIDE_BY_SIDE = (16, 4, 1)
"""Cases that run at once, in the first try and in those after it."""
STOOD_STILL_S = 0.01
"""A shorter stall of the machine does not matter: pulses come within 30 ms of their times."""


def profile_path(name: str, folder: Path) -> Path:
    """The bundled profile; of an interval counter a copy that knows the quicker pulses."""
    name = name.partition(",")[0]
    (path,) = (path for path in bundled() if path.stem == name)
    copy = folder / path.name
    quick = path.read_text().replace('= "1 s"', '= "100 ms"')
    copy.write_text(quick.replace("123E-1", "123E-2").replace('"0.25', '"0.025'))
    return copy if name.startswith("interval") else path


@contextlib.contextmanager
def served(folder: Path, name: str) -> Iterator[ServedBench]:
    """Serve a bench of the one counter that `name` reads."""
    path = folder / "made.toml"
    path.write_text(BENCH + COUNTERS[name])
    with open_bench(str(path), seed=5) as bench:
        yield bench


class Troublemaker(EventRecorder):
    """Lets a fault happen after a few readings, and goes on for a few more."""

    def __init__(self, bench: ServedBench, kind: str | None) -> None:
        super().__init__(enough=BEFORE + AFTER)
        self._bench = bench
        self._kind = kind

    def take(self, event: object) -> None:
        """Write it down, and make trouble when it is time."""
        super().take(event)  # type: ignore[arg-type]
        if isinstance(event, Reading) and len(self.readings) == BEFORE and self._kind:
            self._bench.fault("main", self._kind, 0.3 if self._kind in {"mute", "late"} else None)


def watched(folder: Path, name: str, kind: str | None) -> "Seen":
    """Watch a counter through a fault; return what was seen, and what the counter heard."""
    with served(folder, name) as bench:
        notebook = Troublemaker(bench, kind)
        acquisition = Acquisition(
            name="main",
            resource=bench.resources["main"],
            driver=load(profile_path(name, folder)),
            setup=Setup(),
            nominal=parse_frequency("10MHz"),
            on_event=notebook.take,
            on_status=notebook.on_status,
            open_link=open_link,
            clock=SystemClock(),
            origin_s=SystemClock().monotonic(),
            # So that a fault is over soon, and no machine too busy.
            margin_s=0.3 if kind else LONGEST_WAIT_S,
        )
        notebook.stop = acquisition.stop
        acquisition.start()
        acquisition.join(LONGEST_WAIT_S)
        acquisition.stop()
        acquisition.join(LONGEST_WAIT_S)
        assert acquisition.error is None, acquisition.error
        return notebook, bench.received("main")


Seen = tuple[Troublemaker, list[str]]
"""What a watch saw, and what the counter heard."""


class Watches:
    """What was seen in each case, and in which of them the machine stood still each time."""

    def __init__(self) -> None:
        self._seen: dict[tuple[str, str | None], Seen] = {}
        self._disturbed: list[tuple[str, str | None]] = []

    def run(self, folder: Path) -> Self:
        """Watch each case on a bench of its own, many side by side, for they mostly wait.

        One that looks wrong is watched again if the machine stood still: pulses are so quick that
        they can't be told from their neighbours then. A wrong reading of a counter without pulses
        is wrong at once.
        """
        left = [(name, kind) for kind in (None, *FAULT_KINDS) for name in sorted(COUNTERS)]

        def timed(case: tuple[str, str | None]) -> tuple[Seen, float, float]:
            own = Path(mkdtemp(dir=folder))
            began_s = time.monotonic()
            return watched(own, *case), began_s, time.monotonic()

        with Stalls() as stalls:
            for at_once in SIDE_BY_SIDE:
                with ThreadPoolExecutor(at_once) as pool:
                    found = dict(zip(left, pool.map(timed, left), strict=True))
                self._seen |= {case: seen for case, (seen, _, _) in found.items()}
                left = [
                    case
                    for case, (seen, began_s, ended_s) in found.items()
                    if (
                        (has_pulses(case[0]) and wrong_of(seen))
                        or (case[1] is None and seen[0].gaps)
                    )
                    and stalls.longest_s(began_s, ended_s) > STOOD_STILL_S
                ]
        self._disturbed = [case for case in left if has_pulses(case[0])]
        return self

    def of(self, name: str, kind: str | None) -> Seen:
        """Return what was seen; skip the test of pulses where the machine stood still each time."""
        if (name, kind) in self._disturbed:
            pytest.skip("the machine stood still in all tries")
        return self._seen[name, kind]


def has_pulses(name: str) -> bool:
    """Return whether a counter times pulses, so that a reading depends on when they come."""
    return name.startswith("interval")


def wrong_of(seen: Seen) -> list[float]:
    """Return the offsets that are wrong, in hertz."""
    return [r.offset_hz for r in seen[0].readings if abs(r.offset_hz - OFFSET_HZ) > NEAR_HZ]


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Watches:
    """Every profile through every fault and through none."""
    return Watches().run(tmp_path_factory.mktemp("benches"))


@pytest.mark.parametrize("name", sorted(COUNTERS))
def test_a_counter_is_watched_by_its_profile(seen: Watches, name: str) -> None:
    """Right readings, in order, and nothing sent but what the profile asks by."""
    notebook, heard = seen.of(name, None)
    dialect = name.partition(",")[0]
    asked = {"terse": {"T"}, "interval": {"*IDN?", "READ?", "ROSC:SOUR?"}}
    questions = asked.get(dialect, set())
    stamps = [reading.elapsed_s for reading in notebook.readings]

    assert len(notebook.readings) >= BEFORE + AFTER
    assert [r.offset_hz for r in notebook.readings] == pytest.approx(
        [OFFSET_HZ] * len(notebook.readings), abs=NEAR_HZ
    )
    assert stamps == sorted(set(stamps))
    assert [gap for gap in notebook.gaps if BUSY not in gap.reason] == []
    assert set(heard) == questions


@pytest.mark.parametrize("kind", FAULT_KINDS)
@pytest.mark.parametrize("name", sorted(COUNTERS))
def test_no_fault_invents_a_reading(seen: Watches, name: str, kind: str) -> None:
    """Late, cut, doubled, closed, mute ...: only right readings, before and after."""
    case = seen.of(name, kind)
    notebook, _ = case

    assert wrong_of(case) == []
    assert len(notebook.readings) >= BEFORE + AFTER
