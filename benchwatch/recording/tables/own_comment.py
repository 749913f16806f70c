"""The comment above a table that this program exported: the counter and its nominal."""

import re
from decimal import Decimal
from typing import Final

from benchwatch.quantity import printable
from benchwatch.recording.rows import CounterFacts

LONGEST_COMMENT_BYTES: Final = 200
"""A first line that is longer is no such comment."""
_COMMENT: Final = re.compile(
    r"# counter (?P<counter>\S.*?)(?P<stated>; nominal (?P<nominal>\d{1,15}(\.\d{1,24})?) Hz)?\s*",
    re.ASCII,
)
_OWN_HEADINGS: Final = "time_s,time,"
"""How the headings below it begin; with a nominal in the comment they may have been changed."""


def take_own_comment(facts: CounterFacts, comment: bytes, headings: str) -> None:
    """Take counter and nominal from the comment of an export; any other is left alone.

    Args:
        facts: facts on the counter, which are completed.
        comment: the beginning of the file.
        headings: the line of headings.
    """
    line = comment.partition(b"\n")[0].removeprefix(b"\xef\xbb\xbf")
    found = _COMMENT.fullmatch(line.decode("utf-8", "replace"))
    if found is None or len(line) > LONGEST_COMMENT_BYTES:
        return
    if found["stated"] is None and not headings.startswith(_OWN_HEADINGS):
        return
    facts.counter = printable(found["counter"], 60)
    if found["nominal"] is not None and Decimal(found["nominal"]):
        facts.nominal, facts.nominal_from = Decimal(found["nominal"]), "its first line"
