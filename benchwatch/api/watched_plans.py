"""The plans of the counters that a script watches: given by it, by a bench file, or simulated."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

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

if TYPE_CHECKING:
    from benchwatch_simulators.bench.simulated_bench import ServedBench

Resources = str | Sequence[str] | Mapping[str, str]
"""One resource string, several, or resource strings by the names of their counters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchSettings:
    """Settings of the counters that a script states; None: not stated."""

    nominal: Frequency | None = None
    tolerance: Fraction | None = None
    settle: Settled | None = None
    gate: Duration | None = None
    interval: Duration | None = None
    driver: str | None = None

    def plan(self, name: str, resource: str) -> Plan:
        """Return the plan of one counter.

        Raises:
            QuantityError: a quantity can't be read.
        """
        nominal = None if self.nominal is None else hertz(self.nominal)
        return Plan(
            name=name,
            resource=resource,
            driver=self.driver or default_driver(resource),
            setup=Setup(gate_s=seconds_or_none(self.gate)),
            nominal=nominal,
            tolerance=limit(self.tolerance, nominal),
            settle=settle_limit(self.settle, nominal),
            interval_s=seconds_or_none(self.interval),
        )

    def applied_to(self, plan: Plan) -> Plan:
        """Return a plan of a bench file, in which the stated settings replace the file's."""
        nominal = plan.nominal if self.nominal is None else hertz(self.nominal)
        tolerance, gate_s = limit(self.tolerance, nominal), seconds_or_none(self.gate)
        return replace(
            plan,
            driver=self.driver or plan.driver,
            setup=plan.setup if gate_s is None else replace(plan.setup, gate_s=gate_s),
            nominal=nominal,
            tolerance=plan.tolerance if tolerance is None else tolerance,
            settle=settle_limit(self.settle, nominal) or plan.settle,
            interval_s=seconds_or_none(self.interval) or plan.interval_s,
        )

    def simulated_plan(self, name: str, served: "ServedBench") -> Plan:
        """Return the plan of a counter of a simulated bench, which gives what is not stated."""
        known = hertz(self.nominal or served.nominals[name])
        stated = replace(
            self,
            nominal=known,
            tolerance=self.tolerance or served.tolerance,
            settle=self.settle or served.settle,
            driver=self.driver or served.drivers[name],
        )
        return replace(stated.plan(name, served.resources[name]), simulated=served.name)


@contextmanager
def plans_to_watch(
    resources: Resources | None,
    settings: WatchSettings,
    *,
    bench: Path | None,
    sim: str | None,
    seed: int | None,
) -> Iterator[tuple[list[Plan], Bench | None]]:
    """Yield the plans of the counters, and the bench file; a simulated bench is served meanwhile.

    Args:
        resources: what to watch; of a bench file, names of counters in it.
        settings: what is stated for all of them.
        bench: a bench file; None: none.
        sim: name of a simulated bench, or its file; None: none.
        seed: of the simulated noise; None: another one each time.

    Raises:
        UsageError: nothing is to be watched, or several of these things are given.
        FileError: the bench file can't be read.
    """
    if sim is not None:
        if resources or bench is not None:
            raise UsageError("sim watches a simulated bench: leave resources and bench out.")
        from benchwatch_simulators.bench.simulated_bench import (  # noqa: PLC0415 - needed only here
            open_bench,
        )

        with open_bench(sim, seed=seed) as served:
            yield [settings.simulated_plan(name, served) for name in served.resources], None
        return
    if seed is not None:
        raise UsageError("seed is for a simulated bench: add sim, or leave it out.")
    if bench is not None:
        described = load_bench(bench)
        yield [settings.applied_to(plan) for plan in _chosen(described, resources)], described
        return
    named = _named(resources)
    if not named:
        raise UsageError(
            "nothing to watch: give a resource such as 'TCPIP0::192.168.1.20::5025::SOCKET', "
            "bench=... for a bench file, or sim='station' for a simulated bench."
        )
    yield [settings.plan(name, resource) for name, resource in named.items()], None


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
