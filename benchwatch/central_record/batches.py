"""What a group of batches is made of, and what became of them.

The batches are those of `relay.batch`; they are described here by what the writer reads of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from benchwatch.journal.schema import JournalRun
from benchwatch.register.register_entry import RegisterEntry

Rows = Sequence[tuple[Any, ...]]


class EventBatch(Protocol):
    """All events of a run with after < number <= to; rows as in `journal_reader.Portion`."""

    @property
    def run(self) -> JournalRun:
        """The run."""

    @property
    def after(self) -> int:
        """End of what its station sent before."""

    @property
    def to(self) -> int:
        """End of what the batch claims."""

    @property
    def readings(self) -> Rows:
        """Readings."""

    @property
    def gaps(self) -> Rows:
        """Gaps."""

    @property
    def marks(self) -> Rows:
        """Marks."""

    @property
    def records(self) -> Rows:
        """Records."""

    @property
    def notes(self) -> Rows:
        """Notes."""

    @property
    def left_out(self) -> Sequence[tuple[int, str]]:
        """Number of each event that its station can't send, and why."""


class EntryBatch(Protocol):
    """The entries of a register's chain with after < number <= to."""

    @property
    def chain(self) -> str:
        """The chain."""

    @property
    def after(self) -> int:
        """End of what its station sent before."""

    @property
    def to(self) -> int:
        """End of what the batch claims."""

    @property
    def entries(self) -> Sequence[RegisterEntry]:
        """The entries, without holes."""


@dataclass(frozen=True, slots=True)
class SentEvents:
    """A batch of events, and who sent it."""

    station: str
    batch: EventBatch
    payload: bytes = b""
    """The message as it came, kept with a note if the batch is refused."""

    @property
    def stream(self) -> str:
        """What the batch is part of, for people."""
        return f"run {self.batch.run.key}"


@dataclass(frozen=True, slots=True)
class SentEntries:
    """A batch of entries, and who sent it."""

    station: str
    batch: EntryBatch
    payload: bytes = b""

    @property
    def stream(self) -> str:
        """What the batch is part of, for people."""
        return f"chain {self.batch.chain}"


Sent = SentEvents | SentEntries


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A batch that was not taken because something is wrong with it."""

    run: int | None = None
    chain: str | None = None
    after: int = 0
    to: int = 0
    why: str


@dataclass(slots=True)
class Outcome:
    """What a station is answered: what is committed, and what was refused."""

    runs: dict[int, int] = field(default_factory=dict)
    """Key of a run, and up to which number the record has all of it."""
    ended: set[int] = field(default_factory=set)
    """Those of `runs` whose end the record has."""
    taken: list[tuple[int, int, int]] = field(default_factory=list)
    """Key of the run, after and to of each batch of events that was committed."""
    chains: dict[str, int] = field(default_factory=dict)
    entries_last: dict[str, str] = field(default_factory=dict)
    """Hash of the last entry that the record has of each of `chains`, where it has any."""
    refused: list[Refused] = field(default_factory=list)

    def add(self, other: "Outcome") -> None:
        """Add what became of later batches of the same station."""
        self.runs |= other.runs
        self.ended |= other.ended
        self.taken += other.taken
        self.chains |= other.chains
        self.entries_last |= other.entries_last
        self.refused += other.refused
