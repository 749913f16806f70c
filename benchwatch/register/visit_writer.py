"""Writes what happens in the visit of one counter: opening, runs, records, remarks, closing."""

import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from decimal import Decimal
from typing import Any, Final

from benchwatch.clock import Clock, SystemClock
from benchwatch.errors import RegisterError, UsageError
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.register.register_entry import Draft, EntryKind, RegisterEntry, number_in
from benchwatch.register.register_file import SIMULATED_FILE_NAME, RegisterFile
from benchwatch.register.register_reader import read_register
from benchwatch.register.register_writer import RegisterWriter
from benchwatch.register.registered_unit import Unit, hertz_text
from benchwatch.register.visit import WATCHED, Visit, VisitRecord
from benchwatch.register.visit_closing import close_visit
from benchwatch.snapshot import VisitNow

CLOSED_ALREADY: Final = "this visit is closed: type :new visit to begin another"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOfVisit:
    """The run as its entry in a visit states it."""

    run: int = 0
    """Key of the run in the journal."""
    journal: str = ""
    """File name of the journal."""
    counter: str = ""
    resource: str = ""


def refuse_other_unit(visit: VisitNow, ident: str) -> None:
    """Refuse to give a visit the unit `ident` if it has another one, or is closed.

    Raises:
        UsageError: it is refused.
    """
    if visit.closed:
        raise UsageError(f"{CLOSED_ALREADY}.")
    if visit.unit not in {None, ident}:
        raise UsageError(
            f"this is the visit of {visit.unit}: type :new visit to begin another, or put its name "
            "right with benchwatch visits amend."
        )


@dataclass(slots=True)
class _OpenVisit:
    """What changes of the visit while a watch lasts."""

    name: str | None = None
    """``CHAIN/NUMBER``; None until its first entry is in the register."""
    unit: str | None = None
    opened_utc_s: float | None = None
    began: bool = False
    """Whether this run is part of it, in the register or among the entries that wait."""
    closed: bool = False
    tolerance: float | None = None
    """The tolerance that the register has of it, fractional."""
    settle: str = ""
    """The settle limit that the register has of it, in words."""
    pulls: tuple[tuple[float, float | None], ...] = ()
    """Measured pulls of the tool as written last."""
    chain: str = ""
    """What the newest comparison on record says; empty without one."""
    chain_utc_s: float | None = None
    """When it was put on record."""


