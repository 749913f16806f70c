"""Readings that come late for a day which is in the archive only: each is kept, and kept once."""

import random
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import psycopg
import pytest
from archive_kit import Made, MadeRecord, Place, day_ago, made_record, midnight_s, white_noise
from central_record_kit import group_writer, sent
from psycopg import sql
from seed_kit import unseen_seed

from benchwatch.central_record.archive.retention import drop_archived
from benchwatch.central_record.group_writer import GroupWriter
from benchwatch.central_record.record_address import parse_record
from benchwatch.errors import RecordAway

DAY = day_ago(100)
STATION, KEY = "tide-007", 7
STEPS = ("send", "send", "send", "again", "again", "recover", "archive", "drop", "drop")


@pytest.fixture
def record() -> Iterator[MadeRecord]:
    """An empty central record."""
    with made_record() as made:
        yield made


def numbered(count: int, day: Any = DAY) -> list[Made]:
    """Make readings with the numbers from 1 on."""
    made = sorted(white_noise(day, count, seed=1))
    return [(number, *row[1:]) for number, row in enumerate(made, 1)]


def places(rows: Iterable[Made], key: int = KEY) -> list[Place]:
    """Return readings as they are in the record or in a file."""
    return [(STATION, key, row[0], row[4]) for row in rows]


def dropped(record: MadeRecord, folder: Path) -> None:
    """Archive what is old, and drop it."""
    record.archive(folder)
    record.drop(folder)


def test_a_late_reading_is_kept(record: MadeRecord, tmp_path: Path) -> None:
    """One that a recovery gave back after the drop is in the record, then in a further file."""
    rows = numbered(30)
    with group_writer(record.made, record.keeper) as writer:
        writer.write([sent(rows=[*rows[:9], *rows[12:]], to=30)])
        dropped(record, tmp_path)
        answer = writer.write([sent(rows=rows[5:20], after=5, to=20)])[STATION]
        in_record = record.count(DAY)
        between = record.everywhere(tmp_path)
        dropped(record, tmp_path)
        writer.write([sent(rows=rows, to=30)])

    assert (answer.taken, answer.refused, in_record) == ([(KEY, 5, 20)], [], 3)
    assert between == record.everywhere(tmp_path) == places(rows)
    assert record.count(DAY) == 0
    assert record.notes() == [(DAY, 1, 27, True), (DAY, 2, 3, True)]


def test_runs_are_told_apart(record: MadeRecord, tmp_path: Path) -> None:
    """A number that the archive has of one run is a new reading of another run of the watch."""
    rows = numbered(20)
    with group_writer(record.made, record.keeper) as writer:
        writer.write([sent(rows=rows, to=20), sent(rows=rows[15:], to=20, key=8)])
        dropped(record, tmp_path)
        writer.write([sent(rows=rows[:5], to=5), sent(rows=rows[:5], to=5, key=8)])

    assert record.everywhere(tmp_path) == sorted(
        places(rows) + places([*rows[:5], *rows[15:]], key=8)
    )


def test_the_same_number_on_another_day_is_another_reading(
    record: MadeRecord, tmp_path: Path
) -> None:
    """Days are told apart by the times of the readings, as the partitions are."""
    rows, other = numbered(3), numbered(3, day_ago(99))
    with group_writer(record.made, record.keeper) as writer:
        writer.write([sent(rows=rows, to=3), sent(rows=other, to=3, key=8)])
        dropped(record, tmp_path)
        writer.write([sent(rows=other[1:], after=1, to=3), sent(rows=other, to=3, key=8)])

    assert record.count(day_ago(99)) == 2
    assert record.everywhere(tmp_path) == sorted(places([*rows, *other[1:]]) + places(other, key=8))


def test_numbers_far_apart(record: MadeRecord, tmp_path: Path) -> None:
    """The largest numbers and wide holes are noted exactly, in no more room than readings take."""
    numbers = [1, 2, 65_535, 65_536, 65_537, 2**40, 2**40 + 9, 2**63 - 2, 2**63 - 1]
    rows = [(number, *row[1:]) for number, row in zip(numbers, numbered(9), strict=True)]
    late = [(number, *rows[0][1:]) for number in (3, 65_534, 2**40 + 8, 2**63 - 3)]
    with group_writer(record.made, record.keeper) as writer:
        writer.write([sent(rows=rows)])
        dropped(record, tmp_path)
        writer.write([sent(rows=sorted([*rows, *late]))])

    noted = "SELECT sum(pg_column_size(numbers)) FROM benchwatch.dropped_numbers"
    assert record.everywhere(tmp_path) == sorted(places([*rows, *late]))
    assert record.count(DAY) == len(late)
    assert record.one(noted) < 2000


def test_room_of_the_numbers(record: MadeRecord, tmp_path: Path) -> None:
    """Of two counters in turn, a reading takes a hundredth of its room in the record."""
    rows = numbered(20_000)
    record.add(STATION, 7, rows[::2])
    record.add(STATION, 8, rows[1::2])
    dropped(record, tmp_path)

    assert record.one("SELECT pg_table_size('benchwatch.dropped_numbers')") < 20_000 * 1.5


