"""`benchwatch find` end to end; these tests never search a network."""

import json

import pytest
from counter_kit import tiny_counter
from program_kit import start_program
from visa_sim_kit import GPIB, LAN, devices_file

from benchwatch.bus.listing import ListedResource, ResourceLister
from benchwatch.cli import run
from benchwatch.commands.common import discovery_options
from benchwatch_simulators.bench.simulated_bench import open_bench


@pytest.fixture(autouse=True)
def places(monkeypatch) -> list[ResourceLister]:
    """Replace the listers by none, unless a test adds one."""
    there: list[ResourceLister] = []
    monkeypatch.setattr(discovery_options, "listers", lambda _backend: there)
    return there


def found(capsys, *arguments: str) -> tuple[int, list[dict], str]:
    """Run in this process; return exit code, JSON lines, standard error."""
    code = run(["find", "--json", *arguments])
    out, errors = capsys.readouterr()
    return code, [json.loads(line) for line in out.splitlines()], errors


def test_a_typed_counter_is_asked_and_named_with_its_driver(capsys):
    """One line for it and one for the end."""
    with tiny_counter() as counter:
        code, (line, end), _ = found(capsys, counter.resource)

    assert code == 0
    assert line == {
        "kind": "found", "resource": counter.resource, "source": "typed", "about": "",
        "identity": "MADE FOR A TEST,TINY COUNTER,0,1.0", "driver": "scpi", "note": "",
    }  # fmt: skip
    assert end == {"kind": "end", "found": 1, "fitted": 1, "finished": True}
    assert counter.settings == []


def test_for_people_each_is_a_paragraph_that_ends_in_a_command(capsys):
    """The command to type next."""
    with tiny_counter() as counter:
        code = run(["find", counter.resource])

    lines = capsys.readouterr().out.splitlines()
    assert code == 0
    assert lines[0] == counter.resource
    assert lines[2].strip() == f"driver scpi: benchwatch drivers check {counter.resource}"


def test_a_talk_only_counter_on_a_serial_line_is_recognised_by_its_line(capsys):
    """Nothing is sent; the profile that reads the line is named."""
    with open_bench("talker", seed=3) as bench:
        code, (line, _), _ = found(capsys, bench.resources["main"])

    assert code == 0
    assert (line["driver"], line["identity"]) == ("talk-only-display", None)


def test_a_profile_of_ones_own_that_recognises_the_identity_goes_first(
    capsys, tmp_path, monkeypatch
):
    """By its [identity] pattern."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    folder = tmp_path / "benchwatch" / "profiles"
    folder.mkdir(parents=True)
    (folder / "tiny.toml").write_text(
        'family = "tiny counter"\nmode = "query"\n'
        "[identity]\nquery = \"*IDN?\"\npattern = 'MADE FOR A TEST,TINY.*'\n"
        '[reading]\ncommand = "READ?"\n'
        "[line]\npattern = '(?P<number>\\d\\.\\d{11}E\\+\\d{2})'\n"
        '[[examples]]\nline = "1.00000000231E+07"\nvalue = "10000000.0231"\n'
    )
    with tiny_counter() as counter:
        _, (line, _), _ = found(capsys, counter.resource)

    assert line["driver"] == "tiny"


def test_one_of_two_that_is_absent_is_exit_3(capsys):
    """It was typed."""
    with tiny_counter() as counter:
        code, lines, errors = found(capsys, counter.resource, "TCPIP0::127.0.0.1::9::SOCKET")

    assert code == 3
    assert "2 asked, a driver is known for 1" in errors
    assert any("nothing listens" in line.get("note", "") for line in lines)


def test_nothing_found_is_exit_3(capsys):
    """All listers are empty."""
    code, lines, _ = found(capsys)

    assert code == 3
    assert lines == [{"kind": "end", "found": 0, "fitted": 0, "finished": True}]


def test_local_searches_no_network(capsys, places):
    """The lister that would broadcast is not called."""
    called = []
    places.append(
        ResourceLister(
            "serial ports", True, lambda: [ListedResource("ASRL/dev/ttyUSB0::INSTR", "a\x1bb")]
        )
    )
    places.append(ResourceLister("network", False, lambda: called.append(1) or []))
    code, lines, errors = found(capsys, "--local")

    assert (code, called) == (0, [])
    assert lines[0]["resource"] == "ASRL/dev/ttyUSB0::INSTR"
    assert "network" not in errors
    assert "\x1b" not in errors


def test_another_visa_library_lists_and_is_asked(tmp_path):
    """pyvisa-sim's instruments, through --backend; GPIB is listed and not queried."""
    path = devices_file(tmp_path, [LAN, GPIB])
    process = start_program("find", "--local", "--json", "--backend", f"{path}@sim")
    out, errors = process.communicate(timeout=100)

    lines = {line.get("resource"): line for line in map(json.loads, out.splitlines())}
    assert process.returncode == 0, errors
    assert lines[LAN]["identity"] == "Tide Works,Counter S,0042,2.0"
    assert lines[GPIB]["identity"] is None
    assert "--ask" in lines[GPIB]["note"]


