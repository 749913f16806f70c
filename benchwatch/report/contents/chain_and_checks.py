"""Proofs: other counters on the signal, and the unit's output at other dial settings."""

from collections.abc import Iterator
from typing import Final

from benchwatch.report.blocks import Sentence, Table
from benchwatch.report.contents.report_source import ReportSource
from benchwatch.report.visit_document import CHECK_COLUMNS, checks_table

NOT_PROVEN: Final = "The measuring chain was not proven: no comparison of counters is on record."
NOT_CHECKED: Final = "The output was not checked at other dial settings."


def chain_blocks(source: ReportSource) -> Iterator[Sentence]:
    """Yield what the newest comparison of counters says; without one that is said."""
    proven = source.visit.comparison
    if proven is None:
        yield Sentence(NOT_PROVEN)
        return
    said = " ".join(proven.sentences or (proven.text,))
    yield Sentence(f"{source.style.moment(proven.at_utc_s)}: {said}")


def check_section(source: ReportSource) -> Iterator[Sentence | Table]:
    """Yield the checks at other dial settings as a table; without any that is said."""
    table = checks_table(source.visit.checks, source.style)
    if table is None:
        yield Sentence(NOT_CHECKED)
    else:
        yield Sentence(f"The {CHECK_COLUMNS}.")
        yield table
