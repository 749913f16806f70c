"""A section of a report, as it is declared."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from benchwatch.report.contents.report_blocks import ReportPart
from benchwatch.report.contents.report_source import ReportSource

PageName = Literal["customer", "bench"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSection:
    """One section; it is left out where it yields no block."""

    name: str
    """For programs."""
    title: str
    """Above its blocks; empty: none."""
    page: PageName
    blocks: Callable[[ReportSource], Iterator[ReportPart]]
