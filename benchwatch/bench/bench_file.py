"""From the text of a bench file to a `Bench`."""

import difflib
import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

from benchwatch.bench.bench_file_keys import COUNTER, OWN_TABLE, REFERENCE, TOP, Key, reading_failed
from benchwatch.bus.file_wire import file_of
from benchwatch.config_tables import read_config_text, read_tables
from benchwatch.counter import Setup
from benchwatch.errors import QuantityError, UsageError
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.plan import OWN, Plan
from benchwatch.quantity import parse_fraction, parse_settle, printable

LARGEST: Final = 1_000_000
"""Bytes; a bench file is a page or two."""
_NAME: Final = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,31}")


@dataclass(frozen=True, slots=True)
class Bench:
    """What a bench file says."""

    where: str
    """The file, as messages call it."""
    counters: tuple[Plan, ...]
    about: str = ""
    backend: str | None = None
    reference: Reference | None = None
    """What the counters are locked to; its age is that at the time of reading the file."""
    working_hz: tuple[float, ...] = ()
    """For counters that name none of their own."""

    def plans(self) -> tuple[Plan, ...]:
        """Return the counters, each with the bench's reference and working frequencies.

        Raises:
            UsageError: there is no counter in the file.
        """
        if not self.counters:
            raise UsageError(
                f"{self.where} names no counter. Add a table such as [counters.main] with "
                f"resource = {COUNTER['resource'].form}."
            )
        return tuple(
            replace(plan, reference=self.reference, working_hz=plan.working_hz or self.working_hz)
            for plan in self.counters
        )


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a file a message points to."""

    file: str
    path: tuple[str, ...] = ()

    def __truediv__(self, key: str) -> "Place":
        return Place(self.file, (*self.path, printable(key, 40)))

    def __str__(self) -> str:
        return f"{self.file}: {'.'.join(self.path)}" if self.path else self.file


def load_bench(path: Path, *, utc_s: float | None = None) -> Bench:
    """Read a bench file; `utc_s` is now, from which the reference's age is counted.

    Raises:
        FileError: the file can't be read, or is no TOML.
        UsageError: a key in it can't be used.
    """
    text = read_config_text(
        path, "bench file", largest=LARGEST, way_out="benchwatch bench init writes one."
    )
    where = printable(str(path), 200)
    bench = read_bench(text, where, utc_s=time.time() if utc_s is None else utc_s)
    return replace(bench, counters=tuple(_beside(plan, path) for plan in bench.counters))


def read_bench(text: str, where: str, *, utc_s: float) -> Bench:
    """Read the text of a bench file; raises as `load_bench`."""
    top = read_tables(text, f"{where} is no TOML")
    file = Place(where)
    values = _values(top, TOP, file, ("reference", "counters"))
    tables = _table(top.get("counters", {}), file / "counters")
    counters = []
    for name, table in tables.items():
        place = file / "counters" / name
        if not _NAME.fullmatch(name):
            raise UsageError(
                f"{place}: a counter's name is letters, digits, - and _, such as [counters.main]."
            )
        counters.append(_plan(name, _table(table, place), top, file, utc_s))
    _once([plan.resource for plan in counters], where)
    reference = None
    if "reference" in top:
        place = file / "reference"
        reference = _reference(_table(top["reference"], place), place, utc_s, "reference")
    return Bench(
        where,
        tuple(counters),
        values.get("about", ""),
        values.get("backend"),
        reference,
        values.get("working", ()),
    )


def _plan(
    name: str, table: Mapping[str, Any], top: Mapping[str, Any], file: "Place", utc_s: float
) -> Plan:
    place = file / "counters" / name
    values = _values(table, COUNTER, place, (OWN_TABLE,))
    if "resource" not in values:
        raise UsageError(
            f'{place}: the key "resource" is missing. '
            f"Write it like resource = {COUNTER['resource'].form}."
        )
    nominal = values.get("nominal")

    def limit(key: str, parse: Callable[[str, Decimal | None], Any]) -> Any:
        """Read a limit of this counter, else the bench's; hertz need the nominal."""
        text = table.get(key, top.get(key))
        if text is None:
            return None
        try:
            return parse(text, nominal)
        except QuantityError as error:
            spot = (place if key in table else file) / key
            raise reading_failed(error, str(spot), key, COUNTER[key]) from error

    tolerance, settle = limit("tolerance", parse_fraction), limit("settle", parse_settle)
    if tolerance is not None and tolerance <= 0:
        raise UsageError(f"{place}: the tolerance must be above zero, such as 5 ppb.")
    own = None
    if OWN_TABLE in table:
        spot = place / OWN_TABLE
        own = _reference(_table(table[OWN_TABLE], spot), spot, utc_s, OWN)
    return Plan(
        name,
        values["resource"],
        values.get("driver") or _usual_driver(values["resource"]),
        Setup(values.get("gate"), values.get("channel")),
        nominal,
        tolerance,
        None if settle is None else SettleLimit(*settle),
        values.get("interval"),
        own_time_base=own,
        working_hz=values.get("working", ()),
    )


