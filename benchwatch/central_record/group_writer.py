"""Writes groups of batches of many stations, each group in one transaction.

One statement a table for a whole group is what lets a keeper hold thousands of batches a second.
"""

import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.batches import Outcome, Refused, Sent, SentEntries, SentEvents
from benchwatch.central_record.chain_rows import write_chains
from benchwatch.central_record.column_arrays import number_array, register_real_arrays, text_array
from benchwatch.central_record.day_partitions import DAY_S, DayPartitions
from benchwatch.central_record.record_address import RecordAddress, psycopg_module
from benchwatch.central_record.record_connection import (
    lies_in_data,
    record_errors,
    refuse_other_schema,
    server_words,
)
from benchwatch.central_record.record_steps import SCHEMA_VERSION
from benchwatch.central_record.refused_batches import RefusedNote, write_refused
from benchwatch.central_record.run_rows import RunRows

if TYPE_CHECKING:
    import psycopg

MOST_TRIES: Final = 5
"""Tries of a transaction that another keeper, or an archive, crossed."""

# A station may delete what was answered, so it must be on the disk by then.
_COMMIT_TO_DISK: Final = """
    SELECT set_config('synchronous_commit', 'on', false)
    WHERE current_setting('synchronous_commit') = 'off'"""

_RUNS: Final = """
    SELECT r.station, r.run, r.has_all_to, r.ended_utc_s IS NOT NULL FROM benchwatch.runs AS r
    JOIN unnest(%s::text[], %s::int8[]) AS asked (station, run)
        ON r.station = asked.station AND r.run = asked.run"""
_CHAINS: Final = """
    SELECT c.station, c.chain, c.has_all_to, e.hash FROM benchwatch.chains AS c
    JOIN unnest(%s::text[], %s::text[]) AS asked (station, chain)
        ON c.station = asked.station AND c.chain = asked.chain
    LEFT JOIN benchwatch.entries AS e ON e.chain_id = c.chain_id AND e.number = c.has_all_to"""


