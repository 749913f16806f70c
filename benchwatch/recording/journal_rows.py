"""Reads selected runs of a journal or a central record into the rows of any recording."""

import stat
from collections.abc import Iterator, Sequence
from decimal import Decimal
from operator import itemgetter
from pathlib import Path
from typing import Final

import numpy as np

from benchwatch.central_record.archive.archive_file import is_archive
from benchwatch.central_record.archive.archive_reader import ArchiveRunReader
from benchwatch.central_record.record_address import is_record_address
from benchwatch.central_record.run_place import RunPlace
from benchwatch.central_record.run_reader import CentralRunReader
from benchwatch.errors import BenchwatchError, FileError, JournalError
from benchwatch.journal.journal_file import is_database
from benchwatch.journal.journal_reader import Portion, ReadingRow, flags_of
from benchwatch.journal.run_source import RunSource
from benchwatch.journal.trim_entries import (
    CHECK_KIND,
    KEPT_BY_ITSELF,
    PROOF_KIND,
    ProofNote,
    earlier_verdicts,
    is_check,
    is_record,
    noted_tool_state,
    proof_notes,
)
from benchwatch.quantity import listed, parse_reply, printable
from benchwatch.reading import (
    DEFAULT_COUNTER,
    INTERNAL_TIMEBASE,
    OTHER_DIAL,
    OVERRANGE,
    PROVEN_TIMEBASE,
)
from benchwatch.recording.cell_parsing import read_texts
from benchwatch.recording.decimals import Decimals, decimals_from_values, merge_decimals
from benchwatch.recording.read_position import ReadPosition
from benchwatch.recording.recorded_run import OperatorAction, RecordingGap
from benchwatch.recording.rows import (
    FARTHEST_TIME_S,
    LONGEST_ROW_GATE_S,
    TOO_LARGE,
    CounterFacts,
    CounterRows,
    Rows,
    check_size,
    check_time,
)
from benchwatch.recording.run_selection import (
    SelectedCounter,
    SelectedRun,
    Selection,
    select,
)
from benchwatch.recording.text_lines import STANDARD_INPUT, shown_name

LATEST_DATE_S: Final = 2.5e11
"""Unix seconds near the year 9900: times beyond it are no dates."""


def is_journal(path: str) -> bool:
    """Return whether the file at `path` is a database and no text.

    A pipe is not opened: the bytes read from it would be lost to the next reader.
    """
    try:
        plain = path != STANDARD_INPUT and stat.S_ISREG(Path(path).stat().st_mode)
        return plain and is_database(Path(path))
    except (OSError, ValueError):  # reported when the file is then read as text
        return False


def has_runs(path: str) -> bool:
    """Return whether `path` is of a journal, or of a central record or its archive."""
    return is_record_address(path) or is_journal(path) or is_archive(path)


