"""``replay``, ``stability`` and ``export`` read a run from an archive file as from its journal."""

import csv
import io
from collections.abc import Iterator
from pathlib import Path

import pytest
from archive_kit import MadeRecord, day_ago, journal_with, made_record, white_noise
from command_kit import Command, command_in


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


def archived(record: MadeRecord, tmp_path: Path) -> tuple[str, str]:
    """Archive three runs of two stations; return the file, and a journal with one of the runs."""
    day = day_ago(10)
    readings = white_noise(day, 300, seed=1)
    record.add("tide-001", 11, white_noise(day, 300, seed=5))
    record.add("tide-007", 77, readings)
    record.add("tide-007", 88, white_noise(day, 300, seed=3), counter="b")
    (done,) = record.archive(tmp_path)
    journal = tmp_path / "journal.db"
    journal_with(journal, 77, readings)
    return str(done.file), str(journal)


@pytest.mark.parametrize("command", ["stability", "replay", "export"])
def test_as_from_the_journal(
    record: MadeRecord, run: Command, tmp_path: Path, command: str
) -> None:
    """Every command prints the same of a run in the file as of the run in the journal."""
    file, journal = archived(record, tmp_path)
    options = {
        "stability": ("--json",),
        "replay": ("--json",),
        "export": ("--out", "-", "--form", "csv"),
    }[command]

    from_file = run(command, file, "--run", "2", *options)
    from_journal = run(command, journal, *options)

    assert from_file.code == from_journal.code == 0, from_file.err
    assert from_file.out == from_journal.out
    assert len(from_file.out.splitlines()) > 5


def archived_days(record: MadeRecord, tmp_path: Path) -> tuple[Path, str]:
    """Archive a run of three days, half of it late; return the folder, and a journal with it."""
    readings = white_noise(day_ago(12), 300, seed=1, step_s=600.0)
    record.add("tide-001", 11, white_noise(day_ago(11), 300, seed=5))
    record.add("tide-007", 77, readings[::2])
    folder = tmp_path / "archive"
    folder.mkdir()
    record.archive(folder)
    record.add("tide-007", 77, readings[1::2])
    record.archive(folder)
    journal = tmp_path / "journal.db"
    journal_with(journal, 77, readings)
    return folder, str(journal)


@pytest.mark.parametrize("command", ["stability", "replay", "export"])
def test_a_folder_is_read_as_one(
    record: MadeRecord, run: Command, tmp_path: Path, command: str
) -> None:
    """A run of several days and parts is that of its journal; a copy of a file doubles nothing."""
    folder, journal = archived_days(record, tmp_path)
    files = sorted(folder.iterdir())
    (folder / "readings_copy.parquet").write_bytes(files[0].read_bytes())
    (folder / "notes.txt").write_text("no archive")
    options = {
        "stability": ("--json",),
        "replay": ("--json",),
        "export": ("--out", "-", "--form", "csv"),
    }[command]

    from_folder = run(command, str(folder), "--station", "tide-007", *options)
    from_journal = run(command, journal, *options)
    listed = run("journal", "runs", str(folder), "--json")

    assert len(files) == 6
    assert from_folder.code == from_journal.code == 0, from_folder.err
    assert from_folder.out == from_journal.out
    assert "only its readings of 3 days from" in from_folder.err
    runs = [(one["number"], one["station"], one["readings"]) for one in listed.lines]
    assert runs == [(1, "tide-007", 300), (2, "tide-001", 300)]


def test_files_of_two_records_in_one_folder(
    record: MadeRecord, run: Command, tmp_path: Path
) -> None:
    """Where two files have other values for a reading, none of them is taken silently."""
    folder, _ = archived_days(record, tmp_path)
    for file in folder.iterdir():
        file.rename(file.with_name(f"readings_old_{file.name}"))
    record.owner.execute("TRUNCATE benchwatch.archived")
    record.owner.execute("UPDATE benchwatch.readings SET text = '10000001' WHERE number = 1")
    record.archive(folder)

    done = run("export", str(folder), "--station", "tide-007", "--out", "-", "--form", "csv")

    assert done.code == 5
    assert "files of several records: reading 1 " in done.err


def test_a_damaged_file_of_a_folder(record: MadeRecord, run: Command, tmp_path: Path) -> None:
    """It is named, and the others are not read as if they were all."""
    folder, _ = archived_days(record, tmp_path)
    file = min(folder.iterdir())
    file.write_bytes(file.read_bytes()[:-9])

    done = run("stability", str(folder), "--station", "tide-007")

    assert done.code == 5
    assert file.name in done.err


def test_exact_decimals(record: MadeRecord, run: Command, tmp_path: Path) -> None:
    """The numbers are those that the counter wrote, digit by digit."""
    file, _ = archived(record, tmp_path)

    done = run("export", file, "--out", "-", "--form", "csv", "--station", "tide-001")

    rows = csv.reader(io.StringIO(done.out))
    texts = [row[2] for row in rows if not row[0].startswith("#")][1:]
    assert texts == [row[4] for row in white_noise(day_ago(10), 300, seed=5)]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "tide-001 and tide-007"),
        (("--station", "tide-009"), "It has tide-001 and tide-007"),
        (("--run", "9"), "It has runs 1 to 3"),
        (("--run", "1", "--station", "tide-007"), "is of the station tide-001"),
    ],
)
def test_what_there_is(
    record: MadeRecord, run: Command, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    """Where the choice is missing or wrong, a sentence lists what there is."""
    file, _ = archived(record, tmp_path)

    done = run("stability", file, *words)

    assert done.code == 2
    assert said in done.err


def test_lists_the_runs(record: MadeRecord, run: Command, tmp_path: Path) -> None:
    """The runs of a file are listed, with their numbers and stations; a visit is not in it."""
    file, _ = archived(record, tmp_path)

    listed = run("journal", "runs", file, "--json")
    visits = run("visits", "--journal", file)

    runs = [(one["number"], one["station"], one["readings"]) for one in listed.lines]
    assert runs == [(1, "tide-001", 300), (2, "tide-007", 300), (3, "tide-007", 300)]
    assert visits.code == 2
    assert "has readings only" in visits.err


def test_damaged_file(record: MadeRecord, run: Command, tmp_path: Path) -> None:
    """A file with spoilt readings, or that says odd things of itself, is a sentence."""
    file, _ = archived(record, tmp_path)
    content = Path(file).read_bytes()
    for spoilt in (
        content[:4] + bytes(2000) + content[2004:],
        content.replace(b'"run_columns"', b'"run_colunms"'),
        content.replace(b'"version": 1', b'"version": 9'),
    ):
        Path(file).write_bytes(spoilt)

        done = run("stability", file, "--run", "2")

        assert done.code == 5, done.err
        assert "Traceback" not in done.err
        assert done.err.startswith("benchwatch")
