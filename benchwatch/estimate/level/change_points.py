"""Bayesian weights over the readings since which the level may have stood still.

On-line Bayesian change points (Adams and MacKay 2007) with three additions: the noise is learned
from the readings (Student t with its degrees of freedom), a step's size is log-uniform about the
present level instead of drawn from a wide normal, and a run may leave a lone wild reading out.

A run, here, is a stretch of readings of one level. Why this and not a split likelihood ratio: on
made sessions (steps 1 to 500 σ, dwell 5 to 60 readings, the same noise scale for all methods) the
errors, over those of an oracle that is given the time of each step, were, over 16 000 readings a
family (``tests/benchmarks/test_quality_level.py`` prints the table again)

    RMS / median / 95 %       white             rounded to 2σ     drifting          1 % wild
    this module               1.19 1.09 1.22    1.24 1.08 1.28    1.21 1.06 1.24    -    1.08 1.41
    split likelihood, b = 4   1.28 1.08 1.31    1.34 1.06 1.40    1.31 1.06 1.34    -    1.10 1.54
    textbook Bayes            1.31 1.09 1.35    1.38 1.10 1.49    1.34 1.09 1.36    -    1.21 1.64
    CUSUM k = 1, h = 4        1.37 1.10 1.37    1.41 1.09 1.47    1.40 1.11 1.39    -    1.22 1.65
    mean of 10 readings       134  1.85 123     94   1.72 93      116  1.83 100     -    2.16 106

The split ratio decides once, and is wrong by the whole step until it has decided; an average
over the likely runs is wrong by less at small steps of 1 to 3 σ, where most of the error is. The
textbook form's normal prior has to be wide enough for 500 σ, which makes it slow there too.
"""

import math
import sys
from operator import attrgetter

from benchwatch.estimate.level.reading_noise import float_rounding

_LOG_STEP_RANGE = 2.0 * math.log(500.0)
"""Normalises the density of step sizes, log-uniform over a factor of 500, either sign."""
_DWELL_READINGS = 25.0
"""Expected readings from one step to the next, in a new run ..."""
_DWELL_GROWTH = 0.1
"""... and the increase for each reading for which the level has already stood still."""
_MOST_STEP_ODDS = 0.5
"""Highest prior probability of a step across a gap."""
_WILD_ODDS = 0.005
"""Prior probability that a reading is a lone wild one, off the level for that reading only."""
_LEVEL_REPEATS = 3
"""Equal readings that make a level while no noise is known."""
_SHARPNESS = 1.2
"""Power of the probabilities that weigh the runs in level and u."""
_UNSEEN_STEP_READINGS = 2
"""At most so many of the newest readings may follow a step that is too small to be seen ..."""
_UNSEEN_STEP_VARIANCES = 1.3**2
"""... where they lie farther than this from the level, squared, in variances of their mean. That
square then counts in the variance of the level ..."""
_YOUNG_READINGS = 40.0
"""... in full up to so many readings since the last step, and less and less beyond."""
_DROPPED_LOG_ODDS = 9.2
"""Runs 10 000 times less likely than the best are dropped."""
_MOST_RUNS = 24
"""Runs kept."""


_weight = attrgetter("weight")


class StableRun:
    """One hypothesis: the level has stood still since reading `start`."""

    __slots__ = ("mean", "readings", "start", "start_s", "weight", "wild", "wild_at")

    def __init__(self, start: int, start_s: float, offset: float, weight: float) -> None:
        self.start = start
        self.start_s = start_s
        self.readings = 1
        self.mean = offset
        self.weight = weight
        """Logarithm of the run's probability over that of the most likely run."""
        self.wild = False
        """Whether the newest reading is a wild one in this run."""
        self.wild_at = -1
        """Number of the last reading that this run left out as wild."""


def _spread_about_mean(readings: int) -> tuple[float, float]:
    """Return the variance of a reading about the mean of earlier ones, and half its logarithm.

    The variance is in variances of a single reading.
    """
    wider = 1.0 + 1.0 / readings
    return wider, 0.5 * math.log(wider)


