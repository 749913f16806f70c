"""Everything a front end may show of one counter at one moment, as one frozen record."""

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from benchwatch.counter import Identity, LinkStatus, TimeBase
from benchwatch.estimate.results import Nudge, Numbers, SettleLimit
from benchwatch.estimate.trim.trim_hint import COVERAGE_K, at_rest, direction
from benchwatch.reading import Event, Gap, Mark, Reading

if TYPE_CHECKING:
    from benchwatch.estimate.derived_frequencies import Elsewhere
    from benchwatch.estimate.dither import Dither
    from benchwatch.estimate.stability.deviation_point import Deviation
    from benchwatch.estimate.trim.landing import LandingNow
    from benchwatch.estimate.trim.learned_turns import TurnSizes
    from benchwatch.estimate.trim.tool_pull import ToolState
    from benchwatch.estimate.trim.trim_hint import Hint, Judgement
    from benchwatch.estimate.uncertainty.offset_record import OffsetRecord


@dataclass(frozen=True, slots=True)
class Trace:
    """The recent past for the charts: equal-length columns, oldest first, nan at a gap."""

    elapsed_s: tuple[float, ...] = ()
    offset: tuple[float, ...] = ()


Direction = Literal["high", "low", "inside", "undecided"]
"""Where the estimate lies, seen from where it should be: zero, or the aim while a tool pulls."""

LoggedKind = Literal["mark", "nudge", "gap", "settle", "setting", "caution", "record", "tool"]


@dataclass(frozen=True, slots=True)
class TrimNow:
    """How the turning of the trimmer stands."""

    direction: Direction | None = None
    judgement: "Judgement | None" = None
    hint: "Hint | None" = None
    tool: "ToolState | None" = None
    landing: "LandingNow | None" = None
    turn: Nudge | None = None
    """The newest nudge that was a turn, and not the tool put on or lifted."""
    touched: bool = False
    """The tool has just been put on or lifted; readings have not caught up with it yet."""
    turns: "TurnSizes | None" = None
    """What the turns of this run have in common; None while nothing is known."""
    left: float | None = None
    """Way to the aim (fractional), signed; None where that is not known, or the tool moves."""
    left_u: float | None = None
    """Standard uncertainty of `left`."""
    lift: bool | None = None
    """With the tool on: lifted now, the offset will lie well inside the tolerance (True) or at its
    edge (False); None where it lies outside, or can't be told yet."""


@dataclass(frozen=True, slots=True)
class Records:
    """Offsets that were put on record, each with its budget."""

    as_found: "OffsetRecord | None" = None
    as_found_kept: bool = False
    """Nobody asked for it: it is the last quiet stretch before the first nudge."""
    as_left: "OffsetRecord | None" = None


@dataclass(frozen=True, slots=True)
class WarmUp:
    """The way from power-on to where the oscillator is going."""

    since_s: float = 0.0
    """Power-on, in seconds of the run; the run's beginning when nothing better is known."""
    curve: Trace = field(default_factory=Trace)
    """The fitted curve; it may reach past the present."""
    end: float | None = None
    """The offset (fractional) that the curve goes to; None when it can't be told."""
    end_u: float | None = None
    limit: SettleLimit | None = None
    """What settled means; None when nobody asked."""


Change = Literal["nudge", "settled"]


@dataclass(frozen=True, slots=True)
class StabilityNow:
    """Deviations of the run so far; refreshed at leisure, not with every reading."""

    deviations: "tuple[Deviation, ...]" = ()
    without_drift: "tuple[Deviation, ...]" = ()
    """The same with a straight drift taken out first; empty when not worked out."""
    dither: "Dither | None" = None
    """Spread of the last minute."""
    readings: int = 0
    span_s: float = 0.0
    since: Change | None = None
    """What the rest is of: what came since the last nudge or the settling, whichever is later; None
    before there was any."""
    since_s: float = 0.0
    """When that was, in seconds of the run."""
    since_deviations: "tuple[Deviation, ...]" = ()
    since_without_drift: "tuple[Deviation, ...]" = ()
    since_readings: int = 0
    since_span_s: float = 0.0


@dataclass(frozen=True, slots=True)
class ElsewhereNow:
    """The offset at the frequencies the oscillator serves, and on a clock."""

    rows: "tuple[Elsewhere, ...]" = ()
    gain_s_per_day: float | None = None
    gain_u_s_per_day: float | None = None


@dataclass(frozen=True, slots=True)
class LoggedEvent:
    """Something worth a line in the notes."""

    utc_s: float
    elapsed_s: float
    kind: LoggedKind
    text: str = ""
    """For people; a nudge needs none."""
    nudge: Nudge | None = None
    record: "OffsetRecord | None" = None
    """The offset that was put on record; `text` says how, and what spoke against it."""


@dataclass(frozen=True, slots=True)
class Playback:
    """Where the replay of a recording stands."""

    state: Literal["playing", "paused", "seeking", "ended"]
    at_s: float
    """Seconds from the recording's beginning."""
    length_s: float
    speed: float
    """Recorded seconds a second."""
    length: Literal["so far", "whole", "broken"] = "whole"
    """Whether the file was read to its end by now, or can't be read on from there."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One counter, now."""

    counter: str
    resource: str
    nominal_hz: float
    link: LinkStatus
    identity: Identity | None = None
    time_base: TimeBase = field(default_factory=TimeBase)
    gate_s: float | None = None
    reading: Reading | None = None
    """The newest reading."""
    numbers: Numbers = field(default_factory=Numbers)
    readings: int = 0
    gaps: int = 0
    last_gap: Gap | None = None
    marks: tuple[Mark, ...] = ()
    journal_trouble: str | None = None
    """Why readings are not reaching the disk; None while they are."""
    trim: TrimNow | None = None
    records: Records | None = None
    warm_up: WarmUp | None = None
    stability: StabilityNow | None = None
    elsewhere: ElsewhereNow | None = None
    logged_events: tuple[LoggedEvent, ...] | None = None
    """Oldest first; None when nobody collects them."""
    spacing_s: float | None = None
    """Usual time between two readings; None while it is not known."""
    not_on_disk: int | None = None
    """Readings and notes that wait for the journal; None when they are kept nowhere."""
    question: str | None = None
    """Whether the nominal is right, where readings miss it by far and another one fits."""

    def told(self, event: Event) -> Event:
        """Return `event`, after which this is the state; a reading as it was put right."""
        return self.reading if isinstance(event, Reading) and self.reading else event


def aim(now: Snapshot) -> float:
    """Return the fraction the offset should have: zero, or the pull of a tool that is on."""
    tool = now.trim.tool if now.trim is not None else None
    return tool.aim if tool is not None else 0.0


def side(now: Snapshot) -> Direction:
    """Say on which side of the aim the offset lies; `undecided` also while there is none."""
    estimate, tolerance = at_rest(now.numbers), now.numbers.tolerance
    if now.trim is not None and now.trim.direction is not None:
        return now.trim.direction
    if estimate is None:
        return "undecided"
    return direction(estimate, None if tolerance is None else tolerance.limit, aim(now))


def times_out(now: Snapshot) -> float:
    """Return the distance to the aim in tolerances; without one, in what can be told apart.

    nan while it is not known.
    """
    estimate, tolerance = at_rest(now.numbers), now.numbers.tolerance
    if estimate is None:
        return math.nan
    reach = COVERAGE_K * (estimate.u or 0.0) if tolerance is None else tolerance.limit
    return abs(estimate.offset - aim(now)) / reach if reach > 0.0 else math.nan
