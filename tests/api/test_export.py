"""Exported recordings: each form is read back with the same numbers, and nothing is lost."""

import gzip
import io
import json
from dataclasses import replace
from decimal import Decimal
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from api_kit import write_station_run, write_visit
from command_kit import Command, command_in
from disk_kit import tiny_disk
from hypothesis import given
from hypothesis import strategies as st

import benchwatch
from benchwatch.api.export_rows import ROWS_AT_ONCE
from benchwatch.api.export_tables import write_csv
from benchwatch.journal import default_path
from benchwatch.reading import OVERRANGE, REPEAT
from benchwatch.recording import Recording, RecordingGap, read_recording


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Run a command in this process, with a data folder of the test's own."""
    return command_in(capsys, monkeypatch, tmp_path)


def needs_library(ending: str) -> None:
    """Skip a test of Parquet where the library that writes it is not installed."""
    if ending == "parquet":
        pytest.importorskip("pyarrow")


def numbers_of(command: Command, path: Path, *words: str) -> list[list[object]]:
    """Return the deviations, and the estimates of replay, of a file."""
    rows = command("stability", "--json", "--deviations", "all", *words, str(path)).lines
    deviations = [[line["deviation"], line["tau_s"], line["value"], line["low"]] for line in rows]
    lines = command("replay", "--json", *words, str(path)).lines
    estimates = [
        [line["offset"], line["estimate"], line["drift"], line["nudge"]]
        for line in lines
        if line["kind"] == "reading"
    ]
    assert len(deviations) > 10
    assert len(estimates) > 10
    return deviations + estimates


@pytest.mark.parametrize("ending", ["csv", "jsonl", "parquet"])
def test_a_file_is_read_back_with_the_same_numbers(
    command: Command, tmp_path: Path, ending: str
) -> None:
    """The deviations and every estimate, to the last digit."""
    needs_library(ending)
    path, exported = write_station_run(tmp_path), tmp_path / f"out.{ending}"
    done = command("export", str(path), "--out", str(exported))

    assert done.code == 0, done.err
    assert "900 readings" in done.err
    assert numbers_of(command, exported) == numbers_of(command, path)


@pytest.mark.parametrize("ending", ["csv", "csv.gz", "parquet"])
def test_an_odd_nominal_is_read_back(command: Command, tmp_path: Path, ending: str) -> None:
    """Offsets and budget are from the file's own nominal, unless another is typed; that is said."""
    needs_library(ending)
    path = write_station_run(tmp_path)
    exported = tmp_path / f"out.{ending.removesuffix('.gz')}"
    typed = ("--nominal", "9999900")
    assert command("export", *typed, str(path), "--out", str(exported)).code == 0
    if ending.endswith(".gz"):
        exported.with_name("out.csv.gz").write_bytes(gzip.compress(exported.read_bytes()))
        exported = exported.with_name("out.csv.gz")

    budgets = [
        command("budget", "--json", *words, str(file))
        for file, words in ((path, typed), (exported, ()), (exported, ("--nominal", "10MHz")))
    ]

    offsets = [
        [line["estimate"] for line in budget.lines if "estimate" in line] for budget in budgets
    ]
    assert offsets[0] == offsets[1] != offsets[2]
    assert offsets[0][0] == pytest.approx(1e-5, rel=1e-3)
    if "csv" in ending:
        assert "nominal taken as 9.9999 MHz from its first line" in budgets[1].err
        assert "nominal 10 MHz as typed goes before 9.9999 MHz from its first" in budgets[2].err
        assert read_recording(str(exported)).counter == "main"


@pytest.mark.parametrize(
    "comment",
    [
        "# counter",
        "# counter of the workshop",
        "# counter main; nominal 0 Hz",
        f"# counter {'x' * 300}; nominal 9999900 Hz",
        "# counter main; nominal 1e7 Hz",
    ],
)
def test_other_comments_state_no_nominal(tmp_path: Path, comment: str) -> None:
    """Nor is a wrong one taken: the nominal is the round number near the readings."""
    path = tmp_path / "run.csv"
    path.write_text(f"{comment}\ntime_s,frequency_hz\n0,10000000.1\n1,10000000.2\n")

    assert read_recording(str(path)).nominal == Decimal(10_000_000)


