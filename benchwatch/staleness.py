"""Staleness of the newest reading, judged by its age before the link reports silence."""

from typing import Final

from benchwatch.plan import OVERDUE_MARGIN_S, margin_s
from benchwatch.reading import TYPED
from benchwatch.snapshot import Snapshot

UNKNOWN_GATE_SPACINGS: Final = 3.0
"""Age, in usual spacings, at which a reading of unknown gate is overdue."""
TYPED_CURRENT_S: Final = 600.0
"""Seconds for which a typed reading is current at least: time to turn, to wait and to look up
something, and no more than the usual horizon of a settle limit."""


def age_s(now: Snapshot, at_s: float) -> float | None:
    """Return the age (seconds) of the newest reading at `at_s`, seconds of the run; None: none."""
    return None if now.reading is None else max(at_s - now.reading.elapsed_s, 0.0)


def longest_age_s(now: Snapshot) -> float | None:
    """Return the age (seconds) of the newest reading at which the next is overdue; None: unknown.

    A reading is dated at the middle of its gate, so it is half a gate old when it arrives.
    """
    spacing_s, gate_s = now.spacing_s, now.gate_s
    if now.reading is not None and TYPED in now.reading.flags:
        return longest_pause_s(spacing_s)
    if spacing_s is None:
        return None
    if gate_s is None:
        return max(UNKNOWN_GATE_SPACINGS * spacing_s, spacing_s + OVERDUE_MARGIN_S)
    return max(spacing_s, gate_s) + gate_s / 2.0 + margin_s(gate_s)


def longest_pause_s(spacing_s: float | None) -> float:
    """Return the time (seconds) after a typed reading for which it stands for the present.

    A person types when there is time; the usual pace tells only of those who take it slowly.

    Args:
        spacing_s: usual time between two readings, in seconds; None: unknown.
    """
    return max(TYPED_CURRENT_S, UNKNOWN_GATE_SPACINGS * (spacing_s or 0.0))


def is_current(now: Snapshot, at_s: float) -> bool:
    """Return whether the numbers in `now` are still valid at `at_s`, seconds of the run."""
    if now.link.state != "reading" or now.dialled_hz is not None:
        return False
    age, longest = age_s(now, at_s), longest_age_s(now)
    return age is None or longest is None or age <= longest
