"""The recipe for a driver, followed in a distribution beside a copy of the program."""

import json
import tomllib
from pathlib import Path

from recipe_kit import ProgramCopy
from socket_kit import answering, serving

DRIVER = '''"""A counter that writes its readings in reverse."""

from decimal import Decimal

from benchwatch.counter import Identity, Link, Measurement, Setup, TimeBase
from benchwatch.errors import ReplyError, UsageError


class ReverseCounter:
    """Tide-house counter that writes backwards."""

    def __init__(self, link: Link) -> None:
        self._link = link

    def identify(self) -> Identity:
        return Identity(text="reverse counter")

    def measure(self, timeout_s: float) -> Measurement:
        line = self._link.query("R?", timeout_s)
        if not line.startswith("zH"):
            raise ReplyError("the reply does not begin with its unit.")
        return Measurement(value_hz=Decimal(line[2:][::-1]), arrived_s=self._link.arrived_s)

    def configure(self, setup: Setup) -> Setup:
        raise UsageError("nothing can be set on this counter.")

    def gate_s(self) -> float | None:
        return None

    def time_base(self) -> TimeBase:
        return TimeBase()

    def release(self) -> None:
        """Nothing was set."""
'''
PROJECT = """
[project]
name = "reverse-counter"
version = "1.0"

[project.entry-points."benchwatch.drivers"]
reverse = "reverse_counter:ReverseCounter"
"""


def install(copy: ProgramCopy) -> None:
    """Write the metadata that an installer makes from the distribution's pyproject.toml."""
    project = tomllib.loads((copy.folder / "pyproject.toml").read_text())["project"]
    info = copy.folder / "reverse_counter-1.0.dist-info"
    info.mkdir()
    head = f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n"
    (info / "METADATA").write_text(head)
    for group, entries in project["entry-points"].items():
        lines = [f"[{group}]", *(f"{name} = {where}" for name, where in entries.items())]
        (info / "entry_points.txt").write_text("\n".join(lines))


def test_a_driver_is_a_class_and_an_entry_point(tmp_path: Path) -> None:
    """The driver is listed with its distribution, and reads a counter that no other can."""
    copy = ProgramCopy(tmp_path)
    readings = iter(range(1, 100))

    copy.add("reverse_counter.py", DRIVER)
    copy.add("pyproject.toml", PROJECT)
    install(copy)
    listed = copy.program("drivers").stdout
    with serving(answering(lambda _: f"zH{f'10000000.{next(readings)}'[::-1]}\n".encode())) as bus:
        watch = ["watch", bus.resource, "--driver", "reverse", "--json", "--count", "2"]
        done = copy.program(*watch, "--no-journal")

    assert len(copy.touched) <= 2
    assert "Tide-house counter that writes backwards." in listed
    assert "reverse-counter" in listed
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert [line["text"] for line in lines[:-1]] == ["10000000.1", "10000000.2"], done.stderr
