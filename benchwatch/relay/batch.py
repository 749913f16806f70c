"""What a station sends to the keeper: batches of a run or a chain, and questions.

A batch of a run claims a range: these are all events of this run with after < number <= to. A
program's runs share their numbers, so that those of one run have holes, and nothing else would say
that none is missing. The entries of a chain have numbers without holes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import Any, Final

from benchwatch.journal.journal_reader import ReadingRow
from benchwatch.journal.schema import JournalRun
from benchwatch.register.register_entry import RegisterEntry
from benchwatch.relay.cell_checks import (
    CHAIN,
    ENTRY_CELLS,
    EVENT_CELLS,
    HAS_ALL_TO,
    KEY,
    LEFT_OUT_CELLS,
    RUN_CELLS,
    check_rising,
    row_fault,
    taken,
    taken_rows,
)
from benchwatch.relay.payload import VERSION, PayloadRefused, pack, unpack

MOST_EVENTS: Final = 500
"""Most events or entries of a batch, and most runs or chains of a question."""

TextRow = tuple[int, float, float, str]
DocumentRow = tuple[int, float, float, str, str]


class BatchRefused(PayloadRefused):
    """A batch or question is not what it should be; what is known of it is told to its station."""

    def __init__(
        self, why: str, *, run: int | None = None, chain: str | None = None,
        after: int = 0, to: int = 0,
    ) -> None:  # fmt: skip
        super().__init__(why)
        self.run, self.chain, self.after, self.to = run, chain, after, to


@dataclass(frozen=True, slots=True)
class RunBatch:
    """All events of `run` with after < number <= to; rows as in `journal_reader.Portion`."""

    run: JournalRun
    after: int
    to: int
    readings: Sequence[ReadingRow] = ()
    gaps: Sequence[tuple[int, float, float, float, str]] = ()
    marks: Sequence[TextRow] = ()
    records: Sequence[DocumentRow] = ()
    notes: Sequence[DocumentRow] = ()
    left_out: Sequence[tuple[int, str]] = ()
    """Number of each event that can't be sent, and why."""

    def __len__(self) -> int:
        """Return the number of events, with those left out."""
        return len(self.left_out) + sum(len(getattr(self, kind)) for kind in EVENT_CELLS)


@dataclass(frozen=True, slots=True)
class ChainBatch:
    """The entries of a register's chain with after < number <= to."""

    chain: str
    after: int
    to: int
    entries: tuple[RegisterEntry, ...] = ()

    def __len__(self) -> int:
        """Return the number of entries."""
        return len(self.entries)


@dataclass(frozen=True, slots=True)
class Question:
    """Asks up to which number the central record has runs and chains of this station."""

    runs: tuple[int, ...] = ()
    chains: tuple[str, ...] = ()


def encode(message: RunBatch | ChainBatch | Question) -> bytes:
    """Return the payload of a message whose cells were checked.

    Raises:
        PayloadTooLarge: it has to be sent in parts.
        PayloadRefused: a cell can't be written.
    """
    if isinstance(message, Question):
        return pack({"v": VERSION, "ask": {"runs": message.runs, "chains": message.chains}})
    claim = {"after": message.after, "to": message.to}
    if isinstance(message, ChainBatch):
        rows = [_entry_row(entry) for entry in message.entries]
        return pack({"v": VERSION, "chain": message.chain, **claim, "entries": rows})
    events = {kind: rows for kind in EVENT_CELLS if (rows := getattr(message, kind))}
    if message.left_out:
        events["left_out"] = message.left_out
    names = (cell.name for cell in RUN_CELLS)
    run = dict(zip(names, run_cells(message.run), strict=True))
    return pack({"v": VERSION, "run": run, **claim, **events})


def decode(payload: bytes) -> RunBatch | ChainBatch | Question:
    """Return the message in a payload, with every cell checked.

    Raises:
        BatchRefused: anything is wrong with it.
    """
    document: dict[str, Any] = {}
    try:
        document = unpack(payload)
        return _message(document)
    except PayloadRefused as error:
        raise _refusal(str(error), document) from error


def _message(document: dict[str, Any]) -> RunBatch | ChainBatch | Question:
    if "run" in document:
        return _run_batch(document)
    if "chain" in document:
        return _chain_batch(document)
    if "ask" in document:
        return _question(document["ask"])
    raise PayloadRefused("it is neither a batch nor a question")


def run_cells(run: JournalRun) -> tuple[Any, ...]:
    """Return the columns of a run, in the order of the journal's table."""
    return (
        run.key, run.watch, run.counter, run.resource, run.driver, run.started_utc_s,
        None if run.nominal_hz is None else str(run.nominal_hz), run.identity, run.time_base,
        run.gate_s, run.settings, run.ended_utc_s, run.end_reason,
    )  # fmt: skip


def check_run(run: JournalRun) -> str | None:
    """Return why a run can't be sent, as the end of a sentence; None: it can."""
    return row_fault(RUN_CELLS, run_cells(run))


def check_entry(entry: RegisterEntry) -> str | None:
    """Return why an entry can't be sent, as the end of a sentence; None: it can."""
    return CHAIN.fault(entry.chain) or row_fault(ENTRY_CELLS, _entry_row(entry))


