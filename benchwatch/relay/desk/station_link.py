"""Whether lines of one counter elsewhere can come, and do come.

Pure: what broker and station say goes in with the time, the state of a link and a sentence come
out.
"""

from dataclasses import dataclass
from typing import Final

from benchwatch.counter import LinkState
from benchwatch.errors import BenchwatchError, ConnectionFailed, NoReadings
from benchwatch.plan import OVERDUE_MARGIN_S, margin_s
from benchwatch.quantity import printable
from benchwatch.reading import TYPED, Reading
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.desk.stated_counter import StatedCounter, StatedStation

FIRST_LINE_S: Final = 10.0
"""Longest wait for a first line where nobody waits unattended, beside a gate."""
SILENT_SPACINGS: Final = 2.5
"""Usual spacings without a line after which the link counts as lost; 3 s at least."""
LEAST_SILENCE_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class LinkNow:
    """The link to a counter elsewhere."""

    state: LinkState
    detail: str = ""
    lost: str = ""
    """Why lines may not come, in a few words; empty: they come, or why was said before."""


class StationLink:
    """What is known of the way from a counter elsewhere to this desk.

    Args:
        station: the counter's station.
        counter: its name there.
        address: the broker.
        now_s: the present, monotonic seconds, as in all methods.
    """

    def __init__(self, station: str, counter: str, address: BrokerAddress, now_s: float) -> None:
        self._station, self._counter, self._address = station, counter, address
        self._began_s = now_s
        self._connected_s: float | None = None
        """Since when there is a connection to the broker; None: there is none."""
        self._broker_trouble = ""
        """Why there is no connection to the broker; empty while there is one, or none was tried."""
        self.here: StatedStation | None = None
        """What the broker says of the station; None: nothing yet."""
        self.state: StatedCounter | None = None
        """What the station says of the counter; None: nothing yet."""
        self.has_ended = False
        """Whether the station said that its watch has ended."""
        self._line_s: float | None = None
        """When the newest line came since there is a connection."""
        self._reads = False
        """Whether a reading came after the newest state, whatever link that states."""

    @property
    def is_here(self) -> bool:
        """Whether the station is connected to the broker, as far as is known."""
        return self.here is not None and self.here.here

    def broker_changed(self, trouble: str | None, now_s: float) -> bool:
        """Take why there is no connection to the broker; return whether there was one.

        Args:
            trouble: why; None: there is one.
            now_s: the present.
        """
        was_connected = self._connected_s is not None
        self._broker_trouble = trouble or ""
        if trouble is not None:
            self._connected_s = self._line_s = None
        elif not was_connected:
            self._connected_s = now_s
        return was_connected

    def take_state(self, state: StatedCounter) -> None:
        """Take what the station says of the counter, where it is new."""
        self.state, self._reads = state, False

    def line_came(self, at_s: float) -> None:
        """Take that a line came."""
        self._line_s = at_s

    def reading_came(self) -> None:
        """Take that a line was a reading: the station's watch goes on, and its link is well."""
        self._reads, self.has_ended = True, False

    def now(self, last: Reading | None, spacing_s: float | None, now_s: float) -> LinkNow:
        """Return the link.

        Args:
            last: the newest reading; None: there was none.
            spacing_s: usual time between two lines; None: unknown.
            now_s: the present.
        """
        has_read, where, state = last is not None, self._station, self.state
        broken = self._why_broken()
        if broken:
            return LinkNow("lost" if has_read else "connecting", broken)
        if state is not None and state.link != "reading" and not self._reads:
            theirs: LinkState = "lost" if state.link in {"lost", "ended"} else state.link
            detail = f"at {where}: {state.link_detail or theirs}"
            return LinkNow(theirs if has_read else "connecting", detail)
        if last is None:
            return LinkNow("connecting")
        longest_s = self._longest_silence_s(last, spacing_s)
        if TYPED in last.flags or (self._line_s is not None and now_s - self._line_s <= longest_s):
            return LinkNow("reading")
        if self._line_s is None and now_s - (self._connected_s or now_s) <= longest_s:
            return LinkNow("lost", f"{where} is asked for its lines.")
        return LinkNow("lost", f"no line comes from {where}. It is asked again.", "no line came")

    def absent(self, now: LinkNow, last: Reading | None, now_s: float) -> BenchwatchError | None:
        """Return why nothing can be read of the counter; None once it was read, or may be soon."""
        if now.state == "reading" or last is not None:
            return None
        gate_s = 0.0 if self.state is None else self.state.gate_s or 0.0
        waited_s = now_s - self._began_s
        is_gone = self.here is not None and not self.here.here
        failed = self._broker_trouble or self.has_ended or is_gone
        if not failed and waited_s <= FIRST_LINE_S + gate_s + margin_s(gate_s):
            return None
        if now.detail:
            return ConnectionFailed(f"{now.detail.split('. ', 1)[0].rstrip('.')}.")
        if self._connected_s is None:
            return ConnectionFailed(f"the broker {self._address} does not answer.")
        return NoReadings(
            f"{self._station} was asked for the readings of a counter "
            f"'{printable(self._counter, 100)}', and none came within {round(waited_s)} s. Is its "
            "name right?"
        )

    def _why_broken(self) -> str:
        """Return a sentence on why no line can come; empty where one can."""
        where = self._station
        if self._broker_trouble:
            why = self._broker_trouble.rstrip(". ")
            return f"the broker {self._address} is away: {why}. It is tried again."
        if self.here is not None and not self.here.here:
            return f"{where} is gone from the broker. Lines go on when it is back."
        is_known = self.here is not None or self.state is not None or self._reads
        if self._connected_s is not None and not is_known:
            return f"the broker knows no station {where}. It is waited for."
        if self.has_ended:
            return f"the watch of {where} has ended. The next one is waited for."
        return ""

    def _longest_silence_s(self, last: Reading, spacing_s: float | None) -> float:
        """Return after which time without a line the link counts as lost."""
        stated_s = None if self.state is None else self.state.gate_s
        gate_s = max(last.gate_s or 0.0, stated_s or 0.0)
        return max(
            LEAST_SILENCE_S,
            SILENT_SPACINGS * (spacing_s or 0.0) + OVERDUE_MARGIN_S,
            gate_s + margin_s(gate_s),
        )
