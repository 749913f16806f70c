"""What the journals have of a visit, in bounded memory.

Times are Unix seconds, offsets are fractions.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from benchwatch.estimate.results import SettleState
from benchwatch.estimate.stability.deviation_point import Deviation
from benchwatch.register.issued_report import Fingerprint


@dataclass(frozen=True, slots=True, kw_only=True)
class ThinnedOffsets:
    """Offsets in time order, n points; where readings were joined, the lowest and the highest.

    A gap is a point with nan as `low` and `high`.
    """

    utc_s: tuple[float, ...] = ()
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()
    readings: int = 0
    """How many readings they stand for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredRun:
    """One run of the visit, as its journal has it."""

    key: int
    number: int | None = None
    """Its number in the journal; None: it is in no journal at hand, and only `key` is known."""
    journal: str = ""
    counter: str = ""
    identity: str = ""
    """What the counter answers to the question who it is; text of an instrument."""
    began_utc_s: float | None = None
    """When its first reading began."""
    ended_utc_s: float | None = None
    """Time of its newest entry; None without one."""
    end_reason: str = ""
    """Empty where it was cut off."""
    readings: int = 0
    """Measurements at the nominal: no repeated or overrange ones, none at other dial settings."""
    gaps: int = 0
    missing_s: float = 0.0
    """How long readings were missing within it; dialling to another setting is no gap."""
    gates_s: tuple[float, ...] = ()
    time_base: str = "unknown"
    """``external``, ``internal`` or ``unknown``; ``external and internal`` where it changed."""
    spikes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A nudge of the trimmer."""

    utc_s: float
    size: float
    u: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A stretch of time."""

    begin_utc_s: float
    end_utc_s: float | None = None
    """None: it lasts to the end of what was measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SettleMark:
    """A settle verdict that was new at its time."""

    utc_s: float
    state: SettleState
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StabilitySinceTurn:
    """Deviations of the readings since the last turn or, if later, since the tool was lifted.

    Without a turn they are those since the unit settled; if it never did, of all readings. Of
    several gates only the readings of that with most of them are used.
    """

    points: tuple[Deviation, ...]
    begin_utc_s: float
    end_utc_s: float
    readings: int
    spikes: int = 0
    counter: str = ""
    """Whose readings these are, where those of a counter before it are left out."""
    apart: int = 0
    """Readings of a counter before that one, which are not put together with these."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredVisit:
    """All that a report shows of the readings of one visit."""

    runs: tuple[MeasuredRun, ...] = ()
    offsets: ThinnedOffsets = field(default_factory=ThinnedOffsets)
    """The whole visit."""
    warm_up: ThinnedOffsets = field(default_factory=ThinnedOffsets)
    """From power-on up to the first turn; empty where nothing was read then."""
    power_on_utc_s: float | None = None
    """Begin of the warm-up, as far as it is known."""
    turns: tuple[Turn, ...] = ()
    tool_on: tuple[Span, ...] = ()
    settle_marks: tuple[SettleMark, ...] = ()
    gaps: tuple[Span, ...] = ()
    """Gaps and the pauses between runs, the longest ones where there are many."""
    stability: StabilitySinceTurn | None = None
    """None where too few readings came since the last turn."""
    fingerprint: Fingerprint | None = None
    """None without a reading."""
    notes: tuple[str, ...] = ()
    """Sentences on what could not be read: runs that are in no journal at hand, damage."""


def tool_spans(touches: Sequence[tuple[float, bool]]) -> tuple[Span, ...]:
    """Return the stretches in which the tool was on, from the touches in the order of time."""
    spans: list[Span] = []
    since_s: float | None = None
    for utc_s, on in touches:
        if on and since_s is None:
            since_s = utc_s
        elif not on and since_s is not None:
            spans.append(Span(begin_utc_s=since_s, end_utc_s=utc_s))
            since_s = None
    if since_s is not None:
        spans.append(Span(begin_utc_s=since_s))
    return tuple(spans)
