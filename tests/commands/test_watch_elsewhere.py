"""`watch` of counters elsewhere: what is refused with a sentence, and what is kept nowhere."""

import signal
import sqlite3
import threading
from datetime import timedelta
from pathlib import Path

import pytest
from certificate_kit import made_authority, write_identity
from command_kit import Command, command_in
from load_kit import wait_until
from made_station_kit import MadeStation
from program_kit import Watching
from server_kit import broker

ONE = "MQTT::127.0.0.1::1::tide-007::main"


@pytest.fixture(name="command")
def _command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    return command_in(capsys, monkeypatch, tmp_path)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ((ONE, "--gate", "1s"), "the gate of tide-007/main can't be set from here"),
        ((ONE, "--interval", "2s"), "leave --interval out"),
        ((ONE, "--unit", "0417"), "its visit are kept at tide-007"),
        ((ONE, "ten=-", "--unit", "tide-007/main=0417"), "its visit are kept at tide-007"),
        ((ONE, "--journal", "j.sqlite"), "--journal is for counters that are read here"),
        ((ONE, "--driver", "scpi"), "--driver is for counters that are read here"),
        ((ONE, "--relay", "mqtt://127.0.0.1"), "--relay is for counters that are read here"),
        ((ONE, f"b={ONE}x", "--proof", "b,tide-007/main"), "compare counters where they stand"),
        ((ONE, ONE), "two counters are called 'tide-007/main'"),
        ((ONE, f"lab={ONE}"), "is given twice"),
        ((ONE, "--nominal", "main=10MHz"), "no counter has that name. There are: tide-007/main"),
        ((ONE, "--sim"), "is a resource: give one of them"),
        ((ONE, "--relay-identity", "/nowhere"), "there is no folder /nowhere"),
        (("MQTT::10.1.2.3::1883::a::b",), "would not be encrypted"),
        (("MQTT::127.0.0.1",), "is no counter elsewhere"),
        (("mqtts://127.0.0.1:8883",), "given as MQTT::HOST::PORT"),
        (("MQTT::127.0.0.1::99999::a::b",), "is not between 1 and 65535"),
        (("MQTT::127.0.0.1::1::Tide 7::main",), "'Tide 7'"),
        (("MQTT::127.0.0.1::1::keeper::main",), "keeper"),
        (("MQTT::127.0.0.1::1::tide-007",), "can't be reached"),
        (("MQTT::127.0.0.1::1",), "can't be reached"),
        ((ONE,), "no broker listens"),
    ],
    ids=lambda value: " ".join(value)[-60:] if isinstance(value, tuple) else "",
)
def test_what_cant_be_done_is_a_sentence(
    command: Command, words: tuple[str, ...], sentence: str
) -> None:
    """One line on standard error, no traceback, and an exit code of its kind."""
    done = command("watch", *words, "--plain")

    assert done.code in {2, 3, 5}
    assert sentence in done.err
    assert "Traceback" not in done.err


@pytest.mark.parametrize("name", ["keeper", "tide-001"])
def test_the_identity_of_another_part_is_refused(
    command: Command, tmp_path: Path, name: str
) -> None:
    """The broker would show it nothing, as if no station were there."""
    folder = write_identity(tmp_path / name, made_authority(), name)
    done = command("watch", ONE, "--relay-identity", str(folder), "--plain")

    assert done.code == 2
    assert f"is the identity of {name}" in done.err


def test_a_certificate_of_a_desk_that_ends_soon_is_said(command: Command, tmp_path: Path) -> None:
    """The desk works until then, so it goes on: here to a broker that is not there."""
    ends = timedelta(days=20)
    folder = write_identity(tmp_path / "desk", made_authority(), "desk", ends=ends)
    done = command("watch", ONE, "--relay-identity", str(folder), "--plain")

    assert "renew it (relay renew)" in done.err
    assert "no broker listens" in done.err


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        ('gate = "1 s"', "counters.far: the gate of far can't be set from here"),
        ('unit = "0417"', "counters.far: the unit of far and its visit are kept at tide-007"),
    ],
)
def test_a_bench_file_asks_nothing_of_a_counter_elsewhere(
    command: Command, tmp_path: Path, keys: str, sentence: str
) -> None:
    """Neither when it is watched nor when it is checked; without that it is fine."""
    file = tmp_path / "bench.toml"
    file.write_text(f"[counters.far]\nresource = '{ONE}'\n{keys}\n", "utf-8")
    watched, checked = (
        command("watch", "--bench", str(file), "--plain"),
        command("bench", "check", str(file)),
    )
    file.write_text(f"[counters.far]\nresource = '{ONE}'\ntolerance = '5 ppb'\n", "utf-8")
    fine = command("bench", "check", str(file))

    assert sentence in watched.err
    assert sentence in checked.err
    assert (watched.code, checked.code, fine.code) == (2, 2, 0)


