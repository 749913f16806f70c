"""Standard uncertainty, by noise, of the mean of a run: how far the next run's mean would differ.

Readings of an oscillator are correlated, and s/√n can be twenty times too small (JCGM 100:2008,
4.2.7). What counts is the deviation at the averaging time T itself, which a run of that length
can't show. So u is the standard deviation of the difference between the mean of this run and that
of an equally long run right after it, √2·σy(T), inferred from the scatter of the means of up to 48
blocks of the run.

The blocks are taken as normal. Their covariance is a mixture of the power laws of IEEE Std 1139:
white frequency noise, with flicker and random-walk frequency noise and white phase noise beside
it, each discrete in time (Kasdin 1995). The level is projected out (restricted likelihood:
Patterson and Thompson 1971), one level for each side of a gap that is not bridged; a drift is not,
for it continues in the next run. The amount of each noise is unknown: every mixture on a grid is
weighted
by its exact likelihood, with 1/σ² as the prior of the scale (Box and Tiao, Bayesian Inference in
Statistical Analysis, 1973, chapter 2, from memory), and under each mixture the difference, given
the blocks, is a t variable. u is the root mean square over all of them, and the degrees of freedom
are those with which t·u at 95 % is their half-width.

On made runs U at 95 % holds the mean of the next run in 92 % of cases for white noise with a random
walk of 0.05 σ a reading over 300 readings, and in 93 to 95 % for a pure random walk of 20 and 60;
for white noise alone it is 2.2 times wider than if that were known.

Of the difference of two counters (`noise_of_difference`) another thing is asked: the difference
of their time bases, without the noise of the readings, in a stretch as long right after. White
noises then count once and not twice, and all noises beside the white one have equal, small odds.
"""

import functools
import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray
from benchwatch.estimate.stability.gap_bridges import bridge
from benchwatch.estimate.uncertainty.offset_record import Noise

FEWEST_READINGS: Final = 6
"""Fewest readings for which a u is given."""
MOST_BLOCKS: Final = 48
"""Most blocks."""
MOST_SINGLE_READINGS: Final = 64
"""Most readings of which each is a block of its own."""
UNEQUAL_FROM_READINGS: Final = 4 * MOST_BLOCKS
"""Fewest readings for which blocks may differ in length by one reading."""
LONGEST_BLOCK_READINGS: Final = 16
"""Readings in a block, from which on the shape of its covariance no longer changes."""
FEWEST_DEGREES: Final = 3
"""Fewest degrees of freedom: blocks less fitted levels."""
COVERAGE: Final = 0.95
BISECTIONS: Final = 40
LEAST_WEIGHT: Final = 1e-3
"""Mixtures that weigh less than this part of the likeliest one are left out."""


class _NoiseLaw(NamedTuple):
    prior_odds: float
    """Prior odds that this noise is there beside the white noise."""
    first: float
    last: float
    step: float
    """Exponents of ten of the amounts on the grid. An amount is the variance that this noise brings
    to the difference of two runs' means, over that of the white noise."""

    @property
    def shares(self) -> FloatArray:
        """Every amount on the grid, (k,); the first is 0."""
        some = 10.0 ** np.arange(self.first, self.last + 0.01, self.step)
        return np.concatenate(([0.0], some))

    def log_odds(self, prior_odds: float) -> FloatArray:
        """Return the log of the prior odds of each amount, (k,): shared evenly by all but 0."""
        odds = np.full(self.shares.size, math.log(prior_odds / (self.shares.size - 1)))
        odds[0] = 0.0
        return odds


LAWS: Final = (
    _NoiseLaw(prior_odds=0.3, first=0.0, last=3.0, step=0.5),
    _NoiseLaw(prior_odds=1.5, first=1.0, last=4.5, step=0.5),
    _NoiseLaw(prior_odds=0.5, first=-1.0, last=3.0, step=1.0),
)
"""Flicker and random-walk frequency noise, white phase noise. The odds favour a random walk: with
lower odds, a walk that a run hardly shows is not covered in nine cases of ten."""
WHITE_LAWS: Final = frozenset({0, 3})
"""White frequency and white phase noise, by their place among the covariances."""
MIXTURE_SHARES: Final = np.array(
    [mix.ravel() for mix in np.meshgrid(*(law.shares for law in LAWS))]
)
"""Every mixture on the grid, one a column, (3, mixtures)."""
DIFFERENCE_ODDS: Final = 0.04
"""Prior odds of each noise beside the white one in the difference of two counters. From 300
readings on the interval then holds the truth in 93 to 97 % of made pairs with white noise, with
white and flicker noise of equal size, and with a random walk; a flicker noise that a run does not
show beside the white one is covered less often."""


def _log_odds(odds: Sequence[float]) -> FloatArray:
    """Return the log of the prior odds of every mixture, (mixtures,), by those of each noise."""
    laws = [law.log_odds(prior) for law, prior in zip(LAWS, odds, strict=True)]
    return np.asarray(sum(mix.ravel() for mix in np.meshgrid(*laws)))


