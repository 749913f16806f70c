"""Time of a reading that is replayed to lines, beside the whole pipeline and a plain encoder.

python -m pytest tests/benchmarks/test_speed_replay.py -s
"""

import io
import json
import time
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import numpy as np

from benchwatch.line_output import LineOutput, json_line
from benchwatch.pipeline.numbers_pipeline import NumbersPipeline
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.reading import Event
from benchwatch.recording import EventStream, StatedFacts

ROWS = 20_000
WINDOW = 500
"""Readings timed together; the quickest window is the one that nothing else disturbed."""


def made_events(folder: Path) -> list[Event]:
    """Return the readings of a made table: white noise on a slow walk, one a second."""
    rng = np.random.default_rng(3)
    hertz = 1e7 + 0.05 + np.cumsum(rng.normal(0.0, 1e-6, ROWS)) + rng.normal(0.0, 2e-4, ROWS)
    path = folder / "station.csv"
    rows = "".join(f"{second},{value:.6f}\n" for second, value in enumerate(hertz.tolist()))
    path.write_text(f"time_s,frequency_hz\n{rows}")
    return list(EventStream(str(path), StatedFacts(), say=lambda _: None))


def microseconds(take: Callable[[Event], None], events: list[Event]) -> tuple[float, float]:
    """Return the processor's time an event: of the quickest window, and of the usual one."""
    windows = []
    for start in range(0, ROWS, WINDOW):
        begin_s = time.thread_time()
        for event in events[start : start + WINDOW]:
            take(event)
        windows.append((time.thread_time() - begin_s) / WINDOW * 1e6)
    return min(windows), float(np.median(windows))


def test_time_of_a_replayed_reading(tmp_path: Path) -> None:
    """Print the times; lines alone take less time than the whole pipeline with its lines."""
    events = made_events(tmp_path)
    plan = Plan(name="main", resource="", nominal=Decimal(10_000_000))
    whole, numbers = Pipeline(plan), NumbersPipeline(plan)
    lines = LineOutput(io.StringIO(), json_line)

    def through_all(event: Event) -> None:
        now = whole.take(event)
        lines.event(now.corrected(event), now.numbers)

    def to_numbers(event: Event) -> None:
        lines.event(*numbers.take(event))

    all_least, all_usual = microseconds(through_all, events)
    least, usual = microseconds(to_numbers, events)
    objects = [json.loads(line) for line in io.StringIO(one_line(events)).readlines()]
    encode = json.JSONEncoder(separators=(",", ":")).encode
    reference, _ = microseconds(lambda _: (encode(objects[0]), None)[1], events)

    print(
        f"\na reading to a JSON line: {least:.0f} us at best, {usual:.0f} us as a rule; through "
        f"the whole pipeline {all_least:.0f} and {all_usual:.0f} us; json encodes one line in "
        f"{reference:.1f} us"
    )
    assert least < all_least


def one_line(events: list[Event]) -> str:
    """Return the line of the first event."""
    text = io.StringIO()
    LineOutput(text, json_line).event(
        *NumbersPipeline(Plan(name="main", resource="", nominal=Decimal(10_000_000))).take(
            events[0]
        )
    )
    return text.getvalue()
