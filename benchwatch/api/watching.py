"""Live counters, watched from a script: an iterator of snapshots that closes its links."""

import queue
from collections.abc import Iterator
from contextlib import ExitStack
from functools import partial
from os import PathLike
from pathlib import Path
from typing import Any, Final, Self

from benchwatch.acquire import Acquisition
from benchwatch.api.quantities import (
    Duration,
    Fraction,
    Frequency,
    Settled,
    seconds_or_none,
)
from benchwatch.api.watched_plans import Resources, WatchSettings, plans_to_watch
from benchwatch.clock import SystemClock
from benchwatch.driver_registry import driver as load_driver
from benchwatch.errors import (
    BenchwatchError,
    ConnectionFailed,
    FileError,
    LinkLost,
    NoReadings,
    UsageError,
)
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.journal import Journal
from benchwatch.reading import MEASURED, Event, Reading, RecordKind
from benchwatch.run.counters_in_run import RunLimits, RunOutcome
from benchwatch.run.live_counter import LiveCounter
from benchwatch.run.live_watch import LiveWatch
from benchwatch.snapshot import ComparisonNow, Snapshot

LOOK_S: Final = 0.25
"""A key press that interrupts the script takes effect within this time."""
_ERRORS: Final[dict[int, type[BenchwatchError]]] = {
    error.exit_code: error for error in (UsageError, ConnectionFailed, LinkLost, FileError)
}
"""Errors that end a run, by the exit code of its outcome."""


