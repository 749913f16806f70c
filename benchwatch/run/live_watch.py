"""A live watch: the threads and pipelines of its counters, its journal, and its end."""

import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Final

from benchwatch.acquire.counter_status import CounterStatus
from benchwatch.clock import Clock, SystemClock
from benchwatch.errors import INTERRUPTED, BenchwatchError, LinkLost, NoReadings
from benchwatch.journal import Journal, new_key
from benchwatch.journal.resume import EarlierRuns
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.pipeline.slow_statistics import REFRESH_RATIO, REFRESH_S
from benchwatch.plan import Plan
from benchwatch.quantity import format_duration
from benchwatch.reading import NO_WORDS, Event, Mark, Reading
from benchwatch.register.register_writer import RegisterWriter
from benchwatch.register.visit_writer import VisitWriter
from benchwatch.run.any_acquisition import AnyAcquisition
from benchwatch.run.chain_proof import ChainProof, ChainWords
from benchwatch.run.comparison_answers import AnswersToTell
from benchwatch.run.counters_in_run import CountersInRun, RunLimits, RunOutcome
from benchwatch.run.live_counter import LiveCounter
from benchwatch.run.new_notices import NewNotices
from benchwatch.run.refresh_turns import RefreshTurns
from benchwatch.run.relay_hook import RelayHook
from benchwatch.run.told_of_many import Told, told_of_many
from benchwatch.snapshot import ComparisonNow, Snapshot

QUEUE_LIMIT: Final = 10_000
"""Events that may wait in the queue for a slow reader before acquisition waits too."""
JOIN_S: Final = 2.0
"""Longest wait for the thread of a counter to end."""
NOT_SETTLED: Final = 1
"""Exit code when the oscillator had not settled within the time limit."""