_TABLED_READINGS = 1024
_SPREADS_ABOUT_MEAN = [(2.0, 0.0), *map(_spread_about_mean, range(1, _TABLED_READINGS))]
"""By the number of readings, the first of no meaning: each reading needs it for every run."""


class ChangePoints:
    """Pruned on-line Bayesian change points (Adams and MacKay 2007), unknown variance.

    Each run predicts the next reading by a Student t around its mean. A new run has the prior
    probability of a step times the density of its size about the present level. A run that the
    reading contradicts may leave that reading out as a lone wild one, with the prior probability
    of wild readings. So a clear step wins with its first reading; if the reading was wild after
    all, the old run wins again with the next.
    """

    def __init__(self) -> None:
        self.runs: list[StableRun] = []
        self.best: StableRun | None = None
        self.mean = 0.0
        """Level now: mean over the runs that agree with the best on whether the newest is wild."""
        self.u = 0.0
        """Spread of the level about `mean`, given white noise of `sigma`."""
        self.unseen_step = 0.0
        """Variance of the level from a step that is still too small to tell from noise."""
        self._degrees = 0.0
        """Degrees of freedom ..."""
        self._student = 0.0
        """... and the logarithm of a Student t's normalisation with so many."""
        self._step_intervals = 1.0
        """Intervals in which a step may come before the next reading; more than 1 after a gap."""

    def clear(self) -> None:
        """Discard every run."""
        self.runs = []
        self.best = None

    def discount(self, intervals: float, variance: float, change: float) -> None:
        """Continue after a gap with less weight on the readings before it.

        As the level may have moved in the gap, a mean of n readings counts as 1/(1/n + variance).

        Args:
            intervals: length of the gap in readings: so many chances of a step.
            variance: of the level's change over the gap, in variances of single readings.
            change: fractional change over the gap by the known drift.
        """
        self._step_intervals = max(intervals, 1.0)
        self.mean += change
        for run in self.runs:
            run.mean += change
            if variance:
                run.readings = max(round(1.0 / (1.0 / run.readings + variance)), 1)

    def keep_from(self, start: int) -> None:
        """Drop the runs that began before reading `start`, where a step is certain."""
        self.runs = [run for run in self.runs if run.start >= start]

    def add(
        self,
        index: int,
        at_s: float,
        offset: float,
        *,
        sigma: float,
        degrees: float,
        most_readings: int = sys.maxsize,
        slope: float = 0.0,
    ) -> StableRun:
        """Take a reading.

        Args:
            index: its number, increasing by one.
            at_s: its time, seconds.
            offset: fractional offset.
            sigma: sd of single readings; 0 while unknown.
            degrees: degrees of freedom of `sigma`.
            most_readings: older readings fade so that a mean never stands for more than these.
            slope: fractional change a reading that every run's mean follows.

        Returns:
            The most likely run.
        """
        if self.best is None:
            self.runs = [StableRun(index, at_s, offset, 0.0)]
            self.best = self.runs[0]
        elif sigma > 0.0:
            if slope:
                self.mean += slope
                for run in self.runs:
                    run.mean += slope
            self.best = self._weigh(
                index,
                at_s,
                offset,
                sigma=sigma,
                degrees=max(degrees, 1.0),
                most_readings=most_readings,
            )
        else:
            self._compare(index, at_s, offset)
            self.best = max(self.runs, key=_weight)
        self._average(self.best, sigma)
        return self.best

    def _compare(self, index: int, at_s: float, offset: float) -> None:
        """Take a reading while no noise is known: the counter repeats the same value.

        A reading that differs from the level begins a new level. The very first readings are
        averaged. A new level with fewer than three equal readings was wild readings.
        """
        best, first = self.best, self.runs[0]
        assert best is not None
        same = float_rounding(offset)
        match = next((run for run in self.runs if abs(offset - run.mean) < same), None)
        if match is None and best is first and best.readings < _LEVEL_REPEATS:
            match = best
        if match is None:
            stood = best if best.readings >= _LEVEL_REPEATS else first
            stood.wild = True
            stood.wild_at = index
            stood.weight = math.log(_WILD_ODDS * _DWELL_READINGS)
            self.runs = [stood, StableRun(index, at_s, offset, 0.0)]
            return
        match.readings += 1
        match.mean += (offset - match.mean) / match.readings
        match.wild = False
        if match is not best or match.readings >= _LEVEL_REPEATS:
            match.weight = 0.0
            self.runs = [match]

    def _weigh(
        self,
        index: int,
        at_s: float,
        offset: float,
        *,
        sigma: float,
        degrees: float,
        most_readings: int,
    ) -> StableRun:
        """Update every run with the reading, add a run that begins here; return the most likely."""
        assert self.best is not None
        runs = self.runs
        variance_degrees = sigma * sigma * degrees
        power = 0.5 * (degrees + 1.0)
        step_odds = 1.0 / (_DWELL_READINGS + _DWELL_GROWTH * self.best.readings)
        if self._step_intervals > 1.0:
            step_odds = min(self._step_intervals * step_odds, _MOST_STEP_ODDS)
            self._step_intervals = 1.0
        size = abs(offset - self.mean) / sigma
        far = 1.0 / (_LOG_STEP_RANGE * (size + 1.0))
        if degrees != self._degrees:
            self._degrees = degrees
            self._student = (
                math.lgamma(power) - math.lgamma(0.5 * degrees) - 0.5 * math.log(degrees * math.pi)
            )
        constant = self._student + math.log(1.0 - step_odds - _WILD_ODDS)
        wild = math.log(_WILD_ODDS * far)
        total, most, best = 0.0, -math.inf, runs[0]
        log, log1p, exp = math.log, math.log1p, math.exp
        spreads, tabled = _SPREADS_ABOUT_MEAN, _TABLED_READINGS
        for run in runs:
            weight = run.weight
            total += exp(weight)
            n = run.readings
            wider, half_log = spreads[n] if n < tabled else _spread_about_mean(n)
            apart = offset - run.mean
            likelihood = (
                constant - power * log1p(apart * apart / (variance_degrees * wider)) - half_log
            )
            if likelihood >= wild:
                n = n + 1 if n < most_readings else most_readings
                run.readings = n
                run.mean += apart / n
                weight += likelihood
                run.wild = False
            else:
                weight += wild
                run.wild = True
                run.wild_at = index
            run.weight = weight
            if weight > most:
                most, best = weight, run
        # By position: one at each reading, and keywords take 1 us.
        new = StableRun(index, at_s, offset, log(total * step_odds * far))
        runs.append(new)
        if new.weight > most:
            most, best = new.weight, new
        least = most - _DROPPED_LOG_ODDS
        runs = [run for run in runs if run.weight > least]
        if len(runs) > _MOST_RUNS:
            runs.remove(min(runs[:-1], key=_weight))
        for run in runs:
            run.weight -= most
        self.runs = runs
        return best

    def _average(self, best: StableRun, sigma: float) -> None:
        """Compute level and u as weighted means over the runs."""
        weights = first = second = off = 0.0
        variance = sigma * sigma
        exp, mean, wild = math.exp, best.mean, best.wild
        for run in self.runs:
            if run.wild is wild:
                weight = exp(_SHARPNESS * run.weight)
                apart = run.mean - mean
                square, own = apart * apart, variance / run.readings
                weights += weight
                first += weight * apart
                second += weight * (square + own)
                if (
                    run.readings <= _UNSEEN_STEP_READINGS
                    and square > off
                    and square > _UNSEEN_STEP_VARIANCES * own
                ):
                    off = square
        shift = first / weights
        self.mean = best.mean + shift
        spread = second / weights - shift * shift
        age = min(_YOUNG_READINGS / best.readings, 1.0)
        self.u = math.sqrt(max(spread, 0.0))
        self.unseen_step = age * age * off
