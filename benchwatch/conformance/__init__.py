"""What a counter answers, what it can't, and how its readings come: a run of questions only.

wiretap    a link that notes everything said on it
examine    the run: one `Check` after the other, and a `Findings` at the end
draft      findings -> the text of a profile
"""

from benchwatch.conformance.examination import Check, Examination, ExaminedReading, Findings
from benchwatch.conformance.profile_draft import profile_draft
from benchwatch.conformance.recording_link import RecordedExchange, RecordingLink

__all__ = [
    "Check",
    "Examination",
    "ExaminedReading",
    "Findings",
    "RecordedExchange",
    "RecordingLink",
    "profile_draft",
]
