"""What a station sends next, as a state machine: no thread, no clock, no connection of its own.

Nothing is stored. On every connection the keeper is asked how far the central record has each run
and each chain, and the events after that are read and sent, a few batches at a time. An answer
says how far the record has them now. Without an answer for some seconds all that is under way
counts as lost, and the keeper is asked again. What is sent twice does no harm.
"""

import math
from collections.abc import Callable, Collection, Iterable, Iterator
from typing import Final

from benchwatch.errors import RegisterError
from benchwatch.quantity import printable
from benchwatch.relay.answers import Answer, Refusal
from benchwatch.relay.batch import MOST_EVENTS, ChainBatch, Question, RunBatch, encode
from benchwatch.relay.station import transfer_times as times
from benchwatch.relay.station.fitting_batch import encode_fitting
from benchwatch.relay.station.late_watch import LateWatch
from benchwatch.relay.station.stream import Flight, Stream
from benchwatch.relay.station.unsent_count import UnsentCount
from benchwatch.relay.station.unsent_events import CanNotBeSent
from benchwatch.relay.station.unsent_sources import Entries, Events

MOST_UNDER_WAY: Final = 4
"""Most batches that are not answered yet."""
MOST_READ: Final = 20
"""Most runs and chains that are looked at in one step."""
NO_ANSWER: Final = "the keeper does not answer"


