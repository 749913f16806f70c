"""How far the central record has one run or one chain, and what is under way of it. Pure."""

from dataclasses import dataclass, field

from benchwatch.journal.late_events import LateEvents
from benchwatch.journal.schema import JournalRun


@dataclass(slots=True, eq=False)
class Flight:
    """A batch that was sent and is not answered yet."""

    after: int
    to: int
    events: int
    row: JournalRun | None
    """The run's row that went with it; None: of a chain."""
    sent_s: float
    """Monotonic."""
    is_taken: bool = False
    """Whether it was committed, where that is said before it is so for the one before it."""


@dataclass(slots=True, eq=False)
class Stream:
    """A run or a chain that is sent.

    In general the central record has all up to the number that it answers. A run to which earlier
    events were added is sent again from there on, and meanwhile such a number says nothing about
    them: then `done_to` follows the ranges that the answers name, until it reaches `again_to`.
    """

    name: int | str
    """Key of the run, or the chain."""
    done_to: int = 0
    """The record has all events up to this number."""
    sent_to: int = 0
    """Events up to this number were sent."""
    is_known: bool = False
    """Whether the keeper has said on this connection how far the record has it."""
    flights: list[Flight] = field(default_factory=list)
    """In the order in which they were sent."""
    again_to: int | None = None
    late: LateEvents | None = None
    """The late events that are sent again, or were."""
    row_taken: JournalRun | None = None
    """The run's row as the record has it, if that is known."""
    is_over: bool = False
    """Whether the run has an end in the journal, as it was last read."""
    has_end: bool = False
    """Whether the record has the end of the run."""
    heard_s: float = 0.0
    """When the keeper last said something of it, monotonic."""
    rests_until_s: float | None = None
    """Monotonic; None: it is sent."""
    refusal: str = ""
    """Why it rests, or rested."""
    unsent: int | None = None
    """Events that the record does not have; None: they were not counted."""
    oldest_utc_s: float | None = None
    """When the first unsent reading was taken, Unix seconds."""
    is_read: bool = False
    """Whether all of it was read when it was read last, and is under way or in the record."""

    @property
    def counted_from(self) -> int:
        """Return the number up to which events are in the record, as far as known."""
        return max(self.done_to, self.again_to or 0)

    def take_off(self, flight: Flight, first_utc_s: float | None) -> None:
        """Take that a batch is under way.

        Args:
            flight: the batch.
            first_utc_s: when its first reading was taken, Unix seconds; None: it has none.
        """
        if not self.flights and not self.unsent:
            self.oldest_utc_s = first_utc_s
        self.flights.append(flight)
        self.sent_to = flight.to
        self.is_over = flight.row is not None and flight.row.ended_utc_s is not None

    def reached_end(self) -> None:
        """Take that it was read to its end: what is under way is all that the record lacks."""
        self.is_read = True
        self.unsent = sum(flight.events for flight in self.flights)

    def go_back(self) -> None:
        """Give up what is under way; it is sent once more."""
        self.is_read = False
        self.flights.clear()
        self.sent_to = self.done_to

    def has_all_to(self, number: int) -> bool:
        """Take what the keeper says; return whether something has to be sent, or sent again.

        An answer may be an old one that was late; then what it makes this send is there already.
        """
        self.is_known = True
        if self.again_to is not None:
            if number > self.done_to:
                return False
            self.again_to = None
        self._count_down(number)
        self.done_to = number
        self.flights = [flight for flight in self.flights if _is_open(flight, number)]
        if number >= self.sent_to:
            self.sent_to = number
        elif not any(flight.after <= number for flight in self.flights if flight.events):
            self.go_back()
            return True
        return False

    def took(self, after: int, to: int) -> None:
        """Take that a batch with this claim was committed."""
        for flight in self.flights:
            if (flight.after, flight.to) == (after, to):
                flight.is_taken = True
                self.row_taken = flight.row
                self.has_end |= flight.row is not None and flight.row.ended_utc_s is not None
                break
        if self.again_to is None:
            self.flights = [one for one in self.flights if one.events or not one.is_taken]
            return
        while self.flights and self.flights[0].is_taken and self.flights[0].after <= self.done_to:
            self.done_to = max(self.done_to, self.flights.pop(0).to)

    def send_again(self, late: LateEvents) -> bool:
        """Send what comes from the late events on; return whether the record has been sent it.

        Args:
            late: what was added to the run.
        """
        self.late = late
        start = late.first - 1
        reached = max(self.sent_to, self.done_to, self.again_to or 0)
        if reached <= start:
            return False
        self.done_to, self.again_to = min(self.done_to, start), reached
        self.go_back()
        return True

    def end_again(self, *, nothing_left: bool = False) -> bool:
        """End sending again if all of it was committed; return whether it has ended."""
        if self.again_to is None or not (nothing_left or self.done_to >= self.again_to):
            return False
        self.done_to = max(self.done_to, self.again_to)
        self.sent_to = max(self.sent_to, self.done_to)
        self.again_to = None
        return True

    def _count_down(self, number: int) -> None:
        """Count fewer unsent events as the record gets further."""
        if self.unsent is None:
            return
        done = [flight for flight in self.flights if flight.to <= number]
        reached = max((flight.to for flight in done), default=self.done_to)
        if number < self.done_to or number > reached:
            self.unsent = None  # to be counted again: what was answered is not under way any more
            return
        self.unsent = max(self.unsent - sum(flight.events for flight in done), 0)


def _is_open(flight: Flight, number: int) -> bool:
    """Return whether a batch is still under way; of an empty one only its own answer tells."""
    return flight.to > number or (not flight.events and flight.to == number)
