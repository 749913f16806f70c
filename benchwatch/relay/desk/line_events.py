"""Makes events of the lines of one counter elsewhere: readings, gaps and marks.

Pure: it has no connection, clock or thread. Lines go in with the time at which they came.
"""

import math
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from benchwatch.estimate.reading_spacing import ReadingSpacing
from benchwatch.plan import PLAUSIBLE_OFFSET
from benchwatch.quantity import difference, format_duration, format_frequency, round_nominal
from benchwatch.reading import (
    OVERRANGE,
    TOOL_WORDS,
    TYPED,
    Event,
    Gap,
    Mark,
    Reading,
    Touch,
)
from benchwatch.relay.desk.station_line import GapLine, MarkLine, ReadLine, StationLine
from benchwatch.relay.desk.station_times import StationTimes
from benchwatch.relay.payload import PayloadRefused

HOLE_SPACINGS: Final = 2.5
"""A longer time between two readings than so many usual ones is a hole, unless the station says
why."""
LONGER_GATE: Final = 1.25
"""A gate that is longer than the last one by more than this factor was set anew."""
CLOCK_OFF_S: Final = 10.0
"""From which difference on it is said that the clocks of station and desk differ."""
MANY_RUNS_S: Final = 30.0
"""An older run is taken again only after the newer one gave no line for so long."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """When a line came to this desk."""

    elapsed_s: float
    """Seconds of the desk's run."""
    utc_s: float
    """Unix seconds by the desk's clock."""


