"""A counter that is driven by a profile, in any of its three modes."""

import math
from collections import deque
from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING, Final

from benchwatch.counter import Identity, Link, Measurement, Setup, TimeBase
from benchwatch.errors import NotACounter, ReplyError, ReplyTimeout
from benchwatch.quantity import printable
from benchwatch_drivers.profile.arrivals import Arrivals
from benchwatch_drivers.profile.phase_slope import PhaseSlope
from benchwatch_drivers.profile.profile import Profile
from benchwatch_drivers.profile.profile_line import LineReader, LineReading
from benchwatch_drivers.profile.profile_query import ProfileQuery
from benchwatch_drivers.profile.profile_settings import ProfileSettings
from benchwatch_drivers.repeat_detection import RepeatDetector
from benchwatch_drivers.synchronised_query import Answer

if TYPE_CHECKING:
    from collections.abc import Callable

MOST_ODD_LINES: Final = 5
"""After so many odd lines and no reading ever, the counter is not that of the profile."""
DUPLICATE_S: Final = 0.005
"""No gate is so short: an equal line that follows so soon is a copy of the one before, on links
that can duplicate a line."""
DUPLICATE_SHARE: Final = 0.4
"""The same limit as a fraction of the usual time from line to line: a busy computer reads late."""
SPACINGS_KEPT: Final = 5
"""Number of newest times from line to line; their median is the usual time."""
POLL_S: Final = 0.02
MOST_LINES_AWAITED: Final = 4
"""Most lines that are waited for, each as long as it may take, until one holds a reading."""