class Watch:
    """A live watch of one or several counters, made by `watch`; leaving it closes the links.

    Iterating yields the snapshot after each reading (also after one that repeats the measurement
    before, with the flag ``repeat``), until a limit is reached or the counter is lost for good.
    """

    def __init__(self, run: LiveWatch, cleanup: ExitStack) -> None:
        self._run = run
        self._cleanup = cleanup
        self._started = self._closed = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __iter__(self) -> Iterator[Snapshot]:
        for event, now in self.events():
            if isinstance(event, Reading):
                yield now

    def events(self) -> Iterator[tuple[Event, Snapshot]]:
        """Yield readings, gaps and notes as they come, each with the snapshot after it.

        Raises:
            UsageError: a resource string can't be used.
            ConnectionFailed: no counter answers.
            LinkLost: the link broke, and the run ended with it.
            NoReadings: nothing was read within the time given.
            FileError: the file of readings that was watched can't be read.
        """
        if self._closed:
            raise UsageError("the watch is closed: begin another one.")
        if not self._started:
            self._started = True
            self._run.start()
        while True:
            try:
                item = self._run.events.get(timeout=LOOK_S)
            except queue.Empty:
                continue
            if item is None:
                break
            event, now = item
            if not isinstance(event, ComparisonNow):
                yield event, now
        self._raise_if_failed()

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the counters."""
        return tuple(self._run.names)

    def counter(self, name: str | None = None) -> LiveCounter:
        """Return the handle to a counter: its newest snapshot, its trace, and the tool's touch.

        Args:
            name: of the counter; None: the only one.

        Raises:
            UsageError: no counter has that name, or there are several.
        """
        if name is None and len(self.names) == 1:
            return self._run.counter(self.names[0])
        if name not in self.names:
            raise UsageError(f"which counter? There are: {', '.join(self.names)}.")
        return self._run.counter(name)

    def record(self, kind: RecordKind = MEASURED, counter: str | None = None) -> OffsetRecord:
        """Put the present offset on record, in the journal too, and return it with its budget.

        Args:
            kind: as found, as left, or measured.
            counter: name of the counter; None: the only one.

        Raises:
            NoReadings: there is no offset with an uncertainty yet, or no readings come.
            UsageError: as `counter`.
        """
        pipeline = self.counter(counter).pipeline
        return pipeline.record(kind, SystemClock().utc(), self._run.elapsed_s())

    @property
    def outcome(self) -> RunOutcome | None:
        """Why the run ended; None while it runs."""
        return self._run.outcome

    def close(self) -> None:
        """End the run, release every instrument and close the journal. May be called twice."""
        if self._closed:
            return
        self._closed = True
        try:
            self._run.stop()
        finally:
            self._cleanup.close()

    def _raise_if_failed(self) -> None:
        """Raise the error that ended the run, as `events` says."""
        outcome = self._run.outcome
        if outcome is None or outcome.exit_code not in _ERRORS:
            return
        kind = _ERRORS[outcome.exit_code]
        if outcome.exit_code == NoReadings.exit_code and not self._run.totals()[0]:
            kind = NoReadings
        raise kind(outcome.message or outcome.reason)


def watch(
    resources: Resources | None = None,
    *,
    bench: str | PathLike[str] | None = None,
    sim: str | None = None,
    seed: int | None = None,
    nominal: Frequency | None = None,
    tolerance: Fraction | None = None,
    settle: Settled | None = None,
    gate: Duration | None = None,
    interval: Duration | None = None,
    driver: str | None = None,
    backend: str | None = None,
    count: int | None = None,
    lasts: Duration | None = None,
    until_settled: bool = False,
    journal: str | PathLike[str] | None = None,
) -> Watch:
    """Watch one or several counters; use it in a ``with`` statement, and iterate over it.

    Nothing is set on an instrument but what is asked for: the gate, or what a bench file asks for.

    Args:
        resources: a resource string, several, or a mapping from names to resource strings. With
            `bench`: names of counters in that file; None: all of them.
        bench: a bench file.
        sim: a simulated bench, such as ``station``, which is served meanwhile.
        seed: of the simulated noise; None: another one each time.
        nominal: of the oscillators; None: the round number that the first reading is near.
        tolerance: limit of the offset.
        settle: what settled means.
        gate: to be set on the counter; None: it stays as it is.
        interval: from reading to reading; None: as fast as the counter gives them.
        driver: of the dialect; None: as the bench says, else the usual one.
        backend: the VISA library; None: as the bench says, else the one that comes along.
        count: end after so many readings of each counter.
        lasts: end after this time.
        until_settled: end when all counters have settled.
        journal: file that every reading is written to first; None: none is kept.

    Raises:
        UsageError: the arguments exclude each other, or one can't be used.
        FileError: the bench file or the journal can't be read or written.
        ConnectionFailed: a simulated bench can't be served.
    """
    from benchwatch.bus.opening import (  # noqa: PLC0415 - the buses take long to load
        DEFAULT_BACKEND,
        Buses,
        check_backend,
    )

    settings = WatchSettings(
        nominal=nominal,
        tolerance=tolerance,
        settle=settle,
        gate=gate,
        interval=interval,
        driver=driver,
    )
    limits = RunLimits(count, seconds_or_none(lasts), until_settled)
    with ExitStack() as stack:
        plans, described = stack.enter_context(
            plans_to_watch(
                resources,
                settings,
                bench=None if bench is None else Path(bench),
                sim=sim,
                seed=seed,
            )
        )
        if until_settled and any(plan.settle is None for plan in plans):
            raise UsageError("until_settled needs to know what settled means: add settle=...")
        for plan in plans:
            load_driver(plan.driver)
        library = backend or (described and described.backend) or DEFAULT_BACKEND
        check_backend(library)
        kept = None if journal is None else Journal(Path(journal), exclusive=False)
        if kept is not None:
            stack.callback(kept.close)
        run = LiveWatch(
            plans,
            journal=kept,
            limits=limits,
            lines=True,
            acquire=partial(
                _acquire,
                open_link=partial(Buses().open_link, backend=library),
                load=load_driver,
                persistent=len(plans) > 1,
            ),
        )
        return Watch(run, stack.pop_all())
    raise AssertionError


def _acquire(**settings: Any) -> Acquisition:
    return Acquisition(**settings)
