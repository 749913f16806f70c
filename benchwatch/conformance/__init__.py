"""Examines a counter through its driver with queries only, and drafts a profile for it.

In: an open link and a driver. Out: one `Check` after the other, `Findings` at the end, and from
these the text of a profile.
"""

from benchwatch.conformance.examination import (
    Check,
    Examination,
    ExaminedReading,
    Findings,
)
from benchwatch.conformance.logged_link import LoggedLink, RecordedExchange
from benchwatch.conformance.profile_draft import profile_draft

__all__ = [
    "Check",
    "Examination",
    "ExaminedReading",
    "Findings",
    "LoggedLink",
    "RecordedExchange",
    "profile_draft",
]