class ProfileCounter:
    """Reads a counter by its profile; sends nothing that is not in the profile."""

    def __init__(self, link: Link, profile: Profile) -> None:
        self._link = link
        self._profile = profile
        self._reader = LineReader(profile)
        self._queries = ProfileQuery(link, profile.identity_query)
        self._settings = ProfileSettings(self._queries, profile)
        self._phase = PhaseSlope(profile.interval)
        self._repeats = RepeatDetector()
        self._drop_next = profile.mode == "stream" and not profile.line.keeps_first
        self._last = Answer(text="", arrived_s=-math.inf)
        self._last_line_s = -math.inf
        self._spacings_s: deque[float] = deque(maxlen=SPACINGS_KEPT)
        self._arrivals = Arrivals(link)
        self._counts_all = link.never_duplicates or profile.line.counts_doubled
        self._odd_lines = 0
        self._has_measured = False
        link.use_terminator(profile.line.terminator)
        self._next_line: Callable[[float], Answer] = {
            "query": self._query_line,
            "addressed": self._addressed_line,
            "stream": self._streamed_line,
        }[profile.mode]

    # ------------------------------------------------------------- what a counter offers

    @property
    def is_talk_only(self) -> bool:
        """True where readings come at the counter's own pace and nothing is sent for them."""
        return self._profile.mode == "stream"

    def identify(self) -> Identity:
        """Query the identity where the profile has a query for it; else return its family.

        Raises:
            NotACounter: no answer, or that of another instrument.
        """
        family = self._profile.family
        try:
            answer = self._queries.query_identity()
        except (ReplyTimeout, ReplyError) as error:
            raise NotACounter(
                f"no {family} answers at {printable(self._link.resource)}: "
                f"'{self._profile.identity_query}' got {str(error).split('. ', 1)[0]}. "
                "Check the address, or choose another driver."
            ) from error
        if answer is None:
            return Identity(text=family)
        shown, form = answer.strip(), self._profile.identity_pattern
        if not shown or not shown.isprintable() or (form and form.match(shown) is None):
            raise NotACounter(
                f"{printable(self._link.resource)} answers '{printable(answer)}' when asked who it "
                f"is, which is no {family}. Check the address, or choose another driver."
            )
        fields = [printable(field.strip()) for field in shown.split(",", 3)]
        return Identity.of_fields(printable(shown), fields if len(fields) == 4 else ())

    def configure(self, setup: Setup) -> Setup:
        """Set gate and channel where asked, and read them back where that can be done.

        Raises:
            UsageError: the profile has no command for that, or the counter refuses.
        """
        return self._settings.set(setup)

    def gate_s(self) -> float | None:
        """Return the gate in seconds: as queried, set or stated by the profile; else None."""
        if self._profile.measures == "interval":
            gate_s: float | None = float(self._profile.interval.spacing_s)
        else:
            gate_s = self._settings.gate_s()
        if gate_s is not None:  # an answer that can't be read changes nothing
            self._repeats.gate_s = self._queries.busy_s = gate_s
        return gate_s

    def time_base(self) -> TimeBase:
        """Query which time base is in use, where the profile has a query for it."""
        return self._settings.time_base()

    def measure(self, timeout_s: float) -> Measurement:
        """Wait for one reading; each line may take as long as the profile says.

        Raises:
            ReplyTimeout: no line in time.
            ReplyError: a line that is no reading.
            NotACounter: several such lines, and never a reading.
        """
        line_s = self._longest_wait_s(timeout_s)
        deadline = self._link.now() + line_s * (
            1 if self._profile.hands_out_newest else MOST_LINES_AWAITED
        )
        while self._link.now() <= deadline:
            try:
                measurement = self._measure_once(line_s)
            except (ReplyTimeout, ReplyError):
                self._phase.restart()
                raise
            if measurement is not None:
                self._has_measured = True
                return self._with_waiting(measurement)
        raise ReplyTimeout(
            f"no new reading within {line_s:.3g} s. Check the counter's signal and trigger."
        )

    def release(self) -> None:
        """Return the front panel to local, if anything was set and the profile has the command."""
        self._settings.release()

    def measurement_rejected(self) -> None:
        """Note that a reading was implausible: it may have been the answer to another query."""
        self._queries.mark_unsynchronised()

    def retry_unanswered(self) -> None:
        """Allow queries of settings that went unanswered again."""
        self._queries.clear_unanswered()

    def discard_waiting_lines(self) -> None:
        """Discard the lines that wait by now: no reading was wanted meanwhile."""
        self._arrivals.discard_waiting_lines()

    # ------------------------------------------------------------- one line

    def _measure_once(self, timeout_s: float) -> Measurement | None:
        """Read one line; None when it is no reading, and the next one is to be awaited."""
        line = self._next_line(timeout_s)
        reading = self._read(line.text)
        if reading is None:
            return None
        if self._profile.measures == "interval":
            return None if line.repeat else self._from_interval(reading, line.arrived_s)
        if self._profile.hands_out_newest:
            return self._new_result(reading, line.arrived_s)
        return Measurement(
            value_hz=reading.value,
            resolution_hz=reading.resolution,
            repeat=line.repeat,
            arrived_s=line.arrived_s,
            dated_by_pace=line.waited,
        )

    def _read(self, text: str) -> LineReading | None:
        try:
            return self._reader.read(text)
        except ReplyError as error:
            self._queries.mark_unsynchronised()
            self._odd_lines += 1
            if self._odd_lines >= MOST_ODD_LINES and not self._has_measured:
                raise NotACounter(
                    f"{printable(self._link.resource)} sends lines that are none of a "
                    f"{self._profile.family}: {error} Choose another driver."
                ) from error
            raise

    def _from_interval(self, reading: LineReading, arrived_s: float) -> Measurement | None:
        if reading.value is None:
            self._phase.restart()
            return Measurement(value_hz=None, resolution_hz=0.0, arrived_s=arrived_s)
        offset = self._phase.add(reading.value, arrived_s)
        if offset is None:
            return None
        form = self._profile.interval
        rate_hz = 1 / form.period_s
        resolution_hz = reading.resolution / float(form.spacing_s) * float(rate_hz)
        return Measurement(
            value_hz=rate_hz * (1 + offset),
            resolution_hz=resolution_hz,
            arrived_s=arrived_s,
            offset=offset,
        )

    def _new_result(self, reading: LineReading, arrived_s: float) -> Measurement | None:
        if reading.value is None:
            self._link.pause(self._repeats.gate_s or 0.5)
            return Measurement(value_hz=None, resolution_hz=0.0, arrived_s=arrived_s)
        new = self._repeats.judge(reading.value, reading.resolution, arrived_s, POLL_S)
        if new is None:
            self._link.pause(POLL_S)
            return None
        return Measurement(
            value_hz=reading.value,
            resolution_hz=reading.resolution,
            repeat=not new,
            arrived_s=arrived_s,
        )

    # ------------------------------------------------------------- one line in each mode

    def _query_line(self, timeout_s: float) -> Answer:
        question = self._profile.reading
        assert question is not None
        if self._profile.hands_out_newest or self._profile.measures == "interval":
            return Answer(text=self._queries.query(question, timeout_s), arrived_s=self._link.now())
        return self._queries.query_reading(question, timeout_s)

    def _addressed_line(self, timeout_s: float) -> Answer:
        if self._profile.reading is not None:
            return self._query_line(timeout_s)
        try:
            if self._drop_next:
                self._queries.read(timeout_s)
                self._drop_next = False
            return self._dated_line(self._queries.read(timeout_s), self._link.arrived_s)
        except ReplyTimeout:
            self._drop_next = True  # the missed reading may still come, and would be stamped now
            raise

    def _streamed_line(self, timeout_s: float) -> Answer:
        """Wait for a line that was read from its beginning to its end."""
        try:
            if self._drop_next:
                self._queries.read(timeout_s)
                self._drop_next = False
            text = self._queries.read(timeout_s)
            while (arrived_s := self._arrivals.newest_s()) is None:
                self._phase.restart()
                text = self._queries.read(timeout_s)
            return self._dated_line(text, arrived_s)
        except ReplyTimeout:
            self._arrivals.restart()
            self._drop_next = not self._profile.line.keeps_first
            if self._repeats.gate_s is not None:
                raise
            raise ReplyTimeout(
                f"no line within {timeout_s:.3g} s. Check signal and cable of "
                f"{printable(self._link.resource)}. Are its gates longer? Say so in a profile: "
                '[gate] fixed = "100 s".'
            ) from None

    def _with_waiting(self, measurement: Measurement) -> Measurement:
        """Add to a measurement how many undated lines came before it, and whether it had waited."""
        undated, waited = self._arrivals.undated_before(), self._arrivals.waited
        if not (undated or waited):
            return measurement
        return replace(
            measurement, dated_by_pace=measurement.dated_by_pace or waited, undated_before=undated
        )

    def _dated_line(self, text: str, arrived_s: float) -> Answer:
        """Note when a line without a query came, and whether it is a copy of the one before.

        A program writes blocks of lines, equal ones among them; each of them counts.
        """
        line_s = arrived_s if self._arrivals.waited else self._link.now()
        before_s = self._last_line_s
        since_s, soon_s, self._last_line_s = line_s - before_s, DUPLICATE_S, line_s
        if len(self._spacings_s) == SPACINGS_KEPT:
            soon_s = max(soon_s, DUPLICATE_SHARE * median(self._spacings_s))
        repeat = since_s < soon_s and text == self._last.text and not self._counts_all
        if not repeat and math.isfinite(since_s):
            self._spacings_s.append(since_s)
        self._last = Answer(text=text, arrived_s=arrived_s, repeat=repeat)
        return self._last

    def _longest_wait_s(self, timeout_s: float) -> float:
        """Return how long a line may take, in seconds, by the profile; at least `timeout_s`."""
        gate_s, margin_s = self._repeats.gate_s, self._profile.timeout_margin_s
        if gate_s is None:
            return timeout_s if margin_s is None else max(timeout_s, margin_s)
        own_s = (self._profile.timeout_gates - 1) * gate_s
        return timeout_s + own_s + (margin_s or 0.0)
