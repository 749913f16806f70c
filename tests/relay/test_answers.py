"""Answers: a station believes the keeper as little as the keeper believes a station."""

import contextlib
from typing import Any

import pytest
from batch_kit import opened, packed, texts
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.relay.answers import Answer, Refusal, decode_answer, encode_answer
from benchwatch.relay.payload import PayloadRefused

numbers = st.integers(0, 2**63 - 1)
refusals = st.builds(Refusal, run=numbers, after=numbers, to=numbers, why=texts) | st.builds(
    Refusal, chain=texts, after=numbers, to=numbers, why=texts
)
answers = st.builds(
    Answer,
    st.lists(st.tuples(numbers, numbers), max_size=5).map(tuple),
    st.lists(st.tuples(texts, numbers), max_size=5).map(tuple),
    st.lists(refusals, max_size=3).map(tuple),
    st.lists(st.tuples(numbers, numbers, numbers), max_size=3).map(tuple),
    st.lists(numbers, max_size=3).map(tuple),
    st.lists(st.tuples(texts, texts), max_size=3).map(tuple),
)


@given(answers)
def test_what_is_answered_is_received(answer: Answer) -> None:
    """An answer comes back as it was."""
    assert decode_answer(encode_answer(answer)) == answer


@given(answers, st.none() | st.booleans() | st.integers() | st.floats() | st.text(), st.data())
def test_a_changed_answer_is_refused_or_sound(
    answer: Answer, value: Any, data: st.DataObject
) -> None:
    """An answer in which anything was replaced is refused with a sentence, or is sound."""
    document = opened(encode_answer(answer))
    document[data.draw(st.sampled_from(sorted(document)))] = data.draw(
        st.just(value) | st.just([value]) | st.just([[value, value]]) | st.just([{"run": value}])
    )
    with contextlib.suppress(PayloadRefused):
        taken = decode_answer(packed(document))
        assert decode_answer(encode_answer(taken)) == taken


@pytest.mark.parametrize(
    "document",
    [
        {"v": 1, "runs": [[1, -1]]},
        {"v": 1, "runs": [[1, True]]},
        {"v": 1, "runs": [[1, 2**63]]},
        {"v": 1, "runs": [[1]]},
        {"v": 1, "runs": [1]},
        {"v": 1, "runs": [[1, 1]] * 1001},
        {"v": 1, "chains": [["a\0", 1]]},
        {"v": 1, "refused": [{"run": 1, "chain": "a", "after": 0, "to": 0, "why": ""}]},
        {"v": 1, "refused": [{"after": 0, "to": 0, "why": ""}]},
        {"v": 1, "refused": [{"run": 1, "after": 0, "to": 0}]},
        {"v": 1, "refused": [7]},
        {"v": 1, "taken": [[1, 2]]},
        {"v": 1, "taken": [[1, 2, -3]]},
        {"v": 1, "ended": ["1"]},
        {"v": 1, "entries_last": [["a", 1]]},
        {"v": 1, "entries_last": [["a", "0" * 129]]},
        {"v": 1, "entries_last": [["a\0", "0"]]},
        {"v": 2},
    ],
)
def test_hostile_answers(document: Any) -> None:
    """Wrong types, ranges and counts are refused."""
    with pytest.raises(PayloadRefused):
        decode_answer(packed(document))
