"""The plans of the counters of a watch: typed, from a bench file, or of a simulated bench."""

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from benchwatch.bench import Bench
from benchwatch.bus.plain_address import resource_meant, understood_resource
from benchwatch.commands.common.option_types import (
    check_names,
    of_counter,
    of_option,
    settle_of,
    tolerance_of,
)
from benchwatch.commands.common.watch_visits import look_up_units
from benchwatch.counter import Setup
from benchwatch.driver_registry import Driver, default_driver, driver
from benchwatch.errors import DriverError, UsageError
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.plan import Plan, check_signal_group
from benchwatch.quantity import parse_frequency, printable
from benchwatch.reading import DEFAULT_COUNTER
from benchwatch.register import Unit
from benchwatch.run.visit_start import with_unit
from benchwatch.run.watch_visits import UnitsOnBench

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
    units: UnitsOnBench = field(default_factory=UnitsOnBench)
    """Each fills in what is stated nowhere else."""

    def plan(self, name: str, resource: str, *, simulated: "ServedBench | None" = None) -> Plan:
        """Make the plan of one counter; a `simulated` bench gives the settings not typed."""
        nominal, tolerance, settle = of_counter(self.nominals, name), self.tolerance, self.settle
        driver_name = self.driver or default_driver(resource)
        checks: tuple[float, ...] = ()
        unit = self.units.known.get(name)
        if simulated is not None:
            driver_name = self.driver or simulated.drivers[name]
            nominal = nominal or parse_frequency(simulated.nominals[name])
            checks = tuple(float(parse_frequency(text)) for text in simulated.checks[name])
            known = unit or Unit(ident="")
            tolerance = tolerance or (simulated.tolerance if known.tolerance is None else None)
            settle = settle or (simulated.settle if known.settle is None else None)
        elif unit is not None:
            nominal = nominal or unit.nominal_hz
        plan = Plan(
            name=name,
            resource=resource,
            driver=driver_name,
            setup=Setup(gate_s=self.gate_s),
            nominal=nominal,
            tolerance=tolerance_of(tolerance, nominal),
            settle=settle_of(settle, nominal),
            interval_s=self.interval_s,
            simulated=None if simulated is None else simulated.name,
            reference=_simulated_reference(simulated),
            unit=self.units.idents.get(name),
            checks=checks,
        )
        return plan if unit is None else with_unit(plan, unit)

    def applied_to(self, plan: Plan) -> Plan:
        """Return a plan of a bench file, in which the typed settings replace the file's."""
        unit = self.units.known.get(plan.name)
        nominal = of_counter(self.nominals, plan.name) or plan.nominal
        nominal = nominal or (unit.nominal_hz if unit is not None else None)
        tolerance, settle = tolerance_of(self.tolerance, nominal), settle_of(self.settle, nominal)
        setup = plan.setup if self.gate_s is None else replace(plan.setup, gate_s=self.gate_s)
        plan = replace(
            plan,
            driver=self.driver or plan.driver,
            setup=setup,
            nominal=nominal,
            tolerance=plan.tolerance if tolerance is None else tolerance,
            settle=settle or plan.settle,
            interval_s=self.interval_s or plan.interval_s,
            unit=self.units.idents.get(plan.name),
        )
        return plan if unit is None else with_unit(plan, unit)


def _simulated_reference(simulated: "ServedBench | None") -> Reference | None:
    """Return the reference of a simulated bench that states its uncertainty; else None."""
    if simulated is None or simulated.reference_u is None:
        return None
    return Reference(
        name="station's reference",
        u=simulated.reference_u,
        ageing_per_s=0.0,
        source=f"as stated by the simulated bench {simulated.name}",
    )


