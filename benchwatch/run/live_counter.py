"""The handle to one counter of a live watch: its state, and what the operator can do to it."""

import math
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal

from benchwatch.acquire import TypedAcquisition
from benchwatch.clock import Clock
from benchwatch.counter import Setup
from benchwatch.errors import UnknownUnit, UsageError
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.pipeline.event_log import settled_words, tolerance_words
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import PLAUSIBLE_OFFSET, Plan, Setting, VisitChange
from benchwatch.quantity import (
    OffsetUnit,
    format_duration,
    format_frequency,
    how_many,
    parse_duration,
    parse_frequency,
    parse_settle,
    parse_tolerance,
    printable,
    write_fraction,
)
from benchwatch.reading import AS_FOUND, MEASURED, POWER_WORDS, TYPED, RecordKind, Touch
from benchwatch.register import Unit, read_ident, read_register
from benchwatch.register.visit_writer import CLOSED_ALREADY, refuse_other_unit
from benchwatch.relay.desk.relayed_acquisition import RelayedAcquisition, gate_refused
from benchwatch.run.any_acquisition import AnyAcquisition
from benchwatch.run.check_walk import CheckWalk
from benchwatch.run.stated_settings import StatedSettings
from benchwatch.run.visit_start import unit_of_plan, with_unit
from benchwatch.snapshot import RelayNow, Snapshot, Trace
from benchwatch.staleness import is_current


