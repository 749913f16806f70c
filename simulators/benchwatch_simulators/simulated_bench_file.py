"""Bench files: TOML that says which oscillators and counters stand on a simulated bench.

Tables: ``[reference]`` (an oscillator; leave it out for a bench without one),
``[oscillators.NAME]`` with ``[oscillators.NAME.trimmer]``, and ``[counters.NAME]`` with
``[counters.NAME.time_base]`` (the counter's own oscillator). Quantities are text as a person
writes them: ``"10 MHz"``, ``"37 ppb"``, ``"0.25 s"``; a counter's gate may be ``"none"``.
Every key has a default but a counter's ``oscillator`` and an oscillator's ``nominal``. A
counter stands on a ``bus`` and speaks a ``dialect`` (`benchwatch_simulators.counter_wiring`); those
on ``lan-gpib`` share one controller, each at its ``address``.
"""

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from benchwatch.config_tables import read_config_text, read_tables
from benchwatch.errors import QuantityError, UsageError
from benchwatch.quantity import printable
from benchwatch_simulators.counter_wiring import WiringSpec
from benchwatch_simulators.counters.counter_settings import ScpiCounterSpec
from benchwatch_simulators.counters.edge_counter import CountingSpec
from benchwatch_simulators.oscillator.oscillator import OscillatorSpec
from benchwatch_simulators.oscillator.trimmer import TrimmerSpec
from benchwatch_simulators.simulated_bench_keys import (
    COUNTING,
    FRONT,
    OSCILLATOR,
    TOP,
    TRIMMER,
    WIRING,
    Keys,
)

LARGEST: Final = 1_000_000
"""Bytes; a bench file is a page or two."""
_NAME: Final = re.compile(r"[A-Za-z0-9_][\w-]{0,31}")
"""Of an oscillator or a counter; the name of a serial line's file is made of it."""


@dataclass(frozen=True, slots=True)
class CounterPlan:
    """One counter on a bench, and what it is wired to."""

    oscillator: str
    wiring: WiringSpec
    front: ScpiCounterSpec
    counting: CountingSpec
    time_base: OscillatorSpec


@dataclass(frozen=True, slots=True)
class BenchPlan:
    """What a bench file says."""

    name: str
    about: str
    tolerance: str | None
    settle: str | None
    reference: OscillatorSpec | None
    oscillators: dict[str, OscillatorSpec]
    nominals: dict[str, str]
    """Nominal of each oscillator as written."""
    counters: dict[str, CounterPlan]


def bench_names() -> list[str]:
    """Return the names of the benches in the package."""
    folder = files("benchwatch_simulators") / "benches"
    return sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name[-5:] == ".toml")


def load_plan(name_or_path: str) -> BenchPlan:
    """Read a bench of the package by name, or any by the path of its file.

    Raises:
        UsageError: no such bench, or a key in it can't be used.
        FileError: the file can't be read or is no TOML.
    """
    known = bench_names()
    if name_or_path in known:
        where = f"{name_or_path}.toml"
        text = (files("benchwatch_simulators") / "benches" / where).read_text("utf-8")
        return read_plan(text, name_or_path, where)
    path = Path(name_or_path)
    if not (path.suffix == ".toml" or path.is_file()):
        raise UsageError(
            f"no simulated bench '{printable(name_or_path)}'{_nearest(name_or_path, known)}. "
            f"There are: {', '.join(known)}; or give the path of a .toml file."
        )
    text = read_config_text(path, "bench file", largest=LARGEST)
    return read_plan(text, path.stem, printable(str(path), 200))


