"""The interfaces of a counter and its link, and the records that pass between.

A driver is a class that takes a `Link` and fulfils `Counter`. Every driver, bundled or not, is
published under the entry-point group ``benchwatch.drivers`` (see `benchwatch.driver_registry`).
"""

import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import KW_ONLY, dataclass, field, fields
from decimal import Decimal
from typing import Final, Literal, Protocol, Self

TimeBaseSource = Literal["internal", "external", "unknown"]
DEFAULT_DRIVER: Final = "scpi"
"""Driver of an instrument for which none is named."""
LONGEST_GATE_S: Final = 100_000.0
"""A little more than a day: no counter has a longer gate, and no wait may last for ever."""


def plausible_gate_s(gate_s: float | None) -> float | None:
    """Return the gate that a counter reported, in seconds; None where that is no possible gate."""
    return gate_s if gate_s is not None and 0 < gate_s <= LONGEST_GATE_S else None


@dataclass(frozen=True, slots=True)
class Identity:
    """The identity of an instrument; all texts are the instrument's own."""

    text: str
    """The whole identity reply, or a family such as ``talk-only counter``; printable."""
    _: KW_ONLY
    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""

    @classmethod
    def of_fields(cls, text: str, values: Sequence[str]) -> Self:
        """Return the identity in a reply with the fields maker, model, serial and firmware."""
        return cls(
            text=text, **dict(zip(("maker", "model", "serial", "firmware"), values, strict=False))
        )


@dataclass(frozen=True, slots=True)
class TimeBase:
    """The oscillator that counts the seconds: the counter's own, or one connected to it."""

    source: TimeBaseSource = "unknown"


@dataclass(frozen=True, slots=True)
class Setup:
    """Settings that the operator requested; None leaves a setting as it is."""

    gate_s: float | None = None
    channel: int | None = None

    @property
    def is_empty(self) -> bool:
        """True when nothing is to be set on the instrument."""
        return self.gate_s is None and self.channel is None


@dataclass(frozen=True, slots=True)
class Measurement:
    """One result of a counter, as measured, without a nominal."""

    value_hz: Decimal | None
    """Exact frequency; None when the counter reports overrange."""
    _: KW_ONLY
    resolution_hz: float = 0.0
    """Weight of the last digit written; 0 when unknown."""
    repeat: bool = False
    """The counter returned the same measurement again."""
    arrived_s: float | None = None
    """Monotonic time at which the reply was complete; None: the time of the return."""
    offset: Decimal | None = None
    """Fractional offset, only of a counter that compares phase: it holds for any nominal from which
    the pulses were divided. `value_hz` is then the rate of the pulses."""
    dated_by_pace: bool = False
    """The reading waited in a buffer; `arrived_s` was worked out from the counter's pace."""
    undated_before: int = 0
    """Readings right before it that waited to be read, could not be dated, and were dropped."""


class Link(Protocol):
    """The guarded session that a driver uses; one owner thread, whole lines only.

    Every method raises `LinkLost` when the peer is gone or the run is being stopped. Before a
    `query` the link drops all input that has come, so a late reply is never taken for the answer
    to a newer query. A reply that is still to come can't be dropped: after a `ReplyTimeout` a
    driver sends a query whose answer it knows (such as the identity), and skips lines until that
    answer comes.
    """

    @property
    def resource(self) -> str:
        """The resource string the link was opened with."""

    @property
    def never_duplicates(self) -> bool:
        """True of a file or a pipe: no line comes twice unless it was written twice."""

    @property
    def arrived_s(self) -> float:
        """Monotonic seconds at which the newest line came.

        Lines that were received together are spread evenly over the time since the read before.
        """

    @property
    def unpolled_s(self) -> float:
        """Time without a read before the newest line was received; the line came in that time."""

    @property
    def fetched_s(self) -> float:
        """Monotonic seconds at which the newest line, and all that waited with it, was received."""

    @property
    def lines_fetched(self) -> int:
        """Number of whole lines that were received together at `fetched_s`."""

    def now(self) -> float:
        """Return monotonic seconds, on the clock of the run."""

    def use_terminator(self, terminator: str) -> None:
        """End lines, both ways, with LF (the default), CR or CR LF from now on."""

    def write(self, command: str) -> None:
        """Send one command line; the terminator is added."""

    def read(self, timeout_s: float) -> str:
        """Return the next whole line, without its terminator, within `timeout_s`.

        Raises:
            ReplyTimeout: no whole line came; a line under way is dropped to its end.
            ReplyError: a line too long to be a reply.
        """

    def query(self, query: str, timeout_s: float) -> str:
        """Send `query` and return its reply line; raises as `read`."""

    def discard_input(self) -> None:
        """Drop all input until the line has been silent for a moment."""

    def pause(self, timeout_s: float) -> None:
        """Wait for `timeout_s`, or until the run is stopped."""

    def close(self) -> None:
        """Close the link; called by its opener, never by a driver."""


