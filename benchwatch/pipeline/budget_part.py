"""The part of a recorded run that a budget uses: counted by one time base, without a nudge."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.run_changes import SteadyPart, steady_part
from benchwatch.pipeline.time_base_correction import TimeBaseCorrection
from benchwatch.plan import CountedBy, Plan
from benchwatch.reading import AS_FOUND, AS_LEFT, DEFAULT_COUNTER, UNFIT, Gap, Reading, RecordKind


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetPart:
    """The readings that a budget uses, and the changes that bound them."""

    steady: SteadyPart
    by: CountedBy
    """The time base that counted these readings."""
    nudges: int
    """Turns of the trimmer before these readings; as found: 1 if a turn ends them."""
    changes: int
    """Changes of the time base before these readings; as found: 1 if a change may end them."""


@dataclass(slots=True)
class _Stretch:
    """Consecutive readings that one time base counted."""

    by: CountedBy
    times_s: list[float] = field(default_factory=list)
    offsets: list[float] = field(default_factory=list)
    """Fractional, uncorrected; nan for a gap or an unfit reading."""
    flagged: list[bool] = field(default_factory=list)
    """Whether each reading is known to be a spike."""
    gates: set[float] = field(default_factory=set)
    resolution: float = 0.0
    """Last digit of the newest reading as a fraction; 0 when unknown."""

    def steady(self, kind: RecordKind, settle: SettleLimit | None) -> SteadyPart:
        """Return the part before the first turn (as found) or after the last (as left)."""
        return steady_part(
            np.array(self.times_s),
            np.array(self.offsets),
            kind,
            flagged=np.array(self.flagged, dtype=bool),
            gate_s=next(iter(self.gates)) if len(self.gates) == 1 else None,
            settle=settle,
            resolution=self.resolution,
        )


def budget_part(
    events: Iterable[Reading | Gap],
    kind: RecordKind = AS_LEFT,
    plan: Plan | None = None,
    *,
    settle: SettleLimit | None = None,
    wild_s: frozenset[float] = frozenset(),
) -> BudgetPart:
    """Choose the readings after the last nudge or, for as found, before the first.

    All chosen readings were counted by the same time base.

    Args:
        events: readings and gaps of one counter.
        kind: as found or as left.
        plan: states the counter's time bases.
        settle: limit of the drift that counts as settled; None: settled after a clear warm-up.
        wild_s: times of readings that are known to be spikes.
    """
    parts = _by_time_base(events, plan or Plan(name=DEFAULT_COUNTER, resource=""), wild_s)
    chosen = len(parts) - 1
    if kind == AS_FOUND:
        chosen = next(
            (place for place, part in enumerate(parts) if np.isfinite(part.offsets).any()), chosen
        )
    before = [part.steady(kind, settle) for part in parts[: chosen + 1]]
    steady = before[-1]
    if kind == AS_FOUND:
        nudges, changes = steady.nudges, min(len(parts) - 1, 1)
    else:
        nudges, changes = sum(part.nudges for part in before), chosen
    return BudgetPart(steady=steady, by=parts[chosen].by, nudges=nudges, changes=changes)


def _by_time_base(
    events: Iterable[Reading | Gap], plan: Plan, wild_s: frozenset[float]
) -> list[_Stretch]:
    """Divide a run at each change of its time base."""
    time_bases = TimeBaseCorrection(plan)
    parts = [_Stretch(time_bases.now)]
    for event in events:
        if isinstance(event, Reading):
            if time_bases.take(event, "unknown", math.nan)[1]:
                parts.append(_Stretch(time_bases.now))
            parts[-1].by = time_bases.now
        part, offset = parts[-1], math.nan
        flagged = isinstance(event, Reading) and event.elapsed_s in wild_s
        if isinstance(event, Reading) and not event.flags & UNFIT and not flagged:
            offset = event.offset
            if event.frequency_hz > 0.0:
                part.resolution = event.resolution_hz / event.frequency_hz
        if isinstance(event, Reading) and event.gate_s is not None:
            part.gates.add(event.gate_s)
        part.flagged.append(flagged)
        part.times_s.append(event.elapsed_s)
        part.offsets.append(offset if math.isfinite(offset) else math.nan)
    return parts
