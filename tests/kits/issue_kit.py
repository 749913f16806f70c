"""Reports issued in a test, and checked by a program that shares no code with the product's."""

import hashlib
import json
import sqlite3
import struct
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from pipeline_kit import StillClock
from report_kit import MadeVisit

from benchwatch.clock import Clock, local_minute
from benchwatch.register import read_register
from benchwatch.register.amending import amend_entry
from benchwatch.register.register_entry import RegisterEntry
from benchwatch.register.register_file import RegisterFile
from benchwatch.report.contents.report_source import ReportOptions
from benchwatch.report.issue.issuing import Issued, issue_report
from benchwatch.report.issue.report_reading import ReportRequest
from benchwatch.report.issue.verifying import Finding, Verification, verify_report
from benchwatch.report.laboratory.laboratory import Laboratory
from benchwatch.report.visit_style import VisitStyle


def style(own_chain: str | None) -> VisitStyle:
    """Return the style of reports: local times."""
    return VisitStyle(
        moment=local_minute,
        day=lambda utc_s: local_minute(utc_s)[:10],
        now_utc_s=0.0,
        own_chain=own_chain,
    )


def request_of(
    made: MadeVisit, laboratory: Laboratory | None = None, **options: Any
) -> ReportRequest:
    """Return the request for the report of a made visit."""
    return ReportRequest(
        register=made.register,
        visit=made.name,
        make_style=style,
        laboratory=laboratory or Laboratory(),
        options=ReportOptions(**options),
    )


def issue(
    made: MadeVisit,
    *names: str,
    reason: str = "",
    clock: Clock | None = None,
    **changed: Any,
) -> Issued:
    """Issue the report of a made visit in files of its folder."""
    paths = [made.folder / name for name in names]
    return issue_report(
        request_of(made, **changed), paths, reason=reason, clock=clock or StillClock()
    )


def verify(made: MadeVisit, name: str) -> Verification:
    """Verify a file in the folder of a made visit."""
    return verify_report(made.folder / name, [made.register], local_minute)


def answers(verification: Verification) -> dict[str, Finding]:
    """Return what was found, by question; of several about one, the last."""
    return {one.question: one for one in verification.findings}


def first_entry(made: MadeVisit, kind: str) -> RegisterEntry:
    """Return the first entry of a kind that belongs to the visit."""
    with read_register(made.register) as reader:
        return next(reader.entries("visit = ? AND kind = ?", (made.name, kind)))


def amend_record(made: MadeVisit, offset: float, reason: str) -> None:
    """Amend the first record of the visit so that it has another offset; fractional."""
    entry = first_entry(made, "record")
    values = entry.values()
    rows = values["record"]["budget"]["lines"]
    rows[0]["estimate"] = offset - sum(row["sensitivity"] * row["estimate"] for row in rows[1:])
    rows[0]["sensitivity"] = 1.0
    amend_entry(RegisterFile(made.register), entry, values, reason)


# ------------------------------------- checked with sqlite3 and hashlib, as the manuals describe it


def report_entries(register: Path) -> list[dict[str, Any]]:
    """Return the documents of all entries of the kind ``report``, with their numbers."""
    there = f"{register.absolute().as_uri()}?mode=ro"
    with closing(sqlite3.connect(there, uri=True, timeout=10)) as reader:
        rows = reader.execute(
            "SELECT number, document FROM entries WHERE kind = 'report' ORDER BY rowid"
        ).fetchall()
    return [json.loads(document) | {"number": number} for number, document in rows]


def head_before(register: Path, number: int) -> str:
    """Return the hash of the entry before the one with this number."""
    with closing(sqlite3.connect(f"{register.absolute().as_uri()}?mode=ro", uri=True)) as reader:
        query = "SELECT hash FROM entries WHERE number = ?"
        return str(reader.execute(query, (number - 1,)).fetchone()[0])


def fingerprint_by_hand(journal: Path, last: Sequence[Sequence[int]]) -> str:
    """Compute the fingerprint of the readings of some runs, each up to a number of reading."""
    whole = hashlib.sha256()
    query = """
        SELECT number, utc_s, elapsed_s, gate_s, resolution_hz, text, flags FROM readings
        WHERE run = ? AND number <= ? ORDER BY number"""
    with closing(sqlite3.connect(f"{journal.absolute().as_uri()}?mode=ro", uri=True)) as reader:
        for run, up_to in last:
            one = hashlib.sha256()
            for number, utc, elapsed, gate, resolution, text, flags in reader.execute(
                query, (run, up_to)
            ):
                gate_bytes = bytes.fromhex("7ff8000000000000")
                if gate is not None:
                    gate_bytes = struct.pack(">d", gate)
                words, marks = text.encode(), flags.encode()
                one.update(struct.pack(">qdd", number, utc, elapsed) + gate_bytes)
                one.update(struct.pack(">dII", resolution, len(words), len(marks)) + words + marks)
            whole.update(struct.pack(">q", run) + one.digest())
    return whole.hexdigest()


def check_issued(register: Path, journal: Path, file: Path) -> dict[str, Any]:
    """Check a file against the register and the journal by hand; return its entry's document."""
    entries = report_entries(register)
    digest = hashlib.sha256(file.read_bytes()).hexdigest()
    (entry,) = (one for one in entries if one["sha256"] == digest)
    first = next(one for one in entries if one["issue"] == entry["issue"])

    assert entry["head"]["hash"] == head_before(register, first["number"])
    assert entry["readings"]["sha256"] == fingerprint_by_hand(journal, entry["readings"]["last"])
    return entry
