"""The plans of the counters of a watch: typed, from a bench file, or of a simulated bench."""

import re
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Final

from benchwatch.bench import Bench
from benchwatch.bus.file_wire import STANDARD_INPUT, file_of
from benchwatch.commands.common.option_types import (
    check_names,
    of_counter,
    of_option,
    settle_of,
    tolerance_of,
)
from benchwatch.counter import Setup
from benchwatch.driver_registry import default_driver, driver
from benchwatch.errors import DriverError, JournalError, UsageError
from benchwatch.journal.resume import InterruptedRun, find_interrupted
from benchwatch.plan import Plan
from benchwatch.quantity import parse_frequency, printable
from benchwatch.reading import DEFAULT_COUNTER

if TYPE_CHECKING:
    from benchwatch_simulators.bench.simulated_bench import ServedBench

_NAMED: Final = re.compile(r"([A-Za-z][\w-]*)=(.+)", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedSettings:
    """Typed settings of the counters; the limits are texts, as parsing them needs the nominal."""

    nominals: tuple[tuple[str | None, Decimal], ...]
    tolerance: str | None
    settle: str | None
    gate_s: float | None
    interval_s: float | None
    driver: str | None
    """None: the driver that the bench names, or the default."""

    def plan(self, name: str, resource: str, *, simulated: "ServedBench | None" = None) -> Plan:
        """Make the plan of one counter; a `simulated` bench gives the settings not typed."""
        nominal, tolerance, settle = of_counter(self.nominals, name), self.tolerance, self.settle
        driver_name = self.driver or default_driver(resource)
        if simulated is not None:
            driver_name = self.driver or simulated.drivers[name]
            nominal = nominal or parse_frequency(simulated.nominals[name])
            tolerance, settle = tolerance or simulated.tolerance, settle or simulated.settle
        return Plan(
            name=name,
            resource=resource,
            driver=driver_name,
            setup=Setup(gate_s=self.gate_s),
            nominal=nominal,
            tolerance=tolerance_of(tolerance, nominal),
            settle=settle_of(settle, nominal),
            interval_s=self.interval_s,
            simulated=None if simulated is None else simulated.name,
        )

    def applied_to(self, plan: Plan) -> Plan:
        """Return a plan of a bench file, in which the typed settings replace the file's."""
        nominal = of_counter(self.nominals, plan.name) or plan.nominal
        tolerance, settle = tolerance_of(self.tolerance, nominal), settle_of(self.settle, nominal)
        setup = plan.setup if self.gate_s is None else replace(plan.setup, gate_s=self.gate_s)
        return replace(
            plan,
            driver=self.driver or plan.driver,
            setup=setup,
            nominal=nominal,
            tolerance=plan.tolerance if tolerance is None else tolerance,
            settle=settle or plan.settle,
            interval_s=self.interval_s or plan.interval_s,
        )


def plan_counters(
    words: tuple[str, ...],
    typed: TypedSettings,
    *,
    simulated: "ServedBench | None" = None,
    bench: Bench | None = None,
) -> list[Plan]:
    """Make the plans of the counters of a watch.

    Args:
        words: the typed resources; with a bench file, names of counters in it.
        typed: the typed settings.
        simulated: the simulated bench to watch; then there are no words.
        bench: the bench file.

    Raises:
        UsageError: a name is unknown or used twice.
        DriverError: the bench file names a driver that can't be loaded.
    """
    if bench is not None:
        plans = [typed.applied_to(plan) for plan in _chosen(bench, words)]
        if typed.driver is None:
            check_drivers(plans, bench.where)
    elif simulated is not None:
        resources = simulated.resources
        plans = [typed.plan(name, resources[name], simulated=simulated) for name in resources]
    else:
        plans = [typed.plan(name, resource) for name, resource in name_resources(words).items()]
    check_names(typed.nominals, [plan.name for plan in plans])
    return plans


def check_drivers(plans: Sequence[Plan], where: str) -> None:
    """Load the driver of every plan of a bench file, so that an error names its key in the file.

    Args:
        plans: the plans.
        where: the bench file, for the message.

    Raises:
        DriverError: there is no such driver, or it can't be loaded.
    """
    for plan in plans:
        try:
            driver(plan.driver)
        except DriverError as error:
            raise DriverError(f"{where}: counters.{plan.name}.driver: {error}") from error


def name_resources(resources: Sequence[str]) -> dict[str, str]:
    """Return typed resources by name: the typed one, or ``main``, ``counter2``, ``counter3`` ...

    Raises:
        UsageError: a name or a resource is given twice.
    """
    named: dict[str, str] = {}
    for number, text in enumerate(resources, start=1):
        match = _NAMED.fullmatch(text)
        name = match[1] if match else DEFAULT_COUNTER if number == 1 else f"counter{number}"
        resource = match[2] if match else text
        if name in named:
            raise UsageError(f"two counters are called '{name}': give each a name of its own.")
        if resource in named.values():
            raise UsageError(
                f"'{printable(resource)}' is given twice; one thread owns one counter."
            )
        named[name] = resource
    return named


def _chosen(bench: Bench, names: tuple[str, ...]) -> list[Plan]:
    plans = {plan.name: plan for plan in bench.plans()}
    for name in names:
        if name not in plans:
            raise UsageError(
                f"{bench.where} has no counter '{printable(name)}'. There are: {', '.join(plans)}."
            )
    return [plan for plan in plans.values() if not names or plan.name in names]


def interrupted_runs(plans: Sequence[Plan], journal: Path) -> dict[str, InterruptedRun]:
    """Return the interrupted runs of the planned counters in `journal`, by name of the counter.

    An unreadable journal gives none, without an error: `Journal` reports it.
    """
    utc_s, found = time.time(), {}
    for plan in plans:
        if file_of(plan.resource) == STANDARD_INPUT:
            continue
        with suppress(JournalError):
            earlier = find_interrupted(journal, plan.resource, plan.nominal, plan.simulated, utc_s)
            if earlier is not None:
                found[plan.name] = earlier
    return found


@contextmanager
def simulated_bench(
    resources: tuple[str, ...],
    bench_file: Path | None,
    sim: str | None,
    *,
    seed: int | None,
    faults: tuple[str, ...],
    nominals: tuple[tuple[str | None, Decimal], ...],
) -> Iterator["ServedBench | None"]:
    """Serve the simulated bench of ``--sim`` while the context lasts; yield None without it.

    Raises:
        UsageError: options exclude each other, or one can't be parsed.
    """
    if sim is None:
        if not resources and bench_file is None:
            raise UsageError(
                "nothing to watch: give a resource such as TCPIP0::192.168.1.20::5025::SOCKET, "
                "--bench for a bench file, or --sim for a simulated bench."
            )
        for option, given in (("--seed", seed is not None), ("--fault", bool(faults))):
            if given:
                raise UsageError(f"{option} is for a simulated bench: add --sim, or leave it out.")
        yield None
        return
    if bench_file is not None:
        raise UsageError("--sim and --bench exclude each other: choose one.")
    if resources:
        raise UsageError(
            f"--sim watches a simulated bench and '{printable(resources[0])}' is a resource: "
            "give one of them."
        )
    from benchwatch_simulators.bench.simulated_bench import open_bench  # noqa: PLC0415 - needed only here
    from benchwatch_simulators.bench.simulated_bench_file import load_plan  # noqa: PLC0415 - likewise
    from benchwatch_simulators.faults import parse_fault  # noqa: PLC0415 - likewise

    with of_option("--fault"):
        script = [parse_fault(text) for text in faults]
    check_names(nominals, load_plan(sim).counters)
    with open_bench(sim, seed=seed, faults=script) as bench:
        yield bench
