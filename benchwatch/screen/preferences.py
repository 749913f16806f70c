"""Choices of the operator on the screen, saved for the next start."""

import json
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

SPANS_S = (30.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0, 14400.0, 86400.0, 604800.0)
"""Spans of the strip chart, one zoom step apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Preferences:
    """Choices that a key makes."""

    view: str = "trim"
    span_s: float = 120.0
    """Of the strip chart."""
    unit: str = ""
    """Name of the fraction's unit; empty: by size."""
    log_time: bool = False
    """Warm-up against the logarithm of time."""
    close: bool = False
    """Warm-up with the axis of offsets that its recent part needs."""
    without_drift: bool = False
    """Deviations with a straight drift taken out."""
    whole_run: bool = False
    """Deviations of the whole run, and not only since the last nudge or the settling."""
    deviation: str = "oadev"


def load(path: Path) -> Preferences:
    """Read the choices kept in `path`; what is absent or not valid has its default."""
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return Preferences()
    if not isinstance(kept, dict):
        return Preferences()
    usual = Preferences()
    valid: dict[str, Any] = {
        field.name: kept[field.name]
        for field in fields(Preferences)
        if type(kept.get(field.name)) is type(getattr(usual, field.name))
    }
    if valid.get("span_s") not in SPANS_S:
        valid.pop("span_s", None)
    return Preferences(**valid)


def save(path: Path, preferences: Preferences) -> bool:
    """Save the choices; return False when they can't be written, which loses only them."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(asdict(preferences), indent=1) + "\n", encoding="utf-8")
    except OSError:
        return False
    return True