LOG_ODDS: Final = _log_odds([law.prior_odds for law in LAWS])
LOG_ODDS_OF_DIFFERENCE: Final = _log_odds([DIFFERENCE_ODDS] * len(LAWS))


class _Likelihoods(NamedTuple):
    """Matrices for the likelihood of every mixture, for one layout of blocks."""

    whitening: FloatArray
    """(mixtures, free, blocks): makes the blocks independent and removes their level."""
    log_det: FloatArray
    """(mixtures,): half the logarithm of the determinant."""
    prediction: FloatArray
    """(mixtures, free): weights of the whitened blocks in the expected difference."""
    residual: FloatArray
    """(mixtures,): variance of the difference, given the blocks, in units of the scale."""


def noise_of_mean(offsets: FloatArray, interval_s: float) -> Noise | None:
    """Return the standard uncertainty, by noise, of the mean of `offsets`.

    Args:
        offsets: evenly spaced fractional offsets, (n,); nan where one is missing. Short gaps
            are bridged, unless the level jumped.
        interval_s: from one offset to the next.

    Returns:
        u, fractional, with its degrees of freedom; None with fewer than six readings, or where no
        three follow each other.
    """
    return _noise_of(offsets, interval_s, LOG_ODDS, of_difference=False)


def noise_of_difference(apart: FloatArray, interval_s: float) -> Noise | None:
    """Return the standard uncertainty, by noise, of the mean difference of two counters' readings.

    It is that of the difference of the time bases over the next stretch of the same length, without
    the white noise of that stretch's readings.

    Args:
        apart: differences of matched readings, as the offsets of `noise_of_mean`.
        interval_s: from one to the next.

    Returns:
        As `noise_of_mean`.
    """
    return _noise_of(apart, interval_s, LOG_ODDS_OF_DIFFERENCE, of_difference=True)


def _noise_of(
    offsets: FloatArray, interval_s: float, log_odds: FloatArray, *, of_difference: bool
) -> Noise | None:
    """Return the noise of a mean; `log_odds` of every mixture, (mixtures,)."""
    here = np.isfinite(offsets)
    size = int(np.count_nonzero(here))
    if size < FEWEST_READINGS or not (here[2:] & here[1:-1] & here[:-2]).any():
        return None
    blocks, length, sides = _blocks(offsets, here)
    scale = float(np.abs(blocks - np.mean(blocks)).max())
    found = _likelihoods(blocks.size, length, sides, of_difference=of_difference)
    free = found.whitening.shape[1]
    if free < FEWEST_DEGREES:
        return None
    averaging_s, name = size * interval_s, "√2 σy from the scatter of blocks"
    if not scale > 0:
        return Noise(u=0.0, dof=float(free), averaging_s=averaging_s, deviation=name)
    white = found.whitening @ ((blocks - np.mean(blocks)) / scale)
    misfit = (white * white).sum(axis=1)
    if not misfit.min() > 0:
        return Noise(u=0.0, dof=float(free), averaging_s=averaging_s, deviation=name)
    log_weight = log_odds - found.log_det - 0.5 * free * np.log(misfit)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    spread = np.sqrt(misfit / free * found.residual)
    expected = (found.prediction * white).sum(axis=1)
    u, dof = _standard(weight, expected, spread, free)
    return Noise(u=u * scale, dof=dof, averaging_s=averaging_s, deviation=name)


def _blocks(offsets: FloatArray, here: BoolArray) -> tuple[FloatArray, int, bytes]:
    """Return means of blocks, (blocks,), readings in a block, and each one's level, int64 bytes."""
    level = float(offsets[here][0])
    values, side = offsets - level, np.zeros(offsets.size)
    if not here.all():
        made = bridge(values)
        values = made.values
        # Readings between two gaps that are not bridged have a level of their own.
        side = np.cumsum(np.diff(made.unbridged.astype(np.int8), prepend=0) > 0).astype(float)
        kept = ~made.unbridged
        values, side = values[kept], side[kept]
    n = values.size
    if n >= UNEQUAL_FROM_READINGS:
        edges = np.linspace(0, n, MOST_BLOCKS + 1).astype(int)
    else:
        size = 1 if n <= MOST_SINGLE_READINGS else math.ceil(n / MOST_BLOCKS)
        edges = np.arange(n % size, n + 1, size)
    sums = np.concatenate(([0.0], np.cumsum(values)))
    counts = np.diff(edges)
    means = np.diff(sums[edges]) / counts
    sides = side[edges[:-1]].astype(np.int64)
    return means, round(float(counts.mean())), (sides - sides.min()).tobytes()


