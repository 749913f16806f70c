"""Runs and batches for tests of the relay, and payloads written without its own writer."""

import json
import zlib
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from benchwatch.journal.schema import JournalRun
from benchwatch.register.register_entry import RegisterEntry
from benchwatch.relay.batch import ChainBatch, Question, RunBatch

UTC_S = 1_790_000_000.25
MADE_RUN = JournalRun(
    key=7,
    watch=6,
    counter="main",
    resource="made",
    driver="scpi",
    started_utc_s=UTC_S,
    nominal_hz=Decimal("10000000.0"),
    identity="made counter",
)


def packed(document: object) -> bytes:
    """Return the payload of any document, also of one that the relay would not write."""
    return zlib.compress(json.dumps(document).encode())


def opened(payload: bytes) -> Any:
    """Return the document in a payload."""
    return json.loads(zlib.decompress(payload))


def readings(
    first: int, count: int
) -> list[tuple[int, float, float, float | None, str, float, str]]:
    """Return made readings with consecutive numbers, one a second."""
    return [
        (number, UTC_S + number, float(number), 1.0, f"10000000.{number % 10000:04}", 1e-4, "")
        for number in range(first, first + count)
    ]


texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
times = st.floats(0.0, 2e11)
reals = st.floats(-1e38, 1e38)
maybe_reals = st.none() | reals

runs = st.builds(
    JournalRun,
    key=st.integers(0, 2**63 - 1),
    watch=st.integers(0, 2**63 - 1),
    counter=texts,
    resource=texts,
    driver=texts,
    started_utc_s=times,
    nominal_hz=st.none() | st.decimals("0.001", "1e12", places=3),
    identity=texts,
    time_base=texts,
    gate_s=st.none() | st.floats(1e-9, 1e38),
    settings=texts,
    ended_utc_s=st.none() | times,
    end_reason=texts,
)

_CELLS = {
    "readings": (times, reals, maybe_reals, texts, reals, texts),
    "gaps": (times, reals, reals, texts),
    "marks": (times, reals, texts),
    "records": (times, reals, texts, texts),
    "notes": (times, reals, texts, texts),
    "left_out": (texts,),
}


@st.composite
def run_batches(draw: st.DrawFn) -> RunBatch:
    """Draw a batch of a run whose numbers have holes."""
    after = draw(st.integers(0, 2**62))
    steps = draw(st.lists(st.integers(1, 9), max_size=12))
    to = after + sum(steps) + draw(st.integers(0, 5))
    rows: dict[str, list[Any]] = {kind: [] for kind in _CELLS}
    number = after
    for step in steps:
        number += step
        kind = draw(st.sampled_from(sorted(_CELLS)))
        rows[kind].append((number, *(draw(cell) for cell in _CELLS[kind])))
    return RunBatch(draw(runs), after, to, **{kind: tuple(some) for kind, some in rows.items()})


@st.composite
def chain_batches(draw: st.DrawFn) -> ChainBatch:
    """Draw entries of a chain with consecutive numbers."""
    after, count = draw(st.integers(0, 2**62)), draw(st.integers(0, 5))
    chain = draw(texts)
    entries = tuple(
        RegisterEntry(
            chain=chain, number=after + place, at=draw(texts), who=draw(texts), kind=draw(texts),
            unit=draw(st.none() | texts), visit=draw(st.none() | texts),
            amends=draw(st.none() | texts), document=draw(texts), hash=draw(texts),
        )
        for place in range(1, count + 1)
    )  # fmt: skip
    return ChainBatch(chain, after, after + count, entries)


questions = st.builds(
    Question,
    st.lists(st.integers(0, 2**63 - 1), max_size=5).map(tuple),
    st.lists(texts, max_size=5).map(tuple),
)
