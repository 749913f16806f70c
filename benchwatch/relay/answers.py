"""What the keeper answers a station: up to where the central record has all, and refusals."""

from dataclasses import dataclass
from typing import Any, Final

from benchwatch.relay.cell_checks import (
    CHAIN,
    ENTRY_CELLS,
    HAS_ALL_TO,
    KEY,
    Cell,
    row_fault,
    taken,
)
from benchwatch.relay.payload import VERSION, PayloadRefused, pack, unpack

MOST_ANSWERED: Final = 1000
"""Most runs, chains or refusals in one answer."""
_WHY: Final = Cell("why", longest=2_000)
_RUN_CELLS: Final = (KEY, HAS_ALL_TO)
_CHAIN_CELLS: Final = (CHAIN, HAS_ALL_TO)
_LAST_CELLS: Final = (CHAIN, ENTRY_CELLS[-1])
_TAKEN_CELLS: Final = (KEY, HAS_ALL_TO, HAS_ALL_TO)


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A batch that was not taken; either `run` or `chain` is given."""

    run: int | None = None
    chain: str | None = None
    after: int = 0
    to: int = 0
    why: str
    """A sentence of another machine, hostile until it went through `quantity.printable`."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What is committed: key of a run, or chain, and the number up to which the record has all."""

    runs: tuple[tuple[int, int], ...] = ()
    chains: tuple[tuple[str, int], ...] = ()
    refused: tuple[Refusal, ...] = ()
    taken: tuple[tuple[int, int, int], ...] = ()
    """Key, after and to of each batch of a run that was committed, new to the record or not. A
    station that sends a range again can't tell by the numbers above that it was taken."""
    ended: tuple[int, ...] = ()
    """Those of `runs` whose end the record has."""
    entries_last: tuple[tuple[str, str], ...] = ()
    """Chain, and the hash of the last entry that the record has of it; only of `chains`, and only
    where it has any. By it a station tells that the record has other entries than its register."""


def encode_answer(answer: Answer) -> bytes:
    """Return the payload of an answer with at most `MOST_ANSWERED` of each.

    Raises:
        PayloadRefused: a value can't be written.
    """
    refused = [
        {
            **({"run": one.run} if one.chain is None else {"chain": one.chain}),
            "after": one.after,
            "to": one.to,
            "why": one.why[: _WHY.longest],
        }
        for one in answer.refused
    ]
    document = {
        "runs": answer.runs, "chains": answer.chains, "refused": refused,
        "taken": answer.taken, "ended": answer.ended, "entries_last": answer.entries_last,
    }  # fmt: skip
    return pack({"v": VERSION, **{name: rows for name, rows in document.items() if rows}})


def decode_answer(payload: bytes) -> Answer:
    """Return the answer in a payload.

    Raises:
        PayloadRefused: anything is wrong with it.
    """
    document = unpack(payload)
    runs = _rows(document, "runs", _RUN_CELLS)
    chains = _rows(document, "chains", _CHAIN_CELLS)
    refused = tuple(map(_refusal, _list(document, "refused")))
    taken = _rows(document, "taken", _TAKEN_CELLS)
    ended = _list(document, "ended")
    if not KEY.all_sound(ended):
        raise PayloadRefused("one of its ended runs is no key of a run")
    entries_last = _rows(document, "entries_last", _LAST_CELLS)
    return Answer(runs, chains, refused, taken, tuple(ended), entries_last)


def _rows(document: dict[str, Any], name: str, cells: tuple[Cell, ...]) -> tuple[Any, ...]:
    rows = _list(document, name)
    for row in rows:
        why = "is no list" if type(row) is not list else row_fault(cells, row)
        if why is not None:
            raise PayloadRefused(f"one of its {name} {why}")
    return tuple(map(tuple, rows))


def _list(document: dict[str, Any], name: str) -> list[Any]:
    values = document.get(name, [])
    if type(values) is not list or len(values) > MOST_ANSWERED:
        raise PayloadRefused(f"its {name} are no list, or more than {MOST_ANSWERED}")
    return values


def _refusal(written: object) -> Refusal:
    if type(written) is not dict:
        raise PayloadRefused("one of its refusals is no JSON object")
    run, chain = written.get("run"), written.get("chain")
    if (run is None) == (chain is None):
        raise PayloadRefused("one of its refusals names neither a run nor a chain, or both")
    return Refusal(
        run=None if run is None else taken(KEY, run),
        chain=None if chain is None else taken(CHAIN, chain),
        after=taken(HAS_ALL_TO, written.get("after")),
        to=taken(HAS_ALL_TO, written.get("to")),
        why=taken(_WHY, written.get("why")),
    )
