"""A trim that was watched and played from its journal: the same tool, pull and records."""

import json
import subprocess
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from program_kit import COMMAND
from seed_kit import unseen_seed

from benchwatch.acquire import CounterStatus
from benchwatch.counter import LinkStatus
from benchwatch.journal import Journal
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.reading import Reading, Touch
from benchwatch.recording import EventStream, StatedFacts

PULL, NOMINAL = 6e-9, 1e7


def trimmed(journal: Path) -> Pipeline:
    """Watch a trim with its journal: the tool on, a turn, the tool off, as left by the operator."""
    rng = np.random.default_rng(unseen_seed())
    kept = Journal(journal)
    plan = Plan(
        name="main", resource="TCPIP0::127.0.0.1::5025::SOCKET", nominal=Decimal(10_000_000)
    )
    pipeline = Pipeline(plan, journal=kept, utc_s=1e9)
    pipeline.connect(
        CounterStatus(link=LinkStatus("reading", 0.0), gate_s=1.0, nominal=Decimal(10_000_000))
    )
    for second in range(240):
        at_s = float(second)
        if second in (60, 120):
            touched = Touch(
                counter="main", utc_s=1e9 + at_s - 0.5, elapsed_s=at_s - 0.5, on=second == 60
            )
            pipeline.take(touched)
        level = (12e-9 if second < 90 else 1e-9) + (PULL if 60 <= second < 120 else 0.0)
        offset = level + float(rng.normal(0.0, 2e-11))
        hertz = round(NOMINAL * offset, 6)
        text = f"{NOMINAL + hertz:.6f}"
        pipeline.take(
            Reading(
                counter="main",
                utc_s=1e9 + at_s,
                elapsed_s=at_s,
                gate_s=1.0,
                text=text,
                frequency_hz=float(text),
                offset_hz=hertz,
                offset=hertz / NOMINAL,
                resolution_hz=1e-6,
            )
        )
        if second == 200:
            pipeline.record("as left", 1e9 + at_s, at_s)
    pipeline.end(1e9 + 240.0, 240.0, "stopped")
    kept.close()
    return pipeline


def test_what_was_watched_is_what_is_played(tmp_path: Path) -> None:
    """The tool's pull and the records are those of the live watch."""
    live = trimmed(tmp_path / "journal.db").snapshot
    stream = EventStream(str(tmp_path / "journal.db"), StatedFacts(), say=lambda _: None)
    events = iter(stream)
    first = next(events)
    played = Pipeline(Plan(name="main", resource="", nominal=Decimal(10_000_000)), utc_s=1e9)
    for event in (first, *events):
        played.take(event)

    now = played.snapshot
    assert now.trim is not None
    assert live.trim is not None
    assert now.trim.tool is not None
    assert live.trim.tool is not None
    assert (now.trim.tool.on, now.trim.tool.since_s) == (False, 119.5)
    assert now.trim.tool.pull is not None
    assert live.trim.tool.pull is not None
    assert now.trim.tool.pull.size == pytest.approx(live.trim.tool.pull.size, rel=1e-9)
    assert now.trim.tool.pull.size == pytest.approx(PULL, abs=2e-10)
    assert now.trim.turn is not None
    assert live.trim.turn is not None
    assert now.trim.turn.size == pytest.approx(live.trim.turn.size, rel=1e-9)
    assert now.records is not None
    assert live.records is not None
    assert now.records.as_left == live.records.as_left
    assert now.records.as_found_automatic
    assert now.records.as_found is not None
    assert now.records.as_found.offset == pytest.approx(12e-9, abs=1e-10)
    kinds = [one.kind for one in now.logged_events]
    assert kinds == [one.kind for one in live.logged_events]


def test_lines_of_a_played_trim_tell_the_tool_and_the_record(tmp_path: Path) -> None:
    """``replay --json``: marks of the tool, and the operator's record."""
    trimmed(tmp_path / "journal.db")

    done = subprocess.run(
        [*COMMAND, "replay", str(tmp_path / "journal.db"), "--json"],
        capture_output=True, text=True, timeout=100, check=True,
    )  # fmt: skip

    lines = [json.loads(line) for line in done.stdout.splitlines()]
    marks = [(line["text"], line["elapsed_s"]) for line in lines if line["kind"] == "mark"]
    assert marks == [("tool on", 59.5), ("tool off", 119.5)]
    (record,) = [line for line in lines if line["kind"] == "record"]
    assert record["record"]["kind"] == "as left"
