"""The keeper with a real PostgreSQL: it answers after the commit, and survives what goes wrong."""

import json
import zlib
from collections.abc import Iterator
from dataclasses import replace

import pytest
from batch_kit import MADE_RUN, packed
from central_record_kit import emptied, made_record, numbers_in, rows
from keeper_kit import RunningKeeper, batch, question, running_keeper
from load_kit import wait_until
from server_kit import Database, database

from benchwatch.errors import OtherSchema, RecordError
from benchwatch.register.register_entry import RegisterEntry, entry_hash
from benchwatch.relay.batch import ChainBatch, encode, run_cells
from benchwatch.relay.cell_checks import RUN_CELLS
from benchwatch.relay.keeper import keeper as keeper_module
from benchwatch.relay.topics import answer_topic


@pytest.fixture(scope="module")
def made() -> Iterator[Database]:
    """Return a central record."""
    with database() as empty:
        made_record(empty)
        yield empty


@pytest.fixture
def record(made: Database) -> Database:
    """Return the central record, without rows."""
    return emptied(made)


@pytest.fixture
def running(record: Database) -> Iterator[RunningKeeper]:
    """Return a keeper that takes batches."""
    with running_keeper(record) as running:
        yield running


def test_it_answers_after_the_commit(record, running):
    """At the moment of the answer, another connection sees all that it says."""
    seen = []
    publish = running.sender.publish

    def look_and_publish(topic: str, payload: bytes) -> bool:
        seen.append(len(numbers_in(record)))
        return publish(topic, payload)

    running.sender.publish = look_and_publish
    answer = running.send_until_answered(batch(1, 10))

    assert (seen, answer.runs, answer.taken) == ([10], ((7, 10),), ((7, 0, 10),))


def test_whose_a_batch_is_its_topic_says(record, running):
    """A station can't write another's rows; topics of others than stations are not heard."""
    running.keeper.heard("bw/1/keeper/batch", batch(1, 1))
    running.keeper.heard("bw/1/tide-007/ack", batch(1, 1))
    running.keeper.heard("bw/1/tide-007/main/state", batch(1, 1))
    running.keeper.heard("bw/2/tide-007/batch", batch(1, 1))
    running.keeper.heard("bw/1/Tide/batch", batch(1, 1))
    running.send_until_answered(batch(1, 1), "tide-009")

    assert numbers_in(record) == [("tide-009", 7, 1)]
    assert {topic for topic, _ in running.sender.sent} == {"bw/1/keeper", answer_topic("tide-009")}


def test_questions_are_answered_from_the_record(record, running):
    """What the record does not have is answered by 0, and nobody hears of another's runs."""
    running.send_until_answered(batch(1, 3))
    own = running.send_until_answered(question(7, 8, chains=("a",)))
    other = running.send_until_answered(question(7), "tide-008")

    assert (dict(own.runs), own.chains) == ({7: 3, 8: 0}, (("a", 0),))
    assert other.runs == ((7, 0),)


def test_answers_name_the_last_entry_of_a_chain(record, running):
    """By its hash, after a batch and after a question, so that a station can compare it."""
    entry = RegisterEntry(
        chain="4f0c", number=1, at="2026-11-30T01:00:01+00:00", who="anna", kind="note", unit=None,
        visit=None, amends=None, document="{}", hash="",
    )  # fmt: skip
    entry = replace(entry, hash=entry_hash("", entry))
    written = running.send_until_answered(encode(ChainBatch("4f0c", 0, 1, (entry,))))
    asked = running.send_until_answered(question(chains=("4f0c", "other")))

    assert written.entries_last == (("4f0c", entry.hash),)
    assert (asked.chains, asked.entries_last) == ((("4f0c", 1), ("other", 0)), written.entries_last)


def test_more_than_an_answer_holds_comes_in_several(record, running):
    """Three questions of 400 runs that waited together get answers for all 1200."""
    with running.keeper.inbox._changed:  # so that they wait together
        for first in (0, 400, 800):
            running.send(question(*range(first, first + 400)))
    assert wait_until(lambda: sum(len(one.runs) for one in running.answers()) == 1200)

    assert max(len(one.runs) for one in running.answers()) <= 1000


