"""Texts within values for JSON."""

from collections.abc import Callable
from typing import Any


def with_texts(value: Any, change: Callable[[str], str]) -> Any:
    """Return a copy of values for JSON in which `change` was applied to every text but keys."""
    if isinstance(value, str):
        return change(value)
    if isinstance(value, dict):
        return {key: with_texts(one, change) for key, one in value.items()}
    if isinstance(value, list | tuple):
        # Charts have thousands of numbers, for which a call each would take longest.
        return [one if isinstance(one, float) else with_texts(one, change) for one in value]
    return value
