"""Live counters, watched from a script: an iterator of snapshots that closes its links."""

import queue
from collections.abc import Iterator
from contextlib import ExitStack
from functools import partial
from os import PathLike
from pathlib import Path
from typing import Any, Final, Self

from benchwatch.acquire import Acquisition
from benchwatch.api.journal_paths import journal_path
from benchwatch.api.quantities import (
    Duration,
    Fraction,
    Frequency,
    Settled,
    seconds_or_none,
)
from benchwatch.api.watched_plans import Resources, Units, WatchSettings, plans_to_watch
from benchwatch.driver_registry import driver as load_driver
from benchwatch.errors import (
    BenchwatchError,
    ConnectionFailed,
    FileError,
    LinkLost,
    NoReadings,
    RegisterError,
    UsageError,
)
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.journal import Journal
from benchwatch.reading import MEASURED, Event, Reading, RecordKind
from benchwatch.register import register_path
from benchwatch.register.register_writer import RegisterWriter
from benchwatch.run.counters_in_run import RunLimits, RunOutcome
from benchwatch.run.live_counter import LiveCounter
from benchwatch.run.live_watch import LiveWatch
from benchwatch.run.watch_visits import (
    NewUnits,
    WatchVisits,
    make_units,
    open_visits,
    register_of,
)
from benchwatch.snapshot import ComparisonNow, Snapshot, VisitNow

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
        """Put the present offset on record, in visit and journal, and return it with its budget.

        A record opens a visit where there is none yet.

        Args:
            kind: as found, as left, or measured.
            counter: name of the counter; None: the only one.

        Raises:
            NoReadings: there is no offset with an uncertainty yet, or no readings come.
            UsageError: as `counter`; the watch or the visit is closed, or as found is on record and
                the trimmer was turned since.
        """
        return self._open_counter(counter).put_on_record(kind)

    def note(self, text: str, counter: str | None = None) -> None:
        """Add a note to the visit, and a mark to the time line.

        Args:
            text: of the note.
            counter: name of the counter; None: the only one.

        Raises:
            UsageError: as `counter`; the watch or the visit is closed, or there are no words.
        """
        if not text.strip():
            raise UsageError("a note has words: give some.")
        self._open_counter(counter).change_visit("note", text)

    def condition(self, name: str, value: str, counter: str | None = None) -> None:
        """Add a condition to the visit, such as ``room`` and ``21.5 C``.

        Args:
            name: of the condition, one word.
            value: of the condition, with its unit.
            counter: name of the counter; None: the only one.

        Raises:
            UsageError: as `counter`; the watch or the visit is closed, the name is not one word, or
                there is no value.
        """
        if len(name.split()) != 1 or not value.strip():
            raise UsageError("a condition has one word as its name, and a value: 'room', '21.5 C'.")
        self._open_counter(counter).change_visit("condition", f"{name} {value}")

    def close_visit(self, counter: str | None = None) -> None:
        """Close the visit; readings go on to the journal.

        Args:
            counter: name of the counter; None: the only one.

        Raises:
            UsageError: as `counter`; there is no visit, or it or the watch is closed.
            FileError: the register can't be written.
        """
        closing = self._open_counter(counter)
        if closing.pipeline.visit is None:
            raise UsageError("there is no visit, as nothing is kept: add journal='...'.")
        closing.change_visit("close visit", "")

    @property
    def visit(self) -> VisitNow | None:
        """The visit of the only counter: its ``number`` and ``unit``; None: there is no journal.

        Its number is None until it is in the register: from the first reading of a unit on, else
        from the first record, note or condition on.

        Raises:
            UsageError: there are several counters: `visit_of` names one.
        """
        return self.visit_of()

    def visit_of(self, counter: str | None = None) -> VisitNow | None:
        """Return the visit of a counter, as `visit` does.

        Args:
            counter: name of the counter; None: the only one.

        Raises:
            UsageError: as `counter`.
        """
        return self.counter(counter).pipeline.visit

    @property
    def outcome(self) -> RunOutcome | None:
        """Why the run ended; None while it runs."""
        return self._run.outcome

    def close(self) -> None:
        """End the run, release every instrument, close register and journal. May be called twice.

        Raises:
            FileError: something of the watch is not in the register or the journal.
        """
        if self._closed:
            return
        self._closed = True
        try:
            self._run.stop()
        finally:
            self._cleanup.close()

    def _open_counter(self, name: str | None) -> LiveCounter:
        """Return the handle to a counter as long as journal and register take what it says.

        Raises:
            UsageError: as `counter`, or the watch or the visit is closed.
        """
        if self._closed:
            raise UsageError("the watch is closed: begin another one.")
        counter = self.counter(name)
        if counter.pipeline.visit_is_closed():
            raise UsageError("the visit is closed: watch again to begin another one.")
        return counter

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
    unit: Units | None = None,
    new_unit: bool = False,
    resume: bool = True,
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
        journal: file that every reading is written to first, with the register of units and visits
            beside it; None: nothing is kept.
        unit: ident of the unit on the counter, or a mapping from names of counters to idents; its
            open visit goes on, else one begins. Nominal and limits that are not given come from
            the unit. None: those that the bench file names.
        new_unit: whether units are made that the register does not know.
        resume: whether open visits go on; else each counter begins a new one.

    Raises:
        UsageError: the arguments exclude each other, or one can't be used; there is no such unit.
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
    where = None if journal is None else journal_path(journal)
    with ExitStack() as stack:
        plans, units, described = stack.enter_context(
            plans_to_watch(
                resources,
                settings,
                bench=None if bench is None else Path(bench),
                sim=sim,
                seed=seed,
                unit=unit,
                register=None if where is None else register_path(where, simulated=sim is not None),
            )
        )
        if until_settled and any(plan.settle is None for plan in plans):
            raise UsageError("until_settled needs to know what settled means: add settle=...")
        for plan in plans:
            load_driver(plan.driver)
        library = backend or (described and described.backend) or DEFAULT_BACKEND
        check_backend(library)
        kept = None if where is None else Journal(where, exclusive=False)
        opened = WatchVisits(plans=tuple(plans))
        if kept is not None:
            stack.callback(kept.close)
            register = register_of(plans, kept.path)
            stack.callback(_close, register)
            new = NewUnits(
                may_make=lambda _ident, _like: new_unit,
                advice="Add new_unit=True to make it, or look at benchwatch.list_units.",
            )
            said = make_units(plans, units.known, register.register, new)
            register.notices += [said] * bool(said)  # it becomes a mark on the time line
            opened = open_visits(plans, register, kept.path, resumes=resume, at_once=False)
        run = LiveWatch(
            opened.plans,
            journal=kept,
            limits=limits,
            lines=True,
            acquire=partial(
                _acquire,
                open_link=partial(Buses().open_link, backend=library),
                load=load_driver,
                persistent=len(plans) > 1,
            ),
            earlier=opened.earlier,
            visits=opened.visits,
            register=opened.register,
        )
        return Watch(run, stack.pop_all())
    raise AssertionError


def _close(register: RegisterWriter) -> None:
    """Close the register of a watch.

    Raises:
        RegisterError: entries are not in the file.
    """
    left = register.close()
    if left:
        raise RegisterError(left)


def _acquire(**settings: Any) -> Acquisition:
    return Acquisition(**settings)