def _entry_row(entry: RegisterEntry) -> tuple[Any, ...]:
    return (
        entry.number, entry.at, entry.who, entry.kind, entry.unit, entry.visit, entry.amends,
        entry.document, entry.hash,
    )  # fmt: skip


def _run_batch(document: dict[str, Any]) -> RunBatch:
    run = _run(document["run"])
    after, to = _claim(document)
    rows = {
        kind: taken_rows(kind, cells, document[kind])
        for kind, cells in EVENT_CELLS.items()
        if kind in document
    }
    if "left_out" in document:
        rows["left_out"] = taken_rows("left_out", LEFT_OUT_CELLS, document["left_out"])
    for kind, some in rows.items():
        check_rising(kind, some, after, to)
    batch = RunBatch(run, after, to, **rows)
    if len(batch) > MOST_EVENTS:
        raise PayloadRefused(f"it has {len(batch)} events, and more than {MOST_EVENTS}")
    return batch


def _run(written: object) -> JournalRun:
    if type(written) is not dict:
        raise PayloadRefused("its run is no JSON object")
    missing = [cell.name for cell in RUN_CELLS if cell.name not in written]
    if missing:
        raise PayloadRefused(f"its run has no {missing[0]}")
    row = [written[cell.name] for cell in RUN_CELLS]
    texts = [value for value in row if type(value) is str]
    if set(map(type, row)) <= _PLAIN_TYPES and sum(map(len, texts)) <= _LONGEST_KEPT:
        return _kept_run(*row)
    return _checked_run(*row)


def _checked_run(*written: Any) -> JournalRun:
    row = list(written)
    why = row_fault(RUN_CELLS, row)
    if why is not None:
        raise PayloadRefused(f"its run {why}")
    for place in (5, 9, 11):  # times and the gate
        row[place] = None if row[place] is None else float(row[place])
    return JournalRun(
        key=row[0],
        watch=row[1],
        counter=row[2],
        resource=row[3],
        driver=row[4],
        started_utc_s=row[5],
        nominal_hz=_nominal(row[6]),
        identity=row[7],
        time_base=row[8],
        gate_s=row[9],
        settings=row[10],
        ended_utc_s=row[11],
        end_reason=row[12],
    )


_PLAIN_TYPES: Final = {str, int, float, type(None)}
_LONGEST_KEPT: Final = 2000
"""Most characters of a run that is kept."""
_kept_run: Final = lru_cache(maxsize=20_000, typed=True)(_checked_run)
"""Runs that were checked: most batches of a run come with the same row."""


def _nominal(written: str | None) -> Decimal | None:
    if written is None:
        return None
    try:
        nominal = Decimal(written)
    except InvalidOperation:
        nominal = Decimal(0)
    if not (nominal.is_finite() and 0 < nominal < Decimal("1e38")):
        raise PayloadRefused("the nominal of its run is no frequency")
    return nominal


def _chain_batch(document: dict[str, Any]) -> ChainBatch:
    chain = taken(CHAIN, document["chain"])
    after, to = _claim(document)
    rows = taken_rows("entries", ENTRY_CELLS, document.get("entries", []))
    if len(rows) > MOST_EVENTS:
        raise PayloadRefused(f"it has {len(rows)} entries, and more than {MOST_EVENTS}")
    check_rising("entries", rows, after, to)
    if len(rows) != to - after:
        raise PayloadRefused(f"it claims {to - after} entries, and has {len(rows)}")
    entries = tuple(
        RegisterEntry(
            chain=chain, number=number, at=at, who=who, kind=kind, unit=unit, visit=visit,
            amends=amends, document=text, hash=digest,
        )
        for number, at, who, kind, unit, visit, amends, text, digest in rows
    )  # fmt: skip
    return ChainBatch(chain, after, to, entries)


def _question(ask: object) -> Question:
    if type(ask) is not dict:
        raise PayloadRefused("its question is no JSON object")
    found = []
    for name, cell in (("runs", KEY), ("chains", CHAIN)):
        values = ask.get(name, [])
        if type(values) is not list or len(values) > MOST_EVENTS or not cell.all_sound(values):
            raise PayloadRefused(f"its question has no list of {name}")
        found.append(tuple(values))
    return Question(*found)


def _claim(document: dict[str, Any]) -> tuple[int, int]:
    after, to = (_integer(document, name) for name in ("after", "to"))
    if after > to:
        raise PayloadRefused(f"it claims what comes after {after} and up to {to}")
    return after, to


def _integer(document: dict[str, Any], name: str) -> int:
    value = document.get(name)
    if HAS_ALL_TO.fault(value) is not None or type(value) is not int:
        raise PayloadRefused(f"its '{name}' is no number of an event")
    return value


def _refusal(why: str, document: dict[str, Any]) -> BatchRefused:
    """Return the refusal with what can be known of the batch."""
    of_run = document.get("run")
    run = of_run.get("run") if type(of_run) is dict else None
    chain = document.get("chain") if of_run is None else None
    after, to = (
        value if HAS_ALL_TO.fault(value) is None else 0
        for value in (document.get("after"), document.get("to"))
    )
    return BatchRefused(
        why,
        run=None if KEY.fault(run) else run,
        chain=None if CHAIN.fault(chain) else chain,
        after=after or 0,
        to=to or 0,
    )
