"""Days that are dropped from the record: only those of which a verified file has every reading."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from archive_kit import MadeRecord, day_ago, made_record, white_noise
from central_record_kit import group_writer, sent

from benchwatch.central_record.archive import retention
from benchwatch.central_record.archive.archived_days import RecordDay
from benchwatch.central_record.record_address import parse_record
from benchwatch.central_record.run_reader import CentralRunReader
from benchwatch.errors import UsageError

if TYPE_CHECKING:
    from psycopg import Connection


@pytest.fixture
def record() -> Iterator[MadeRecord]:
    """An empty central record."""
    with made_record() as made:
        yield made


def partitions(record: MadeRecord) -> set[str]:
    """Return the names of the partitions of old days."""
    found = record.owner.execute(
        "SELECT relname FROM pg_class WHERE relname ~ '^readings_[0-9]{8}$' AND relname < %s",
        (f"readings_{day_ago(5):%Y%m%d}",),
    )
    return {str(name) for (name,) in found}


def test_drops_what_is_archived_and_old(record: MadeRecord, tmp_path: Path) -> None:
    """Old archived days go, with a note; younger ones and those that are not archived stay."""
    for days in (100, 95, 10):
        record.add("tide-001", days, white_noise(day_ago(days), 20, seed=days))
    record.archive(tmp_path)
    record.add("tide-001", 99, white_noise(day_ago(99), 20, seed=1))

    done = record.drop(days=90)

    said = {one.day.day: one.trouble for one in done}
    assert {day for day, trouble in said.items() if not trouble} == {day_ago(100), day_ago(95)}
    assert "not archived" in said[day_ago(99)]
    assert partitions(record) == {f"readings_{day_ago(days):%Y%m%d}" for days in (99, 10)}
    assert [row[3] for row in record.notes()] == [True, True, False]


def test_keeper_is_refused(record: MadeRecord, tmp_path: Path) -> None:
    """The keeper's role can't drop: neither through the program nor by statements of its own."""
    day = day_ago(100)
    record.add("tide-001", 1, white_noise(day, 20, seed=1))
    record.archive(tmp_path)

    with pytest.raises(UsageError, match="owns the tables"):
        record.drop(role=record.keeper)
    with record.connect(record.keeper) as connection, pytest.raises(UsageError):
        retention._drop_unchanged(connection, RecordDay(day), 20, 0)

    assert record.count(day) == 20
    assert [row[3] for row in record.notes()] == [False]


@pytest.mark.parametrize(
    ("spoil", "words"),
    [("missing", "not there"), ("changed", "SHA-256"), ("late", "came late"), ("row", "differ")],
)
def test_day_that_differs_stays(record: MadeRecord, tmp_path: Path, spoil: str, words: str) -> None:
    """A file that is missing or changed, a late reading or another value: the day stays."""
    day = day_ago(100)
    record.add("tide-001", 1, white_noise(day, 20, seed=1))
    (archived,) = record.archive(tmp_path)
    assert archived.file is not None
    if spoil == "missing":
        archived.file.rename(tmp_path / "elsewhere")
    elif spoil == "changed":
        content = bytearray(archived.file.read_bytes())
        content[200] ^= 1
        archived.file.write_bytes(content)
    elif spoil == "late":
        record.add("tide-001", 1, white_noise(day, 1, seed=2))
    else:
        record.owner.execute("UPDATE benchwatch.readings SET text = '1' WHERE number = 1")
    before = record.count(day)

    (done,) = record.drop()

    assert words in done.trouble
    assert record.count(day) == before
    assert [row[3] for row in record.notes()] == [False]


@pytest.mark.parametrize("change", ["late", "exchanged"])
def test_reading_between_comparison_and_drop(
    record: MadeRecord, tmp_path: Path, change: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reading that is written after the comparison makes the day stay; the next calls drop it."""
    day = day_ago(100)
    record.add("tide-001", 1, white_noise(day, 20, seed=1))
    record.archive(tmp_path)
    drop = retention._drop_unchanged

    def late(connection: "Connection[Any]", *rest: Any) -> bool | None:
        if change == "late":
            record.add("tide-001", 1, white_noise(day, 1, seed=2))
        else:
            record.owner.execute("UPDATE benchwatch.readings SET text = '1' WHERE number = 1")
        return drop(connection, *rest)

    with monkeypatch.context() as patched:
        patched.setattr(retention, "_drop_unchanged", late)
        (done,) = record.drop()

    assert "written for it just now" in done.trouble
    assert record.count(day) == (21 if change == "late" else 20)
    if change == "late":
        record.archive(tmp_path)
        (done,) = record.drop()
        assert (done.rows, done.trouble) == (21, "")