@pytest.mark.parametrize("ending", ["csv", "jsonl", "parquet"])
def test_a_visit_with_a_gap_is_read_back_with_the_same_numbers(
    command: Command, tmp_path: Path, ending: str
) -> None:
    """Both runs of a visit, from the journal."""
    needs_library(ending)
    exported = tmp_path / f"out.{ending}"
    write_visit(default_path())
    words = ("--visit", "1")
    done = command("export", *words, "--out", str(exported))
    theirs = command("replay", "--json", *words).lines
    ours = command("replay", "--json", str(exported)).lines

    assert done.code == 0, done.err
    for key in ("elapsed_s", "offset", "text"):
        assert [line[key] for line in ours if line["kind"] == "reading"] == [
            line[key] for line in theirs if line["kind"] == "reading"
        ]
    assert sum(line["kind"] == "gap" for line in ours) == 3
    if ending == "jsonl":
        assert ours == theirs
    else:
        assert "2 notes left out of the table" in done.err


texts = st.decimals(
    min_value=9_999_000, max_value=10_001_000, places=4, allow_nan=False, allow_infinity=False
).map(str)
steps = st.lists(st.floats(0.5, 1.5), min_size=2, max_size=30)


def made(times: list[float], numbers: list[str], gaps: tuple[RecordingGap, ...]) -> Recording:
    """Return a recording of these numbers."""
    nominal = Decimal(10_000_000)
    offset_hz = [float(Decimal(text) - nominal) for text in numbers]
    return Recording(
        source="made",
        kind="frequency_hz",
        time_s=np.array(times),
        offset=np.array([float((Decimal(text) - nominal) / nominal) for text in numbers]),
        offset_hz=np.array(offset_hz),
        text=tuple(numbers),
        nominal=nominal,
        interval_s=1.0,
        counter="main",
        utc_start_s=1_935_000_000.25,
        gaps=gaps,
        marks=((1, times[0] + 0.01, "lid on"),),
    )


@given(steps=steps, data=st.data())
def test_any_numbers_and_times_come_back_exactly(
    tmp_path_factory: pytest.TempPathFactory, steps: list[float], data: st.DataObject
) -> None:
    """As floats, and the texts digit by digit, whatever they are; gaps and marks in JSON lines."""
    folder = tmp_path_factory.mktemp("exported")
    times = np.cumsum(steps).tolist()
    numbers = data.draw(st.lists(texts, min_size=len(times), max_size=len(times)))
    gap = RecordingGap(before=1, begin_s=times[0] + 0.1, lasted_s=0.1, reason="no reply")
    recording = made(times, numbers, (gap,))
    for form in ("csv", "jsonl", *(["parquet"] if find_spec("pyarrow") else [])):
        path = benchwatch.export(recording, folder / f"out.{form}")
        back = benchwatch.read_file(path, nominal="10 MHz")

        assert back.time_s.tolist() == times
        assert back.utc_start_s == pytest.approx(recording.utc_start_s, abs=1e-3)
        assert back.offset.tolist() == recording.offset.tolist()
        assert list(back.text) == numbers
        if form == "jsonl":
            assert back.gaps == recording.gaps
            assert back.marks == recording.marks
        assert len(back.gaps) >= 1


def test_parquet_is_what_an_independent_reader_reads(tmp_path: Path) -> None:
    """DuckDB, a general-purpose database with a Parquet reader of its own."""
    duckdb = pytest.importorskip("duckdb")
    pytest.importorskip("pyarrow")
    recording = benchwatch.read_file(write_station_run(tmp_path))
    path = benchwatch.export(recording, tmp_path / "out.parquet")
    with duckdb.connect() as database:
        rows = database.execute(
            f"SELECT time_s, frequency_hz, fractional_offset, epoch_us(time) FROM '{path}'"
        ).fetchall()
        stated = database.execute(
            f"SELECT value FROM parquet_kv_metadata('{path}') WHERE key = 'benchwatch'"
        ).fetchall()

    assert [row[0] for row in rows] == recording.time_s.tolist()
    assert [str(row[1]) for row in rows] == list(recording.text)
    assert [row[2] for row in rows] == recording.offset.tolist()
    assert rows[0][3] == round((recording.utc_start_s or 0.0) * 1e6)
    assert json.loads(stated[0][0]) == {"counter": "main", "nominal_hz": "10000000"}