class GroupWriter:
    """Writes to the central record through a connection of its own.

    Args:
        connection: to the central record, each statement committing by itself.
        address: of the central record, for messages.
        now: the time in Unix seconds.

    Raises:
        RecordAway: the server does not answer.
    """

    def __init__(
        self,
        connection: "psycopg.Connection[Any]",
        address: RecordAddress,
        now: Callable[[], float] = time.time,
    ) -> None:
        self._connection, self._address = connection, address
        self._errors = psycopg_module().errors
        self._days = DayPartitions(connection, now)
        self._run_rows = RunRows()
        register_real_arrays(connection)
        with record_errors(address):
            connection.execute(_COMMIT_TO_DISK)

    def write(self, sent: Sequence[Sent], notes: Sequence[RefusedNote] = ()) -> dict[str, Outcome]:
        """Commit a group of batches; return what each station is to be answered.

        A batch that begins beyond what is there is left alone: the answer tells its station where
        to go on. One that the database does not take is refused alone.

        Args:
            sent: the batches.
            notes: on messages that were refused before.

        Raises:
            RecordAway: nothing of the last transaction is committed, or it is not known.
            RecordError: the record can't be written by this program.
        """
        events = [one for one in sent if isinstance(one, SentEvents)]
        entries = [one for one in sent if isinstance(one, SentEntries)]
        events.sort(key=_place_of_events)
        entries.sort(key=_place_of_entries)
        outcomes: dict[str, Outcome] = {}
        with record_errors(self._address):
            self._days.make({int(row[1] // DAY_S) for one in events for row in one.batch.readings})
            self._write([*events, *entries], outcomes)
            if notes:
                write_refused(self._connection, notes)
        return outcomes

    def progress(
        self, runs: Sequence[tuple[str, int]], chains: Sequence[tuple[str, str]]
    ) -> dict[str, Outcome]:
        """Return up to which number the record has runs and chains, and with which last entry.

        Args:
            runs: station and key of each run.
            chains: station and name of each chain.

        Raises:
            RecordAway: the server does not answer.
            RecordError: the record can't be read by this program.
        """
        outcomes: dict[str, Outcome] = {}
        for station, run in runs:
            outcomes.setdefault(station, Outcome()).runs[run] = 0
        for station, chain in chains:
            outcomes.setdefault(station, Outcome()).chains[chain] = 0
        with record_errors(self._address):
            if runs:
                stations, keys = [name[0] for name in runs], [name[1] for name in runs]
                rows = self._connection.execute(_RUNS, (text_array(stations), number_array(keys)))
                for station, run, has_all_to, ended in rows:
                    outcomes[station].runs[run] = has_all_to
                    if ended:
                        outcomes[station].ended.add(run)
            if chains:
                stations, names = [name[0] for name in chains], [name[1] for name in chains]
                rows = self._connection.execute(_CHAINS, (text_array(stations), text_array(names)))
                for station, chain, has_all_to, last_hash in rows:
                    outcomes[station].chains[chain] = has_all_to
                    if last_hash is not None:
                        outcomes[station].entries_last[chain] = last_hash
        return outcomes

    def _write(self, sent: Sequence[Sent], outcomes: dict[str, Outcome]) -> None:
        """Commit a group; where the database does not take it, its halves, down to one batch."""
        if not sent:
            return
        try:
            written = self._transaction(sent)
        except (self._errors.Error, ValueError, OverflowError) as error:
            if not lies_in_data(error):
                raise
            if len(sent) == 1:
                self._refuse(sent[0], error, outcomes)
                return
            half = len(sent) // 2
            self._write(sent[:half], outcomes)
            self._write(sent[half:], outcomes)
            return
        for station, outcome in written.items():
            outcomes.setdefault(station, Outcome()).add(outcome)

    def _transaction(self, sent: Sequence[Sent]) -> dict[str, Outcome]:
        events = [one for one in sent if isinstance(one, SentEvents)]
        entries = [one for one in sent if isinstance(one, SentEntries)]
        tries, trust_ranges = 0, True
        while True:
            try:
                with self._connection.transaction():
                    self._check_version()
                    outcomes, notes = self._run_rows.write(
                        self._connection, events, trust_ranges=trust_ranges
                    )
                    if entries:
                        chains, refused = write_chains(self._connection, entries)
                        for station, outcome in chains.items():
                            outcomes.setdefault(station, Outcome()).add(outcome)
                        notes += [_note(one, why) for one, why in refused]
                    if notes:
                        write_refused(self._connection, notes)
            except self._errors.UniqueViolation:
                if not trust_ranges:
                    raise
                trust_ranges = False  # somebody set the progress of a run back, and not its rows
            except (
                self._errors.DeadlockDetected,
                self._errors.SerializationFailure,
                self._errors.CheckViolation,  # the day of a reading was made at this moment
            ):
                tries += 1
                if tries == MOST_TRIES:
                    raise
            else:
                self._run_rows.committed()
                return outcomes

    def _check_version(self) -> None:
        """Check that no newer program has made the record its own since it was opened."""
        row = self._connection.execute(
            "SELECT writable_from FROM benchwatch.schema_version"
        ).fetchone()
        if row is None or row[0] > SCHEMA_VERSION:
            newer = row[0] if row else 0
            refuse_other_schema(self._address, newer, newer)

    def _refuse(self, one: Sent, error: Exception, outcomes: dict[str, Outcome]) -> None:
        said = server_words(error) if isinstance(error, self._errors.Error) else str(error)
        why = f"the database does not take it: {said}"
        write_refused(self._connection, [_note(one, why)])
        batch = one.batch
        refused = (
            Refused(run=one.batch.run.key, after=batch.after, to=batch.to, why=why)
            if isinstance(one, SentEvents)
            else Refused(chain=one.batch.chain, after=batch.after, to=batch.to, why=why)
        )
        outcomes.setdefault(one.station, Outcome()).refused.append(refused)


def _place_of_events(one: SentEvents) -> tuple[str, int, int, int]:
    return one.station, one.batch.run.key, one.batch.after, one.batch.to


def _place_of_entries(one: SentEntries) -> tuple[str, str, int, int]:
    return one.station, one.batch.chain, one.batch.after, one.batch.to


def _note(one: Sent, why: str) -> RefusedNote:
    return RefusedNote(
        one.station, one.stream, one.batch.after, one.batch.to, why, one.payload or None
    )
