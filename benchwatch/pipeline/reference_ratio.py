"""Whether what a counter counts by is good enough for the tolerance asked."""

from typing import Final

from benchwatch.plan import CountedBy
from benchwatch.snapshot import ReferenceNow

COVERAGE_K: Final = 2.0
"""Coverage factor of the expanded uncertainty of a reference (GUM 6.3.3: about 95 %)."""


def reference_now(counted_by: CountedBy, tolerance: float | None) -> ReferenceNow:
    """Return the uncertainty of a counter's time base against the tolerance.

    Args:
        counted_by: the time base of the newest reading.
        tolerance: fractional; None without one.
    """
    reference = counted_by.reference
    u = reference.u_now
    expanded = None if u is None else COVERAGE_K * u
    return ReferenceNow(
        name=reference.name,
        u=u,
        expanded=expanded,
        tolerance=tolerance,
        ratio=tolerance / expanded if tolerance and expanded else None,
    )
