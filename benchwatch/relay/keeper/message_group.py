"""Takes what waits in the inbox as one group: batches, questions, and what is refused at once."""

from dataclasses import dataclass, field
from typing import Final

from benchwatch.central_record.batches import Outcome, Refused, Sent, SentEntries, SentEvents
from benchwatch.central_record.refused_batches import RefusedNote
from benchwatch.relay.batch import BatchRefused, ChainBatch, Question, RunBatch
from benchwatch.relay.keeper.inbox import Inbox, Message

MOST_MESSAGES: Final = 4000
MOST_EVENTS: Final = 20_000
MOST_CHARACTERS: Final = 8_000_000
"""Most messages, events and characters of texts that are written together."""


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
        """Add a message."""
        self.messages += 1
        self.events += message.events
        self.characters += message.characters
        content, station = message.content, message.station
        if isinstance(content, RunBatch):
            self.sent.append(SentEvents(station, content, message.payload))
        elif isinstance(content, ChainBatch):
            self.sent.append(SentEntries(station, content, message.payload))
        elif isinstance(content, Question):
            self.questions.append((station, content))
        else:
            self._refuse(message, content)

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
