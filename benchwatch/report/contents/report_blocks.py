"""The blocks of a report, and its sections as they are declared.

Blocks are those of every document, and three that only a page has.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from benchwatch.report.blocks import DocumentPart
from benchwatch.report.contents.report_source import ReportSource

PageName = Literal["customer", "bench"]


@dataclass(frozen=True, slots=True)
class Facts:
    """Pairs of a label and its value, one below the other."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """A result that is to be seen first: an offset, and on which side of the tolerance it is."""

    label: str
    """Such as ``as found``."""
    value: str
    """The offset with its expanded uncertainty, such as ``(+36.97 ± 0.05) ppb``."""
    also: str = ""
    """The same in hertz at the nominal, or why there is no value."""
    verdict: str = ""
    """By the decision rule; empty without a tolerance."""
    detail: str = ""
    """k, coverage, time, number of readings."""


@dataclass(frozen=True, slots=True)
class Figure:
    """The place of a chart."""

    chart: str
    """Its name among the charts of the document."""
    shows_title: bool = True
    """False: the heading of its section says the same."""


ReportPart = DocumentPart | Facts | Result | Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSection:
    """One section; it is left out where it yields no block."""

    name: str
    """For programs."""
    title: str
    """Above its blocks; empty: none."""
    page: PageName
    blocks: Callable[[ReportSource], Iterator[ReportPart]]
