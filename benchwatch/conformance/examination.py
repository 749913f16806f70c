"""Examines one counter through its driver, with queries only."""

import statistics
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from typing import Final

from benchwatch.acquire.retry_policy import RetryPolicy
from benchwatch.conformance.logged_link import LoggedLink, RecordedExchange
from benchwatch.counter import (
    Counter,
    Identity,
    Link,
    Measurement,
    TimeBase,
    plausible_gate_s,
)
from benchwatch.errors import (
    BenchwatchError,
    DriverError,
    LinkLost,
    NotACounter,
    ReplyError,
    ReplyTimeout,
)
from benchwatch.quantity import format_duration, format_frequency, printable, round_nominal

READINGS: Final = 8
FAILURES: Final = 3
"""After so many missing readings no more are taken."""
FAILING_S: Final = 30.0
"""Nor after so long without any: the timeout of a counter that does not report its gate."""
SLOW: Final = 1.5
"""A reading that takes longer than so many gates has dead time worth reporting."""
TIME_BASE_TEXT: Final = {
    "internal": "internal: it counts by its own oscillator, and can be no better than that",
    "external": "external",
    "unknown": "it can't tell; look at the front panel which oscillator it counts by",
}


@dataclass(frozen=True, slots=True)
class Check:
    """The result of one check."""

    name: str
    good: bool | None
    """None: it can't be determined, and that is no fault."""
    says: str
    """A sentence, or a part of one, for people."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExaminedReading:
    """One reading of an examination."""

    text: str
    """The line as the counter wrote it."""
    sent: str | None
    """The query it answered; None when it came without one."""
    measurement: Measurement
    took_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """The results of an examination."""

    resource: str
    identity: Identity | None
    gate_s: float | None
    time_base: TimeBase
    taken: tuple[ExaminedReading, ...]
    exchanges: tuple[RecordedExchange, ...]
    terminator: str = "\n"
    error: BenchwatchError | None = None
    """What ended the examination early."""

    @property
    def values(self) -> list[Decimal]:
        """The readings that are numbers."""
        return [
            taken.measurement.value_hz
            for taken in self.taken
            if taken.measurement.value_hz is not None and not taken.measurement.repeat
        ]


class Examination:
    """Checks one counter; iterating over it makes the checks, `findings` then holds the results.

    Args:
        link: an open link; its opener closes it.
        make: the driver: it makes a counter of the link.
        readings: how many to take.
    """

    def __init__(
        self, link: Link, make: Callable[[Link], Counter], *, readings: int = READINGS
    ) -> None:
        self._link = LoggedLink(link)
        self._make = make
        self._readings = readings
        self._identity: Identity | None = None
        self._gate_s: float | None = None
        self._time_base = TimeBase()
        self._taken: list[ExaminedReading] = []
        self._error: BenchwatchError | None = None

    def __iter__(self) -> Iterator[Check]:
        """Make the checks, and yield each result."""
        try:
            self._counter = self._make(self._link)
            yield from self._examined()
        except BenchwatchError as error:
            self._error = error
            yield Check("run", False, str(error))
        except Exception as error:  # noqa: BLE001 - a third party's driver may raise any
            text = f"the driver broke: {type(error).__name__}: {printable(str(error), 200)}"
            self._error = DriverError(f"{text}. This is a fault in the driver.")
            yield Check("run", False, text)
        yield self._nothing_set()

    def _examined(self) -> Iterator[Check]:
        try:
            yield from self._settings()
            yield from self._measuring()
        except BenchwatchError as error:
            self._error = error
            yield Check("run", False, str(error))
        try:
            self._link.topic = "release"
            self._counter.release()
        except (LinkLost, ReplyError) as error:
            yield Check("release", False, str(error))

    @property
    def findings(self) -> Findings:
        """The results until now."""
        return Findings(
            resource=self._link.resource,
            identity=self._identity,
            gate_s=self._gate_s,
            time_base=self._time_base,
            taken=tuple(self._taken),
            exchanges=tuple(self._link.exchanges),
            terminator=self._link.terminator,
            error=self._error,
        )

    # ------------------------------------------------------------- identity and settings

    def _settings(self) -> Iterator[Check]:
        link, counter = self._link, self._counter
        link.topic = "identity"
        began_s = link.now()
        self._identity = counter.identify()
        took = format_duration(max(link.now() - began_s, 0.0))
        asked = any(exchange.sent for exchange in link.about("identity"))
        how = f"answered in {took}" if asked else "can't be asked; the driver says so"
        yield Check(
            "identity", True if asked else None, f"{printable(self._identity.text)} ({how})"
        )
        link.topic = "time base"
        self._time_base = counter.time_base()
        source = self._time_base.source
        yield Check("time base", True if source == "external" else None, TIME_BASE_TEXT[source])
        link.topic = "gate"
        self._gate_s = plausible_gate_s(counter.gate_s())
        yield (
            Check(
                "gate", None, "it can't tell; a reading is waited for 30 s until its pace is known"
            )
            if self._gate_s is None
            else Check("gate", True, format_duration(self._gate_s))
        )

    # ------------------------------------------------------------- its readings

    def _measuring(self) -> Iterator[Check]:
        self._link.topic = "reading"
        retry_policy = RetryPolicy(persistent=True)
        failures: list[BenchwatchError] = []
        failing_s = 0.0
        while len(self._taken) < self._readings and len(failures) < FAILURES:
            began_s = self._link.now()
            try:
                measurement = self._counter.measure(retry_policy.timeout_s(self._gate_s))
            except NotACounter:
                raise
            except (ReplyTimeout, ReplyError) as error:
                failures.append(error)
                retry_policy.failed()
                failing_s += self._link.now() - began_s
                if failing_s >= FAILING_S and not self._taken:
                    break
                continue
            took_s = self._link.now() - began_s
            retry_policy.succeeded(took_s)
            line = self._last_line()
            self._taken.append(
                ExaminedReading(
                    text=line.received or "", sent=line.sent, measurement=measurement, took_s=took_s
                )
            )
        yield self._arrival(failures)
        if self._taken:
            yield self._pace()
            yield self._repeats()
            yield self._resolution()
            yield self._spread()

    def _last_line(self) -> RecordedExchange:
        answered = [line for line in self._link.about("reading") if line.received is not None]
        return (
            answered[-1]
            if answered
            else RecordedExchange(topic="reading", sent=None, received=None)
        )

    def _arrival(self, failures: list[BenchwatchError]) -> Check:
        asked = self._taken[-1].sent if self._taken else None
        how = f"asked by {printable(asked)}" if asked else "they come by themselves"
        if not self._taken:
            return Check("readings", False, f"none came: {failures[-1]}")
        overrange = sum(taken.measurement.value_hz is None for taken in self._taken)
        text = f"{len(self._taken)}, {how}"
        if overrange:
            text += f"; {overrange} of them overrange: check signal and input"
        if failures:
            text += f"; {len(failures)} did not come: {failures[-1]}"
        return Check("readings", not failures and not overrange, text)

    def _pace(self) -> Check:
        # a free-running counter returns its first reading in the middle of a gate
        first, *others = self._taken
        times = [t.took_s for t in others if not t.measurement.repeat] or [first.took_s]
        middle_s = statistics.median(times)
        text = f"{format_duration(middle_s)} each ({format_duration(min(times))} to "
        text += f"{format_duration(max(times))})"
        if self._gate_s is None:
            return Check("pace", None, text)
        if middle_s < self._gate_s / 2:
            return Check("pace", None, f"{text}, quicker than its gate: are they all new?")
        if middle_s > SLOW * self._gate_s:
            text += f": {format_duration(middle_s - self._gate_s)} of that is not the gate"
        return Check("pace", True, text)

    def _repeats(self) -> Check:
        again = sum(taken.measurement.repeat for taken in self._taken)
        if again:
            text = f"{again} of {len(self._taken)} were handed out a second time; marked, not used"
            return Check("repeats", None, text)
        values = self.findings.values
        equal = sum(one == next_one for one, next_one in pairwise(values))
        if equal and equal == len(values) - 1:
            return Check("repeats", None, "every reading is equal: is it measuring?")
        if equal:
            return Check("repeats", True, f"none known; {equal} came out equal to the one before")
        return Check("repeats", True, "none")

    def _resolution(self) -> Check:
        steps = [
            taken.measurement.resolution_hz
            for taken in self._taken
            if taken.measurement.value_hz is not None and taken.measurement.resolution_hz > 0
        ]
        values = self.findings.values
        if not steps or not values or values[-1] <= 0:
            return Check("resolution", None, "not known")
        step = max(steps)
        return Check(
            "resolution", True,
            f"last digit {step:.3g} Hz, {step / float(values[-1]):.2g} of the reading",
        )  # fmt: skip

    def _spread(self) -> Check:
        values = self.findings.values
        if not values:
            return Check("value", False, "no reading was a number")
        nominal = round_nominal(values[-1])
        near = f", near {format_frequency(nominal)}" if nominal is not None else ""
        if len(values) < 2:
            return Check("value", True, f"{values[-1]:f} Hz{near}")
        spread = statistics.stdev(float(value - values[0]) for value in values)
        return Check("value", True, f"{values[-1]:f} Hz{near}; they scatter by {spread:.2g} Hz")

    def _nothing_set(self) -> Check:
        commands = self._link.commands()
        if not commands:
            return Check("nothing set", True, "only questions were sent")
        shown = ", ".join(printable(text, 30) for text in commands[:5])
        return Check("nothing set", None, f"sent beside questions, to have readings: {shown}")
