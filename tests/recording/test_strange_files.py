"""Files and plug-ins of strangers: a bench file runs no code, and broken ones are skipped.

The program runs as a process of its own. An audit hook of Python (`sys.addaudithook`, PEP 578) in a
`sitecustomize` of the test records what it loads.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

RESOURCE = "TCPIP0::127.0.0.1::9::SOCKET"
AUDIT = """
import os, sys
def note(event, arguments):
    if event in ("ctypes.dlopen", "import") or (event == "open" and "w" in str(arguments[1])):
        line = event + " " + " ".join(str(a) for a in arguments[:1]) + "\\n"
        fd = os.open(os.environ["AUDIT_LOG"], os.O_WRONLY | os.O_APPEND | os.O_CREAT)
        os.write(fd, line.encode())
        os.close(fd)
sys.addaudithook(note)
"""
WAIT_S = 60
PROFILE = r"""
family = "counter of the tide house"
mode = "stream"
[line]
pattern = '(?P<number>\d{8}\.\d{4})'
[[examples]]
line = "10000000.0231"
value = "10000000.0231 Hz"
"""


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """Return a folder with an audit hook in `site`, and own profiles in `config`."""
    (tmp_path / "site").mkdir()
    (tmp_path / "config" / "benchwatch" / "profiles").mkdir(parents=True)
    return tmp_path


def benchwatch(place: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the program in `place`."""
    return python(place, "-m", "benchwatch.cli", *arguments)


def python(place: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run Python in `place`."""
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=place,
        env=os.environ
        | {
            "PYTHONPATH": str(place / "site"),
            "XDG_CONFIG_HOME": str(place / "config"),
            "XDG_DATA_HOME": str(place / "data"),
            "AUDIT_LOG": str(place / "audit.log"),
        },
        capture_output=True,
        text=True,
        timeout=WAIT_S,
    )


def own_profile(place: Path, name: str) -> Path:
    """Return the path of an own profile."""
    return place / "config" / "benchwatch" / "profiles" / f"{name}.toml"


# ------------------------------------------------------------- code


BACKENDS = ("./evil.so", "./evil.so@ivi", "@evil", "evil.yaml@sim")
IN_TURN = """
import json, sys
from benchwatch.cli import run
print(json.dumps([run(command) for command in json.loads(sys.argv[1])]))
"""


def test_a_bench_file_loads_no_code(place: Path) -> None:
    """No command loads a library or module that it names; the file is refused."""
    (place / "site" / "sitecustomize.py").write_text(AUDIT)
    (place / "site" / "pyvisa_evil.py").write_text("open('ran', 'w')\n")
    (place / "evil.so").write_bytes(b"\x7fELF")
    commands = []
    for number, backend in enumerate(BACKENDS):
        (place / f"{number}.toml").write_text(
            f'backend = "{backend}"\n[counters.main]\nresource = "{RESOURCE}"\n'
        )
        commands.append(["bench", "check", f"{number}.toml"])
        commands.append(["watch", "--bench", f"{number}.toml", "--json", "--no-journal"])

    process = python(place, "-c", IN_TURN, json.dumps(commands))

    assert "evil" not in (place / "audit.log").read_text()
    assert not (place / "ran").exists()
    assert json.loads(process.stdout) == [2] * len(commands), process.stderr
    for number in range(len(BACKENDS)):
        assert process.stderr.count(f"{number}.toml: backend: expected one of @py, @ivi, @sim") == 2


def test_a_bench_file_writes_to_no_file(place: Path) -> None:
    """A URL of the serial library would write all bytes of a line to the file that it names."""
    kept = place / "kept.txt"
    kept.write_text("kept")
    (place / "bench.toml").write_text(
        f'[counters.main]\nresource = "ASRLspy:///dev/null?file={kept}::INSTR"\n'
    )

    checked = benchwatch(place, "bench", "check", "bench.toml")
    watched = benchwatch(place, "watch", "--bench", "bench.toml", "--json", "--no-journal")

    assert kept.read_text() == "kept"
    assert checked.returncode == 2
    assert watched.returncode in {2, 3}
    assert "no serial line" in checked.stderr


def test_a_simulated_bench_writes_nothing_outside_its_folder(place: Path) -> None:
    """A counter's name is used as a file name where its line is a pseudo-terminal."""
    (place / "bench.toml").write_text(
        f'[oscillators.main]\nnominal = "10 MHz"\n[counters."{place}/line"]\n'
        'oscillator = "main"\nbus = "serial"\n'
    )
    process = benchwatch(place, "watch", "--sim", "bench.toml", "--json", "--count", "1")

    assert not os.path.lexists(place / "line")
    assert process.returncode == 2
    assert "a name is letters" in process.stderr


# ------------------------------------------------------------- values


@pytest.mark.parametrize(
    "line",
    [
        f"channel = {'9' * 5000}",
        f"channel = 0x{'f' * 5000}",
        f"channel = -{'9' * 40}",
        f"nominal = 0x{'f' * 5000}",
        f"interval = {'9' * 5000}",
        f"working = [{'9' * 5000}]",
        f"working = {'[' * 5000}",
        f"{'.'.join('a' * 45_000)} = 1",
        f"[{'.'.join('a' * 45_000)}]",
        f"[reference]\ncoverage_factor = {'9' * 4000}",
        "[reference]\ncoverage_factor = 0x" + "f" * 4000,
        "[reference]\ncalibrated = 9999-12-31T23:59:59-23:59",
        "[reference]\ncalibrated = 0001-01-01T00:00:00+23:59",
        "[reference]\ncalibrated = 07:32:00",
        "[reference]\noffset = '1e999'",
        "[reference]\nageing = '1e-300/1e-30 s'",
    ],
    ids=lambda line: line[:24].replace("\n", " "),
)
def test_no_value_in_a_bench_file_breaks_it(line: str) -> None:
    """Numbers of 5000 digits, keys of 45 000 parts, dates of year 1: each gives a sentence."""
    from benchwatch.bench import read_bench
    from benchwatch.errors import BenchwatchError

    head = f'[counters.main]\nresource = "{RESOURCE}"\n'
    text = f"{line}\n{head}" if line.startswith(("[", "a.")) else f"{head}{line}\n"

    with pytest.raises(BenchwatchError) as caught:
        read_bench(text, "bench.toml", utc_s=2e9)

    assert str(caught.value).startswith("bench.toml")
    assert len(str(caught.value)) < 500


# ------------------------------------------------------------- drivers and profiles


BROKEN_PROFILES = {
    "number": PROFILE.replace("[line]", f"[line]\nscale = {'9' * 5000}"),
    "hexadecimal": PROFILE.replace("[line]", f"[line]\nscale = 0x{'f' * 5000}"),
    "infinite": PROFILE.replace("[line]", "[line]\nscale = inf"),
    "parts": f"{'.'.join('a' * 45_000)} = 1\n",
    "quoted-parts": ".".join(['"a"'] * 20_000) + " = 1\n",
    "lists": f"family = {'[' * 20_000}\n",
    "tables": "family = " + "{a=" * 9_000 + "\n",
    "channel": PROFILE.replace("stream", "query") + f"[channels]\n{'9' * 5000} = 'C'\n",
    "empty": "",
}
BREAKING = {
    "exits": "raise SystemExit(0)",
    "interrupts": "raise KeyboardInterrupt",
    "leaves": "class Left(BaseException): pass\nraise Left",
    "recurses": "def f(): f()\nf()",
}


def install(site: Path, name: str, module: str) -> None:
    """Write the metadata of a distribution with one driver, as an installer does."""
    (site / f"{name}_driver.py").write_text(module)
    info = site / f"{name}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        f"[benchwatch.drivers]\n{name} = {name}_driver:Counter\n"
    )


