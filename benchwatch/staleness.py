"""Whether the newest reading is still current: by its age, before the link reports silence."""

from typing import Final

from benchwatch.plan import MARGIN_S, margin_s
from benchwatch.snapshot import Snapshot

UNKNOWN_GATE: Final = 3.0
"""Usual times between readings after which the next one is overdue, where the gate is unknown."""


def age_s(now: Snapshot, at_s: float) -> float | None:
    """Return how old the newest reading is at `at_s`, seconds of the run; None without one."""
    return None if now.reading is None else max(at_s - now.reading.elapsed_s, 0.0)


def longest_age_s(now: Snapshot) -> float | None:
    """Return the age (seconds) at which the next reading is overdue; None while it is not known.

    A reading is stamped at the middle of its gate, so it is half a gate old when it comes.
    """
    spacing_s, gate_s = now.spacing_s, now.gate_s
    if spacing_s is None:
        return None
    if gate_s is None:
        return max(UNKNOWN_GATE * spacing_s, spacing_s + MARGIN_S)
    return max(spacing_s, gate_s) + gate_s / 2.0 + margin_s(gate_s)


def is_current(now: Snapshot, at_s: float) -> bool:
    """Tell whether the numbers in `now` still hold at `at_s`, seconds of the run."""
    if now.link.state != "reading":
        return False
    age, longest = age_s(now, at_s), longest_age_s(now)
    return age is None or longest is None or age <= longest
