"""Choices that the operator makes by keys of the screen, saved for the next start."""

import json
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from benchwatch.quantity import OFFSET_UNITS

SPANS_S = (30.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0, 14400.0, 86400.0, 604800.0)
"""Time spans of the strip chart, one zoom step apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Preferences:
    """How views are drawn, as far as keys change it."""

    span_s: float = 120.0
    """Time span of the strip chart."""
    unit: str = ""
    """Name of the unit of fractions; empty: by size."""
    log_time: bool = False
    """Whether the warm-up is drawn over the logarithm of time."""
    close: bool = False
    """Whether the axis of the warm-up covers only the recent offsets."""
    without_drift: bool = False
    """Whether the deviations are those after removing a linear drift."""
    whole_run: bool = False
    """Whether deviations are of the whole run, or since the last nudge or the settling."""
    deviation: str = "oadev"
    """Kind of deviation on the screen."""


def load(path: Path) -> Preferences:
    """Read the preferences saved in `path`; a missing or invalid one has its default."""
    try:
        saved = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return Preferences()
    if not isinstance(saved, dict):
        return Preferences()
    usual = Preferences()
    valid: dict[str, Any] = {
        field.name: saved[field.name]
        for field in fields(Preferences)
        if type(saved.get(field.name)) is type(getattr(usual, field.name))
    }
    if valid.get("span_s") not in SPANS_S:
        valid.pop("span_s", None)
    return Preferences(**valid)


def save(path: Path, preferences: Preferences) -> bool:
    """Save the preferences; return False when they can't be written."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(asdict(preferences), indent=1) + "\n", encoding="utf-8")
    except OSError:
        return False
    return True


def unit_after(name: str) -> str:
    """Return the name of the next unit of fractions after `name`; empty: by size."""
    names = ["", *(unit.name for unit in OFFSET_UNITS)]
    return names[((names.index(name) if name in names else 0) + 1) % len(names)]