def test_more_digits_than_a_double_has_are_kept_as_decimals_in_parquet(tmp_path: Path) -> None:
    """Twenty digits come back."""
    pq = pytest.importorskip("pyarrow.parquet")
    numbers = ["10000000.0231000000001", "10000000.0231000000002"]
    path = benchwatch.export(made([0.0, 1.0], numbers, ()), tmp_path / "out.parquet")

    assert [str(one) for one in pq.read_table(path)["frequency_hz"].to_pylist()] == numbers
    assert list(benchwatch.read_file(path).text) == numbers


def test_several_outputs_at_once_and_none_is_overwritten(command: Command, tmp_path: Path) -> None:
    """A file that is there stays, and then nothing is written at all."""
    path = write_station_run(tmp_path)
    first, second = tmp_path / "one.csv", tmp_path / "two.jsonl"
    assert command("export", str(path), "--out", str(first)).code == 0
    before = first.read_bytes()
    done = command("export", str(path), "--out", str(second), "--out", str(first))

    assert done.code == 2
    assert "exists, and stays as it is" in done.err
    assert first.read_bytes() == before
    assert not second.exists()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "where to? Type --out readings.csv"),
        (("--out", "a.txt"), "the ending says in which form"),
        (("--out", "-"), "add --form csv, jsonl or parquet"),
        (("--out", "a.csv", "--form", "csv"), "leave --form out"),
        (("--out", "a.csv", "--out", "./a.csv"), "asked for twice"),
        (("--out", "a.csv", "--counter", "spare"), "no counter 'spare' was recorded"),
    ],
)
def test_what_can_not_be_exported_is_said(
    command: Command, tmp_path: Path, words: tuple[str, ...], message: str
) -> None:
    """A sentence with what to type, and no file."""
    done = command("export", str(write_station_run(tmp_path)), *words)

    assert done.code == 2
    assert message in done.err
    assert not Path("a.csv").exists()


def test_standard_output_is_the_same_table(command: Command, tmp_path: Path) -> None:
    """As data, with the narration apart."""
    path, exported = write_station_run(tmp_path), tmp_path / "out.csv"
    command("export", str(path), "--out", str(exported))
    done = command("export", str(path), "--out", "-", "--form", "csv")

    assert done.code == 0
    assert done.out == exported.read_text()
    assert "nominal taken as 10 MHz" in done.err


def test_two_counters_go_into_json_lines_and_not_into_one_table(
    command: Command, tmp_path: Path
) -> None:
    """Which counters there are is said; one of them can be chosen."""
    lines = [
        {"kind": "reading", "counter": name, "time": "2031-05-04T10:20:30.000Z", "elapsed_s": at,
         "gate_s": 1.0, "frequency_hz": 10000000.02, "offset_hz": 0.02, "offset": 2e-9,
         "flags": [], "text": "10000000.0200"}
        for at in range(30)
        for name in ("ten\u202e", "spare")
    ]  # fmt: skip
    path = tmp_path / "two.jsonl"
    path.write_text("".join(json.dumps(line) + "\n" for line in lines))
    refused = command("export", str(path), "--out", str(tmp_path / "out.csv"))
    both = command("export", str(path), "--out", str(tmp_path / "out.jsonl"))
    one = command("export", str(path), "--counter", "spare", "--out", str(tmp_path / "one.csv"))

    assert refused.code == 2
    assert "holds one counter, and there are several" in refused.err
    assert "\u202e" not in refused.err
    assert both.code == one.code == 0, both.err + one.err
    assert set(benchwatch.read_counters(tmp_path / "out.jsonl")) >= {"spare"}
    assert "30 readings" in one.err


