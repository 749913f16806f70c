"""The real commands with foreign peers: pyvisa-sim's instrument, and the client lxi."""

import json
import re
import shutil
import signal
import subprocess

import pytest
from counter_kit import again_if_kept_from_reading, note_busy
from program_kit import start_program
from visa_sim_kit import GPIB, LAN, SERIAL, SOCKET, USB, devices_file, foreign_socket

INTERFACES = [SOCKET, LAN, GPIB, USB, SERIAL]


@pytest.mark.parametrize("resource", INTERFACES)
@again_if_kept_from_reading
def test_the_command_watches_a_foreign_instrument_through_another_backend(tmp_path, resource):
    """``--backend bench.yaml@sim``: right readings, its time base, exit 0, on five interfaces."""
    devices = devices_file(tmp_path, INTERFACES, {"FREQ:APER?": "1.0E-6"})
    process = start_program(
        "watch", resource, "--backend", f"{devices}@sim", "--nominal", "10MHz", "--json",
        "--no-journal", "--count", "20",
    )  # fmt: skip
    out, errors = process.communicate(timeout=100)

    lines = [json.loads(line) for line in out.splitlines()]
    note_busy(lines)
    *readings, end = lines
    assert process.returncode == 0, errors
    assert [line["offset_hz"] for line in readings] == [0.0231] * 20
    assert {flag for line in readings for flag in line["flags"]} == {"internal-timebase"}
    assert (end["readings"], end["gaps"]) == (20, 0)


@again_if_kept_from_reading
def test_sixty_readings_of_a_foreign_counter_over_a_real_socket(tmp_path):
    """The README's command with the default backend: each digit that the device drew; exit 0.

    The device draws each reading and answers by its own code; nothing is set on it.
    """
    drawn = "{RANDOM(9999999.99, 10000000.05, 1):.4f}"
    answers = {"READ?": drawn, "FREQ:APER?": "1.0E-6", "*ESE?": "0"}
    with foreign_socket(devices_file(tmp_path, [SOCKET], answers), SOCKET) as counter:
        process = start_program(
            "watch", counter.resource, "--nominal", "10MHz", "--json", "--count", "60",
            XDG_DATA_HOME=str(tmp_path), XDG_STATE_HOME=str(tmp_path),
        )  # fmt: skip
        out, errors = process.communicate(timeout=100)

    lines = [json.loads(line) for line in out.splitlines()]
    note_busy(lines)
    *readings, end = lines
    drawn = [float(text) for text in counter.sent if re.fullmatch(r"\d{7,8}\.\d{4}", text)]
    assert process.returncode == 0, errors
    assert [line["frequency_hz"] for line in readings] == drawn[:60]
    assert len(drawn) == 60
    assert (end["readings"], end["gaps"], end["reason"]) == (60, 0, "count reached")
    assert {flag for line in readings for flag in line["flags"]} == {"internal-timebase"}
    assert counter.commands.count("READ?") == 60
    assert [line for line in counter.commands if not line.endswith("?")] == []


@pytest.mark.skipif(shutil.which("lxi") is None, reason="needs the client lxi")
@again_if_kept_from_reading
def test_the_client_lxi_and_the_product_read_the_same_simulated_counter():
    """`simulate` serves both at once; each gets its own answers only."""
    server = start_program("simulate", "quiet", "--seed", "7")
    name, resource = server.stdout.readline().split()
    port = resource.split("::")[2]
    watching = start_program(
        "watch", f"{name}={resource}", "--nominal", "10MHz", "--json", "--no-journal",
        "--count", "12",
    )  # fmt: skip
    drawn = [
        subprocess.run(
            ["lxi", "scpi", "--address", "127.0.0.1", "--port", port, "--raw", query],
            capture_output=True, text=True, timeout=100, check=True,
        ).stdout.strip()
        for query in ["*IDN?", *["READ?"] * 5, "SYST:ERR?"]
    ]  # fmt: skip
    out, errors = watching.communicate(timeout=100)
    server.send_signal(signal.SIGTERM)
    server.communicate(timeout=100)

    identity, *readings, error = drawn
    lines = [json.loads(line) for line in out.splitlines()]
    note_busy(lines)
    *lines, end = lines
    assert len(identity.split(",")) == 4
    assert [float(text) for text in readings] == pytest.approx([1e7 * (1 + 37e-9)] * 5, abs=0.05)
    assert error == '0,"No error"'
    assert watching.returncode == 0, errors
    assert [line["offset"] for line in lines] == pytest.approx([37e-9] * 12, abs=5e-9)
    assert end["gaps"] == 0