def test_a_day_that_an_older_program_dropped(record: MadeRecord, tmp_path: Path) -> None:
    """Its numbers are not known: nothing is written twice, and a note says what is not stored."""
    rows = numbered(20)
    with group_writer(record.made, record.keeper) as writer:
        writer.write([sent(rows=rows[3:], to=20)])
        dropped(record, tmp_path)
        record.owner.execute("TRUNCATE benchwatch.dropped_numbers")
        record.owner.execute("UPDATE benchwatch.archived SET numbers_noted = false")
        writer.write([sent(rows=rows[:10], to=10), sent(rows=rows[:2], key=9)])

    notes = record.owner.execute(
        "SELECT station, stream, after, upto, why FROM benchwatch.refused"
    ).fetchall()
    assert record.everywhere(tmp_path) == sorted(places(rows[3:]) + places(rows[:2], key=9))
    assert [note[:4] for note in notes] == [(STATION, f"run {KEY}", 0, 10)]
    assert f"not stored: 10 readings of {DAY}" in str(notes[0][4])
    assert "archive files" in str(notes[0][4])


class Killing:
    """A connection whose server is killed by signal 9 after a statement.

    Args:
        connection: the connection.
        record: in a server of its own.
        words: what the statement has.
    """

    def __init__(self, connection: Any, record: MadeRecord, words: str) -> None:
        self._connection, self._record, self._words = connection, record, words

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)

    def execute(self, query: Any, *rest: Any, **more: Any) -> Any:
        """Execute a statement."""
        done = self._connection.execute(query, *rest, **more)
        if self._words in (query.decode() if isinstance(query, bytes) else query):
            self._record.made.kill()
        return done


@contextmanager
def killed_after(record: MadeRecord, role: str, words: str) -> Iterator[Any]:
    """Yield a connection whose server is killed after a statement, and start it again."""
    with closing(record.connect(role)) as connection:
        yield Killing(connection, record, words)
    with suppress(psycopg.Error), record.closed():
        record.made.start()


@pytest.fixture(scope="module")
def killed_record() -> Iterator[MadeRecord]:
    """A central record whose server may be killed; each test uses a day of its own."""
    with made_record(own_server=True) as made:
        yield made


@pytest.mark.parametrize(
    ("at", "words"),
    list(enumerate(("dropped_numbers", "LOCK TABLE", "DROP TABLE", "UPDATE benchwatch.archived"))),
)
def test_killed_while_a_day_is_dropped(
    killed_record: MadeRecord, tmp_path: Path, at: int, words: str
) -> None:
    """The day stays as it was, its numbers are noted once, and the next drop goes on."""
    record, day, key = killed_record, day_ago(200 + at), 200 + at
    rows = numbered(20, day)
    with group_writer(record.made, record.keeper) as writer:
        writer.write([sent(rows=rows[5:], to=20, key=key)])
    record.archive(tmp_path)
    midnight = midnight_s(day)
    with killed_after(record, "postgres", words) as connection, pytest.raises(psycopg.Error):
        list(drop_archived(connection, tmp_path, day_time(midnight)))
    killed = (record.count(day), noted_bits(record, key))
    record.drop(tmp_path)
    after = (record.count(day), noted_bits(record, key))
    with group_writer(record.made, record.keeper) as writer:
        writer.write([sent(rows=rows, to=20, key=key)])

    assert (killed, after) == ((15, 0), (0, 15))
    assert record.count(day) == 5


def test_killed_while_late_readings_are_written(killed_record: MadeRecord, tmp_path: Path) -> None:
    """What was not committed comes again, and is there once."""
    record, day, key = killed_record, day_ago(210), 210
    rows = numbered(20, day)
    with group_writer(record.made, record.keeper) as writer:
        writer.write([sent(rows=rows[5:], to=20, key=key)])
    dropped(record, tmp_path)
    with killed_after(record, record.keeper, "INSERT INTO benchwatch.readings") as connection:
        writer = GroupWriter(connection, parse_record(record.made.url))
        with pytest.raises(RecordAway):
            writer.write([sent(rows=rows, to=20, key=key)])
    lost = record.count(day)
    with group_writer(record.made, record.keeper) as writer:
        writer.write([sent(rows=rows, to=20, key=key)])
        writer.write([sent(rows=rows, to=20, key=key)])

    assert (lost, record.count(day)) == (0, 5)


def day_time(utc_s: float) -> Any:
    """Return the moment a day and a second after a midnight, so that its day is old."""
    return datetime.fromtimestamp(utc_s + 86_401, UTC)