class LiveCounter:
    """One counter of a watch; every method returns at once and may be called from any thread.

    Args:
        pipeline: makes the counter's snapshots.
        clock: dates the operator's commands.
        origin_s: monotonic seconds at which the run began.
    """

    takes_commands = True
    acquisition: AnyAcquisition | None = None
    """The thread that reads the counter; None before the run is started."""

    def __init__(self, pipeline: Pipeline, clock: Clock, origin_s: float) -> None:
        self.pipeline = pipeline
        self._clock = clock
        self._origin_s = origin_s
        self.check_walk = CheckWalk(pipeline)
        self.stated = StatedSettings(pipeline, self._now)
        """Takes what the station of a counter elsewhere states."""
        self.looked_at_s = -math.inf
        """When its trace was fetched last, as for a chart on a screen; monotonic seconds."""

    @property
    def snapshot(self) -> Snapshot:
        """The newest snapshot of the counter."""
        return self.pipeline.snapshot

    @property
    def plan(self) -> Plan:
        """What is asked of the counter now."""
        return self.pipeline.plan

    def show_relay(self, now: RelayNow, text: str) -> None:
        """Show how sending to the central record stands; a `text` becomes a note on the screen."""
        self.pipeline.show_relay(now, text, *self._now())

    def trace(self, span_s: float, points: int) -> Trace:
        """Return the last `span_s` seconds in at most `points` points."""
        self.looked_at_s = self._clock.monotonic()
        if isinstance(self.acquisition, RelayedAcquisition):
            self.acquisition.looked_at_s = self.looked_at_s
        return self.pipeline.trace(span_s, points)

    @property
    def enter(self) -> Callable[[str], None] | None:
        """Takes a typed line as the next reading; None unless a person types them here.

        It raises `QuantityError` where the line is no reading, and waits no longer than
        `benchwatch.acquire.typed_acquisition.TAKEN_S`.
        """
        acquisition = self.acquisition
        if isinstance(acquisition, TypedAcquisition) and acquisition.source is None:
            return acquisition.enter
        return None

    def touch(self, *, on: bool) -> None:
        """Report that the tool is on the trimmer of the oscillator, or off."""
        utc_s, elapsed_s = self._now()
        self.pipeline.take(
            Touch(counter=self.pipeline.plan.name, utc_s=utc_s, elapsed_s=elapsed_s, on=on)
        )

    def record(self, kind: RecordKind, unit: OffsetUnit | None = None) -> str:
        """Put the present offset on record; return a sentence that states it, in `unit`.

        Raises:
            NoReadings: there is no offset to record yet, or readings have stopped.
            UsageError: the visit is closed.
        """
        record = self.put_on_record(kind)
        offset = write_fraction(record.offset, record.u, unit)
        least = " (uncertainty at least that)" if record.budget.missing else ""
        but = f"; caution: {record.caution}" if record.caution else ""
        visit = self.snapshot.visit
        waits = visit is not None and visit.trouble is not None
        not_yet = "; it waits for the register, which can't be written" if waits else ""
        readings = how_many(record.readings, "reading")
        return f"{kind}: {offset}{least}, from {readings}{but}{not_yet}"

    def put_on_record(self, kind: RecordKind) -> OffsetRecord:
        """Put the present offset on record and return it with its budget.

        Raises:
            NoReadings: there is no offset to record yet, or readings have stopped.
            UsageError: the visit is closed, the unit is dialled elsewhere, or as found is on record
                and the trimmer was turned since.
        """
        self._refuse_elsewhere("offsets are put on record")
        self._refuse_closed()
        self._refuse_dialled()
        if kind == AS_FOUND:
            self._refuse_false_as_found()
        return self.pipeline.record(kind, *self._now())

    # ------------------------------------------------------------ checks at other dial settings

    @property
    def dialled(self) -> Decimal | None:
        """The other setting that the unit is dialled to, in hertz; None: the main one."""
        hertz = self.snapshot.dialled_hz
        return None if hertz is None else Decimal(repr(hertz))

    @property
    def nominal_at_start(self) -> Decimal | None:
        """The nominal that the plan states, in hertz; None: the first reading gives it.

        While the unit is dialled elsewhere no reading can give it: that of the earlier runs counts.
        """
        planned, resumed_hz = self.pipeline.plan.nominal, self.pipeline.resumed_nominal
        if planned is None and self.dialled is not None and resumed_hz is not None:
            return Decimal(repr(resumed_hz))
        return planned

    def check(self, text: str) -> str:
        """Begin checks as typed; return a sentence. See `benchwatch.run.check_walk`.

        Raises:
            QuantityError: the text is no frequency.
            UsageError: there is nothing to check, or the visit is closed.
        """
        self._refuse_elsewhere("checks are made")
        self._refuse_closed()
        return self.check_walk.begin(text, self.acquisition)

    def go_on_checking(self) -> str:
        """Say that the unit is dialled, or go on to the next setting; return a sentence.

        Raises:
            UsageError: there is nothing to check.
        """
        self._refuse_elsewhere("checks are made")
        return self.check_walk.go_on(self.acquisition)

    # ------------------------------------------------------------ the visit

    def change_visit(self, change: VisitChange, text: str) -> str:
        """Change the visit; return a sentence for the operator.

        Raises:
            UnknownUnit: the visit was to be that of a unit which is not known yet.
            UsageError: the change can't be made now, or `text` is not of its form.
            NoReadings: there is no offset to record yet, or readings have stopped.
            RegisterError: the register can't be read or written.
        """
        self._refuse_elsewhere("its unit and visit are kept, with their notes and records,")
        now = self._now()
        said = ""
        if change not in {"new visit", "close visit"}:
            self._refuse_closed()
        match change:
            case "unit" | "new unit":
                said = self._name_unit(text, make=change == "new unit")
            case "note":
                self.pipeline.note(text, *now)
                said = f"noted: {printable(text)}"
            case "condition":
                said = self._add_condition(text)
            case "record":
                said = self.record(MEASURED)
            case "switched off" | "stayed on":
                was_off = change == "switched off"
                self.pipeline.answer_power(*now, was_off=was_off)
                said = POWER_WORDS[was_off]
            case "new visit":
                self.pipeline.begin_another_visit(*now)
                said = "a new visit begins; name its unit with :unit"
            case "close visit":
                self.pipeline.change_visit(lambda visit: visit.close(*now))
                said = "the visit is closed; readings go on to the journal"
        return said

    def note_report(self, number: int, text: str) -> None:
        """Log that a report on visit `number` was issued; `text` says where it was written."""
        now = self._now()
        self.pipeline.change_visit(lambda visit: visit.note_report(number, text, *now))

    def _add_condition(self, text: str) -> str:
        name, _, value = text.strip().partition(" ")
        if not name or not value.strip():
            raise UsageError("a condition is a name and a value, such as: condition room 21.5 C")
        value, now = value.strip(), self._now()
        self.pipeline.change_visit(lambda visit: visit.add_condition(name, value, *now))
        return f"condition: {printable(name)} {printable(value)}"

    def _name_unit(self, text: str, *, make: bool) -> str:
        """Give the nameless visit its unit; `make` one that the register does not know."""
        ident = read_ident(text)
        unit = self._find_or_make(ident, make=make)
        now = self._now()
        self.pipeline.change_visit(lambda visit: visit.name_unit(ident, *now))
        self.pipeline.use_unit(with_unit(replace(self.pipeline.plan, unit=None), unit), *now)
        return f"this is the visit of {printable(ident)}"

    def _refuse_false_as_found(self) -> None:
        """Refuse to replace as found once the trimmer was turned: it can't be measured again.

        Raises:
            UsageError: it is refused.
        """
        records, trim = self.snapshot.records, self.snapshot.trim
        found = None if records is None else records.as_found
        if found is not None and trim is not None and trim.turn is not None:
            raise UsageError(
                f"as found is on record ({write_fraction(found.offset, found.u)}), and the trimmer "
                "was turned since: nothing was recorded. :record takes a plain measurement."
            )

    def _refuse_dialled(self) -> None:
        """Refuse to put the main offset on record while the unit is dialled elsewhere.

        Raises:
            UsageError: it is dialled to another setting.
        """
        now = self.snapshot
        if now.dialled_hz is not None:
            raise UsageError(
                f"the unit is dialled to {format_frequency(now.dialled_hz)}: nothing was recorded. "
                f"Dial it back to {format_frequency(now.nominal_hz)} first."
            )

    def _refuse_elsewhere(self, what: str) -> None:
        """Refuse what belongs to the station of a counter elsewhere.

        Raises:
            UsageError: the counter is elsewhere.
        """
        station = self.plan.station
        if station is not None:
            raise UsageError(
                f"{self.plan.name} is read at {station}, and {what} there: nothing was changed."
            )

    def _refuse_closed(self) -> None:
        """Refuse to put anything more into a visit that is closed.

        Raises:
            UsageError: it is closed, perhaps by another program.
        """
        if self.pipeline.visit_is_closed():
            raise UsageError(f"{CLOSED_ALREADY}.")

    def _find_or_make(self, ident: str, *, make: bool) -> Unit:
        register = self.pipeline.register
        if register is None:
            raise UsageError("there is no visit to name: this watch keeps nothing (--no-journal).")
        visit = self.snapshot.visit
        if visit is not None:
            refuse_other_unit(visit, ident)
        with read_register(register.path) as reader:
            unit, like = reader.unit(ident), reader.like(ident)
            other = reader.open_visit_of(ident)
        if other is not None and (visit is None or visit.number != other.number):
            sim = " --sim" if visit is not None and visit.simulated else ""
            raise UsageError(
                f"{ident} has visit {other.number} open. Close it first (benchwatch visits close "
                f"{other.number}{sim}), or go on with it: watch --unit {ident}."
            )
        if unit is not None:
            return unit
        if not make:
            known = f" There is {like}." if like is not None else ""
            raise UnknownUnit(f"there is no unit {ident} yet.{known}")
        unit = unit_of_plan(ident, self.pipeline.plan, self._nominal())
        register.add([unit.draft()])
        return unit

    # ------------------------------------------------------------ settings

    def change(self, setting: Setting, text: str) -> str:
        """Change a setting to the value typed in `text`; return a sentence for the operator.

        A gate is set between two readings; later snapshots show the gate that was read back.

        Raises:
            QuantityError: the text is not a value of this setting.
            UsageError: there is no such setting, or the counter reads nowhere near the nominal.
        """
        match setting:
            case "tolerance":
                limit = parse_tolerance(text, self._nominal())
                self.pipeline.set_limits(*self._now(), tolerance=limit)
                return tolerance_words(limit)
            case "settle":
                settle = SettleLimit(*parse_settle(text, self._nominal()))
                self.pipeline.set_limits(*self._now(), settle=settle)
                return settled_words(settle)
            case "gate" if self.plan.station is not None:
                raise UsageError(gate_refused(self.plan.name, self.plan.station))
            case "gate":
                gate_s = parse_duration(text)
                assert self.acquisition is not None
                self.acquisition.request(Setup(gate_s=gate_s))
                if isinstance(self.acquisition, TypedAcquisition):
                    return f"gate {format_duration(gate_s)}, as you say that it is set"
                return f"asked the counter for a gate of {format_duration(gate_s)}"
            case "nominal":
                return self._change_nominal(parse_frequency(text))
        raise UsageError(f"there is no setting '{setting}'.")

    def _change_nominal(self, nominal: Decimal) -> str:
        """Compare readings with `nominal` from the next one on; the numbers restart."""
        if nominal == self._nominal():
            return f"nominal {format_frequency(nominal)}, as it was"
        self._refuse_implausible(nominal)
        assert self.acquisition is not None
        self.acquisition.set_nominal(nominal)
        return f"nominal {format_frequency(nominal)}; the numbers begin anew"

    def _refuse_implausible(self, nominal: Decimal) -> None:
        """Refuse a nominal that would make every reading of the connected source implausible.

        Raises:
            UsageError: the current reading is nowhere near it.
        """
        now = self.snapshot
        reading = now.reading
        if reading is None or not is_current(now, self._now()[1]):
            return  # another source may have been connected since
        if TYPED in reading.flags:
            return  # the first one may have been mistyped, and have given the nominal
        far = abs(reading.frequency_hz - float(nominal)) > float(PLAUSIBLE_OFFSET * nominal)
        if not (far and math.isfinite(reading.frequency_hz)):
            return
        raise UsageError(
            f"the counter reads {format_frequency(reading.frequency_hz)}, which is nowhere near "
            f"{format_frequency(nominal)}: the nominal stays as it was. Type the nominal of the "
            "source that is connected, or connect the other one first."
        )

    def _nominal(self) -> Decimal | None:
        """Return the nominal in hertz; None while it is not known."""
        hertz = self.snapshot.nominal_hz
        return Decimal(repr(hertz)) if math.isfinite(hertz) else None

    def _now(self) -> tuple[float, float]:
        """Return the time: Unix seconds, and seconds of the run."""
        return self._clock.utc(), self._clock.monotonic() - self._origin_s
