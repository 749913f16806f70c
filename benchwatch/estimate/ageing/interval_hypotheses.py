"""Hypotheses on how a unit ages between its visits, and how likely each makes what was seen."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.estimate.ageing.interval_errors import IntervalErrors
from benchwatch.estimate.array_types import FloatArray, IntArray

AMOUNTS: Final = 10.0 ** np.arange(-1.5, 0.51, 0.25)
"""Standard deviations that a law adds over the visits, in units of the largest change seen."""
WALK_SHARES: Final = (0.0, 0.03, 0.1, 0.3, 0.6, 1.0)
"""Standard deviation of the walk over the visits, as a share of that of the law."""
NO_WALK_PRIOR: Final = 0.3
ONLY_WALK_PRIOR: Final = 0.05
BOTH_LAWS_PRIOR: Final = 0.3
BEGINNINGS_DAYS: Final = (1.0, 30.0, 365.0)
"""Days before the first visit at which the logarithmic law may have begun."""
VISIT_ERRORS: Final = ((0.0, 0.75), (1.0, 0.2), (3.0, 0.05))
"""Errors that a visit adds to its records, in units of a typical u, with prior probabilities."""
ROUNDING_SHARE: Final = 1e-5
"""Errors are taken as at least this share of the largest change, against rounding."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Hypotheses:
    """All hypotheses, before anything was seen."""

    amounts: FloatArray
    """Variances of the logarithmic law, the linear law and the walk, fractions squared, (h, 3)."""
    beginning: IntArray
    """Index in `BEGINNINGS_DAYS`, (h,)."""
    base: IntArray
    """Index of the pair of walk and error of a visit, (h,)."""
    bases: list[tuple[float, float]]
    """Pairs of a walk's variance and an error of a visit."""
    prior: FloatArray
    """(h,)."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Posterior:
    """Log weights of the hypotheses, (h,), and what each expects; see `IntervalAgeing`."""

    log_weight: FloatArray
    means: FloatArray
    spread: FloatArray


def hypotheses(largest: float) -> Hypotheses:
    """Return all hypotheses; `largest` (fractional) is the largest change seen."""
    rows: list[tuple[float, float, float]] = []
    beginning: list[int] = []
    errors: list[float] = []
    prior: list[float] = []
    alone = (1.0 - BOTH_LAWS_PRIOR - ONLY_WALK_PRIOR) / 2.0
    kinds = len(BEGINNINGS_DAYS)
    for error, error_prior in VISIT_ERRORS:
        for amount in ((AMOUNTS * largest) ** 2).tolist():
            rows.append((0.0, 0.0, amount))
            prior.append(error_prior * ONLY_WALK_PRIOR)
            beginning.append(0)
            for share in WALK_SHARES:
                odds = (1.0 - NO_WALK_PRIOR) / (len(WALK_SHARES) - 1) if share else NO_WALK_PRIOR
                walk, odds = share**2 * amount, odds * error_prior
                rows.append((0.0, amount, walk))
                prior.append(odds * alone)
                beginning.append(0)
                for begun in range(kinds):
                    rows += [(amount, 0.0, walk), (amount, amount, walk)]
                    prior += [odds * alone / kinds, odds * BOTH_LAWS_PRIOR / kinds]
                    beginning += [begun, begun]
        errors += [error] * (len(rows) - len(errors))
    pairs = [(row[2], error) for row, error in zip(rows, errors, strict=True)]
    index = {pair: k for k, pair in enumerate(dict.fromkeys(pairs))}
    return Hypotheses(
        amounts=np.array(rows),
        beginning=np.array(beginning),
        base=np.array([index[pair] for pair in pairs]),
        bases=list(index),
        prior=np.array(prior),
    )


def posterior(
    grid: Hypotheses,
    errors: IntervalErrors,
    *,
    largest: float,
    changes: FloatArray,
    logarithmic: FloatArray,
    linear: FloatArray,
) -> Posterior:
    """Weigh the hypotheses by the changes seen.

    With B for the walk and the errors, V = (p, q) and S for the variances of both laws, the
    covariance is B + V·S·Vᵀ; by the matrix inversion lemma only the few B are factored, and each
    hypothesis takes 2-by-2 matrices: G = Vᵀ·B⁻¹·V, and M = (1 + S·G)⁻¹·S, which is the covariance
    of both amounts given the changes.

    Args:
        grid: the hypotheses.
        errors: of the records.
        largest: the scale of the changes, fractional.
        changes: (m,), fractional.
        logarithmic: p, what that law changes, for each beginning, (beginnings, m).
        linear: q, what that law changes: the length of each interval as a share of all, (m,).
    """
    by_error = {r: errors.among(r) for r, _ in VISIT_ERRORS}
    among = np.stack([by_error[r] + walk * np.diag(linear) for walk, r in grid.bases])
    rounding = ROUNDING_SHARE**2 * np.eye(changes.size)
    root = np.linalg.cholesky(among / largest**2 + rounding)
    with_newest = {r: errors.with_newest(r) / largest for r, _ in VISIT_ERRORS}
    right = np.stack(
        [np.column_stack((*logarithmic, linear, changes / largest, with_newest[r] / largest))
         for _, r in grid.bases]
    )  # fmt: skip
    solved = np.linalg.solve(root, right)
    gram = np.einsum("jmk,jml->jkl", solved, solved)[grid.base]
    kinds = len(logarithmic)
    h, begun, q, d, e = np.arange(grid.base.size), grid.beginning, *range(kinds, kinds + 3)
    g11, g22, g12 = gram[h, begun, begun], gram[:, q, q], gram[h, begun, q]
    s1, s2 = (grid.amounts[:, :2] / largest**2).T
    determinant = (1.0 + s1 * g11) * (1.0 + s2 * g22) - s1 * s2 * g12**2
    m = np.empty((h.size, 2, 2))
    m[:, 0, 0], m[:, 1, 1] = s1 * (1.0 + s2 * g22), s2 * (1.0 + s1 * g11)
    m[:, 0, 1] = m[:, 1, 0] = -s1 * s2 * g12
    m /= determinant[:, None, None]
    with_d = np.stack((gram[h, begun, d], gram[:, q, d]), axis=1)
    with_e = np.stack((gram[h, begun, e], gram[:, q, e]), axis=1)
    amounts = np.einsum("hkl,hl->hk", m, with_d)
    misfit = gram[:, d, d] - (with_d * amounts).sum(axis=1)
    log_det = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)[grid.base]
    own = {r: errors.of_newest(r) / largest**2 for r, _ in VISIT_ERRORS}
    apart = -np.einsum("hkl,hl->hk", m, with_e)
    spread = np.empty((h.size, 3, 3))
    spread[:, :2, :2] = m
    spread[:, :2, 2] = spread[:, 2, :2] = apart
    spread[:, 2, 2] = np.array([own[r] for _, r in grid.bases])[grid.base] - gram[:, e, e]
    spread[:, 2, 2] -= (with_e * apart).sum(axis=1)
    level = gram[:, e, d] - (with_e * amounts).sum(axis=1)
    return Posterior(
        log_weight=np.log(grid.prior) - log_det - 0.5 * (np.log(determinant) + misfit),
        means=largest * np.column_stack((amounts, level)),
        spread=largest**2 * spread,
    )
