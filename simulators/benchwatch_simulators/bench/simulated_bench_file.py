"""Reads the file of a simulated bench: properties of its oscillators and counters.

Tables: ``[reference]`` (an oscillator; left out if the bench has none), ``[oscillators.NAME]`` with
``[oscillators.NAME.trimmer]`` and, for a synthesizer, ``[oscillators.NAME.dial]``, and
``[counters.NAME]`` with ``[counters.NAME.time_base]``, the counter's own oscillator.
`simulated_bench_keys` declares the keys. Counters on ``lan-gpib`` share one controller, each at its
``address``.
"""

from collections.abc import Mapping, Sequence
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
from benchwatch.quantity import parse_frequency, printable
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
from benchwatch_simulators.oscillator.dial import DialSpec
from benchwatch_simulators.oscillator.oscillator import OscillatorSpec
from benchwatch_simulators.oscillator.trimmer import TrimmerSpec

_NOT_OF_THE_OSCILLATOR: Final = ("checks", "uncertainty")
"""Keys in the table of an oscillator that say what is done with it, or known of it."""
LARGEST_FILE_BYTES: Final = 1_000_000
"""Larger files are refused; a bench file is a page or two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterPlan:
    """Properties of one counter, and the name of its oscillator."""

    oscillator: str
    wiring: WiringSpec
    settings: ScpiCounterSpec
    counting: CountingSpec
    time_base: OscillatorSpec
    checks: tuple[str, ...]
    """Settings of its oscillator's dial that are to be checked, as written."""
    switched_on_s: float | None
    """When it is switched on, bench time; None: with the bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchPlan:
    """The contents of a simulated bench's file."""

    name: str
    about: str
    tolerance: str | None
    settle: str | None
    reference: OscillatorSpec | None
    reference_u: float | None
    """Standard uncertainty of the reference as stated, a fraction; None: it is not stated."""
    oscillators: dict[str, OscillatorSpec]
    nominals: dict[str, str]
    """Nominal of each oscillator as written."""
    counters: dict[str, CounterPlan]
    proof: tuple[tuple[str, ...], ...]
    """Counters on one oscillator that are to be compared."""


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


def own_plans() -> list[BenchPlan]:
    """Return the plans of the package's own benches, sorted by name."""
    return [load_plan(name) for name in bench_names()]


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
    specs = {
        key: _oscillator(table, f"{where}: oscillators.{key}")
        for key, table in values["oscillators"].items()
    }
    reference = values.get("reference")
    checks = {key: table["checks"] for key, table in values["oscillators"].items()}
    plan = BenchPlan(
        name=name,
        about=values["about"],
        tolerance=values.get("tolerance"),
        settle=values.get("settle"),
        reference=None if reference is None else _oscillator(reference, f"{where}: reference"),
        reference_u=None if reference is None else reference.get("uncertainty"),
        oscillators=specs,
        nominals={key: given["oscillators"][key]["nominal"] for key in specs},
        counters={
            key: _counter(table, f"{where}: counters.{key}", checks)
            for key, table in values["counters"].items()
        },
        proof=values["proof"],
    )
    for key, counter in plan.counters.items():
        _examine_checks(counter.checks, specs[counter.oscillator], f"{where}: counters.{key}")
    for group in plan.proof:
        _examine_group(group, plan.counters, f"{where}: proof")
    return plan


def _examine_checks(checks: Sequence[str], oscillator: OscillatorSpec, where: str) -> None:
    """Check that every setting to be checked can be dialled.

    Raises:
        UsageError: one can't.
    """
    if checks and oscillator.dial is None:
        raise UsageError(
            f"{where}: there are checks, and its oscillator has no dial: add the table "
            "[oscillators.NAME.dial], or leave the checks out."
        )
    for text in checks:
        if oscillator.dial and (refusal := oscillator.dial.refusal(parse_frequency(text))):
            raise UsageError(f"{where}: checks: {refusal}")


def _examine_group(group: Sequence[str], counters: Mapping[str, CounterPlan], where: str) -> None:
    """Check that a group to be compared is of two or more counters on one oscillator.

    Raises:
        UsageError: it isn't.
    """
    for counter in group:
        if counter not in counters:
            raise UsageError(
                f"{where}: there is no counter '{printable(counter)}'"
                f"{did_you_mean(counter, counters)} There are: {', '.join(counters)}."
            )
    if len(group) < 2 or len(set(group)) < len(group):
        raise UsageError(f"{where}: a comparison needs two counters or more, each named once.")
    if len({counters[counter].oscillator for counter in group}) > 1:
        raise UsageError(
            f"{where}: {', '.join(group)} are not on one oscillator: there is nothing to compare."
        )


def _oscillator(values: Mapping[str, Any], where: str) -> OscillatorSpec:
    """Make an oscillator of its table; its dial must have the nominal.

    Raises:
        UsageError: the dial can't be used.
    """
    fields = {name: value for name, value in values.items() if name not in _NOT_OF_THE_OSCILLATOR}
    fields["trimmer"] = TrimmerSpec(**values.get("trimmer", {}))
    if "dial" not in values:
        return OscillatorSpec(**fields)
    dial = DialSpec(**values["dial"])
    if ("decade_hz" in values["dial"]) != ("miss" in values["dial"]):
        raise UsageError(f"{where}.dial: give decade and miss both, or leave both out.")
    if refusal := dial.refusal(values["nominal_hz"]):
        raise UsageError(f"{where}.dial: its nominal {refusal}")
    return OscillatorSpec(**{**fields, "dial": dial})


def _counter(
    values: Mapping[str, Any], where: str, checks: Mapping[str, tuple[str, ...]]
) -> CounterPlan:
    """Make the plan of a counter of its table; `checks` are those of the oscillators by name."""
    oscillator = values["oscillator"]
    if oscillator not in checks:
        raise UsageError(
            f'{where}: the key "oscillator" must name one of: {", ".join(checks)}'
            f"{did_you_mean(oscillator, checks)}"
        )

    def fields(keys: Mapping[str, ConfigKey]) -> dict[str, Any]:
        names = [key.field or name for name, key in keys.items()]
        return {name: values[name] for name in names if name in values}

    return CounterPlan(
        oscillator=oscillator,
        wiring=WiringSpec(**fields(WIRING_KEYS)),
        settings=ScpiCounterSpec(**fields(SETTING_KEYS)),
        counting=CountingSpec(**fields(COUNTING_KEYS)),
        time_base=_oscillator(values.get("time_base", {}), f"{where}.time_base"),
        checks=values["checks"] or checks[oscillator],
        switched_on_s=values.get("switched_on_s"),
    )
