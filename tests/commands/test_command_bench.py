"""`benchwatch bench` and `watch --bench`: a bench file is drafted, checked and watched."""

import json
from pathlib import Path

import pytest
from counter_kit import tiny_counter
from load_kit import wait_until

from benchwatch.bench import read_bench
from benchwatch.bus.listing import ListedResource, ResourceLister
from benchwatch.cli import run
from benchwatch.commands.common import discovery_options
from benchwatch.commands.common.bench_text import reference_sentence
from benchwatch_simulators.bench.simulated_bench import open_bench

SERIAL = "ASRL/dev/ttyUSB0::INSTR"


@pytest.fixture(autouse=True)
def here(tmp_path, monkeypatch) -> Path:
    """Change to a new folder, where only one serial port can be found."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    place = ResourceLister("serial ports", True, lambda: [ListedResource(SERIAL, "an adapter")])
    monkeypatch.setattr(discovery_options, "listers", lambda _backend: [place])
    return tmp_path


def run_here(capsys, *arguments: str) -> tuple[int, str, str]:
    """Run in this process; return exit code, standard output, standard error."""
    code = run(arguments)
    out, errors = capsys.readouterr()
    return code, out, errors


def test_init_and_then_watch_is_all_that_is_typed(capsys, here):
    """Two counters are found, drafted and watched, with names and nominals."""
    with open_bench("pair", seed=2) as bench:
        named = [f"--counter={name}={resource}" for name, resource in bench.resources.items()]
        code, _, errors = run_here(capsys, "bench", "init", *named)
        checked, table, _ = run_here(capsys, "bench", "check")
        watched, out, _ = run_here(
            capsys, "watch", "--bench", "bench.toml", "--count", "2", "--json", "--no-journal"
        )
        received = bench.received("ten")

    text = (here / "bench.toml").read_text()
    lines = [json.loads(line) for line in out.splitlines()]
    assert (code, checked, watched) == (0, 0, 0), errors
    assert 'nominal = "10 MHz"' in text
    assert 'nominal = "5 MHz"' in text
    assert f'# resource = "{SERIAL}"' in text
    assert "gate 0.25 s, time base external; it read 1000" in text
    assert {line.get("counter") for line in lines[:-1]} == {"ten", "five"}
    assert lines[-1]["readings"] == 4
    assert [row.split()[0] for row in table.splitlines()] == ["counter", "ten", "five"]
    assert [message for message in received if "?" not in message] == []


def test_init_overwrites_only_on_request(capsys, here):
    """A person's edits are kept."""
    (here / "bench.toml").write_text("mine")
    code, _, errors = run_here(capsys, "bench", "init")
    kept = (here / "bench.toml").read_text()
    forced, _, _ = run_here(capsys, "bench", "init", "--force")

    assert (code, kept, forced) == (2, "mine", 0)
    assert "--force" in errors
    assert "[counters.main]" in (here / "bench.toml").read_text()


def test_init_to_standard_output_writes_no_file(capsys, here):
    """With - as the file."""
    code, out, _ = run_here(capsys, "bench", "init", "-")

    assert code == 0
    assert out.startswith("# A bench")
    assert list(here.iterdir()) == []


def test_init_keeps_a_typed_counter_that_does_not_answer(capsys, here):
    """It may be switched off: its table is there, with the reason."""
    code, _, _ = run_here(capsys, "bench", "init", "--counter", "ten=TCPIP0::127.0.0.1::9::SOCKET")

    text = (here / "bench.toml").read_text()
    assert code == 0
    assert "[counters.ten]" in text.splitlines()
    assert "nothing listens" in text


def test_a_place_that_can_not_be_written_is_a_sentence(capsys):
    """Exit code 5."""
    code, _, errors = run_here(capsys, "bench", "init", "/no/such/folder/bench.toml")

    assert code == 5
    assert "can't be written" in errors


# ------------------------------------------------------------- watch --bench


def a_bench(here: Path, resource: str, more: str = "") -> str:
    """Write a bench file of one counter called ten."""
    (here / "bench.toml").write_text(
        f'tolerance = "5 ppb"\n[counters.ten]\nresource = "{resource}"\nnominal = "10 MHz"\n{more}'
    )
    return "bench.toml"


def watched(capsys, *arguments: str) -> tuple[int, list[dict], str]:
    """Watch two readings as JSON."""
    code, out, errors = run_here(
        capsys, "watch", *arguments, "--count", "2", "--json", "--no-journal"
    )
    return code, [json.loads(line) for line in out.splitlines()], errors


def test_an_option_overrides_the_bench_file(capsys, here):
    """The file's tolerance applies unless another is typed."""
    with tiny_counter(gate_s=0.01) as counter:
        file = a_bench(here, counter.resource)
        _, from_file, _ = watched(capsys, "--bench", file)
        _, typed, _ = watched(capsys, "--bench", file, "--tolerance", "1 ppm")

    assert from_file[0]["tolerance"]["limit"] == 5e-9
    assert typed[0]["tolerance"]["limit"] == 1e-6
    assert typed[0]["counter"] == "ten"
    assert counter.settings == []


def test_the_gate_of_the_file_is_set_and_nothing_else(capsys, here):
    """Only the requested setting changes."""
    with open_bench("quiet", seed=2) as bench:
        file = a_bench(here, bench.resources["main"], 'gate = "0.1 s"')
        code, lines, _ = watched(capsys, "--bench", file)
        assert wait_until(lambda: not bench.is_remote("main"))  # after the gate in progress
        received = bench.received("main")

    assert code == 0
    assert lines[0]["gate_s"] == 0.1
    assert [text for text in received if "?" not in text] == ["FREQ:APER 0.1", "SYST:LOC"]