class LineEvents:
    """Makes the events of one counter, in order.

    Args:
        counter: its name at the desk.
        station: its station, for sentences; printable.
        nominal: in hertz, as typed at the desk; None: what the station states.
    """

    def __init__(self, counter: str, station: str, nominal: Decimal | None) -> None:
        self._counter, self._station = counter, station
        self._typed = nominal
        self._stated: Decimal | None = None
        self._guessed: Decimal | None = None
        self._times = StationTimes()
        self._spacing = ReadingSpacing()
        self._run: int | None = None
        self._number = 0
        self._last: Reading | None = None
        self._last_line: StationLine | None = None
        """That of `_last`."""
        self._last_arrived_s = -math.inf
        self._explained_s = -math.inf
        """Up to when (seconds of the station's run) a gap of the station says what is missing."""
        self._lost: str | None = None
        """Why lines may not have come since the last one; None: no reason is known."""
        self._says_clock = True
        self._longer_gate_s = 0.0
        """The gate since it was set to a longer one; 0: it was not."""
        self.every_s = 0.0
        """How often lines were asked for: each, or one in so many seconds."""
        self.interval_s: float | None = None
        """Usual time between two readings as the station states it; None: unknown."""

    @property
    def nominal(self) -> Decimal | None:
        """The nominal in hertz; None while unknown."""
        return self._typed or self._stated or self._guessed

    @property
    def spacing_s(self) -> float | None:
        """Usual time between two lines, in seconds; None while unknown."""
        usual_s = self._spacing.usual_s or self.interval_s
        if usual_s is None:
            return None
        least_s = 0.0 if self._spacing.usual_s else self._longer_gate_s
        return max(usual_s, self.every_s, least_s)

    @property
    def last(self) -> Reading | None:
        """The newest reading."""
        return self._last

    def set_nominal(self, nominal: Decimal) -> None:
        """Use a nominal that is typed at the desk, in hertz, from the next line on."""
        self._typed = nominal

    def state_nominal(self, nominal: Decimal | None) -> None:
        """Use the nominal that the station states, in hertz, unless one was typed here."""
        self._stated = nominal

    def lost(self, reason: str) -> None:
        """Note why lines may not come from now on; the first reason counts until a reading comes.

        Args:
            reason: a few words, such as ``the broker was away``.
        """
        if self._lost is None and self._last is not None:
            self._lost = reason

    def take(self, line: StationLine, arrival: Arrival) -> list[Event]:
        """Return the events of a line, the gap before it first; none for a line that came before.

        Raises:
            PayloadRefused: a reading that is not plausible.
        """
        events: list[Event] = []
        if line.run != self._run:
            if self._is_of_older_run(line, arrival):
                return []
            nominal = self._nominal_for(line.content)  # a refused line begins no run
            events += self._begin_run(line, arrival)
        elif self._came_before(line):
            return []
        else:
            nominal = self._nominal_for(line.content)
        self._number = max(self._number, line.number or 0)
        self._last_arrived_s = arrival.elapsed_s
        utc_s = arrival.utc_s if line.utc_s is None else line.utc_s
        if isinstance(line.content, ReadLine):
            return [*events, *self._take_reading(line, line.content, nominal, utc_s, arrival)]
        at_s = self._times.at(line.elapsed_s, arrival.elapsed_s)
        match line.content:
            case GapLine(lasted_s=lasted_s):
                events += self._gap_before(line, at_s)
                events.append(self._station_gap(line.content, utc_s, at_s))
                self._explained_s = line.elapsed_s + lasted_s
            case MarkLine(text=text):
                events.append(self._mark_or_touch(text, utc_s, at_s))
        return events

    # ------------------------------------------------------------- readings

    def _nominal_for(self, content: object) -> Decimal | None:
        """Return what a reading is relative to, in hertz; None: overrange, or no reading.

        Raises:
            PayloadRefused: the reading is nowhere near it.
        """
        if not isinstance(content, ReadLine) or content.value_hz is None:
            return None
        value = content.value_hz
        nominal = self.nominal
        if content.dial_hz is not None:
            nominal = Decimal(repr(content.dial_hz))
        elif nominal is None:
            nominal = self._guessed = round_nominal(value)
        if nominal is None:
            raise PayloadRefused(
                f"a reading of {format_frequency(value)} is near no round number: say what it "
                "should be, such as --nominal 10MHz"
            )
        if abs(value - nominal) > PLAUSIBLE_OFFSET * nominal:
            raise PayloadRefused(
                f"a reading of {format_frequency(value)} is nowhere near the nominal of "
                f"{format_frequency(nominal)}"
            )
        return nominal

    def _take_reading(
        self,
        line: StationLine,
        read: ReadLine,
        nominal: Decimal | None,
        utc_s: float,
        arrival: Arrival,
    ) -> list[Event]:
        if self._last_line is not None and line.elapsed_s <= self._last_line.elapsed_s:
            raise PayloadRefused("the time of a reading lies before that of the reading before")
        last_gate_s = None if self._last is None else self._last.gate_s
        if read.gate_s and last_gate_s and read.gate_s > LONGER_GATE * last_gate_s:
            self._spacing, self._longer_gate_s = ReadingSpacing(), read.gate_s
        at_s = self._times.place(
            line.run,
            line.elapsed_s,
            read.gate_s,
            arrival.elapsed_s,
            waited=line.number is None,
        )
        events: list[Event] = list(self._gap_before(line, at_s))
        if self._says_clock and line.utc_s is not None:
            self._says_clock = False
            events += self._clock_mark(line.utc_s, arrival)
        frequency_hz = offset_hz = offset = math.nan
        if read.value_hz is not None and nominal is not None:
            frequency_hz = float(read.value_hz)
            offset_hz, offset = difference(read.value_hz, nominal)
        reading = Reading(
            counter=self._counter,
            utc_s=utc_s,
            elapsed_s=at_s,
            gate_s=read.gate_s,
            text=read.text,
            frequency_hz=frequency_hz,
            offset_hz=offset_hz,
            offset=offset,
            resolution_hz=read.resolution_hz,
            flags=read.flags,
            correction=read.correction,
            dial_hz=None if OVERRANGE in read.flags else read.dial_hz,
        )
        self._spacing.add(line.elapsed_s)
        self._last, self._last_line, self._lost = reading, line, None
        return [*events, reading]

    def _clock_mark(self, utc_s: float, arrival: Arrival) -> list[Event]:
        """Say once that the station's clock differs from this computer's."""
        off_s = utc_s - arrival.utc_s
        if abs(off_s) <= CLOCK_OFF_S:
            return []
        side = "ahead of" if off_s > 0 else "behind"
        text = (
            f"the clock of {self._station} is {format_duration(abs(round(off_s)))} {side} this "
            "computer's: times of day are the station's"
        )
        return [self._mark(text, utc_s, arrival.elapsed_s)]

    # ------------------------------------------------------------- gaps and runs

    def _gap_before(self, line: StationLine, at_s: float) -> list[Gap]:
        """Return the gap of lines that did not get here, up to a line at `at_s` of this run."""
        last, last_line, until_s = self._last, self._last_line, line.elapsed_s
        if last is None or last_line is None or TYPED in last.flags:
            return []
        # What the station itself has reported as a gap, it has said itself.
        since_s = max(last_line.elapsed_s, self._explained_s)
        spacing_s = self.spacing_s
        missing = 0
        if spacing_s is not None and spacing_s > 0.0:
            missing = round((until_s - since_s) / spacing_s) - 1
            is_hole = until_s - since_s > HOLE_SPACINGS * spacing_s
        else:
            is_hole = False
        if line.number is not None and last_line.number is not None:
            missing = min(missing, line.number - last_line.number - 1)
        if missing < 1 or not (is_hole or self._lost):
            return []
        self._spacing.gap()
        return [
            Gap(
                counter=self._counter,
                utc_s=last.utc_s,
                elapsed_s=last.elapsed_s,
                lasted_s=max(at_s - last.elapsed_s, 0.0),
                reason=self._missing_words(missing, line.unsent),
            )
        ]

    def _missing_words(self, missing: int, unsent: int | None) -> str:
        """Write how many lines did not get here, why, and what has them."""
        lines = "about a line" if missing == 1 else f"about {missing} lines"
        why = "" if self._lost is None else f" ({self._lost})"
        if unsent is None:
            kept = f"the journal of {self._station} has them"
        elif unsent == 0:
            kept = "the central record has them"
        else:
            kept = f"{self._station} still sends them to the central record"
        return f"{lines} did not get here{why}; {kept}"

    def _station_gap(self, gap: GapLine, utc_s: float, at_s: float) -> Gap:
        self._spacing.gap()
        return Gap(
            counter=self._counter,
            utc_s=utc_s,
            elapsed_s=at_s,
            lasted_s=gap.lasted_s,
            reason=gap.reason,
        )

    def _came_before(self, line: StationLine) -> bool:
        """Return whether a line of the present run came already."""
        if line.number is not None:
            return line.number <= self._number
        last = self._last_line
        is_reading = isinstance(line.content, ReadLine)
        return is_reading and last is not None and line.elapsed_s <= last.elapsed_s

    def _is_of_older_run(self, line: StationLine, arrival: Arrival) -> bool:
        """Return whether a line is of an older run while a newer one goes on."""
        return (
            self._run is not None
            and line.run < self._run
            and arrival.elapsed_s - self._last_arrived_s < MANY_RUNS_S
        )

    def _begin_run(self, line: StationLine, arrival: Arrival) -> list[Event]:
        """Begin another run of the station; return its gap and its mark, if one was before."""
        before, last = self._run, self._last
        self._run, self._number = line.run, 0
        self._last_line, self._explained_s = None, -math.inf
        self._lost = None
        self._spacing.gap()
        if before is None or last is None:
            return []
        lasted_s = max(arrival.elapsed_s - last.elapsed_s, 0.0)
        return [
            Gap(
                counter=self._counter,
                utc_s=last.utc_s,
                elapsed_s=last.elapsed_s,
                lasted_s=lasted_s,
                reason=f"another run began at {self._station}",
            ),
            self._mark(f"another run began at {self._station}", arrival.utc_s, arrival.elapsed_s),
        ]

    def _mark_or_touch(self, text: str, utc_s: float, at_s: float) -> Mark | Touch:
        """Return a mark; one that says that the tool was put on or lifted is that touch."""
        for is_on, words in TOOL_WORDS.items():
            if text == words:
                return Touch(counter=self._counter, utc_s=utc_s, elapsed_s=at_s, on=is_on)
        return self._mark(text, utc_s, at_s)

    def _mark(self, text: str, utc_s: float, at_s: float) -> Mark:
        return Mark(counter=self._counter, utc_s=utc_s, elapsed_s=at_s, text=text)
