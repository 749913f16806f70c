"""The uncertainty of each result: its statement by the GUM, and its budget as a table."""

from collections.abc import Iterator
from typing import Final

from benchwatch.estimate.uncertainty.decision_rule import conformance_probability
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.report.blocks import Sentence, Table
from benchwatch.report.contents.report_blocks import Figure
from benchwatch.report.contents.report_source import ReportSource
from benchwatch.report.contents.result_values import record_statement
from benchwatch.report.record_document import budget_table, record_unit

NEARLY_ALL: Final = 0.9999
"""A probability above this is written as more than it, and its complement as less than that."""


def uncertainty_blocks(source: ReportSource) -> Iterator[Sentence | Table | Figure]:
    """Yield the budgets as bars; then each result's statement, budget and what is not in it."""
    yield from (Figure(f"budget {one.record.kind}") for one in source.results)
    for one in source.results:
        record = one.record
        yield Sentence(
            f"{record_statement(record, source.tolerance)}{_probability(source, record)}"
        )
        if record.known_u is not None:
            yield budget_table(record, record_unit(record))
        if record.budget.missing:
            yield Sentence(f"Not counted {record.kind}: {'; '.join(record.budget.missing)}.")


def _probability(source: ReportSource, record: OffsetRecord) -> str:
    """Write how probable it is that the truth is inside the tolerance; empty without u."""
    limit, u = source.tolerance, record.known_u
    if limit is None or u is None or record.budget.missing:
        return ""
    inside = conformance_probability(record.offset, u, low=-limit, high=limit)
    return f" Probability that it is inside the tolerance: {_percent(inside)} (JCGM 106:2012, 7.4)."


def _percent(probability: float) -> str:
    if probability > NEARLY_ALL:
        return f"more than {NEARLY_ALL * 100:g} %"
    if probability < 1.0 - NEARLY_ALL:
        return f"less than {(1.0 - NEARLY_ALL) * 100:.2g} %"
    return f"{probability * 100:.2f} %"
