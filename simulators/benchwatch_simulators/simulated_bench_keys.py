"""The keys of a bench file: which field of which record each fills, and how it is read."""

from collections.abc import Callable, Collection, Mapping
from typing import Any

from benchwatch.errors import UsageError
from benchwatch.quantity import parse_duration, parse_fraction, parse_frequency, parse_settle
from benchwatch_simulators.counter_wiring import BUSES, DIALECTS
from benchwatch_simulators.counters.counter_settings import GATE_PATTERNS
from benchwatch_simulators.counters.talk_only import STYLES

Reader = Callable[[Any], object]
Keys = Mapping[str, tuple[str, Reader]]
"""Key in the file to the field of the record and the reader of its value."""


def _quantity(parse: Callable[[str], object]) -> Reader:
    def read(value: Any) -> object:
        if not isinstance(value, str):
            raise UsageError(f'write the quantity as text with its unit, such as "{value} s".')
        return parse(value)

    return read


def _as_written(parse: Callable[[str], object]) -> Reader:
    def read(value: Any) -> object:
        _quantity(parse)(value)
        return value

    return read


def _text(value: Any) -> object:
    if not isinstance(value, str) or not value.isascii() or not value.isprintable():
        raise UsageError("expected one line of plain text.")
    return value


def _switch(value: Any) -> object:
    if not isinstance(value, bool):
        raise UsageError("expected true or false.")
    return value


def _number(value: Any) -> object:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e6:
        raise UsageError("expected a number from 0 up.")
    return float(value)


def _gate(value: Any) -> object:
    return 0.0 if value == "none" else _duration(value)


def _one_of(words: Collection[str]) -> Reader:
    def read(value: Any) -> object:
        if value not in words:
            raise UsageError(f"expected one of: {', '.join(words)}.")
        return value

    return read


def _address(value: Any) -> object:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 30:
        raise UsageError("expected an address from 0 to 30.")
    return value


def _warm_up(value: Any) -> object:
    if not isinstance(value, list):
        raise UsageError('expected pairs such as [["4 ppm", "5 s"], ["0.2 ppm", "12 s"]].')
    pairs = []
    for pair in value:
        if not (isinstance(pair, list) and len(pair) == 2):
            raise UsageError('each part is a pair such as ["4 ppm", "5 s"].')
        pairs.append((_fraction(pair[0]), _duration(pair[1])))
    return tuple(pairs)


_fraction = _quantity(parse_fraction)
_duration = _quantity(parse_duration)

TOP: Keys = {
    "about": ("about", _text),
    "tolerance": ("tolerance", _as_written(parse_fraction)),
    "settle": ("settle", _as_written(parse_settle)),
}
OSCILLATOR: Keys = {
    "nominal": ("nominal_hz", _quantity(parse_frequency)),
    "landing": ("landing", _fraction),
    "warm_up": ("warm_up", _warm_up),
    "ageing_per_day": ("ageing_per_day", _fraction),
    "white_fm": ("white_fm", _fraction),
    "flicker_fm": ("flicker_fm", _fraction),
    "random_walk_fm": ("random_walk_fm", _fraction),
    "white_pm": ("white_pm_s", _duration),
}
TRIMMER: Keys = {
    "sensitivity": ("sensitivity", _fraction),
    "backlash_turns": ("backlash_turns", _number),
    "creep": ("creep", _number),
    "creep_time": ("creep_s", _duration),
    "tool_pull": ("tool_pull", _fraction),
    "tool_time": ("tool_s", _duration),
}
FRONT: Keys = {
    "identity": ("identity", _text),
    "gate_command": ("gate_command", _one_of(GATE_PATTERNS)),
    "gate": ("gate_s", _gate),
    "gate_least": ("gate_least_s", _duration),
    "gate_most": ("gate_most_s", _duration),
    "dead_time": ("dead_s", _duration),
    "continuous": ("continuous", _switch),
}
WIRING: Keys = {
    "bus": ("bus", _one_of(BUSES)),
    "dialect": ("dialect", _one_of(DIALECTS)),
    "style": ("style", _one_of(STYLES)),
    "address": ("address", _address),
    "pulse": ("pulse_s", _duration),
    "interval": ("interval_s", _duration),
    "driver": ("driver", _text),
}
COUNTING: Keys = {
    "resolution": ("t_res_s", _duration),
    "maximum": ("maximum_hz", _quantity(parse_frequency)),
    "wild": ("wild", _number),
    "wild_least": ("wild_least", _fraction),
    "wild_most": ("wild_most", _fraction),
}