class SelectedRows:
    """The rows of selected runs of a journal or of a central record, by counter.

    Args:
        path: path of the journal, or address of the record.
        selection: the runs; None: the newest watch of real counters with readings, else of
            simulated ones.
        position: is kept at the number of readings that are read.

    Raises:
        FileError: here and in its methods: the database is no journal and no central record, or
            can't be read.
    """

    def __init__(
        self, path: str, selection: Selection | None, position: ReadPosition | None = None
    ) -> None:
        self._path = path
        self._place = RunPlace(path, None if selection is None else selection.station)
        self._position = position or ReadPosition()
        try:
            with self._place.open() as journal:
                if selection is None:
                    self._refuse_stations(journal)
                self._counters = select(journal, selection, shown_name(path))
                runs = [one.run for counter in self._counters for one in counter.runs]
                self._position.total = sum(map(journal.count_readings, runs))
        except JournalError as error:
            raise _as_file_error(path, error) from error

    def _refuse_stations(self, journal: RunSource) -> None:
        """Refuse the newest watch of several stations, as each has its own.

        Raises:
            FileError: there are several.
        """
        stations = (
            journal.stations(2) if isinstance(journal, CentralRunReader | ArchiveRunReader) else []
        )
        if len(stations) > 1:
            raise FileError(
                f"{shown_name(self._path)} has several stations, such as "
                f"{listed(printable(name, 63) for name in stations)}: choose one of them, or a run."
            )

    def counters(self) -> list[Iterator[CounterRows]]:
        """Return a stream of rows for each counter; each can be read at its own pace."""
        return [self._rows_of(counter) for counter in self._counters]

    def _rows_of(self, counter: SelectedCounter) -> Iterator[CounterRows]:
        """Yield the rows of the runs of one counter, portion by portion."""
        source = shown_name(self._path)
        name = printable(counter.name) or DEFAULT_COUNTER
        facts = CounterFacts(
            source=source,
            kind="frequency_hz",
            counter=name,
            reports_gaps=not is_archive(self._path),  # it has readings only
            unit="event",
        )
        facts.nominal = next(
            (one.run.nominal_hz for one in counter.runs if one.run.nominal_hz), None
        )
        facts.notes += [f"{source}: {sentence}" for sentence in counter.notes]
        try:
            with self._place.open() as journal:
                for one in counter.runs:
                    facts.notes += self._left_out_notes(journal, one)
                    facts.external |= one.run.time_base == "external"
                    gap = one.gap
                    left_out = earlier_verdicts(journal.notes(one.run, CHECK_KIND))
                    proofs = proof_notes(journal.notes(one.run, PROOF_KIND))
                    for portion in journal.portions(one.run, records=True):
                        self._position.done += len(portion.readings)
                        rows = _rows(facts, portion, one.shift_s, left_out)
                        _correct(rows, proofs)
                        if gap is not None:
                            rows.gaps.insert(0, gap)
                            gap = None
                        yield [(facts, rows)]
        except JournalError as error:
            raise _as_file_error(self._path, error) from error

    def _left_out_notes(self, journal: RunSource, one: SelectedRun) -> list[str]:
        """Return what is to be said of readings that are kept elsewhere."""
        words = journal.left_out_words(one.run)
        return [f"run {one.run.number} of {shown_name(self._path)}: {words}"] if words else []


def _as_file_error(path: str, error: JournalError) -> FileError:
    if is_record_address(path) or is_archive(path):
        return FileError(str(error))
    why = str(error).split(". ", 1)[0].rstrip(".")
    return FileError(
        f"{shown_name(path)} is a database, and no journal that can be read: {why}. Give a "
        "journal, a CSV table or JSON lines."
    )


def _rows(facts: CounterFacts, portion: Portion, shift_s: float, left_out: frozenset[int]) -> Rows:
    """Return the rows of a portion of the journal, with its gaps and the operator's actions.

    `shift_s` is added to all elapsed times; notes of checks with the numbers `left_out` are not
    returned.

    Raises:
        FileError: a value can't be true: the journal is damaged, or was changed by hand.
    """
    # Readings at another dial setting belong to no estimate of this nominal.
    readings = [row for row in portion.readings if OTHER_DIAL not in flags_of(row[6])]
    number = np.array([row[0] for row in readings], dtype=np.int64)
    if facts.epoch_s is None and readings:
        utc_s, elapsed_s = readings[0][1:3]
        facts.epoch_s = utc_s - elapsed_s - shift_s if abs(utc_s) < LATEST_DATE_S else None
    time_s = np.array([row[2] for row in readings], dtype=np.float64) + shift_s
    for i in np.flatnonzero(np.abs(time_s) > float(FARTHEST_TIME_S)).tolist():
        check_time(Decimal(time_s[i]), facts.location(readings[i][0]))
    gate_s = np.array([row[3] for row in readings], dtype=np.float64)  # nan for None
    gate_s[~((gate_s > 0) & (gate_s <= LONGEST_ROW_GATE_S))] = np.nan
    flags = {i: flags_of(row[6]) for i, row in enumerate(readings) if row[6]}
    over = np.zeros(len(readings), dtype=bool)
    over[[i for i, words in flags.items() if OVERRANGE in words]] = True
    rows = Rows(
        line=number,
        time_s=time_s,
        value=_numbers(facts, readings, over.tolist()),
        over=over,
        gate_s=gate_s,
        flags=flags,
    )
    for at, _, begin_s, lasted_s, reason in portion.gaps:
        before = int(np.searchsorted(number, at))
        where = facts.location(at)
        check_time(Decimal(begin_s), where)
        check_time(Decimal(lasted_s), where)
        if lasted_s < 0:
            raise FileError(f"{where}: the gap lasted {lasted_s:.3g} s. Mend or remove it.")
        rows.gaps.append(
            RecordingGap(
                before=before,
                begin_s=begin_s + shift_s,
                lasted_s=lasted_s,
                reason=printable(reason, 200),
            )
        )
    for at, at_s, action in _operator_actions(portion, left_out):
        check_time(Decimal(at_s), facts.location(at))
        rows.marks.append((int(np.searchsorted(number, at)), at_s + shift_s, action))
    return rows


