"""Drivers and profiles of other distributions and of the user: found, loaded, used, reported."""

import json
import os
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from profile_kit import MINIMUM, write_profile
from program_kit import COMMAND
from socket_kit import answering, serving

from benchwatch.commands.common.discovery_options import DriverGuesser
from benchwatch.driver_registry import driver, drivers, own_profiles
from benchwatch.errors import DriverError

EXAMPLE = Path(__file__).parents[1] / "plugin_example"
BUNDLED = {
    "scpi", "bare-exponent", "interval", "interval-talk-only", "lines", "scpi-arm-timer",
    "scpi-gate-time", "talk-only", "talk-only-display", "terse", "terse-addressed",
}  # fmt: skip


MADE_UP = {"tide_counter", "broken", "named_counter"}
"""Modules that exist only for these tests."""
NAMED = """
from tide_counter.driver import TideCounter

class NamedCounter(TideCounter):
    @staticmethod
    def recognises(identity):
        return "Named" in identity

    @classmethod
    def reads(cls, line):
        return line.startswith("N ")
"""
BREAKING = """
class Undecided:
    def __bool__(self):
        raise TypeError("neither yes nor no")

class Odd:
    @staticmethod
    def recognises(text):
        {breaking}

    reads = recognises
"""


@pytest.fixture(autouse=True)
def configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Set a configuration folder of the test's own."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path / "config" / "benchwatch" / "profiles"


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Return a new folder on Python's path, like an environment's site-packages."""
    folder = tmp_path / "site-packages"
    folder.mkdir()
    monkeypatch.syspath_prepend(str(folder))
    yield folder
    for name in [name for name in sys.modules if name.split(".")[0] in MADE_UP]:
        del sys.modules[name]


def install(site: Path, name: str, entries: str, version: str = "1.0") -> None:
    """Write the metadata of a distribution, as an installer does."""
    info = site / f"{name.replace('-', '_')}-{version}.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n")
    (info / "entry_points.txt").write_text(f"[benchwatch.drivers]\n{entries}\n")


def install_example(site: Path) -> None:
    """Install the example distribution: its package, and what its pyproject.toml publishes."""
    project = tomllib.loads((EXAMPLE / "pyproject.toml").read_text())["project"]
    (site / "tide_counter").symlink_to(EXAMPLE / "tide_counter")
    entries = project["entry-points"]["benchwatch.drivers"]
    text = "\n".join(f"{name} = {where}" for name, where in entries.items())
    install(site, project["name"], text, project["version"])


# ------------------------------------------------------------- other distributions


def test_bundled_drivers_are_found_by_entry_points_and_profiles() -> None:
    """As those of other distributions, and without any problem."""
    registry = drivers()

    assert {info.name for info in registry.found.values() if info.bundled} == BUNDLED
    assert set(registry.usable()) >= BUNDLED
    assert registry.troubles == []


def test_another_distribution_is_found_and_loaded(site: Path) -> None:
    """Its driver is listed with its origin, and is not imported for the list."""
    install_example(site)

    info = drivers().found["tide"]
    imported = "tide_counter.driver" in sys.modules
    loaded = driver("tide")

    assert (info.kind, info.origin, info.bundled) == ("driver", "tide-counter", False)
    assert not imported
    assert loaded is sys.modules["tide_counter.driver"].TideCounter


def test_another_distribution_is_used_from_the_command_line(site: Path) -> None:
    """A counter with a check sum is watched by a driver that the product does not have."""
    install_example(site)
    from tide_counter.driver import check_sum

    readings = (f"{10_000_000 + n / 10_000:.4f}" for n in range(100))

    def answer(_: str) -> bytes:
        text = next(readings)
        return f"{text}*{check_sum(text)}\n".encode()

    with serving(answering(answer)) as server:
        done = subprocess.run(
            [*COMMAND, "watch", server.resource, "--driver", "tide",
             "--json", "--count", "5", "--no-journal"],
            env=os.environ | {"PYTHONPATH": str(site)},
            capture_output=True, text=True, timeout=100,
        )  # fmt: skip

    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, done.stderr
    assert [line["offset_hz"] for line in lines[:-1]] == [0.0001, 0.0002, 0.0003, 0.0004, 0.0005]


def test_another_distributions_driver_recognises_its_counter(site: Path) -> None:
    """By an identity and by a line; any other identity gets the usual driver."""
    install_example(site)
    (site / "named_counter.py").write_text(NAMED)
    install(site, "named-counter", "named = named_counter:NamedCounter")

    experts = DriverGuesser()

    assert experts.of_identity("Tide Works,Named,1,2") == "named"
    assert experts.of_identity("Tide Works,Other,1,2") == "scpi"
    assert experts.of_line("N 10.0000024E+06") == ["named"]


@pytest.mark.parametrize(
    "breaking",
    [
        "raise ValueError('\\x1b[31mboom')",
        "return text.no_such_method()",
        "return Undecided()",
    ],
)
def test_a_plug_in_that_raises_is_named_once_and_skipped(
    site: Path, capsys: pytest.CaptureFixture[str], breaking: str
) -> None:
    """An error on an identity or a line does not affect other drivers."""
    (site / "broken.py").write_text(BREAKING.format(breaking=breaking))
    install(site, "a-broken-plug-in", "odd = broken:Odd")
    install_example(site)
    (site / "named_counter.py").write_text(NAMED)
    install(site, "named-counter", "named = named_counter:NamedCounter")
    experts = DriverGuesser()

    named = experts.of_identity("Tide Works,Named,1,2")
    read = experts.of_line("N 10.0000024E+06")

    (told,) = capsys.readouterr().err.splitlines()
    assert (named, read) == ("named", ["named"])
    assert "'odd'" in told
    assert "'a-broken-plug-in'" in told
    assert "Tide Works,Named,1,2" in told
    assert told.isprintable()


def test_a_plug_in_that_raises_on_lines_only_is_named_for_that(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A missing method for identities is no fault; the line that caused the error is shown."""
    source = "class Odd:\n    @staticmethod\n    def reads(text):\n        return int(text) > 0\n"
    (site / "broken.py").write_text(source)
    install(site, "a-broken-plug-in", "odd = broken:Odd")
    experts = DriverGuesser()

    named = experts.of_identity("Tide Works,Named,1,2")
    before = capsys.readouterr().err
    read = experts.of_line("no number")

    assert (named, read, before) == ("scpi", [], "")
    assert "can't say whether it reads 'no number': ValueError" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("source", "complaint"),
    [
        (None, "ModuleNotFoundError"),
        ("import no_such_library", "no_such_library"),
        ("raise RuntimeError('\\x1b[31mboom')", "RuntimeError"),
        ("Driver = 7", "no class that takes a link"),
        ("", "AttributeError"),
    ],
)
def test_a_broken_plug_in_is_named_and_skipped(
    site: Path, source: str | None, complaint: str
) -> None:
    """Using it gives a sentence with its origin; all others work."""
    install(site, "broken-drivers", "odd = broken:Driver")
    if source is not None:
        (site / "broken.py").write_text(source)
    registry = drivers()

    usable = registry.usable()
    with pytest.raises(DriverError) as caught:
        driver("odd")

    assert set(usable) == BUNDLED
    (trouble,) = registry.troubles
    assert trouble == str(caught.value)
    assert "'odd'" in trouble
    assert "broken-drivers" in trouble
    assert complaint in trouble
    assert trouble.isprintable()


