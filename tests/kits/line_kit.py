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
        "run": RUN, "number": number, "unsent": 0, "behind": False,
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


def record_values(**changes: Any) -> dict[str, Any]:
    """Return the record of an offset of 2 ppb as found; `noise` changes its only row."""
    row = {
        "name": "noise", "estimate": 2e-9, "u": 1e-11, "distribution": "type A", "dof": 29.0,
        "sensitivity": 1.0, "contribution": 1e-11, "source": "made",
    } | changes.pop("noise", {})  # fmt: skip
    return {
        "kind": "as found", "counter": "main", "nominal_hz": 1e7, "utc_s": UTC_S, "span_s": 30.0,
        "readings": 30, "conditions": [["gate", "1 s"]],
        "budget": {"lines": [row], "missing": ["ageing"]},
    } | changes  # fmt: skip


def check_values(**changes: Any) -> dict[str, Any]:
    """Return a finished check at 5 MHz, which follows."""
    return {
        "setting_hz": 5e6, "nominal_hz": 1e7, "utc_s": UTC_S, "verdict": "follows",
        "foretold": 2e-9, "foretold_u": 1e-11, "read": 2.1e-9, "read_u": 2e-11, "readings": 20,
        "difference": 1e-10, "u": 3e-11, "dof": 19.0, "expanded": 6e-11, "limit": 1.25e-9,
        "began_utc_s": UTC_S - 20.0,
    } | changes  # fmt: skip


def payload(values: Mapping[str, Any]) -> bytes:
    """Write values as a message."""
    return json.dumps(values).encode()