@pytest.mark.parametrize("command", [["drivers", "--json"], ["doctor"], ["find", "--local"]])
def test_broken_profiles_and_plug_ins_are_skipped(place: Path, command: list[str]) -> None:
    """Each is named in a sentence, and the others are used: a profile and a plug-in."""
    for name, text in BROKEN_PROFILES.items():
        own_profile(place, name).write_text(text)
    own_profile(place, "works").write_text(PROFILE)
    os.mkfifo(own_profile(place, "pipe"))
    for name, module in BREAKING.items():
        install(place / "site", name, module)

    process = benchwatch(place, *command)
    said = process.stdout + process.stderr

    assert "Traceback" not in said
    for name in (*BROKEN_PROFILES, "pipe"):
        assert f"{name}.toml" in said
    for name in BREAKING:
        assert f"'{name}'" in said
    if command[0] == "drivers":
        rows = {row["name"]: row for row in map(json.loads, process.stdout.splitlines())}
        assert rows["works"]["trouble"] == ""
        assert all(rows[name]["trouble"] for name in (*BROKEN_PROFILES, *BREAKING, "pipe"))


def test_a_driver_that_exits_while_it_reads_ends_the_watch_with_a_sentence(place: Path) -> None:
    """Python ignores an exit in a thread."""
    install(
        place / "site",
        "exits",
        "class Counter:\n    def __init__(self, link): raise SystemExit(0)\n",
    )
    (place / "lines").write_text("")
    process = benchwatch(
        place, "watch", "./lines", "--driver", "exits", "--json", "--no-journal", "--for", "20s"
    )

    assert process.returncode == 2
    assert "driver 'exits' failed: SystemExit" in process.stderr
    assert "Traceback" not in process.stderr
