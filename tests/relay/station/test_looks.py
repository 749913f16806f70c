"""Which counters desks look at, for how long, and how often each is to be told of."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.relay.payload import PayloadRefused
from benchwatch.relay.station.looks import (
    LONGEST_LOOK_S,
    LONGEST_SPACING_S,
    MOST_SPACINGS,
    Look,
    Looks,
    read_look,
)


def message(**values: Any) -> bytes:
    """Return the message of a desk."""
    return json.dumps({"v": 1, "counter": None, "every_s": 0, "for_s": 30} | values).encode()


def test_a_look_is_read() -> None:
    """A name, or all counters."""
    assert read_look(message(counter="main", every_s=5)) == Look("main", 5.0, 30.0)
    assert read_look(message()) == Look(None, 0.0, 30.0)


def test_what_a_desk_asks_for_is_bounded() -> None:
    """A desk that asks once for a year is forgotten within minutes, like any other."""
    look = read_look(message(every_s=1e300, for_s=1e300))

    assert look == Look(None, LONGEST_SPACING_S, LONGEST_LOOK_S)


@pytest.mark.parametrize(
    "payload",
    [
        b"", b"x", b"[]", message(v=2), message(v="1"), message(counter=7), message(every_s=-1),
        message(every_s="5"), message(for_s=None), message(for_s=True), b'{"v":1,"for_s":NaN}',
    ],
)  # fmt: skip
def test_odd_messages_are_refused(payload: bytes) -> None:
    """Whoever can reach the broker can write them."""
    with pytest.raises(PayloadRefused):
        read_look(payload)


def test_the_least_spacing_of_the_looks_that_last_counts() -> None:
    """A wall wants a line in 5 s of all, a desk each line of one; the desk goes first."""
    looks = Looks(["main", "five"])
    looks.add(Look(None, 5.0, 60.0), 0.0)
    looks.add(Look("main", 0.0, 30.0), 0.0)

    assert looks.spacings(29.9) == {"main": 0.0, "five": 5.0}
    assert looks.spacings(30.0) == {"main": 5.0, "five": 5.0}
    assert looks.spacings(60.0) == {}


def test_a_look_that_is_repeated_lasts() -> None:
    """A shorter one does not end a longer one."""
    looks = Looks(["main"])
    looks.add(Look("main", 0.0, 30.0), 0.0)
    looks.add(Look("main", 0.0, 30.0), 20.0)
    looks.add(Look("main", 0.0, 1.0), 21.0)

    assert looks.spacings(49.9) == {"main": 0.0}
    assert looks.spacings(50.0) == {}


@given(st.lists(st.tuples(st.text(max_size=3), st.floats(0.0, 3600.0)), max_size=50))
def test_looks_take_bounded_room(asked: list[tuple[str, float]]) -> None:
    """Names that are no counters, and ever other spacings, fill no memory."""
    looks = Looks(["main"])
    for name, every_s in asked:
        looks.add(Look(name, every_s, 30.0), 0.0)
        looks.add(Look("main", every_s, 30.0), 0.0)

    assert list(looks._until_s) == ["main"]
    assert len(looks._until_s["main"]) <= MOST_SPACINGS
