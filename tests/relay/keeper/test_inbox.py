"""What waits for the keeper is bounded, by station and altogether, and so is a group."""

from central_record_kit import reading
from keeper_kit import batch

from benchwatch.relay.keeper import inbox as inbox_module
from benchwatch.relay.keeper import message_group
from benchwatch.relay.keeper.inbox import MOST_OF_A_STATION, Inbox, Message
from benchwatch.relay.keeper.message_group import take_group


def opened() -> Inbox:
    """Return an inbox that takes messages."""
    inbox = Inbox()
    inbox.open()
    return inbox


def test_it_gives_in_the_order_it_took():
    """The message that waited longest comes first; an empty inbox gives None."""
    inbox = opened()
    messages = [Message("a", b"1"), Message("b", b"2"), Message("a", b"3")]
    assert all(map(inbox.put, messages))

    assert [inbox.take() for _ in range(4)] == [*messages, None]


def test_a_station_has_a_share():
    """Beyond it messages are dropped and counted; what is taken out makes room."""
    inbox = opened()
    put = [inbox.put(Message("a", b"")) for _ in range(MOST_OF_A_STATION + 2)]
    others = inbox.put(Message("b", b""))
    inbox.take()

    assert put == [True] * MOST_OF_A_STATION + [False] * 2
    assert (others, inbox.dropped, inbox.put(Message("a", b""))) == (True, 2, True)


def test_bytes_are_bounded(monkeypatch):
    """A station's bytes and those of all have a limit of their own."""
    monkeypatch.setattr(inbox_module, "MOST_BYTES_OF_A_STATION", 10)
    monkeypatch.setattr(inbox_module, "MOST_BYTES", 25)
    inbox = opened()

    assert not inbox.put(Message("a", b"x" * 11))
    assert [inbox.put(Message(station, b"x" * 10)) for station in "abc"] == [True, True, False]
    inbox.take()
    assert inbox.put(Message("c", b"x" * 10))


def test_a_closed_inbox_keeps_nothing():
    """While the database is away nothing waits, and what waited before is gone."""
    inbox = opened()
    inbox.put(Message("a", b"1"))
    inbox.close()
    taken = inbox.put(Message("a", b"2"))
    inbox.open()

    assert (taken, inbox.take()) == (False, None)
    assert inbox.put(Message("a", b"3"))


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
        inbox.put(Message("a", batch(1, 10, key=key)))
    first = take_group(inbox)
    a_batch = first.characters // 3
    monkeypatch.setattr(message_group, "MOST_CHARACTERS", a_batch + 1)
    second = take_group(inbox)
    third = take_group(inbox, most_messages=1)

    assert (first.messages, first.events) == (3, 30)
    assert a_batch >= 10 * len(reading(1)[4])
    assert (second.messages, third.messages) == (2, 1)
