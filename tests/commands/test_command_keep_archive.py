"""``keep --archive`` and ``keep --drop-archived``: what is typed, printed and refused."""

import json
from collections.abc import Iterator
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from archive_kit import MadeRecord, day_ago, made_record, white_noise
from command_kit import Command, command_in
from load_kit import wait_until
from program_kit import start_program

from benchwatch.central_record.archive.archiving import WORK_FOLDER


@pytest.fixture
def record() -> Iterator[MadeRecord]:
    """An empty central record."""
    with made_record() as made:
        yield made


@pytest.fixture
def run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """What runs a command in this process."""
    return command_in(capsys, monkeypatch, tmp_path)


def test_archive_then_drop(record: MadeRecord, run: Command, tmp_path: Path) -> None:
    """One call archives and drops; the lines for programs say the day, the readings, the file."""
    day = day_ago(100)
    record.add("tide-001", 1, white_noise(day, 20, seed=1))

    done = run(
        "keep", record.made.url, "--archive", str(tmp_path), "--drop-archived",
        "--older-than", "90d", "--json",
    )  # fmt: skip

    lines = [json.loads(line) for line in done.out.splitlines()]
    assert done.code == 0
    assert [(one["kind"], one["day"], one["readings"]) for one in lines] == [
        ("archived_day", day.isoformat(), 20),
        ("dropped_day", day.isoformat(), 20),
    ]
    assert pq.read_metadata(lines[0]["file"]).num_rows == 20
    assert record.count(day) == 0


def test_archive_for_people(record: MadeRecord, run: Command, tmp_path: Path) -> None:
    """The line for people names day, readings, file and size; the second call has nothing to do."""
    day = day_ago(8)
    record.add("tide-001", 1, white_noise(day, 20, seed=1))
    words = (record.made.url_of(record.keeper), "--archive", str(tmp_path))

    first, again = run("keep", *words), run("keep", *words)

    assert f"{day}: 20 readings in {tmp_path}/readings_{day:%Y%m%d}_1.parquet" in first.out
    assert again.out == ""
    assert "nothing to be archived" in again.err


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--drop-archived",), 2, "--older-than 90d"),
        (("--archive", "/no/such/folder"), 2, "there is no folder"),
        (("--older-than", "90d"), 2, "--archive DIR"),
    ],
)
def test_refused(
    record: MadeRecord, run: Command, words: tuple[str, ...], code: int, said: str
) -> None:
    """What can't be done is a sentence."""
    done = run("keep", record.made.url, *words)

    assert done.code == code
    assert said in done.err


def test_keeper_may_not_drop(record: MadeRecord, run: Command, tmp_path: Path) -> None:
    """With the keeper's role nothing is dropped, and the sentence says which role may."""
    record.add("tide-001", 1, white_noise(day_ago(100), 20, seed=1))
    address = record.made.url_of(record.keeper)

    done = run(
        "keep", address, "--archive", str(tmp_path), "--drop-archived", "--older-than", "90d"
    )  # fmt: skip

    assert done.code == 2
    assert "owns the tables" in done.err
    assert record.count(day_ago(100)) == 20


def test_killed_and_done_again(record: MadeRecord, run: Command, tmp_path: Path) -> None:
    """Killed by signal 9 while it writes, at any moment, the next call completes every day once."""
    days = [day_ago(days) for days in range(14, 8, -1)]
    for day in days:
        record.add("tide-001", 1, white_noise(day, 3000, seed=day.day))
    words = ("keep", record.made.url_of(record.keeper), "--archive", str(tmp_path))
    first, second = (f"readings_{day:%Y%m%d}_1.parquet" for day in days[:2])
    moments = (
        tmp_path / WORK_FOLDER / "staged.duckdb",
        tmp_path / WORK_FOLDER / first,
        tmp_path / first,
        tmp_path / WORK_FOLDER / second,
    )
    for path in moments:
        program = start_program(*words)
        assert wait_until(path.exists)
        program.kill()
        program.communicate()

    done = run(*words)

    assert done.code == 0, done.err
    files = sorted(tmp_path.glob("readings*"))
    assert [file.name for file in files] == [f"readings_{day:%Y%m%d}_1.parquet" for day in days]
    assert [pq.read_metadata(file).num_rows for file in files] == [3000] * 6
    assert record.notes() == [(day, 1, 3000, False) for day in days]