def noted_bits(record: MadeRecord, key: int) -> int:
    """Count the numbers of a run that are noted as dropped."""
    return int(
        record.one(
            "SELECT coalesce(sum(bit_count(numbers)), 0) FROM benchwatch.dropped_numbers"
            " JOIN benchwatch.runs USING (run_id) WHERE run = %s",
            key,
        )
    )


@dataclass
class Journal:
    """A run in the journal of a station, of which a recovery gives some readings back later."""

    key: int
    rows: list[Made]
    hidden: set[int] = field(default_factory=set)

    def batch(self, after: int, count: int) -> Any:
        """Return a batch of the readings after a number."""
        there = [row for row in self.rows if row[0] > after and row[0] not in self.hidden][:count]
        return sent(rows=there, after=after, key=self.key)


class Trial:
    """Stations, a keeper, archives, drops and backups in any order."""

    def __init__(self, record: MadeRecord, folder: Path, seed: int) -> None:
        self.record, self.folder, self.random = record, folder, random.Random(seed)
        self.journals = [self._journal(key) for key in (7, 8)]
        self.kept: set[Place] = set()
        """Readings that were answered as taken, as far as the record was not set back."""
        self.backups: list[tuple[str, set[Place]]] = []

    def _journal(self, key: int) -> Journal:
        days = [*(day_ago(day) for day in (101, 100, 99)), day_ago(20_000)]
        rows = [row for day in days for row in white_noise(day, 12, seed=key)]
        rows = [(2 * n + key % 2, *row[1:]) for n, row in enumerate(rows, 1)]
        hidden = self.random.sample([row[0] for row in rows], 15)
        return Journal(key, rows, set(hidden))

    def send(self, journal: Journal, again: int = 0) -> None:
        """Send what comes after what the record has, or some that it has too."""
        with group_writer(self.record.made, self.record.keeper) as writer:
            has = writer.progress([(STATION, journal.key)], [])[STATION].runs[journal.key]
            batch = journal.batch(max(0, has - again), self.random.randint(1, 20))
            answer = writer.write([batch])[STATION]
        assert answer.refused == []
        assert len(answer.taken) == 1
        self.kept |= set(places(batch.batch.readings, journal.key))

    def step(self) -> None:
        """Do one thing, and check that each reading is somewhere once."""
        journal = self.random.choice(self.journals)
        what = self.random.choice(STEPS)
        if what == "send":
            self.send(journal)
        elif what == "again":
            self.send(journal, again=self.random.randint(1, 60))
        elif what == "recover":
            found = self.random.sample(sorted(journal.hidden), min(3, len(journal.hidden)))
            journal.hidden -= set(found)
        elif what == "archive":
            self.record.archive(self.folder)
        else:
            dropped(self.record, self.folder)
        there = self.record.everywhere(self.folder)
        assert len(there) == len(set(there)), what
        assert set(there) == self.kept, what

    def back_up(self, name: str) -> None:
        """Copy the record."""
        with self.record.closed():
            self._copy(self.record.made.name, name)
        self.backups.append((name, set(self.kept)))

    def set_back(self) -> None:
        """Put the copy in the place of the record."""
        name, self.kept = self.backups[-1]
        with self.record.closed():
            self._drop(self.record.made.name)
            self._copy(name, self.record.made.name)

    def finish(self) -> None:
        """Send all that there is, from the beginning, and drop it."""
        for journal in self.journals:
            journal.hidden.clear()
            with group_writer(self.record.made, self.record.keeper) as writer:
                writer.write([journal.batch(0, 1000)])
        dropped(self.record, self.folder)
        every = sorted(one for made in self.journals for one in places(made.rows, made.key))
        assert self.record.everywhere(self.folder) == every
        assert [self.record.count(day_ago(day)) for day in (99, 100, 101)] == [0, 0, 0]

    def close(self) -> None:
        """Remove the copies."""
        for name, _ in self.backups:
            self._drop(name)

    def _copy(self, source: str, target: str) -> None:
        names = {"source": sql.Identifier(source), "target": sql.Identifier(target)}
        with self._server() as server:
            server.execute(sql.SQL("CREATE DATABASE {target} TEMPLATE {source}").format(**names))

    def _drop(self, name: str) -> None:
        with self._server() as server:
            server.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))

    def _server(self) -> "psycopg.Connection[Any]":
        url = self.record.made.url.rpartition("/")[0] + "/postgres"
        return psycopg.connect(url, autocommit=True)


@pytest.mark.timeout(300)
@pytest.mark.parametrize("turn", range(3))
def test_any_order(record: MadeRecord, tmp_path: Path, turn: int) -> None:
    """Each reading is in the record or in a file of a dropped day, once, after every step.

    The record is also set back by a backup from before the archive, and stations fill it up.
    """
    trial = Trial(record, tmp_path, unseen_seed())
    with closing(trial):
        for _ in range(12):
            trial.step()
        trial.back_up(f"{record.made.name}_backup_{turn}")
        for _ in range(12):
            trial.step()
        trial.set_back()
        for _ in range(12):
            trial.step()
        trial.finish()
