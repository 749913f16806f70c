"""Made sessions that are hard for the level, with known truth: coarse digits and lost readings.

Invented data with stated statistics; the limits are the project's own, no outside source.
"""

from dataclasses import dataclass

import numpy as np
from made_sessions import Floats

from benchwatch.estimate.level.level_estimator import LevelEstimator
from benchwatch.estimate.live_estimate import LiveEstimate

DIGIT = 1e-8
WITHIN = 10
"""Readings within which a turn must be confirmed as a nudge."""
SETTLED = 3
"""Readings after a turn from which on level and u are judged."""


@dataclass(frozen=True, slots=True)
class Coarse:
    """Results of the level on turns read with a coarse digit; sizes and errors in digits."""

    turns: int
    seen: int
    others: int
    """Nudges that were no turns, or were confirmed late."""
    errors: Floats
    u: Floats
    """Standard uncertainties that belong to `errors`; readings without u are in neither."""

    @property
    def share(self) -> float:
        """Share of the turns that were confirmed in time."""
        return self.seen / self.turns

    @property
    def within_a_digit(self) -> float:
        """Share of the readings whose level is within a digit of the truth."""
        return float(np.mean(self.errors <= 1.0))

    @property
    def covered(self) -> float:
        """Share of the readings whose truth lies within 2 u."""
        return float(np.mean(self.errors <= 2.0 * self.u))


def coarse(
    rng: np.random.Generator,
    sessions: int,
    *,
    noise: float,
    turns: tuple[float, float],
    written: float = 1.0,
    drift: float = 0.0,
) -> Coarse:
    """Turn a quiet oscillator eight times a session, 15 to 60 readings apart.

    Args:
        rng: draws the sessions.
        sessions: number of sessions.
        noise: sd of single readings before they are rounded, in digits.
        turns: smallest and largest turn in digits, log-uniform, of random sign.
        written: the last digit that the counter writes, in digits that it resolves.
        drift: digits a reading.
    """
    turned = seen = others = 0
    errors: list[float] = []
    us: list[float] = []
    for _ in range(sessions):
        truth, starts = _turned(rng, turns)
        truth = truth + drift * np.arange(truth.size)
        shown = DIGIT * np.round(truth + noise * rng.standard_normal(truth.size))
        level, open_turns = LevelEstimator(), list(starts)
        since = 0
        for k, offset in enumerate(shown.tolist()):
            now = level.add(float(k), offset, gate_s=1.0, resolution=written * DIGIT)
            since = k if k in starts else since
            if now.confirmed_nudge is not None:
                late = [at for at in open_turns if at <= k <= at + WITHIN]
                seen += bool(late)
                others += not late
                for at in late[:1]:
                    open_turns.remove(at)
            if k >= 12 and k - since >= SETTLED and now.estimate.u is not None:
                errors.append(abs(now.estimate.offset / DIGIT - truth[k]))
                us.append(now.estimate.u / DIGIT)
        turned += len(starts)
    return Coarse(turned, seen, others, np.array(errors), np.array(us))


def _turned(rng: np.random.Generator, turns: tuple[float, float]) -> tuple[Floats, list[int]]:
    """Return the true level of a session in digits, and the numbers of the readings after turns."""
    level, parts, starts = rng.uniform(-100.0, 100.0), [], []
    length = 0
    for _ in range(8):
        dwell = int(rng.integers(15, 61))
        parts.append(np.full(dwell, level))
        length += dwell
        starts.append(length)
        level += float(np.exp(rng.uniform(*np.log(turns))) * rng.choice((-1.0, 1.0)))
    parts.append(np.full(30, level))
    return np.concatenate(parts), starts


def with_losses(truth: Floats, noise: Floats, lost: float, rng: np.random.Generator) -> Floats:
    """Return the level's errors while a share `lost` of the readings, one a second, is missing."""
    live, last_s = LiveEstimate(), 0.0
    errors = []
    for at_s in np.flatnonzero(rng.random(truth.size) >= lost).tolist():
        if at_s - last_s > 1.0:
            live.gap(at_s - last_s)
        estimate = live.add(at_s, float(truth[at_s] + noise[at_s]), gate_s=1.0).estimate
        last_s = at_s
        assert estimate is not None
        errors.append(estimate.offset - truth[at_s])
    return np.array(errors)


def rms(errors: Floats) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(errors**2)))
