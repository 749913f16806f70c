"""How many events are unsent: counted down by answers, and anew where these say too little."""

from benchwatch.relay.station.stream import Flight, Stream
from benchwatch.relay.station.unsent_count import UnsentCount, total_unsent


class MadeEvents:
    """A run with nine events, numbered from 1 on."""

    def __init__(self) -> None:
        self.counted = 0

    def count(self, _key: int, after: int) -> tuple[int, float | None]:
        """Count the events after a number, and how often it is asked."""
        self.counted += 1
        return 9 - after, None


def flying() -> Stream:
    """Return a run of nine events, of which six are under way in two batches."""
    flights = [Flight(0, 3, 3, None, 0.0), Flight(3, 6, 3, None, 0.0)]
    return Stream(1, is_known=True, sent_to=6, unsent=9, flights=flights)


def test_answers_to_what_is_under_way_count_down() -> None:
    """No event is counted again in the journal."""
    stream, events = flying(), MadeEvents()
    stream.has_all_to(3)
    assert stream.unsent == 6
    stream.has_all_to(6)
    UnsentCount(events).count([stream], (), {}, 0.0)

    assert stream.unsent == 3
    assert events.counted == 0


def test_an_answer_that_comes_after_its_batch_was_given_up_is_counted_again() -> None:
    """Else what it was an answer to would count as unsent for ever."""
    stream, events = flying(), MadeEvents()
    stream.go_back()
    stream.has_all_to(6)
    UnsentCount(events).count([stream], (), {}, 0.0)

    assert stream.unsent == 3
    assert events.counted == 1


def test_a_record_that_falls_back_is_counted_again() -> None:
    """What was sent is unsent once more."""
    stream = flying()
    stream.has_all_to(6)
    stream.has_all_to(0)
    UnsentCount(MadeEvents()).count([stream], (), {}, 0.0)

    assert stream.unsent == 9


def test_entries_that_are_added_to_a_register_are_counted() -> None:
    """Though a chain is not one of the runs that this program writes."""
    stream, count = Stream("c", is_known=True, done_to=4), UnsentCount(MadeEvents())
    count.count([stream], (), {"c": 4}, 0.0)
    assert total_unsent([stream]) == 0
    count.count([stream], (), {"c": 7}, 1.0)

    assert total_unsent([stream]) == 3
