"""Records of visits as the history needs them: offset, u, and what they share with others."""

from typing import Final

from benchwatch.estimate.ageing.visit_history import DatedOffset, SharedPart
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import BudgetRow

TYPED: Final = "as typed"
"""Name of the row of a budget that a person typed as a whole."""


def dated_offset(record: OffsetRecord, written_utc_s: float | None = None) -> DatedOffset | None:
    """Return a record for the history; None if it has no date.

    Args:
        record: the record.
        written_utc_s: its date where it has none itself, Unix seconds.

    The calibration of a reference is shared by all records whose budgets state the same name,
    source, offset and u for it; with a counter's own time base, by those of the same counter only.
    How it aged since then is not shared: a budget doesn't tell whether it aged steadily. Without a
    stated u of the reference it is not known what is shared.
    """
    utc_s = written_utc_s if record.utc_s is None else record.utc_s
    if utc_s is None:
        return None
    missing = record.budget.missing
    references = [
        row for row in record.budget.lines if row.distribution == "normal" and row.name != TYPED
    ]
    known = bool(references) and not any(one.startswith("uncertainty of the") for one in missing)
    shared = tuple(
        SharedPart(cause=cause, u=row.contribution)
        for row in references
        if (cause := _cause(record, row)) and row.contribution > 0
    )
    return DatedOffset(
        utc_s=utc_s,
        offset=record.offset,
        u=record.known_u,
        shared=shared if known else None,
        dof=record.budget.dof,
        caution=record.caution,
    )


def _cause(record: OffsetRecord, row: BudgetRow) -> str:
    """Return what identifies a reference and its calibration; empty when nothing does."""
    conditions = dict(record.conditions)
    which = f"{row.name}, {row.source}, {row.estimate!r} ± {row.u!r}"
    if conditions.get("time base") == "external":
        return which
    counter = conditions.get("counter", "")
    return f"{which}, of {counter}" if counter else ""
