"""What a station sends next, as a state machine: no thread, no clock, no connection of its own.

Nothing is stored. On every connection the keeper is asked how far the central record has each run
and each chain, and the events after that are read and sent, a few batches at a time. An answer
says how far the record has them now. Without an answer for some seconds all that is under way
counts as lost, and the keeper is asked again. What is sent twice does no harm.
"""

from collections.abc import Callable, Collection, Iterable
from typing import Final

from benchwatch.errors import RegisterError
from benchwatch.quantity import printable
from benchwatch.relay.answers import Answer, Refusal
from benchwatch.relay.batch import ChainBatch, RunBatch, encode
from benchwatch.relay.station import transfer_times as times
from benchwatch.relay.station.fitting_batch import encode_fitting
from benchwatch.relay.station.keeper_questions import NO_ANSWER, KeeperQuestions
from benchwatch.relay.station.stream import Flight, Stream
from benchwatch.relay.station.stream_list import StreamList
from benchwatch.relay.station.unsent_events import CanNotBeSent
from benchwatch.relay.station.unsent_sources import Entries, Events

MOST_UNDER_WAY: Final = 8
MOST_EVENTS_UNDER_WAY: Final = 2000
"""Most batches, and events of them, that are not answered yet; the keeper takes 16 messages of a
station at a time."""


