"""Digests of the document of a report, which tell whether and where it has changed.

Canonical JSON: keys sorted, no blanks, UTF-8; then SHA-256 (FIPS 180-4).
"""

import hashlib
from collections.abc import Mapping
from typing import Any, Final

from benchwatch.register.register_entry import canonical

ISSUE_PART: Final = "issue"
"""The part of a document that belongs to the issue itself: its number, date and changes."""
PART_DIGITS: Final = 16
"""Hexadecimal digits that are kept of the digest of a part."""


def content_digest(document: Mapping[str, Any]) -> str:
    """Return SHA-256 of all that a report says, but for what belongs to the issue itself."""
    return _digest({name: part for name, part in document.items() if name != ISSUE_PART})


def part_digests(document: Mapping[str, Any]) -> dict[str, str]:
    """Return the first digits of the digest of each part, by name."""
    return {
        name: _digest(part)[:PART_DIGITS] for name, part in document.items() if name != ISSUE_PART
    }


def _digest(value: object) -> str:
    return hashlib.sha256(canonical(value).encode()).hexdigest()