def _usual_driver(resource: str) -> str:
    return "scpi" if file_of(resource) is None else "lines"


def _reference(
    table: Mapping[str, Any], place: "Place", utc_s: float, usual_name: str
) -> Reference:
    values = _values(table, REFERENCE, place)
    calibrated_s, u = values.get("calibrated"), values.get("uncertainty")
    if calibrated_s is not None and calibrated_s > utc_s:
        raise UsageError(f"{place}.calibrated lies in the future. Check the date, and the clock.")
    factor = values.get("coverage_factor", 1.0)
    if u is None and "coverage_factor" in values:
        raise UsageError(f'{place}: "coverage_factor" without "uncertainty" says nothing.')
    source = "as stated in the bench file"
    if factor != 1.0:
        source = f"bench file: expanded uncertainty {u:.3g} at k = {factor:g}"
    return Reference(
        name=values.get("name", usual_name),
        u=None if u is None else u / factor,
        offset=values.get("offset", 0.0),
        age_s=None if calibrated_s is None else utc_s - calibrated_s,
        ageing_per_s=values.get("ageing"),
        source=source,
    )


def _values(
    table: Mapping[str, Any], keys: Mapping[str, Key], place: "Place", tables: tuple[str, ...] = ()
) -> dict[str, Any]:
    """Read what a table holds; `tables` are names in it that are read elsewhere."""
    values = {}
    for name, value in table.items():
        if name in tables:
            continue
        if name not in keys:
            raise UsageError(
                f"{place}: unknown key '{printable(name)}'{nearest(name, [*keys, *tables])} "
                f"Known: {', '.join([*keys, *tables])}."
            )
        try:
            values[name] = keys[name].read(value)
        except UsageError as error:
            raise reading_failed(error, str(place / name), name, keys[name]) from error
    return values


def _table(value: Any, place: "Place") -> dict[str, Any]:
    if not isinstance(value, dict):
        raise UsageError(f"{place} must be a table, written [{'.'.join(place.path)}].")
    return value


def _beside(plan: Plan, bench: Path) -> Plan:
    """Take a driver's file to stand where the bench file does, unless its path is a whole one."""
    if not plan.driver.lower().endswith(".toml"):
        return plan
    return replace(plan, driver=str(bench.parent / Path(plan.driver).expanduser()))


def _once(resources: list[str], where: str) -> None:
    for resource in resources:
        if resources.count(resource) > 1:
            raise UsageError(
                f"{where}: '{printable(resource)}' is given twice; one thread owns one counter."
            )


def nearest(word: str, known: list[str]) -> str:
    """Return ``; did you mean 'tolerance'?``, or a full stop where no word is near."""
    close = difflib.get_close_matches(word.lower(), known, n=1, cutoff=0.5)
    return f"; did you mean '{close[0]}'?" if close else "."
