"""Reads the file of a simulated bench: properties of its oscillators and counters.

Tables: ``[reference]`` (an oscillator; left out if the bench has none), ``[oscillators.NAME]`` with
``[oscillators.NAME.trimmer]``, and ``[counters.NAME]`` with ``[counters.NAME.time_base]``, the
counter's own oscillator. `simulated_bench_keys` declares the keys. Counters on ``lan-gpib`` share
one controller, each at its ``address``.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from benchwatch.config_tables import (
    ConfigKey,
    did_you_mean,
    parse_toml,
    read_config_text,
    read_tables,
)
from benchwatch.errors import UsageError
from benchwatch.quantity import printable
from benchwatch_simulators.bench.bench_list import bench_names
from benchwatch_simulators.bench.counter_wiring import WiringSpec
from benchwatch_simulators.bench.simulated_bench_keys import (
    COUNTING_KEYS,
    SETTING_KEYS,
    WIRING_KEYS,
    declare_simulated_bench,
)
from benchwatch_simulators.counters.counter_settings import ScpiCounterSpec
from benchwatch_simulators.counters.edge_counter import CountingSpec
from benchwatch_simulators.oscillator.oscillator import OscillatorSpec
from benchwatch_simulators.oscillator.trimmer import TrimmerSpec

LARGEST_FILE_BYTES: Final = 1_000_000
"""Larger files are refused; a bench file is a page or two."""


@dataclass(frozen=True, slots=True)
class CounterPlan:
    """Properties of one counter, and the name of its oscillator."""

    oscillator: str
    wiring: WiringSpec
    settings: ScpiCounterSpec
    counting: CountingSpec
    time_base: OscillatorSpec


@dataclass(frozen=True, slots=True)
class BenchPlan:
    """The contents of a simulated bench's file."""

    name: str
    about: str
    tolerance: str | None
    settle: str | None
    reference: OscillatorSpec | None
    oscillators: dict[str, OscillatorSpec]
    nominals: dict[str, str]
    """Nominal of each oscillator as written."""
    counters: dict[str, CounterPlan]


def load_plan(name_or_path: str) -> BenchPlan:
    """Read a bench of the package by its name, or any bench by the path of its file.

    Raises:
        UsageError: no such bench, or a key in the file can't be used.
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
            f"no simulated bench '{printable(name_or_path)}'{did_you_mean(name_or_path, known)} "
            f"There are: {', '.join(known)}; or give the path of a .toml file."
        )
    text = read_config_text(path, "bench file", largest=LARGEST_FILE_BYTES)
    return read_plan(text, path.stem, printable(str(path), 200))


def read_plan(text: str, name: str, where: str) -> BenchPlan:
    """Read the text of the file of bench `name`; `where` is the file's name in messages.

    Raises:
        UsageError: a key can't be used.
        FileError: the text is no TOML.
    """
    given = parse_toml(text, f"{where} is no bench file")
    named = given.get("oscillators")
    proposed = next(iter(named), "main") if isinstance(named, dict) else "main"
    values = read_tables(given, declare_simulated_bench(proposed), where)
    oscillators = values["oscillators"]
    reference = values.get("reference")
    return BenchPlan(
        name=name,
        about=values["about"],
        tolerance=values.get("tolerance"),
        settle=values.get("settle"),
        reference=None if reference is None else _oscillator(reference),
        oscillators={key: _oscillator(table) for key, table in oscillators.items()},
        nominals={key: given["oscillators"][key]["nominal"] for key in oscillators},
        counters={
            key: _counter(table, f"{where}: counters.{key}", oscillators)
            for key, table in values["counters"].items()
        },
    )


def _oscillator(values: Mapping[str, Any]) -> OscillatorSpec:
    trimmer = TrimmerSpec(**values.get("trimmer", {}))
    return OscillatorSpec(**{**values, "trimmer": trimmer})


def _counter(
    values: Mapping[str, Any], where: str, oscillators: Mapping[str, object]
) -> CounterPlan:
    oscillator = values["oscillator"]
    if oscillator not in oscillators:
        raise UsageError(
            f'{where}: the key "oscillator" must name one of: {", ".join(oscillators)}'
            f"{did_you_mean(oscillator, oscillators)}"
        )

    def fields(keys: Mapping[str, ConfigKey]) -> dict[str, Any]:
        names = [key.field or name for name, key in keys.items()]
        return {name: values[name] for name in names if name in values}

    return CounterPlan(
        oscillator=oscillator,
        wiring=WiringSpec(**fields(WIRING_KEYS)),
        settings=ScpiCounterSpec(**fields(SETTING_KEYS)),
        counting=CountingSpec(**fields(COUNTING_KEYS)),
        time_base=_oscillator(values.get("time_base", {})),
    )
