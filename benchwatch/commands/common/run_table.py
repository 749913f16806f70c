"""The runs of a journal as a table for people and as JSON lines."""

import shutil
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final

from benchwatch.clock import local, local_minute
from benchwatch.commands.common.output import print_json, print_text
from benchwatch.journal.run_list import ListedRun
from benchwatch.quantity import format_duration, format_frequency, printable
from benchwatch.report.blocks import align_table

COLUMN_NAMES: Final = (
    "run", "started", "lasted", "readings", "counter", "nominal", "ended", "of",
)  # fmt: skip
STATE_WORDS: Final = {"watched": "watched now", "cut off": "cut off", "silent": "silent"}
SHORTEST_OF: Final = 8
"""Characters of the last column, the resource or the simulated bench, on a narrow terminal."""
YEAR_S: Final = 300 * 86400.0
"""The year stands in the date of a run that is older."""


def print_runs(runs: Sequence[ListedRun], utc_s: float) -> None:
    """Print runs as a table, which on a terminal has its width; `utc_s` is the present."""
    rows = [_cells(run, utc_s) for run in runs]
    *names, last = COLUMN_NAMES
    if any(run.station for run in runs):
        names.insert(1, "station")
        for row, run in zip(rows, runs, strict=True):
            row.insert(1, printable(run.station, 30))
    if sys.stdout.isatty():
        left = align_table(names, [row[:-1] for row in rows]).splitlines()
        room = max(SHORTEST_OF, shutil.get_terminal_size().columns - max(map(len, left)) - 2)
        rows = [
            [*row[:-1], row[-1] if len(row[-1]) <= room else f"{row[-1][: room - 3]}..."]
            for row in rows
        ]
    print_text(align_table((*names, last), rows))


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
            | ({"station": run.station} if run.station else {})
        )  # fmt: skip


def _cells(run: ListedRun, utc_s: float) -> list[str]:
    nominal = "-" if run.nominal_hz is None else format_frequency(run.nominal_hz)
    return [
        str(run.number),
        _started(run.started_utc_s, utc_s) or "-",
        format_duration(run.lasted_s),
        str(run.readings),
        printable(run.counter, 20),
        nominal,
        printable(STATE_WORDS.get(run.state) or run.end_reason, 30),
        printable(run.resource if run.simulated is None else f"sim {run.simulated}", 200),
    ]


def _started(started_utc_s: float, utc_s: float) -> str:
    """Write a start as ``May 04 10:20`` local time, or as a date where it is not of this year."""
    whole = local_minute(started_utc_s)
    if whole and abs(utc_s - started_utc_s) < YEAR_S:
        return f"{local(started_utc_s):%b %d %H:%M}"
    return whole[:10]


def _iso(utc_s: float) -> str | None:
    try:
        return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="milliseconds")[:23] + "Z"
    except (ValueError, OverflowError, OSError):
        return None
