"""How often the settle verdict is false, and how late it is, on made warm-ups with random seeds.

A verdict is false when the noise-free offset leaves the limit within the horizon after it. In the
three families with a constant drift above the limit every verdict is false. Lateness counts from
the second from which on the true change within the horizon stays within the limit. The verdict is
compared with the rule "moved less than the limit in the last horizon".

Targets: for a slow tail no false verdict and a median lateness of 400 s at most (the goal is
300 s); for an overshoot at most 5 % false ones; for the others none. The lateness after two
exponentials of one sign (expected: half a horizon) and after ringing (one and a half) is printed
only, as a run has few of them.
"""

import multiprocessing
import statistics
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

import numpy as np
import pytest
from made_warmups import FAMILIES, LIMIT, MadeWarmup, double_exponential, ringing

from benchwatch.estimate.settle.settle_estimator import SettleEstimator

MADE_AS = {**FAMILIES, "double exponential": double_exponential, "ringing": ringing}
RUNS = 10
MADE = {"slow tail": 40, "overshoot": 10, "double exponential": 10, "ringing": 10}
"""Warm-ups a run; the median of 20 latenesses still scatters by 90 s."""
OTHERS = 6
"""Warm-ups a run of each family that is not in `MADE`."""
LOOK_S = 15
"""Seconds between two evaluations of the verdict."""
WAIT_S = 3000
"""Longest wait for a verdict after the truth has settled, in seconds."""
DRIFTING = {"constant drift", "cancelling", "rounded drift"}
LATE_S = 400.0
GOAL_S = 300.0


@dataclass
class _Score:
    """Results of one rule on one family."""

    made: int = 0
    false: int = 0
    late_s: list[float] = field(default_factory=list)
    withdrawn: int = 0

    @property
    def median_s(self) -> float:
        return statistics.median(self.late_s) if self.late_s else float("nan")

    def take(self, given: int | None, truly: int, excursion: np.ndarray, *, drifts: bool) -> None:
        self.made += 1
        if given is None:
            if not drifts:
                self.late_s.append(float("inf"))
        elif drifts or excursion[given] > LIMIT.limit:
            self.false += 1
        else:
            self.late_s.append(float(given - truly))

    def add(self, other: "_Score") -> None:
        self.made += other.made
        self.false += other.false
        self.late_s += other.late_s
        self.withdrawn += other.withdrawn


def _seconds(made: MadeWarmup, end: int) -> Iterator[tuple[int, bool]]:
    """Yield each second, and whether it has a reading."""
    for second in range(end):
        yield second, not any(a <= second <= b for a, b in made.gaps)


def _verdict(made: MadeWarmup, end: int) -> tuple[int | None, int]:
    """Return the second of the first verdict, and how often it is withdrawn within a horizon."""
    settling = SettleEstimator(LIMIT)
    given: int | None = None
    withdrawn = 0
    reading_before = True
    state = "unsure"
    for second, has_reading in _seconds(made, end):
        if not has_reading:
            if reading_before:
                settling.gap()
            reading_before = False
            continue
        reading_before = True
        settling.add(float(second), float(made.readings[second]), made.quantum)
        if second % LOOK_S:
            continue
        settle = settling.results().verdict
        assert settle is not None
        if given is None and settle.state == "settled":
            given = second
        if given is not None:
            withdrawn += state == "settled" and settle.state != "settled"
            if second > given + LIMIT.horizon_s or made.gaps:
                break
        state = settle.state
    return given, withdrawn


def _simple_rule(made: MadeWarmup, end: int) -> int | None:
    """Return the first second at which the offset moved less than the limit in a horizon."""
    horizon = int(LIMIT.horizon_s)
    for second in range(horizon, end, LOOK_S):
        if abs(made.readings[second] - made.readings[second - horizon]) < LIMIT.limit:
            return second
    return None


def _run(seed: int) -> dict[str, tuple[_Score, _Score]]:
    rng = np.random.default_rng(seed)
    scores = {}
    for name, make in MADE_AS.items():
        ours, simple = _Score(), _Score()
        for _ in range(MADE.get(name, OTHERS)):
            made = make(rng)
            excursion = made.excursion()
            truly = made.settled_at(excursion)
            drifts = name in DRIFTING
            end = min(len(excursion), truly + WAIT_S)
            given, withdrawn = _verdict(made, end)
            ours.take(given, truly, excursion, drifts=drifts)
            ours.withdrawn += withdrawn
            simple.take(_simple_rule(made, end), truly, excursion, drifts=drifts)
        scores[name] = (ours, simple)
    return scores


def _missed(scores: dict[str, tuple[_Score, _Score]], late_s: float) -> list[str]:
    """Return the targets that one run misses; `late_s` limits the slow tail's median lateness."""
    ours = {name: pair[0] for name, pair in scores.items()}
    allowed = {"overshoot": 0.05 * ours["overshoot"].made}
    missed = [
        f"{name}: {score.false} false"
        for name, score in ours.items()
        if score.false > allowed.get(name, 0.0)
    ]
    late = ours["slow tail"].median_s
    return missed if late <= late_s else [*missed, f"slow tail: {late:.0f} s late"]


@pytest.mark.timeout(900)
def test_quality_of_the_settle_verdict() -> None:
    """At least nine of ten runs meet the targets; prints a table of both rules."""
    seeds = np.random.SeedSequence().generate_state(RUNS).tolist()

    # Forked workers need not import this module, which is not on the path.
    with ProcessPoolExecutor(mp_context=multiprocessing.get_context("fork")) as pool:
        runs = list(pool.map(_run, seeds))

    missed = [_missed(run, LATE_S) for run in runs]
    met = sum(not reasons for reasons in missed)
    print(f"\nSettle verdict, 1 ppb in 10 min; seeds {seeds}")
    print(f"{'':16}{'made':>6} {'false':>6} {'late':>7} {'taken back':>11}   {'simple rule':>12}")
    for name in MADE_AS:
        ours, simple = _Score(), _Score()
        for run in runs:
            ours.add(run[name][0])
            simple.add(run[name][1])
        print(
            f"{name:16}{ours.made:6} {ours.false:6} {ours.median_s:6.0f}s {ours.withdrawn:11}"
            f"   {simple.false:6} {simple.median_s:6.0f}s"
        )
    print(
        "slow tail, median lateness a run:",
        *(f"{run['slow tail'][0].median_s:.0f}" for run in runs),
    )
    print("missed:", *(f"{seed} {why}" for seed, why in zip(seeds, missed, strict=True) if why))
    goal = sum(not _missed(run, GOAL_S) for run in runs)
    print(f"runs that meet every target: {met} of {RUNS}; with 300 s for the slow tail: {goal}")
    assert met >= 9