class OpenLink(Protocol):
    """A function that opens a link, such as `benchwatch.bus.Buses.open_link`."""

    def __call__(self, resource: str, *, cancel: threading.Event) -> Link:
        """Open `resource`; every wait of the link ends when `cancel` is set."""


LinkState = Literal["connecting", "reading", "silent", "lost", "ended"]
"""``connecting``: not yet open; ``reading``: readings come; ``silent``: open, but the next
reading is overdue; ``lost``: broken, trying again; ``ended``: the run is over."""


NEXT_TRY: Final = "Next try in"
"""Begins the sentence that says when a lost link is tried again."""


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """State of the connection, and the time since which it lasts (seconds of the run)."""

    state: LinkState
    since_s: float
    detail: str = ""
    """A sentence for people: what failed, and how long from then on to the next try."""
    next_try_s: float | None = field(default=None, kw_only=True)
    """Time of the next try, seconds of the run; None where none is planned."""

    def detail_at(self, now_s: float) -> str:
        """Return `detail` with the time from `now_s` (seconds of the run) to the next try."""
        if self.next_try_s is None:
            return self.detail
        left_s = math.ceil(self.next_try_s - now_s)
        then = f"{NEXT_TRY} {left_s} s." if left_s > 0 else "Trying again now."
        return f"{self.detail.partition(NEXT_TRY)[0]}{then}"


class Counter(Protocol):
    """The methods of every driver; all but `identify` and `measure` may do nothing.

    Nothing is set on the instrument except by `configure`, which is called only when the
    operator asked for something. `DriverExtras` lists the optional methods.
    """

    def __init__(self, link: Link) -> None:
        """Keep the link, and set how its lines end; send nothing."""

    def identify(self) -> Identity:
        """Return the identity of the instrument.

        Raises:
            NotACounter: something answers, but it is no counter this driver can read.
        """

    def configure(self, setup: Setup) -> Setup:
        """Set what `setup` asks for, and that only; return what was read back."""

    def gate_s(self) -> float | None:
        """Query the gate time, in seconds; None when the counter can't report it."""

    def time_base(self) -> TimeBase:
        """Query which time base is in use; ``unknown`` when the counter can't report it."""

    def measure(self, timeout_s: float) -> Measurement:
        """Wait for one reading.

        Raises:
            ReplyTimeout: no whole reply within `timeout_s`.
            ReplyError: a reply that is no reading.
            LinkLost: the peer is gone.
        """

    def release(self) -> None:
        """Return the front panel to local; called once, at the end."""


def _nothing() -> None:
    """Do nothing, in place of an optional method that a driver does not have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverExtras:
    """The optional attributes of a driver, as far as it has them."""

    is_talk_only: bool = False
    """Readings come at the counter's own pace; nothing is sent to get one."""
    retry_unanswered: Callable[[], None] | None = None
    """Allows queries again that are no longer sent because they were never answered."""
    discard_waiting_lines: Callable[[], None] = _nothing
    """Drops the waiting lines: they came between two readings that are taken at an interval."""
    measurement_rejected: Callable[[], None] = _nothing
    """Reports that the newest measurement was implausible: it may have answered another query."""

    @classmethod
    def of(cls, counter: Counter) -> Self:
        """Return the optional attributes of `counter`."""
        names = [field.name for field in fields(cls) if hasattr(counter, field.name)]
        return cls(**{name: getattr(counter, name) for name in names})