def test_the_whole_way_through_another_visa_library(tmp_path, monkeypatch):
    """pyvisa-sim's GPIB counter is found, drafted, put into a bench file and watched.

    The path of a library is typed each time: a bench file may not name one.
    """
    monkeypatch.chdir(tmp_path)
    devices_file(tmp_path, [GPIB])
    backend = ("--backend", "devices.yaml@sim")
    steps = [
        ("drivers", "check", GPIB, "--readings", "2",
         "--draft", "mine.toml", *backend),
        ("bench", "init", "--local", "--counter", f"ten={GPIB}", *backend),
        ("watch", "--bench", "bench.toml", "ten", "--driver", "mine.toml", "--nominal", "10MHz",
         "--interval", "0.05s", "--count", "2", "--json", "--no-journal", *backend),
    ]  # fmt: skip
    for step in steps:
        process = start_program(*step)
        out, errors = process.communicate(timeout=100)
        assert process.returncode == 0, errors

    readings = [json.loads(line) for line in out.splitlines()][:-1]
    # Equal answers that come late on a busy machine may be flagged as repeats, which don't count.
    counted = [line["frequency_hz"] for line in readings if "repeat" not in line["flags"]]
    assert counted == [10000000.0231] * 2


def test_a_backend_that_is_not_there_is_a_sentence(capsys):
    """No traceback, and no endless wait."""
    code, lines, _ = found(capsys, "TCPIP0::127.0.0.1::9::SOCKET", "--backend", "@nonesuch")

    assert code == 3
    assert "can't be used" in lines[0]["note"]


def test_a_host_alone_is_asked_in_every_way(capsys, monkeypatch):
    """Raw socket, HiSLIP and VXI-11 are tried, each with its own line."""
    asked = []

    class Asked(discovery_options.Finder):
        def find(self, typed=()):
            asked.extend(typed)
            return iter(())

    monkeypatch.setattr(discovery_options, "Finder", Asked)
    run(["find", "127.0.0.1", "127.0.0.1:9"])
    capsys.readouterr()

    assert asked == [
        "TCPIP0::127.0.0.1::5025::SOCKET",
        "TCPIP0::127.0.0.1::hislip0::INSTR",
        "TCPIP0::127.0.0.1::INSTR",
        "TCPIP0::127.0.0.1::9::SOCKET",
    ]


def test_where_nothing_is_found_a_simulated_bench_is_named(capsys, monkeypatch):
    """A person without a counter learns what to type."""
    monkeypatch.setattr(discovery_options, "listers", lambda _backend: [])

    code = run(["find", "--local"])

    assert code == 3
    assert "benchwatch watch --sim" in capsys.readouterr().err
