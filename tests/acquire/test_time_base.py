"""The time base end to end: queried, followed, shown, and the reference's own uncertainty."""

import json
from itertools import islice

import pytest
from program_kit import start_python
from simulated_kit import ask_control_port

from benchwatch.bench import read_bench
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch_simulators.bench.simulated_bench import open_bench


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """Set data and state folders of the test's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


OFTEN = """
from benchwatch.acquire import settings_poller
settings_poller.POLL_INTERVAL_S /= 16
from benchwatch.cli import main
main()
"""
"""The program with settings polled more often, to save time. The usual rate is tested in
tests/acquire/test_acquisition.py on a fast clock."""


def test_a_disconnected_reference_is_on_the_readings(tmp_path):
    """In real time, by the bench's control port: flagged and narrated, and nothing is set."""
    with open_bench("quiet", seed=9) as bench:
        file = tmp_path / "bench.toml"
        file.write_text(
            f'[reference]\nname = "station reference"\nuncertainty = "2e-12"\n'
            f'[counters.main]\nresource = "{bench.resources["main"]}"\n'
        )
        process = start_python(OFTEN, "watch", "--bench", str(file), "--json", "--no-journal")
        assert process.stdout is not None
        first = json.loads(process.stdout.readline())
        assert ask_control_port(bench.control_port, "reference off") == "ok"
        lines = (json.loads(line) for line in process.stdout)
        later = (line["flags"] for line in lines if line["kind"] == "reading")
        flags = next(flags for flags in islice(later, 60) if "internal-timebase" in flags)
        process.terminate()
        _, errors = process.communicate(timeout=100)
        received = bench.received("main")

    assert first["flags"] == []
    assert "internal-timebase" in flags
    assert "station reference: u = 2 parts in 10^12" in errors
    assert "time base internal (caution: its own oscillator)" in errors
    assert [text for text in received if "?" not in text] == []


def test_the_reference_of_the_bench_file_is_in_the_plan_of_every_counter():
    """Its uncertainty, and its age since the calibration, reach the pipeline."""
    text = """
        [reference]
        name = "station reference"
        uncertainty = "4e-12"
        coverage_factor = 2
        calibrated = 2031-05-04
        ageing = "1e-11/1 day"
        [counters.main]
        resource = "TCPIP0::127.0.0.1::1::SOCKET"
    """
    may_14 = 1_936_483_200.0  # 2031-05-14T00:00Z by date(1)
    plan = read_bench(text, "bench.toml", utc_s=may_14).plans()[0]

    reference = Pipeline(plan).plan.reference
    assert reference is not None
    assert (reference.name, reference.u) == ("station reference", 2e-12)
    assert reference.age_s == 10 * 86400
    assert reference.ageing_per_s == pytest.approx(1e-11 / 86400)
