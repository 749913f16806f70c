"""Topics: the names in them, and what comes from elsewhere."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.relay import topics
from benchwatch.relay.topics import Topic, read_topic

UTF8_TEXTS = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=50)


@given(UTF8_TEXTS)
def test_any_counter_comes_back_from_its_topic(counter: str) -> None:
    """A counter's name is one place of a topic, without the signs of MQTT, and is read back."""
    topic = topics.line_topic("tide-007", counter)

    assert read_topic(topic) == Topic("tide-007", "line", counter)
    assert topic.count("/") == 4
    assert not set("+#\0") & set(topic)


@given(st.text(max_size=60))
def test_what_is_no_topic_of_ours_is_none(text: str) -> None:
    """Whatever the topic of a message is, it is read back to itself or is none of ours."""
    topic = read_topic(f"bw/1/{text}")

    assert topic is None or str(topic) == f"bw/1/{text}"


@pytest.mark.parametrize(
    "text",
    ["bw/1/keeper", "bw/2/tide/batch", "bw/1/Tide/batch", "bw/1/tide/main/batch",
     "bw/1/tide/%6D/line", "bw/1/tide/a/b/line", "bw/1/tide", "", "bw/1//batch",
     "bw/1/tide/%FF/line"],
)  # fmt: skip
def test_foreign_topics(text: str) -> None:
    """Other versions, wrong names and encodings that nobody writes are none of ours."""
    assert read_topic(text) is None


def test_topics_of_a_station() -> None:
    """The topics are those of the access list."""
    assert topics.batch_topic("tide") == "bw/1/tide/batch"
    assert topics.answer_topic("tide") == "bw/1/tide/ack"
    assert topics.here_topic("tide") == "bw/1/tide/here"
    assert topics.look_topic("tide") == "bw/1/tide/look"
    assert topics.state_topic("tide", "a/b") == "bw/1/tide/a%2Fb/state"
    assert read_topic("bw/1/tide/batch") == Topic("tide", "batch")