def plan_counters(
    words: tuple[str, ...],
    typed: TypedSettings,
    *,
    simulated: "ServedBench | None" = None,
    bench: Bench | None = None,
    elsewhere: Sequence[Plan] = (),
) -> list[Plan]:
    """Make the plans of the counters of a watch.

    Args:
        words: the typed resources; with a bench file, names of counters in it.
        typed: the typed settings.
        simulated: the simulated bench to watch; then there are no words.
        bench: the bench file.
        elsewhere: plans of typed counters elsewhere; they come last.

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
    plans += elsewhere
    check_names(typed.nominals, [plan.name for plan in plans])
    return plans


def signal_groups(
    typed: tuple[str, ...],
    plans: Sequence[Plan],
    *,
    simulated: "ServedBench | None" = None,
    bench: Bench | None = None,
) -> list[tuple[str, ...]]:
    """Return the groups of counters on one signal: as typed, else as the bench names them.

    Of a group of the bench only the counters count that are watched.

    Args:
        typed: names with commas between them, a text a group.
        plans: the counters that are watched.
        simulated: the simulated bench.
        bench: the bench file.

    Raises:
        UsageError: a typed group can't be one of counters on one signal.
    """
    nominals = {plan.name: plan.nominal for plan in plans}
    groups = [tuple(name.strip() for name in text.split(",") if name.strip()) for text in typed]
    with of_option("--proof"):
        for group in groups:
            check_signal_group(group, nominals)
    if groups:
        return groups
    known = () if bench is None else bench.proof
    known = known if simulated is None else tuple(map(tuple, simulated.proof))
    watched = [tuple(name for name in group if name in nominals) for group in known]
    return [group for group in watched if len(group) > 1]


def units_on_bench(
    units: tuple[tuple[str | None, str], ...],
    words: tuple[str, ...],
    register: Path | None,
    *,
    simulated: "ServedBench | None" = None,
    bench: Bench | None = None,
) -> UnitsOnBench:
    """Return the units that were typed, or that the bench file names.

    Args:
        units: typed names of counters and idents; a name may be left out with one counter.
        words: the typed resources; with a bench file, names of counters in it.
        register: path of the register; None: nothing is kept.
        simulated: the simulated bench to watch.
        bench: the bench file.

    Raises:
        UsageError: a name of a counter is unknown, or missing with several counters; one unit is
            on two of them; or nothing is kept.
    """
    named: dict[str, str] = {}
    if bench is not None:
        plans = _chosen(bench, words)
        names = [plan.name for plan in plans]
        named = {plan.name: plan.unit for plan in plans if plan.unit is not None}
    elif simulated is not None:
        names = list(simulated.resources)
    else:
        names = list(name_resources(words))
    check_names(units, names, "--unit")
    for name, ident in units:
        if name is None and len(names) > 1:
            raise UsageError(
                f"there are several counters: say which one has the unit, such as "
                f"--unit {names[0]}={printable(ident)}."
            )
        named[name or names[0]] = ident
    return look_up_units(named, register, typed=bool(units))


def check_plans(plans: Sequence[Plan], load: Callable[[str], Driver]) -> None:
    """Load the drivers of the counters, and check that each address means one thing.

    Raises:
        DriverError: a driver can't be loaded.
        UsageError: an address may mean several things.
    """
    for plan in plans:
        load(plan.driver)
        if plan.simulated is None:
            understood_resource(plan.resource)


def check_drivers(plans: Sequence[Plan], where: str) -> None:
    """Load the driver of every plan of a bench file, so that an error names its key in the file.

    Args:
        plans: the plans.
        where: the bench file, for the message.

    Raises:
        DriverError: there is no such driver, or it can't be loaded.
    """
    load = cache(driver)  # finding one takes a while, and fifty counters may have the same
    for plan in plans:
        try:
            load(plan.driver)
        except DriverError as error:
            raise DriverError(f"{where}: counters.{plan.name}.driver: {error}") from error


def name_resources(resources: Sequence[str]) -> dict[str, str]:
    """Return typed resources by name: the typed one, or ``main``, ``counter2``, ``counter3`` ...

    A plain address becomes the resource that it means.

    Raises:
        UsageError: a name or a resource is given twice.
    """
    named: dict[str, str] = {}
    for number, text in enumerate(resources, start=1):
        match = _NAMED.fullmatch(text)
        name = match[1] if match else DEFAULT_COUNTER if number == 1 else f"counter{number}"
        resource = resource_meant(match[2] if match else text)
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
