"""A report as the register has it: one entry for each file in which an issue was written.

The entries of one issue differ in the form and in the file; what they state of the visit is the
same. A file that was handed over is found again by its SHA-256.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from benchwatch.quantity import printable
from benchwatch.register.register_entry import RegisterEntry

MOST_ITEMS: Final = 5000
"""Runs, results or amendments that an entry may name; one with more is no entry of ours."""
_LONGEST_TEXT: Final = 2500
_SHA256: Final = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fingerprint:
    """SHA-256 of the readings of some runs, each up to a number of reading."""

    sha256: str
    """In hexadecimal."""
    readings: int
    """All of them, also those in no result."""
    last_numbers: tuple[tuple[int, int], ...]
    """Key of each run, in the order of the register, and the number of its last reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainHead:
    """The last entry of a chain at some time."""

    chain: str
    entry: str
    """Name of the entry."""
    hash: str
    """In hexadecimal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportIssue:
    """What an issue of a report rests on; the same in all of its entries."""

    number: int
    issued_utc_s: float
    """Unix seconds, whole."""
    identification: str
    """As on the report: unit, visit and issue."""
    content: str
    """SHA-256 of the document without what belongs to the issue itself."""
    parts: Mapping[str, str]
    """Digest of each part of the document, by name: they tell which part has changed."""
    results: tuple[tuple[str, str], ...]
    """Label and text of each result."""
    amendments: tuple[str, ...]
    """Names of the amendments that counted in it."""
    readings: Fingerprint | None
    """None without a reading."""
    head: ChainHead | None
    """Before the first entry of the issue; None where it was the first entry of its register."""
    reason: str
    """Why it was issued; empty where none was stated."""
    replaces: str
    """Name of the first entry of the issue that it replaces; empty for issue 1."""
    changes: tuple[str, ...]
    """What has changed since that one, in sentences."""

    def as_dict(self) -> dict[str, Any]:
        """Return it as values for JSON."""
        readings, head = self.readings, self.head
        return {
            "issue": self.number,
            "issued_utc_s": self.issued_utc_s,
            "identification": self.identification,
            "content": self.content,
            "parts": dict(self.parts),
            "results": [list(one) for one in self.results],
            "amendments": list(self.amendments),
            "readings": None if readings is None else
            {"sha256": readings.sha256, "count": readings.readings,
             "last": [list(one) for one in readings.last_numbers]},
            "head": None if head is None else
            {"chain": head.chain, "entry": head.entry, "hash": head.hash},
            "reason": self.reason,
            "replaces": self.replaces,
            "changes": list(self.changes),
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class IssuedFile:
    """One file of an issue: an entry of the register."""

    entry: str
    """Name of its entry."""
    at_utc_s: float
    who: str
    issue: ReportIssue
    form: str
    """Ending of the file, such as ``.pdf``."""
    pages: str
    """``all``, or ``customer`` for the customer's page alone."""
    file: str
    """Its name when it was written, without the folder."""
    sha256: str


def issued_file_values(
    issue: ReportIssue, *, form: str, pages: str, file: str, sha256: str
) -> dict[str, Any]:
    """Return the document of the entry for one file of an issue."""
    return issue.as_dict() | {"form": form, "pages": pages, "file": file, "sha256": sha256}


def read_issued_file(
    entry: RegisterEntry, values: Mapping[str, Any], at_utc_s: float
) -> IssuedFile | None:
    """Return the file that an entry of the kind ``report`` states; None where it can't be read.

    Args:
        entry: the entry.
        values: its object.
        at_utc_s: when it was written, Unix seconds.
    """
    try:
        return IssuedFile(
            entry=entry.name,
            at_utc_s=at_utc_s,
            who=entry.who,
            issue=_issue(values),
            form=_text(values["form"]),
            pages=_text(values["pages"]),
            file=_text(values["file"]),
            sha256=_digest(values["sha256"]),
        )
    except (KeyError, TypeError, ValueError, OverflowError):
        return None


def _issue(values: Mapping[str, Any]) -> ReportIssue:
    number = _whole(values["issue"])
    if number < 1:
        raise ValueError(f"no issue has the number {number}")
    parts = dict(values["parts"])
    return ReportIssue(
        number=number,
        issued_utc_s=_seconds(values["issued_utc_s"]),
        identification=_text(values["identification"]),
        content=_digest(values["content"]),
        parts={_text(name): _text(digest) for name, digest in parts.items()},
        results=tuple((_text(label), _text(text)) for label, text in _items(values["results"])),
        amendments=tuple(map(_text, _items(values["amendments"]))),
        readings=None if values["readings"] is None else _readings(values["readings"]),
        head=None if values["head"] is None else _head(values["head"]),
        reason=_text(values["reason"]),
        replaces=_text(values["replaces"]),
        changes=tuple(map(_text, _items(values["changes"]))),
    )


def _readings(values: Mapping[str, Any]) -> Fingerprint:
    return Fingerprint(
        sha256=_digest(values["sha256"]),
        readings=_whole(values["count"]),
        last_numbers=tuple((_whole(key), _whole(last)) for key, last in _items(values["last"])),
    )


def _head(values: Mapping[str, Any]) -> ChainHead:
    return ChainHead(
        chain=_text(values["chain"]), entry=_text(values["entry"]), hash=_digest(values["hash"])
    )


def _items(value: object) -> list[Any]:
    if not isinstance(value, list) or len(value) > MOST_ITEMS:
        raise ValueError("no list of items, or too long")
    return value


def _whole(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool):
        raise TypeError(f"not a whole number: {value!r:.40}")
    return value


def _seconds(value: object) -> float:
    if not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError("no time in seconds")
    return float(value)


def _digest(value: object) -> str:
    if not isinstance(value, str) or not _SHA256.fullmatch(value):
        raise ValueError("no SHA-256 in hexadecimal")
    return value


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"not a text: {value!r:.40}")
    return printable(value, _LONGEST_TEXT)