def read_plan(text: str, name: str, where: str) -> BenchPlan:
    """Read the text of a bench file; `where` names it in messages.

    Raises:
        UsageError: a key can't be used.
        FileError: it is no TOML.
    """
    top = read_tables(text, f"{where} is no bench file")
    _known(top, ["about", "tolerance", "settle", "reference", "oscillators", "counters"], where)
    values = _fields(
        {key: top[key] for key in ("about", "tolerance", "settle") if key in top}, TOP, where
    )
    oscillators = _tables(top, "oscillators", where)
    counters = _tables(top, "counters", where)
    for kind, tables in (("oscillators", oscillators), ("counters", counters)):
        if not tables:
            raise UsageError(f"{where}: no [{kind}.NAME] table; a bench needs at least one.")
    specs = {
        key: _oscillator(table, f"{where}: oscillators.{key}", needs_nominal=True)
        for key, table in oscillators.items()
    }
    reference = _oscillator(top["reference"], f"{where}: reference") if "reference" in top else None
    return BenchPlan(
        name=name,
        about=values.get("about", ""),
        tolerance=values.get("tolerance"),
        settle=values.get("settle"),
        reference=reference,
        oscillators=specs,
        nominals={key: table["nominal"] for key, table in oscillators.items()},
        counters={
            key: _counter(table, f"{where}: counters.{key}", specs)
            for key, table in counters.items()
        },
    )


def _oscillator(table: Any, where: str, *, needs_nominal: bool = False) -> OscillatorSpec:
    table = _table(table, where)
    _known(table, [*OSCILLATOR, "trimmer"], where)
    if needs_nominal and "nominal" not in table:
        raise UsageError(f'{where}: the key "nominal" is missing, such as nominal = "10 MHz".')
    trimmer = _table(table.get("trimmer", {}), f"{where}.trimmer")
    _known(trimmer, list(TRIMMER), f"{where}.trimmer")
    values = _fields({k: v for k, v in table.items() if k != "trimmer"}, OSCILLATOR, where)
    return OscillatorSpec(
        **values, trimmer=TrimmerSpec(**_fields(trimmer, TRIMMER, f"{where}.trimmer"))
    )


def _counter(table: Any, where: str, oscillators: Mapping[str, object]) -> CounterPlan:
    table = _table(table, where)
    _known(table, ["oscillator", *WIRING, *FRONT, *COUNTING, "time_base"], where)
    oscillator = table.get("oscillator")
    if not isinstance(oscillator, str) or oscillator not in oscillators:
        raise UsageError(
            f'{where}: the key "oscillator" must name one of: {", ".join(oscillators)}'
            f"{_nearest(str(oscillator), list(oscillators))}."
        )
    return CounterPlan(
        oscillator=oscillator,
        wiring=WiringSpec(**_fields(table, WIRING, where)),
        front=ScpiCounterSpec(**_fields(table, FRONT, where)),
        counting=CountingSpec(**_fields(table, COUNTING, where)),
        time_base=_oscillator(table.get("time_base", {}), f"{where}.time_base"),
    )


def _fields(table: Mapping[str, Any], keys: Keys, where: str) -> dict[str, Any]:
    fields = {}
    for key, value in table.items():
        if key in keys:
            field, read = keys[key]
            try:
                fields[field] = read(value)
            except (UsageError, QuantityError) as error:
                raise UsageError(f"{where}.{key}: {error}") from error
    return fields


def _tables(top: Mapping[str, Any], key: str, where: str) -> dict[str, Any]:
    tables = _table(top.get(key, {}), f"{where}: {key}")
    for name in tables:
        if not _NAME.fullmatch(name):
            raise UsageError(
                f"{where}: {key}.{printable(name, 40)}: a name is letters, digits, - and _, "
                f"32 at most, such as [{key}.main]."
            )
    return {name: _table(table, f"{where}: {key}.{name}") for name, table in tables.items()}


def _table(value: Any, where: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise UsageError(f"{where} must be a table, written [{where.rsplit(': ', 1)[-1]}].")
    return value


def _known(table: Mapping[str, Any], keys: list[str], where: str) -> None:
    for key in table:
        if key not in keys:
            raise UsageError(
                f"{where}: unknown key '{printable(key)}'{_nearest(key, keys)}. "
                f"Known: {', '.join(keys)}."
            )


def _nearest(word: str, known: list[str]) -> str:
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"; did you mean '{close[0]}'?" if close else ""
