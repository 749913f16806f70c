"""Everything a front end may show of one counter at one moment, as one frozen record."""

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from benchwatch.counter import Identity, LinkStatus, TimeBase
from benchwatch.estimate.results import Nudge, Numbers, SettleLimit
from benchwatch.estimate.trim.trim_hint import COVERAGE_K, Direction, direction, estimate_at_rest
from benchwatch.reading import OTHER_DIAL, Event, Gap, Mark, Reading

if TYPE_CHECKING:
    from benchwatch.estimate.comparison.comparison_result import ComparisonResult
    from benchwatch.estimate.derived_frequencies import Elsewhere
    from benchwatch.estimate.dial_check_record import DialCheck
    from benchwatch.estimate.dither import Dither
    from benchwatch.estimate.stability.deviation_point import Deviation
    from benchwatch.estimate.trim.landing import LandingNow
    from benchwatch.estimate.trim.learned_turns import TurnSizes
    from benchwatch.estimate.trim.tool_pull import ToolState
    from benchwatch.estimate.trim.trim_hint import Hint, Judgement
    from benchwatch.estimate.uncertainty.offset_record import OffsetRecord


@dataclass(frozen=True, slots=True)
class Trace:
    """Points of a chart: columns of equal length, oldest first; offsets fractional, nan at gaps."""

    elapsed_s: tuple[float, ...] = ()
    offset: tuple[float, ...] = ()


LoggedKind = Literal[
    "mark", "nudge", "gap", "settle", "setting", "caution", "record", "tool",
    "condition", "visit", "power", "comparison", "check", "relay",
]  # fmt: skip
"""Kinds of entries of the event log. Those of ``relay`` are of this watch, and in no journal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimNow:
    """State of the trim: where the offset lies, and what to do next."""

    direction: Direction | None = None
    judgement: "Judgement | None" = None
    hint: "Hint | None" = None
    tool: "ToolState | None" = None
    landing: "LandingNow | None" = None
    turn: Nudge | None = None
    """The newest nudge that was a turn, and not the tool put on or lifted."""
    touched: bool = False
    """The tool has just been put on or lifted, and no reading shows the effect yet."""
    turns: "TurnSizes | None" = None
    """Usual sizes of the turns of this run; None while unknown."""
    left: float | None = None
    """Offset still to be trimmed (fractional, signed); None where it is not known, or the tool has
    just been put on or lifted."""
    left_u: float | None = None
    """Standard uncertainty of `left`."""
    lift: bool | None = None
    """Where the offset will lie if the tool is lifted now: well inside the tolerance (True) or at
    its edge (False); None: outside, not known yet, or the tool is not on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitNow:
    """The visit of a unit that a counter's readings belong to."""

    unit: str | None = None
    """Ident of the unit; None while the visit is nameless."""
    number: int | None = None
    """Number of the visit; None until it is in the register."""
    opened_utc_s: float | None = None
    """Unix seconds; None before the first entry."""
    closed: bool = False
    simulated: bool = False
    """Whether it is in the register of simulated benches."""
    asks_power: bool = False
    """Whether the operator is asked if the unit was switched off before this run."""
    trouble: str | None = None
    """Why entries are not reaching the register; None while they do."""
    chain: str = ""
    """What the newest comparison on record says of the measuring chain; empty without one."""
    chain_utc_s: float | None = None
    """When that was put on record, Unix seconds."""
    report: str = ""
    """Where the newest report was written that this watch issued, and its issue; empty: none."""
    report_s: float | None = None
    """When that was, in seconds of the run."""


@dataclass(frozen=True, slots=True)
class Records:
    """Offsets that were put on record, each with its budget."""

    as_found: "OffsetRecord | None" = None
    as_found_automatic: bool = False
    """Whether `as_found` was recorded automatically, from the quiet stretch before the first
    nudge."""
    as_left: "OffsetRecord | None" = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmUp:
    """The warm-up since power-on, and the offset that it ends at."""

    since_s: float = 0.0
    """Time of power-on, in seconds of the run; the run's beginning when nothing better is known."""
    curve: Trace = field(default_factory=Trace)
    """The fitted curve; it may reach past the present."""
    end: float | None = None
    """The offset (fractional) that the curve ends at; None while unknown."""
    end_u: float | None = None
    limit: SettleLimit | None = None
    """Limit of the drift that counts as settled; None without one."""


