"""A run: bench to journal, buffer and estimate, and one immutable snapshot a counter."""

import math
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from typing import Final

from benchwatch.acquire import Acquisition, Connection
from benchwatch.clock import Clock, SystemClock
from benchwatch.counter import Setup
from benchwatch.errors import INTERRUPTED, BenchwatchError, LinkLost, NoReadings
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord, RecordKind
from benchwatch.journal import Journal, new_key
from benchwatch.journal.resume import Earlier
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.quantity import format_duration
from benchwatch.reading import Event, Mark, Reading
from benchwatch.snapshot import Snapshot, Trace

QUEUE_LIMIT: Final = 10_000
"""Events that a slow reader of lines may lag behind before the counters are held up."""
REFRESH_S: Final = 1.0
LEISURE: Final = 20.0
"""What is refreshed at leisure takes no more than one part in so many of a core."""
JOIN_S: Final = 2.0
NOT_SETTLED: Final = 1
"""Exit code when the time was up before the oscillator had settled."""


@dataclass(frozen=True, slots=True)
class Limits:
    """When a run ends by itself."""

    count: int | None = None
    """Readings of each counter."""
    for_s: float | None = None
    until_settled: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """Why a run ended."""

    reason: str
    """In a few words, for the last line."""
    exit_code: int = 0
    message: str = ""
    """A sentence for standard error, when there is more to say."""


