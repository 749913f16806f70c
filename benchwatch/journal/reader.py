"""Reads a journal back: its runs, and their events in the order in which they were written."""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from decimal import Decimal
from pathlib import Path
from typing import Any, cast

from benchwatch.errors import BenchwatchError, JournalError
from benchwatch.journal.faults import sentence
from benchwatch.journal.place import check_kind
from benchwatch.journal.schema import Run, check_owner
from benchwatch.quantity import difference, parse_reply
from benchwatch.reading import OVERRANGE, Event, Flag, Gap, Mark, Reading, Record


def read_runs(path: Path) -> list[Run]:
    """Return the runs in the journal at `path`, oldest first.

    Raises:
        JournalError: the file can't be read as a journal.
    """
    query = "SELECT * FROM runs ORDER BY started_utc_s, run"
    return [_run(*row) for row in _rows(path, query, ())]


def read_events(path: Path, run: Run) -> Iterator[Event]:
    """Give the events of `run` in the order in which they were written.

    Offsets are computed anew from what the counter wrote and the run's nominal; without a
    nominal they are nan. Flags that need hindsight (``spike``) are not in a journal.

    Raises:
        JournalError: the file can't be read as a journal.
    """
    query = """
        SELECT number, 0, utc_s, elapsed_s, gate_s, text, resolution_hz, flags
            FROM readings WHERE run = ?1
        UNION ALL SELECT number, 1, utc_s, elapsed_s, lasted_s, reason, 0, ''
            FROM gaps WHERE run = ?1
        UNION ALL SELECT number, 2, utc_s, elapsed_s, 0, text, 0, '' FROM marks WHERE run = ?1
        UNION ALL SELECT number, 3, utc_s, elapsed_s, 0, document, 0, kind
            FROM records WHERE run = ?1
        ORDER BY number"""
    for _, kind, utc_s, elapsed_s, seconds, text, resolution_hz, flags in _rows(
        path, query, (run.key,)
    ):
        if kind == 1:
            yield Gap(run.counter, utc_s, elapsed_s, seconds, text)
        elif kind == 2:
            yield Mark(run.counter, utc_s, elapsed_s, text)
        elif kind == 3:
            yield Record(run.counter, utc_s, elapsed_s, flags, text)
        else:
            words = cast("frozenset[Flag]", frozenset(filter(None, flags.split(","))))
            frequency_hz, offset_hz, offset = _values(text, run.nominal_hz, words)
            yield Reading(
                run.counter, utc_s, elapsed_s, seconds, text, frequency_hz, offset_hz, offset,
                resolution_hz, words,
            )  # fmt: skip


def _run(*row: Any) -> Run:
    columns = list(row)
    columns[6] = None if row[6] is None else Decimal(row[6])
    return Run(*columns)


def _values(
    text: str, nominal: Decimal | None, flags: frozenset[Flag]
) -> tuple[float, float, float]:
    nan = float("nan")
    if OVERRANGE in flags:
        return nan, nan, nan
    try:
        frequency = parse_reply(text)
    except BenchwatchError:
        return nan, nan, nan
    if nominal is None:
        return float(frequency), nan, nan
    return float(frequency), *difference(frequency, nominal)


def _rows(path: Path, query: str, values: Sequence[object]) -> Iterator[tuple[Any, ...]]:
    check_kind(path)
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as reader:
            owner = int(reader.execute("PRAGMA application_id").fetchone()[0])
            version = int(reader.execute("PRAGMA user_version").fetchone()[0])
            check_owner(path, owner, version, empty=False)
            yield from reader.execute(query, values)
    except sqlite3.Error as error:
        raise JournalError(f"{sentence(path, error)}.") from error
