"""Lines and states of made stations, as bytes; it shares no code with the relay."""

import json
import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

RUN = 1_900_000_000_000 << 20
"""A run of a station."""
UTC_S = 1_900_000_000.0


def time_text(utc_s: float) -> str:
    """Write Unix seconds as a line does."""
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def reading_values(number: int, elapsed_s: float, text: str, **changes: Any) -> dict[str, Any]:
    """Return the values of the line of a reading near 10 MHz; `changes` replace some."""
    frequency = float(text) if text else math.nan
    values = {
        "kind": "reading", "counter": "main", "time": time_text(UTC_S + elapsed_s),
        "elapsed_s": elapsed_s, "gate_s": 1.0, "frequency_hz": frequency,
        "offset_hz": frequency - 1e7, "offset": frequency / 1e7 - 1.0, "estimate": None,
        "drift": None, "nudge": None, "settle": None, "tolerance": None, "flags": [],
        "text": text, "correction": None, "dial_hz": None, "rest": None, "not_on_disk": 0,
        "run": RUN, "number": number, "unsent": 0,
    }  # fmt: skip
    return values | changes


def event_values(kind: str, number: int, elapsed_s: float, **more: Any) -> dict[str, Any]:
    """Return the values of the line of another event, such as a gap or a mark."""
    return {
        "kind": kind, "counter": "main", "time": time_text(UTC_S + elapsed_s),
        "elapsed_s": elapsed_s, "run": RUN, "number": number, "unsent": 0,
    } | more  # fmt: skip


def state_values(**changes: Any) -> dict[str, Any]:
    """Return the values of the state of a counter at 10 MHz."""
    return {
        "v": 1, "counter": "main", "identity": "made counter", "time_base": "external",
        "gate_s": 1.0, "nominal_hz": "10000000", "tolerance": 5e-9,
        "settle": {"limit": 1e-9, "horizon_s": 600.0}, "unit": None,
        "link": {"state": "reading", "detail": ""}, "run": RUN, "interval_s": 1.0,
        "simulated": None,
    } | changes  # fmt: skip


def payload(values: Mapping[str, Any]) -> bytes:
    """Write values as a message."""
    return json.dumps(values).encode()
