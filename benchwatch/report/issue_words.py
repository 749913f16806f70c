"""The issues of a visit's report as a table, for the pages about visits."""

from collections.abc import Iterator, Sequence
from typing import Final

from benchwatch.register.issued_report import IssuedFile
from benchwatch.report.blocks import Table
from benchwatch.report.visit_style import VisitStyle

SHOWN_DIGITS: Final = 12
"""Digits of a hash in a table."""


def issue_blocks(issues: Sequence[IssuedFile], style: VisitStyle) -> Iterator[Table]:
    """Yield a table of the reports that were issued, a row a file; nothing without one."""
    if issues:
        yield Table(
            ("report", "issued", "file", "pages", "SHA-256 begins", "entry"),
            tuple(
                (
                    f"issue {one.issue.number}",
                    style.moment(one.issue.issued_utc_s),
                    one.file,
                    one.pages,
                    one.sha256[:SHOWN_DIGITS],
                    style.entry(one.entry),
                )
                for one in issues
            ),
        )
