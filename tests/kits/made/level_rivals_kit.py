"""Other estimates of the level, for comparison only: simple averages, and textbook methods.

Each takes the readings of a session, (n,), and returns its estimate after each, (n,).
"""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from benchwatch.estimate.level.reading_noise import ReadingNoise

Floats = NDArray[np.float64]
Rival = Callable[[Floats], Floats]


def raw_reading(readings: Floats) -> Floats:
    """Return the newest reading as the level."""
    return readings.copy()


def fixed_average(width: int) -> Rival:
    """Return the method that averages the newest `width` readings."""

    def average(readings: Floats) -> Floats:
        sums = np.concatenate(([0.0], np.cumsum(readings - readings[0])))
        ends = np.arange(1, readings.size + 1)
        starts = np.maximum(ends - width, 0)
        return np.asarray((sums[ends] - sums[starts]) / (ends - starts) + readings[0])

    return average


def exponential_average(gain: float) -> Rival:
    """Return the method that moves by `gain` times the distance to each reading."""

    def average(readings: Floats) -> Floats:
        estimate = np.empty_like(readings)
        level = readings[0]
        for k, reading in enumerate(readings):
            level += gain * (reading - level)
            estimate[k] = level
        return estimate

    return average


def split_statistic(window: Floats) -> tuple[float, int]:
    """Return the largest |mean(1..i) − mean(i+1..n)|/√(1/i + 1/(n−i)) and its i, for σ = 1."""
    n = window.size
    if n < 2:
        return 0.0, 0
    i = np.arange(1, n)
    sums = np.cumsum(window)
    apart = np.abs(sums[:-1] / i - (sums[-1] - sums[:-1]) / (n - i))
    statistic = apart / np.sqrt(1.0 / i + 1.0 / (n - i))
    best = int(np.argmax(statistic))
    return float(statistic[best]), best + 1


def split_likelihood_ratio(limit: float = 4.0) -> Rival:
    """Return the method that cuts its window where two parts differ by more than `limit` sd.

    The level is the mean of the window. The method gets the same noise scale as the product's
    estimate, and treats a lone wild reading alike: when the reading after a cut is nearer to the
    old mean, the old window is restored.
    """

    def follow(readings: Floats) -> Floats:
        noise = ReadingNoise()
        estimate = np.empty_like(readings)
        window: list[float] = []
        old: list[float] = []
        for k, reading in enumerate(readings):
            sigma = noise.sigma
            noise.add(float(reading))
            if old and abs(reading - np.mean(old)) < abs(reading - window[-1]):
                window = old
            old = []
            window.append(float(reading))
            if sigma > 0.0:
                statistic, cut = split_statistic((np.array(window) - window[0]) / sigma)
                if statistic > limit:
                    if cut == len(window) - 1:
                        old = window[:cut]
                    window = window[cut:]
            estimate[k] = np.mean(window)
        return estimate

    return follow


class TextbookBayes:
    """On-line change points with a normal level and known noise (Adams and MacKay 2007).

    Attributes:
        probabilities: of run lengths 1, 2, ... after the newest reading.
        mean: level, averaged over the run lengths.
    """

    def __init__(self, hazard: float) -> None:
        self._hazard = hazard
        self._means = np.empty(0)
        self._variances = np.empty(0)
        self.probabilities = np.empty(0)
        self.mean = 0.0

    def add(self, reading: float, sigma: float, prior_mean: float, prior_sd: float) -> None:
        """Take one reading; the level may change before it."""
        new_run = self._hazard if self.probabilities.size else 1.0
        weights = np.concatenate(([new_run], self.probabilities * (1.0 - self._hazard)))
        means = np.concatenate(([prior_mean], self._means))
        variances = np.concatenate(([prior_sd**2], self._variances))
        spread = variances + sigma**2
        with np.errstate(divide="ignore"):
            logs = np.log(weights) - 0.5 * ((reading - means) ** 2 / spread + np.log(spread))
        weights = np.exp(logs - logs.max())
        gain = variances / spread
        self._means = means + gain * (reading - means)
        self._variances = variances * (1.0 - gain)
        self.probabilities = weights / weights.sum()
        self.mean = float(self.probabilities @ self._means)


def textbook_bayes(readings: Floats) -> Floats:
    """Run `TextbookBayes` with the product's noise scale and a prior of 500 σ about the level."""
    noise = ReadingNoise()
    estimate = np.empty_like(readings)
    bayes = TextbookBayes(1.0 / 40.0)
    level = 0.0
    for k, reading in enumerate((readings - readings[0]).tolist()):
        noise.add(reading)
        if noise.sigma > 0.0:
            bayes.add(reading, noise.sigma, level, 500.0 * noise.sigma)
            level = bayes.mean
        else:
            level = reading
        estimate[k] = level + readings[0]
    return estimate


def cusum(up: Floats, down: Floats, z: Floats, k: float) -> tuple[Floats, Floats]:
    """Return both sums of two-sided CUSUM charts (Page 1954) after one reading `z` for each."""
    return np.maximum(0.0, up + z - k), np.maximum(0.0, down - z - k)


def cusum_restart(k: float = 1.0, limit: float = 4.0) -> Rival:
    """Return the method that averages since the last alarm of a two-sided CUSUM about the mean."""

    def follow(readings: Floats) -> Floats:
        noise = ReadingNoise()
        estimate = np.empty_like(readings)
        up = down = np.zeros(1)
        mean, count = float(readings[0]), 0
        for place, reading in enumerate(readings):
            if noise.sigma > 0.0:
                up, down = cusum(up, down, np.array([(reading - mean) / noise.sigma]), k)
                if max(up[0], down[0]) > limit:
                    up = down = np.zeros(1)
                    count = 0
            noise.add(float(reading))
            count += 1
            mean = float(reading) if count == 1 else mean + (float(reading) - mean) / count
            estimate[place] = mean
        return estimate

    return follow


RIVALS: dict[str, Rival] = {
    "raw reading": raw_reading,
    "mean of 10": fixed_average(10),
    "mean of 30": fixed_average(30),
    "exponential 0.3": exponential_average(0.3),
    "CUSUM k=1 h=4": cusum_restart(),
    "split likelihood b=4": split_likelihood_ratio(),
    "textbook Bayes": textbook_bayes,
}


def average_run_length(
    shift: float, limit: float, rng: np.random.Generator, *, charts: int, k: float = 0.5
) -> tuple[float, float]:
    """Return the mean number of readings until two-sided CUSUM charts alarm, and its u."""
    up = down = np.zeros(charts)
    lengths: list[int] = []
    reading = 0
    while up.size:
        reading += 1
        up, down = cusum(up, down, rng.standard_normal(up.size) + shift, k)
        going = np.maximum(up, down) <= limit
        lengths += [reading] * int(np.count_nonzero(~going))
        up, down = up[going], down[going]
    return float(np.mean(lengths)), float(np.std(lengths) / math.sqrt(charts))