class VisitWriter:
    """The visit of one counter of a watch; every method may be called from any thread.

    Nothing is written before `begin` or the first entry, so that a watch that only looks leaves
    no visit behind.

    Args:
        writer: where entries are written.
        visit: the open visit that goes on; None: a new one.
        unit: ident of the unit; None: that of `visit`, or nameless.
        incomplete: the unit, if the register does not know its nominal yet.
        earlier_runs: runs of the journal that belong to the visit and are not in it yet.
        begins_at_once: whether the first reading opens the visit, and not only a first entry.
        asks_power: whether the operator is asked if the unit was switched off before this run.
        clock: dates the entries.
    """

    def __init__(
        self,
        writer: RegisterWriter,
        *,
        visit: Visit | None = None,
        unit: str | None = None,
        incomplete: Unit | None = None,
        earlier_runs: Sequence[RunOfVisit] = (),
        begins_at_once: bool = False,
        asks_power: bool = False,
        clock: Clock | None = None,
    ) -> None:
        self._writer, self._earlier_runs = writer, tuple(earlier_runs)
        self._run, self._incomplete = RunOfVisit(), incomplete
        self._asks_power = asks_power
        self.begins_at_once = begins_at_once
        self._clock = clock or SystemClock()
        self._lock = threading.RLock()
        self._now = _OpenVisit(unit=unit)
        if visit is not None:
            self._now = _OpenVisit(
                name=visit.name,
                unit=unit or visit.unit,
                opened_utc_s=visit.opened_utc_s,
                tolerance=visit.tolerance,
                settle=visit.settle,
                pulls=visit.pulls,
            )
            proven = visit.comparison
            if proven is not None:
                self._now.chain, self._now.chain_utc_s = proven.text, proven.at_utc_s

    @property
    def now(self) -> VisitNow:
        """What is known of the visit now."""
        now = self._now
        number = None if now.name is None else number_in(now.name)
        return VisitNow(
            unit=now.unit,
            number=number,
            opened_utc_s=now.opened_utc_s,
            closed=now.closed,
            simulated=self.register.path.name == SIMULATED_FILE_NAME,
            asks_power=self._asks_power,
            trouble=self._writer.trouble,
            chain=now.chain,
            chain_utc_s=now.chain_utc_s,
        )

    def attach(self, run: RunOfVisit) -> None:
        """State the run that entries belong to from now on; needed before anything is written."""
        self._run = run

    @property
    def register(self) -> RegisterFile:
        """The file that is written to."""
        return self._writer.register

    def begin(
        self,
        nominal: Decimal | None = None,
        tolerance: float | None = None,
        settle: str = "",
    ) -> None:
        """Open the visit, if it is a new one, and add this run to it; only once.

        Args:
            nominal: hertz; None: not known.
            tolerance: fractional; None without one.
            settle: the settle limit in words; empty without one.
        """
        with self._lock:
            now = self._now
            if now.began:
                return
            now.began = True
            drafts = []
            if self._incomplete is not None and nominal is not None:
                unit = replace(self._incomplete, nominal_hz=nominal)
                self._writer.add(lambda: [unit.draft()], lambda _: None)
            if now.name is None:
                opening = {
                    "source": WATCHED,
                    "counter": self._run.counter,
                    "resource": self._run.resource,
                    "nominal_hz": hertz_text(nominal),
                    "tolerance": tolerance,
                    "settle": settle,
                }
                now.tolerance, now.settle = tolerance, settle
                drafts.append(self._draft("visit", opening))
                now.opened_utc_s = self._clock.utc()
            drafts += [self._draft("run", asdict(run)) for run in (*self._earlier_runs, self._run)]
            self._add(drafts)

    def write_record(self, record: OffsetRecord, *, automatic: bool) -> None:
        """Add a record; `automatic`: the program made it, and not a command."""
        values = {"record": record.as_dict(), "automatic": automatic, "run": self._run.run}
        self._write("record", values)

    def write_note(self, text: str) -> None:
        """Add a note."""
        self._write("note", {"text": text, "run": self._run.run})

    def write_condition(self, name: str, text: str) -> None:
        """Add a condition, such as ``room`` and ``21.5 C``."""
        self._write("condition", {"name": name, "text": text, "run": self._run.run})

    def write_limits(self, tolerance: float | None, tolerance_text: str, settle: str) -> None:
        """Add limits that hold from now on, as conditions, where the register has others.

        A visit that has not begun is opened with its limits, so nothing is added to it.

        Args:
            tolerance: fractional; None: without one, and nothing is added of it.
            tolerance_text: the same in words.
            settle: the settle limit in words; empty: without one, and nothing is added of it.
        """
        with self._lock:
            now = self._now
            if not now.began:
                return
            if tolerance is not None and tolerance != now.tolerance:
                now.tolerance = tolerance
                self._write_limit("tolerance", tolerance_text, {"tolerance": tolerance})
            if settle and settle != now.settle:
                now.settle = settle
                self._write_limit("settle limit", settle, {"settle": settle})

    def write_comparison(self, text: str, values: Mapping[str, Any]) -> None:
        """Add a comparison of counters, which proves the measuring chain.

        Args:
            text: what it says, in one sentence.
            values: its numbers, for JSON.
        """
        with self._lock:
            self._now.chain, self._now.chain_utc_s = text, self._clock.utc()
            self._write("comparison", {"text": text, "comparison": values, "run": self._run.run})

    def write_check(self, text: str, values: Mapping[str, Any]) -> None:
        """Add a check at another dial setting: what it says, and its numbers for JSON."""
        self._write("check", {"text": text, "check": values, "run": self._run.run})

    def write_power(self, text: str) -> None:
        """Add whether the unit was switched off between two runs: that is answered now."""
        self._asks_power = False
        self._write("power", {"text": text, "run": self._run.run})

    def write_pulls(self, samples: Sequence[tuple[float, float | None]]) -> None:
        """Add the measured pulls of the tool (size and u, fractional), if they have changed."""
        with self._lock:
            if samples and tuple(samples) != self._now.pulls:
                self._now.pulls = tuple(samples)
                pulls = [list(one) for one in samples]
                self._write("tool", {"samples": pulls, "run": self._run.run})

    def recorded_as_found(self) -> VisitRecord | None:
        """Return the record as found that the register has of this visit; None without one.

        Another watch of the unit may have made it. A register that can't be read gives none.
        """
        name = self._now.name
        if name is None:
            return None
        with suppress(RegisterError), read_register(self.register.path) as register:
            visit = register.visit(name)
            return None if visit is None else visit.as_found
        return None

    def is_closed(self) -> bool:
        """Return whether the visit is closed, perhaps by another program.

        A register that can't be read is not asked.
        """
        with self._lock:
            now = self._now
            if not now.closed and now.name is not None:
                with suppress(RegisterError), read_register(self.register.path) as register:
                    now.closed = register.is_closed(now.name)
            return now.closed

    def name_unit(self, ident: str) -> None:
        """Give the nameless visit its unit.

        Raises:
            UsageError: it has another unit already, or is closed.
        """
        with self._lock:
            refuse_other_unit(self.now, ident)
            if self._now.unit == ident:
                return
            self._now.unit = ident
            if self._now.name is not None or self._now.began:
                self._write("named", {})

    def close(self) -> None:
        """Close the visit.

        Raises:
            UsageError: it is closed already, perhaps by another program.
        """
        with self._lock:
            self._refuse_closed()
            self.begin()
            now = self._now
            if now.name is None or self._writer.trouble is not None:
                self._add([self._draft("closed", {})])
            else:
                try:
                    close_visit(self._writer.register, now.name, now.unit)
                except RegisterError:
                    self._add([self._draft("closed", {})])
                except UsageError:  # another program has closed it
                    now.closed = True
                    raise
            now.closed = True

    def begin_another(self) -> None:
        """Go on with a new, nameless visit; the old one stays as it is."""
        with self._lock:
            self._now, self._earlier_runs = _OpenVisit(), ()
            self._asks_power = False

    # ------------------------------------------------------------ called with the lock held

    def _refuse_closed(self) -> None:
        if self._now.closed:
            raise UsageError(f"{CLOSED_ALREADY}.")

    def _write(self, kind: EntryKind, values: dict[str, Any]) -> None:
        """Add an entry, unless the visit is closed: what comes then is in the journal only."""
        with self._lock:
            if self._now.closed:
                return
            self.begin()
            self._add([self._draft(kind, values)])

    def _write_limit(self, name: str, text: str, limit: dict[str, Any]) -> None:
        self._write("condition", {"name": name, "text": text, "run": self._run.run, **limit})

    def _draft(self, kind: EntryKind, values: dict[str, Any]) -> Draft:
        return Draft(kind=kind, document=values, unit=self._now.unit, at_utc_s=self._clock.utc())

    def _add(self, drafts: Sequence[Draft]) -> None:
        """Add drafts to the visit; its name is known once its first entry is written."""
        visit = self._now

        def make() -> list[Draft]:
            return [replace(draft, visit=visit.name) for draft in drafts]

        def take(entries: Sequence[RegisterEntry]) -> None:
            visit.name = entries[-1].visit

        self._writer.add(make, take)
