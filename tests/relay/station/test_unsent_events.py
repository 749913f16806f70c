"""What is read of a journal to be sent: a batch claims that no event is missing in its range."""

import random
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import NoReturn

import pytest
from batch_kit import MADE_RUN, UTC_S
from journal_kit import ask
from shipping_kit import WrittenRun

from benchwatch.errors import JournalError
from benchwatch.journal import Journal
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_schema import COLUMNS
from benchwatch.relay.batch import RunBatch
from benchwatch.relay.station.fitting_batch import encode_fitting
from benchwatch.relay.station.unsent_entries import UnsentEntries
from benchwatch.relay.station.unsent_events import CanNotBeSent, UnsentEvents


def written_in_two_files(folder: Path) -> tuple[Path, Path, int, int]:
    """Write two runs while the disk is locked in the middle; return both files and the keys."""
    path = folder / "journal.db"
    journal = Journal(path)
    first, second = WrittenRun(journal), WrittenRun(journal)
    first.write(10)
    second.write(10)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        first.write(10)
        with pytest.raises(JournalError, match="-left-"):
            journal.close()
    (left,) = folder.glob("*-left-*.db")
    return path, left, first.key, second.key


def no_run() -> NoReturn:
    """Fail: the journal has the run."""
    raise AssertionError


def test_what_was_left_elsewhere_is_not_sent_before_the_journal(tmp_path: Path) -> None:
    """It would be claimed that the record has all, and the events before would never be sent."""
    path, left, first, second = written_in_two_files(tmp_path)
    in_left = [n for (n,) in ask(left, "SELECT number FROM readings")]
    assert in_left == list(range(21, 30))  # and a gap
    events, rest = UnsentEvents(path), UnsentEvents(left)
    with pytest.raises(CanNotBeSent, match="only what comes after event 10"):
        rest.batch(first, 0)

    batch, has_more = events.batch(first, 0) or no_run()
    assert (batch.to, has_more) == (10, False)
    after_it, _ = rest.batch(first, batch.to) or no_run()
    assert [row[0] for row in after_it.readings] == in_left
    nothing, _ = rest.batch(second, 0) or no_run()
    assert (nothing.to, len(nothing)) == (0, 0)
    events.close()
    rest.close()


def test_large_events_with_one_number_are_no_endless_loop() -> None:
    """A journal that was changed by hand may have them: they are left out, and not those before."""
    noise = random.Random(1).randbytes(400_000).hex()
    row = (2, UTC_S, 0.0, "kind", noise)
    batch = RunBatch(MADE_RUN, 0, 2, marks=[(1, UTC_S, 0.0, "x")], records=[row], notes=[row])
    first, _ = encode_fitting(batch)
    rest, _ = encode_fitting(RunBatch(MADE_RUN, 1, 2, records=[row], notes=[row]))

    assert isinstance(first, RunBatch)
    assert isinstance(rest, RunBatch)
    assert (first.to, len(first), len(first.left_out)) == (1, 1, 0)
    assert (rest.to, [number for number, _ in rest.left_out]) == (2, [2])


def test_a_chain_that_can_not_be_asked_for_is_left_out_alone(tmp_path: Path) -> None:
    """A question that names it would be refused as a whole, and nothing would be sent any more."""
    path = tmp_path / "register.db"
    RegisterFile(path).add([Draft(kind="unit", unit="a", document={"ident": "a"})])
    other = COLUMNS.replace("chain", "'" + 65 * "c" + "'", 1)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(f"INSERT INTO entries ({COLUMNS}) SELECT {other} FROM entries LIMIT 1")
    entries = UnsentEntries([path])
    entries.refresh()

    assert [len(chain) < 65 for chain in entries.chains] == [True]
    assert "65 characters as chain" in entries.trouble


def test_a_register_that_was_set_back_is_told(tmp_path: Path) -> None:
    """New entries would take the places of others in the record, and never be sent."""
    path = tmp_path / "register.db"
    for text in ("a", "b"):
        RegisterFile(path).add([Draft(kind="unit", unit=text, document={"ident": text})])
    entries = UnsentEntries([path])
    entries.refresh()
    ((chain, last),) = entries.chains.items()
    assert not entries.in_record(chain, last, "")
    assert entries.in_record(chain, last + 1, "")
    entries.refresh()
    assert f"has {last} entries of chain {chain}, and the central record {last + 1}" in (
        entries.trouble
    )
    assert not entries.in_record(chain, last + 1, "")
    RegisterFile(path).add([Draft(kind="unit", unit="c", document={"ident": "c"})])
    entries.refresh()  # as where the other program had written it by then

    assert entries.trouble == ""


def test_a_register_that_was_set_back_and_filled_again_is_told(tmp_path: Path) -> None:
    """With just as many entries as the record has, only the hash of the last tells."""
    path, other = tmp_path / "register.db", tmp_path / "other.db"
    file = RegisterFile(path)
    file.add([Draft(kind="unit", unit="a", document={"ident": "a"})])
    other.write_bytes(path.read_bytes())
    hashes = []
    for one, text in ((path, "as it was"), (other, "as it is now")):
        RegisterFile(one).add([Draft(kind="note", unit="a", document={"text": text})])
        hashes.append(ask(one, "SELECT hash FROM entries ORDER BY number DESC LIMIT 1")[0][0])
    there, here = hashes
    entries = UnsentEntries([other])
    entries.refresh()
    ((chain, last),) = entries.chains.items()
    assert there != here
    assert not entries.in_record(chain, last, here)
    assert entries.in_record(chain, last, there)
    entries.refresh()
    assert f"and the central record have different entries {last} of chain {chain}" in (
        entries.trouble
    )
    assert not entries.in_record(chain, last, there)  # it is known, and read no more
    entries.in_record(chain, last, here)
    entries.refresh()

    assert entries.trouble == ""
