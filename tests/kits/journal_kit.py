"""A journal read back: by plain SQLite, without the product's code, and as the product's events."""

import contextlib
import random
import re
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

from benchwatch.errors import BenchwatchError
from benchwatch.journal.journal_reader import JournalReader, Portion, flags_of
from benchwatch.journal.schema import JournalRun
from benchwatch.quantity import difference, parse_reply
from benchwatch.reading import OVERRANGE, Event, Flag, Gap, Mark, Reading, Record

PAGE = 4096  # https://www.sqlite.org/fileformat2.html, section 1.2
"""Bytes of a page of a database."""


def noise(begin: int, end: int) -> Callable[[bytes], bytes]:
    """Overwrite the pages from `begin` up to `end`, counted from the end when negative."""

    def spoil(content: bytes) -> bytes:
        pages = len(content) // PAGE
        first, last = begin % pages, pages if end == 0 else end % pages
        spoilt = random.Random(7).randbytes((last - first) * PAGE)
        return content[: first * PAGE] + spoilt + content[last * PAGE :]

    return spoil


def ask(path: Path, query: str) -> list[tuple[Any, ...]]:
    """Query the journal as any program with SQLite would, read-only."""
    there = f"{path.absolute().as_uri()}?mode=ro"
    with contextlib.closing(sqlite3.connect(there, uri=True, timeout=10)) as reader:
        return reader.execute(query).fetchall()


BUSY = "this computer"
"""Begins what a gap says where readings were not taken, or not used, as it was kept busy."""


def left_out(path: Path) -> int:
    """Return how many readings a journal lacks because the computer was busy, as its gaps say.

    Where a gap does not say how many, it is one: a counter that is queried gives no more meanwhile.
    """
    reasons = [reason for (reason,) in ask(path, "SELECT reason FROM gaps") if BUSY in reason]
    counts = [re.search(r"(\d+) readings were found", reason) for reason in reasons]
    return sum(int(count[1]) if count else 1 for count in counts)


def kept(path: Path) -> list[float]:
    """Return the frequencies of all readings in the journal, in ascending order."""
    return sorted(float(text) for (text,) in ask(path, "SELECT text FROM readings"))


def copy(source: Path, to: Path) -> None:
    """Copy a file in another process: if this one closed it, its locks would be lost (POSIX)."""
    subprocess.run(["cp", str(source), str(to)], check=True)


def gaps_in(path: Path) -> int:
    """Count the gaps in the journal: a busy machine makes some."""
    ((count,),) = ask(path, "SELECT count(*) FROM gaps")
    return int(count)


def check_sound(path: Path) -> None:
    """Check that SQLite finds no damage (``PRAGMA integrity_check``)."""
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]


def read_runs(path: Path) -> list[JournalRun]:
    """Return the runs in the journal at `path`, oldest first.

    Raises:
        JournalError: the file can't be read as a journal.
    """
    with JournalReader(path) as journal:
        return journal.runs()


def read_events(path: Path, run: JournalRun) -> Iterator[Event]:
    """Yield the events of `run` in the order in which they were written.

    Offsets are computed from the counter's text and the run's nominal; without a nominal they are
    nan. Flags that later readings decide (``spike``) are not in a journal.

    Raises:
        JournalError: the file can't be read as a journal.
    """
    with JournalReader(path) as journal:
        for portion in journal.portions(run, records=True):
            yield from _events(portion, run)


def _events(portion: Portion, run: JournalRun) -> list[Event]:
    numbered: list[tuple[int, Event]] = [
        (
            number,
            Gap(
                counter=run.counter,
                utc_s=utc_s,
                elapsed_s=elapsed_s,
                lasted_s=lasted_s,
                reason=reason,
            ),
        )
        for number, utc_s, elapsed_s, lasted_s, reason in portion.gaps
    ]
    numbered += [
        (number, Mark(counter=run.counter, utc_s=utc_s, elapsed_s=elapsed_s, text=text))
        for number, utc_s, elapsed_s, text in portion.marks
    ]
    numbered += [
        (
            number,
            Record(
                counter=run.counter, utc_s=utc_s, elapsed_s=elapsed_s, kind=kind, document=document
            ),
        )
        for number, utc_s, elapsed_s, kind, document in portion.records
    ]
    for number, utc_s, elapsed_s, gate_s, text, resolution_hz, written in portion.readings:
        flags = flags_of(written)
        frequency_hz, offset_hz, offset = _values(text, run.nominal_hz, flags)
        reading = Reading(
            counter=run.counter,
            utc_s=utc_s,
            elapsed_s=elapsed_s,
            gate_s=gate_s,
            text=text,
            frequency_hz=frequency_hz,
            offset_hz=offset_hz,
            offset=offset,
            resolution_hz=resolution_hz,
            flags=flags,
        )
        numbered.append((number, reading))
    return [event for _, event in sorted(numbered, key=lambda one: one[0])]


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
