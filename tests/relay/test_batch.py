"""Batches: what is sent is what is received, and nothing else is taken."""

import contextlib
import json
import math
import zlib
from dataclasses import replace
from typing import Any

import pytest
from batch_kit import (
    MADE_RUN,
    UTC_S,
    chain_batches,
    opened,
    packed,
    questions,
    readings,
    run_batches,
)
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.relay.batch import (
    BatchRefused,
    ChainBatch,
    Question,
    RunBatch,
    check_run,
    decode,
    encode,
)
from benchwatch.relay.cell_checks import EVENT_CELLS, Cell, check_event, separate
from benchwatch.relay.payload import PayloadTooLarge, pack, unpack, write_plain
from benchwatch.relay.strict_json import read_plain

GOOD = opened(
    encode(RunBatch(MADE_RUN, 0, 40, tuple(readings(1, 3)), ((5, UTC_S, 5.0, 2.0, "no reply"),)))
)


@given(run_batches() | chain_batches() | questions)
def test_what_is_sent_is_received(message: RunBatch | ChainBatch | Question) -> None:
    """A message comes back as it was, with each type of each cell."""
    received = decode(encode(message))

    assert received == message
    assert repr(received) == repr(message)


@given(run_batches(), st.data())
def test_any_change_is_refused_or_taken_whole(batch: RunBatch, data: st.DataObject) -> None:
    """A message in which anything was replaced by anything is refused, or is a sound batch."""
    document = opened(encode(batch))
    place: Any = document
    while True:
        keys = list(place) if isinstance(place, dict) else range(len(place))
        key = data.draw(st.sampled_from(keys))
        if not (isinstance(place[key], dict | list) and place[key]) or data.draw(st.booleans()):
            break
        place = place[key]
    values = st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.just([[1]])
    place[key] = data.draw(values | st.just({}) | st.just(10**400))
    with contextlib.suppress(BatchRefused):
        taken = decode(packed(document))
        assert decode(encode(taken)) == taken


@given(st.binary(max_size=200))
def test_any_bytes_are_refused(payload: bytes) -> None:
    """Bytes that are no message, and any cut message, are refused with a sentence."""
    whole = packed(GOOD)
    for wrong in (payload, zlib.compress(payload), whole[: len(payload)], whole + payload + b"x"):
        with pytest.raises(BatchRefused):
            decode(wrong)


def changed(**changes: Any) -> dict[str, Any]:
    """Return the good document with some keys replaced."""
    return {**GOOD, **changes}


def run_with(**changes: Any) -> dict[str, Any]:
    """Return the good document with some columns of its run replaced."""
    return changed(run={**GOOD["run"], **changes})


ROW = GOOD["readings"][0]


def reading_with(place: int, value: Any) -> dict[str, Any]:
    """Return the good document with one cell of a reading replaced."""
    return changed(readings=[[*ROW[:place], value, *ROW[place + 1 :]]])


@pytest.mark.parametrize(
    ("document", "why"),
    [
        ([], "no JSON object"),
        ({}, "which version"),
        (changed(v=True), "which version"),
        (changed(v=2), "newer program"),
        ({"v": 1}, "neither"),
        (reading_with(1, 1e300), "out of range"),
        (reading_with(1, 10**400), "a huge integer as utc_s, which is out of range"),
        (reading_with(1, True), "no number"),
        (reading_with(1, None), "no number"),
        (reading_with(4, "1\0"), "NUL"),
        (reading_with(4, "\ud800"), "not UTF-8"),
        (reading_with(4, 7), "no text"),
        (reading_with(4, "1" * 3000), "more than 2000"),
        (reading_with(0, 0), "out of range"),
        (reading_with(0, 2**63), "out of range"),
        (reading_with(0, 1.0), "no integer"),
        (reading_with(0, 41), "above 0 and up to 40"),
        (changed(readings=[ROW, ROW]), "don't rise"),
        (changed(readings=[ROW[:6]]), "6 values"),
        (changed(readings=[[]]), "0 values"),
        (changed(readings=[ROW, 5]), "list of lists"),
        (changed(readings={}), "list of lists"),
        (changed(left_out=[[1, "a"], [1, "b"]]), "don't rise"),
        (changed(after=41), "claims"),
        (changed(after=-1), "'after'"),
        (changed(to=2**63), "'to'"),
        (changed(to=40.0), "'to'"),
        (changed(after=1), "above 1"),
        (run_with(run="7"), "no integer"),
        (run_with(nominal_hz="-1"), "no frequency"),
        (run_with(nominal_hz="snan"), "no frequency"),
        (run_with(nominal_hz="1" * 65), "more than 64"),
        (run_with(started_utc_s=None), "no number"),
        (changed(run={"run": 7}), "has no watch"),
        (changed(run=7), "no JSON object"),
        (
            changed(readings=readings(1, 501), to=1000),
            "events, and more than 500",
        ),
        ({"v": 1, "chain": "c", "after": 0, "to": 2, "entries": []}, "claims 2"),
        ({"v": 1, "chain": 7, "after": 0, "to": 2, "entries": []}, "no text"),
        ({"v": 1, "ask": {"runs": ["7"]}}, "list of runs"),
        ({"v": 1, "ask": {"chains": list("ab") * 251}}, "list of chains"),
        ({"v": 1, "ask": [7]}, "no JSON object"),
    ],
)
def test_hostile_documents(document: Any, why: str) -> None:
    """Each wrong value is refused with a sentence that names it."""
    with pytest.raises(BatchRefused) as caught:
        decode(packed(document))

    assert why in str(caught.value)


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"\0" * 2_000_000, "more than 256000"),
        (zlib.compress(b" " * 100_000_000), "unpacks to more"),
        (zlib.compress(b"[" * 100_000), "no JSON"),
        (zlib.compress(b'{"v":1,"run":' * 1000), "no JSON"),
        (zlib.compress(b'{"v":NaN}'), "no JSON"),
        (zlib.compress(b'{"v":' + b"1" * 5000 + b"}"), "no JSON"),
        (zlib.compress(b'{"v":1,"run":"\xff"}'), "no JSON"),
        (json.dumps(GOOD).encode(), "zlib"),
        (packed(GOOD)[:-1], "cut"),
        (packed(GOOD) + b"more", "follows its end"),
    ],
)
def test_hostile_payloads(payload: bytes, why: str) -> None:
    """Bombs, deep nesting, two megabytes, nan, and bytes that are no UTF-8 are refused."""
    with pytest.raises(BatchRefused) as caught:
        decode(payload)

    assert why in str(caught.value)


