"""The live comparison of counters on one signal, which proves the measuring chain.

The counters' own threads only put what they read into a queue, before anything is corrected.
About once a second another thread matches the new readings in pairs (`matched_pair`), adds them
to the history of each pair, which is bounded, and compares (`live_pairs`). Readings that are no
measurement, and spikes, are left out. A counter that comes late or drops out only holds up its own
pairs.
"""

import math
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import combinations
from typing import Final

from benchwatch.clock import Clock
from benchwatch.errors import UsageError
from benchwatch.estimate.comparison.comparison_result import ComparisonResult, compare_counters
from benchwatch.estimate.comparison.time_base_claims import (
    NamedReference,
    RunTimeBase,
    TimeBaseClaim,
)
from benchwatch.pipeline.time_base_correction import proven_time_base
from benchwatch.plan import check_signal_group
from benchwatch.quantity import how_many, printable, write_fraction
from benchwatch.reading import UNFIT, Reading
from benchwatch.run.any_acquisition import AnyAcquisition
from benchwatch.run.live_counter import LiveCounter
from benchwatch.run.live_pairs import CounterQueue, LivePair
from benchwatch.snapshot import ComparisonNow, Snapshot

LARGEST_GROUP: Final = 8
"""Most counters that are compared with each other: 28 pairs."""
STANDS_READINGS: Final = 30
STANDS_S: Final = 20.0
"""Fewest matched readings of every pair, and shortest time, for an answer that stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainWords:
    """Writes what a comparison says; the front ends have the sentences."""

    sentences: Callable[[ComparisonResult], Sequence[str]]
    answer: Callable[[ComparisonResult], str]
    """In one short sentence."""
    more: Callable[[ComparisonResult], str]
    """What a longer comparison would tell."""


class ChainProof:
    """Compares groups of counters; every method may be called from any thread.

    Args:
        counters: the counters of the watch, by name.
        clock: dates what is put on record.
        origin_s: monotonic seconds at which the run began.
        words: writes what a comparison says.
    """

    def __init__(
        self,
        counters: Mapping[str, LiveCounter],
        clock: Clock,
        origin_s: float,
        words: ChainWords | None = None,
    ) -> None:
        self.counters = counters
        """The counters of the watch; replaced as a whole when one comes later."""
        self._clock, self._origin_s, self._words = clock, origin_s, words
        self._queues: dict[str, CounterQueue] = {}
        self._pairs: dict[tuple[str, str], LivePair] = {}
        self._groups: list[tuple[str, ...]] = []
        """Groups on one signal, the newest last."""
        self._newest: dict[tuple[str, ...], ComparisonNow] = {}
        self._lock = threading.RLock()

    @property
    def groups(self) -> Sequence[tuple[str, ...]]:
        """The groups that are compared, in the order in which they were said."""
        return tuple(self._groups)

    def take(self, name: str, reading: Reading, snapshot: Snapshot) -> None:
        """Take a reading as it was read, and the snapshot after it."""
        queue = self._queues.get(name)
        if queue is not None and reading.flags.isdisjoint(UNFIT) and snapshot.nominal_hz > 0:
            queue.put(reading, snapshot)

    def refresh(self) -> list[ComparisonNow]:
        """Match what was read meanwhile, compare all groups, and put on record what stands."""
        with self._lock:
            for queue in self._queues.values():
                queue.collect()
            for pair in self._pairs.values():
                pair.match()
            for name, queue in self._queues.items():
                mine = [pair for key, pair in self._pairs.items() if name in key]
                needed_s = min((pair.until_s - pair.context_s for pair in mine), default=math.inf)
                queue.drop_before(needed_s)
            return [self._compare(group) for group in self._groups]

    def same_signal(self, name: str) -> list[AnyAcquisition]:
        """Return the acquisitions of the other counters that are said to count one unit."""
        found = [self.counters[one].acquisition for one in self._on_one_signal(name)]
        return [one for one in found if one is not None]

    def walked_by(self, name: str) -> str:
        """Return the other counter of the unit that has a check open; empty without one."""
        for other in self._on_one_signal(name):
            checks = self.counters[other].snapshot.checks
            if checks is not None and checks.setting_hz is not None:
                return other
        return ""

    def _on_one_signal(self, name: str) -> set[str]:
        """Return the other counters that are said to count the same unit."""
        return {one for group in self._groups if name in group for one in group} - {name}

    # ------------------------------------------------------------ what the operator says

    def comparison(self, name: str) -> ComparisonNow | None:
        """Return the newest comparison in which the counter takes part; None without one."""
        for group in reversed(self._groups):
            if name in group:
                return self._newest.get(group) or ComparisonNow(counters=group)
        return None

    def offered(self, name: str) -> tuple[str, ...]:
        """Return the counters that may be on one signal with `name`: those here of its nominal.

        The counter itself comes first; nothing where no other counter has its nominal.
        """
        nominal_hz = self.counters[name].snapshot.nominal_hz
        if self.counters[name].plan.station is not None:
            return ()
        others = [
            other
            for other, counter in self.counters.items()
            if other != name
            and counter.snapshot.nominal_hz == nominal_hz
            and counter.plan.station is None
        ]
        return (name, *others)[:LARGEST_GROUP] if others else ()

    def prove(self, names: Sequence[str]) -> str:
        """Compare these counters from now on; return a sentence for the operator.

        Raises:
            UsageError: they can't be counters on one signal.
        """
        nominals = {name: self._nominal(counter) for name, counter in self.counters.items()}
        check_signal_group(names, nominals)
        for name in names:
            station = self.counters[name].plan.station
            if station is not None:
                raise UsageError(
                    f"{name} is read at {station}, by another clock than this computer's: compare "
                    "counters where they stand."
                )
        if len(names) > LARGEST_GROUP:
            raise UsageError(
                f"{how_many(len(names), 'counter')} are too many to be compared with each other: "
                f"name {LARGEST_GROUP} at most."
            )
        group = tuple(name for name in self.counters if name in names)
        with self._lock:
            if group in self._groups:
                self._groups.remove(group)
            self._groups.append(group)
            for name in group:
                self._queues.setdefault(name, CounterQueue(name))
            for pair in combinations(group, 2):
                queues = [self._queues[name] for name in pair]
                self._pairs.setdefault(pair, LivePair(*queues))
        return f"comparing {', '.join(group)}: they must be on one signal"

    def record(self, name: str) -> str:
        """Put the comparison of a counter on record; return a sentence for the operator.

        Raises:
            UsageError: there is none, or it does not say anything yet.
        """
        now = self.comparison(name)
        if now is None:
            raise UsageError(f"{printable(name)} is compared with no other counter yet.")
        if now.result is None or now.result.agree is None:
            raise UsageError("nothing was recorded: the comparison has too few readings yet.")
        self._put_on_record(now)
        return f"on record: {now.answer}"

    def use(self, name: str) -> str:
        """Correct the readings of a counter by its comparison; return a sentence.

        Raises:
            UsageError: no comparison says how far its time base is off.
        """
        claim = self._claim(name)
        proven = proven_time_base(claim)
        self.counters[name].pipeline.use_proof(proven, *self._now())
        off = write_fraction(proven.reference.offset, proven.reference.u)
        return f"{name} is corrected from its next reading on: time base off by {off}"

    def drop(self, name: str) -> str:
        """Correct the readings of a counter no more by its comparison; return a sentence.

        Raises:
            UsageError: they are not corrected by one.
        """
        pipeline = self.counters[name].pipeline
        if pipeline.snapshot.proof is None:
            raise UsageError(f"{printable(name)} is not corrected by a comparison.")
        pipeline.use_proof(None, *self._now())
        return f"{name} is not corrected by the comparison any more"

    # ------------------------------------------------------------ called with the lock held

    def _compare(self, group: tuple[str, ...]) -> ComparisonNow:
        """Compare one group, and put its answer on record when it first stands."""
        utc_s, elapsed_s = self._now()
        before = self._newest.get(group) or ComparisonNow(counters=group)
        nominals = {self.counters[name].snapshot.nominal_hz for name in group}
        known = {hertz for hertz in nominals if hertz > 0}
        pairs = [
            matched
            for pair in combinations(group, 2)
            if len(known) < 2 and (matched := self._pairs[pair].pair()) is not None
        ]
        now = replace(
            before,
            utc_s=utc_s,
            elapsed_s=elapsed_s,
            waits=self._waits(group, several=len(known) > 1),
            result=None,
            stands=False,
            sentences=(),
            answer="",
            more="",
        )
        if pairs:
            result = compare_counters(
                pairs,
                {name: self._time_base(name) for name in group},
                references={name: self._reference(name) for name in group},
                tolerance=self._tolerance(group),
            )
            stands = (
                result.agree is not None
                and (result.is_fine_enough or not result.agree)
                and result.readings >= STANDS_READINGS
                and result.span_s >= STANDS_S
            )
            now = self._with_words(replace(now, result=result, stands=stands), result)
        self._newest[group] = now
        if now.stands and self._is_news(now):
            self._put_on_record(now)
        return self._newest[group]

    def _is_news(self, now: ComparisonNow) -> bool:
        """Return whether an answer that stands is not on record yet, or another one is.

        One of before a change of time base, gate or nominal says nothing of what is read now.
        """
        if now.recorded_s is None or now.result is None:
            return True
        other = self._began_s(now.counters) != now.recorded_began_s
        return other or now.result.agree is not now.recorded_agree

    def _began_s(self, group: Sequence[str]) -> float:
        """Return when a comparison began anew last, seconds of the run; -inf if it never did."""
        return max(self._pairs[pair].began_s for pair in combinations(group, 2))

    def _with_words(self, now: ComparisonNow, result: ComparisonResult) -> ComparisonNow:
        """Return a comparison with the sentences on its result."""
        words = self._words
        if words is None:
            return now
        return replace(
            now,
            sentences=tuple(words.sentences(result)),
            answer=words.answer(result),
            more=words.more(result),
        )

    def _put_on_record(self, now: ComparisonNow) -> None:
        """Put a comparison into the visit, journal and event log of every counter in it."""
        assert now.result is not None
        utc_s, elapsed_s = self._now()
        values = now.result.as_dict() | {"sentences": list(now.sentences)}
        for name in now.counters:
            self.counters[name].pipeline.change_visit(
                lambda visit: visit.add_comparison(now.answer, values, utc_s, elapsed_s)
            )
        with self._lock:
            newest = self._newest.get(now.counters, now)
            self._newest[now.counters] = replace(
                newest,
                recorded_s=elapsed_s,
                recorded_text=now.answer,
                recorded_agree=now.result.agree,
                recorded_began_s=self._began_s(now.counters),
            )

    def _claim(self, name: str) -> TimeBaseClaim:
        """Return what the newest comparison says of a counter's time base against another's.

        Raises:
            UsageError: it says nothing.
        """
        now = self.comparison(name)
        if now is None:
            raise UsageError(f"{printable(name)} is compared with no other counter yet.")
        claims = () if now.result is None else now.result.claims
        for claim in claims:
            if claim.base.counter == name and claim.against and claim.expanded is not None:
                return claim
        raise UsageError(
            f"no comparison says yet how far the time base of {printable(name)} is off: that needs "
            "a counter on the reference beside it, and a few readings."
        )

    def _waits(self, group: Sequence[str], *, several: bool) -> str:
        """Return what a group waits for; empty while all of its counters are compared."""
        if several:
            return f"{', '.join(group)} have different nominals now: they are not compared"
        missing = [name for name in group if self._queues[name].readings() is None]
        return f"waiting for readings of {', '.join(missing)}" if missing else ""

    def _time_base(self, name: str) -> RunTimeBase:
        """Return the time base of a counter as it tells it, or as its plan assumes it."""
        now = self._queues[name].now
        source: RunTimeBase = "unknown" if now is None else now.time_base
        if source == "unknown" and self.counters[name].pipeline.plan.on_reference:
            return "external"
        return source

    def _tolerance(self, group: Sequence[str]) -> float | None:
        """Return the smallest tolerance of the counters of a group; None without one."""
        stated = [self.counters[name].pipeline.plan.tolerance for name in group]
        return min((one for one in stated if one is not None), default=None)

    def _reference(self, name: str) -> NamedReference:
        """Return what the bench states of the reference of a counter."""
        stated = self.counters[name].pipeline.plan.reference
        if stated is None:
            return NamedReference(counter=name)
        return NamedReference(counter=name, u=stated.u_now, offset=stated.offset)

    @staticmethod
    def _nominal(counter: LiveCounter) -> Decimal | None:
        hertz = counter.snapshot.nominal_hz
        return Decimal(repr(hertz)) if math.isfinite(hertz) else counter.pipeline.plan.nominal

    def _now(self) -> tuple[float, float]:
        """Return the time: Unix seconds, and seconds of the run."""
        return self._clock.utc(), self._clock.monotonic() - self._origin_s
