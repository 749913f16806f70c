"""Quality of a level estimate, compared with an oracle that is given the time of each step.

Errors are differences from the true level in units of the session's σ, over all readings of all
sessions of a run. Three figures of the program's errors are divided by the same figures of the
oracle's: root mean square, median of the magnitude, 95 % quantile of the magnitude. Coverage is
the share of readings, from the 12th after a step on, whose truth lies within 2 u; an unknown u
counts as a miss.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from made_sessions import FAMILIES, MadeSession, make_session, oracle
from numpy.typing import NDArray

from benchwatch.estimate.level.level_estimator import LevelEstimator

Floats = NDArray[np.float64]
Method = Callable[[MadeSession], tuple[Floats, Floats]]
"""Returns the estimates of a session and their u (nan where there is none), each (readings,)."""

SESSIONS = 80
SETTLED_READINGS = 12


@dataclass(frozen=True, slots=True)
class Quality:
    """The figures of one family, or the limits for them."""

    rms: float
    median: float
    p95: float
    coverage: float = 0.0


TARGETS = {
    "white": Quality(1.35, 1.10, 1.40, 0.90),
    "rounded": Quality(1.45, 1.15, 1.40, 0.90),
    "drifting": Quality(1.60, 1.30, 1.50, 0.90),
    "wild": Quality(np.inf, 1.15, 1.60, 0.90),
}
"""No RMS target with wild readings: the estimate right after one is wrong by its whole size."""


def meets(family: str, quality: Quality) -> bool:
    """Return whether every figure of the family is within its target."""
    target = TARGETS[family]
    return (
        quality.rms <= target.rms
        and quality.median <= target.median
        and quality.p95 <= target.p95
        and quality.coverage >= target.coverage
    )


def live_level(session: MadeSession) -> tuple[Floats, Floats]:
    """Run the program's own `LevelEstimator` over a session."""
    level = LevelEstimator()
    estimates = np.empty(session.readings.size)
    u = np.empty(session.readings.size)
    for k, reading in enumerate(session.readings.tolist()):
        now = level.add(float(k), reading, gate_s=1.0, resolution=0.0)
        estimates[k] = now.estimate.offset
        u[k] = np.nan if now.estimate.u is None else now.estimate.u
    return estimates, u


def judge(method: Method, family: str, seed: int, sessions: int = SESSIONS) -> Quality:
    """Run a method over new made sessions of a family; return its figures."""
    rng = np.random.default_rng([seed, FAMILIES.index(family)])
    own: list[Floats] = []
    best: list[Floats] = []
    covered: list[NDArray[np.bool_]] = []
    for _ in range(sessions):
        session = make_session(family, rng)
        estimates, u = method(session)
        error = np.abs(estimates - session.truth)
        own.append(error / session.sigma)
        best.append(np.abs(oracle(session) - session.truth) / session.sigma)
        late = session.since_step >= SETTLED_READINGS
        covered.append(error[late] <= 2.0 * u[late])
    errors, least = np.concatenate(own), np.concatenate(best)
    return Quality(
        rms=float(np.sqrt(np.mean(errors**2) / np.mean(least**2))),
        median=float(np.median(errors) / np.median(least)),
        p95=float(np.quantile(errors, 0.95) / np.quantile(least, 0.95)),
        coverage=float(np.mean(np.concatenate(covered))),
    )