def test_late_readings_of_a_dropped_day(record: MadeRecord, tmp_path: Path) -> None:
    """What comes after the drop is archived as a further part, and can be dropped too."""
    day = day_ago(100)
    record.add("tide-001", 1, white_noise(day, 20, seed=1))
    record.archive(tmp_path)
    record.drop()
    record.add("tide-002", 2, white_noise(day, 5, seed=2))

    (archived,) = record.archive(tmp_path)
    (dropped,) = record.drop()

    assert (archived.rows, dropped.rows) == (5, 5)
    assert record.notes() == [(day, 1, 20, True), (day, 2, 5, True)]


def test_a_run_names_only_its_own_dropped_days(record: MadeRecord, tmp_path: Path) -> None:
    """Days of others between its first and last reading are none that it lacks."""
    own = [row for day in (100, 96) for row in white_noise(day_ago(day), 3, seed=1)]
    own = [(number, *row[1:]) for number, row in enumerate(own, 1)]
    others = [row for day in (98, 97) for row in white_noise(day_ago(day), 3, seed=1)]
    others = [(number, *row[1:]) for number, row in enumerate(others, 1)]
    with group_writer(record.made, record.keeper) as writer:
        writer.write([sent(rows=own), sent(rows=others, key=8)])
    record.archive(tmp_path)
    record.drop()
    with CentralRunReader(parse_record(record.made.url)) as reader:
        words = {run.key: reader.left_out_words(run) for run in reader.runs()}
        record.owner.execute("UPDATE benchwatch.archived SET numbers_noted = false")
        older = reader.left_out_words(reader.runs()[0])

    assert f"2 days ({day_ago(100)} to {day_ago(96)})" in words[7]
    assert str(tmp_path / f"readings_{day_ago(98):%Y%m%d}_1.parquet") not in words[7]
    assert f"2 days ({day_ago(98)} to {day_ago(97)})" in words[8]
    assert "4 days" in older


def test_files_of_a_moved_archive(record: MadeRecord, tmp_path: Path) -> None:
    """Where the archive was moved, its folder is named, and its files count as before."""
    record.add("tide-001", 1, white_noise(day_ago(100), 20, seed=1))
    for name in ("old", "new"):
        (tmp_path / name).mkdir()
    (archived,) = record.archive(tmp_path / "old")
    assert archived.file is not None
    archived.file.rename(tmp_path / "new" / archived.file.name)

    (lost,) = record.drop()
    (found,) = record.drop(tmp_path / "new")

    assert "--archive DIR" in lost.trouble
    assert found.rows == 20


def test_busy_record(record: MadeRecord, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a long query holds the readings, the day stays for now, and others wait briefly."""
    monkeypatch.setattr(retention, "LOCK_WAIT", "50ms")
    day = day_ago(100)
    record.add("tide-001", 1, white_noise(day, 20, seed=1))
    record.archive(tmp_path)

    with record.owner.transaction():
        record.owner.execute("SELECT count(*) FROM benchwatch.readings")
        (done,) = record.drop()

    assert "busy" in done.trouble
    assert record.count(day) == 20
    assert record.drop()[0].rows == 20


def test_days_without_readings(record: MadeRecord) -> None:
    """An old day without any reading needs no file to be dropped."""
    record.owner.execute("SELECT benchwatch.make_day(%s)", (day_ago(100),))

    (done,) = record.drop()

    assert (done.day.day, done.rows, done.trouble) == (day_ago(100), 0, "")
    assert partitions(record) == set()
