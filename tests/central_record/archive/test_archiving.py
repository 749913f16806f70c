"""Old days in Parquet files: all readings are in them, once and exactly, whatever happens."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from archive_kit import (
    MadeRecord,
    day_ago,
    journal_with,
    made_record,
    midnight_s,
    odd_readings,
    white_noise,
)
from disk_kit import tiny_disk
from journal_kit import ask

from benchwatch.central_record.archive import archiving as archive_module
from benchwatch.central_record.archive.archived_days import OTHER_DAY
from benchwatch.errors import FileError, UsageError

MOST_BYTES = 8
"""Bytes a reading of white noise may take, of which half are the varying times."""


@pytest.fixture
def record() -> Iterator[MadeRecord]:
    """An empty central record."""
    with made_record() as made:
        yield made


def rows_of(*files: Path) -> list[tuple[object, ...]]:
    """Read files by pyarrow, which shares no code with duckdb."""
    names = ["number", "utc_s", "elapsed_s", "gate_s", "text", "resolution_hz", "flags"]
    tables = [pq.read_table(file, columns=names).to_pydict() for file in files]
    return [row for one in tables for row in zip(*(one[name] for name in names), strict=True)]


def test_file_of_a_day_equals_the_journal(record: MadeRecord, tmp_path: Path) -> None:
    """A day's file, read by pyarrow, has every reading of the journal with exactly its values."""
    day = day_ago(10)
    readings = [*white_noise(day, 500, seed=1), *odd_readings(day)]
    journal_with(tmp_path / "journal.db", 77, readings)
    record.add("tide-007", 77, readings)

    (done,) = record.archive(tmp_path)

    kept = ask(
        tmp_path / "journal.db",
        "SELECT number, utc_s, elapsed_s, gate_s, text, resolution_hz, flags FROM readings",
    )
    assert done.file is not None
    assert sorted(rows_of(done.file)) == sorted(kept)
    assert record.notes() == [(day, 1, len(readings), False)]


def test_file_says_what_it_is(record: MadeRecord, tmp_path: Path) -> None:
    """Station, run, counter, nominal and time base stand beside each reading, sorted."""
    day = day_ago(10)
    for station, run in (("tide-002", 5), ("tide-001", 9), ("tide-001", 4)):
        record.add(station, run, white_noise(day, 3, seed=run), counter=f"b{run}")

    record.archive(tmp_path)

    file = pq.ParquetFile(tmp_path / f"readings_{day:%Y%m%d}_1.parquet")
    table = file.read().to_pydict()
    heads = list(zip(table["station"], table["run"], table["counter"], strict=True))
    assert heads[::3] == [("tide-001", 4, "b4"), ("tide-001", 9, "b9"), ("tide-002", 5, "b5")]
    assert set(table["nominal_hz"]) == {"10000000"}
    assert set(table["time_base"]) == {"external"}
    about = json.loads(file.schema_arrow.metadata[b"benchwatch"])
    columns, runs = about.pop("run_columns"), about.pop("runs")
    assert about == {"kind": "archive", "version": 1, "day": day.isoformat(), "part": 1}
    assert [dict(zip(columns, run, strict=True))["counter"] for run in runs] == ["b4", "b9", "b5"]


def test_bytes_of_a_reading(record: MadeRecord, tmp_path: Path) -> None:
    """White noise with times that vary by a millisecond takes at most 8 bytes a reading."""
    day, count = day_ago(10), 20_000
    for station in range(3):
        record.add(f"tide-{station:03}", station, white_noise(day, count, seed=station))

    (done,) = record.archive(tmp_path)

    assert done.size / done.rows <= MOST_BYTES


def test_only_whole_old_days(record: MadeRecord, tmp_path: Path) -> None:
    """A day is archived when all of it is older than asked, and only once."""
    for days in (6, 7, 8):
        record.add("tide-001", days, white_noise(day_ago(days), 4, seed=days))

    first, again = record.archive(tmp_path), record.archive(tmp_path)

    assert [done.day.day for done in first] == [day_ago(8)]
    assert again == []


def test_late_readings_are_a_further_part(record: MadeRecord, tmp_path: Path) -> None:
    """Readings that come late go to a further file, and the first one stays as it is."""
    day = day_ago(10)
    early, late = white_noise(day, 50, seed=1), white_noise(day, 40, seed=2)
    record.add("tide-001", 1, early)
    (first,) = record.archive(tmp_path)
    assert first.file is not None
    content = first.file.read_bytes()
    record.add("tide-001", 1, late)

    (second,) = record.archive(tmp_path)

    assert second.file is not None
    assert second.file.name == f"readings_{day:%Y%m%d}_2.parquet"
    assert sorted(rows_of(second.file)) == sorted(late)
    assert first.file.read_bytes() == content
    assert record.notes() == [(day, 1, 50, False), (day, 2, 40, False)]


def test_dates_of_a_wrong_clock(record: MadeRecord, tmp_path: Path) -> None:
    """Readings of the year 1970 are archived apart; those of the future wait for their day."""
    past = [(i, 1000.0 + i, float(i), 1.0, "10000000.1", 0.1, "") for i in range(5)]
    ahead_s = midnight_s(day_ago(-30))
    future = [(i + 9, ahead_s + i, float(i), 1.0, "10000000.1", 0.1, "") for i in range(5)]
    record.add("tide-001", 1, [*past, *future])

    (done,) = record.archive(tmp_path)

    assert done.file == (tmp_path / "readings_other_1.parquet").resolve()
    assert rows_of(done.file) == past
    assert record.notes() == [(OTHER_DAY, 1, 5, False)]
    assert record.archive(tmp_path) == []