def test_names_choose_among_the_counters_of_the_file(capsys, here):
    """One of two is watched."""
    with tiny_counter(gate_s=0.01) as one, tiny_counter(gate_s=0.01) as two:
        file = a_bench(here, one.resource, f'[counters.five]\nresource = "{two.resource}"\n')
        _, lines, _ = watched(capsys, "--bench", file, "five")

    assert {line["counter"] for line in lines[:-1]} == {"five"}
    assert one.received == []


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("--bench", "bench.toml", "six"), 2, "no counter 'six'. There are: ten"),
        (("--bench", "bench.toml", "--sim"), 2, "exclude each other"),
        (("--bench", "none.toml"), 5, "bench init"),
        (("--bench", "bench.toml", "--seed", "3"), 2, "--seed is for a simulated bench"),
        (("--bench", "bench.toml", "--nominal", "six=1MHz"), 2, "no counter has that name"),
        (("--bench", "bench.toml", "--driver", "morse"), 2, "no driver 'morse'"),
        (("--bench", "bench.toml", "--backend", "@nonesuch"), 2, "can't be used"),
    ],
)
def test_wrong_names_and_options_for_a_bench_file_are_a_sentence(
    capsys, here, arguments, code, words
):
    """Names, options and files."""
    a_bench(here, "TCPIP0::127.0.0.1::9::SOCKET")
    found, _, errors = run_here(capsys, "watch", *arguments, "--json", "--no-journal")

    assert found == code, errors
    assert words in " ".join(errors.split())


def test_an_absent_counter_ends_lines_with_exit_3(capsys, here):
    """Nobody waits at a pipe; the screen would go on trying."""
    a_bench(here, "TCPIP0::127.0.0.1::9::SOCKET")
    code, out, errors = run_here(capsys, "watch", "--bench", "bench.toml", "--json", "--no-journal")

    assert code == 3
    assert "nothing listens" in errors
    assert json.loads(out.splitlines()[-1])["readings"] == 0


# ------------------------------------------------------------- check


@pytest.mark.parametrize(
    ("more", "code", "words"),
    [
        ('driver = "scpj"', 2, "bench.toml: counters.ten.driver: there is no driver 'scpj'"),
        ('driver = "scpj"', 2, "Did you mean 'scpi'?"),
        ('tolernce = "5 ppb"', 2, "did you mean 'tolerance'?"),
        ('driver = "absent.toml"', 2, "absent.toml"),
    ],
)
def test_check_finds_mistakes_without_opening_anything(capsys, here, more, code, words):
    """Keys, drivers, profiles."""
    a_bench(here, "TCPIP0::127.0.0.1::9::SOCKET", more)
    found, _, errors = run_here(capsys, "bench", "check", "bench.toml")

    assert found == code
    assert words in errors


def test_check_reads_the_resource_too(capsys, here):
    """A bad resource string is reported with its key."""
    a_bench(here, "TCPIP0::127.0.0.1::99999::SOCKET")
    code, _, errors = run_here(capsys, "bench", "check")

    assert code == 2
    assert "bench.toml: counters.ten.resource" in errors
    assert "no port" in errors


def test_check_reports_the_reference(capsys, here):
    """For people on standard error, for programs in the line of each counter."""
    a_bench(here, "TCPIP0::127.0.0.1::9::SOCKET", '[reference]\nname = "r"\nuncertainty = "2e-12"')
    code, out, errors = run_here(capsys, "bench", "check", "--json")

    assert code == 0
    assert json.loads(out)["reference"]["u"] == 2e-12
    assert "reference r: u = 2 parts in 10^12, ageing not stated" in errors


def test_check_says_which_counters_are_compared(capsys, here):
    """For people on standard error, for programs in the line of each counter."""
    text = 'proof = [["ten", "spare"]]\n' + "\n".join(
        f'[counters.{name}]\nresource = "TCPIP0::127.0.0.1::{port}::SOCKET"'
        for name, port in (("ten", 9), ("spare", 10), ("five", 11))
    )
    (here / "bench.toml").write_text(text)
    code, out, errors = run_here(capsys, "bench", "check", "--json")

    assert code == 0
    assert [json.loads(line)["proof"] for line in out.splitlines()] == [
        [["ten", "spare"]], [["ten", "spare"]], [],
    ]  # fmt: skip
    assert "on one signal, and compared while watched: ten, spare" in errors


def test_reference_is_named_once() -> None:
    """Without a name it is called the reference, with its known offset."""
    text = '[reference]\nuncertainty = "5 ppb"\noffset = "3 ppb"\n'

    sentence = reference_sentence(read_bench(text, "bench.toml", utc_s=0.0))

    assert sentence.startswith("reference: u = 5 ppb, known to be off by +3.000 ppb")


def test_check_reports_a_counters_own_time_base() -> None:
    """After the reference, by the counter's name."""
    text = '[counters.main]\nresource = "GPIB0::3::INSTR"\n[counters.main.time_base]\n'

    sentence = reference_sentence(read_bench(text + 'offset = "-2 ppb"\n', "bench.toml", utc_s=0.0))

    assert "no [reference]" in sentence
    assert sentence.endswith(
        "; main's own time base: uncertainty not stated, known to be off by -2.000 ppb, which is "
        "put right, ageing not stated"
    )