BAD = {
    "garbage": b"garbage",
    "empty": b"",
    "bomb": zlib.compress(b"[" * 50_000_000),
    "cut": batch(1, 10)[:-8],
    "too large": b"x" * 300_000,
    "a newer version": packed({"v": 99, "run": {}}),
    "deep": zlib.compress(b"[" * 100_000),
    "no object": packed([1, 2]),
}


@pytest.mark.parametrize("bad", BAD.values(), ids=BAD)
def test_a_bad_message_is_refused_alone(record, running, bad):
    """The batch of another station beside it is committed, and a note is kept."""
    running.send(bad, "tide-666")
    running.send_until_answered(batch(1, 2))
    assert wait_until(lambda: rows(record, "SELECT 1 FROM benchwatch.refused"))

    assert len(numbers_in(record)) == 2
    assert rows(record, "SELECT station, left(why, 3) FROM benchwatch.refused") == [
        ("tide-666", "it ")
    ]


HUGE = {"readings": [[1, 1e300, 1.0, 0.1, "1", 1e-3, ""]], "to": 1}
LIES = {
    "a number beyond the range": {"readings": [[9, 1e9, 1.0, 0.1, "1", 1e-3, ""]], "to": 1},
    "numbers that fall": {
        "readings": [[n, 1e9, 1.0, 0.1, "1", 1e-3, ""] for n in (2, 1)], "to": 2,
    },
    "a time out of range": HUGE,
    "a NUL": {"readings": [[1, 1e9, 1.0, 0.1, "\0", 1e-3, ""]], "to": 1},
    "a lone surrogate": {"readings": [[1, 1e9, 1.0, 0.1, "\ud800", 1e-3, ""]], "to": 1},
    "a range backwards": {"after": 5, "to": 1},
}  # fmt: skip


@pytest.mark.parametrize("lie", LIES.values(), ids=LIES)
def test_a_hostile_batch_is_refused_with_its_range(record, running, lie):
    """The station is told which batch of which run was refused, and nothing of it is written."""
    names = [cell.name for cell in RUN_CELLS]
    run = dict(zip(names, run_cells(MADE_RUN), strict=True))
    document = {"v": 1, "run": run, "after": 0, **lie}
    answer = running.send_until_answered(zlib.compress(json.dumps(document).encode()))

    assert [one.run for one in answer.refused] == [7]
    assert numbers_in(record) == []


def test_a_flood_of_one_station_crowds_out_no_other(record, running):
    """Of thousands of messages of one station few wait, and the other's is written with them."""
    with running.keeper.inbox._changed:
        for place in range(5000):
            running.send(batch(1, 1, key=place), "tide-666")
        running.send(batch(1, 1))
    assert wait_until(running.answers)

    assert running.keeper.inbox.dropped == 5000 - 16
    assert len(numbers_in(record)) == 17


FILL = (
    "CREATE FUNCTION full_disk() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE"
    " 'could not extend file: No space left on device' USING ERRCODE = '53100'; END $$;"
    " CREATE TRIGGER full_disk BEFORE UPDATE ON benchwatch.runs FOR EACH ROW"
    " EXECUTE FUNCTION full_disk()"
)
EMPTY = "DROP TRIGGER full_disk ON benchwatch.runs; DROP FUNCTION full_disk"
"""Statements after which the disk of a record seems to be full, and to have room again."""


def test_a_full_disk_is_said_once_and_waited_for(record, running, monkeypatch):
    """No answer is given until the database has room; then it goes on by itself."""
    monkeypatch.setattr(keeper_module, "LONGEST_WAIT_S", 0.01)
    monkeypatch.setattr(keeper_module, "FIRST_WAIT_S", 0.01)
    monkeypatch.setattr(keeper_module, "LOOK_S", 0.01)
    running.send_until_answered(batch(1, 1))
    looks = []
    wait = running.keeper.inbox.wait
    running.keeper.inbox.wait = lambda longest_s: looks.append(longest_s) or wait(longest_s)
    with record.connect() as connection:
        connection.execute(FILL)
        for _ in range(20):
            took = running.takes
            running.send(batch(2, 1))
            assert wait_until(lambda took=took: running.takes > took)
            looked = len(looks)  # the next batch comes later than the keeper waits for one
            assert wait_until(lambda looked=looked: len(looks) > looked + 1)
        said = sum("disk is full" in sentence for sentence in running.said)
        connection.execute(EMPTY)
    answer = running.send_until_answered(batch(2, 1))

    assert said == 1
    assert len(running.answers()) == 2
    assert answer.runs == ((7, 2),)


