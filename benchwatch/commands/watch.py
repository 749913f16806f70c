"""``benchwatch watch``: the live screen, or a line a reading."""

import re
import sys
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from benchwatch.bus.file_wire import STANDARD_INPUT, file_of, give_keyboard_back
from benchwatch.commands.options import (
    DURATION,
    FREQUENCY,
    Named,
    of_counter,
    settle_of,
    tolerance_of,
)
from benchwatch.commands.running import run_lines, run_screen_of, say
from benchwatch.counter import Setup
from benchwatch.errors import JournalError, UsageError
from benchwatch.journal import Journal, default_path
from benchwatch.lines import PlainWriter, json_line
from benchwatch.pipeline import Plan
from benchwatch.quantity import parse_frequency, printable
from benchwatch.registry import driver
from benchwatch.watch import Limits, Watch

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchwatch_simulators.bench import ServedBench

DEFAULT_DRIVER: Final = "scpi"
FILE_DRIVER: Final = "lines"
_NAMED: Final = re.compile(r"([A-Za-z][\w-]*)=(.+)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for of every counter, as typed where that needs the nominal."""

    nominals: tuple[tuple[str | None, Decimal], ...]
    tolerance: str | None
    settle: str | None
    gate_s: float | None
    interval_s: float | None
    driver: str | None
    """None: ``scpi``, for a file ``lines``, or what a simulated bench says."""

    def plan(self, name: str, resource: str, *, bench: "ServedBench | None" = None) -> Plan:
        """Make the plan of one counter; a simulated `bench` suggests what was not asked."""
        nominal, tolerance, settle = of_counter(self.nominals, name), self.tolerance, self.settle
        usual = DEFAULT_DRIVER if file_of(resource) is None else FILE_DRIVER
        driver_name = self.driver or usual
        if bench is not None:
            driver_name = self.driver or bench.drivers[name]
            nominal = nominal or parse_frequency(bench.nominals[name])
            tolerance, settle = tolerance or bench.tolerance, settle or bench.settle
        return Plan(
            name,
            resource,
            driver_name,
            Setup(gate_s=self.gate_s),
            nominal,
            tolerance_of(tolerance, nominal),
            settle_of(settle, nominal),
            self.interval_s,
            None if bench is None else bench.name,
        )


@click.command()
@click.argument("resources", metavar="[[NAME=]RESOURCE]...", nargs=-1)
@click.option(
    "--sim",
    metavar="[NAME]",
    is_flag=False,
    flag_value="station",
    help="Start a simulated bench on this computer (station unless named) and watch that.",
)
@click.option("--seed", type=click.IntRange(min=0), help="Seed of the simulated bench.")
@click.option(
    "--fault",
    "faults",
    metavar="[NAME=]KIND@TIME[+DURATION]",
    multiple=True,
    help="Let something go wrong on the simulated bench, such as cut@30s or mute@10s+5s.",
)
@click.option(
    "--nominal",
    "nominals",
    metavar="[NAME=]FREQUENCY",
    type=Named(FREQUENCY),
    multiple=True,
    help="What the frequency should be, such as 10MHz; the round number it is near if left out.",
)
@click.option("--tolerance", metavar="FRACTION", help="Limit of the offset, such as 5ppb.")
@click.option("--settle", metavar="LIMIT", help="What settled means, such as 1ppb/10min.")
@click.option("--gate", "gate_s", type=DURATION, help="Set the counter's gate, such as 1s.")
@click.option("--interval", "interval_s", type=DURATION, help="Time from reading to reading.")
@click.option("--for", "for_s", type=DURATION, help="End after this long, such as 10min.")
@click.option("--count", type=click.IntRange(min=1), help="End after N readings of each counter.")
@click.option("--until", type=click.Choice(["settled"]), help="End when every counter has settled.")
@click.option("--journal", type=click.Path(path_type=Path), help="Keep the readings in this file.")
@click.option("--no-journal", is_flag=True, help="Keep the readings nowhere.")
@click.option("--plain", is_flag=True, help="A line a reading, for people.")
@click.option("--json", "as_json", is_flag=True, help="A line a reading, for programs.")
@click.option(
    "--driver",
    "driver_name",
    help=f"The dialect; {DEFAULT_DRIVER}, or what the simulated bench says, if left out.",
)
def watch(
    *,
    resources: tuple[str, ...],
    sim: str | None,
    seed: int | None,
    faults: tuple[str, ...],
    nominals: tuple[tuple[str | None, Decimal], ...],
    tolerance: str | None,
    settle: str | None,
    gate_s: float | None,
    interval_s: float | None,
    for_s: float | None,
    count: int | None,
    until: str | None,
    journal: Path | None,
    no_journal: bool,
    plain: bool,
    as_json: bool,
    driver_name: str | None,
) -> int:
    """Watch frequency counters live.

    RESOURCE names the instrument, such as TCPIP0::192.168.1.20::5025::SOCKET. Several can
    be watched at once, each with a name: ten=RESOURCE five=RESOURCE. A file that some
    program writes a number a line into is watched too, and so is - for standard input.

    Nothing is set on the instrument but the gate, and that only with --gate.
    """
    if plain and as_json:
        raise UsageError("--plain and --json exclude each other: choose one.")
    if journal is not None and no_journal:
        raise UsageError("--journal and --no-journal exclude each other: choose one.")
    asked = Asked(nominals, tolerance, settle, gate_s, interval_s, driver_name)
    if driver_name is not None:
        driver(driver_name)
    limits = Limits(count, for_s, until is not None)
    lines = plain or as_json or not sys.stdout.isatty()
    with ExitStack() as stack:
        bench = stack.enter_context(_bench(resources, sim, seed, faults))
        plans = _plans(resources, asked, bench)
        if limits.until_settled and any(plan.settle is None for plan in plans):
            raise UsageError("--until settled needs to know what settled means: add --settle.")
        if not lines and any(file_of(plan.resource) == STANDARD_INPUT for plan in plans):
            give_keyboard_back()
        kept = None if no_journal else Journal(journal or default_path())
        run = Watch(plans, journal=kept, limits=limits, lines=lines)
        if kept is not None:
            say(f"journal: {kept.path}")
        try:
            if lines:
                outcome = run_lines(run, json_line if as_json else PlainWriter())
            else:
                outcome = run_screen_of(run, bench)
        finally:
            run.stop()
            code = _close(kept)
    if outcome.message:
        say(outcome.message)
    return outcome.exit_code or code


@contextmanager
def _bench(
    resources: tuple[str, ...], sim: str | None, seed: int | None, faults: tuple[str, ...]
) -> "Iterator[ServedBench | None]":
    """Switch the simulated bench on, if one is asked for."""
    if sim is None:
        if not resources:
            raise UsageError(
                "nothing to watch: give a resource such as TCPIP0::192.168.1.20::5025::SOCKET, "
                "or --sim for a simulated bench."
            )
        for option, given in (("--seed", seed is not None), ("--fault", bool(faults))):
            if given:
                raise UsageError(f"{option} is for a simulated bench: add --sim, or leave it out.")
        yield None
        return
    if resources:
        raise UsageError(
            f"--sim watches a simulated bench and '{printable(resources[0])}' is a resource: "
            "give one of them."
        )
    from benchwatch_simulators.bench import open_bench  # noqa: PLC0415 - only here is it needed
    from benchwatch_simulators.faults import parse_fault  # noqa: PLC0415 - likewise

    script = [parse_fault(text) for text in faults]
    with open_bench(sim, seed=seed, faults=script) as bench:
        say(f"simulated bench '{bench.name}': {bench.about} (seed {bench.seed})")
        yield bench


def _plans(resources: tuple[str, ...], asked: Asked, bench: "ServedBench | None") -> list[Plan]:
    if bench is None:
        named = _name(resources)
        plans = [asked.plan(name, resource) for name, resource in named.items()]
    else:
        plans = [
            asked.plan(name, resource, bench=bench) for name, resource in bench.resources.items()
        ]
    names = [plan.name for plan in plans]
    for name, _ in asked.nominals:
        if name is not None and name not in names:
            raise UsageError(
                f"--nominal {printable(name)}=...: no counter has that name. There are: "
                f"{', '.join(names)}."
            )
    return plans


def _name(resources: tuple[str, ...]) -> dict[str, str]:
    """Give every resource a name: its own, or ``main``, ``counter2``, ``counter3`` ..."""
    named: dict[str, str] = {}
    for number, text in enumerate(resources, start=1):
        match = _NAMED.fullmatch(text)
        name = match[1] if match else "main" if number == 1 else f"counter{number}"
        resource = match[2] if match else text
        if name in named:
            raise UsageError(f"two counters are called '{name}': give each a name of its own.")
        if resource in named.values():
            raise UsageError(
                f"'{printable(resource)}' is given twice; one thread owns one counter."
            )
        named[name] = resource
    return named


def _close(journal: Journal | None) -> int:
    """Close the journal and return the exit code that it asks for."""
    if journal is None:
        return 0
    try:
        journal.close()
    except JournalError as error:
        say(str(error))
        return error.exit_code
    return 0
