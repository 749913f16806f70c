"""What a counter is to the rest of the house.

A driver is a class that takes a `Link` and fulfils `Counter`. It is published under the
entry-point group ``benchwatch.drivers``; the bundled ones use the same door as anybody's
(see `benchwatch.driver_registry`).
"""

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal, Protocol, Self

TimeBaseSource = Literal["internal", "external", "unknown"]
DEFAULT_DRIVER: Final = "scpi"
"""Driver of an instrument for which none is named."""
LONGEST_GATE_S: Final = 100_000.0
"""A day and a bit: no counter counts longer, and waits can't be so long without end."""


def plausible_gate_s(gate_s: float | None) -> float | None:
    """Return a gate that a counter told, in seconds; None where it can't be one."""
    return gate_s if gate_s is not None and 0 < gate_s <= LONGEST_GATE_S else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Who answered: the text is the instrument's own and is only ever shown as plain text."""

    text: str
    """The whole identity reply, or a family such as ``talk-only counter``; printable."""
    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""

    @classmethod
    def of_fields(cls, text: str, fields: Sequence[str]) -> Self:
        """Return the identity in a reply; its fields are maker, model, serial and firmware."""
        return cls(
            text=text, **dict(zip(("maker", "model", "serial", "firmware"), fields, strict=False))
        )


@dataclass(frozen=True, slots=True)
class TimeBase:
    """Which oscillator the counter counts by."""

    source: TimeBaseSource = "unknown"


@dataclass(frozen=True, slots=True)
class Setup:
    """What the operator asked to be set; None means leave it as it is."""

    gate_s: float | None = None
    channel: int | None = None

    @property
    def is_empty(self) -> bool:
        """True when nothing is to be set on the instrument."""
        return self.gate_s is None and self.channel is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """One answer of a counter, before anybody knows the nominal."""

    value_hz: Decimal | None
    """Exact frequency; None when the counter reports overrange."""
    resolution_hz: float = 0.0
    """Weight of the last digit written; 0 when unknown."""
    repeat: bool = False
    """The counter handed out the same measurement again."""
    arrived_s: float | None = None
    """Monotonic time at which the reply was complete; None: the caller's clock at return."""
    offset: Decimal | None = None
    """Fractional, from a counter that compares phase: true of any nominal that the pulses were
    divided from. `value_hz` is then the rate of the pulses."""
    dated_by_pace: bool = False
    """It waited while nobody looked; `arrived_s` was worked out from the counter's pace."""
    undated_before: int = 0
    """Readings before it that had waited and can't be dated, so that they were not used."""


class Link(Protocol):
    """The guarded session a driver speaks through; one owner thread, whole lines only.

    Every method raises `LinkLost` when the peer is gone or the run is being stopped. Before
    an `query` the link drops what is already on its way, so a late reply that has arrived is
    never taken for the answer to a newer question. A reply that is still to come can't be
    dropped: after a `ReplyTimeout` a driver asks something whose answer it knows (such as
    the identity), and skips lines until that comes.
    """

    @property
    def resource(self) -> str:
        """The resource string the link was opened with."""

    @property
    def never_duplicates(self) -> bool:
        """True of a file or a pipe: no line comes twice unless it was written twice."""

    @property
    def arrived_s(self) -> float:
        """When the newest line came, monotonic seconds.

        Lines that came together are spread evenly over the time since somebody looked before.
        """

    @property
    def unpolled_s(self) -> float:
        """For how long nobody had looked when the newest line was found; it came within that."""

    @property
    def fetched_s(self) -> float:
        """When the newest line was found, with all that waited with it; monotonic seconds."""

    @property
    def lines_fetched(self) -> int:
        """How many whole lines were found then."""

    def now(self) -> float:
        """Monotonic seconds, on the clock of the run."""

    def use_terminator(self, terminator: str) -> None:
        """End lines, both ways, with LF (the default), CR or CR LF from now on."""

    def write(self, command: str) -> None:
        """Send one command line; the terminator is added."""

    def read(self, timeout_s: float) -> str:
        """Return the next whole line, without its terminator, within `timeout_s`.

        Raises:
            ReplyTimeout: no whole line came; a torn one is dropped to its end.
            ReplyError: a line too long to be a reply.
        """

    def query(self, query: str, timeout_s: float) -> str:
        """Send `query` and return its reply line; raises as `read`."""

    def discard_input(self) -> None:
        """Drop whatever is on its way, until the line has been silent for a moment."""

    def pause(self, timeout_s: float) -> None:
        """Wait, but not past a stop of the run."""

    def close(self) -> None:
        """Let go of the instrument; for whoever opened the link, never for a driver."""


class OpenLink(Protocol):
    """How a link is opened, such as `benchwatch.bus.Buses.open_link`."""

    def __call__(self, resource: str, *, cancel: threading.Event) -> Link:
        """Open `resource`; every wait of the link ends when `cancel` is set."""


LinkState = Literal["connecting", "reading", "silent", "lost", "ended"]
"""``connecting``: not yet open; ``reading``: readings come; ``silent``: open, but the next
reading is overdue; ``lost``: broken, trying again; ``ended``: the run is over."""


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """State of the connection, and since when (monotonic seconds of the run)."""

    state: LinkState
    since_s: float
    detail: str = ""
    """A sentence for people: what failed and when the next try is."""


class Counter(Protocol):
    """What every driver offers. Only `identify` and `measure` must do real work.

    Nothing is set on the instrument except by `configure`, which is called only when the
    operator asked for something.
    """

    def __init__(self, link: Link) -> None:
        """Take the link, and say how its lines end; send nothing yet."""

    def identify(self) -> Identity:
        """Say who is there.

        Raises:
            NotACounter: something answers, but it is no counter this driver can read.
        """

    def configure(self, setup: Setup) -> Setup:
        """Set what `setup` asks for, and that only; return what was read back."""

    def gate_s(self) -> float | None:
        """Ask for the gate time in seconds; None when the counter can't tell."""

    def time_base(self) -> TimeBase:
        """Ask which time base is in use; ``unknown`` when the counter can't tell."""

    def measure(self, timeout_s: float) -> Measurement:
        """Wait for one reading.

        Raises:
            ReplyTimeout: no whole reply within `timeout_s`.
            ReplyError: a reply that is no reading.
            LinkLost: the peer is gone.
        """

    def release(self) -> None:
        """Give the front panel back to the person; called once, at the end."""