class Transfer:
    """Says what is to be sent next; the times given are monotonic seconds.

    Args:
        events: the runs.
        entries: the chains.
        own_runs: keys of the runs that this program writes; they go first.
    """

    def __init__(
        self, events: Events, entries: Entries, own_runs: Callable[[], Collection[int]]
    ) -> None:
        self._events, self._entries, self._own_runs = events, entries, own_runs
        self.streams: dict[int | str, Stream] = {}
        self.notices: list[str] = []
        """Sentences on what can't be sent, each told once; the list only grows."""
        self.is_connected = False
        self.why = ""
        """Why nothing is sent; empty: nothing holds it up."""
        self.taken = 0
        """Batches of runs that were answered as committed."""
        self._own: tuple[int, ...] = ()
        self._to_read: dict[int | str, None] = {}
        """What may have something to send, in the order in which it came."""
        self._asked: set[int | str] = set()
        self._asked_s: float | None = None
        self._ask_again_s = math.inf
        self._patience_s = times.PATIENCE_S
        self._flying: dict[int | str, None] = {}
        """What has batches under way."""
        self._look_s = self._earlier_s = -math.inf
        self._looked_s = -math.inf
        self._has_looked = False
        """Whether the last look was not broken off by an error."""
        self._count = UnsentCount(events)
        self._late, self._late_waits = LateWatch(), False
        self._register_trouble = ""
        """Why a register can't be read; empty: all can."""
        self._told: set[int | str] = set()
        """Runs of which it was told that events were left out."""

    # ------------------------------------------------------------ what happens

    def connected(self, now_s: float) -> None:
        """Take that there is a connection: the keeper is asked for everything."""
        self.is_connected, self.why = True, ""
        self._earlier_s = -math.inf
        self._look_s = now_s
        self.ask_anew(now_s)

    def lost(self, why: str) -> None:
        """Take that there is no connection."""
        self.is_connected, self.why = False, why
        self._asked_s = None
        self._go_back(self._flying)

    def ask_anew(self, now_s: float) -> None:
        """Ask the keeper for everything again, as one that begins has to be."""
        self._patience_s, self._asked_s = times.PATIENCE_S, None
        self._ask_again_s = now_s + times.ASK_AGAIN_S
        self._go_back(self._flying)
        for stream in self.streams.values():
            stream.is_known = stream.has_end = False
            if stream.name in self._own:
                stream.row_taken = None

    def woken(self, now_s: float, *, at_once: bool = False) -> None:
        """Take that an event was written: the journal is looked at soon, or at once."""
        rest_s = times.shortest_look_s(len(self._own))
        soon_s = now_s if at_once else max(now_s, self._looked_s + rest_s)
        self._look_s = min(self._look_s, soon_s)

    def answered(self, answer: Answer, now_s: float) -> None:
        """Take an answer of the keeper."""
        self._patience_s = times.PATIENCE_S
        if self.why == NO_ANSWER:
            self.why = ""
        for key in answer.ended:
            if key in self.streams:
                self.streams[key].has_end = True
        for key, after, to in answer.taken:
            if key in self.streams:
                self.taken += 1
                self._took(self.streams[key], after, to)
        for name, number in (*answer.runs, *answer.chains):
            self._asked.discard(name)
            if name in self.streams:
                self._has_all_to(self.streams[name], number, now_s)
        if not self._asked:
            self._asked_s = None
        for refusal in answer.refused:
            self._refused(refusal, now_s)

    # ------------------------------------------------------------ what to do

    def step(self, now_s: float) -> bytes | None:
        """Return the payload of the next message; None: nothing is to be sent now.

        Raises:
            JournalError: the journal can't be read.
        """
        if now_s >= self._look_s:
            self._look(now_s)
        if not self.is_connected:
            return None
        self._expire(now_s)
        question = self._question(now_s)
        if question is not None:
            return encode(question)
        if sum(len(stream.flights) for stream in self._under_way()) >= MOST_UNDER_WAY:
            return None
        for name in self._next_to_read():
            payload = self._read(self.streams[name], now_s)
            if payload is not None:
                return payload
        return None

    def next_s(self, now_s: float) -> float:
        """Return when there may be something to do again if nothing happens before."""
        times = [self._look_s]
        if self.is_connected:
            times.append(self._ask_again_s)
            if self._asked_s is not None:
                times.append(self._asked_s + self._patience_s)
            under_way = self._under_way()
            times += [self._due_s(stream) for stream in under_way]
            is_full = sum(len(stream.flights) for stream in under_way) >= MOST_UNDER_WAY
            if not is_full and next(self._next_to_read(), None) is not None:
                return now_s
        return max(min(times), now_s)

    @property
    def is_done(self) -> bool:
        """Whether the record has all of the journal and the registers that can be sent."""
        return (
            self.is_connected
            and self._has_looked
            and not (self._to_read or self._late_waits)
            and not self._under_way()
            and all(stream.is_known for stream in self.streams.values())
        )

    @property
    def is_own_done(self) -> bool:
        """Whether the record has all of the runs that this program writes, and of the registers."""
        names = (*self._own, *self._entries.chains)
        own = [self.streams[name] for name in names if name in self.streams]
        return all(
            one.is_known and not one.flights and one.name not in self._to_read for one in own
        )

    @property
    def refused(self) -> int:
        """How many runs, chains and registers were refused, can't be sent, or can't be read."""
        resting = sum(one.rests_until_s is not None for one in self.streams.values())
        return resting + bool(self._register_trouble)

    # ------------------------------------------------------------ looking

    def _look(self, now_s: float) -> None:
        self._looked_s, self._look_s, self._has_looked = now_s, now_s + times.IDLE_LOOK_S, False
        self._events.refresh()
        self._own = tuple(self._own_runs())
        for key in self._own:
            self._stream(key)
            self._to_read[key] = None
        if self.is_connected and now_s >= self._earlier_s:
            self._look_for_earlier(now_s)
        self._look_at_registers()
        for stream in self.streams.values():
            if stream.rests_until_s is not None and now_s >= stream.rests_until_s:
                stream.rests_until_s = None
                self._to_read[stream.name] = None
        self._look_for_late(now_s)
        self._count.count(self.streams.values(), self._own, self._entries.chains, now_s)
        self._has_looked = True
        if self.is_connected and now_s >= self._ask_again_s:
            self.ask_anew(now_s)

    def _look_at_registers(self) -> None:
        trouble = self._register_trouble
        if self._entries.refresh():
            for chain in self._entries.chains:
                self._stream(chain)
                self._to_read[chain] = None
        self._register_trouble = self._entries.trouble.rstrip(".")
        if self._register_trouble not in {"", trouble}:
            self.notices.append(f"{self._register_trouble}: some of its entries are not sent.")

    def _look_for_earlier(self, now_s: float) -> None:
        self._earlier_s = now_s + times.EARLIER_RUNS_S
        for stream in self.streams.values():
            if isinstance(stream.name, int) and not stream.is_over:
                self._to_read[stream.name] = None  # its program may have gone on after all
        for key in self._events.earlier_runs(self._own, self.streams.keys()):
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
        self._late_waits = any(
            key in self.streams and self.streams[key].late != late for key, late in notes.items()
        )
        if self._late_waits:
            self._look_s = min(self._look_s, self._late.next_s(now_s))

    # ------------------------------------------------------------ sending

    def _under_way(self) -> list[Stream]:
        """Return what has batches under way."""
        flying = [self.streams[name] for name in self._flying]
        self._flying = {stream.name: None for stream in flying if stream.flights}
        return [stream for stream in flying if stream.flights]

    def _due_s(self, stream: Stream) -> float:
        """Return until when a stream with batches under way waits for an answer."""
        return max(stream.heard_s, stream.flights[0].sent_s) + self._patience_s

    def _go_back(self, names: Iterable[int | str]) -> None:
        for name in tuple(names):
            self.streams[name].go_back()
            self._flying.pop(name, None)
            self._to_read[name] = None

    def _expire(self, now_s: float) -> None:
        """Go back to the last answer where none has come for too long."""
        late = [stream for stream in self._under_way() if now_s >= self._due_s(stream)]
        if late:
            self._lose_patience()
            self._go_back(stream.name for stream in late)
            for stream in late:
                stream.is_known = False
        if self._asked_s is not None and now_s >= self._asked_s + self._patience_s:
            self._lose_patience()
            self._asked_s = None

    def _lose_patience(self) -> None:
        self._patience_s = min(self._patience_s + 0.5, times.LONGEST_PATIENCE_S)
        self.why = NO_ANSWER

    def _question(self, now_s: float) -> Question | None:
        if self._asked_s is not None:
            return None
        unknown: list[int | str] = [key for key in self._own if not self.streams[key].is_known]
        unknown += [name for name, one in self.streams.items() if not one.is_known]
        names = list(dict.fromkeys(unknown))[:MOST_EVENTS]
        if not names:
            return None
        self._asked, self._asked_s = set(names), now_s
        return Question(
            tuple(name for name in names if isinstance(name, int)),
            tuple(name for name in names if isinstance(name, str)),
        )

    def _next_to_read(self) -> Iterator[int | str]:
        """Yield what may have something to send: own runs, chains, then earlier runs."""
        names: list[int | str] = [key for key in self._own if key in self._to_read]
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
                yield name

    def _read(self, stream: Stream, now_s: float) -> bytes | None:
        """Read the next batch of a stream; return its payload, or None if there is none."""
        try:
            batch = (
                self._events.batch(stream.name, stream.sent_to)
                if isinstance(stream.name, int)
                else self._entries.batch(stream.name, stream.sent_to)
            )
            if batch is None or not (len(batch) or self._has_news(stream, batch)):
                self._read_out(stream, batch)
                return None
            batch, payload = encode_fitting(batch)
        except (CanNotBeSent, RegisterError) as error:
            self._rest(stream, str(error).rstrip("."), now_s)
            return None
        row = batch.run if isinstance(batch, RunBatch) else None
        stream.flights.append(Flight(batch.after, batch.to, len(batch), row, now_s))
        self._flying[stream.name] = None
        stream.sent_to = batch.to
        stream.is_over = row is not None and row.ended_utc_s is not None
        if isinstance(batch, RunBatch) and batch.left_out and stream.name not in self._told:
            self._told.add(stream.name)
            self.notices.append(
                f"run {stream.name} has events that can't be sent, and the central record will "
                f"not have them, such as {batch.left_out[0][0]}: {batch.left_out[0][1]}."
            )
        return payload

    def _read_out(self, stream: Stream, batch: RunBatch | ChainBatch | None) -> None:
        """Take that there is nothing more of a stream for now."""
        self._to_read.pop(stream.name, None)
        if batch is None and stream.name not in self._own:  # archived, or of a journal now moved
            del self.streams[stream.name]
            self._flying.pop(stream.name, None)
        if isinstance(batch, RunBatch):
            stream.is_over = batch.run.ended_utc_s is not None
            if not stream.flights:
                self._end_again(stream, nothing_left=True)

    def _has_news(self, stream: Stream, batch: RunBatch | ChainBatch) -> bool:
        """Return whether the row of a run has to be sent, though it has no more events."""
        if not isinstance(batch, RunBatch):
            return False
        if any(flight.row == batch.run for flight in stream.flights):
            return False
        if batch.run.ended_utc_s is not None:
            return not stream.has_end
        return stream.row_taken != batch.run

    def _has_all_to(self, stream: Stream, number: int, now_s: float) -> None:
        stream.heard_s = now_s
        if isinstance(stream.name, str) and self._entries.in_record(stream.name, number):
            self._look_s, self._has_looked = now_s, False
        was_known = stream.is_known
        falls_back = stream.has_all_to(number)
        if not was_known and not number:
            stream.row_taken = None  # the record may have no row of it either
        has_news = not was_known and (not number or (stream.is_over and not stream.has_end))
        if stream.rests_until_s is None and (falls_back or has_news):
            self._to_read[stream.name] = None

    def _took(self, stream: Stream, after: int, to: int) -> None:
        stream.took(after, to)
        self._end_again(stream)
        if stream.again_to is not None and not stream.flights:
            self._to_read[stream.name] = None

    def _end_again(self, stream: Stream, *, nothing_left: bool = False) -> None:
        if stream.end_again(nothing_left=nothing_left) and stream.late is not None:
            assert isinstance(stream.name, int)
            self._events.forget_late_events(stream.name, stream.late)

    def _refused(self, refusal: Refusal, now_s: float) -> None:
        name = refusal.run if refusal.chain is None else refusal.chain
        if name in self.streams:
            what = f"run {name}" if refusal.chain is None else f"chain {name}"
            why = printable(refusal.why, 300).rstrip(".")
            self._rest(self.streams[name], f"the keeper refused a batch of {what}: {why}", now_s)

    def _rest(self, stream: Stream, why: str, now_s: float) -> None:
        """Leave a stream for a while, and say why, once."""
        stream.go_back()
        stream.rests_until_s = now_s + times.REST_S
        self._to_read.pop(stream.name, None)
        if stream.refusal != why:
            stream.refusal = why
            self.notices.append(f"{why}. It is tried again in an hour; the others go on.")
