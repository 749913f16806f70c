"""The plans of the counters that a script watches: given by it, by a bench file, or simulated."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from benchwatch.api.quantities import (
    Duration,
    Fraction,
    Frequency,
    Settled,
    hertz,
    limit,
    seconds_or_none,
    settle_limit,
)
from benchwatch.bench import Bench, load_bench
from benchwatch.bus.plain_address import understood_resource
from benchwatch.counter import Setup
from benchwatch.driver_registry import default_driver
from benchwatch.errors import UsageError
from benchwatch.plan import Plan
from benchwatch.quantity import printable
from benchwatch.reading import DEFAULT_COUNTER
from benchwatch.register import Unit, read_ident
from benchwatch.run.visit_start import with_unit
from benchwatch.run.watch_visits import UnitsOnBench, look_up_units

if TYPE_CHECKING:
    from benchwatch_simulators.bench.simulated_bench import ServedBench

Resources = str | Sequence[str] | Mapping[str, str]
"""One resource string, several, or resource strings by the names of their counters."""
Units = str | Mapping[str, str]
"""Ident of the unit on the only counter, or idents by the names of the counters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchSettings:
    """Settings of the counters that a script states; None: not stated."""

    nominal: Frequency | None = None
    tolerance: Fraction | None = None
    settle: Settled | None = None
    gate: Duration | None = None
    interval: Duration | None = None
    driver: str | None = None
    units: UnitsOnBench = field(default_factory=UnitsOnBench)
    """Each fills in what is stated nowhere else."""

    def plan(self, name: str, resource: str) -> Plan:
        """Return the plan of one counter.

        Raises:
            QuantityError: a quantity can't be read.
        """
        unit = self.units.known.get(name)
        nominal = None if self.nominal is None else hertz(self.nominal)
        nominal = nominal or (None if unit is None else unit.nominal_hz)
        plan = Plan(
            name=name,
            resource=resource,
            driver=self.driver or default_driver(resource),
            setup=Setup(gate_s=seconds_or_none(self.gate)),
            nominal=nominal,
            tolerance=limit(self.tolerance, nominal),
            settle=settle_limit(self.settle, nominal),
            interval_s=seconds_or_none(self.interval),
            unit=self.units.idents.get(name),
        )
        return plan if unit is None else with_unit(plan, unit)

    def applied_to(self, plan: Plan) -> Plan:
        """Return a plan of a bench file, in which the stated settings replace the file's."""
        unit = self.units.known.get(plan.name)
        nominal = plan.nominal if self.nominal is None else hertz(self.nominal)
        nominal = nominal or (None if unit is None else unit.nominal_hz)
        tolerance, gate_s = limit(self.tolerance, nominal), seconds_or_none(self.gate)
        plan = replace(
            plan,
            driver=self.driver or plan.driver,
            setup=plan.setup if gate_s is None else replace(plan.setup, gate_s=gate_s),
            nominal=nominal,
            tolerance=plan.tolerance if tolerance is None else tolerance,
            settle=settle_limit(self.settle, nominal) or plan.settle,
            interval_s=seconds_or_none(self.interval) or plan.interval_s,
            unit=self.units.idents.get(plan.name),
        )
        return plan if unit is None else with_unit(plan, unit)

    def simulated_plan(self, name: str, served: "ServedBench") -> Plan:
        """Return the plan of a counter of a simulated bench, which gives what is not stated."""
        known = hertz(self.nominal or served.nominals[name])
        unit = self.units.known.get(name) or Unit(ident="")
        stated = replace(
            self,
            nominal=known,
            tolerance=self.tolerance or (served.tolerance if unit.tolerance is None else None),
            settle=self.settle or (served.settle if unit.settle is None else None),
            driver=self.driver or served.drivers[name],
        )
        return replace(stated.plan(name, served.resources[name]), simulated=served.name)


class WatchedPlans(NamedTuple):
    """What a script watches."""

    plans: list[Plan]
    """The counters."""
    units: UnitsOnBench
    """The units on them."""
    described: Bench | None = None
    """The bench file; None without one."""


