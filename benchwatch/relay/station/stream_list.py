"""Which runs and chains a station has, and which of them may have something to send.

It looks at the journal and the registers from time to time. All times are monotonic seconds.
"""

import math
from collections.abc import Callable, Collection, Iterator
from typing import Final

from benchwatch.relay.station import transfer_times as times
from benchwatch.relay.station.late_watch import LateWatch
from benchwatch.relay.station.stream import Stream
from benchwatch.relay.station.unsent_count import UnsentCount
from benchwatch.relay.station.unsent_sources import Entries, Events

MOST_READ: Final = 20
"""Most runs and chains that are looked at in one step."""


class StreamList:
    """The runs and chains of a station.

    Args:
        events: the runs.
        entries: the chains.
        own_runs: keys of the runs that this program writes; they go first.
        tell: takes a sentence on what can't be sent.
        send_within_s: time between two looks at the journal while all is well.
    """

    def __init__(
        self,
        events: Events,
        entries: Entries,
        own_runs: Callable[[], Collection[int]],
        tell: Callable[[str], None],
        send_within_s: float = times.SEND_WITHIN_S,
    ) -> None:
        self._events, self._entries, self._own_runs, self._tell = events, entries, own_runs, tell
        self._send_within_s = send_within_s
        self.streams: dict[int | str, Stream] = {}
        self.own: tuple[int, ...] = ()
        """The runs that this program writes."""
        self.look_s = -math.inf
        """When the next look is due."""
        self.looked_s = -math.inf
        self.has_looked = False
        """Whether the last look was not broken off by an error."""
        self.late_waits = False
        """Whether there are late events that are not sent yet."""
        self.register_trouble = ""
        """Why a register can't be read; empty: all can."""
        self._to_read: dict[int | str, None] = {}
        """What may have something to send, in the order in which it came."""
        self._earlier_s = -math.inf
        self._count = UnsentCount(events)
        self._late = LateWatch()

    # ------------------------------------------------------------ what may have something to send

    def __bool__(self) -> bool:
        """Return whether anything may have something to send."""
        return bool(self._to_read)

    def __contains__(self, name: object) -> bool:
        """Return whether a run or chain may have something to send."""
        return name in self._to_read

    def add(self, name: int | str) -> None:
        """Take that a run or chain may have something to send."""
        self._to_read[name] = None

    def remove(self, name: int | str) -> None:
        """Take that there is nothing more to send of it for now."""
        self._to_read.pop(name, None)

    def forget(self, name: int | str) -> None:
        """Take that it is not there any more."""
        self._to_read.pop(name, None)
        self.streams.pop(name, None)

    def next_to_read(self) -> Iterator[Stream]:
        """Yield what may have something to send: own runs, chains, then earlier runs."""
        names: list[int | str] = [key for key in self.own if key in self._to_read]
        chains = [name for name in self._entries.chains if name in self._to_read]
        first = {*names, *chains}
        rest = (name for name in tuple(self._to_read) if name not in first)
        left = MOST_READ
        for name in (*names, *chains, *rest):
            stream = self.streams[name]
            if not left:
                return
            if stream.is_known and stream.rests_until_s is None:
                left -= 1
                yield stream

    def unknown(self) -> Iterator[int | str]:
        """Yield those of which the keeper has not said how far the record has them; own first."""
        yield from (key for key in self.own if not self.streams[key].is_known)
        yield from (name for name, one in self.streams.items() if not one.is_known)

    @property
    def of_this_program(self) -> list[Stream]:
        """Return the runs that this program writes, and the chains of the registers."""
        names = (*self.own, *self._entries.chains)
        return [self.streams[name] for name in names if name in self.streams]

    # ------------------------------------------------------------ looking

    def look_soon(self, now_s: float) -> None:
        """Look at once, also for earlier runs."""
        self._earlier_s, self.look_s = -math.inf, now_s

    def look_early(self) -> None:
        """Look as soon after the last look as may be."""
        self.look_s = min(self.look_s, self.looked_s + times.shortest_look_s(len(self.own)))

    def look(self, now_s: float, *, is_connected: bool, is_well: bool) -> None:
        """Look at the journal and the registers, and count what is unsent.

        Args:
            now_s: the present.
            is_connected: only then earlier runs are looked for.
            is_well: nothing holds up what is sent; else a person sees the counts, which are to be
                new.

        Raises:
            JournalError: the journal can't be read.
        """
        self.looked_s, self.has_looked = now_s, False
        self.look_s = now_s + times.shortest_look_s(len(self.own))
        self._events.refresh()
        self.own = tuple(self._own_runs())
        for key in self.own:
            self._stream(key)
            self._to_read[key] = None
        if is_connected and now_s >= self._earlier_s:
            self._look_for_earlier(now_s)
        self._look_at_registers()
        for stream in self.streams.values():
            if stream.rests_until_s is not None and now_s >= stream.rests_until_s:
                stream.rests_until_s = None
                self._to_read[stream.name] = None
        self._look_for_late(now_s)
        counted = [
            one for one in self.streams.values() if not (is_well and one.is_read and one.is_known)
        ]
        self._count.count(counted, self.own, self._entries.chains, now_s)
        if is_well:  # at the end, as a look that an error breaks off is done again soon
            self.look_s = now_s + self._send_within_s
        if self.late_waits:
            self.look_s = min(self.look_s, self._late.next_s(now_s))
        self.has_looked = True

    def _look_at_registers(self) -> None:
        trouble = self.register_trouble
        if self._entries.refresh():
            for chain in self._entries.chains:
                self._stream(chain)
                self._to_read[chain] = None
        self.register_trouble = self._entries.trouble.rstrip(".")
        if self.register_trouble not in {"", trouble}:
            self._tell(f"{self.register_trouble}: some of its entries are not sent.")

    def _look_for_earlier(self, now_s: float) -> None:
        self._earlier_s = now_s + times.EARLIER_RUNS_S
        for stream in self.streams.values():
            if isinstance(stream.name, int) and not stream.is_over:
                self._to_read[stream.name] = None  # its program may have gone on after all
        for key in self._events.earlier_runs(self.own, self.streams.keys()):
            self._stream(key)

    def _stream(self, name: int | str) -> Stream:
        if name not in self.streams:
            self.streams[name] = Stream(name)
            self._to_read[name] = None
        return self.streams[name]

    def _look_for_late(self, now_s: float) -> None:
        notes = self._events.late_events()
        for key in self._late.settled(notes, now_s):
            stream = self.streams.get(key)
            if stream is None or not stream.is_known or stream.late == notes[key]:
                continue
            self._to_read[key] = None  # they may also come after all that was sent
            if not stream.send_again(notes[key]):
                self._events.forget_late_events(key, notes[key])
        self.late_waits = any(
            key in self.streams and self.streams[key].late != late for key, late in notes.items()
        )
