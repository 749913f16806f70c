"""The units and visits of a watch: looked up, made if they may be, opened or resumed.

Commands and scripts use it; what is asked of a person, and how it is said, is theirs.
"""

from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from benchwatch.clock import SystemClock
from benchwatch.errors import RegisterError, UsageError
from benchwatch.journal.resume import EarlierRuns
from benchwatch.pipeline.event_log import resumed_words
from benchwatch.plan import Plan
from benchwatch.quantity import printable
from benchwatch.register import RegisterFile, Unit, read_register, register_path
from benchwatch.register.register_writer import RegisterWriter
from benchwatch.register.visit_writer import VisitWriter
from benchwatch.run.visit_start import earlier_runs, start_visits, unit_of_plan
from benchwatch.snapshot import Records


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchVisits:
    """The visits of a watch, by name of the counter."""

    plans: tuple[Plan, ...] = ()
    """The counters, each completed from the unit whose visit goes on."""
    register: RegisterWriter | None = None
    """None: nothing is kept."""
    visits: dict[str, VisitWriter] = field(default_factory=dict)
    earlier: dict[str, EarlierRuns] = field(default_factory=dict)
    passed_over: tuple[str, ...] = ()
    """A sentence for each open visit that goes on only when its unit is named."""
    sentences: tuple[str, ...] = ()
    """A sentence for each visit that goes on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitsOnBench:
    """The units that were named for a watch, by name of the counter."""

    idents: dict[str, str] = field(default_factory=dict)
    known: dict[str, Unit] = field(default_factory=dict)
    """Those that the register has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewUnits:
    """Whether and how units are made that the register does not know."""

    may_make: Callable[[str, str], bool]
    """Is asked for each unit; takes its ident, and a sentence on one that is spelled much alike."""
    advice: str
    """What to do where none is made, for the error message."""


def look_up_units(
    idents: dict[str, str], register: Path | None, *, asked: bool, missing: str
) -> UnitsOnBench:
    """Look up units in the register.

    Args:
        idents: their idents, by name of the counter.
        register: path of the register; None: nothing is kept.
        asked: whether they were asked for, and do not come from a bench file alone.
        missing: the error message where they were asked for, and nothing is kept.

    Raises:
        UsageError: one unit is on two counters, or units were asked for and nothing is kept.
    """
    if register is None:
        if asked:
            raise UsageError(missing)
        return UnitsOnBench()
    if len(set(idents.values())) < len(idents):
        raise UsageError("one unit is given to two counters: a unit has one at a time.")
    known: dict[str, Unit] = {}
    with suppress(RegisterError), read_register(register) as reader:  # making them reports it
        for name, ident in idents.items():
            unit = reader.unit(ident)
            if unit is not None:
                known[name] = unit
    return UnitsOnBench(idents=idents, known=known)


def make_units(
    plans: Sequence[Plan], known: Collection[str], register: RegisterFile, new: NewUnits
) -> str:
    """Make the units of `plans` that the register does not know.

    Args:
        plans: the counters.
        known: names of the counters whose units there are.
        register: the register.
        new: whether and how they are made.

    Returns:
        A sentence on the units that could not be written; empty without any.

    Raises:
        UsageError: there is no such unit, and it was not to be made.
    """
    missing: list[str] = []
    why = ""
    for plan in plans:
        ident = plan.unit
        if ident is None or plan.name in known:
            continue
        try:
            with read_register(register.path) as reader:
                like = reader.like(ident)
            there_is = "" if like is None else f" There is {like}."
            if not new.may_make(ident, there_is):
                raise UsageError(f"there is no unit {ident} yet.{there_is} {new.advice}")
            register.add([unit_of_plan(ident, plan).draft()])
        except RegisterError as error:
            missing.append(ident)
            why = str(error)
    if not missing:
        return ""
    units = f"unit {missing[0]} is" if len(missing) == 1 else f"units {', '.join(missing)} are"
    return f"{why} The {units} not in it; the watch goes on."


def open_visits(
    plans: Sequence[Plan], register: RegisterWriter, journal: Path, *, resumes: bool, at_once: bool
) -> WatchVisits:
    """Return the visits of the planned counters: open ones go on, unless `resumes` is False.

    Args:
        plans: the counters; their units are in the register already.
        register: what the visits are written to.
        journal: the journal, beside which the register is.
        resumes: whether open visits go on.
        at_once: whether a new visit begins with its first reading; that of a unit always does.
    """
    clock = SystemClock()
    starts = start_visits(
        plans, register, journal, clock=clock, resumes=resumes, begins_at_once=at_once
    )
    several = len(plans) > 1
    return WatchVisits(
        plans=tuple(start.plan for start in starts.values()),
        register=register,
        visits={name: start.writer for name, start in starts.items()},
        earlier=earlier_runs(starts),
        passed_over=tuple(
            f"visit {visit.number} of {printable(visit.unit or '')} is open on this counter; it "
            "goes on only where its unit is named with --unit."
            for start in starts.values()
            if (visit := start.passed_over) is not None
        ),
        sentences=tuple(
            f"{name}: " * several + resumed_words(earlier, clock.utc(), starts[name].writer.now)
            for name, earlier in sorted(earlier_runs(starts).items(), key=_least_known)
        ),
    )


def register_of(plans: Sequence[Plan], journal: Path) -> RegisterWriter:
    """Return the register beside a journal; simulated benches have one of their own."""
    simulated = any(plan.simulated is not None for plan in plans)
    return RegisterWriter(RegisterFile(register_path(journal, simulated=simulated)))


def _least_known(one: tuple[str, EarlierRuns]) -> tuple[bool, bool]:
    """Return a key by which visits with a record or a pull of the tool come first."""
    _, earlier = one
    return earlier.records == Records(), not earlier.samples
