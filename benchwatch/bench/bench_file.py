"""Reads the text of a bench file into a `Bench`: limits, references, and checks among keys."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

from benchwatch.bench.bench_file_keys import BENCH_FILE, COUNTER, OWN_TABLE
from benchwatch.config_tables import (
    Location,
    parse_toml,
    read_config_text,
    read_tables,
    wrong_value,
)
from benchwatch.counter import Setup
from benchwatch.driver_registry import default_driver
from benchwatch.errors import QuantityError, UsageError
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.plan import OWN_TIME_BASE, Plan, check_signal_group
from benchwatch.quantity import parse_settle, parse_tolerance, printable
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.system.file_names import home_path

LARGEST_FILE_BYTES: Final = 1_000_000
"""A bench file is a page or two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchRelay:
    """Where the journal of a bench is sent, and as whom."""

    broker: BrokerAddress
    identity: Path | None = None
    """Folder with the certificate of the station."""
    station: str | None = None
    """Name of the station; None: that of the certificate, or of the computer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """The contents of a bench file."""

    where: str
    """The name of the file in messages."""
    counters: tuple[Plan, ...]
    about: str = ""
    backend: str | None = None
    reference: Reference | None = None
    """The reference that the counters are locked to, with its age when the file was read."""
    working_hz: tuple[float, ...] = ()
    """Working frequencies of counters that state none of their own."""
    proof: tuple[tuple[str, ...], ...] = ()
    """Names of counters on one signal, a tuple a group."""
    relay: BenchRelay | None = None
    """None: the file names no broker."""

    def plans(self) -> tuple[Plan, ...]:
        """Return the counters, each with the bench's reference and working frequencies.

        Raises:
            UsageError: there is no counter in the file.
        """
        if not self.counters:
            raise UsageError(
                f"{self.where} names no counter. Add a table such as [counters.main] with "
                f"resource = {COUNTER.keys['resource'].example}."
            )
        return tuple(
            replace(plan, reference=self.reference, working_hz=plan.working_hz or self.working_hz)
            for plan in self.counters
        )


def load_bench(path: Path, *, utc_s: float | None = None) -> Bench:
    """Read a bench file.

    Args:
        path: The file.
        utc_s: The present in Unix seconds, for the ages of references; None: now.

    Raises:
        FileError: the file can't be read, or is no TOML.
        UsageError: a key in it can't be used.
    """
    text = read_config_text(
        path, "bench file", largest=LARGEST_FILE_BYTES, way_out="benchwatch bench init writes one."
    )
    where = printable(str(path), 200)
    bench = read_bench(text, where, utc_s=time.time() if utc_s is None else utc_s)
    return replace(
        bench,
        counters=tuple(_with_driver_path(plan, path) for plan in bench.counters),
        relay=bench.relay and _with_identity_path(bench.relay, path),
    )


def read_bench(text: str, where: str, *, utc_s: float) -> Bench:
    """Read the text of a bench file; raises as `load_bench`."""
    given = parse_toml(text, f"{where} is no TOML")
    values = read_tables(given, BENCH_FILE, where)
    file = Location(where)
    counters = tuple(
        _plan(name, table, values, file, utc_s)
        for name, table in values.get("counters", {}).items()
    )
    _refuse_repeats([plan.resource for plan in counters], where)
    _refuse_proof(values["proof"], counters, where)
    reference = values.get("reference")
    return Bench(
        where=where,
        counters=counters,
        about=values["about"],
        backend=values.get("backend"),
        reference=None
        if reference is None
        else _reference(reference, file / "reference", utc_s, "reference"),
        working_hz=values["working_hz"],
        proof=values["proof"],
        relay=_relay(values.get("relay")),
    )


def _plan(
    name: str, table: Mapping[str, Any], bench: Mapping[str, Any], file: Location, utc_s: float
) -> Plan:
    """Return the plan of the counter `name`; limits that `table` lacks are the `bench`'s."""
    at, nominal = file / "counters" / name, table.get("nominal")

    def limit(key: str, parse: Callable[[str, Decimal | None], Any]) -> Any:
        """Read a limit of this counter, else the bench's; hertz need the nominal."""
        text = table.get(key, bench.get(key))
        if text is None:
            return None
        try:
            return parse(text, nominal)
        except QuantityError as error:
            example = COUNTER.keys[key].example
            raise wrong_value(at if key in table else file, key, example, text, error) from error

    tolerance, settle = limit("tolerance", parse_tolerance), limit("settle", parse_settle)
    own = table.get(OWN_TABLE)
    return Plan(
        name=name,
        resource=table["resource"],
        driver=table.get("driver") or default_driver(table["resource"]),
        setup=Setup(table.get("gate"), table.get("channel")),
        nominal=nominal,
        tolerance=tolerance,
        settle=None if settle is None else SettleLimit(*settle),
        interval_s=table.get("interval"),
        own_time_base=None
        if own is None
        else _reference(own, at / OWN_TABLE, utc_s, OWN_TIME_BASE),
        unit=table.get("unit"),
        working_hz=table["working_hz"],
        checks=tuple(dict.fromkeys(table["checks"])),
    )


def _reference(values: Mapping[str, Any], at: Location, utc_s: float, usual_name: str) -> Reference:
    """Return the reference in the table at `at`; its standard uncertainty is u / factor."""
    calibrated_s, u = values.get("calibrated"), values.get("uncertainty")
    if calibrated_s is not None and calibrated_s > utc_s:
        raise UsageError(f"{at}.calibrated lies in the future. Check the date, and the clock.")
    factor = values.get("coverage_factor", 1.0)
    if u is None and "coverage_factor" in values:
        raise UsageError(f'{at}: "coverage_factor" without "uncertainty" says nothing.')
    source = "as stated in the bench file"
    if factor != 1.0:
        source = f"bench file: expanded uncertainty {u:.3g} at k = {factor:g}"
    return Reference(
        name=values.get("name", usual_name),
        u=None if u is None else u / factor,
        offset=values["offset"],
        age_s=None if calibrated_s is None else utc_s - calibrated_s,
        ageing_per_s=values.get("ageing"),
        source=source,
    )


def _relay(table: Mapping[str, Any] | None) -> BenchRelay | None:
    if table is None:
        return None
    folder = table.get("identity")
    return BenchRelay(
        broker=table["broker"],
        identity=None if folder is None else home_path(folder),
        station=table.get("station"),
    )


def _with_identity_path(relay: BenchRelay, bench: Path) -> BenchRelay:
    """Resolve a relative path of an identity's folder from the folder of the bench file."""
    folder = relay.identity
    return relay if folder is None else replace(relay, identity=bench.parent / folder)


def _with_driver_path(plan: Plan, bench: Path) -> Plan:
    """Resolve a relative path of a driver's file from the folder of the bench file."""
    if not plan.driver.lower().endswith(".toml"):
        return plan
    return replace(plan, driver=str(bench.parent / home_path(plan.driver)))


def _refuse_proof(groups: Sequence[Sequence[str]], counters: Sequence[Plan], where: str) -> None:
    """Refuse groups of names that can't be counters on one signal."""
    nominals = {plan.name: plan.nominal for plan in counters}
    for group in groups:
        try:
            check_signal_group(group, nominals)
        except UsageError as error:
            raise UsageError(f"{where}: proof: {error}") from error


def _refuse_repeats(resources: list[str], where: str) -> None:
    for resource in resources:
        if resources.count(resource) > 1:
            raise UsageError(
                f"{where}: '{printable(resource)}' is given twice; one thread owns one counter."
            )