Change = Literal["nudge", "settled"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StabilityNow:
    """Deviations of the run so far, computed about once a second and not with every reading."""

    deviations: "tuple[Deviation, ...]" = ()
    without_drift: "tuple[Deviation, ...]" = ()
    """Deviations after removing a linear drift; empty when not computed."""
    dither: "Dither | None" = None
    """Spread of the last minute."""
    readings: int = 0
    span_s: float = 0.0
    since: Change | None = None
    """The change at which the fields below begin: the last nudge or the settling, whichever was
    later; None: neither yet."""
    since_s: float = 0.0
    """Time of the change `since`, in seconds of the run."""
    since_deviations: "tuple[Deviation, ...]" = ()
    since_without_drift: "tuple[Deviation, ...]" = ()
    since_readings: int = 0
    since_span_s: float = 0.0


@dataclass(frozen=True, slots=True)
class ElsewhereNow:
    """The offset expressed at other frequencies, and as a clock's gain in seconds per day."""

    rows: "tuple[Elsewhere, ...]" = ()
    gain_s_per_day: float | None = None
    gain_u_s_per_day: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceNow:
    """What a counter counts by, and whether that is good enough for the tolerance."""

    name: str
    u: float | None = None
    """Standard uncertainty with ageing, fractional; None: not stated."""
    expanded: float | None = None
    """The same at k = 2."""
    tolerance: float | None = None
    """Fractional; None without one."""
    ratio: float | None = None
    """Tolerance over `expanded`; None where one of them is not known."""
    common_ratio: float = 4.0
    """Smallest ratio by common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofInUse:
    """The comparison by which the readings of a counter are corrected."""

    against: str
    """The counter that it was compared with."""
    offset: float
    """Offset of the time base that is put right, fractional."""
    u: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonNow:
    """The comparison of counters on one signal; it belongs to the watch, and not to one counter."""

    counters: tuple[str, ...]
    result: "ComparisonResult | None" = None
    """None before the first readings that are of one time."""
    utc_s: float = 0.0
    """When it was worked out, Unix seconds."""
    elapsed_s: float = 0.0
    """The same in seconds of the run."""
    waits: str = ""
    """What it waits for; empty while all counters are compared."""
    stands: bool = False
    """Whether there are enough readings for its answer to be put on record by itself."""
    recorded_s: float | None = None
    """When it was last put on record, in seconds of the run; None: not yet."""
    recorded_text: str = ""
    recorded_agree: bool | None = None
    """Whether the counters agreed, as it is on record."""
    recorded_began_s: float = -math.inf
    """When the comparison on record had begun anew last, seconds of the run."""
    """What was put on record."""
    sentences: tuple[str, ...] = ()
    """What it says."""
    answer: str = ""
    """The same in short."""
    more: str = ""
    """What a longer comparison would tell; empty while that is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedEvent:
    """One entry of the event log."""

    utc_s: float
    elapsed_s: float
    kind: LoggedKind
    text: str = ""
    """Text for people; empty for a nudge."""
    nudge: Nudge | None = None
    record: "OffsetRecord | None" = None
    """The offset that was put on record; `text` states who did it, and its cautions."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Playback:
    """Position and speed of a recording that is played."""

    state: Literal["playing", "paused", "seeking", "ended"]
    at_s: float
    """Seconds from the recording's beginning."""
    length_s: float
    speed: float
    """Recorded seconds per second."""
    length: Literal["so far", "whole", "broken"] = "whole"
    """Whether `length_s` covers the part read so far, the whole file, or the part up to damage."""


CheckPhase = Literal["dial", "reading", "back"]
"""Where the walk through dial settings is: the unit is to be dialled to a setting, readings gather
there, or the unit is to be dialled back to the main one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRow:
    """One dial setting: what was found there, or is being found."""

    setting_hz: float
    check: "DialCheck | None" = None
    """None: nothing was read there yet."""
    is_open: bool = False
    """Whether it is being checked now."""
    words: str = ""
    """The verdict, or what would tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksNow:
    """The checks of a unit at other dial settings."""

    rows: tuple[CheckRow, ...] = ()
    phase: CheckPhase | None = None
    """None: nothing is to be dialled."""
    setting_hz: float | None = None
    """The setting of the open check; None without one."""
    dialled_hz: float | None = None
    """The setting that the newest reading was taken at; None: the main one."""
    reading: Reading | None = None
    """The newest reading at another setting; None while the unit is at the main one."""
    instruction: str = ""
    """What to do next."""
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayNow:
    """How sending events of a station to the central record stands."""

    unsent: int | None = None
    """Events of the station that are not in the central record yet; None: not known."""
    behind: bool = False
    """Whether so many events are unsent, or for so long, that a person should know."""
    trouble: str = ""
    """What keeps them from being sent, for people; empty while nothing does, or only briefly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The state of one counter after one event."""

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
    """Newest entries of the event log, oldest first; None when there is no log."""
    spacing_s: float | None = None
    """Usual time between two readings; None while it is not known."""
    not_on_disk: int | None = None
    """Readings and notes that wait for the journal; None without a journal."""
    visit: VisitNow | None = None
    """None without a register: a replay, or a watch that keeps nothing."""
    reference: ReferenceNow | None = None
    """None before the first reading."""
    proof: ProofInUse | None = None
    """The comparison by which readings are corrected; None: by none."""
    question: str | None = None
    """The question whether the nominal is right, while readings are far off and another fits."""
    checks: ChecksNow | None = None
    """Checks at other dial settings; None without any."""
    run: int | None = None
    """Key of the run that events belong to; None without a journal."""
    number: int | None = None
    """Number in the journal of the newest reading, gap or mark; None without one."""
    station: str | None = None
    """The station elsewhere that reads the counter; None: it is read here."""
    relay: RelayNow | None = None
    """How sending to the central record stands; None: nothing is sent."""

    @property
    def dialled_hz(self) -> float | None:
        """The other setting that the unit is dialled to, in hertz; None: at the main one."""
        return None if self.checks is None else self.checks.dialled_hz

    @property
    def aim(self) -> float:
        """The offset (fractional) to trim to: zero, or the tool's pull while it is on."""
        tool = self.trim.tool if self.trim is not None else None
        return tool.aim if tool is not None else 0.0

    @property
    def side(self) -> Direction:
        """The side of the aim on which the offset lies; `undecided` also without an estimate."""
        if self.trim is not None and self.trim.direction is not None:
            return self.trim.direction
        estimate, tolerance = estimate_at_rest(self.numbers), self.numbers.tolerance
        if estimate is None:
            return "undecided"
        return direction(estimate, None if tolerance is None else tolerance.limit, self.aim)

    @property
    def tolerances_from_aim(self) -> float:
        """Distance of the offset from the aim in tolerances; nan while unknown.

        Without a tolerance the unit is the expanded uncertainty (k = `COVERAGE_K`).
        """
        estimate, tolerance = estimate_at_rest(self.numbers), self.numbers.tolerance
        if estimate is None:
            return math.nan
        reach = COVERAGE_K * (estimate.u or 0.0) if tolerance is None else tolerance.limit
        return abs(estimate.offset - self.aim) / reach if reach > 0.0 else math.nan

    def utc_at(self, at_s: float) -> float | None:
        """Return the Unix time of `at_s`, seconds of the run; None where readings have no date."""
        reading = self.reading
        if reading is None or not math.isfinite(reading.utc_s):
            return None
        return reading.utc_s - (reading.elapsed_s - at_s)

    def corrected(self, event: Event) -> Event:
        """Return `event`, which led to this snapshot; a reading is returned corrected."""
        if isinstance(event, Reading) and OTHER_DIAL in event.flags:
            return event if self.checks is None else self.checks.reading or event
        if not isinstance(event, Reading) or self.reading is None:
            return event
        # One that is over range during a check changes nothing here: this reading is then older.
        return self.reading if self.reading.elapsed_s == event.elapsed_s else event
