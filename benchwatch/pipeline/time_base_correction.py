"""Corrects the offset of each reading for the known offset of the counter's time base.

This happens once, before any estimate. A reading's text and frequency stay as the counter wrote
them.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

from benchwatch.counter import TimeBaseSource
from benchwatch.estimate.comparison.counter_comparison import corrected
from benchwatch.estimate.comparison.time_base_claims import TimeBaseClaim
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.plan import OWN_TIME_BASE, CountedBy, Plan
from benchwatch.quantity import how_many, printable, write_fraction
from benchwatch.reading import INTERNAL_TIMEBASE, PROVEN_TIMEBASE, Reading
from benchwatch.snapshot import ProofInUse

CHANGES_KEPT: Final = 100
PROVEN_AGAINST: Final = "time base proven against "
"""Begins the name of a time base in a budget whose offset a comparison has shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProvenTimeBase:
    """The time base of a counter as a comparison with another counter has shown it."""

    against: str
    """The counter that it was compared with."""
    reference: Reference
    """Its offset, with the uncertainty of the comparison and of the reference."""


def proven_time_base(claim: TimeBaseClaim) -> ProvenTimeBase:
    """Return the time base that a claim is on, to correct readings by and for a budget.

    Args:
        claim: a claim with an uncertainty, against one counter.
    """
    against, apart = claim.against or "", claim.u_apart or 0.0
    known = claim.base.u is not None
    u = claim.base.u if claim.base.u is not None else apart
    widened = (u / apart) ** 4 if apart > 0 else math.inf
    amount = write_fraction(claim.base.offset, apart)
    named = f"{PROVEN_AGAINST}{printable(against)}"
    return ProvenTimeBase(
        against=against,
        reference=Reference(
            name=named,
            u=u,
            offset=claim.base.offset,
            dof=claim.dof * widened,
            ageing_per_s=0.0,
            source=(
                f"comparison over {how_many(claim.readings, 'reading')} at one time, {amount}"
                + (", with the uncertainty of the reference" if known else "")
            ),
            missing=() if known else (f"uncertainty of the reference of {printable(against)}",),
        ),
    )


def proof_words(proven: ProvenTimeBase | None) -> str:
    """Write the event log's entry on readings that are corrected by a comparison, or no more."""
    if proven is None:
        return "no correction by a comparison any more"
    off = write_fraction(proven.reference.offset, proven.reference.u)
    against = printable(proven.against)
    return f"readings are corrected by the comparison with {against}: time base off by {off}"


def proof_in_use(proven: ProvenTimeBase | None) -> ProofInUse | None:
    """Return what a snapshot has of a correction by a comparison."""
    if proven is None:
        return None
    reference = proven.reference
    return ProofInUse(against=proven.against, offset=reference.offset, u=reference.u)


