"""By what the records of a visit were corrected: the offset of the time base that counted them.

The journal has readings as they were read, and no offset of a reference. So that a chart shows what
the records state, its readings are corrected by what the budgets of the records have.
"""

from collections.abc import Iterable

from benchwatch.pipeline.time_base_correction import PROVEN_AGAINST
from benchwatch.register.visit import VisitRecord


def record_corrections(records: Iterable[VisitRecord]) -> dict[str, float]:
    """Return the known offset (fractional) of each time base that counted a record.

    The key is ``external``, ``internal`` or ``unknown``; the newest record decides.
    """
    found: dict[str, float] = {}
    for one in records:
        record = one.record
        rows = record.budget.lines[1:]  # the first one is the mean of the readings
        if not any(row.name.startswith(PROVEN_AGAINST) for row in rows):
            source = dict(record.conditions).get("time base", "unknown")
            found[source] = sum(row.estimate for row in rows)
    return found
