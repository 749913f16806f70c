"""Words on which side of a limit a record lies."""

from typing import Final

from benchwatch.estimate.uncertainty.limit_side import LimitSide
from benchwatch.pipeline.event_log import limit_words

_IN_A_COLUMN: Final[dict[LimitSide, str]] = {
    "inside": "inside",
    "outside": "outside",
    "undecided": "too near to tell",
}
U_UNKNOWN: Final = "u unknown"
"""Stands for the side in a column where it is undecided for want of an uncertainty."""


def side_words(side: LimitSide, limit: float, *, u_known: bool) -> str:
    """Write the side of a limit (fractional): ``inside 5 ppb``, ``too near 5 ppb to tell``.

    Args:
        side: what `benchwatch.estimate.uncertainty.limit_side` decided.
        limit: fractional.
        u_known: whether the uncertainty is known; without it nothing is decided.
    """
    shown = limit_words(limit)
    if side != "undecided":
        return f"{side} {shown}"
    return f"too near {shown} to tell" if u_known else f"can't tell of {shown}: u is unknown"


def side_column(side: LimitSide | None, *, u_known: bool) -> str:
    """Write the side for the column of a table; empty where it is None."""
    if side is None:
        return ""
    return U_UNKNOWN if side == "undecided" and not u_known else _IN_A_COLUMN[side]