@functools.lru_cache(maxsize=16)
def _likelihoods(count: int, length: int, sides: bytes, *, of_difference: bool) -> _Likelihoods:
    """Whiten `count` blocks of `length` readings under every mixture.

    Args:
        count: number of blocks.
        length: readings in a block.
        sides: the level of each block, int64 bytes.
        of_difference: whether the white noises of the stretch ahead are left out.
    """
    laws = [_normal(cov) for cov in _covariances(2 * count, min(length, LONGEST_BLOCK_READINGS))]
    of_side = np.frombuffer(sides, dtype=np.int64)
    levels = (of_side[:, None] == np.unique(of_side)[None, :]).astype(float)
    free = np.linalg.svd(levels)[0][:, levels.shape[1] :]
    mixtures = MIXTURE_SHARES.shape[1]
    if free.shape[1] == 0:
        none = np.zeros((mixtures, 0))
        return _Likelihoods(
            whitening=np.zeros((mixtures, 0, count)),
            log_det=none[:, :0].sum(axis=1),
            prediction=none,
            residual=none,
        )
    parts = np.array([free.T @ cov[:count, :count] @ free for cov in laws])
    white, others = parts[0], parts[1:]
    mixed = white[None] + np.tensordot(MIXTURE_SHARES.T, others, axes=1)
    root = np.linalg.cholesky(mixed)
    log_det = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    contrast = np.repeat([-1.0 / count, 1.0 / count], count)
    behind = np.where(np.arange(2 * count) < count, contrast, 0.0)
    weights = [behind if of_difference and law in WHITE_LAWS else contrast for law in range(4)]
    ahead = np.array([free.T @ cov[:count] @ w for cov, w in zip(laws, weights, strict=True)])
    apart = [float(w @ cov @ w) for cov, w in zip(laws, weights, strict=True)]
    right = np.concatenate(
        (
            np.broadcast_to(free.T, (mixtures, *free.T.shape)),
            (ahead[0] + MIXTURE_SHARES.T @ ahead[1:])[:, :, None],
        ),
        axis=2,
    )
    solved = np.linalg.solve(root, right)
    prediction = solved[:, :, -1]
    residual = apart[0] + np.array(apart[1:]) @ MIXTURE_SHARES
    residual -= (prediction * prediction).sum(axis=1)
    return _Likelihoods(
        whitening=solved[:, :, :-1],
        log_det=log_det,
        prediction=prediction,
        residual=np.maximum(residual, 1e-12),
    )


def _normal(covariance: FloatArray) -> FloatArray:
    """Scale a covariance of blocks so that the difference of its halves' means has variance 1."""
    half = covariance.shape[0] // 2
    contrast = np.repeat([-1.0 / half, 1.0 / half], half)
    return np.asarray(covariance / float(contrast @ covariance @ contrast))


def _covariances(count: int, length: int) -> list[FloatArray]:
    """Return the generalised covariances, (count, count), of `count` blocks of `length` readings.

    One each of white, flicker and random-walk frequency noise and white phase noise. They hold for
    contrasts, whose weights add up to zero.
    """
    from scipy import special  # noqa: PLC0415 - slow; the first reading comes first

    lags = np.arange(count * length + length, dtype=np.float64)
    reading_by_law = (
        np.where(lags == 0, 1.0, 0.0),
        -special.psi(lags + 0.5) / np.pi,
        -lags / 2.0,
        np.select([lags == 0, lags == 1], [2.0, -1.0], 0.0),
    )
    within = np.arange(-length + 1, length)
    weights = (length - np.abs(within)) / length**2
    apart = np.abs(np.arange(count)[:, None] - np.arange(count)[None, :])
    found = []
    for covariance in reading_by_law:
        at = np.abs(np.arange(count)[:, None] * length + within[None, :])
        by_block = covariance[at] @ weights
        found.append(by_block[apart])
    return found


def _standard(
    weight: FloatArray, expected: FloatArray, spread: FloatArray, free: int
) -> tuple[float, float]:
    """Return the root mean square of a mixture of t distributions, and its dof at 95 %.

    Args:
        weight: of each t distribution, (mixtures,).
        expected: its centre, likewise.
        spread: its scale, likewise.
        free: degrees of freedom of each.
    """
    from scipy import special  # noqa: PLC0415 - slow; the first reading comes first

    likely = weight > LEAST_WEIGHT * float(weight.max())
    weight, expected, spread = (
        weight[likely] / weight[likely].sum(),
        expected[likely],
        spread[likely],
    )
    squares = expected**2 + spread**2 * free / max(free - 2.0, 1.0)
    u, tail = math.sqrt(float((weight * squares).sum())), (1.0 - COVERAGE) / 2.0
    low, high = 0.0, 100.0 * float((np.abs(expected) + spread).max())
    for _ in range(BISECTIONS):
        middle = (low + high) / 2.0
        above = special.stdtr(free, (expected - middle) / spread)
        below = special.stdtr(free, (-middle - expected) / spread)
        beyond = float((weight * (above + below)).sum())
        low, high = (middle, high) if beyond > 2.0 * tail else (low, middle)
    wanted = high / u
    if wanted <= -float(special.ndtri(tail)):
        return u, math.inf
    few, many = 1.0, 1e6
    for _ in range(BISECTIONS):
        dof = math.sqrt(few * many)
        reached = -float(special.stdtrit(dof, tail))
        few, many = (dof, many) if reached > wanted else (few, dof)
    return u, few