def test_repeats_are_no_rows_and_overrange_is_kept(tmp_path: Path) -> None:
    """A table has a row for a reading beyond the range, and none for a repeated measurement."""
    recording = made([float(at) for at in range(4)], ["10000000.0200"] * 4, ())
    flags = {1: frozenset({REPEAT}), 2: frozenset({OVERRANGE})}
    recording = replace(recording, flags=flags)
    path = benchwatch.export(recording, tmp_path / "out.csv")
    cells = [line.split(",") for line in path.read_text().splitlines()[2:]]

    assert [row[0] for row in cells] == ["0.0", "2.0", "3.0"]
    assert cells[1][2] == "9.9E37"
    assert cells[1][5] == "overrange"


def test_a_full_disk_is_a_sentence_and_leaves_no_file(command: Command, tmp_path: Path) -> None:
    """Nothing half written stays."""
    path = write_station_run(tmp_path)
    with tiny_disk(tmp_path / "disk") as disk:
        done = command("export", str(path), "--out", str(disk / "out.jsonl"))
        left = list(disk.iterdir())

    assert done.code == 5
    assert "can't be written: No space left on device" in done.err
    assert left == []


def test_what_a_reader_of_the_table_misses_is_said(command: Command, tmp_path: Path) -> None:
    """Flags, and corrections for the time base, which another column has; JSON lines keep both."""
    path, table, lines = (tmp_path / name for name in ("in.jsonl", "out.csv", "out.jsonl"))
    by = 2e-8
    rows = []
    for second in range(40):
        offset_hz = 0.001 * (second * 7 % 11)
        offset = offset_hz / 1e7
        rows.append(
            {
                "kind": "reading", "counter": "main", "time": None, "elapsed_s": float(second),
                "gate_s": 1.0, "frequency_hz": 1e7 + offset_hz, "offset": offset + by + offset * by,
                "offset_hz": (offset + by) * 1e7, "text": f"{10_000_000 + offset_hz:.3f}",
                "flags": ["internal-timebase"], "correction": by,
            }
        )  # fmt: skip
    path.write_text("".join(json.dumps(row) + "\n" for row in rows))
    done = command("export", str(path), "--out", str(table))
    command("export", str(path), "--out", str(lines))
    theirs = benchwatch.budget(benchwatch.read_file(path)).offset
    corrected = benchwatch.read_file(table, value_column="fractional_offset")

    assert "the flags internal-timebase are not read back" in done.err
    assert "--value-column fractional_offset" in done.err
    assert theirs == pytest.approx(by, rel=0.1)
    assert benchwatch.budget(corrected).offset == pytest.approx(theirs, rel=1e-9)
    assert benchwatch.budget(benchwatch.read_file(lines)).offset == theirs


def test_a_table_of_a_block_of_repeated_readings_is_only_lines_with_cells() -> None:
    """Three blocks, of which the middle one has nothing to write."""
    count = 3 * ROWS_AT_ONCE
    recording = made([float(i) for i in range(count)], ["10000000.1"] * count, ())
    middle = range(ROWS_AT_ONCE, 2 * ROWS_AT_ONCE)
    repeated = {row: frozenset({REPEAT}) for row in middle}
    content = io.BytesIO()
    write_csv({"main": replace(recording, flags=repeated, marks=())}, content)

    assert "" not in content.getvalue().decode().splitlines()


def test_gaps_at_even_distances_are_still_gaps_in_a_table(tmp_path: Path) -> None:
    """By its times alone every tenth reading that is lost would look like rounded seconds."""
    lines = "".join(
        f'{{"kind":"reading","counter":"main","time":null,"elapsed_s":{n}.0,"gate_s":1.0,'
        f'"frequency_hz":10000000.0{n % 7},"flags":[]}}\n'
        if n % 10
        else f'{{"kind":"gap","counter":"main","time":null,"elapsed_s":{n}.5,"lasted_s":1.0,'
        '"reason":"calibrating"}\n'
        for n in range(1, 200)
    )
    (tmp_path / "run.jsonl").write_text(lines)
    run = benchwatch.read_file(tmp_path / "run.jsonl", nominal="10 MHz")

    table = benchwatch.export(run, tmp_path / "run.csv")
    back = benchwatch.read_file(table)

    assert len(run.gaps) == 19
    assert len(back.gaps) == 19
    assert len(back) == len(run)