class Transfer:
    """Says what is to be sent next; the times given are monotonic seconds.

    Args:
        events: the runs.
        entries: the chains.
        own_runs: keys of the runs that this program writes; they go first.
        send_within_s: while all is well, an event is sent so soon after it was written.
    """

    def __init__(
        self,
        events: Events,
        entries: Entries,
        own_runs: Callable[[], Collection[int]],
        send_within_s: float = times.SEND_WITHIN_S,
    ) -> None:
        self._events, self._entries = events, entries
        self.notices: list[str] = []
        """Sentences on what can't be sent, each told once; the list only grows."""
        self.is_connected = False
        self.taken = 0
        """Batches of runs that were answered as committed."""
        self.has_backlog = False
        """Whether the newest batch left events for others."""
        self._lost_why = ""
        self._list = StreamList(events, entries, own_runs, self.notices.append, send_within_s)
        self.streams = self._list.streams
        self._questions = KeeperQuestions()
        self._flying: dict[int | str, None] = {}
        """What has batches under way."""
        self._told: set[int | str] = set()
        """Runs of which it was told that events were left out."""

    # ------------------------------------------------------------ what happens

    def connected(self, now_s: float) -> None:
        """Take that there is a connection: the keeper is asked for everything."""
        self.is_connected, self._lost_why = True, ""
        self._questions.give_up()
        self._list.look_soon(now_s)
        self.ask_anew(now_s)

    def lost(self, why: str) -> None:
        """Take that there is no connection."""
        self.is_connected, self._lost_why = False, why
        self._questions.give_up()
        self._go_back(self._flying)
        self._list.look_early()

    def ask_anew(self, now_s: float) -> None:
        """Ask the keeper for everything again, as one that begins has to be."""
        self._questions.begin(now_s)
        self._go_back(self._flying)
        for stream in self.streams.values():
            stream.is_known = stream.has_end = False
            if stream.name in self._list.own:
                stream.row_taken = None

    def woken(self, now_s: float, *, at_once: bool = False) -> None:
        """Take that many events were written: the journal is looked at soon, or at once."""
        if at_once:
            self._list.look_s = min(self._list.look_s, now_s)
        else:
            self._list.look_early()

    def answered(self, answer: Answer, now_s: float) -> None:
        """Take an answer of the keeper."""
        for key in answer.ended:
            if key in self.streams:
                self.streams[key].has_end = True
        for key, after, to in answer.taken:
            if key in self.streams:
                self.taken += 1
                self._took(self.streams[key], after, to)
        known: tuple[tuple[int | str, int], ...] = (*answer.runs, *answer.chains)
        for name, number in known:
            if name in self.streams:
                self._has_all_to(self.streams[name], number, now_s)
        last_hashes = dict(answer.entries_last)
        for chain, number in answer.chains:
            if chain in self.streams and self._entries.in_record(
                chain, number, last_hashes.get(chain, "")
            ):
                self._list.look_s, self._list.has_looked = now_s, False
        self._questions.answered(name for name, _ in known)
        for refusal in answer.refused:
            self._refused(refusal, now_s)

    # ------------------------------------------------------------ what to do

    def step(self, now_s: float) -> bytes | None:
        """Return the payload of the next message; None: nothing is to be sent now.

        Raises:
            JournalError: the journal can't be read.
        """
        if now_s >= self._list.look_s:
            self._list.look(now_s, is_connected=self.is_connected, is_well=not self.why)
        if not self.is_connected:
            return None
        if now_s >= self._questions.again_s:
            self.ask_anew(now_s)
        self._expire(now_s)
        question = self._questions.ask(self._list.unknown(), now_s)
        if question is not None:
            return encode(question)
        if self._is_full():
            return None
        for stream in self._list.next_to_read():
            payload = self._read(stream, now_s)
            if payload is not None:
                return payload
        return None

    def next_s(self, now_s: float) -> float:
        """Return when there may be something to do again if nothing happens before."""
        times = [self._list.look_s]
        if self.is_connected:
            times += [self._questions.again_s, self._questions.due_s]
            times += [self._due_s(stream) for stream in self._under_way()]
            if not self._is_full() and next(self._list.next_to_read(), None) is not None:
                return now_s
        return max(min(times), now_s)

    @property
    def why(self) -> str:
        """Why nothing is sent; empty: nothing holds it up."""
        return self._lost_why or (NO_ANSWER if self._questions.is_unanswered else "")

    @property
    def own_runs(self) -> int:
        """How many runs this program writes."""
        return len(self._list.own)

    @property
    def looked_s(self) -> float:
        """When the journal was looked at last."""
        return self._list.looked_s

    @property
    def is_done(self) -> bool:
        """Whether the record has all of the journal and the registers that can be sent."""
        return (
            self.is_connected
            and self._list.has_looked
            and not (self._list or self._list.late_waits)
            and not self._under_way()
            and all(stream.is_known for stream in self.streams.values())
        )

    @property
    def is_own_done(self) -> bool:
        """Whether the record has all of the runs that this program writes, and of the registers."""
        return all(
            one.is_known and not one.flights and one.name not in self._list
            for one in self._list.of_this_program
        )

    @property
    def refused(self) -> int:
        """How many runs, chains and registers were refused, can't be sent, or can't be read."""
        resting = sum(one.rests_until_s is not None for one in self.streams.values())
        return resting + bool(self._list.register_trouble)

    # ------------------------------------------------------------ sending

    def _under_way(self) -> list[Stream]:
        """Return what has batches under way."""
        flying = [self.streams[name] for name in self._flying]
        self._flying = {stream.name: None for stream in flying if stream.flights}
        return [stream for stream in flying if stream.flights]

    def _is_full(self) -> bool:
        """Return whether no more may be under way."""
        flights = [flight for stream in self._under_way() for flight in stream.flights]
        return (
            len(flights) >= MOST_UNDER_WAY
            or sum(flight.events for flight in flights) >= MOST_EVENTS_UNDER_WAY
        )

    def _due_s(self, stream: Stream) -> float:
        """Return until when a stream with batches under way waits for an answer."""
        return max(stream.heard_s, stream.flights[0].sent_s) + self._questions.patience_s

    def _go_back(self, names: Iterable[int | str]) -> None:
        for name in tuple(names):
            self.streams[name].go_back()
            self._flying.pop(name, None)
            self._list.add(name)

    def _expire(self, now_s: float) -> None:
        """Go back to the last answer where none has come for too long."""
        late = [stream for stream in self._under_way() if now_s >= self._due_s(stream)]
        if late:
            self._questions.lose_patience()
            self._go_back(stream.name for stream in late)
            for stream in late:
                stream.is_known = False
        self._questions.expire(now_s)
        if self._questions.is_unanswered:
            self._list.look_early()

    def _read(self, stream: Stream, now_s: float) -> bytes | None:
        """Read the next batch of a stream; return its payload, or None if there is none."""
        try:
            found = self._next_batch(stream)
            if found is None or not (len(found[0]) or self._has_news(stream, found[0])):
                self._read_out(stream, found and found[0])
                return None
            batch, payload = encode_fitting(found[0])
        except (CanNotBeSent, RegisterError) as error:
            self._rest(stream, str(error).rstrip("."), now_s)
            return None
        self._take_off(stream, batch, now_s)
        self.has_backlog = found[1] or batch.to < found[0].to
        if not self.has_backlog and stream.again_to is None:
            stream.reached_end()
            self._list.remove(stream.name)
        return payload

    def _next_batch(self, stream: Stream) -> tuple[RunBatch | ChainBatch, bool] | None:
        """Return the next batch of a stream, and whether there may be more after it."""
        if isinstance(stream.name, int):
            return self._events.batch(stream.name, stream.sent_to)
        batch = self._entries.batch(stream.name, stream.sent_to)
        if batch is None:
            return None
        return batch, batch.to < self._entries.chains.get(batch.chain, 0)

    def _take_off(self, stream: Stream, batch: RunBatch | ChainBatch, now_s: float) -> None:
        """Take that a batch is under way now."""
        row, first_utc_s = None, None
        if isinstance(batch, RunBatch):
            row = batch.run
            first_utc_s = batch.readings[0][1] if batch.readings else None
        stream.take_off(Flight(batch.after, batch.to, len(batch), row, now_s), first_utc_s)
        self._flying[stream.name] = None
        if isinstance(batch, RunBatch) and batch.left_out and stream.name not in self._told:
            self._told.add(stream.name)
            self.notices.append(
                f"run {stream.name} has events that can't be sent, and the central record will "
                f"not have them, such as {batch.left_out[0][0]}: {batch.left_out[0][1]}."
            )

    def _read_out(self, stream: Stream, batch: RunBatch | ChainBatch | None) -> None:
        """Take that there is nothing more of a stream for now."""
        self._list.remove(stream.name)
        if batch is None and stream.name not in self._list.own:  # archived, or moved away
            self._list.forget(stream.name)
            self._flying.pop(stream.name, None)
        if isinstance(batch, RunBatch):
            stream.is_over = batch.run.ended_utc_s is not None
            if not stream.flights:
                stream.reached_end()
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
        was_known = stream.is_known
        falls_back = stream.has_all_to(number)
        if not was_known and not number:
            stream.row_taken = None  # the record may have no row of it either
        has_news = not was_known and (not number or (stream.is_over and not stream.has_end))
        if stream.rests_until_s is None and (falls_back or has_news):
            self._list.add(stream.name)

    def _took(self, stream: Stream, after: int, to: int) -> None:
        stream.took(after, to)
        self._end_again(stream)
        if stream.again_to is not None and not stream.flights:
            self._list.add(stream.name)

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
        self._list.remove(stream.name)
        if stream.refusal != why:
            stream.refusal = why
            self.notices.append(f"{why}. It is tried again in an hour; the others go on.")