class Watch:
    """Several counters watched together; every method may be called from any thread.

    Args:
        plans: the counters, at least one, each with a name of its own.
        journal: where readings go first; None when they are kept nowhere.
        limits: when to end without being told.
        lines: whether somebody takes `events`; a screen looks at snapshots instead.
        clock: where all times come from.
        acquire: makes the thread that reads a counter; tests put their own here.
        earlier: what interrupted runs left, to go on with, by the name of the counter.
    """

    def __init__(
        self,
        plans: Sequence[Plan],
        *,
        journal: Journal | None = None,
        limits: Limits | None = None,
        lines: bool = False,
        clock: Clock | None = None,
        acquire: Callable[..., Acquisition] = Acquisition,
        earlier: Mapping[str, Earlier] | None = None,
    ) -> None:
        self._clock = clock or SystemClock()
        self._limits = limits or Limits()
        self._lines = lines
        self._acquire = acquire
        self._origin_s = self._clock.monotonic()
        self._journal = journal
        utc_s = self._clock.utc()
        key = new_key(utc_s)
        self._pipelines = {
            plan.name: Pipeline(
                plan,
                journal=journal,
                utc_s=utc_s,
                watch=key,
                earlier=(earlier or {}).get(plan.name),
            )
            for plan in plans
        }
        self._acquisitions: dict[str, Acquisition] = {}
        self._going = set(self._pipelines)
        self._marked = self._said = 0
        self._lock = threading.RLock()
        self.events: queue.SimpleQueue[tuple[Event, Snapshot] | None] = queue.SimpleQueue()
        """Each event and the state after it; None once the run has ended."""
        self.finished = threading.Event()
        self.outcome: Outcome | None = None
        """Why the run ended; None while it goes on."""

    @property
    def names(self) -> Sequence[str]:
        """Names of the counters, in the order of the bench."""
        return tuple(self._pipelines)

    def start(self) -> None:
        """Begin to read, on a thread a counter."""
        for name, pipeline in self._pipelines.items():
            plan = pipeline.plan
            self._acquisitions[name] = self._acquire(
                name=name,
                resource=plan.resource,
                driver=plan.driver,
                setup=plan.setup,
                nominal=plan.nominal,
                take=partial(self._take, name),
                link_changed=partial(self._connect, name),
                failed=partial(self._failed, name),
                clock=self._clock,
                origin_s=self._origin_s,
                interval_s=plan.interval_s,
            )
        for acquisition in self._acquisitions.values():
            acquisition.start()
        if not self._lines:
            threading.Thread(target=self._refresh, name="leisure", daemon=True).start()
        if self._limits.for_s is not None:
            threading.Thread(target=self._end_in_time, name="end of run", daemon=True).start()

    def snapshot(self, name: str) -> Snapshot:
        """Return the newest state of the counter `name`."""
        return self._pipelines[name].snapshot

    def trace(self, name: str, span_s: float, points: int) -> Trace:
        """Return the last `span_s` seconds of `name` in at most `points` points."""
        return self._pipelines[name].trace(span_s, points)

    def elapsed_s(self) -> float:
        """Return the seconds since the run began, on the clock of the snapshots."""
        return self._clock.monotonic() - self._origin_s

    def mark(self, text: str) -> None:
        """Put a note on the time line of every counter."""
        utc_s, elapsed_s = self._clock.utc(), self.elapsed_s()
        for name in self._pipelines:
            self._take(name, Mark(name, utc_s, elapsed_s, text))

    def news(self) -> Sequence[str]:
        """Return what befell the journal and has not been returned yet, a sentence each."""
        news = () if self._journal is None else self._journal.news[self._said :]
        self._said += len(news)
        return news

    # ------------------------------------------------------------ what the operator says

    def touch(self, name: str, *, on: bool) -> None:
        """Say that the tool is on the trimmer of `name`'s oscillator, or off."""
        self._pipelines[name].touch(self._clock.utc(), self.elapsed_s(), on=on)

    def record(self, name: str, kind: RecordKind) -> OffsetRecord:
        """Put the present offset of `name` on record.

        Raises:
            NoReadings: there is nothing to record yet.
        """
        return self._pipelines[name].record(kind, self._clock.utc(), self.elapsed_s())

    def retune(
        self, name: str, *, tolerance: float | None = None, settle: SettleLimit | None = None
    ) -> None:
        """Give `name` a new tolerance, or a new meaning of settled; None leaves the old one."""
        self._pipelines[name].retune(
            self._clock.utc(), self.elapsed_s(), tolerance=tolerance, settle=settle
        )

    def set_gate(self, name: str, gate_s: float) -> None:
        """Ask the counter for another gate; it is set between two readings and read back."""
        self._acquisitions[name].request(Setup(gate_s=gate_s))

    def set_nominal(self, name: str, nominal: Decimal) -> None:
        """Judge readings against another nominal from the next one on; the numbers begin anew."""
        self._acquisitions[name].renominate(nominal)

    def nominal(self, name: str) -> Decimal | None:
        """Return the nominal of `name` in hertz; None while it is not known."""
        hertz = self._pipelines[name].snapshot.nominal_hz
        return Decimal(repr(hertz)) if math.isfinite(hertz) else None

    # ------------------------------------------------------------ how it ends

    def interrupt(self) -> None:
        """End the run because a person or a signal said so; safe in a signal handler."""
        self._finish(Outcome("interrupted", INTERRUPTED))

    def stop(self) -> Outcome:
        """End the run if it still goes on, and wait until every instrument is let go."""
        self._finish(Outcome("stopped"))
        for acquisition in self._acquisitions.values():
            acquisition.stop()
        for acquisition in self._acquisitions.values():
            acquisition.join(JOIN_S)
        assert self.outcome is not None
        utc_s, elapsed_s = self._clock.utc(), self.elapsed_s()
        for pipeline in self._pipelines.values():
            pipeline.end(utc_s, elapsed_s, self.outcome.reason)
        return self.outcome

    def totals(self) -> tuple[int, int]:
        """Return how many readings and gaps there were, of all counters together."""
        snapshots = [pipeline.snapshot for pipeline in self._pipelines.values()]
        return sum(now.readings for now in snapshots), sum(now.gaps for now in snapshots)

    # ------------------------------------------------------------ on the counters' threads

    def _take(self, name: str, event: Event) -> None:
        if isinstance(event, Reading) and (self.outcome is not None or name not in self._going):
            return
        snapshot = self._pipelines[name].take(event)
        self._mark_news()
        if self._lines:
            self.events.put((snapshot.told(event), snapshot))
            while self.events.qsize() > QUEUE_LIMIT and not self.finished.is_set():
                self._clock.wait(self.finished, 0.01)
        if isinstance(event, Reading):
            self._check_limits(name, snapshot)

    def _mark_news(self) -> None:
        """Put what befell the journal on the time line of every counter."""
        if self._journal is None or self._marked == len(self._journal.news):
            return
        with self._lock:
            news = self._journal.news[self._marked :]
            self._marked += len(news)
        for sentence in news:
            self.mark(sentence)

    def _check_limits(self, name: str, snapshot: Snapshot) -> None:
        count = self._limits.count
        if count is not None and snapshot.readings >= count:
            self._leave(name, Outcome("count reached"))
        if self._limits.until_settled and all(map(_settled, self._pipelines.values())):
            self._finish(Outcome("settled"))

    def _connect(self, name: str, connection: Connection) -> None:
        self._pipelines[name].connect(connection)

    def _failed(self, name: str, error: BenchwatchError) -> None:
        self._leave(name, Outcome(_few_words(error), error.exit_code, str(error)))

    def _leave(self, name: str, outcome: Outcome) -> None:
        """One counter has done its part; with the last one the run ends."""
        with self._lock:
            self._going.discard(name)
            self._acquisitions[name].stop()
            if not self._going:
                self._finish(outcome)

    def _refresh(self) -> None:
        """Work out what changes slowly for as long as the run lasts, in a little of the time."""
        wait_s = REFRESH_S
        while not self._clock.wait(self.finished, wait_s):
            began_s = self._clock.monotonic()
            for pipeline in self._pipelines.values():
                pipeline.refresh()
            wait_s = max(REFRESH_S, LEISURE * (self._clock.monotonic() - began_s))

    def _end_in_time(self) -> None:
        for_s = self._limits.for_s
        assert for_s is not None
        if self._clock.wait(self.finished, for_s):
            return
        lasted = format_duration(for_s)
        if self.totals()[0] == 0:
            reason = f"no readings within {lasted}"
            self._finish(Outcome(reason, NoReadings.exit_code, f"{reason}."))
        elif self._limits.until_settled:
            self._finish(Outcome("not settled", NOT_SETTLED, f"not settled within {lasted}."))
        elif all(self.snapshot(name).link.state == "lost" for name in self._going):
            names = ", ".join(sorted(self._going))
            lost = f"the link to {names} is lost"
            self._finish(Outcome(lost, LinkLost.exit_code, f"{lost}, and the time is up."))
        else:
            self._finish(Outcome("time is up"))

    def _finish(self, outcome: Outcome) -> None:
        with self._lock:
            if self.outcome is None:
                self.outcome = outcome
                self.finished.set()
                self.events.put(None)


def _settled(pipeline: Pipeline) -> bool:
    settle = pipeline.snapshot.numbers.settle
    return settle is not None and settle.state == "settled"


def _few_words(error: BenchwatchError) -> str:
    """Return the first sentence of `error`, for the last line."""
    return str(error).split(". ", 1)[0].rstrip(".")
