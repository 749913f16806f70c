"""Entries of registers in the central record: their hashes are checked from where it has them."""

import json
import threading
from dataclasses import replace

import pytest
from central_record_kit import rows, sent
from load_kit import wait_until
from server_kit import Database

from benchwatch.central_record.batches import Outcome, SentEntries
from benchwatch.central_record.chain_rows import write_chains
from benchwatch.register.register_entry import RegisterEntry, entry_hash
from benchwatch.relay.batch import ChainBatch

CHAIN = "4f0c"


def entries(count: int, chain: str = CHAIN, who: str = "anna") -> list[RegisterEntry]:
    """Return the first entries of a chain."""
    made: list[RegisterEntry] = []
    previous = ""
    for number in range(1, count + 1):
        entry = RegisterEntry(
            chain=chain, number=number, at=f"2026-11-30T01:00:{number:02}+00:00", who=who,
            kind="note", unit=None if number % 2 else "unit-1", visit=f"{chain}/2", amends=None,
            document=json.dumps({"text": f'"{number}" \\ NULL {{}}'}), hash="",
        )  # fmt: skip
        made.append(replace(entry, hash=entry_hash(previous, entry)))
        previous = made[-1].hash
    return made


def batch(some: list[RegisterEntry], station: str = "tide-007") -> SentEntries:
    """Return a batch of consecutive entries."""
    after = some[0].number - 1
    return SentEntries(
        station, ChainBatch(some[0].chain, after, some[-1].number, tuple(some)), b"payload"
    )


def kept(record: Database) -> list[tuple[object, ...]]:
    """Return the entries in the record as rows of a register."""
    return rows(
        record,
        "SELECT station, chain, number, at, who, kind, unit, visit, amends, document, hash"
        " FROM benchwatch.entries JOIN benchwatch.chains USING (chain_id) ORDER BY 1, 2, 3",
    )


def as_rows(some: list[RegisterEntry], station: str = "tide-007") -> list[tuple[object, ...]]:
    """Return entries as the record should have them."""
    return [
        (station, one.chain, one.number, one.at, one.who, one.kind, one.unit, one.visit,
         one.amends, one.document, one.hash)
        for one in some
    ]  # fmt: skip


def test_entries_are_kept_as_they_are(record, writer):
    """Two batches of a chain in one group, and a later one, give the register's rows."""
    made = entries(6)
    first = writer.write([batch(made[2:4]), batch(made[:2])])
    second = writer.write([batch(made[4:])])

    assert (first["tide-007"].chains, second["tide-007"].chains) == ({CHAIN: 4}, {CHAIN: 6})
    assert first["tide-007"].entries_last == {CHAIN: made[3].hash}
    assert second["tide-007"].entries_last == {CHAIN: made[5].hash}
    assert kept(record) == as_rows(made)


def test_entries_that_come_twice_are_there_once(record, writer):
    """A batch that overlaps what is there adds the rest only."""
    made = entries(5)
    writer.write([batch(made[:3])])
    outcome = writer.write([batch(made[:2]), batch(made[1:])])["tide-007"]

    assert (outcome.chains, outcome.refused) == ({CHAIN: 5}, [])
    assert kept(record) == as_rows(made)


def test_entries_beyond_what_is_there_are_left_alone(record, writer):
    """The answer tells the station from where to go on; that is no refusal."""
    made = entries(5)
    outcome = writer.write([batch(made[2:])])["tide-007"]

    assert (outcome.chains, outcome.refused) == ({CHAIN: 0}, [])
    assert kept(record) == []


@pytest.mark.parametrize(
    "change",
    [{"document": "{}"}, {"hash": "0" * 64}, {"who": "berta"}, {"unit": None}, {"at": "2020"}],
    ids=lambda change: next(iter(change)),
)
def test_a_changed_entry_is_refused_with_those_after_it(record, writer, change):
    """A change of any column breaks the chain; what came before it and other stations stay."""
    made = entries(5)
    forged = [*made[:3], replace(made[3], **change), made[4]]
    outcomes = writer.write([
        batch(forged[:3]), batch(forged[3:]), batch(made[:2], "tide-008"), sent([1])
    ])  # fmt: skip
    (refused,) = outcomes["tide-007"].refused

    assert (refused.chain, refused.run, refused.after, refused.to) == (CHAIN, None, 3, 5)
    assert "entry 4 does not follow" in refused.why
    assert outcomes["tide-007"].chains == {CHAIN: 3}
    assert outcomes["tide-007"].runs == {7: 1}
    assert kept(record) == as_rows(made[:3]) + as_rows(made[:2], "tide-008")
    assert rows(record, "SELECT stream, payload FROM benchwatch.refused") == [
        (f"chain {CHAIN}", b"payload")
    ]


def test_another_register_with_the_same_chain_is_refused(record, writer):
    """Its further entries rest on others than the record has."""
    writer.write([batch(entries(3))])
    outcome = writer.write([batch(entries(5, who="berta")[1:])])["tide-007"]

    assert len(outcome.refused) == 1
    assert kept(record) == as_rows(entries(3))


def test_a_chain_is_asked_for(record, writer):
    """An unknown one is at 0; one of another station of the same name does not count."""
    writer.write([batch(entries(3))])
    found = writer.progress([], [("tide-007", CHAIN), ("tide-007", "other"), ("tide-008", CHAIN)])

    assert found["tide-007"].chains == {CHAIN: 3, "other": 0}
    assert found["tide-007"].entries_last == {CHAIN: entries(3)[-1].hash}
    assert found["tide-008"].chains == {CHAIN: 0}
    assert found["tide-008"].entries_last == {}


def test_the_last_entry_tells_another_register_of_the_same_length(writer):
    """Whatever is sent of it, the answer names the last entry that the record has."""
    writer.write([batch(entries(3))])
    other = entries(3, who="berta")
    outcome = writer.write([batch(other)])["tide-007"]

    assert (outcome.chains, outcome.refused) == ({CHAIN: 3}, [])
    assert outcome.entries_last == {CHAIN: entries(3)[-1].hash} != {CHAIN: other[-1].hash}


def test_a_keeper_that_waited_for_another_goes_on_from_its_entries(record, writer):
    """Both have the same batches; what is new to the second follows from what the first wrote."""
    made = entries(4)
    writer.write([batch(made[:2])])
    outcomes: list[dict[str, Outcome]] = []
    thread = threading.Thread(target=lambda: outcomes.append(writer.write([batch(made[2:])])))
    waits = """
        SELECT 1 FROM pg_stat_activity
        WHERE wait_event_type = 'Lock' AND datname = current_database()"""
    with record.connect() as other, other.transaction():
        write_chains(other, [batch(made[2:3])])
        thread.start()
        assert wait_until(lambda: rows(record, waits))
    thread.join()
    (outcome,) = outcomes

    assert (outcome["tide-007"].chains, outcome["tide-007"].refused) == ({CHAIN: 4}, [])
    assert outcome["tide-007"].entries_last == {CHAIN: made[3].hash}
    assert kept(record) == as_rows(made)
