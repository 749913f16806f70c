"""Sentences that state a result with its uncertainty, as JCGM 100:2008 (GUM) asks in 7.2.3."""

import math
from typing import Final

from benchwatch.estimate.uncertainty.uncertainty_budget import USUAL_COVERAGE
from benchwatch.quantity.stated_result import StatedResult

MOST_DOF: Final = 999
"""More degrees of freedom are written as unlimited: k, to two decimals, is the same then."""
COVERAGE_WORDS: Final = f"about {USUAL_COVERAGE * 100:.0f} %"


def dof_words(dof: float) -> str:
    """Write degrees of freedom as a whole number; very many as ``unlimited``."""
    return f"{dof:.0f}" if dof <= MOST_DOF else "unlimited"


def freedom_words(dof: float) -> str:
    """Write degrees of freedom with their noun, such as ``8 degrees of freedom``."""
    return f"{dof_words(dof)} {'degree' if dof == 1 else 'degrees'} of freedom"


def coverage_words(coverage: float) -> str:
    """Write a coverage, 0 to 1; the usual one in the words of all documents (GUM G.6.6)."""
    if math.isclose(coverage, USUAL_COVERAGE, rel_tol=1e-9):
        return COVERAGE_WORDS
    return f"{coverage * 100:g} %"


def factor_words(k: float) -> str:
    """Write a coverage factor."""
    return f"{k:.2f}"


def result_statement(
    what: str,
    stated: StatedResult,
    *,
    k: float,
    dof: float,
    coverage: str = COVERAGE_WORDS,
    u_is_lower_limit: bool = False,
) -> str:
    """Write a result with U, u, k, degrees of freedom and coverage, in the form of GUM 7.2.4.

    Args:
        what: name of what was measured.
        stated: the result; its u and U are known.
        k: coverage factor.
        dof: degrees of freedom behind it.
        coverage: level of confidence, such as ``95 %``.
        u_is_lower_limit: whether something that belongs in u is unknown.
    """
    limit = "; u and U are lower limits, for not all that belongs in them is known"
    return (
        f"{what} = {stated}, where the number after ± is the expanded uncertainty U = k u, with "
        f"u = {stated.u} {stated.unit} and k = {factor_words(k)} (t-distribution, "
        f"{freedom_words(dof)}): a level of confidence of {coverage}{limit * u_is_lower_limit}."
    )
