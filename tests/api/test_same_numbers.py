"""Scripts get the numbers of the commands, to the last digit."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from api_kit import write_station_run, write_visit
from command_kit import Command, command_in

import benchwatch
from benchwatch.journal import default_path


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Run a command in this process, with a data folder of the test's own."""
    return command_in(capsys, monkeypatch, tmp_path)


def readings_of(lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the lines of readings."""
    return [line for line in lines if line["kind"] == "reading"]


def estimate_of(now: benchwatch.Snapshot) -> dict[str, Any] | None:
    """Return the estimate and the drift of a snapshot in the keys of the JSON lines."""
    line = json.loads(benchwatch.json_line(now.reading, now.numbers))
    return {key: line[key] for key in ("offset", "estimate", "drift", "settle", "tolerance")}


def test_a_file_read_one_by_one_gives_the_estimates_of_replay(
    command: Command, tmp_path: Path
) -> None:
    """Each reading, given as the counter's text, with limits."""
    path = write_station_run(tmp_path)
    done = command("replay", "--json", "--tolerance", "5ppb", "--settle", "1ppb/1min", str(path))
    recording = benchwatch.read_file(path)
    estimator = benchwatch.Estimator("10 MHz", tolerance="5ppb", settle="1ppb/1min")
    last = {}
    for text, at_s in zip(recording.text, recording.time_s.tolist(), strict=True):
        last = estimate_of(estimator.add(text, at_s)) or {}

    theirs = readings_of(done.lines)[-1]
    assert len(recording) == len(readings_of(done.lines))
    assert last == {key: theirs[key] for key in last}
    assert last["estimate"]["readings"] > 100


def test_playing_a_recording_gives_every_line_of_replay(command: Command, tmp_path: Path) -> None:
    """The offsets of all readings, in order."""
    path = write_station_run(tmp_path)
    theirs = readings_of(command("replay", "--json", str(path)).lines)
    recording = benchwatch.read_file(path)
    played = benchwatch.Estimator(recording.nominal or 0).play(recording)
    ours = [event.offset for event, _ in played if isinstance(event, benchwatch.Reading)]

    assert ours == [line["offset"] for line in theirs]


def test_deviations_are_those_of_the_command(command: Command, tmp_path: Path) -> None:
    """Of a file, since the turn, all kinds."""
    path = write_station_run(tmp_path)
    done = command("stability", "--json", "--deviations", "all", "--since", "nudge", str(path))
    rows = benchwatch.deviations(benchwatch.read_file(path), "all", since="nudge")

    assert [(row.deviation, row.tau_s, row.value, row.low, row.edf) for row in rows] == [
        (line["deviation"], line["tau_s"], line["value"], line["low"], line["edf"])
        for line in done.lines
    ]


def test_deviations_of_an_array_agree_with_an_independent_library() -> None:
    """`allantools` 2024.06, a general-purpose implementation of the Allan family."""
    allantools = pytest.importorskip("allantools")
    offsets = np.random.default_rng(5).normal(0.0, 1e-9, 2000)
    rows = benchwatch.deviations(offsets, ["oadev", "mdev"], interval="1 s", taus=[1, "10 s", 100])
    for name in ("oadev", "mdev"):
        theirs = getattr(allantools, name)(offsets, rate=1.0, data_type="freq", taus=[1, 10, 100])
        ours = [row.value for row in rows if row.deviation == name]

        assert ours == pytest.approx(theirs[1].tolist(), rel=1e-9)


@pytest.mark.parametrize("kind", ["as left", "as found", "measured"])
def test_the_budget_is_that_of_the_command(command: Command, tmp_path: Path, kind: Any) -> None:
    """With a stated reference; the offset and each contribution."""
    path = write_station_run(tmp_path)
    *parts, whole = command(
        "budget", "--json", "--kind", kind, "--reference-u", "2e-11", "--reference", "station's",
        str(path),
    ).lines  # fmt: skip
    reference = benchwatch.Reference(name="station's", u=2e-11)
    record = benchwatch.budget(benchwatch.read_file(path), kind, reference=reference)

    assert record.offset == whole["offset"]
    assert [line.u for line in record.budget.lines] == [part["u"] for part in parts]
    assert list(record.budget.missing) == whole["missing"]


def test_a_run_and_a_visit_are_read_as_the_commands_read_them(command: Command) -> None:
    """All readings of one run, and of both runs of the visit, at the same times."""
    write_visit(default_path())
    for words, recording in (
        (("--run", "2"), benchwatch.read_run(2)),
        (("--visit", "1"), benchwatch.read_visit(1)),
    ):
        theirs = readings_of(command("replay", "--json", *words).lines)

        assert recording.offset.tolist() == [line["offset"] for line in theirs]
        assert recording.time_s.tolist() == pytest.approx([line["elapsed_s"] for line in theirs])

    assert [run.readings for run in benchwatch.list_runs()] == [39, 39]
    assert [visit.unit for visit in benchwatch.list_visits()] == ["0417"]
    assert benchwatch.find_visit(1).number == 1


def test_the_report_is_that_of_the_command(command: Command, tmp_path: Path) -> None:
    """A draft as values, and in a file; a file that is there stays."""
    write_visit(default_path())
    done = command("report", "1", "--json")
    report = benchwatch.VisitReport(1)
    path = report.write(tmp_path / "draft.html")

    assert report.values() == json.loads(done.out)
    assert path.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    with pytest.raises(benchwatch.UsageError, match="exists, and stays as it is"):
        report.write(path)


def test_ageing_is_that_of_the_command(command: Command, tmp_path: Path) -> None:
    """Dated offsets as lists, and as a table."""
    rows = ["2031-01-01,1ppb", "2031-06-01,2.2ppb", "2032-01-01,3.1ppb", "2032-06-01,3.9ppb"]
    path = tmp_path / "visits.csv"
    path.write_text("date,offset\n" + "\n".join(rows) + "\n")
    lines = command("ageing", "--json", "--tolerance", "5ppb", "--since", "2030-12-01",
                    str(path)).lines  # fmt: skip
    dates, offsets = zip(*(row.split(",") for row in rows), strict=True)
    for found in (
        benchwatch.ageing(path, began="2030-12-01"),
        benchwatch.ageing(dates, offsets, began="2030-12-01"),
    ):
        law, due = lines[0], lines[-1]
        when = found.date(found.due("5ppb").expected_days)

        assert found.found.best.law == law["law"]
        assert found.found.best.constant == law["constant"]
        assert str(when)[:10] == due["date"]


def test_an_offset_elsewhere_is_that_of_the_command(command: Command) -> None:
    """With its uncertainty."""
    lines = command("elsewhere", "--json", "2.4ppb", "--nominal", "10MHz", "--at", "100MHz",
                    "--u", "0.1ppb").lines  # fmt: skip
    rows = benchwatch.offset_elsewhere("2.4ppb", "10 MHz", [10e6, "100 MHz", 1], u=1e-10)

    assert [(row.offset_hz, row.u_hz) for row in rows] == [
        (line["offset_hz"], line["u_hz"]) for line in lines
    ]


def test_typed_averaging_times_and_a_gate_are_understood_alike(
    command: Command, tmp_path: Path
) -> None:
    """A list in one text, rounded to multiples, and corrected for dead time."""
    path = write_station_run(tmp_path)
    done = command("stability", "--json", "--taus", "0.4s,2s,10.1s", "--gate", "0.4s", str(path))
    rows = benchwatch.deviations(benchwatch.read_file(path), taus="0.4s,2s,10.1s", gate=0.4)

    assert [(row.tau_s, row.value, row.high) for row in rows] == [
        (line["tau_s"], line["value"], line["high"]) for line in done.lines
    ]
    assert len(rows) == 3


def test_what_has_not_settled_is_refused_by_both(command: Command, tmp_path: Path) -> None:
    """Within a stated limit: no numbers of the whole run instead."""
    path = write_station_run(tmp_path)
    limit = ("--since", "settled", "--settle", "0.0001ppb/10min")
    recording = benchwatch.read_file(path)
    for words in ("stability", "budget"):
        done = command(words, *limit, str(path))
        assert done.code == 2
        assert "has not settled" in done.err
    with pytest.raises(benchwatch.UsageError, match="has not settled"):
        benchwatch.deviations(recording, since="settled", settle="0.0001ppb/10min")
    with pytest.raises(benchwatch.UsageError, match="has not settled"):
        benchwatch.budget(recording, since="settled", settle="0.0001ppb/10min")
