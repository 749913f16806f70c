"""What the keys and typed commands of checks at other dial settings do to one counter."""

from decimal import Decimal

from benchwatch.screen.watch_source import CounterHandle, TrimmerControl
from benchwatch.snapshot import Snapshot

CHECK_VIEW = "elsewhere"
"""Name of the view that shows the checks."""


def is_checking(now: Snapshot) -> bool:
    """Return whether there is something to dial, or to take back."""
    return now.checks is not None and now.checks.phase is not None


def go_on_checking(handle: CounterHandle, trimmer: TrimmerControl | None, counter: str) -> str:
    """Say that the unit is dialled, or go on to the next setting; a simulated one is dialled.

    Args:
        handle: of the counter.
        trimmer: dials the simulated unit; None: a person dials a real one.
        counter: name of the counter.

    Returns:
        An empty sentence: the view shows what is next.

    Raises:
        BenchwatchError: there is nothing to check, or the unit has not this setting.
    """
    now = handle.snapshot
    if trimmer is not None and now.checks is not None:
        if now.checks.phase == "dial" and now.checks.setting_hz is not None:
            trimmer.dial(counter, Decimal(repr(now.checks.setting_hz)))
        elif now.checks.phase == "back":
            trimmer.dial(counter, Decimal(repr(now.nominal_hz)))
    handle.go_on_checking()
    return ""