def test_of_two_drivers_of_one_name_the_bundled_one_wins(site: Path) -> None:
    """The clash is reported with both origins."""
    install(site, "a-rival", "scpi = broken:Driver\ntalk-only = broken:Driver")
    registry = drivers()

    assert registry.found["scpi"].bundled
    assert registry.found["talk-only"].bundled
    assert len(registry.troubles) == 2
    assert all("benchwatch" in text and "a-rival" in text for text in registry.troubles)
    assert driver("scpi").__module__ == "benchwatch_drivers.scpi.scpi_driver"


def test_of_two_foreign_drivers_of_one_name_the_first_distribution_wins(site: Path) -> None:
    """The order is that of the names, however they were installed."""
    install(site, "b-second", "odd = broken:Driver")
    install(site, "a-first", "odd = broken:Driver")

    registry = drivers()

    assert registry.found["odd"].origin == "a-first"
    assert "b-second" in registry.troubles[0]


# ------------------------------------------------------------- the user's own profiles


def test_own_profiles_are_found_in_the_configuration_folder(configuration: Path) -> None:
    """A profile is called by the name of its file."""
    path = write_profile(configuration, name="my-counter")

    info = drivers().found["my-counter"]

    assert own_profiles() == configuration
    assert (info.kind, info.origin, info.bundled) == ("profile", str(path), False)
    assert callable(driver("my-counter"))


def test_a_profile_anywhere_is_used_by_the_name_of_its_file(tmp_path: Path) -> None:
    """``--driver`` with a file."""
    assert callable(driver(str(write_profile(tmp_path / "elsewhere"))))


def test_a_broken_own_profile_is_named_and_skipped(configuration: Path) -> None:
    """The sentence has file and key; the others work."""
    path = write_profile(configuration, MINIMUM.replace("pattern", "patern"))
    registry = drivers()

    usable = registry.usable()

    assert set(usable) == BUNDLED
    assert str(path) in registry.troubles[0]
    assert "line: unknown key 'patern'" in registry.troubles[0]


def test_an_own_profile_never_replaces_a_bundled_one(configuration: Path) -> None:
    """The bundled one wins, and the clash is reported."""
    path = write_profile(configuration, name="talk-only")

    registry = drivers()

    assert registry.found["talk-only"].bundled
    assert str(path) in registry.troubles[0]


def test_an_unknown_name_is_answered_with_the_nearest_and_with_the_folder() -> None:
    """The sentence lists the drivers there are, and the folder for own profiles."""
    with pytest.raises(DriverError) as caught:
        driver("talk-onli")

    assert "Did you mean 'talk-only'" in str(caught.value)
    assert str(own_profiles()) in str(caught.value)