def test_infinity_by_a_large_exponent() -> None:
    """A number that Python reads as infinity is refused, though JSON may write it."""
    text = json.dumps(GOOD).replace(repr(ROW[1]), "1e999")
    with pytest.raises(BatchRefused, match="inf as utc_s"):
        decode(zlib.compress(text.encode()))


def test_a_refusal_names_its_batch_if_it_can() -> None:
    """The station is told which of its batches was refused, as far as that can be known."""
    with pytest.raises(BatchRefused) as caught:
        decode(packed(reading_with(1, 1e300)))
    assert (caught.value.run, caught.value.after, caught.value.to) == (7, 0, 40)
    with pytest.raises(BatchRefused) as caught:
        decode(packed({"v": 1, "chain": "c", "after": 3, "to": "x"}))
    assert (caught.value.chain, caught.value.after, caught.value.to) == ("c", 3, 0)
    with pytest.raises(BatchRefused) as caught:
        decode(b"garbage")
    assert (caught.value.run, caught.value.chain) == (None, None)


def test_unknown_keys_are_ignored() -> None:
    """A later program of the same version of messages may say more."""
    assert decode(packed(changed(more=1, run={**GOOD["run"], "more": 2}))) == decode(packed(GOOD))


def test_whole_numbers_become_floats() -> None:
    """A real number without a fraction that came as an integer is stored like the others."""
    batch = decode(packed(changed(readings=[[1, 5, 6, None, "7", 0, ""], [2, *ROW[1:]]])))

    assert isinstance(batch, RunBatch)
    assert repr(batch.readings[0]) == "(1, 5.0, 6.0, None, '7', 0.0, '')"


def test_what_is_too_large_is_not_sent() -> None:
    """A batch that nobody would take is refused before it is sent, as one to be halved."""
    documents = [(n, UTC_S, 0.0, "k", str(n) * 1_000_000) for n in range(1, 6)]
    with pytest.raises(PayloadTooLarge):
        encode(RunBatch(MADE_RUN, 0, 5, notes=documents))


@given(st.sampled_from(sorted(EVENT_CELLS)), st.data())
def test_a_column_is_judged_as_its_cells(kind: str, data: st.DataObject) -> None:
    """The quick check of a whole column agrees with that of each cell, whatever they hold."""
    cell = data.draw(st.sampled_from(EVENT_CELLS[kind]))
    near = st.sampled_from(
        [0, 1, -1, 2**63 - 1, 2**63, 1e38, -1e38, 1e39, math.nan, math.inf, -math.inf, 10**400]
    )
    anything = (
        st.none() | st.booleans() | near | st.integers() | st.floats() | st.text() | st.binary()
    )
    values = data.draw(st.lists(anything | st.text("ab\0\ud800") | near, min_size=1, max_size=4))

    assert cell.all_sound(values) == all(cell.fault(value) is None for value in values)


def test_texts_up_to_their_limit() -> None:
    """A text may have as many characters as its limit says, and no more."""
    cell = Cell("text", longest=3)
    assert [cell.all_sound([text]) for text in ("abc", "abcd")] == [True, False]


def test_the_station_finds_what_the_keeper_would_refuse() -> None:
    """Rows that can't be sent are separated, each with its number and a reason."""
    good, left_out = separate(
        "readings", [ROW, *readings(2, 1), (3, math.inf, *ROW[2:]), (1.5, *ROW[1:])]
    )

    assert [row[0] for row in good] == [1, 2]
    assert left_out == [(3, "an event of the readings has inf as utc_s, which is out of range")]
    assert check_event("marks", (1, UTC_S, 0.0, "\0")) == "has a NUL in its text"


def test_runs_that_can_not_be_sent() -> None:
    """A run's row is checked like an event."""
    assert check_run(MADE_RUN) is None
    assert check_run(replace(MADE_RUN, identity="a\0")) == "has a NUL in its identity"
    assert check_run(replace(MADE_RUN, settings="x" * 200_000)) is not None


def test_small_messages_are_not_compressed() -> None:
    """Lines and states are plain JSON, which any program can read, and as strictly checked."""
    assert read_plain(write_plain({"v": 1, "here": True})) == {"v": 1, "here": True}
    assert unpack(pack({"v": 1})) == {"v": 1}
    endless = b'{"v":1,"a":1e999}', b'{"v":1,"a":' + b"1" * 50 + b"}"
    for wrong in (b"", b"[1]", b'{"v":2}', b'{"v":1,"a":NaN}', b" " * 100_000, *endless):
        with pytest.raises(Exception, match="it "):
            read_plain(wrong)
