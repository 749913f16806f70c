"""What the report rests on: amendments, the fingerprint of the readings, the register's head."""

from collections.abc import Iterator
from typing import Any, Final

from benchwatch.report.amendment_words import amendment_words
from benchwatch.report.blocks import Sentence
from benchwatch.report.contents.report_blocks import Facts
from benchwatch.report.contents.report_source import ReportSource

HOW_TO_VERIFY: Final = (
    "benchwatch report verify FILE tells whether this file, the readings and the register behind "
    "it are unchanged."
)
NOT_ISSUED: Final = "none: this is a draft"
NO_READINGS: Final = "none: no reading is at hand"


def amendment_blocks(source: ReportSource) -> Iterator[Sentence]:
    """Yield a sentence on each amendment of the visit: from what to what, and why."""
    for one in source.visit.amendments:
        yield Sentence(f"{amendment_words(one, source.style.entry)}.")


def proof_blocks(source: ReportSource) -> Iterator[Sentence | Facts]:
    """Yield the fingerprint of the readings and the head of the register's chain."""
    readings, head = readings_values(source), source.head
    found = NO_READINGS
    if readings is not None:
        every = f"all {readings['count']} readings as they came, also those in no result"
        found = f"{readings['sha256']} (SHA-256 of {every})"
    chain = NOT_ISSUED if head is None else f"{head.hash} (chain {head.chain}, entry {head.entry})"
    yield Facts((("fingerprint of the readings", found), ("head of the register", chain)))
    yield Sentence(HOW_TO_VERIFY, "quiet")


def readings_values(source: ReportSource) -> dict[str, Any] | None:
    """Return the fingerprint of the readings, as texts; None without a reading."""
    found = source.measured.fingerprint
    if found is None:
        return None
    return {
        "sha256": found.sha256,
        "count": str(found.readings),
        "runs": [{"key": str(key), "last": str(last)} for key, last in found.last_numbers],
    }


def register_values(source: ReportSource) -> dict[str, str] | None:
    """Return the head of the register's chain; None in a draft."""
    head = source.head
    if head is None:
        return None
    return {"chain": head.chain, "head": head.hash, "entry": head.entry}
