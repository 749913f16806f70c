"""Takes what waits in the inbox as one group: batches, questions, and what is refused at once."""

from dataclasses import dataclass, field
from typing import Final

from benchwatch.central_record.batches import Outcome, Refused, Sent, SentEntries, SentEvents
from benchwatch.central_record.refused_batches import RefusedNote
from benchwatch.relay.batch import BatchRefused, ChainBatch, Question, RunBatch, decode
from benchwatch.relay.keeper.inbox import Inbox, Message

MOST_MESSAGES: Final = 4000
MOST_EVENTS: Final = 20_000
MOST_CHARACTERS: Final = 8_000_000
"""Most characters of texts in a group: a few bytes of a message may unpack to 4 MB."""


@dataclass(slots=True)
class MessageGroup:
    """Messages that are written and answered together."""

    sent: list[Sent] = field(default_factory=list)
    questions: list[tuple[str, Question]] = field(default_factory=list)
    notes: list[RefusedNote] = field(default_factory=list)
    refused: dict[str, Outcome] = field(default_factory=dict)
    """Refusals by station, of messages that are no batches."""
    messages: int = 0
    events: int = 0
    characters: int = 0

    def add(self, message: Message) -> None:
        """Add a message, if it can be read."""
        self.messages += 1
        try:
            read = decode(message.payload)
        except BatchRefused as error:
            self._refuse(message, error)
            return
        if isinstance(read, Question):
            self.questions.append((message.station, read))
            return
        self.events += len(read)
        self.characters += _characters(read)
        if isinstance(read, ChainBatch):
            self.sent.append(SentEntries(message.station, read, message.payload))
        else:
            self.sent.append(SentEvents(message.station, read, message.payload))

    def _refuse(self, message: Message, error: BatchRefused) -> None:
        stream = ""
        if error.run is not None or error.chain is not None:
            stream = f"run {error.run}" if error.chain is None else f"chain {error.chain}"
            self.refused.setdefault(message.station, Outcome()).refused.append(
                Refused(
                    run=error.run if error.chain is None else None, chain=error.chain,
                    after=error.after, to=error.to, why=str(error),
                )
            )  # fmt: skip
        self.notes.append(
            RefusedNote(message.station, stream, error.after, error.to, str(error), message.payload)
        )


def take_group(inbox: Inbox, most_messages: int = MOST_MESSAGES) -> MessageGroup:
    """Take what waits, up to the limits of a group."""
    group = MessageGroup()
    while (
        group.messages < most_messages
        and group.events < MOST_EVENTS
        and group.characters < MOST_CHARACTERS
    ):
        message = inbox.take()
        if message is None:
            break
        group.add(message)
    return group


def _characters(batch: RunBatch | ChainBatch) -> int:
    """Return about how many characters the texts of a batch have."""
    if isinstance(batch, ChainBatch):
        return sum(len(entry.document) + len(entry.who) for entry in batch.entries)
    run = batch.run
    count = len(run.settings) + len(run.identity) + len(run.end_reason)
    count += sum([len(row[4]) + len(row[6]) for row in batch.readings])
    for rows in (batch.gaps, batch.marks, batch.records, batch.notes, batch.left_out):
        count += sum([len(row[-1]) for row in rows])
    return count
