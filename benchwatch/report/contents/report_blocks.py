"""The blocks of a report: those of every document, and three that only a page has."""

from dataclasses import dataclass

from benchwatch.report.blocks import DocumentPart


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