def _correct(rows: Rows, proofs: Sequence[ProofNote]) -> None:
    """Note which rows were corrected by a comparison when they were read, and by how much."""
    if not proofs:
        return
    places = np.searchsorted([proof.number for proof in proofs], rows.line)
    for i in np.flatnonzero(places).tolist():
        proof, flags = proofs[places[i] - 1], rows.flags.get(i, frozenset())
        if proof.offset and proof.own == (INTERNAL_TIMEBASE in flags):
            rows.corrections[i] = proof.offset
            rows.flags[i] = flags | {PROVEN_TIMEBASE}


def _operator_actions(
    portion: Portion, left_out: frozenset[int]
) -> list[tuple[int, float, OperatorAction]]:
    """Return (number of the event, seconds, action) in the order of writing.

    A record of as found that was kept automatically is left out: playing the readings keeps it
    again. So are the notes `left_out`, of checks that a later note refines.
    """
    kept = {number - 1 for number, _, _, kind, _ in portion.notes if kind == KEPT_BY_ITSELF}
    done: list[tuple[int, float, OperatorAction]] = [
        (number, at_s, printable(text, 200)) for number, _, at_s, text in portion.marks
    ]
    done += [
        (number, at_s, (kind, document))
        for number, _, at_s, kind, document in portion.records
        if number not in kept and is_record(kind, document)
    ]
    for number, _, at_s, kind, document in portion.notes:
        if kind == CHECK_KIND and number not in left_out and is_check(document):
            done.append((number, at_s, (kind, document)))
        on = noted_tool_state(kind, document)
        if on is not None:
            done.append((number, at_s, on))
    return sorted(done, key=itemgetter(0))


def _numbers(facts: CounterFacts, readings: list[ReadingRow], over: list[bool]) -> Decimals:
    """Read the texts of readings as hertz; a reading over range counts as known.

    Raises:
        FileError: a text is no frequency.
    """
    texts = [row[4] for row in readings]
    if any("\n" in text for text in texts):
        texts = [text.replace("\n", " ") for text in texts]
    found = read_texts(texts)
    for i in found.beyond(TOO_LARGE):
        check_size(texts[i], facts.location(readings[i][0]), "frequency_hz")
    odd = [i for i in np.flatnonzero(~found.known).tolist() if not over[i]]
    if odd:
        values = [_number(facts, readings[i]) for i in odd]
        plain = np.setdiff1d(np.arange(len(texts)), odd)
        others = decimals_from_values(values, lambda: [format(value, "f") for value in values])
        found = merge_decimals([(plain, found.only(plain)), (np.array(odd), others)])
    found.known |= np.array(over, dtype=bool)
    return found


def _number(facts: CounterFacts, row: ReadingRow) -> Decimal:
    """Read the text of a reading that is not a plain number, in any form a driver may write.

    Raises:
        FileError: the text is no frequency.
    """
    where = facts.location(row[0])
    try:
        value = parse_reply(row[4])
    except BenchwatchError as error:
        raise FileError(
            f"{where}: '{printable(row[4], 40)}' is no frequency in hertz. The journal is damaged, "
            "or was changed by hand."
        ) from error
    if not -TOO_LARGE < value < TOO_LARGE:
        check_size(str(value), where, "frequency_hz")
    return value