def test_a_record_that_is_back_is_called_open_though_no_batch_comes(record, running, monkeypatch):
    """After a group that failed it takes a while, as only a batch shows that it can be written."""
    monkeypatch.setattr(keeper_module, "FIRST_WAIT_S", 0.01)
    monkeypatch.setattr(keeper_module, "LOOK_S", 0.01)
    monkeypatch.setattr(keeper_module, "UNPROVEN_S", 0.05)
    running.send_until_answered(batch(1, 1))
    with record.connect() as connection:
        connection.execute(FILL)
        running.send(batch(2, 1))
        assert wait_until(lambda: any("disk is full" in sentence for sentence in running.said))
        connection.execute(EMPTY)

    assert wait_until(lambda: "batches are taken" in running.said[-1])


def test_it_ends_when_only_newer_programs_may_write(record, running):
    """The sentence says what to do."""
    running.send_until_answered(batch(1, 1))
    with record.connect() as connection:
        version = rows(record, "SELECT version FROM benchwatch.schema_version")[0][0]
        connection.execute("UPDATE benchwatch.schema_version SET writable_from = 99")
        try:
            running.send(batch(2, 1))
            assert wait_until(lambda: running.error)
        finally:
            connection.execute(
                "UPDATE benchwatch.schema_version SET writable_from = 1, version = %s", (version,)
            )

    assert isinstance(running.error, OtherSchema)
    assert "Update Benchwatch" in str(running.error)
    assert len(numbers_in(record)) == 1


def test_a_database_that_was_never_made_ends_it_at_the_start():
    """It does not wait for what nobody will do."""
    with database() as empty:
        running = RunningKeeper(empty)
        with pytest.raises(RecordError, match="not made yet"):
            running.keeper.run()


def test_a_role_that_may_only_read_ends_it_at_the_start():
    """It takes nothing that it can't write, and says what is to be granted."""
    with database() as record:
        made_record(record)
        with record.connect() as connection:
            connection.execute("ALTER ROLE benchwatch_reader LOGIN")
        running = RunningKeeper(record, record.url_of("benchwatch_reader"))
        with pytest.raises(RecordError, match="may only read"):
            running.keeper.run()


def test_a_database_killed_in_the_middle_of_a_group_loses_and_doubles_nothing(monkeypatch):
    """What was not answered comes again, and is there once; each change is said once."""
    monkeypatch.setattr(keeper_module, "LONGEST_WAIT_S", 0.1)
    with database(own_server=True) as record:
        made_record(record)
        with running_keeper(record) as running:
            running.send_until_answered(batch(1, 10))
            blocker = record.connect()
            blocker.execute("BEGIN")
            blocker.execute("SELECT * FROM benchwatch.runs FOR UPDATE")
            running.send(batch(11, 10))
            waits = "SELECT 1 FROM pg_stat_activity WHERE wait_event_type = 'Lock'"
            assert wait_until(lambda: rows(record, waits))
            record.kill()
            blocker.close()
            assert wait_until(lambda: any("does not answer" in one for one in running.said))
            running.send(batch(11, 10))  # nobody takes it
            answered = len(running.answers())
            took = running.takes
            record.start()
            assert wait_until(lambda: running.takes > took)
            answer = running.send_until_answered(batch(9, 12))
            assert wait_until(lambda: "batches are taken" in running.said[-1])

        assert answered == 1
        assert answer.runs == ((7, 20),)
        assert [number for *_, number in numbers_in(record)] == list(range(1, 21))


def test_a_database_that_hangs_is_given_up(monkeypatch):
    """Its connection answers nothing, yet the keeper notices and goes on when it wakes up."""
    monkeypatch.setattr(keeper_module, "LONGEST_WRITE_S", 0.3)
    monkeypatch.setattr(keeper_module, "LONGEST_WAIT_S", 0.1)
    with database(own_server=True) as record:
        made_record(record)
        with running_keeper(record) as running:
            running.send_until_answered(batch(1, 1))
            record.pause()
            running.send(batch(2, 1))
            assert wait_until(lambda: any("does not answer" in one for one in running.said))
            record.resume()
            answer = running.send_until_answered(batch(2, 1))

        assert answer.runs == ((7, 2),)
        assert len(numbers_in(record)) == 2
