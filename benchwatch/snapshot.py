"""Everything a front end may show of one counter at one moment, as one frozen record."""

from dataclasses import dataclass, field
from typing import Literal

from benchwatch.counter import Identity, TimeBase
from benchwatch.estimate.results import Numbers
from benchwatch.reading import Gap, Mark, Reading

LinkState = Literal["connecting", "reading", "silent", "lost", "ended"]
"""``connecting``: not yet open; ``reading``: readings come; ``silent``: open, but the next
reading is overdue; ``lost``: broken, trying again; ``ended``: the run is over."""


@dataclass(frozen=True, slots=True)
class Link:
    """State of the connection, and since when (monotonic seconds of the run)."""

    state: LinkState
    since_s: float
    detail: str = ""
    """A sentence for people: what failed and when the next try is."""


@dataclass(frozen=True, slots=True)
class Trace:
    """The recent past for the charts: equal-length columns, oldest first, nan at a gap."""

    elapsed_s: tuple[float, ...] = ()
    offset: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One counter, now."""

    counter: str
    resource: str
    nominal_hz: float
    link: Link
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
