"""Staleness of the newest reading, judged by its age before the link reports silence."""

from typing import Final

from benchwatch.plan import OVERDUE_MARGIN_S, margin_s
from benchwatch.snapshot import Snapshot

UNKNOWN_GATE_SPACINGS: Final = 3.0
"""Age, in usual spacings, at which a reading of unknown gate is overdue."""


def age_s(now: Snapshot, at_s: float) -> float | None:
    """Return the age (seconds) of the newest reading at `at_s`, seconds of the run; None: none."""
    return None if now.reading is None else max(at_s - now.reading.elapsed_s, 0.0)


def longest_age_s(now: Snapshot) -> float | None:
    """Return the age (seconds) of the newest reading at which the next is overdue; None: unknown.

    A reading is dated at the middle of its gate, so it is half a gate old when it arrives.
    """
    spacing_s, gate_s = now.spacing_s, now.gate_s
    if spacing_s is None:
        return None
    if gate_s is None:
        return max(UNKNOWN_GATE_SPACINGS * spacing_s, spacing_s + OVERDUE_MARGIN_S)
    return max(spacing_s, gate_s) + gate_s / 2.0 + margin_s(gate_s)


def is_current(now: Snapshot, at_s: float) -> bool:
    """Return whether the numbers in `now` are still valid at `at_s`, seconds of the run."""
    if now.link.state != "reading":
        return False
    age, longest = age_s(now, at_s), longest_age_s(now)
    return age is None or longest is None or age <= longest