@pytest.mark.parametrize("step", ["replace_file", "sync_folder", "note_file"])
def test_killed_between_two_steps(
    record: MadeRecord, tmp_path: Path, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After an end at any step the next call completes the day, also with readings in between."""
    day = day_ago(10)
    first, late = white_noise(day, 50, seed=1), white_noise(day, 40, seed=2)
    record.add("tide-001", 1, first)

    class Killed(BaseException):
        pass

    def killed(*_: object) -> None:
        raise Killed

    with monkeypatch.context() as patched:
        patched.setattr(archive_module, step, killed)
        with pytest.raises(Killed):
            record.archive(tmp_path)
    assert record.notes() == []
    record.add("tide-001", 1, late)

    done = record.archive(tmp_path)

    files = [one.file for one in done if one.file is not None]
    assert sorted(rows_of(*files)) == sorted([*first, *late])
    assert sum(row[2] for row in record.notes()) == 90
    assert list(tmp_path.glob("*")) == sorted(files)


@pytest.mark.parametrize("content", [b"", b"PAR1 and nonsense", None])
def test_another_file_of_that_name(
    record: MadeRecord, tmp_path: Path, content: bytes | None
) -> None:
    """A file there that is not the day's stays, a sentence says so, and nothing is noted."""
    day = day_ago(10)
    record.add("tide-001", 1, white_noise(day, 50, seed=1))
    path = tmp_path / f"readings_{day:%Y%m%d}_1.parquet"
    advice = "Move it away"
    if content is None:  # with a reading that the record hasn't
        advice = "Where the record was set back, its stations send what it lacks"
        record.archive(tmp_path)
        content = path.read_bytes()
        record.owner.execute("DELETE FROM benchwatch.archived")
        record.owner.execute("DELETE FROM benchwatch.readings WHERE number = 1")
    path.write_bytes(content)

    (done,) = record.archive(tmp_path)

    assert "is there already" in done.trouble
    assert advice in done.trouble
    assert path.read_bytes() == content
    assert record.notes() == []


def test_missing_folder(record: MadeRecord, tmp_path: Path) -> None:
    """A folder that is not there is not made: its disk may not be mounted."""
    with pytest.raises(UsageError, match="mount its disk"):
        record.archive(tmp_path / "missing")
    assert not (tmp_path / "missing").exists()


def test_full_disk(record: MadeRecord, tmp_path: Path) -> None:
    """A full disk is a sentence, nothing is noted, and with room the day is archived."""
    day = day_ago(10)
    record.add("tide-001", 1, white_noise(day, 20_000, seed=1))
    with tiny_disk(tmp_path / "disk", "200k") as folder, pytest.raises(FileError) as told:
        record.archive(folder)
    assert "Nothing was noted" in str(told.value)
    assert record.notes() == []

    (done,) = record.archive(tmp_path)

    assert done.rows == 20_000


def test_two_at_once(record: MadeRecord, tmp_path: Path) -> None:
    """A second archive of one record is refused while the first is at work; so is one folder."""
    day = day_ago(10)
    record.add("tide-001", 1, white_noise(day, 5, seed=1))
    other = tmp_path / "other"
    other.mkdir()
    with archive_module.work_folder(tmp_path), pytest.raises(UsageError, match="just now"):
        record.archive(tmp_path)
    with record.connect("postgres") as first, archive_module.only_one(first):
        with pytest.raises(UsageError, match="just now"):
            record.archive(other)
        with pytest.raises(UsageError, match="just now"):
            record.drop()

    assert len(record.archive(tmp_path)) == 1


def test_readings_that_vanished(record: MadeRecord, tmp_path: Path) -> None:
    """A record with fewer readings than its files is left alone, with a sentence."""
    day = day_ago(10)
    record.add("tide-001", 1, white_noise(day, 50, seed=1))
    record.archive(tmp_path)
    record.owner.execute("DELETE FROM benchwatch.readings WHERE number = 1")

    (done,) = record.archive(tmp_path)

    assert "49 readings, and its files 50" in done.trouble


def test_missing_earlier_part(record: MadeRecord, tmp_path: Path) -> None:
    """Late readings need the earlier file, which may have been moved elsewhere."""
    day = day_ago(10)
    record.add("tide-001", 1, white_noise(day, 50, seed=1))
    (first,) = record.archive(tmp_path)
    assert first.file is not None
    away = first.file.rename(tmp_path / "away")
    record.add("tide-001", 1, white_noise(day, 40, seed=2))

    (refused,) = record.archive(tmp_path)
    away.rename(first.file)
    (done,) = record.archive(tmp_path)

    assert "which is not there" in refused.trouble
    assert done.rows == 40


@pytest.mark.parametrize("fault", ["missing", "another"])
def test_written_otherwise(
    record: MadeRecord, tmp_path: Path, fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that lacks a reading, or has another digit, is found when it is read back."""
    record.add("tide-001", 7, white_noise(day_ago(10), 50, seed=1))
    lines = archive_module.csv_lines

    def spoilt(*about: Any) -> Iterator[bytes]:
        for number, line in enumerate(lines(*about)):
            if number != 20:
                yield bytes(line)
            elif fault == "another":
                yield bytes(line).replace(b',1,"', b',2,"')

    with monkeypatch.context() as patched:
        patched.setattr(archive_module, "csv_lines", spoilt)
        (refused,) = record.archive(tmp_path)
    (done,) = record.archive(tmp_path)

    assert "read back is not what the record has (1 " in refused.trouble
    assert refused.file is None
    assert done.rows == 50
    assert record.notes() == [(day_ago(10), 1, 50, False)]