@contextmanager
def plans_to_watch(
    resources: Resources | None,
    settings: WatchSettings,
    *,
    bench: Path | None,
    sim: str | None,
    seed: int | None,
    unit: Units | None = None,
    register: Path | None = None,
) -> Iterator[WatchedPlans]:
    """Yield the plans of the counters; a simulated bench is served meanwhile.

    Args:
        resources: what to watch; of a bench file, names of counters in it.
        settings: what is stated for all of them.
        bench: a bench file; None: none.
        sim: name of a simulated bench, or its file; None: none.
        seed: of the simulated noise; None: another one each time.
        unit: units on the counters; None: those that the bench file names.
        register: path of the register that has units; None: nothing is kept.

    Raises:
        UsageError: nothing is to be watched, or several of these things are given; no counter has
            the name that a unit is given to; or a unit is given and nothing is kept.
        FileError: the bench file can't be read.
    """
    if sim is not None:
        if resources or bench is not None:
            raise UsageError("sim watches a simulated bench: leave resources and bench out.")
        from benchwatch_simulators.bench.simulated_bench import (  # noqa: PLC0415 - needed only here
            open_bench,
        )

        with open_bench(sim, seed=seed) as served:
            units = _units(unit, served.resources, register)
            settings = replace(settings, units=units)
            plans = [settings.simulated_plan(name, served) for name in served.resources]
            yield WatchedPlans(plans, units)
        return
    if seed is not None:
        raise UsageError("seed is for a simulated bench: add sim, or leave it out.")
    if bench is not None:
        described = load_bench(bench)
        chosen = _chosen(described, resources)
        in_file = {plan.name: plan.unit for plan in chosen if plan.unit is not None}
        units = _units(unit, [plan.name for plan in chosen], register, in_file)
        settings = replace(settings, units=units)
        yield WatchedPlans([settings.applied_to(plan) for plan in chosen], units, described)
        return
    named = _named(resources)
    if not named:
        raise UsageError(
            "nothing to watch: give a resource such as 'TCPIP0::192.168.1.20::5025::SOCKET', "
            "bench=... for a bench file, or sim='station' for a simulated bench."
        )
    units = _units(unit, named, register)
    settings = replace(settings, units=units)
    yield WatchedPlans([settings.plan(name, where) for name, where in named.items()], units)


def _units(
    unit: Units | None,
    counters: Iterable[str],
    register: Path | None,
    in_file: Mapping[str, str] | None = None,
) -> UnitsOnBench:
    """Return the units that a script names, and those `in_file` by name of the counter.

    Raises:
        UsageError: as `plans_to_watch`.
    """
    names = list(counters)
    if isinstance(unit, str):
        if len(names) > 1:
            raise UsageError(
                "there are several counters: say which one has the unit, such as "
                f"unit={{'{names[0]}': '{printable(unit, 40)}'}}."
            )
        unit = {names[0]: unit}
    given = {name: read_ident(ident) for name, ident in (unit or {}).items()}
    for name in given:
        if name not in names:
            raise UsageError(
                f"unit: no counter is called '{printable(name, 40)}'. There are: "
                f"{', '.join(names)}."
            )
    return look_up_units(
        {**(in_file or {}), **given},
        register,
        asked=bool(given),
        missing="unit needs a journal, beside which units are kept: add journal='...'.",
    )


def _named(resources: Resources | None) -> dict[str, str]:
    """Return resource strings by name: the given one, or ``main``, ``counter2`` and so on.

    Raises:
        UsageError: a plain address may mean several things, or a resource is given twice.
    """
    if isinstance(resources, Mapping):
        named = {name: understood_resource(text) for name, text in resources.items()}
    else:
        words = [resources] if isinstance(resources, str) else list(resources or ())
        names = [DEFAULT_COUNTER, *(f"counter{number}" for number in range(2, len(words) + 1))]
        named = dict(zip(names, map(understood_resource, words), strict=False))
    if len(set(named.values())) < len(named):
        raise UsageError("a resource is given twice; one thread owns one counter.")
    return named


def _chosen(described: Bench, names: Resources | None) -> list[Plan]:
    plans = {plan.name: plan for plan in described.plans()}
    wanted = [names] if isinstance(names, str) else list(names or plans)
    for name in wanted:
        if name not in plans:
            raise UsageError(
                f"{described.where} has no counter '{printable(name, 40)}'. There are: "
                f"{', '.join(plans)}."
            )
    return [plans[name] for name in wanted]
