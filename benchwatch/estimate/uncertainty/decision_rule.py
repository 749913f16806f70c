"""Decision rules: what is stated of an offset and its tolerance (JCGM 106:2012).

``simple`` (8.2, simple acceptance): inside where the offset itself is; its uncertainty counts for
nothing. ``guarded`` (8.3.2, guard band of U): inside where all of offset ± U is, and else not shown
to be inside. ``three-answers``: as guarded on both sides of the limit, inside, outside, or not
stated where the limit lies within offset ± U; `benchwatch.estimate.uncertainty.limit_side` is this
rule.
"""

import math
from typing import Final, Literal, get_args

from benchwatch.errors import UsageError
from benchwatch.estimate.uncertainty.limit_side import limit_side

DecisionRule = Literal["simple", "guarded", "three-answers"]
DECISION_RULES: Final[tuple[DecisionRule, ...]] = get_args(DecisionRule)
USUAL_RULE: Final[DecisionRule] = "three-answers"
Conformity = Literal["inside", "outside", "not shown to be inside", "not stated"]


def conformity(
    rule: DecisionRule, offset: float, expanded: float | None, limit: float
) -> Conformity:
    """Return what `rule` states of an offset and its tolerance ±`limit`.

    Args:
        rule: the decision rule.
        offset: fractional.
        expanded: its expanded uncertainty U, fractional; None: unknown.
        limit: fractional, above zero.
    """
    if rule == "simple":
        return "inside" if abs(offset) <= limit else "outside"
    side = limit_side(offset, expanded, limit)
    if rule == "guarded":
        return "inside" if side == "inside" else "not shown to be inside"
    return "not stated" if side == "undecided" else side


def conformance_probability(
    value: float, u: float, *, low: float = -math.inf, high: float = math.inf
) -> float:
    """Return the probability that the truth lies from `low` to `high`.

    What is known of the truth is a normal distribution around `value` (JCGM 106:2012, 7.2 to 7.4):
    Φ((high - value)/u) - Φ((low - value)/u).

    Args:
        value: what was measured.
        u: its standard uncertainty, in the same unit.
        low: lower limit of the tolerance; left out: there is none.
        high: upper limit; left out: there is none.

    Raises:
        UsageError: `u` is not above zero, or the limits are in the wrong order.
    """
    if not 0 < u < math.inf:
        raise UsageError(f"with an uncertainty of {u:g} there is no probability to state.")
    if not low <= high:
        raise UsageError(f"a tolerance from {low:g} to {high:g} has its limits in the wrong order.")
    return 1.0 - _tail((value - low) / u) - _tail((high - value) / u)


def _tail(distance: float) -> float:
    """Return the probability of a standard normal variable above `distance`."""
    return 0.5 * math.erfc(distance / math.sqrt(2.0))