def test_other_commands_say_that_only_watch_shows_it(command: Command) -> None:
    """`find` asks instruments."""
    done = command("find", ONE)

    assert "is read at a station elsewhere" in done.out + done.err


def test_a_station_beside_a_counter_here(tmp_path: Path) -> None:
    """JSON lines of all three; the journal has the readings of the counter here, and no others."""
    readings = tmp_path / "readings.txt"
    readings.write_text("", "utf-8")
    journal = tmp_path / "journal.sqlite"
    with broker(tmp_path) as server, MadeStation(server.port, "tide-007", "ten", "five") as station:
        address = f"MQTT::127.0.0.1::{server.port}::tide-007"
        options = ("--count", "3", "--nominal", "tide-007/ten=10MHz")
        with Watching(address, f"here={readings}", journal=journal, options=options) as program:
            station.wait_for_look()
            ended = threading.Event()
            sender = threading.Thread(target=_send, args=(station, readings, ended))
            sender.start()
            code = program.end(0)
            ended.set()
            sender.join()
            lines = program.lines
    read = {line["counter"] for line in lines if line["kind"] == "reading"}

    assert read == {"here", "tide-007/five", "tide-007/ten"}
    assert (code, lines[-1]["reason"]) == (0, "count reached")
    with sqlite3.connect(journal) as file:
        counters = file.execute(
            "SELECT counter, count(*) FROM runs JOIN readings USING (run) GROUP BY counter"
        ).fetchall()
        runs = file.execute("SELECT counter FROM runs").fetchall()
    assert counters == [("here", 3)]
    assert runs == [("here",)]


def _send(station: MadeStation, readings: Path, ended: threading.Event) -> None:
    at = 0
    while not ended.wait(0.1):
        at += 1
        for counter in station.counters:
            station.send(0.1 * at, counter=counter, gate_s=0.1)
        with readings.open("a", encoding="utf-8") as file:
            file.write("10000000.01\n")


@pytest.mark.parametrize("in_file", [False, True], ids=["typed", "bench file"])
def test_stations_and_counters_that_come_later_join_the_watch(
    tmp_path: Path, in_file: bool
) -> None:
    """Another station of the broker, and a counter that the first one adds; each is asked."""
    with broker(tmp_path) as server, MadeStation(server.port, "tide-001") as first:
        words = [f"lab=MQTT::127.0.0.1::{server.port}"]
        if in_file:
            file = tmp_path / "bench.toml"
            file.write_text(f"[counters.lab]\nresource = '{words[0][4:]}'\n", "utf-8")
            words = ["--bench", str(file)]
        program = Watching(*words, journal=None)
        with program:
            first.wait_for_look()
            first.say_state("%20")  # no resource has this name
            first.say_state("five")
            first.wait_for_look(counter="five")
            with MadeStation(server.port, "tide-002", unit="0418") as second:
                second.wait_for_look()
                first.send(1.0)
                first.send(1.5, counter="five")
                second.send(2.0)
                program.wait_for_lines(3)
            first.say_state("a%2Cb")
            first.wait_for_look(counter="a,b")
            first.say_state("a%3Db")
            assert wait_until(lambda: "is not watched" in program.narration)
            program.end(signal.SIGINT)
            read = [line["counter"] for line in program.lines if line["kind"] == "reading"]

    assert read == ["lab/tide-001/main", "lab/tide-001/five", "lab/tide-002/main"]
    assert "lab/tide-002/main: reading made counter" in program.narration
    assert "would be called 'lab/tide-001/a_b', as another is" in program.narration
