"""A register read and checked by plain SQLite, JSON and SHA-256, without the product's code."""

import hashlib
import json
import re
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

from pipeline_kit import StillClock

from benchwatch.clock import Clock
from benchwatch.estimate.uncertainty.offset_record import (
    Noise,
    OffsetRecord,
    Reference,
    offset_budget,
)
from benchwatch.reading import RecordKind
from benchwatch.register.register_entry import Draft, RegisterEntry
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_reader import read_register
from benchwatch.register.register_writer import RegisterWriter
from benchwatch.register.visit_writer import RunOfVisit, VisitWriter

COLUMNS: Final = (
    "chain", "number", "at", "who", "kind", "unit", "visit", "amends", "document", "hash",
)  # fmt: skip
TRIGGERS: Final = ("entries_are_not_changed", "entries_are_not_removed", "entries_are_not_replaced")
BENCH: Final = "TCPIP0::127.0.0.1::5025::SOCKET"
UNITS, STILL_OPEN = 500, 5
"""Units of a large register, and its visits that are open."""


def rows_of(path: Path) -> list[dict[str, Any]]:
    """Return all rows of the register, by chain and number, as any program with SQLite would."""
    there = f"{path.absolute().as_uri()}?mode=ro"
    with closing(sqlite3.connect(there, uri=True, timeout=10)) as reader:
        rows = reader.execute(
            f"SELECT {', '.join(COLUMNS)} FROM entries ORDER BY chain, number"
        ).fetchall()
    return [dict(zip(COLUMNS, row, strict=True)) for row in rows]


def check_by_hand(path: Path) -> None:
    """Check numbers and hashes of every chain, written anew from what the manual says of them."""
    previous: dict[str, tuple[int, str]] = {}
    for row in rows_of(path):
        digest = row.pop("hash")
        number, before = previous.get(row["chain"], (0, ""))
        document = json.loads(row["document"])
        text = json.dumps(row, sort_keys=True, separators=(",", ":"), ensure_ascii=False)

        assert row["number"] == number + 1
        assert hashlib.sha256(before.encode() + text.encode()).hexdigest() == digest
        assert row["document"] == json.dumps(
            document, sort_keys=True, separators=(",", ":"), ensure_ascii=False
        )
        previous[row["chain"]] = row["number"], digest


@contextmanager
def behind_the_triggers(path: Path) -> Iterator[sqlite3.Connection]:
    """Yield a connection that can change entries, as a person with any SQLite tool could."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        kept = connection.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name in TRIGGERS:
            connection.execute(f"DROP TRIGGER {name}")
        yield connection
        for (statement,) in kept:
            connection.execute(statement)


def record(kind: RecordKind, offset: float, *, utc_s: float | None = None) -> OffsetRecord:
    """Return a record of a 10 MHz oven oscillator at a fractional offset."""
    budget = offset_budget(
        offset,
        noise=Noise(u=1e-11, dof=12.0, averaging_s=14.0),
        resolution=1e-11,
        drift_per_s=1e-14,
        span_s=14.0,
        reference=Reference(u=1e-11, ageing_per_s=0.0, source="its papers of 2031-01-05"),
    )
    return OffsetRecord(
        kind=kind, counter="main", nominal_hz=1e7, utc_s=utc_s, span_s=14.0, readings=14,
        budget=budget, conditions=(("gate", "1 s"),),
    )  # fmt: skip


def visit_drafts(unit: str | None, at_utc_s: float, run: int = 1) -> list[Draft]:
    """Return the entries of a visit that goes through to its end: 36.97 ppb found, 0.12 left."""
    one = Draft(kind="note", unit=unit, document={}, at_utc_s=at_utc_s)
    opening = {
        "source": "watch", "counter": "main", "resource": BENCH, "nominal_hz": "10000000",
        "tolerance": 5e-9,
    }  # fmt: skip
    running = {"run": run, "journal": "journal.db", "counter": "main", "resource": BENCH}
    found, left = record("as found", 36.97e-9), record("as left", 0.12e-9)
    return [
        replace(one, kind="visit", document=opening),
        replace(one, kind="run", document=running),
        replace(one, kind="record", document={"record": found.as_dict(), "automatic": True}),
        replace(one, kind="note", document={"text": "the lid was loose", "run": run}),
        replace(one, kind="record", document={"record": left.as_dict(), "automatic": False}),
        replace(one, kind="closed", document={}),
    ]


def made_register(
    path: Path, units: int = 3, visits: int = 2, *, clock: Clock | None = None, machine: str = ""
) -> RegisterFile:
    """Make a register of some units, each with some closed visits an hour apart."""
    register = RegisterFile(path, clock=clock, who="anna", machine=machine or None)
    for number in range(visits):
        for unit in range(units):
            ident = f"04{17 + unit}"
            at_utc_s = 1.9e9 + 3600.0 * number + unit
            register.add(visit_drafts(ident, at_utc_s, run=100 * number + unit))
    return register


def read_all(register: RegisterFile) -> list[RegisterEntry]:
    """Return the entries of a register in the order of the file."""
    with read_register(register.path) as reader:
        return list(reader.entries())


def texts_of(path: Path) -> list[str]:
    """Return the texts of the notes, by chain and number."""
    found = [re.findall(r'"text":"([^"]*)"', row["document"]) for row in rows_of(path)]
    return [text for one in found for text in one]


class TurnClock(StillClock):
    """A clock whose waits end when the test says so."""

    def __init__(self) -> None:
        super().__init__()
        self._turn = threading.Semaphore(0)

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Wait for the test."""
        self._turn.acquire()
        return super().wait(event, timeout_s)

    def turn(self) -> None:
        """End one wait."""
        self._turn.release()


def begun_visit(writer: RegisterWriter) -> VisitWriter:
    """Return the writer of a new visit of 0417 that has begun, with a note and a record."""
    visit = VisitWriter(writer, unit="0417", clock=StillClock())
    visit.attach(RunOfVisit(run=7, journal="journal.db", counter="main", resource=BENCH))
    visit.begin(Decimal(10_000_000), 5e-9)
    visit.write_note("first")
    visit.write_record(record("as found", 36.97e-9), automatic=True)
    visit.write_note("second")
    return visit


def fill(path: Path, visits: int) -> RegisterFile:
    """Make a register with so many visits, the newest of which are open."""
    register = RegisterFile(path)
    drafts = [Draft(kind="unit", unit=f"{n:04d}", document={"nominal_hz": "10000000"})
              for n in range(UNITS)]  # fmt: skip
    for number in range(visits):
        of_visit = visit_drafts(f"{number % UNITS:04d}", 1.6e9 + 3600.0 * number, run=number)
        is_open = number >= visits - STILL_OPEN
        drafts += [replace(one, visit=None) for one in of_visit[: -1 if is_open else None]]
    register.add(drafts)
    return register
