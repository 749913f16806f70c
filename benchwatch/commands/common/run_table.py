"""The runs of a journal as a table for people and as JSON lines."""

from collections.abc import Sequence
from datetime import UTC, datetime

from benchwatch.commands.common.output import print_json, print_text
from benchwatch.journal.run_list import ListedRun
from benchwatch.quantity import format_duration, format_frequency, printable
from benchwatch.report.blocks import align_table
from benchwatch.screen.text.local_time import local

COLUMN_NAMES = ("run", "started", "lasted", "readings", "counter", "nominal", "ended", "of")
STATE_WORDS = {"watched": "is watched now", "cut off": "cut off"}


def print_runs(runs: Sequence[ListedRun]) -> None:
    """Print runs as a table."""
    print_text(align_table(COLUMN_NAMES, [_cells(run) for run in runs]))


def print_runs_json(runs: Sequence[ListedRun]) -> None:
    """Print one JSON line a run."""
    for run in runs:
        print_json(
            {"kind": "run", "number": run.number, "started": _iso(run.started_utc_s),
             "lasted_s": run.lasted_s, "readings": run.readings, "counter": run.counter,
             "resource": run.resource,
             "nominal_hz": None if run.nominal_hz is None else float(run.nominal_hz),
             "state": run.state, "end_reason": run.end_reason or None,
             "simulated_bench": run.simulated}
        )  # fmt: skip


def local_minute(utc_s: float) -> str:
    """Write Unix seconds as ``2031-05-04 10:20``, local time; empty where it is no date."""
    try:
        return f"{local(utc_s):%Y-%m-%d %H:%M}"
    except (ValueError, OverflowError, OSError):
        return ""


def _cells(run: ListedRun) -> list[str]:
    nominal = "-" if run.nominal_hz is None else format_frequency(run.nominal_hz)
    of = printable(run.resource, 60) if run.simulated is None else f"simulated {run.simulated}"
    return [
        str(run.number),
        local_minute(run.started_utc_s) or "-",
        format_duration(run.lasted_s),
        str(run.readings),
        printable(run.counter, 20),
        nominal,
        printable(STATE_WORDS.get(run.state) or run.end_reason, 30),
        printable(of, 60),
    ]


def _iso(utc_s: float) -> str | None:
    try:
        return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="milliseconds")[:23] + "Z"
    except (ValueError, OverflowError, OSError):
        return None