class TimeBaseCorrection:
    """Corrects the readings of one counter, and stores which time base counted them.

    Args:
        plan: states the offsets of the reference and of the counter's own oscillator.
    """

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._evidence: tuple[object, ...] = ()
        """What the time base of the newest reading was derived from."""
        self._offset = 0.0
        """Known offset of the time base of the newest reading, fractional."""
        self._changes: list[tuple[float, CountedBy]] = []
        """Time bases, and since when (seconds of the run) each counts; oldest first."""
        self._proven: ProvenTimeBase | None = None
        self._proven_source: TimeBaseSource = "unknown"
        """The time base that `_proven` is about."""

    def use_proof(self, proven: ProvenTimeBase | None) -> None:
        """Correct by a comparison from the next reading on; None: as stated again.

        It holds as long as the counter counts by the same time base as now, and again when it
        comes back to that.
        """
        self._proven, self._proven_source = proven, self.now.source

    @property
    def proven(self) -> ProvenTimeBase | None:
        """The proven time base that corrects the newest reading; None: none does."""
        return self._proven if self.now.source == self._proven_source else None

    def take(
        self, reading: Reading, stated: TimeBaseSource, nominal_hz: float
    ) -> tuple[Reading, bool]:
        """Correct a reading.

        Args:
            reading: as read; a reading of a recording may contain its `correction`.
            stated: the time base that the counter states.
            nominal_hz: nominal of the reading; nan when it is not known.

        Returns:
            The corrected reading, and whether its time base differs from that of the previous
            reading. Readings before and after such a change must not be compared.
        """
        internal = INTERNAL_TIMEBASE in reading.flags
        evidence = (internal, stated, reading.correction, self._proven)
        changed = False
        if evidence != self._evidence:
            self._evidence = evidence
            changed = self._update(reading, stated)
            self._offset = self.now.reference.offset
        if not self._offset and reading.correction is None:
            return reading, changed
        made = corrected_reading(reading, self._offset, nominal_hz)
        if self.proven is not None:
            made = replace(made, flags=made.flags | {PROVEN_TIMEBASE})
        return made, changed

    @property
    def now(self) -> CountedBy:
        """The time base of the newest reading."""
        return self._changes[-1][1] if self._changes else CountedBy()

    def at(self, elapsed_s: float) -> CountedBy:
        """Return the time base of the reading at `elapsed_s`."""
        known = (by for since_s, by in reversed(self._changes) if since_s <= elapsed_s)
        return next(known, CountedBy())

    def _update(self, reading: Reading, stated: TimeBaseSource) -> bool:
        """Store the time base from `reading` on; return whether it differs from the one before."""
        now, before = self._counted_by(reading, stated), self.now
        changed = (now.source, now.reference.offset) != (before.source, before.reference.offset)
        first = not self._changes
        if changed or first:
            self._changes = [*self._changes[-CHANGES_KEPT:], (reading.elapsed_s, now)]
        return changed and not first

    def _counted_by(self, reading: Reading, stated: TimeBaseSource) -> CountedBy:
        recorded = reading.correction
        source: TimeBaseSource = stated
        if INTERNAL_TIMEBASE in reading.flags:
            source = "internal"
        elif stated == "unknown" and (self._plan.on_reference or recorded is not None):
            source = "external"
        if self._proven is not None and source == self._proven_source:
            return CountedBy(source, self._proven.reference)
        return CountedBy(source, time_base_of(self._plan, source, recorded))


def time_base_of(plan: Plan, source: TimeBaseSource, recorded: float | None = None) -> Reference:
    """Return name and offset of the time base `source`.

    Args:
        plan: states the reference and the counter's own oscillator.
        source: which of the two.
        recorded: correction that a recording states; the offset where the plan states none.
    """
    stated = {"external": plan.reference, "internal": plan.own_time_base}.get(source)
    if stated is not None:
        return stated
    return Reference(
        name="reference" if source == "external" else OWN_TIME_BASE, offset=recorded or 0.0
    )


def corrected_reading(reading: Reading, time_base: float, nominal_hz: float) -> Reading:
    """Return `reading` as a time base without offset would have counted it.

    Args:
        reading: as read.
        time_base: known offset (fractional) of its time base; 0 when nothing is known.
        nominal_hz: nominal of the reading; nan when it is not known.
    """
    if not time_base:
        return reading if reading.correction is None else replace(reading, correction=None)
    offset = corrected(reading.offset, time_base)
    return replace(reading, offset=offset, offset_hz=offset * nominal_hz, correction=time_base)


def correction_words(reading: Reading | None) -> str:
    """Write the correction: ``reference +5.00 ppb put right``; empty when there is none."""
    if reading is None or reading.correction is None:
        return ""
    if PROVEN_TIMEBASE in reading.flags:
        return f"proven time base {write_fraction(reading.correction).bare} put right"
    which = "own time base" if INTERNAL_TIMEBASE in reading.flags else "reference"
    return f"{which} {write_fraction(reading.correction).bare} put right"