class LiveWatch:
    """Several counters watched together; any thread may call any method.

    Args:
        plans: the counters, at least one, each with a name of its own.
        journal: where readings are written first; None: nowhere.
        limits: limits at which the watch ends by itself; None: it does not.
        lines: whether a reader takes `events` from the queue; a screen reads snapshots instead.
        clock: gives all times.
        acquire: makes the thread that reads a counter; tests replace it.
        earlier: results of the earlier runs that the run goes on with, by name of the counter.
        visits: the visits that the readings belong to, by name of the counter.
        register: what these visits are written to; None: there is no register.
        proof: names of counters on one signal, which are compared, a group each.
        chain_words: writes what a comparison of counters says; None: nothing does.
        relay: sends the events to the central record and to desks; None: nothing does.
    """

    def __init__(
        self,
        plans: Sequence[Plan],
        *,
        journal: Journal | None = None,
        limits: RunLimits | None = None,
        lines: bool = False,
        clock: Clock | None = None,
        acquire: Callable[..., AnyAcquisition],
        earlier: Mapping[str, EarlierRuns] | None = None,
        visits: Mapping[str, VisitWriter] | None = None,
        register: RegisterWriter | None = None,
        proof: Sequence[Sequence[str]] = (),
        chain_words: ChainWords | None = None,
        relay: RelayHook | None = None,
    ) -> None:
        self._clock = clock or SystemClock()
        self._limits = limits or RunLimits()
        self._lines = lines
        self._acquire = acquire
        self.relay = relay
        """Sends the events to the central record and to desks; None: nothing does."""
        self._origin_s = self._clock.monotonic()
        self._utc_s = utc_s = self._clock.utc()
        self._key = new_key(utc_s)
        self._counters: Mapping[str, LiveCounter] = {}
        """By name, in the order of the bench; replaced as a whole, for other threads read it."""
        self.chain = ChainProof({}, self._clock, self._origin_s, chain_words)
        """Compares counters on one signal."""
        for plan in plans:
            self._add(
                Pipeline(
                    plan,
                    journal=journal if plan.station is None else None,
                    utc_s=utc_s,
                    watch=self._key,
                    earlier=(earlier or {}).get(plan.name),
                    visit=(visits or {}).get(plan.name),
                )
            )
        for group in proof:
            self.chain.prove(group)
        self._answers = AnswersToTell()
        self._in_run = CountersInRun(self.names, waits=not lines)
        self._said: list[str] = []
        """Sentences for the person, from other parts of the program; the list only grows."""
        lists = [self._said, *(kept.notices for kept in (journal, register) if kept is not None)]
        self._notices_to_mark, self._notices_to_give = NewNotices(lists), NewNotices(lists)
        self._lock = threading.RLock()
        self.events: queue.SimpleQueue[tuple[Event | ComparisonNow, Snapshot] | None] = (
            queue.SimpleQueue()
        )
        """Each event, or new answer of a comparison, and the snapshot after it; None at the end of
        the run."""
        self.finished = threading.Event()
        self._stopped = False
        self._lost_at_end: list[str] = []
        self.outcome: RunOutcome | None = None
        """Why the run ended; None while it runs."""

    def _add(self, pipeline: Pipeline) -> None:
        """Add a counter with its pipeline."""
        counter = LiveCounter(pipeline, self._clock, self._origin_s)
        name = pipeline.plan.name
        self._counters = {**self._counters, name: counter}
        self.chain.counters = self._counters
        counter.check_walk.same_signal = partial(self.chain.same_signal, name)
        pipeline.checks.walked_by = partial(self.chain.walked_by, name)
        if self.relay is not None and counter.snapshot.run is not None:
            pipeline.on_taken = self.relay.took

    @property
    def names(self) -> Sequence[str]:
        """Names of the counters, in the order of the bench."""
        return tuple(self._counters)

    def start(self) -> None:
        """Start one thread for each counter, which reads it."""
        for name in self._counters:
            self._make_acquisition(name)
        if self.relay is not None:
            kept = {n: one for n, one in self._counters.items() if one.snapshot.run is not None}
            self.relay.started(kept)
        for acquisition in self._acquisitions:
            acquisition.start()
        if not self._lines or self.chain.groups:
            threading.Thread(target=self._refresh, name="refresh", daemon=True).start()
        if self._limits.for_s is not None:
            threading.Thread(target=self._end_in_time, name="end of run", daemon=True).start()

    def join(self, plan: Plan) -> bool:
        """Watch one more counter elsewhere from now on, on its desk's thread; none after the end.

        Returns:
            False where the watch has a counter of that name.
        """
        with self._lock:
            if self.outcome is not None:
                return True
            if plan.name in self._counters:
                return False
            self._add(Pipeline(plan, utc_s=self._utc_s, watch=self._key))
            self._in_run.add(plan.name)
            self._make_acquisition(plan.name).start()
            return True

    def _make_acquisition(self, name: str) -> AnyAcquisition:
        """Make what reads a counter."""
        counter = self._counters[name]
        plan = counter.pipeline.plan
        counter.acquisition = self._acquire(
            name=name,
            resource=plan.resource,
            driver=plan.driver,
            setup=plan.setup,
            nominal=counter.nominal_at_start,
            on_event=partial(self._take, name),
            on_status=partial(self._connect, name),
            on_failure=partial(self._failed, name),
            clock=self._clock,
            origin_s=self._origin_s,
            interval_s=plan.interval_s,
        )
        if counter.dialled is not None:
            counter.acquisition.set_dial(counter.dialled)
        return counter.acquisition

    def counter(self, name: str) -> LiveCounter:
        """Return the handle to the counter `name`."""
        return self._counters[name]

    def comparison(self, name: str) -> ComparisonNow | None:
        """Return the newest comparison in which a counter takes part; None without one."""
        return self.chain.comparison(name)

    def elapsed_s(self) -> float:
        """Return the seconds since the run began, as in the snapshots."""
        return self._clock.monotonic() - self._origin_s

    def mark(self, text: str) -> None:
        """Put a mark on the time line of every counter, and a note into every visit.

        An empty text makes a mark without words, which is no note.
        """
        self._mark(text or NO_WORDS)
        if text:
            for counter in self._counters.values():
                counter.pipeline.change_visit(lambda visit: visit.note(text))

    def _mark(self, text: str) -> None:
        utc_s, elapsed_s = self._clock.utc(), self.elapsed_s()
        for name in self._counters:
            self._take(name, Mark(counter=name, utc_s=utc_s, elapsed_s=elapsed_s, text=text))

    def say(self, sentence: str) -> None:
        """Tell the person a sentence, as a notice and on the time line of every counter."""
        self._said.append(sentence)

    def new_notices(self) -> Sequence[str]:
        """Return the notices since the last call; each is a sentence."""
        return self._notices_to_give.new()

    # ------------------------------------------------------------ the end

    def interrupt(self) -> None:
        """End the run because of a key or a signal; safe in a signal handler."""
        self._finish(RunOutcome("interrupted", INTERRUPTED))

    def stop(self) -> RunOutcome:
        """End the run if it has not ended, and wait until every instrument is released."""
        self._finish(RunOutcome("stopped"))
        for acquisition in self._acquisitions:
            acquisition.stop()
        for acquisition in self._acquisitions:
            acquisition.join(JOIN_S)
        assert self.outcome is not None
        utc_s, elapsed_s = self._clock.utc(), self.elapsed_s()
        if self._lines and self.chain.groups and not self._stopped:
            self._tell(self.chain.refresh(), at_end=True)
        self._stopped = True
        for counter in self._counters.values():
            counter.pipeline.end(utc_s, elapsed_s, self.outcome.reason)
        return self.outcome

    @property
    def absent(self) -> Mapping[str, BenchwatchError]:
        """Counters that are not there yet, by name, each with the newest reason."""
        return self._in_run.absent

    def missing(self) -> Sequence[str]:
        """Return a sentence for each of several counters that failed, never came or is lost."""
        return [*self._in_run.missing(), *self._lost_at_end]

    def totals(self) -> tuple[int, int]:
        """Return the number of readings and of gaps, all counters together."""
        snapshots = [counter.snapshot for counter in self._counters.values()]
        return sum(now.readings for now in snapshots), sum(now.gaps for now in snapshots)

    # ------------------------------------------------------------ on the counters' threads

    @property
    def _acquisitions(self) -> list[AnyAcquisition]:
        """The threads that read the counters; empty before the run is started."""
        of_counters = [counter.acquisition for counter in self._counters.values()]
        return [one for one in of_counters if one is not None]

    def _take(self, name: str, event: Event) -> None:
        """Feed an event to its pipeline, put it into the queue for lines, and check the limits."""
        if isinstance(event, Reading) and (
            self.outcome is not None or not self._in_run.takes_readings(name)
        ):
            self._ask_to_end(name)  # or it would measure once more, for nothing
            return
        snapshot = self._counters[name].pipeline.take(event)
        if isinstance(event, Reading):
            self.chain.take(name, event, snapshot)
        self._mark_notices()
        if self._lines:
            self.events.put((snapshot.corrected(event), snapshot))
            while self.events.qsize() > QUEUE_LIMIT and not self.finished.is_set():
                self._clock.wait(self.finished, 0.01)
        if isinstance(event, Reading):
            self._check_limits(name, snapshot)

    def _mark_notices(self) -> None:
        """Put new notices of journal and register on the time line of every counter."""
        if not self._notices_to_mark.waiting:
            return
        with self._lock:
            notices = self._notices_to_mark.new()
        for sentence in notices:
            self._mark(sentence)

    def _connect(self, name: str, status: CounterStatus) -> None:
        """Feed the state of a link to its pipeline, and note whether the counter is there."""
        self._counters[name].pipeline.connect(status)
        self._counters[name].stated.take(status)
        if status.absent is not None or name in self._in_run.absent:
            self._in_run.set_absent(name, status.absent)
            self._end_if_over()

    def _check_limits(self, name: str, snapshot: Snapshot) -> None:
        """Stop a counter that has enough readings; end the run when all have settled."""
        count = self._limits.count
        if count is not None and snapshot.readings >= count:
            self._in_run.set_done(name)
            self._stop_counter(name)
        elif self._limits.until_settled:
            self._end_if_over()

    def _failed(self, name: str, error: BenchwatchError) -> None:
        self._in_run.set_ended(name, error)
        self._stop_counter(name)

    def _stop_counter(self, name: str) -> None:
        """Stop one counter; end the run with the last one."""
        self._ask_to_end(name)
        self._end_if_over()

    def _ask_to_end(self, name: str) -> None:
        """Ask the thread of one counter to end."""
        acquisition = self._counters[name].acquisition
        assert acquisition is not None
        acquisition.stop()

    def _end_if_over(self) -> None:
        """End the run if no counter holds it open, or if it lasts until all have settled."""
        measuring = self._in_run.measuring
        if (outcome := self._in_run.outcome(self.totals)) is not None:
            self._finish(outcome)
        elif self._limits.until_settled and measuring and all(map(self._has_settled, measuring)):
            self._finish(RunOutcome("settled"))

    def _has_settled(self, name: str) -> bool:
        settle = self._counters[name].snapshot.numbers.settle
        return settle is not None and settle.state == "settled"

    def _refresh(self) -> None:
        """Update the slow statistics of the counters repeatedly until the run ends."""
        wait_s = REFRESH_S
        turns = RefreshTurns(self._clock)
        while not self._clock.wait(self.finished, wait_s):
            began_s = self._clock.monotonic()
            if not self._lines:
                turns.take(tuple(self._counters.values()))
            self._tell(self.chain.refresh())
            wait_s = max(REFRESH_S, REFRESH_RATIO * (self._clock.monotonic() - began_s))

    def _tell(self, comparisons: Sequence[ComparisonNow], *, at_end: bool = False) -> None:
        """Put new answers of comparisons into the queue for lines, at the end the last ones."""
        if not self._lines:
            return
        for now in self._answers.new(comparisons, at_end=at_end):
            self.events.put((now, self._counters[now.counters[0]].snapshot))

    def _end_in_time(self) -> None:
        """End the run when its time is up, with an outcome by readings, settling and links."""
        for_s = self._limits.for_s
        assert for_s is not None
        if self._clock.wait(self.finished, for_s):
            return
        lasted = format_duration(for_s)
        if self.totals()[0] == 0:
            reason = f"no readings within {lasted}"
            self._finish(RunOutcome(reason, NoReadings.exit_code, f"{reason}."))
        elif self._limits.until_settled:
            self._finish(RunOutcome("not settled", NOT_SETTLED, f"not settled within {lasted}."))
        elif (outcome := self._in_run.outcome_in_time()) is not None:
            self._finish(outcome)
        elif (names := self._in_run.holding) and all(map(self._is_lost, names)):
            lost = f"the link to {', '.join(sorted(names))} is lost"
            self._finish(RunOutcome(lost, LinkLost.exit_code, f"{lost}, and the time is up."))
        else:
            self._finish(RunOutcome("time is up"))

    def _is_lost(self, name: str) -> bool:
        return self._counters[name].snapshot.link.state == "lost"

    def _lost(self) -> list[str]:
        """Return a sentence for each of several counters that gave no readings at the end."""
        names = self._in_run.holding if len(self._counters) > 1 else ()
        states = {name: self._counters[name].snapshot.link.state for name in names}
        end = "at the end, and had not come back."
        return told_of_many(
            [
                Told(name, f"{name} was {state} {end}", f"{state} {end}")
                for name, state in states.items()
                if state in {"lost", "silent"}
            ]
        )

    def _finish(self, outcome: RunOutcome) -> None:
        """End the run with `outcome`, unless it has ended already."""
        with self._lock:
            if self.outcome is None:
                self.outcome = outcome
                self._lost_at_end = self._lost()
                for acquisition in self._acquisitions:
                    acquisition.stop()
                self.finished.set()
                self.events.put(None)
