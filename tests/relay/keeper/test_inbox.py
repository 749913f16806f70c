"""What waits for the keeper is bounded, by station and altogether, and so is a group."""

from dataclasses import replace

from central_record_kit import reading
from keeper_kit import batch

from benchwatch.relay.keeper import inbox as inbox_module
from benchwatch.relay.keeper import message_group
from benchwatch.relay.keeper.inbox import MOST_OF_A_STATION, Inbox, Message, read_message
from benchwatch.relay.keeper.message_group import take_group


def opened() -> Inbox:
    """Return an inbox that takes messages."""
    inbox = Inbox()
    inbox.open()
    return inbox


def message(station: str, payload: bytes = b"", characters: int = 0) -> Message:
    """Return a message that can't be read, with so many characters."""
    return replace(read_message(station, payload), characters=characters)


def put(inbox: Inbox, one: Message) -> bool:
    """Put a message in if there is room for it, and return whether there was."""
    room = inbox.has_room(one.station)
    if room:
        inbox.put(one)
    return room


def test_it_gives_in_the_order_it_took():
    """The message that waited longest comes first; an empty inbox gives None."""
    inbox = opened()
    messages = [message("a", b"1"), message("b", b"2"), message("a", b"3")]
    assert all(put(inbox, one) for one in messages)

    assert [inbox.take() for _ in range(4)] == [*messages, None]


def test_a_station_has_a_share():
    """Beyond it messages are dropped and counted; what is taken out makes room."""
    inbox = opened()
    taken = [put(inbox, message("a")) for _ in range(MOST_OF_A_STATION + 2)]
    others = put(inbox, message("b"))
    inbox.take()

    assert taken == [True] * MOST_OF_A_STATION + [False] * 2
    assert (others, inbox.dropped, put(inbox, message("a"))) == (True, 2, True)


def test_characters_and_events_are_bounded(monkeypatch):
    """The characters of a station, and those and the events of all, have limits of their own."""
    monkeypatch.setattr(inbox_module, "MOST_CHARACTERS_OF_A_STATION", 10)
    monkeypatch.setattr(inbox_module, "MOST_CHARACTERS", 25)
    inbox = opened()

    assert [put(inbox, message("a", characters=10)) for _ in range(2)] == [True, False]
    assert [put(inbox, message(station, characters=10)) for station in "bcd"] == [
        True, True, False,
    ]  # fmt: skip
    inbox.take()
    assert put(inbox, message("d"))
    monkeypatch.setattr(inbox_module, "MOST_EVENTS", 3)
    assert not put(inbox, message("e"))


def test_a_closed_inbox_keeps_nothing():
    """While the database is away nothing waits, and what waited before is gone."""
    inbox = opened()
    put(inbox, message("a"))
    inbox.close()
    late = message("a")
    taken = put(inbox, late)
    inbox.put(late)  # it was being read when the inbox was closed
    inbox.open()

    assert (taken, inbox.take()) == (False, None)
    assert put(inbox, message("a"))


def test_nobody_waits_after_the_end():
    """The wait of the keeper returns at once."""
    inbox = opened()
    inbox.end()

    assert not inbox.wait(60.0)


def test_a_group_ends_at_its_limits(monkeypatch):
    """Events and characters of unpacked texts are counted; the rest waits for the next group."""
    monkeypatch.setattr(message_group, "MOST_EVENTS", 25)
    inbox = opened()
    for key in range(8):
        inbox.put(read_message("a", batch(1, 10, key=key)))
    first = take_group(inbox)
    a_batch = first.characters // 3
    monkeypatch.setattr(message_group, "MOST_CHARACTERS", a_batch + 1)
    second = take_group(inbox)
    third = take_group(inbox, most_messages=1)

    assert (first.messages, first.events) == (3, 30)
    assert a_batch >= 10 * len(reading(1)[4])
    assert (second.messages, third.messages) == (2, 1)
