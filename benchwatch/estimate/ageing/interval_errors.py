"""Errors of the changes between visits."""

import math
from typing import Final

import numpy as np

from benchwatch.estimate.ageing.visit_history import (
    DatedOffset,
    Interval,
)
from benchwatch.estimate.array_types import FloatArray

MOST_INTERVALS: Final = 60
"""Only so many of the newest intervals are used."""
LEAST_SHARE: Final = 1e-9
"""Errors are taken as at least this share of the largest change, so that none is zero."""
UNKNOWN_U_SHARE: Final = 0.03
"""Taken as u, as a share of the largest change, where no record states one."""


class IntervalErrors:
    """Covariances of the errors of the changes and of the newest record, fractions squared.

    Args:
        intervals: m of them, in order of time.
        newest: the record that a forecast goes on from.
        largest: largest change, fractional; it scales u where no record states one.
    """

    def __init__(
        self, intervals: tuple[Interval, ...], newest: DatedOffset, largest: float
    ) -> None:
        known = [
            record.u
            for one in intervals
            for record, _ in one.terms
            if record.u is not None and record.u > 0
        ]
        self.typical = float(np.median(known)) if known else UNKNOWN_U_SHARE * largest
        records = list(dict.fromkeys(record for one in intervals for record, _ in one.terms))
        if newest not in records:
            records.append(newest)
        index = {record: k for k, record in enumerate(records)}
        self._newest = index[newest]
        self._among = self._covariance(records)
        self._floor = (LEAST_SHARE * max(largest, self.typical)) ** 2
        self._signs = np.zeros((len(intervals), len(records)))
        for row, one in enumerate(intervals):
            for record, sign in one.terms:
                self._signs[row, index[record]] += sign
        # Records of one visit are those between two intervals.
        visits = [sum(record.utc_s >= one.to_utc_s for one in intervals) for record in records]
        self._same_visit = np.equal.outer(np.array(visits), np.array(visits)).astype(float)

    def _covariance(self, records: list[DatedOffset]) -> FloatArray:
        """Return the covariance of the records' errors, as `record_covariance` has it."""
        causes = dict.fromkeys(part.cause for one in records for part in one.shared or ())
        found = np.zeros((len(records), len(records)))
        for cause in causes:
            parts = np.array(
                [
                    math.fsum(part.u for part in one.shared or () if part.cause == cause)
                    if one.u is not None
                    else 0.0
                    for one in records
                ]
            )
            found += np.outer(parts, parts)
        np.fill_diagonal(found, [(one.u or self.typical) ** 2 for one in records])
        return found

    def _records(self, visit_error: float) -> FloatArray:
        return np.asarray(self._among + (visit_error * self.typical) ** 2 * self._same_visit)

    def among(self, visit_error: float) -> FloatArray:
        """Return the covariance of the errors of the changes, (m, m)."""
        found = self._signs @ self._records(visit_error) @ self._signs.T
        return np.asarray(found + self._floor * np.eye(len(found)))

    def with_newest(self, visit_error: float) -> FloatArray:
        """Return the covariances of the newest record's error with those of the changes, (m,)."""
        return np.asarray(self._signs @ self._records(visit_error)[:, self._newest])

    def of_newest(self, visit_error: float) -> float:
        """Return the variance of the newest record's error."""
        return float(self._records(visit_error)[self._newest, self._newest])
