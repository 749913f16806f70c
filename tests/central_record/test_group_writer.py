"""Groups of batches in a real PostgreSQL: ranges, resending, faults of data, and two keepers."""

import threading
import time
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from batch_kit import MADE_RUN
from central_record_kit import (
    NOW_S,
    group_writer,
    numbers_in,
    reading,
    rows,
    sent,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from load_kit import wait_until
from server_kit import Database

from benchwatch.central_record.record_steps import DAYS_AHEAD, SCHEMA_VERSION
from benchwatch.errors import RecordError


def test_what_was_sent_is_there_and_answered(record, writer):
    """Each kind of event is in its table, with the run's row, and the answer says to where."""
    run = replace(MADE_RUN, identity='a "quoted", \\ {braced} name', end_reason="NULL")
    batch = sent(
        [1, 2, 4], to=9, run=run,
        gaps=[(3, NOW_S, 3.0, 0.5, "link lost")],
        marks=[(5, NOW_S, 5.0, 'a mark with "quotes", {braces} and \\')],
        records=[(6, NOW_S, 6.0, "as_found", "{}")],
        notes=[(7, NOW_S, 7.0, "level", '{"a": "NULL"}')],
    )  # fmt: skip

    outcome = writer.write([batch])["tide-007"]

    assert (outcome.runs, outcome.taken, outcome.refused) == ({7: 9}, [(7, 0, 9)], [])
    assert numbers_in(record) == [("tide-007", 7, number) for number in (1, 2, 4)]
    assert rows(record, "SELECT number, reason FROM benchwatch.gaps") == [(3, "link lost")]
    assert rows(record, "SELECT number, text FROM benchwatch.marks") == [
        (5, 'a mark with "quotes", {braces} and \\')
    ]
    assert rows(record, "SELECT number, kind FROM benchwatch.records") == [(6, "as_found")]
    assert rows(record, "SELECT number, document FROM benchwatch.notes") == [(7, '{"a": "NULL"}')]
    assert rows(
        record,
        "SELECT counter, nominal_hz, identity, end_reason, ended_utc_s, first_utc_s, last_utc_s"
        " FROM benchwatch.runs",
    ) == [("main", "10000000.0", run.identity, "NULL", None, NOW_S + 1, NOW_S + 4)]


def test_batches_of_one_run_in_one_group_follow_each_other(record, writer):
    """They are taken whatever order they came in; one after a hole is left alone."""
    outcome = writer.write([sent([3], 2, 4), sent([9], 8, 9), sent([1], 0, 2), sent([5], 4, 6)])

    assert outcome["tide-007"].runs == {7: 6}
    assert sorted(outcome["tide-007"].taken) == [(7, 0, 2), (7, 2, 4), (7, 4, 6)]
    assert [number for *_, number in numbers_in(record)] == [1, 3, 5]


def test_a_batch_beyond_what_is_there_is_no_fault(record, writer):
    """Nothing of it is written or noted; the answer tells its station to go back."""
    writer.write([sent([1, 2])])
    outcome = writer.write([sent([6], 5, 7)])["tide-007"]

    assert (outcome.runs, outcome.taken, outcome.refused) == ({7: 2}, [], [])
    assert len(numbers_in(record)) == 2
    assert rows(record, "SELECT * FROM benchwatch.refused") == []


def test_what_comes_twice_is_there_once(record, writer):
    """Ranges that overlap, in one group or later, double nothing and take nothing back."""
    writer.write([sent([1, 2, 3]), sent([2, 3, 4], 1)])
    outcome = writer.write([sent([1, 2])])["tide-007"]

    assert (outcome.runs, outcome.taken) == ({7: 4}, [(7, 0, 2)])
    assert [number for *_, number in numbers_in(record)] == [1, 2, 3, 4]


def test_what_a_damaged_journal_gives_back_later_still_comes_in(record, writer):
    """Events below what the record has are added where they were missing."""
    writer.write([sent([1, 9])])
    writer.write([sent([1, 4, 9])])

    assert [number for *_, number in numbers_in(record)] == [1, 4, 9]


def test_the_end_of_a_run_stays(record, writer):
    """A batch from before the end, that comes after it, does not open the run again."""
    over = replace(MADE_RUN, ended_utc_s=NOW_S, end_reason="interrupted")
    first = writer.write([sent([1])])["tide-007"]
    second = writer.write([sent((), 1, 1, run=over)])["tide-007"]
    with group_writer(record) as other:  # which does not know what was written
        third = other.write([sent([2], 1)])["tide-007"]

    assert (first.ended, second.ended, third.ended) == (set(), {7}, {7})
    assert rows(record, "SELECT ended_utc_s, end_reason FROM benchwatch.runs") == [
        (NOW_S, "interrupted")
    ]


def test_runs_of_the_same_key_at_two_stations_are_two(record, writer):
    """The station is part of the key."""
    writer.write([sent([1], station="tide-001"), sent([1, 2], station="tide-002")])

    assert numbers_in(record) == [("tide-001", 7, 1), ("tide-002", 7, 1), ("tide-002", 7, 2)]


@pytest.mark.parametrize("bad", range(5))
def test_a_fault_of_data_costs_one_batch(record, writer, bad):
    """The database refuses one of five batches; the others are committed, and it is noted."""
    group = [sent([1], station=f"tide-{place}") for place in range(5)]
    group[bad] = sent(rows=[reading(1, text="nul \0")], station=f"tide-{bad}")
    outcomes = writer.write(group)

    assert [station for station, _, _ in numbers_in(record)] == [
        f"tide-{place}" for place in range(5) if place != bad
    ]
    (refused,) = outcomes[f"tide-{bad}"].refused
    assert (refused.run, refused.after, refused.to) == (7, 0, 1)
    ((station, stream, payload),) = rows(
        record, "SELECT station, stream, payload FROM benchwatch.refused"
    )
    assert (station, stream, payload) == (f"tide-{bad}", "run 7", b"payload")


def test_texts_that_no_index_holds_cost_one_batch(record, writer):
    """A limit of the database that no check knows refuses the batch alone (SQLSTATE 54000)."""
    huge = "".join(chr(0x4E00 + place * 7 % 20000) for place in range(20_000))
    with record.connect() as connection:
        connection.execute("CREATE UNIQUE INDEX ON benchwatch.marks (run_id, text)")
        try:
            outcomes = writer.write([
                sent([1], marks=[(2, NOW_S, 2.0, huge)], to=2), sent([1], station="tide-008")
            ])  # fmt: skip
        finally:
            connection.execute("DROP INDEX benchwatch.marks_run_id_text_idx")

    assert "index row" in outcomes["tide-007"].refused[0].why
    assert numbers_in(record) == [("tide-008", 7, 1)]


def test_a_hostile_station_can_not_fill_the_disk_with_refusals(record, writer):
    """Of 120 refused batches a hundred are noted, and ten with their payload."""
    for _ in range(2):
        writer.write([sent(rows=[reading(1, text="\0")], key=key) for key in range(60)])
    writer.write([sent(rows=[reading(1, text="\0")], station="tide-008")])

    assert rows(
        record,
        "SELECT station, count(*), count(payload) FROM benchwatch.refused GROUP BY 1 ORDER BY 1",
    ) == [("tide-007", 100, 10), ("tide-008", 1, 1)]


def test_events_that_a_station_left_out_are_noted(record, writer):
    """The note names each with its reason, and a second sending does not note it again."""
    batch = sent([1, 3], left_out=[(2, "an event of the readings has nan as utc_s")])
    writer.write([batch])
    writer.write([batch])

    assert rows(record, "SELECT stream, after, upto, why, payload FROM benchwatch.refused") == [
        ("run 7", 0, 3, "left out by the station: 2: an event of the readings has nan as utc_s",
         None)
    ]  # fmt: skip


def test_days_get_partitions_within_the_window_only(record, writer):
    """Times all over the calendar make no partitions but those of days that are near."""
    day_s = 86_400
    near = [NOW_S - day_s * back for back in (5, 398)]  # not at an edge, as midnight may pass
    times = [*near, *(NOW_S - day_s * back for back in (402, 20_000)), NOW_S + 4 * day_s, 1e11]
    before = _days(record)
    writer.write([sent(rows=[reading(place, utc_s) for place, utc_s in enumerate(times, 1)])])

    *made, coming = [
        f"benchwatch.readings_{datetime.fromtimestamp(utc_s, UTC):%Y%m%d}"
        for utc_s in (*near, time.time() + DAYS_AHEAD * day_s)
    ]
    assert set(_days(record)) - set(before) - {coming} == set(made)
    assert rows(record, "SELECT count(*) FROM benchwatch.readings_other") == [(4,)]
    assert len(numbers_in(record)) == 6


def test_readings_move_to_their_day_when_it_gets_a_partition(record):
    """A day that could not be made in time takes its readings over, and doubles none of them."""
    then_s = NOW_S - 50 * 86_400.0
    reader = record.connect()
    reader.execute("BEGIN")
    reader.execute("SELECT * FROM benchwatch.readings_other")  # a long look keeps it from changing
    with group_writer(record) as writer:
        writer.write([sent(rows=[reading(1, then_s)])])
    in_other = rows(record, "SELECT count(*) FROM benchwatch.readings_other")
    reader.execute("COMMIT")
    reader.close()
    with group_writer(record) as writer:
        writer.write([sent(rows=[reading(1, then_s), reading(2, then_s)])])

    assert in_other == [(1,)]
    assert rows(record, "SELECT count(*) FROM benchwatch.readings_other") == [(0,)]
    assert [number for *_, number in numbers_in(record)] == [1, 2]


def test_a_dropped_day_is_not_filled_again(record, writer):
    """What was dropped without a note of its numbers stays so; what is new comes in."""
    writer.write([sent([1, 2])])
    with record.connect() as connection:
        connection.execute("DELETE FROM benchwatch.readings")
        connection.execute(
            "INSERT INTO benchwatch.archived (day, part, file, rows, sha256, dropped)"
            " VALUES (to_timestamp(%s)::date, 1, 'f', 2, '', now())",
            (NOW_S,),
        )
    writer.write([sent(rows=[reading(number, NOW_S) for number in (1, 2, 3)])])

    assert [number for *_, number in numbers_in(record)] == [3]


def test_the_keepers_role_can_not_take_anything_back(record):
    """Deleting, emptying, changing an event and changing tables are refused by the server."""
    with group_writer(record) as writer:
        writer.write([sent([1])])
        for statement in (
            "DELETE FROM benchwatch.readings",
            "DELETE FROM benchwatch.runs",
            "TRUNCATE benchwatch.readings",
            "UPDATE benchwatch.readings SET text = '1'",
            "UPDATE benchwatch.runs SET station = 'other'",
            "UPDATE benchwatch.entries SET document = ''",
            "DELETE FROM benchwatch.refused",
            "UPDATE benchwatch.schema_version SET writable_from = 9",
            "DROP TABLE benchwatch.marks",
            "CREATE TABLE benchwatch.mine (a int)",
            "ALTER TABLE benchwatch.runs ADD COLUMN a int",
        ):
            with pytest.raises(Exception, match=r"permission denied|must be owner"):
                writer._connection.execute(statement.encode())


def test_a_later_schema_with_more_columns_is_written(record, writer):
    """A keeper goes on beside one of the next version, until only newer programs may write."""
    writer.write([sent([1])])
    with record.connect() as connection:
        try:
            connection.execute("ALTER TABLE benchwatch.readings ADD COLUMN later float8")
            connection.execute("UPDATE benchwatch.schema_version SET version = 99")
            writer.write([sent([2], 1)])
            connection.execute("UPDATE benchwatch.schema_version SET writable_from = 99")
            with pytest.raises(RecordError, match="newer Benchwatch"):
                writer.write([sent([3], 2)])
        finally:
            connection.execute("ALTER TABLE benchwatch.readings DROP COLUMN later")
            connection.execute(
                "UPDATE benchwatch.schema_version SET version = %s, writable_from = 1",
                (SCHEMA_VERSION,),
            )

    assert [number for *_, number in numbers_in(record)] == [1, 2]


def test_a_commit_is_on_the_disk(record, writer):
    """A server that answers before it is, as that of the tests, is asked not to."""
    query = "SHOW synchronous_commit"

    assert rows(record, query) == [("off",)]
    assert writer._connection.execute(query.encode()).fetchone() == ("on",)


def test_two_keepers_at_once_double_nothing(record):
    """Both write the same batches of many runs in crossing orders, and all of it is there once."""
    stations = [f"tide-{place:03}" for place in range(40)]
    errors: list[BaseException] = []

    def keep(backwards: bool) -> None:
        try:
            with group_writer(record) as writer:
                for first in range(1, 60, 3):
                    group = [
                        sent(range(first, first + 3), first - 1, station=station)
                        for station in stations
                    ]
                    writer.write(group[::-1] if backwards else group)
        except BaseException as error:  # noqa: BLE001 - shown by the test
            errors.append(error)

    threads = [threading.Thread(target=keep, args=(backwards,)) for backwards in (False, True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert errors == []
    assert numbers_in(record) == [
        (station, 7, number) for station in stations for number in range(1, 61)
    ]
    assert rows(record, "SELECT DISTINCT has_all_to FROM benchwatch.runs") == [(60,)]


def test_a_keeper_that_another_crosses_tries_again(record, writer):
    """A deadlock, which the server ends at this keeper's cost, is no failure."""
    writer.write([sent([1], station="tide-001"), sent([1], station="tide-002")])
    (first,), (second,) = rows(record, "SELECT run_id FROM benchwatch.runs ORDER BY run_id")
    other, done = record.connect(), threading.Event()
    other.execute("SET deadlock_timeout = '60s'")  # so that the keeper's transaction is ended
    lock = "SELECT * FROM benchwatch.runs WHERE run_id = %s FOR UPDATE"
    other.execute("BEGIN")
    other.execute(lock, (second,))

    def keep() -> None:
        writer.write([sent([2], 1, station="tide-001"), sent([2], 1, station="tide-002")])
        done.set()

    thread = threading.Thread(target=keep)
    thread.start()
    waits = "SELECT 1 FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND pid <> 0"
    assert wait_until(lambda: rows(record, waits))
    other.execute(lock, (first,))
    other.execute("COMMIT")
    thread.join()
    other.close()

    assert done.is_set()
    assert len(numbers_in(record)) == 4


@settings(
    max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(
    st.lists(
        st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12)
        | st.sampled_from(["NULL", '"', "\\", "{}", ",", " ", "", '\\"', "None"]),
        min_size=1,
        max_size=6,
    )
)
def test_any_text_is_kept_as_it_is(record, texts):
    """Quotes, braces, backslashes, NULL as a word and any other sign come back unchanged."""
    with group_writer(record) as writer:
        writer.write([
            sent(rows=[reading(number, text=text) for number, text in enumerate(texts, 1)],
                 key=hash(tuple(texts)) % 2**62)
        ])  # fmt: skip
    found = rows(
        record, "SELECT text FROM benchwatch.readings JOIN benchwatch.runs USING (run_id)"
        " WHERE run = %s ORDER BY number", hash(tuple(texts)) % 2**62,
    )  # fmt: skip

    assert [text for (text,) in found] == texts


def _days(record: Database) -> list[str]:
    return [
        name
        for (name,) in rows(
            record,
            "SELECT inhrelid::regclass::text FROM pg_inherits"
            " WHERE inhparent = 'benchwatch.readings'::regclass",
        )
    ]
