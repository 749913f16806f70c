"""Runs and events read back from a journal, as the product wrote them."""

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

from benchwatch.errors import BenchwatchError
from benchwatch.journal.journal_reader import JournalReader, Portion, flags_of
from benchwatch.journal.schema import JournalRun
from benchwatch.quantity import difference, parse_reply
from benchwatch.reading import OVERRANGE, Event, Flag, Gap, Mark, Reading, Record


def read_runs(path: Path) -> list[JournalRun]:
    """Return the runs in the journal at `path`, oldest first.

    Raises:
        JournalError: the file can't be read as a journal.
    """
    with JournalReader(path) as journal:
        return journal.runs()


def read_events(path: Path, run: JournalRun) -> Iterator[Event]:
    """Give the events of `run` in the order in which they were written.

    Offsets are computed anew from what the counter wrote and the run's nominal; without a
    nominal they are nan. Flags that need hindsight (``spike``) are not in a journal.

    Raises:
        JournalError: the file can't be read as a journal.
    """
    with JournalReader(path) as journal:
        for portion in journal.portions(run, records=True):
            yield from _events(portion, run)


def _events(portion: Portion, run: JournalRun) -> list[Event]:
    numbered: list[tuple[int, Event]] = [
        (
            number,
            Gap(
                counter=run.counter,
                utc_s=utc_s,
                elapsed_s=elapsed_s,
                lasted_s=lasted_s,
                reason=reason,
            ),
        )
        for number, utc_s, elapsed_s, lasted_s, reason in portion.gaps
    ]
    numbered += [
        (number, Mark(counter=run.counter, utc_s=utc_s, elapsed_s=elapsed_s, text=text))
        for number, utc_s, elapsed_s, text in portion.marks
    ]
    numbered += [
        (
            number,
            Record(
                counter=run.counter, utc_s=utc_s, elapsed_s=elapsed_s, kind=kind, document=document
            ),
        )
        for number, utc_s, elapsed_s, kind, document in portion.records
    ]
    for number, utc_s, elapsed_s, gate_s, text, resolution_hz, written in portion.readings:
        flags = flags_of(written)
        frequency_hz, offset_hz, offset = _values(text, run.nominal_hz, flags)
        reading = Reading(
            counter=run.counter,
            utc_s=utc_s,
            elapsed_s=elapsed_s,
            gate_s=gate_s,
            text=text,
            frequency_hz=frequency_hz,
            offset_hz=offset_hz,
            offset=offset,
            resolution_hz=resolution_hz,
            flags=flags,
        )
        numbered.append((number, reading))
    return [event for _, event in sorted(numbered, key=lambda one: one[0])]


def _values(
    text: str, nominal: Decimal | None, flags: frozenset[Flag]
) -> tuple[float, float, float]:
    nan = float("nan")
    if OVERRANGE in flags:
        return nan, nan, nan
    try:
        frequency = parse_reply(text)
    except BenchwatchError:
        return nan, nan, nan
    if nominal is None:
        return float(frequency), nan, nan
    return float(frequency), *difference(frequency, nominal)
